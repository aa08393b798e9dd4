"""The timeline of a unit's page: places along the hours in percent, so that it fits a desk and a phone alike.

The same story as the chart `unit`, drawn by the page itself: a yard may have hundreds of units to show, and
every mark can say on the spot what happened.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from fleetlog.charts.timeline import Timeline
from fleetlog.phrasing import percent

_LANE = 44
_VALUES = 120
_STANDING = 90


@dataclass(frozen=True)
class Mark:
    """Something at a place: percent from the left, pixels from the top, and what to say of it."""

    x: float
    y: float
    kind: str
    summary: str


@dataclass(frozen=True)
class Line:
    """From one measured value to the next of the same side."""

    x1: float
    y1: float
    x2: float
    y2: float
    kind: str


@dataclass(frozen=True)
class Lane:
    """A kind of events: its name and how far down it runs."""

    name: str
    kind: str
    y: float


@dataclass(frozen=True)
class TimelineView:
    """A timeline ready for the page.

    Attributes:
        height: of the events; values_height: of the values, 0 if there are none.
        ticks: (percent, label); levels: (pixels, label) of the values' axis.
        band: (top, height) in pixels of where sound values stand, or None.
        sides: which sides the values are of.
        standing: lines of how likely a fault stood, standing_height pixels high (0 if there are none), with their
            own levels and sides.
    """

    title: str
    notes: tuple[str, ...]
    alt: str
    height: float
    lanes: tuple[Lane, ...]
    marks: tuple[Mark, ...]
    ticks: tuple[tuple[float, str], ...]
    label: str
    values_height: float
    values: tuple[Mark, ...]
    lines: tuple[Line, ...]
    levels: tuple[tuple[float, str], ...]
    band: tuple[float, float] | None
    sides: tuple[str, ...]
    standing_height: float
    standing: tuple[Line, ...]
    standing_levels: tuple[tuple[float, str], ...]
    standing_sides: tuple[str, ...]


def timeline_view(story: Timeline, band: tuple[float, float] | None, label: str) -> TimelineView:
    """Place a machine's story on a page.

    Args:
        story: what happened.
        band: where a sound value stands, (from, to).
        label: name and unit of the values.
    """
    lanes = tuple(Lane(name, _kind(name), place * _LANE + 30) for place, name in enumerate(story.lanes))
    depth = {lane.name: lane.y for lane in lanes}

    def across(age: float) -> float:
        return round(100 * (age - story.start) / (story.top - story.start), 3)

    marks = tuple(
        Mark(across(row["hours"]), depth[row["lane"]], _kind(row["lane"]), _summary(row, row["summary"]))
        for row in story.events
    )
    low, high = story.reach(band)

    def down(value: float) -> float:
        return round(_VALUES * (high - value) / (high - low), 2)

    values = tuple(
        Mark(
            across(row["hours"]),
            down(row["value"]),
            _kind(row["side"]),
            _summary(row, f"{row['side']}: {row['value']:g} {story.unit}".rstrip()),
        )
        for row in story.values
    )
    return TimelineView(
        title=story.title,
        notes=story.notes,
        alt=_alternative(story),
        height=len(lanes) * _LANE + 4,
        lanes=lanes,
        marks=marks,
        ticks=tuple((across(tick), f"{tick:,.0f}") for tick in round_steps(story.start, story.top, 4)),
        label=label,
        values_height=_VALUES if values else 0,
        values=values,
        lines=_lines(values),
        levels=tuple((down(level), f"{level:g}") for level in round_steps(low, high, 3)) if values else (),
        band=(down(band[1]), down(band[0]) - down(band[1])) if band and values else None,
        sides=story.sides,
        standing_height=_STANDING if story.standing else 0,
        standing=_lines(
            tuple(
                Mark(
                    across(row["hours"]), round(_STANDING * (1 - row["standing"]), 2), _kind(row["side"]), ""
                )
                for row in story.standing
            )
        ),
        standing_levels=tuple((_STANDING * (1 - share), f"{share:.0%}") for share in (0, 0.5, 1)),
        standing_sides=story.standing_sides,
    )


def round_steps(low: float, high: float, most: int) -> list[float]:
    """Round numbers between two others, at most `most` + 1 of them."""
    span = high - low
    if span <= 0:
        return [low]
    power = 10.0 ** math.floor(math.log10(span / most))
    step = next(size * power for size in (1, 2, 5, 10) if span / (size * power) <= most)
    first = math.ceil(low / step - 1e-9)
    return [round(place * step, 10) for place in range(first, math.floor(high / step + 1e-9) + 1)]


def _kind(name: str) -> str:
    """A lane or side as the class of its marks."""
    return name.replace(", ", "-").replace(" ", "-")


def _summary(row: dict[str, Any], what: str) -> str:
    return f"{row['day']}, {row['hours']:,.0f} h: {what}"


def _lines(values: tuple[Mark, ...]) -> tuple[Line, ...]:
    lines = []
    for kind in dict.fromkeys(mark.kind for mark in values):
        own = [mark for mark in values if mark.kind == kind]
        lines += [Line(one.x, one.y, other.x, other.y, kind) for one, other in pairwise(own)]
    return tuple(lines)


def _alternative(story: Timeline) -> str:
    """The picture in words: how many events of each kind, over which hours."""
    counts = [f"{lane}: {sum(1 for row in story.events if row['lane'] == lane)}" for lane in story.lanes]
    measured = f"; measured values: {len(story.values)}" if story.values else ""
    latest = {row["side"]: row["standing"] for row in story.standing}
    believed = "; chance that a fault stands at the end: " if latest else ""
    believed += ", ".join(f"{side} {percent(share)}" for side, share in latest.items())
    return (
        f"{story.title}. Timeline from {story.start:,.0f} to {story.top:,.0f} running hours. "
        f"Events of each kind: {'; '.join(counts)}{measured}{believed}. The tables below list them all."
    )
