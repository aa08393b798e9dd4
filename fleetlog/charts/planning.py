"""What is to come: failures expected, the shop's calendar, and policies side by side."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import altair as alt
import polars as pl

from fleetlog.charts.rows import Plot, inline, legend, message, tips
from fleetlog.charts.theme import ALERT, BAND_OPACITY, INK, MUTED, PAPER, SERIES, Drawing, chart
from fleetlog.lives.fleet_figures import FleetFiguresFinding
from fleetlog.phrasing import NO_WORDS, Words, capital, hours, money, number, plural, plural_part
from fleetlog.planning.forecast import ForecastFinding
from fleetlog.planning.forecast_check import ForecastCheck
from fleetlog.planning.money import MoneyFinding
from fleetlog.planning.open_work import BESIDE, DOUBTFUL, OPEN
from fleetlog.planning.plan import AHEAD, PlanFinding
from fleetlog.planning.plan_hours import ShopHoursFinding
from fleetlog.planning.policies import PolicyFinding
from fleetlog.planning.replacement import ReplacementFinding

#: Month names as "Jul" and, in January or at the beginning, with their year below.
_MONTH = (
    "['Jan','Feb','Mar','Apr','May','Jun','Jul','Aug','Sep','Oct','Nov','Dec']"
    "[toNumber(substring(datum.label, 5, 7)) - 1]"
)
_NOW = "now"
#: Counts up to which an axis names each.
_FEW_COUNTS = 4
_SHORT_MONTH = (
    f"datum.label === '{_NOW}' ? '{_NOW}' : "
    "datum.label === '{first}' || substring(datum.label, 5, 7) === '01' ? "
    f"[{_MONTH}, substring(datum.label, 0, 4)] : {_MONTH}"
)


def _month_axis(months: Sequence[str]) -> alt.Axis:
    """Months; the first tells its year."""
    spoken = _SHORT_MONTH.format(first=months[0] if months else "")
    return alt.Axis(
        title=None, grid=False, labelExpr=spoken, labelAngle=0, labelOverlap=True, tickCount=len(months)
    )


def _ranges(base: alt.Chart, x: alt.X, counts: alt.Axis, **bars: Any) -> list[alt.Chart]:
    """The 95% range, pale, and the 80% range, dark."""
    return [
        base.mark_bar(opacity=depth * BAND_OPACITY, color=SERIES[0], **bars).encode(
            x=x, y=alt.Y(f"lower{share}:Q", axis=counts), y2=alt.Y2(f"upper{share}:Q")
        )
        for depth, share in ((1, ""), (2, "_80"))
    ]


def _whole_numbers(title: str, top: float, **more: Any) -> alt.Axis:
    """An axis of counts; where only a few fit, each stands once, not 0, 1, 1."""
    if top > _FEW_COUNTS:
        return alt.Axis(title=title, tickMinStep=1, format="d", **more)
    return alt.Axis(title=title, format="d", values=list(range(max(1, math.ceil(top)) + 1)))


def forecast_rows(finding: ForecastFinding) -> list[dict[str, Any]]:
    """The whole forecast by month, as it stands in the table."""
    columns = ("month", "standing", "expected", "lower", "upper", "lower_80", "upper_80", "labour_hours")
    return finding.by_month.select(columns).to_dicts()


def forecast_title(finding: ForecastFinding, _: Words = NO_WORDS) -> str:
    """How many faults stand, how many failures to expect over the whole stretch, and the hours for both."""
    whole = finding.totals.filter(pl.col("component") == "all").row(0, named=True)
    months = plural(len(finding.months), "month")
    return (
        f"{number(whole['standing'])} faults stand now; {whole['lower_80']} to {whole['upper_80']} failures come "
        f"in the next {months}; some {number(whole['labour_hours'])} labour hours to mend both"
    )


@chart(forecast_title)
def forecast_chart(finding: ForecastFinding, width: int, words: Words) -> Drawing:
    """What stands now; failures by month: expected, with the 80% and the 95% range; labour hours below."""
    rows = forecast_rows(finding)
    plot = width - 80
    order = [_NOW, *(row["month"] for row in rows)]
    x = alt.X(
        "month:O",
        sort=order,
        axis=_month_axis(order[1:]),
        scale=alt.Scale(domain=order, paddingInner=0.25),
    )
    base = Plot(inline(rows))
    stands = sum(row["standing"] for row in rows)
    counts = _whole_numbers("faults, failures a month", max([stands, *(row["upper"] for row in rows)]))
    worked = _whole_numbers("labour hours", max(row["labour_hours"] for row in rows), tickCount=3)
    standing = (
        Plot(inline([{"month": _NOW, "standing": stands}]))
        .mark_bar(color=ALERT)
        .encode(x=x, y=alt.Y("standing:Q", axis=counts), tooltip=tips("standing:Q|stand now|.1f"))
    )
    expected = base.mark_tick(color=INK, thickness=2.5).encode(
        x=x,
        y=alt.Y("expected:Q", axis=counts),
        tooltip=tips(
            "month:O",
            "expected:Q|to come|.1f",
            "lower_80:Q|80% from",
            "upper_80:Q|80% to",
            "lower:Q|95% from",
            "upper:Q|95% to",
            "labour_hours:Q||.1f",
        ),
    )
    labour = base.mark_bar(color=SERIES[2], opacity=0.8).encode(x=x, y=alt.Y("labour_hours:Q", axis=worked))
    picture = alt.vconcat(
        alt.layer(standing, *_ranges(base, x, counts), expected, width=plot, height=260),
        labour.properties(width=plot, height=80),
    )
    notes = [
        "Red: faults that stand now, each counted as surely as it does. Blue: strong, what comes in 8 of 10 cases; "
        "faint, in 19 of 20; line: expected. The first month's hours are for what stands, too.",
        *finding.notes,
    ]
    return picture, notes


def forecast_check_title(finding: ForecastCheck, _: Words = NO_WORDS) -> str:
    """How often the 80% range held what came."""
    whole = finding.summary.filter(pl.col("component") == "all").row(0, named=True)
    return (
        f"The 80% range held what came in {whole['held']} of {whole['forecasts']} past forecasts "
        f"({number(whole['expected'])} failures expected, {number(whole['came'])} came)"
    )


@chart(forecast_check_title)
def forecast_check_chart(finding: ForecastCheck, width: int, words: Words) -> Drawing:
    """Ranges of past forecasts, all causes together, and what came."""
    rows = finding.frame.filter(pl.col("component") == "all").to_dicts()
    base = Plot(inline(rows))
    x = alt.X("until:O", sort=None, axis=_month_axis([row["until"] for row in rows]))
    counts = _whole_numbers("failures", max(max(row["upper"], row["came"]) for row in rows))
    # A quarter has three months: bars as wide as the room would look like areas.
    thick = min(40.0, 0.9 * (width - 80) / max(len(rows), 1))
    came = base.mark_point(filled=True, size=70, opacity=1).encode(
        x=x,
        y=alt.Y("came:Q", axis=counts),
        color=alt.condition("datum.held", alt.value(INK), alt.value(ALERT)),
        tooltip=tips("asked:N|asked on", "until:O|for", "expected:Q||.1f", "came:Q||.1f"),
    )
    picture = alt.layer(*_ranges(base, x, counts, size=thick), came, width=width - 80, height=280)
    notes = [
        "Bars: the 80% range (strong) and the 95% range (faint) as forecast. Points: what came, red outside.",
        *finding.notes,
    ]
    return picture, notes


def replacement_title(finding: ReplacementFinding, _: Words = NO_WORDS) -> str:
    """From which age replacing ahead pays, or that it does not."""
    pays = finding.frame.filter(pl.col("replace_ahead"))
    if pays.is_empty():
        return "No part here is better replaced before it fails"
    row = pays.row(0, named=True)
    design = "" if row["variant"] == "unknown" else f"of {row['variant']} design "
    span = f" ({hours(row['lower'])} to {hours(row['upper'])})" if row["upper"] is not None else ""
    return (
        f"{capital(plural_part(row['component']))} {design}are better replaced ahead from "
        f"{hours(row['best_age_hours'])} on{span}: {row['past_best_age']} of {row['parts']} are past that age"
    )


@chart(replacement_title)
def replacement_chart(finding: ReplacementFinding, width: int, words: Words) -> Drawing:
    """What replacing a part at once saves against waiting, by its age, for the part where it matters most."""
    if finding.frame.is_empty():
        return message("No part to replace ahead.", width), finding.notes
    order = finding.frame.sort(["replace_ahead", "failures", "component"], descending=[True, True, False])
    row = order.row(0, named=True)
    mine = (pl.col("component") == row["component"]) & (pl.col("variant") == row["variant"])
    rows = finding.curves.filter(mine).select("age_hours", "saving", "lower", "upper").to_dicts()
    plot = width - 90
    x = alt.X("age_hours:Q", axis=alt.Axis(title="age of the part, running hours", format=",.0f", grid=False))
    y = alt.Axis(title=f"{finding.currency} saved by replacing at once", format=",.0f")
    base = Plot(inline(rows))
    band = base.mark_area(opacity=BAND_OPACITY, color=SERIES[0]).encode(
        x=x, y=alt.Y("lower:Q", axis=y), y2=alt.Y2("upper:Q")
    )
    line = base.mark_line(color=SERIES[0]).encode(
        x=x,
        y=alt.Y("saving:Q", axis=y),
        tooltip=tips("age_hours:Q|age|,.0f", "saving:Q||,.0f", "lower:Q||,.0f", "upper:Q||,.0f"),
    )
    nothing = Plot(inline([{"zero": 0.0}])).mark_rule(color=MUTED).encode(y=alt.Y("zero:Q"))
    layers = [band, line, nothing]
    if row["best_age_hours"] is not None:
        best = Plot(inline([{"best": row["best_age_hours"]}]))
        layers.append(best.mark_rule(color=INK, strokeDash=[4, 3]).encode(x=alt.X("best:Q")))
    parts = finding.parts.filter(mine).select("age_hours", "machine_id", "side").head(2000).to_dicts()
    if parts:
        layers.append(
            Plot(inline(parts))
            .mark_tick(color=ALERT, thickness=1.5, size=12)
            .encode(
                x=alt.X("age_hours:Q"),
                y=alt.value(272),
                tooltip=tips("machine_id:N", "side:N", "age_hours:Q"),
            )
        )
    picture = alt.layer(*layers, width=plot, height=280)
    notes = [
        "Line: expected saving against waiting until the part fails, with its 95% range. Dashes: best age. "
        "Red ticks: parts past it.",
        *finding.notes,
    ]
    return picture, notes


_KINDS = (OPEN, DOUBTFUL, AHEAD)
_PLAN_HEIGHT = 280


def plan_rows(finding: PlanFinding) -> list[dict[str, Any]]:
    """One brick a visit: its week, machine, and from where to where it stands in the week's hours."""
    visits = (
        finding.frame.group_by("week", "machine_id", maintain_order=True)
        .agg(
            pl.col("labour_hours").sum(),
            pl.col("saving").sum(),
            pl.col("side").str.join(" and "),
            kind=pl.col("reason").replace_strict(_KINDS, (0, 1, 2), default=2, return_dtype=pl.Int64).min(),
        )
        .sort(["week", "kind", "labour_hours", "machine_id"], descending=[False, False, True, False])
        .with_columns(top=pl.col("labour_hours").cum_sum().over("week"))
    )
    fields = ("week", "machine_id", "side", "labour_hours", "saving")
    return [
        {
            **{name: row[name] for name in fields},
            "base": row["top"] - row["labour_hours"],
            "top": row["top"],
            "kind": _KINDS[row["kind"]],
        }
        for row in visits.to_dicts()
    ]


