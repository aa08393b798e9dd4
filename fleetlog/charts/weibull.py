"""Probability plot: failures on Weibull paper, where a Weibull life is a straight line."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import altair as alt

from fleetlog.charts.rows import MAX_ROWS, Plot, across, inline, legend, message, thinned, tips, up
from fleetlog.charts.theme import Drawing, chart, colour_of
from fleetlog.lives.survival import SurvivalFinding, SurvivalGroup
from fleetlog.phrasing import NO_WORDS, Words, capital, counted, group_name, hours, percent, plural_part

_SHARES = (0.001, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 0.8, 0.95, 0.99)
_GROUPS = 6
_SHAPES = ("circle", "square", "triangle-up", "diamond", "cross", "triangle-down")


def _failed(finding: SurvivalFinding) -> list[SurvivalGroup]:
    return [group for group in finding.groups if group.failures > 0]


def _fitted(finding: SurvivalFinding) -> list[SurvivalGroup]:
    """The groups that have a line: enough failures for a fit that rests on them."""
    enough = finding.minimum_failures
    return [group for group in _failed(finding) if group.weibull and group.failures >= enough]


def probability_title(finding: SurvivalFinding, words: Words = NO_WORDS) -> str:
    """What the fitted lives say: wear-out or not, and by when a tenth has failed."""
    parts = capital(plural_part(finding.component))
    summary = []
    for group in _fitted(finding)[:3]:
        assert group.weibull is not None
        whose = f"{group_name(group.group, words)}: " if finding.by else ""
        b10 = group.weibull.get("b10_hours")
        soon = f", a tenth fail by {hours(float(b10))}" if b10 is not None else ""
        summary.append(f"{whose}{_kind(group.weibull)}{soon}")
    if not summary:
        return f"{parts}: too few failures to fit a life distribution"
    return f"{parts}, {'; '.join(summary)}" if finding.by else f"{parts} {summary[0]}"


@chart(probability_title)
def probability_chart(finding: SurvivalFinding, width: int, words: Words) -> Drawing:
    """Share failed against age on Weibull paper: points are the product-limit curve, lines the fitted lives.

    A point stands at the middle of its step (Meeker, Escobar & Pascual 2021, on plotting positions), so that
    the last failure of a group can be drawn too. Where a curve is conditional on reaching an age, its points
    start on the fitted line at that age. A group without a fit, or of fewer failures than the settings
    ask for, has no line.
    """
    failed, fitted = _failed(finding), _fitted(finding)
    if not failed:
        return message("Nothing has failed on record.", width), ()
    # A handful of early failures would stretch the paper over ages that say nothing of the fitted groups.
    telling = fitted or failed
    named = [(group, group_name(group.group, words)) for group in telling[:_GROUPS]]
    names = [name for _, name in named]
    points = [row for group, name in named for row in _points(group, name, len(named))]
    notes = ["A straight row of points means that the Weibull model fits; a steeper one, faster wear-out."]
    if len(telling) > len(named):
        notes.append(f"{len(telling) - len(named)} further groups are not drawn.")
    unfitted = [group for group in failed if group not in fitted]
    notes += [f"{capital(group_name(group.group, words))}: {_why_not(finding, group)}." for group in unfitted]
    ages = [row["hours"] for row in points] or [1.0, 10.0]
    low, high = min(ages) * 0.8, max(ages) * 1.25
    lines = [
        {"group": name, "hours": age, "y": law["shape"] * math.log(age / law["scale_hours"])}
        for group, name in named
        if group in fitted and (law := group.weibull)
        for age in (low, high)
    ]
    heights = [row["y"] for row in points] or [0.0]
    floor, ceiling = min(*heights, _paper(0.05)) - 0.3, max(*heights, _paper(0.5)) + 0.3
    place: dict[str, Any] = dict(
        x=across(
            "hours:Q",
            "age, running hours (log scale)",
            scale=dict(type="log", domain=[low, high], nice=False),
            format=",.0f",
            tickCount=6,
        ),
        y=up(
            "y:Q",
            "failed by that age",
            scale=dict(domain=[floor, ceiling], nice=False),
            values=[_paper(share) for share in _SHARES if floor <= _paper(share) <= ceiling],
            labelExpr="format(1 - exp(-exp(datum.value)), datum.value < -5 ? '.1%' : '.0%')",
        ),
    )
    keys = legend(width, labelLimit=width - 90) if finding.by else None
    hues = dict(domain=names, range=list(colour_of(names).values()))
    place["color"] = alt.Color("group:N", scale=hues, legend=keys)
    shapes = alt.Shape("group:N", scale=dict(domain=names, range=list(_SHAPES[: len(names)])), legend=keys)
    summary = tips("group:N", "hours:Q|age, running hours|,.1f", "failed_share:Q|failed by then|.1%")
    marks = Plot(inline(points)).mark_point(filled=True, size=36, opacity=0.85)
    ranges = [
        {"group": row["group"], "hours": row["hours"], "y": row["low"], "to": row["high"]}
        for row in points
        if row["low"] is not None
    ]
    notes.append("Thin upright lines: 95% interval of the share failed.")
    notes += [
        f"{capital(name)}: {said}."
        for group, name in named
        if group in fitted and (said := _early(group, points, name))
    ]
    layers = [
        Plot(inline(ranges)).mark_rule(clip=True, opacity=0.22).encode(**place, y2=alt.Y2("to:Q")),
        Plot(inline(lines)).mark_line(clip=True).encode(**place),
        marks.encode(**place, shape=shapes, tooltip=summary),
    ]
    return alt.layer(*layers, width=width - 90, height=300), notes


def _early(group: SurvivalGroup, points: Sequence[Mapping[str, Any]], name: str) -> str:
    """Where more had failed early than the line lets expect, beyond what chance explains; or ""."""
    law = group.weibull
    if not law or law.get("b10_hours") is None:
        return ""
    for row in points:
        if row["group"] != name or row["low"] is None or row["hours"] > law["b10_hours"]:
            continue
        fitted = law["shape"] * math.log(row["hours"] / law["scale_hours"])
        if row["low"] > fitted:
            share = percent(1 - math.exp(-math.exp(fitted)))
            return (
                f"the line misses early failures: by {hours(row['hours'])} {percent(row['failed_share'])} had failed, "
                f"where it has {share}"
            )
    return ""


def _kind(weibull: Mapping[str, Any]) -> str:
    """Whether the chance to fail rises with age, as far as the interval of the shape allows to say."""
    low, high = weibull.get("shape_ci") or (None, None)
    if low is not None and low > 1:
        return "wear out with age"
    if high is not None and high < 1:
        return "fail early or not for long"
    return "may or may not wear out with age"


def _why_not(finding: SurvivalFinding, group: SurvivalGroup) -> str:
    if group.failures < finding.minimum_failures:
        return f"{counted(group.failures)} failed, too few to say"
    return group.note.rstrip(".") or "no Weibull fit"


def _paper(share: float) -> float:
    """Where a share failed stands on Weibull paper: log(-log(1 - share))."""
    return math.log(-math.log1p(-share))


def _points(group: SurvivalGroup, name: str, groups: int) -> list[dict[str, Any]]:
    reached = 1.0
    if group.from_hours > 0:
        if not group.weibull:
            return []
        reached = math.exp(-((group.from_hours / group.weibull["scale_hours"]) ** group.weibull["shape"]))
    columns = ("hours", "survival", "lower", "upper")
    curve = thinned(group.curve.select(columns), "survival", MAX_ROWS // max(groups, 1))
    rows, before = [], 1.0
    for age, after, lower, upper in curve.iter_rows():
        middle = reached * (before + after) / 2
        before = after
        if 0 < middle < 1 and age > 0:
            rows.append(
                {
                    "group": name,
                    "hours": age,
                    "y": _paper(1 - middle),
                    "failed_share": 1 - middle,
                    "low": _within(1 - reached * upper),
                    "high": _within(1 - reached * lower),
                }
            )
    return [
        row if row["low"] is not None and row["high"] is not None else {**row, "low": None} for row in rows
    ]


def _within(share: float | None) -> float | None:
    """A share on the paper, which knows neither none nor all."""
    return None if share is None or math.isnan(share) else _paper(min(max(share, 1e-6), 1 - 1e-6))
