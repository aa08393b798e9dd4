"""What lies ahead: failures expected, the shop's calendar, and policies side by side."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import altair as alt
import polars as pl

from fleetlog.charts.rows import inline
from fleetlog.charts.theme import ALERT, BAND_OPACITY, INK, MUTED, PAPER, SERIES, WIDE, finish
from fleetlog.lives.fleet_figures import FleetFiguresFinding
from fleetlog.phrasing import NO_WORDS, capital, hours, money, plural, plural_part
from fleetlog.planning.forecast import ForecastFinding
from fleetlog.planning.forecast_check import ForecastCheck
from fleetlog.planning.plan import PlanFinding
from fleetlog.planning.plan_hours import ShopHoursFinding
from fleetlog.planning.policies import PolicyFinding
from fleetlog.planning.replacement import ReplacementFinding


def _month_axis(count: int) -> alt.Axis:
    return alt.Axis(
        title=None, grid=False, labelExpr=_short_month(), labelAngle=0, labelOverlap=True, tickCount=count
    )


def _short_month() -> str:
    """Month names as "Jul" and, in January or at the beginning, with their year below."""
    names = "['Jan','Feb','Mar','Apr','May','Jun','Jul','Aug','Sep','Oct','Nov','Dec']"
    name = f"{names}[toNumber(substring(datum.label, 5, 7)) - 1]"
    year = "substring(datum.label, 0, 4)"
    return f"datum.index === 0 || substring(datum.label, 5, 7) === '01' ? [{name}, {year}] : {name}"


def forecast_rows(finding: ForecastFinding) -> list[dict[str, Any]]:
    """The whole forecast by month, as it stands in the table."""
    columns = ("month", "expected", "lower", "upper", "lower_80", "upper_80", "labour_hours")
    return finding.by_month.select(columns).to_dicts()


def forecast_title(finding: ForecastFinding) -> str:
    """How many failures to expect over the whole stretch."""
    whole = finding.totals.filter(pl.col("component") == "all").row(0, named=True)
    months = plural(len(finding.months), "month")
    return (
        f"Over the next {months}, {whole['lower_80']} to {whole['upper_80']} failures "
        f"and some {whole['labour_hours']:,.0f} labour hours to mend them"
    )


def forecast_chart(
    finding: ForecastFinding, *, width: int = WIDE, words: Mapping[str, str] = NO_WORDS
) -> alt.TopLevelMixin:
    """Failures by month: expected, with the 80% and the 95% range; labour hours below."""
    rows = forecast_rows(finding)
    plot = width - 80
    x = alt.X("month:O", sort=None, axis=_month_axis(len(rows)), scale=alt.Scale(paddingInner=0.25))
    base = alt.Chart(inline(rows))
    counts = alt.Axis(title="failures a month", tickMinStep=1, format="d")
    outer = base.mark_bar(opacity=BAND_OPACITY, color=SERIES[0]).encode(
        x=x, y=alt.Y("lower:Q", axis=counts), y2=alt.Y2("upper:Q")
    )
    inner = base.mark_bar(opacity=2 * BAND_OPACITY, color=SERIES[0]).encode(
        x=x, y=alt.Y("lower_80:Q", axis=counts), y2=alt.Y2("upper_80:Q")
    )
    expected = base.mark_tick(color=INK, thickness=2.5).encode(
        x=x,
        y=alt.Y("expected:Q", axis=counts),
        tooltip=[
            alt.Tooltip("month:O"),
            alt.Tooltip("expected:Q", format=".2f"),
            alt.Tooltip("lower_80:Q", title="80% from"),
            alt.Tooltip("upper_80:Q", title="80% to"),
            alt.Tooltip("lower:Q", title="95% from"),
            alt.Tooltip("upper:Q", title="95% to"),
            alt.Tooltip("labour_hours:Q", format=".1f"),
        ],
    )
    labour = base.mark_bar(color=SERIES[2], opacity=0.8).encode(
        x=x, y=alt.Y("labour_hours:Q", axis=alt.Axis(title="labour hours", format="d", tickCount=3))
    )
    picture = alt.vconcat(
        alt.layer(outer, inner, expected, width=plot, height=260), labour.properties(width=plot, height=80)
    )
    notes = [
        "Bars: dark, what comes in 8 of 10 cases; pale, in 19 of 20. Line: expected.",
        *finding.notes,
    ]
    return finish(picture, title=forecast_title(finding), notes=notes, width=width)


def forecast_check_title(finding: ForecastCheck) -> str:
    """How often the 80% range held what came."""
    whole = finding.summary.filter(pl.col("component") == "all").row(0, named=True)
    return (
        f"The 80% range held what came in {whole['held']} of {whole['forecasts']} past forecasts "
        f"({whole['expected']:.0f} failures expected, {whole['came']} came)"
    )


def forecast_check_chart(
    finding: ForecastCheck, *, width: int = WIDE, words: Mapping[str, str] = NO_WORDS
) -> alt.TopLevelMixin:
    """Ranges of past forecasts, all followed parts together, and what came."""
    rows = finding.frame.filter(pl.col("component") == "all").to_dicts()
    base = alt.Chart(inline(rows))
    x = alt.X("until:O", sort=None, axis=_month_axis(len(rows)))
    counts = alt.Axis(title="failures", tickMinStep=1, format="d")
    # A quarter has three months: bars as wide as the room would look like areas.
    thick = min(40.0, 0.9 * (width - 80) / max(len(rows), 1))
    outer = base.mark_bar(opacity=BAND_OPACITY, color=SERIES[0], size=thick).encode(
        x=x, y=alt.Y("lower:Q", axis=counts), y2=alt.Y2("upper:Q")
    )
    inner = base.mark_bar(opacity=2 * BAND_OPACITY, color=SERIES[0], size=thick).encode(
        x=x, y=alt.Y("lower_80:Q", axis=counts), y2=alt.Y2("upper_80:Q")
    )
    came = base.mark_point(filled=True, size=70, opacity=1).encode(
        x=x,
        y=alt.Y("came:Q", axis=counts),
        color=alt.condition("datum.held", alt.value(INK), alt.value(ALERT)),
        tooltip=[
            alt.Tooltip("asked:N", title="asked on"),
            alt.Tooltip("until:O", title="for"),
            alt.Tooltip("expected:Q", format=".2f"),
            alt.Tooltip("came:Q"),
        ],
    )
    picture = alt.layer(outer, inner, came, width=width - 80, height=280)
    notes = [
        "Bars: the 80% range (dark) and the 95% range (pale) as forecast. Points: what came, red outside.",
        *finding.notes,
    ]
    return finish(picture, title=forecast_check_title(finding), notes=notes, width=width)


def replacement_title(finding: ReplacementFinding) -> str:
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


def replacement_chart(
    finding: ReplacementFinding, *, width: int = WIDE, words: Mapping[str, str] = NO_WORDS
) -> alt.TopLevelMixin:
    """What replacing a part at once saves against waiting, by its age, for the part where it matters most."""
    if finding.frame.is_empty():
        empty = alt.Chart(inline([{}])).mark_point()
        return finish(empty, title=replacement_title(finding), notes=finding.notes, width=width)
    order = finding.frame.sort(["replace_ahead", "failures", "component"], descending=[True, True, False])
    row = order.row(0, named=True)
    mine = (pl.col("component") == row["component"]) & (pl.col("variant") == row["variant"])
    rows = finding.curves.filter(mine).select("age_hours", "saving", "lower", "upper").to_dicts()
    plot = width - 90
    x = alt.X("age_hours:Q", axis=alt.Axis(title="age of the part, running hours", format=",.0f", grid=False))
    y = alt.Axis(title=f"{finding.currency} saved by replacing at once", format=",.0f")
    base = alt.Chart(inline(rows))
    band = base.mark_area(opacity=BAND_OPACITY, color=SERIES[0]).encode(
        x=x, y=alt.Y("lower:Q", axis=y), y2=alt.Y2("upper:Q")
    )
    line = base.mark_line(color=SERIES[0]).encode(
        x=x,
        y=alt.Y("saving:Q", axis=y),
        tooltip=[
            alt.Tooltip("age_hours:Q", title="age", format=",.0f"),
            alt.Tooltip("saving:Q", format=",.0f"),
            alt.Tooltip("lower:Q", format=",.0f"),
            alt.Tooltip("upper:Q", format=",.0f"),
        ],
    )
    nothing = alt.Chart(inline([{"zero": 0.0}])).mark_rule(color=MUTED).encode(y=alt.Y("zero:Q"))
    layers = [band, line, nothing]
    if row["best_age_hours"] is not None:
        best = alt.Chart(inline([{"best": row["best_age_hours"]}]))
        layers.append(best.mark_rule(color=INK, strokeDash=[4, 3]).encode(x=alt.X("best:Q")))
    parts = finding.parts.filter(mine).select("age_hours", "machine_id", "side").head(2000).to_dicts()
    if parts:
        layers.append(
            alt.Chart(inline(parts))
            .mark_tick(color=ALERT, thickness=1.5, size=12)
            .encode(
                x=alt.X("age_hours:Q"),
                y=alt.value(272),
                tooltip=[alt.Tooltip("machine_id:N"), alt.Tooltip("side:N"), alt.Tooltip("age_hours:Q")],
            )
        )
    picture = alt.layer(*layers, width=plot, height=280)
    notes = [
        "Line: expected saving against waiting until the part fails, with its 95% range. Dashes: best age. "
        "Red ticks: parts past it.",
        *finding.notes,
    ]
    return finish(picture, title=replacement_title(finding), notes=notes, width=width)


_KINDS = ("open case", "both sides in one visit", "one job ahead of failure")


def plan_rows(finding: PlanFinding) -> list[dict[str, Any]]:
    """One brick a visit: its week, machine, and from where to where it stands in the week's hours."""
    visits = (
        finding.frame.group_by("week", "machine_id", maintain_order=True)
        .agg(
            pl.col("labour_hours").sum(),
            pl.col("saving").sum(),
            pl.col("side").str.join(" and "),
            jobs=pl.len(),
            urgent=(pl.col("reason") == "open case").any(),
        )
        .sort(["week", "urgent", "labour_hours", "machine_id"], descending=[False, True, True, False])
        .with_columns(top=pl.col("labour_hours").cum_sum().over("week"))
    )
    return [
        {
            "week": row["week"],
            "machine_id": row["machine_id"],
            "side": row["side"],
            "labour_hours": row["labour_hours"],
            "saving": row["saving"],
            "base": row["top"] - row["labour_hours"],
            "top": row["top"],
            "kind": _KINDS[0] if row["urgent"] else _KINDS[1] if row["jobs"] > 1 else _KINDS[2],
        }
        for row in visits.to_dicts()
    ]


