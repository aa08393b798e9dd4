"""Groups against the rest, factors against a reference, machines against a steady rate: rows of intervals."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import altair as alt
import polars as pl

from fleetlog.charts.rows import (
    MAX_ROWS,
    Plot,
    across,
    at_x,
    inline,
    legend,
    message,
    p_text,
    thinned,
    tips,
    up,
)
from fleetlog.charts.theme import (
    ALERT,
    BAND_OPACITY,
    INK,
    MUTED,
    NEUTRAL,
    SERIES,
    Drawing,
    chart,
)
from fleetlog.phrasing import NO_WORDS, Words, capital, listed, plural, plural_part, said

if TYPE_CHECKING:
    from fleetlog.lives.comparison import ComparisonFinding
    from fleetlog.lives.drivers import DriversFinding
    from fleetlog.lives.trend import TrendFinding

MOST_ROWS = 60
_STEADY = 1.96
_MOST_MACHINES = 25
_FAR = 32.0
_LINE = 40
#: From where on in a line there are no letters.
_LETTERS = 19
RATIO = {"hazard": "hazard_ratio", "time": "life_ratio"}
_TIMES = {"hazard": "risk", "time": "life"}
_DRIVES = {"hazard": "drives the risk", "time": "stretches the life"}
_STEPS = (1 / 16, 1 / 8, 1 / 4, 1 / 2, 1, 2, 4, 8, 16)
_FRACTION = "datum.value < 1 ? '1/' + format(1 / datum.value, 'd') : format(datum.value, 'd')"


def comparison_title(finding: ComparisonFinding, words: Words = NO_WORDS) -> str:
    """Which groups differ from the common rate by more than chance."""
    parts = plural_part(finding.component)
    by = said(finding.by, words)
    if finding.groups.height < 2:
        return f"There are not two groups of {by} to compare"
    sure = [row for row in finding.groups.to_dicts() if _more_than_chance(row)]
    if not sure:
        return f"No {by} differs from the others in failed {parts} by more than chance"
    worse = [said(row["group"], words) for row in sure if row["ratio"] > 1]
    better = [said(row["group"], words) for row in sure if row["ratio"] < 1]
    sides = [
        f"{more} in {listed(names[:5])}" for more, names in (("more", worse), ("fewer", better)) if names
    ]
    return f"Failed {parts} against what their ages let expect: {'; '.join(sides)}"


def _more_than_chance(row: Mapping[str, Any]) -> bool:
    return row["p_holm"] is not None and row["p_holm"] < 0.05


@chart(comparison_title)
def comparison_chart(finding: ComparisonFinding, width: int, words: Words) -> Drawing:
    """Observed over expected failures of each group, small groups drawn towards 1, on a log scale."""
    if finding.groups.height < 2:
        return message(f"There are not two groups of {said(finding.by, words)} to compare.", width), ()
    rows = [
        {
            **{"name": capital(said(row["group"], words)), "value": row["shrunk"], "raw": row["ratio"]},
            **{"lower": row["lower"], "upper": row["upper"], "sure": _more_than_chance(row)},
            "summary": f"{row['observed']:,.0f} failed, {row['expected']:,.1f} expected",
        }
        for row in finding.groups.to_dicts()[:MOST_ROWS]
    ]
    p = (finding.log_rank or {}).get("p")
    notes = [
        "Point: failures over those expected, drawn towards 1 as far as a small group's chance explains it. "
        "Line: 95% interval. Coloured: differs by more than chance.",
        f"All groups together: log-rank test, {p_text(p)}." if p is not None else "",
        *finding.notes,
    ]
    picture = _rows_of_intervals(rows, width, "failures over those expected (log scale)")
    return picture, notes


def drivers_title(finding: DriversFinding, words: Words = NO_WORDS) -> str:
    """Which level multiplies the risk most."""
    sure = [row for row in finding.ratios.to_dicts() if _leaves_out_one(row)]
    what = f"of {plural_part(finding.component)}" if finding.component else "of a further fault"
    if not sure:
        factors = listed([said(name, words) for name in finding.factors])
        return f"None of {factors} clearly {_DRIVES[finding.scale]} {what}"
    ratio, times = RATIO[finding.scale], _TIMES[finding.scale]
    most = max(sure, key=lambda row: abs(math.log(row[ratio])))
    return f"{capital(_level(most, words))}: {most[ratio]:.1f} times the {times} {what}"


def _leaves_out_one(row: Mapping[str, Any]) -> bool:
    low, high = row["lower"], row["upper"]
    return low is not None and high is not None and (low > 1 or high < 1)


def _level(row: Mapping[str, Any], words: Words) -> str:
    """A level of a factor as a reader would say it."""
    name, term = str(row["name"]).replace("=", " "), str(row["term"])
    return said(name, words) if name.startswith(term) else f"{said(term)} {said(name, words)}"


@chart(drivers_title)
def drivers_chart(finding: DriversFinding, width: int, words: Words) -> Drawing:
    """Ratio of each level's hazard or life against its reference, with the interval, on a log scale."""
    ratio, times = RATIO[finding.scale], _TIMES[finding.scale]
    rows = [
        {
            **{"name": capital(_level(row, words)), "value": row[ratio], "raw": row[ratio]},
            **{"lower": row["lower"], "upper": row["upper"], "sure": _leaves_out_one(row)},
            "summary": f"{row[ratio]:.2f} times the {times}",
        }
        for row in finding.ratios.to_dicts()[:MOST_ROWS]
    ]
    rows += [
        {
            **{"name": capital(_level({**row, "name": f"{row['term']}={row['level']}"}, words))},
            **{"value": None, "raw": None, "lower": None, "upper": row["upper"], "sure": row["upper"] < 1},
            "summary": f"none failed: at most {row['upper']:.2g} times the {times}",
        }
        for row in finding.levels.filter(pl.col(ratio) == 0, pl.col("upper").is_not_null()).to_dicts()
    ][: MOST_ROWS - len(rows)]
    notes = [
        f"Point: {times} against the commonest level, all else alike ({ratio.replace('_', ' ')}). Line: 95% interval. "
        "Coloured: the interval leaves out 1.",
        *finding.notes,
    ]
    picture = _rows_of_intervals(rows, width, f"times the {times} of the commonest level (log scale)")
    return picture, notes


