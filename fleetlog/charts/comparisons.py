"""Groups against the rest, factors against a reference, machines against a steady rate: rows of intervals."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import altair as alt

from fleetlog.charts.rows import MAX_ROWS, at_x, chance, inline, key, thinned, tips
from fleetlog.charts.theme import ALERT, BAND_OPACITY, INK, MUTED, NEUTRAL, SERIES, WIDE, finish
from fleetlog.phrasing import NO_WORDS, capital, listed, plural, plural_part, said

if TYPE_CHECKING:
    from fleetlog.lives.comparison import ComparisonFinding
    from fleetlog.lives.drivers import DriversFinding
    from fleetlog.lives.trend import TrendFinding

MOST_ROWS = 60
_STEADY = 1.96
_MOST_MACHINES = 25
_FAR = 32.0


def comparison_title(finding: ComparisonFinding, words: Mapping[str, str] = NO_WORDS) -> str:
    """Which groups differ from the common rate by more than chance."""
    parts = plural_part(finding.component)
    by = said(finding.by, words)
    if finding.groups.height < 2:
        return f"There are not two groups of {by} to compare"
    sure = [row for row in finding.groups.to_dicts() if row["p_holm"] is not None and row["p_holm"] < 0.05]
    worse = [said(row["group"], words) for row in sure if row["ratio"] > 1]
    better = [said(row["group"], words) for row in sure if row["ratio"] < 1]
    if not sure:
        return f"No {by} differs from the others in failed {parts} by more than chance"
    told = [
        f"more in {listed(worse[:5])}" if worse else "",
        f"fewer in {listed(better[:5])}" if better else "",
    ]
    return f"Failed {parts} against what their ages let expect: {'; '.join(part for part in told if part)}"


def comparison_chart(
    finding: ComparisonFinding, *, width: int = WIDE, words: Mapping[str, str] = NO_WORDS
) -> alt.TopLevelMixin:
    """Observed over expected failures of each group, small groups drawn towards 1, on a log scale."""
    rows = [
        {
            "name": capital(said(row["group"], words)),
            "value": row["shrunk"],
            "lower": row["lower"],
            "upper": row["upper"],
            "raw": row["ratio"],
            "told": f"{row['observed']:,.0f} failed, {row['expected']:,.1f} expected",
            "sure": bool(row["p_holm"] is not None and row["p_holm"] < 0.05),
        }
        for row in finding.groups.to_dicts()[:MOST_ROWS]
    ]
    p = (finding.log_rank or {}).get("p")
    notes = [
        "Point: failures over those expected, drawn towards 1 as far as a small group's chance explains it. "
        "Line: 95% interval. Coloured: differs by more than chance.",
        f"All groups together: log-rank test, {chance(float(p))}." if p is not None else "",
        *finding.notes,
    ]
    picture = _rows_of_intervals(rows, width, "failures over those expected (log scale)")
    return finish(picture, title=comparison_title(finding, words), notes=notes, width=width)


def drivers_title(finding: DriversFinding, words: Mapping[str, str] = NO_WORDS) -> str:
    """Which level multiplies the risk most."""
    rows = [row for row in finding.ratios.to_dicts() if row["lower"] is not None and row["upper"] is not None]
    sure = [row for row in rows if row["lower"] > 1 or row["upper"] < 1]
    what = f"of {plural_part(finding.component)}" if finding.component else "of a further fault"
    if not sure:
        factors = listed([said(name, words) for name in finding.factors])
        return f"None of {factors} clearly drives the risk {what}"
    most = max(sure, key=lambda row: abs(math.log(row["hazard_ratio"])))
    return f"{capital(_level(most, words))}: {most['hazard_ratio']:.1f} times the risk {what}"


def _level(row: Mapping[str, Any], words: Mapping[str, str]) -> str:
    """A level of a factor as a reader would say it."""
    name = str(row["name"]).replace("=", " ")
    return (
        said(name, words)
        if name.startswith(str(row["term"]))
        else f"{said(str(row['term']))} {said(name, words)}"
    )


def drivers_chart(
    finding: DriversFinding, *, width: int = WIDE, words: Mapping[str, str] = NO_WORDS
) -> alt.TopLevelMixin:
    """Hazard ratio of each level against its reference, with the interval, on a log scale."""
    rows = [
        {
            "name": capital(_level(row, words)),
            "value": row["hazard_ratio"],
            "lower": row["lower"],
            "upper": row["upper"],
            "raw": row["hazard_ratio"],
            "told": f"{row['hazard_ratio']:.2f} times the risk",
            "sure": bool(
                row["lower"] is not None
                and row["upper"] is not None
                and (row["lower"] > 1 or row["upper"] < 1)
            ),
        }
        for row in finding.ratios.to_dicts()[:MOST_ROWS]
    ]
    notes = [
        "Point: risk against the commonest level, all else alike (hazard ratio). Line: 95% interval. "
        "Coloured: the interval leaves out 1.",
        *finding.notes,
    ]
    picture = _rows_of_intervals(rows, width, "times the risk of the commonest level (log scale)")
    return finish(picture, title=drivers_title(finding, words), notes=notes, width=width)


def _rows_of_intervals(rows: Sequence[Mapping[str, Any]], width: int, title: str) -> alt.TopLevelMixin:
    """A name, a point and a line a row, 1 in the middle of attention; ends beyond the scale are cut there."""
    line = 40
    seen = [
        row[key]
        for row in rows
        for key in ("lower", "value", "upper")
        if row[key] is not None and math.isfinite(row[key]) and row[key] > 0
    ]
    low = max(min([*seen, 0.5]), 1 / _FAR) * 0.9
    high = min(max([*seen, 2.0]), _FAR) * 1.1
    laid = [
        {
            **row,
            "value": None if row["value"] is None else min(max(row["value"], low), high),
            "lower": low if row["lower"] is None else min(max(row["lower"], low), high),
            "upper": high if row["upper"] is None else max(min(row["upper"], high), low),
            "shrunk": row["value"],
            "top": place * line + 11,
            "middle": place * line + 27,
        }
        for place, row in enumerate(rows)
    ]
    height = max(len(rows), 1) * line
    scale = dict(domain=[0, height], range=[0, height])
    across = dict(type="log", domain=[low, high], nice=False)
    steps = [value for value in (1 / 16, 1 / 8, 1 / 4, 1 / 2, 1, 2, 4, 8, 16) if low <= value <= high]
    words = "datum.value < 1 ? '1/' + format(1 / datum.value, 'd') : format(datum.value, 'd')"
    x_axis = dict(title=title, values=steps, labelExpr=words)
    colour = alt.condition("datum.sure", alt.value(SERIES[0]), alt.value(NEUTRAL))
    base = alt.Chart(inline(laid))
    y = alt.Y("middle:Q", scale=scale, axis=None)
    one = (
        alt.Chart(inline([{"value": 1}]))
        .mark_rule(color=INK, strokeDash=[3, 3])
        .encode(x=alt.X("value:Q", scale=across, axis=x_axis))
    )
    interval = base.mark_rule(strokeWidth=2.5).encode(
        x=alt.X("lower:Q", scale=across, axis=x_axis), x2=alt.X2("upper:Q"), y=y, color=colour
    )
    point = base.mark_point(filled=True, size=80, opacity=1).encode(
        x=alt.X("value:Q", scale=across, axis=x_axis),
        y=y,
        color=colour,
        tooltip=tips("name:N", "shrunk:Q|ratio|.2f", "raw:Q|as counted|.2f", "told:N|that is"),
    )
    names = base.mark_text(align="left", fontSize=12.5, fontWeight="bold", color=INK).encode(
        x=at_x(0), y=alt.Y("top:Q", scale=scale, axis=None), text=alt.Text("name:N")
    )
    told = base.mark_text(align="right", fontSize=12, color=MUTED).encode(
        x=at_x(width - 44), y=alt.Y("top:Q", scale=scale, axis=None), text=alt.Text("told:N")
    )
    return alt.layer(one, interval, point, names, told, width=width - 44, height=height)


def _bend(finding: TrendFinding, plot: int) -> alt.LayerChart | alt.FacetChart:
    """Faults per machine so far as counted, and as the fitted power law has them."""
    curve = thinned(finding.curve.select("hours", "count", "lower", "upper", "fitted"), "count", MAX_ROWS)
    base = alt.Chart(inline(curve))
    x = alt.X(
        "hours:Q",
        scale=dict(domainMin=0, nice=False),
        axis=dict(title="running hours of the machine", format=",.0f", grid=False, tickCount=5),
    )
    tallest = float(curve["count"].to_numpy().max()) * 1.3 or 1.0
    scale, axis = dict(domain=[0, tallest]), dict(title="faults per machine so far", tickCount=4)
    band = base.mark_area(interpolate="step-after", opacity=BAND_OPACITY, color=SERIES[0], clip=True).encode(
        x=x, y=alt.Y("lower:Q", scale=scale, axis=axis), y2=alt.Y2("upper:Q")
    )
    counted = base.mark_line(interpolate="step-after", color=SERIES[0]).encode(
        x=x, y=alt.Y("count:Q", scale=scale, axis=axis)
    )
    fitted = base.mark_line(color=INK, strokeDash=[5, 3], strokeWidth=1.4, clip=True).encode(
        x=x, y=alt.Y("fitted:Q", scale=scale, axis=axis)
    )
    return alt.layer(band, counted, fitted, width=plot, height=180)


def trend_title(finding: TrendFinding) -> str:
    """Whether faults come faster with age, by the power law of the whole fleet."""
    law = finding.power_law
    if law is None or not law.get("shape_ci"):
        return "Too few faults to say whether they come faster with age"
    low, high = law["shape_ci"]
    more = 2 ** float(law["shape"])
    if low > 1:
        return f"Faults come faster with age: twice the hours bring {more:.1f} times the faults"
    if high < 1:
        return f"Faults come more slowly with age: twice the hours bring only {more:.1f} times the faults"
    return "Faults come neither faster nor more slowly with age, as far as the record can tell"


def trend_chart(
    finding: TrendFinding, *, width: int = WIDE, words: Mapping[str, str] = NO_WORDS
) -> alt.TopLevelMixin:
    """Each machine's own trend: Laplace's statistic, and what chance alone would let it be."""
    room = 190 if width > 500 else 140
    ranked = sorted(finding.units.to_dicts(), key=lambda row: (-abs(row["statistic"]), row["machine_id"]))
    rows = [
        {
            "machine": row["machine_id"],
            "statistic": row["statistic"],
            "told": f"{row['machine_id']} · {plural(row['episodes'], 'fault')}",
            "kind": "worse"
            if row["statistic"] > _STEADY
            else "better"
            if row["statistic"] < -_STEADY
            else "as chance would have it",
        }
        for row in ranked[:_MOST_MACHINES]
    ]
    rows.sort(key=lambda row: (-row["statistic"], row["machine"]))
    reach = max([_STEADY * 1.3, *(abs(row["statistic"]) for row in rows)]) * 1.05
    kinds = ["worse", "as chance would have it", "better"]
    y = alt.Y(
        "told:N",
        sort=[row["told"] for row in rows],
        axis=dict(title=None, ticks=False, domain=False, labelColor=INK, labelLimit=room - 30),
    )
    x = alt.X(
        "statistic:Q",
        scale=dict(domain=[-reach, reach], nice=False),
        axis=dict(
            title="better  ←  trend (Laplace)  →  worse" if width > 500 else "better  ←    →  worse",
            tickCount=5,
        ),
    )
    chance = (
        alt.Chart(inline([{"from": -_STEADY, "to": _STEADY}]))
        .mark_rect(color=NEUTRAL, opacity=0.16)
        .encode(x=alt.X("from:Q", scale=dict(domain=[-reach, reach], nice=False)), x2=alt.X2("to:Q"))
    )
    marks = (
        alt.Chart(inline(rows))
        .mark_point(filled=True, size=80, opacity=1)
        .encode(
            x=x,
            y=y,
            color=alt.Color(
                "kind:N",
                scale=dict(domain=kinds, range=[ALERT, NEUTRAL, SERIES[0]]),
                legend=key(width),
            ),
            shape=alt.Shape(
                "kind:N",
                scale=dict(domain=kinds, range=["triangle-up", "circle", "triangle-down"]),
                legend=key(width),
            ),
            tooltip=tips("told:N|machine", "statistic:Q||.2f"),
        )
    )
    machines = alt.layer(chance, marks, width=width - room, height=max(len(rows), 1) * 19)
    pictures = [_bend(finding, width - room), machines] if finding.curve.height else [machines]
    picture = alt.vconcat(*pictures, spacing=24).resolve_scale(color="independent", shape="independent")
    law = finding.power_law
    notes = [
        "Above: faults per machine as counted, 95% interval shaded; dashed: the fitted power law."
        if finding.curve.height
        else "",
        f"Grey: where 19 of 20 machines without a trend would stand. Of {len(ranked)} machines with enough "
        f"faults the {len(rows)} farthest from steady are drawn."
        if len(ranked) > len(rows)
        else "Grey: where 19 of 20 machines without a trend would stand.",
        f"Fleet: {law['events']:,.0f} faults in {law['machine_hours']:,.0f} machine hours; power law of "
        f"shape {law['shape']:.2f}, 95% interval {law['shape_ci'][0]:.2f} to {law['shape_ci'][1]:.2f}."
        if law and law.get("shape_ci")
        else "",
        *finding.notes,
    ]
    return finish(picture, title=trend_title(finding), notes=notes, width=width)