def plan_title(finding: PlanFinding) -> str:
    """How many visits the plan holds and what they save."""
    visits = int(finding.weeks["visits"].sum())
    if not visits:
        return "No job is planned"
    return (
        f"{plural(visits, 'visit')} in {plural(finding.weeks.height, 'week')} save "
        f"{money(finding.saving, finding.currency)} against waiting"
    )


def plan_chart(
    finding: PlanFinding, *, width: int = WIDE, words: Mapping[str, str] = NO_WORDS
) -> alt.TopLevelMixin:
    """The calendar: every visit a brick with its machine's number, under the hours that the week holds."""
    rows = plan_rows(finding)
    weeks = finding.weeks.select(
        "week",
        limit=pl.min_horizontal("^.*_hours_limit$"),
    ).to_dicts()
    names = [row["week"] for row in weeks]
    plot = width - 70
    every = max(1, round(len(names) / 13))
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
    base = alt.Chart(inline(rows))
    bricks = base.mark_bar(stroke=PAPER, strokeWidth=1).encode(
        x=x,
        y=alt.Y("base:Q", axis=y_axis),
        y2=alt.Y2("top:Q"),
        color=alt.Color(
            "kind:N",
            scale=alt.Scale(domain=list(_KINDS), range=[ALERT, SERIES[0], SERIES[2]]),
            legend=alt.Legend(title=None, columns=1 if width < 500 else len(_KINDS)),
        ),
        tooltip=[
            alt.Tooltip("machine_id:N", title="machine"),
            alt.Tooltip("side:N"),
            alt.Tooltip("week:O"),
            alt.Tooltip("labour_hours:Q", format=".1f"),
            alt.Tooltip("saving:Q", format=",.0f"),
        ],
    )
    limit = (
        alt.Chart(inline(weeks))
        .mark_tick(color=INK, thickness=2)
        .encode(x=x, y=alt.Y("limit:Q", axis=y_axis))
    )
    layers: list[alt.Chart] = [bricks, limit]
    room = plot / max(len(names), 1)
    if room >= 26:  # below that a number would be too small to read
        layers.append(
            base.transform_calculate(middle="(datum.base + datum.top) / 2")
            .mark_text(color=PAPER, fontSize=min(11.0, room * 0.42), fontWeight="bold", limit=room)
            .encode(x=x, y=alt.Y("middle:Q", axis=y_axis), text=alt.Text("machine_id:N"))
        )
    picture = alt.layer(*layers, width=plot, height=280)
    notes = ["Bricks: visits, with the machine's number. Lines: hours the week holds.", *finding.notes[:2]]
    return finish(picture, title=plan_title(finding), notes=notes, width=width)


