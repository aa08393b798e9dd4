"""How the risk moves with age: the rate of failure by stretches of age, with the fitted Weibull life."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Any

import altair as alt

from fleetlog.charts.rows import Plot, inline, message, tips
from fleetlog.charts.survival import enough_failures
from fleetlog.charts.theme import BAND_OPACITY, INK, SERIES, Drawing, chart, panel_title
from fleetlog.lives.survival import SurvivalFinding, SurvivalGroup
from fleetlog.phrasing import (
    NO_WORDS,
    Words,
    capital,
    counted,
    group_name,
    hours,
    listed,
    plural,
    plural_part,
)

_GROUPS = 6
_STRETCHES = 12
_FEWEST_IN_STRETCH = 4
_LINE_POINTS = 60
_Z = 1.959964  # two-sided 95%

RISES = "the risk rises with age"
FALLS = "the risk falls with age"
UNCLEAR = "the risk neither clearly rises nor falls with age"


# --- numbers


def stretches(group: SurvivalGroup) -> list[dict[str, Any]]:
    """The rate by stretch of age: from_hours, to_hours, failures, rate, lower, upper (of 100 in 1,000 h)."""
    curve = group.curve.filter(group.curve["failed"] > 0)
    if curve.height == 0:
        return []
    seen = list(zip(curve["hours"], curve["failed"], strict=True))
    rates = []
    for begin, end in pairwise(_edges(group.from_hours, group.last_hours, seen)):
        inside = curve.filter((curve["hours"] > begin) & (curve["hours"] <= end))
        failed, at_risk = inside["failed"].to_list(), inside["at_risk"].to_list()
        per = 100_000.0 / (end - begin)
        rate = per * math.fsum(d / y for d, y in zip(failed, at_risk, strict=True))
        error = per * math.sqrt(math.fsum(d / y**2 for d, y in zip(failed, at_risk, strict=True)))
        spread = math.exp(_Z * error / rate)
        rates.append(
            {
                "from_hours": begin,
                "to_hours": end,
                "failures": sum(failed),
                "rate": rate,
                "lower": rate / spread,
                "upper": rate * spread,
            }
        )
    return rates


def _edges(begin: float, last: float, failures: Sequence[tuple[float, int]]) -> list[float]:
    """Round ages between which there are failures enough; what is left over joins the last stretch."""
    steps = (size * 10.0**power for power in range(9) for size in (1, 2, 5))
    step = next(step for step in steps if (last - begin) / step <= _STRETCHES)
    marks = [step * i for i in range(1, math.ceil(last / step)) if begin < step * i < last]
    edges = [begin]
    for mark in marks:
        if sum(count for age, count in failures if edges[-1] < age <= mark) >= _FEWEST_IN_STRETCH:
            edges.append(mark)
    rest = sum(count for age, count in failures if age > edges[-1])
    if rest < _FEWEST_IN_STRETCH and len(edges) > 1:
        edges.pop()
    return [*edges, last]


def weibull_line(group: SurvivalGroup) -> list[dict[str, float]]:
    """The fitted hazard over the ages watched, in the same unit; nothing where no scale was estimated."""
    fit = group.weibull
    if not fit or fit.get("scale_hours") is None:
        return []
    shape, scale = float(fit["shape"]), float(fit["scale_hours"])
    begin = max(group.from_hours, group.last_hours / _LINE_POINTS)
    ages = [begin + (group.last_hours - begin) * i / (_LINE_POINTS - 1) for i in range(_LINE_POINTS)]
    return [
        {"hours": age, "fitted": 100_000.0 * shape / scale * (age / scale) ** (shape - 1.0)} for age in ages
    ]


# --- words


def hazard_title(finding: SurvivalFinding, words: Words = NO_WORDS) -> str:
    """Whether the risk rises with age, and from how much to how much."""
    parts = capital(plural_part(finding.component))
    telling = enough_failures(finding)
    if not telling:
        failures = round(sum(group.failures for group in finding.groups))
        return f"{parts}: too few failures to say how the risk moves with age ({plural(failures, 'failure')})"
    if not finding.by:
        return f"{parts}: {_moves(telling[0])}"
    if len(telling) <= 2:
        summary = [f"{group_name(group.group, words)}: {_moves(group)}" for group in telling]
        return f"{parts}, {'; '.join(summary)}"
    rising, falling = (sum(_way(group) == way for group in telling) for way in (RISES, FALLS))
    also = f", and falls in {falling}" if falling else ""
    return f"{parts}: the risk clearly rises with age in {rising} of {len(telling)} groups{also}"


@chart(hazard_title)
def hazard_chart(finding: SurvivalFinding, width: int, words: Words) -> Drawing:
    """Failures of 100 parts in 1,000 running hours by age, with a 95% interval and the fitted Weibull hazard.

    The rate of a stretch is the rise of the cumulative hazard over it (Nelson–Aalen) by its length, so late
    entry and censoring are respected. Stretches begin and end at round ages and hold at least
    _FEWEST_IN_STRETCH failures. Several groups stand side by side: shaded intervals laid over one another
    could not be told apart.
    """
    telling = enough_failures(finding)
    groups = telling[:_GROUPS]
    if not groups:
        return message("Too few failures to draw.", width), finding.notes
    notes = [*_notes(finding, telling, words), *finding.notes]
    rows = [stretches(group) for group in groups]
    most = 1.15 * max(min(row["upper"], 2.5 * row["rate"]) for one in rows for row in one)
    top = max(group.last_hours for group in groups)
    columns = 1 if len(groups) == 1 or width < 500 else 2
    plot = (width - 18 * (columns - 1)) // columns - 84
    pictures: list[Any] = [
        _drawn(one, weibull_line(group), top, most, plot, 280 if len(groups) == 1 else 170)
        for one, group in zip(rows, groups, strict=True)
    ]
    if len(groups) == 1:
        return pictures[0], notes
    for picture, group in zip(pictures, groups, strict=True):
        summary = f"{counted(group.failures)} of {group.spells:,} failed"
        picture.title = panel_title(capital(group_name(group.group, words)), summary)
    return alt.concat(*pictures, columns=columns, spacing=18), notes


def _way(group: SurvivalGroup) -> str:
    """Which way the risk goes, by the interval of the Weibull's shape; a shape from a prior is no proof."""
    fit = group.weibull or {}
    low, high = fit.get("shape_ci") or (None, None)
    if low is None or high is None or fit.get("prior") is not None:
        return UNCLEAR
    return RISES if low > 1 else FALLS if high < 1 else UNCLEAR