def plan_title(finding: PlanFinding, _: Words = NO_WORDS) -> str:
    """How many open cases have their week, and what the work ahead saves."""
    opened = int((finding.frame["reason"] == OPEN).sum())
    ahead = int(finding.frame["reason"].is_in([BESIDE, AHEAD]).sum())
    first = f"{plural(opened, 'open case')} {'has its' if opened == 1 else 'have their'} week"
    if not ahead:
        return f"{capital(first)}; no sound part is replaced ahead" if opened else "No job is planned"
    saved = (
        f"{plural(ahead, 'job')} ahead of failure save{'s' if ahead == 1 else ''} "
        f"{money(finding.saving, finding.currency)} against waiting"
    )
    return f"{capital(first)}; {saved}" if opened else saved


@chart(plan_title)
def plan_chart(finding: PlanFinding, width: int, words: Words) -> Drawing:
    """The calendar: every visit a brick with its machine's number, under the hours that the week holds."""
    if finding.frame.is_empty():
        return message("No job is planned.", width), finding.notes[:1]
    rows = plan_rows(finding)
    limit_hours = pl.col("labour_hours_limit")
    weeks = finding.weeks.select(
        "week", limit=limit_hours, kept=pl.max_horizontal(0.0, limit_hours - pl.col("labour_hours_reserved"))
    ).to_dicts()
    names = [row["week"] for row in weeks]
    plot = width - 70
    every = max(1, -(-len(names) * 36 // plot))  # a label takes some 36 pixels
    shown = [name for i, name in enumerate(names) if i % every == 0]
    axis = alt.Axis(
        title=f"ISO week of {names[0][:4]}"
        + ("" if names[0][:4] == names[-1][:4] else f" and {names[-1][:4]}"),
        grid=False,
        values=shown,
        labelExpr="substring(datum.label, 5)",
        labelAngle=0,
    )
    x = alt.X("week:O", sort=names, scale=alt.Scale(domain=names, paddingInner=0.12), axis=axis)
    y_axis = alt.Axis(title="labour hours", format="d")
    base = Plot(inline(rows))
    bricks = base.mark_bar(stroke=PAPER, strokeWidth=1).encode(
        x=x,
        y=alt.Y("base:Q", axis=y_axis),
        y2=alt.Y2("top:Q"),
        color=alt.Color(
            "kind:N",
            scale=alt.Scale(domain=list(_KINDS), range=[ALERT, SERIES[0], SERIES[2]]),
            legend=legend(width, many=len(_KINDS)),
        ),
        tooltip=tips("machine_id:N|machine", "side:N", "week:O", "labour_hours:Q||.1f", "saving:Q||,.0f"),
    )
    limit = Plot(inline(weeks)).mark_tick(color=INK, thickness=2).encode(x=x, y=alt.Y("limit:Q", axis=y_axis))
    kept = (
        Plot(inline(weeks))
        .mark_bar(color=MUTED, opacity=BAND_OPACITY)
        .encode(x=x, y=alt.Y("kept:Q", axis=y_axis), y2=alt.Y2("limit:Q"))
    )
    layers: list[alt.Chart] = [bricks, kept, limit]
    room = plot / max(len(names), 1)
    highest = max([row["top"] for row in rows] + [week["limit"] for week in weeks], default=1.0) or 1.0
    longest = max((len(row["machine_id"]) for row in rows), default=1)
    size = min(11.0, 0.9 * room / (0.58 * longest))
    # a number smaller than that cannot be read, and one that is taller than its brick hides others
    tall = (
        [row for row in rows if row["labour_hours"] / highest * _PLAN_HEIGHT >= size] if size >= 8.0 else []
    )
    if tall:
        layers.append(
            Plot(inline(tall))
            .transform_calculate(middle="(datum.base + datum.top) / 2")
            .mark_text(color=PAPER, fontSize=size, fontWeight="bold")
            .encode(x=x, y=alt.Y("middle:Q", axis=y_axis), text=alt.Text("machine_id:N"))
        )
    numbered = (
        "visits, with the machine's number where there is room"
        if tall
        else "visits; the table names the machines"
    )
    picture = alt.layer(*layers, width=plot, height=_PLAN_HEIGHT)
    notes = [
        finding.safety.brief,
        f"Bricks: {numbered}. Lines: hours of the week; beneath them those kept for breakdowns.",
        *finding.notes[:2],
    ]
    return picture, notes


def shop_hours_title(finding: ShopHoursFinding, _: Words = NO_WORDS) -> str:
    """What the most hours save against the fewest."""
    rows = finding.frame.to_dicts()
    first, last = rows[0], rows[-1]
    if len(rows) < 2:
        return (
            f"With {first['shop_hours']:g} h a week the plan saves {money(first['saving'], finding.currency)}"
        )
    return (
        f"{last['shop_hours']:g} instead of {first['shop_hours']:g} shop hours a week save "
        f"{money(last['saving'] - first['saving'], finding.currency)} more"
    )


@chart(shop_hours_title)
def shop_hours_chart(finding: ShopHoursFinding, width: int, words: Words) -> Drawing:
    """Money saved by the plan for each number of weekly hours."""
    rows = finding.frame.select("shop_hours", "saving", "visits", "labour_hours").to_dicts()
    base = Plot(inline(rows))
    x = alt.X("shop_hours:O", axis=alt.Axis(title="labour hours a week for planned jobs", labelAngle=0))
    y = alt.Y("saving:Q", axis=alt.Axis(title=f"{finding.currency} saved", format=",.0f"))
    bars = base.mark_bar(color=SERIES[0]).encode(x=x, y=y)
    labels = base.mark_text(dy=-8, color=INK).encode(x=x, y=y, text=alt.Text("saving:Q", format=",.0f"))
    visits = base.mark_text(dy=14, color=PAPER, fontWeight="bold").encode(
        x=x, y=y, text=alt.Text("visits:Q", format="d")
    )
    picture = alt.layer(bars, labels, visits, width=width - 90, height=280)
    notes = ["In the bars: visits.", *finding.notes]
    return picture, notes


def policies_title(finding: PolicyFinding, _: Words = NO_WORDS) -> str:
    """Which policy costs least over the months played."""
    best = finding.frame.sort("total_cost", "policy").row(0, named=True)
    what = best["description"].partition(":")[0]
    return (
        f"In the long run it costs least to {what}: {money(best['cost'], finding.currency)} "
        f"over {plural(finding.months, 'month')}, {money(best['later_cost'], finding.currency)} later"
    )


@chart(policies_title)
def policies_chart(finding: PolicyFinding, width: int, words: Words) -> Drawing:
    """Money, failures and days down of each policy: means and 80% ranges, one panel each."""
    rows = finding.frame.to_dicts()
    # what comes after the colon is too long for an axis
    names = [row["description"].partition(":")[0] for row in rows]
    details = [f"{capital(row['description'])}." for row in rows if ":" in row["description"]]
    y = alt.Y("name:N", sort=names, axis=alt.Axis(title=None, labelLimit=260, domain=False))
    panels = []
    for column, title, form in (
        ("total_cost", f"money in the long run, {finding.currency}", ",.0f"),
        ("cost", f"money in these months, {finding.currency}", ",.0f"),
        ("failures", "failures", ".0f"),
        ("downtime_days", "days down", ",.0f"),
    ):
        figures = _figures(names, rows, column)
        panel = _panel(figures, y, title, form)
        label = Plot(inline(figures)).mark_text(dy=-11, fontSize=11, color=INK)
        texts = label.encode(y=y, x=alt.X("value:Q"), text=alt.Text("value:Q", format=form))
        panels.append(alt.layer(*panel, texts, width=max(width - 300, 160), height=36 * len(names)))
    picture = alt.vconcat(*panels)
    notes = ["Points: mean. Lines: what comes in 8 of 10 cases.", *finding.notes[:3], *details]
    return picture, notes


def _figures(names: Sequence[str], rows: Sequence[Mapping[str, Any]], column: str) -> list[dict[str, Any]]:
    """One figure of each row with its range: name, value, lower, upper."""
    return [
        {
            "name": name,
            "value": row[column],
            "lower": row.get(f"{column}_lower"),
            "upper": row.get(f"{column}_upper"),
        }
        for name, row in zip(names, rows, strict=True)
    ]


def _panel(figures: Sequence[Mapping[str, Any]], y: alt.Y, title: str, form: str) -> list[alt.Chart]:
    """A line a row for the range and a point for the figure."""
    base = Plot(inline(figures))
    x = alt.Axis(title=title, format=form, tickCount=4)
    span = base.mark_rule(strokeWidth=3, color=SERIES[0], opacity=0.45).encode(
        y=y, x=alt.X("lower:Q", axis=x), x2=alt.X2("upper:Q")
    )
    point = base.mark_point(filled=True, size=80, opacity=1, color=SERIES[0]).encode(
        y=y,
        x=alt.X("value:Q", axis=x, scale=alt.Scale(zero=True)),
        tooltip=tips("name:N", f"value:Q|{title}|{form}", f"lower:Q||{form}", f"upper:Q||{form}"),
    )
    return [span, point]


def payback_title(finding: MoneyFinding, _: Words = NO_WORDS) -> str:
    """When the work ahead of failure is paid back, and what went into sound parts."""
    vain = (
        f"{money(finding.spent_in_vain, finding.currency)} of {money(finding.spent_in_all, finding.currency)} spent "
        "went into sound parts"
    )
    if not float(finding.payback["cost"][0]):
        return f"{vain}; the plan spends nothing ahead of failure"
    if finding.payback_months is None:
        return f"{vain}; the plan's work ahead of failure is not paid back within ten years"
    return f"{vain}; the plan's work ahead of failure is paid back after {plural(finding.payback_months, 'month')}"


@chart(payback_title)
def payback_chart(finding: MoneyFinding, width: int, words: Words) -> Drawing:
    """Breakdowns avoided, in money, month by month, beside what the work ahead of failure costs."""
    months = max(36, 2 * (finding.payback_months or 0))
    rows = finding.payback.filter(pl.col("month") <= months).to_dicts()
    base = Plot(inline(rows))
    x = alt.X("month:Q", axis=alt.Axis(title="months from now", tickMinStep=1, format="d"))
    axis = alt.Axis(title=finding.currency, format=",.0f")
    avoided = base.mark_line(color=SERIES[0], strokeWidth=2.5).encode(
        x=x, y=alt.Y("avoided:Q", axis=axis), tooltip=tips("month:Q||d", "avoided:Q||,.0f", "cost:Q||,.0f")
    )
    cost = base.mark_line(color=ALERT, strokeWidth=2).encode(x=x, y=alt.Y("cost:Q", axis=axis))
    notes = [
        "Blue: breakdowns avoided, those of the new parts taken off. Red: cost of the work ahead of failure.",
        *finding.notes,
    ]
    return alt.layer(avoided, cost, width=width - 90, height=260), notes


def fleet_figures_title(finding: FleetFiguresFinding, _: Words = NO_WORDS) -> str:
    """Time between failures and cost an hour, of the whole or from best to worst."""
    rows = [row for row in finding.frame.to_dicts() if row["motbf_hours"] is not None]
    if not rows:
        return "No failure on record in this time"
    if len(rows) == 1:
        row = rows[0]
        return (
            f"{hours(row['motbf_hours'])} of running between failures, "
            f"{finding.currency} {row['cost_per_hour']:.2f} of maintenance a running hour"
        )
    low = min(row["motbf_hours"] for row in rows)
    high = max(row["motbf_hours"] for row in rows)
    return f"From {hours(low)} to {hours(high)} of running between failures"


@chart(fleet_figures_title)
def fleet_figures_chart(finding: FleetFiguresFinding, width: int, words: Words) -> Drawing:
    """Time between failures and maintenance cost of each group, with their intervals."""
    if finding.frame.is_empty():
        return message("No machine was at work in this time.", width), finding.notes
    rows = finding.frame.to_dicts()[:40]
    names = [", ".join(str(row[column]) for column in finding.by) or "all" for row in rows]
    y = alt.Y("name:N", sort=None, axis=alt.Axis(title=None, domain=False))
    panels = []
    for column, title, form in (
        ("motbf_hours", "running hours between failures", ",.0f"),
        ("cost_per_hour", f"{finding.currency} of maintenance a running hour", ".2f"),
    ):
        panel = _panel(_figures(names, rows, column), y, title, form)
        panels.append(alt.layer(*panel, width=max(width - 230, 160), height=26 * max(len(rows), 1)))
    notes = ["Points: the figure. Lines: its 95% interval.", *finding.notes]
    return alt.vconcat(*panels), notes