def shop_hours_title(finding: ShopHoursFinding) -> str:
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


def shop_hours_chart(
    finding: ShopHoursFinding, *, width: int = WIDE, words: Mapping[str, str] = NO_WORDS
) -> alt.TopLevelMixin:
    """Money saved by the plan for each number of weekly hours."""
    rows = finding.frame.select("shop_hours", "saving", "visits", "labour_hours").to_dicts()
    base = alt.Chart(inline(rows))
    x = alt.X("shop_hours:O", axis=alt.Axis(title="labour hours a week for planned jobs", labelAngle=0))
    y = alt.Y("saving:Q", axis=alt.Axis(title=f"{finding.currency} saved", format=",.0f"))
    bars = base.mark_bar(color=SERIES[0]).encode(x=x, y=y)
    labels = base.mark_text(dy=-8, color=INK).encode(x=x, y=y, text=alt.Text("saving:Q", format=",.0f"))
    visits = base.mark_text(dy=14, color=PAPER, fontWeight="bold").encode(
        x=x, y=y, text=alt.Text("visits:Q", format="d")
    )
    picture = alt.layer(bars, labels, visits, width=width - 90, height=280)
    notes = ["In the bars: visits.", *finding.notes]
    return finish(picture, title=shop_hours_title(finding), notes=notes, width=width)


