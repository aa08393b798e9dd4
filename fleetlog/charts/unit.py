"""One machine's story over its running hours."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import altair as alt

from fleetlog.causes.unit import UnitFinding
from fleetlog.charts.rows import Plot, inline, tips
from fleetlog.charts.theme import ALERT, BAND_OPACITY, INK, NEUTRAL, SERIES, Drawing, chart
from fleetlog.charts.timeline import Timeline, timeline, timeline_title
from fleetlog.phrasing import Words, said

_LANE = 34
_LOOKS = {
    "fault, left": (ALERT, "triangle-right"),
    "fault, right": (ALERT, "triangle-left"),
    "fault": (ALERT, "diamond"),
    "repair step": (SERIES[0], "square"),
    "reading set aside": (NEUTRAL, "cross"),
}
_SIDES = {
    "left": (SERIES[0], "triangle-right"),
    "right": (SERIES[1], "triangle-left"),
    "not said": (NEUTRAL, "diamond"),
}


@chart(timeline_title)
def unit_chart(finding: UnitFinding, width: int, words: Words) -> Drawing:
    """Faults, repair steps, how likely a fault stood, and measured values over the machine's running hours."""
    story = timeline(finding, words)
    plot = width - 130
    pictures: list[Any] = [_events(story, plot)]
    if story.standing:
        pictures.append(_standing(story, plot))
    if story.values:
        pictures.append(_values(story, plot, finding.band, words))
    picture = alt.vconcat(*pictures, spacing=14)
    return picture.resolve_scale(color="independent", shape="independent"), story.notes


def _axis(story: Timeline, *, last: bool) -> alt.X:
    """The hours; only the last picture of the column is labelled."""
    axis: dict[str, Any] = dict(tickCount=5, title=None, labels=False, ticks=False)
    if last:
        axis = dict(tickCount=5, title="running hours of the machine", format=",.0f")
    return alt.X("hours:Q", scale=dict(domain=[story.start, story.top], nice=False, zero=False), axis=axis)


def _looks(
    column: str, names: tuple[str, ...], looks: Mapping[str, tuple[str, str]], legend: dict[str, Any] | None
) -> dict[str, Any]:
    """Colour and shape by a column of few names."""
    domain = list(names)
    return {
        "color": alt.Color(
            f"{column}:N", scale=dict(domain=domain, range=[looks[name][0] for name in names]), legend=legend
        ),
        "shape": alt.Shape(
            f"{column}:N", scale=dict(domain=domain, range=[looks[name][1] for name in names]), legend=legend
        ),
    }


def _events(story: Timeline, plot: int) -> alt.TopLevelMixin:
    y = alt.Y(
        "lane:N",
        sort=list(story.lanes),
        scale=dict(domain=list(story.lanes)),
        axis=dict(title=None, labelColor=INK, ticks=False, domain=False, grid=True, labelLimit=130),
    )
    marks = (
        Plot(inline(story.events), width=plot, height=_LANE * len(story.lanes))
        .mark_point(filled=True, size=95, opacity=1)
        .encode(
            x=_axis(story, last=not story.values and not story.standing),
            y=y,
            tooltip=tips("day:N", "hours:Q|running hours|,.1f", "summary:N|what"),
            **_looks("lane", story.lanes, _LOOKS, None),
        )
    )
    return marks  # type: ignore[no-any-return]


def _standing(story: Timeline, plot: int) -> alt.TopLevelMixin:
    sides, rows = story.standing_sides, [{**row, "place": i} for i, row in enumerate(story.standing)]
    legend: dict[str, Any] | None = dict(title=None, orient="top") if len(sides) > 1 else None
    lines = (
        Plot(inline(rows), width=plot, height=90)
        .mark_line(strokeWidth=1.5)
        .encode(
            x=_axis(story, last=not story.values),
            y=alt.Y(
                "standing:Q",
                scale=dict(domain=[0, 1], nice=False),
                axis=dict(title="fault stands", tickCount=3, format=".0%", titleFontSize=11),
            ),
            color=_looks("side", sides, _SIDES, legend)["color"],
            order=alt.Order("place:Q"),  # before and after a report stand at the same hours
            tooltip=tips("day:N", "hours:Q||,.1f", "side:N", "standing:Q|chance that a fault stands|.0%"),
        )
    )
    return lines  # type: ignore[no-any-return]


def _values(story: Timeline, plot: int, band: tuple[float, float] | None, words: Words) -> alt.TopLevelMixin:
    scale = dict(domain=list(story.reach(band)), nice=False)
    label = f"{said(story.quantity, words)}, {story.unit}"
    y = alt.Y("value:Q", scale=scale, axis=dict(title=label, tickCount=4, titleLimit=140, titleFontSize=11))
    x = _axis(story, last=True)
    legend: dict[str, Any] | None = dict(title=None, orient="top") if len(story.sides) > 1 else None
    looks = _looks("side", story.sides, _SIDES, legend)
    layers: list[Any] = []
    if band is not None:
        layers.append(
            Plot(inline([{"from": band[0], "to": band[1]}]))
            .mark_rect(color=SERIES[2], opacity=BAND_OPACITY)
            .encode(y=alt.Y("from:Q", scale=scale), y2=alt.Y2("to:Q"))
        )
    base = Plot(inline(story.values))
    layers.append(base.mark_line(strokeWidth=1).encode(x=x, y=y, color=looks["color"]))
    layers.append(
        base.mark_point(filled=True, size=70, opacity=1).encode(
            x=x,
            y=y,
            tooltip=tips("day:N", "hours:Q||,.1f", "side:N", f"value:Q|{story.unit}|.2f"),
            **looks,
        )
    )
    return alt.layer(*layers, width=plot, height=120)
