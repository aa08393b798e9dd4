"""Probability plot: failures on Weibull paper, where a Weibull life is a straight line."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import altair as alt

from fleetlog.charts.rows import MAX_ROWS, inline, key, thinned, tips
from fleetlog.charts.theme import WIDE, colour_of, finish
from fleetlog.lives.survival import SurvivalFinding, SurvivalGroup
from fleetlog.phrasing import NO_WORDS, capital, group_name, hours, plural_part

_SHARES = (0.001, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 0.8, 0.95, 0.99)
_GROUPS = 6


def probability_chart(
    finding: SurvivalFinding, *, width: int = WIDE, words: Mapping[str, str] = NO_WORDS
) -> alt.TopLevelMixin:
    """Share failed against age on Weibull paper: points are the product-limit curve, lines the fitted lives.

    A point stands at the middle of its step (Meeker, Escobar & Pascual 2021, on plotting positions), so that
    the last failure of a group can be drawn too. Where a curve is conditional on reaching an age, its points
    start on the fitted line at that age. A group without a fit, or of fewer failures than the settings
    ask for, has no line.
    """
    failed = [group for group in finding.groups if group.failures > 0]
    # A handful of early failures would stretch the paper over ages that say nothing of the fitted groups.
    fitting = [group for group in failed if group.weibull and group.failures >= finding.minimum_failures]
    telling = fitting or failed
    groups = telling[:_GROUPS]
    names = [group_name(group.group, words) for group in groups]
    points = [
        row for group, name in zip(groups, names, strict=True) for row in _points(group, name, len(groups))
    ]
    fitted = [(group, name) for group, name in zip(groups, names, strict=True) if group in fitting]
    title = probability_title(finding, fitted)
    notes = ["A straight row of points means that the Weibull model fits; a steeper one, faster wear-out."]
    left_out = len(telling) - len(groups)
    if left_out:
        notes.append(f"{left_out} further groups are not drawn.")
    unfitted = [group for group in failed if group not in fitting]
    notes += [f"{capital(group_name(group.group, words))}: {_why_not(finding, group)}." for group in unfitted]
    ages = [row["hours"] for row in points] or [1.0, 10.0]
    low, high = min(ages) * 0.8, max(ages) * 1.25
    lines = [
        {
            "group": name,
            "hours": age,
            "y": group.weibull["shape"] * math.log(age / group.weibull["scale_hours"]),
        }
        for group, name in fitted
        if group.weibull
        for age in (low, high)
    ]
    heights = [row["y"] for row in points] or [0.0]
    floor, ceiling = min(*heights, _paper(0.05)) - 0.3, max(*heights, _paper(0.5)) + 0.3
    x = alt.X(
        "hours:Q",
        scale=dict(type="log", domain=[low, high], nice=False),
        axis=dict(
            title="age, running hours (log scale)",
            format=",.0f",
            tickCount=6,
        ),
    )
    y = alt.Y(
        "y:Q",
        scale=dict(domain=[floor, ceiling], nice=False),
        axis=dict(
            title="failed by that age",
            values=[_paper(share) for share in _SHARES if floor <= _paper(share) <= ceiling],
            labelExpr="format(1 - exp(-exp(datum.value)), datum.value < -5 ? '.1%' : '.0%')",
        ),
    )
    hues = colour_of(names)
    colour = alt.Color(
        "group:N",
        scale=dict(domain=names, range=[hues[name] for name in names]),
        legend=key(width, labelLimit=width - 90) if finding.by else None,
    )
    shapes = alt.Shape(
        "group:N",
        scale=dict(
            domain=names,
            range=["circle", "square", "triangle-up", "diamond", "cross", "triangle-down"][: len(names)],
        ),
        legend=key(width, labelLimit=width - 90) if finding.by else None,
    )
    layers = [
        alt.Chart(inline(lines)).mark_line(clip=True).encode(x=x, y=y, color=colour),
        alt.Chart(inline(points))
        .mark_point(filled=True, size=36, opacity=0.85)
        .encode(
            x=x,
            y=y,
            color=colour,
            shape=shapes,
            tooltip=tips("group:N", "hours:Q|age, running hours|,.1f", "failed_share:Q|failed by then|.1%"),
        ),
    ]
    plot = alt.layer(*layers, width=width - 90, height=300)
    return finish(plot, title=title, notes=notes, width=width)


def probability_title(finding: SurvivalFinding, fitted: Sequence[tuple[SurvivalGroup, str]]) -> str:
    """What the fitted lives say: wear-out or not, and by when a tenth has failed."""
    parts = capital(plural_part(finding.component))
    if not fitted:
        return f"{parts}: too few failures to fit a life distribution"
    told = []
    for group, name in fitted[:3]:
        assert group.weibull is not None
        whose = f"{name}: " if finding.by else ""
        kind = _kind(group.weibull)
        b10 = group.weibull.get("b10_hours")
        soon = f", a tenth fail by {hours(float(b10))}" if b10 is not None else ""
        told.append(f"{whose}{kind}{soon}")
    return f"{parts}, {'; '.join(told)}" if finding.by else f"{parts} {told[0]}"


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
        return f"{group.failures} failed, too few to say"
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
    curve = thinned(group.curve.select("hours", "survival"), "survival", MAX_ROWS // max(groups, 1))
    rows, before = [], 1.0
    for age, after in curve.iter_rows():
        middle = reached * (before + after) / 2
        before = after
        if 0 < middle < 1 and age > 0:
            rows.append({"group": name, "hours": age, "y": _paper(1 - middle), "failed_share": 1 - middle})
    return rows