def policies_title(finding: PolicyFinding) -> str:
    """Which policy costs least over the months played."""
    best = finding.frame.sort("total_cost", "policy").row(0, named=True)
    return (
        f"In the long run it costs least to {best['description']}: {money(best['cost'], finding.currency)} "
        f"over {plural(finding.months, 'month')}, {money(best['later_cost'], finding.currency)} later"
    )


def policies_chart(
    finding: PolicyFinding, *, width: int = WIDE, words: Mapping[str, str] = NO_WORDS
) -> alt.TopLevelMixin:
    """Money, failures and days down of each policy: means and 80% ranges, one panel each."""
    names = finding.frame["description"].to_list()
    panels = []
    for column, title, form in (
        ("cost", f"money in these months, {finding.currency}", ",.0f"),
        ("failures", "failures", ".0f"),
        ("downtime_days", "days down", ",.0f"),
    ):
        rows = finding.frame.select(
            "description",
            value=pl.col(column),
            lower=pl.col(f"{column}_lower"),
            upper=pl.col(f"{column}_upper"),
        ).to_dicts()
        base = alt.Chart(inline(rows))
        y = alt.Y("description:N", sort=names, axis=alt.Axis(title=None, labelLimit=260, domain=False))
        x = alt.Axis(title=title, format=form, tickCount=4)
        span = base.mark_rule(strokeWidth=3, color=SERIES[0], opacity=0.45).encode(
            y=y, x=alt.X("lower:Q", axis=x), x2=alt.X2("upper:Q")
        )
        point = base.mark_point(filled=True, size=80, opacity=1, color=SERIES[0]).encode(
            y=y,
            x=alt.X("value:Q", axis=x, scale=alt.Scale(zero=True)),
            tooltip=[
                alt.Tooltip("description:N", title="policy"),
                alt.Tooltip("value:Q", title=title, format=form),
                alt.Tooltip("lower:Q", format=form),
                alt.Tooltip("upper:Q", format=form),
            ],
        )
        label = base.mark_text(dy=-11, fontSize=11, color=INK).encode(
            y=y, x=alt.X("value:Q", axis=x), text=alt.Text("value:Q", format=form)
        )
        panels.append(alt.layer(span, point, label, width=max(width - 300, 160), height=36 * len(names)))
    picture = alt.vconcat(*panels)
    notes = ["Points: mean of the draws. Lines: 80% of them.", *finding.notes]
    return finish(picture, title=policies_title(finding), notes=notes, width=width)