def _moves(group: SurvivalGroup) -> str:
    """The way the risk goes, as far as the data allow to say, and its first and last rate."""
    rows, way = stretches(group), _way(group)
    first, last = rows[0], rows[-1]
    if len(rows) == 1:
        return f"{way}, {_rate(first['rate'])} of 100 fail in 1,000\u00a0h"
    return (
        f"{way}, from {_rate(first['rate'])} of 100 in 1,000\u00a0h before {hours(first['to_hours'])} "
        f"to {_rate(last['rate'])} after {hours(last['from_hours'])}"
    )


def _rate(value: float) -> str:
    return f"{value:.0f}" if value >= 9.5 else f"{value:.1f}"


def _notes(finding: SurvivalFinding, telling: Sequence[SurvivalGroup], words: Words) -> list[str]:
    notes = ["Bars: rate of failure over that stretch of age. Shading: 95% interval."]
    if any(weibull_line(group) for group in telling[:_GROUPS]):
        notes.append("Dashed: the fitted Weibull life; where it leaves the shading, it does not fit.")
    few = [
        group_name(group.group, words)
        for group in finding.groups
        if 0 < group.failures < finding.minimum_failures
    ]
    if few:
        notes.append(f"Not drawn, too few failures to say: {listed(few[:6])}.")
    if len(telling) > _GROUPS:
        notes.append(f"Not drawn: {listed([group_name(group.group, words) for group in telling[_GROUPS:]])}.")
    leaning = [
        group_name(group.group, words)
        for group in telling[:_GROUPS]
        if group.weibull and group.weibull.get("prior") is not None
    ]
    if leaning:
        notes.append(f"The dashed line leans on a prior for {listed(leaning)}.")
    return notes


# --- marks


def _drawn(
    rows: Sequence[Mapping[str, Any]],
    line: Sequence[Mapping[str, Any]],
    top: float,
    most: float,
    width: int,
    height: int,
) -> alt.LayerChart:
    """One group: its rates as bars with their intervals, the fitted hazard across them."""
    x: dict[str, Any] = dict(
        scale=dict(domain=[0, top], nice=False),
        axis=dict(title="age, running hours", format=",.0f", grid=False, tickCount=max(3, width // 90)),
    )
    y: dict[str, Any] = dict(
        scale=dict(domain=[0, most], nice=False),
        axis=dict(title="failures of 100 in 1,000 h", format=".3~g", tickCount=5),
    )
    tooltip = tips(
        "from_hours:Q|from age|,.0f",
        "to_hours:Q|to age|,.0f",
        "failures:Q|failed",
        "rate:Q|of 100 in 1,000 h|.2f",
        "lower:Q|at least|.2f",
        "upper:Q|at most|.2f",
    )
    base = Plot(inline([dict(row) for row in rows]))
    layers: list[Any] = [
        base.mark_rect(opacity=BAND_OPACITY, clip=True, color=SERIES[0]).encode(
            x=alt.X("from_hours:Q", **x),
            x2=alt.X2("to_hours:Q"),
            y=alt.Y("lower:Q", **y),
            y2=alt.Y2("upper:Q"),
        ),
        base.mark_rule(strokeWidth=3, clip=True, color=SERIES[0]).encode(
            x=alt.X("from_hours:Q", **x), x2=alt.X2("to_hours:Q"), y=alt.Y("rate:Q", **y), tooltip=tooltip
        ),
    ]
    if line:
        layers.append(
            Plot(inline([dict(row) for row in line]))
            .mark_line(strokeWidth=1.8, strokeDash=[6, 3], clip=True, color=INK)
            .encode(x=alt.X("hours:Q", **x), y=alt.Y("fitted:Q", **y))
        )
    picture: alt.LayerChart = alt.layer(*layers).properties(width=width, height=height)  # type: ignore[assignment]
    return picture