def _rows_of_intervals(rows: Sequence[Mapping[str, Any]], width: int, title: str) -> alt.TopLevelMixin:
    """A name, a point and a line a row, 1 in the middle of attention; a line that leaves the picture has an arrow."""
    ends = [row[name] for row in rows for name in ("lower", "value", "upper")]
    seen = [end for end in ends if end is not None and math.isfinite(end) and end > 0]
    low = max(min([*seen, 0.5]), 1 / _FAR) * 0.9
    high = min(max([*seen, 2.0]), _FAR) * 1.1

    laid = [
        {
            **row,
            "shrunk": row["value"],
            "shown": None if row["value"] is None else min(max(row["value"], low), high),
            "from": low if row["lower"] is None else min(max(row["lower"], low), high),
            "to": high if row["upper"] is None else min(max(row["upper"], low), high),
            "top": place * _LINE + 11,
            "middle": place * _LINE + 27,
            "one": 1.0,
            "one_from": place * _LINE + _LETTERS,
            "one_to": (place + 1) * _LINE + 2,
        }
        for place, row in enumerate(rows)
    ]
    height = max(len(rows), 1) * _LINE
    down = dict(domain=[0, height], range=[0, height])
    axis: dict[str, Any] = dict(
        title=title, values=[step for step in _STEPS if low <= step <= high], labelExpr=_FRACTION
    )
    value, lower, upper, unit = (
        across(field, scale=dict(type="log", domain=[low, high], nice=False), **axis)
        for field in ("shown:Q", "from:Q", "to:Q", "one:Q")
    )
    base = Plot(inline(laid))
    # Row by row, so that it strikes through no words where the picture is narrow.
    one = base.mark_rule(color=INK, strokeDash=[3, 3]).encode(
        x=unit, y=alt.Y("one_from:Q", scale=down, axis=None), y2=alt.Y2("one_to:Q")
    )
    place: dict[str, Any] = dict(
        y=alt.Y("middle:Q", scale=down, axis=None),
        color=alt.condition("datum.sure", alt.value(SERIES[0]), alt.value(NEUTRAL)),
    )
    interval = base.mark_rule(strokeWidth=2.5).encode(x=lower, x2=alt.X2("to:Q"), **place)
    arrows = [
        Plot(inline(leaving)).mark_point(filled=True, size=70, opacity=1, shape=shape).encode(x=end, **place)
        for shape, end, leaving in (
            ("triangle-left", lower, [row for row in laid if (row["lower"] or 0.0) < low]),
            ("triangle-right", upper, [row for row in laid if row["upper"] is None or row["upper"] > high]),
        )
        if leaving
    ]
    summary = tips("name:N", "shrunk:Q|ratio|.2f", "raw:Q|as counted|.2f", "summary:N|that is")
    point = base.mark_point(filled=True, size=80, opacity=1).encode(x=value, tooltip=summary, **place)
    top = alt.Y("top:Q", scale=down, axis=None)
    names = base.mark_text(align="left", fontSize=12.5, fontWeight="bold", color=INK)
    counts = base.mark_text(align="right", fontSize=12, color=MUTED)
    return alt.layer(
        one,
        interval,
        *arrows,
        point,
        names.encode(x=at_x(0), y=top, text=alt.Text("name:N")),
        counts.encode(x=at_x(width - 44), y=top, text=alt.Text("summary:N")),
        width=width - 44,
        height=height,
    )