def fleet_figures_title(finding: FleetFiguresFinding) -> str:
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


def fleet_figures_chart(
    finding: FleetFiguresFinding, *, width: int = WIDE, words: Mapping[str, str] = NO_WORDS
) -> alt.TopLevelMixin:
    """Time between failures and maintenance cost of each group, with their intervals."""
    groups = [
        {"group": ", ".join(str(row[column]) for column in finding.by) or "all", **row}
        for row in finding.frame.to_dicts()[:40]
    ]
    panels = []
    for column, title, form in (
        ("motbf_hours", "running hours between failures", ",.0f"),
        ("cost_per_hour", f"{finding.currency} of maintenance a running hour", ".2f"),
    ):
        rows = [
            {
                "group": row["group"],
                "value": row[column],
                "lower": row[f"{column}_lower"],
                "upper": row[f"{column}_upper"],
            }
            for row in groups
        ]
        base = alt.Chart(inline(rows))
        y = alt.Y("group:N", sort=None, axis=alt.Axis(title=None, domain=False))
        x = alt.Axis(title=title, format=form, tickCount=4)
        span = base.mark_rule(strokeWidth=3, color=SERIES[0], opacity=0.45).encode(
            y=y, x=alt.X("lower:Q", axis=x), x2=alt.X2("upper:Q")
        )
        point = base.mark_point(filled=True, size=70, opacity=1, color=SERIES[0]).encode(
            y=y,
            x=alt.X("value:Q", axis=x, scale=alt.Scale(zero=True)),
            tooltip=[
                alt.Tooltip("group:N"),
                alt.Tooltip("value:Q", title=title, format=form),
                alt.Tooltip("lower:Q", format=form),
                alt.Tooltip("upper:Q", format=form),
            ],
        )
        panels.append(alt.layer(span, point, width=max(width - 230, 160), height=26 * max(len(rows), 1)))
    notes = ["Points: the figure. Lines: its 95% interval.", *finding.notes]
    return finish(alt.vconcat(*panels), title=fleet_figures_title(finding), notes=notes, width=width)