def _bend(finding: TrendFinding, plot: int) -> alt.LayerChart | alt.FacetChart:
    """Faults per machine so far as counted, and as the fitted power law has them."""
    curve = thinned(finding.curve.select("hours", "count", "lower", "upper", "fitted"), "count", MAX_ROWS)
    base = Plot(inline(curve))
    hours: dict[str, Any] = dict(title="running hours of the machine", format=",.0f", grid=False, tickCount=5)
    x = across("hours:Q", scale=dict(domainMin=0, nice=False), **hours)
    tallest = float(curve["count"].to_numpy().max()) * 1.3 or 1.0
    count, lower, fitted = (
        up(field, "faults per machine so far", scale=dict(domain=[0, tallest]), tickCount=4)
        for field in ("count:Q", "lower:Q", "fitted:Q")
    )
    band = base.mark_area(interpolate="step-after", opacity=BAND_OPACITY, color=SERIES[0], clip=True)
    counted = base.mark_line(interpolate="step-after", color=SERIES[0])
    law = base.mark_line(color=INK, strokeDash=[5, 3], strokeWidth=1.4, clip=True)
    layers = (
        band.encode(x=x, y=lower, y2=alt.Y2("upper:Q")),
        counted.encode(x=x, y=count),
        law.encode(x=x, y=fitted),
    )
    return alt.layer(*layers, width=plot, height=180)


def trend_title(finding: TrendFinding, _: Words = NO_WORDS) -> str:
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


_TRENDS = ("worse", "as chance would have it", "better")


@chart(trend_title)
def trend_chart(finding: TrendFinding, width: int, words: Words) -> Drawing:
    """Each machine's own trend: Laplace's statistic, and what chance alone would let it be."""
    room = 190 if width > 500 else 140
    ranked = sorted(finding.units.to_dicts(), key=lambda row: (-abs(row["statistic"]), row["machine_id"]))
    rows = [
        {
            "machine": row["machine_id"],
            "statistic": row["statistic"],
            "summary": f"{row['machine_id']} · {plural(row['episodes'], 'fault')}",
            "kind": _TRENDS[1 - (row["statistic"] > _STEADY) + (row["statistic"] < -_STEADY)],
        }
        for row in ranked[:_MOST_MACHINES]
    ]
    rows.sort(key=lambda row: (-row["statistic"], row["machine"]))
    reach = max([_STEADY * 1.3, *(abs(row["statistic"]) for row in rows)]) * 1.05
    names = dict(title=None, ticks=False, domain=False, labelColor=INK, labelLimit=room - 30)
    y = alt.Y("summary:N", sort=[row["summary"] for row in rows], axis=names)
    scale = dict(domain=[-reach, reach], nice=False)
    title = "better  ←  trend (Laplace)  →  worse" if width > 500 else "better  ←    →  worse"
    grey = Plot(inline([{"from": -_STEADY, "to": _STEADY}])).mark_rect(color=NEUTRAL, opacity=0.16)
    looks: list[dict[str, Any]] = [
        dict(shorthand="kind:N", scale=dict(domain=list(_TRENDS), range=look), legend=legend(width))
        for look in ([ALERT, NEUTRAL, SERIES[0]], ["triangle-up", "circle", "triangle-down"])
    ]
    marks = (
        Plot(inline(rows))
        .mark_point(filled=True, size=80, opacity=1)
        .encode(
            x=across("statistic:Q", title, scale=scale, tickCount=5),
            y=y,
            color=alt.Color(**looks[0]),
            shape=alt.Shape(**looks[1]),
            tooltip=tips("summary:N|machine", "statistic:Q||.2f"),
        )
    )
    machines = alt.layer(
        grey.encode(x=alt.X("from:Q", scale=scale), x2=alt.X2("to:Q")),
        marks,
        width=width - room,
        height=max(len(rows), 1) * 19,
    )
    pictures = [_bend(finding, width - room), machines] if finding.curve.height else [machines]
    picture = alt.vconcat(*pictures, spacing=24).resolve_scale(color="independent", shape="independent")
    notes = [*_trend_notes(finding, len(ranked), len(rows)), *finding.notes]
    return picture, notes


def _trend_notes(finding: TrendFinding, machines: int, drawn: int) -> list[str]:
    notes = ["Grey: where 19 of 20 machines without a trend would stand."]
    if finding.curve.height:
        counted = "Above: faults per machine as counted, 95% interval shaded; dashed: the fitted power law."
        notes.insert(0, counted)
    if machines > drawn:
        notes[-1] += f" Of {machines} machines with enough faults the {drawn} farthest from steady are drawn."
    law = finding.power_law
    if law and law.get("shape_ci"):
        low, high = law["shape_ci"]
        notes.append(
            f"Fleet: {law['events']:,.0f} faults in {law['machine_hours']:,.0f} machine hours; power law of "
            f"shape {law['shape']:.2f}, 95% interval {low:.2f} to {high:.2f}."
        )
    return notes
