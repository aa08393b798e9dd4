"""The timeline of a unit's page: every event at its place."""

from __future__ import annotations

from datetime import datetime
from types import ModuleType

import pytest

from fleetlog.charts.timeline import timeline
from fleetlog.reporting.timeline import round_steps, timeline_view
from fleetlog.reporting.unit_page import in_zone


def test_every_event_stands_at_its_hours(months: ModuleType) -> None:
    unit = months.examples.unit()
    story = timeline(unit)
    view = timeline_view(story, (1.9, 2.1), "Neutral voltage, V")
    assert len(view.marks) == len(story.events)
    for mark, row in zip(view.marks, story.events, strict=True):
        assert mark.x == pytest.approx(
            100 * (row["hours"] - story.start) / (story.top - story.start), abs=1e-3
        )
        assert row["summary"] in mark.summary
    assert all(0 <= mark.x <= 100 for mark in (*view.marks, *view.values))


def test_values_and_band_share_one_scale(months: ModuleType) -> None:
    view = timeline_view(timeline(months.examples.unit()), (1.9, 2.1), "V")
    assert view.band is not None
    top, height = view.band
    sound = [mark for mark in view.values if ": 2.03 V" in mark.summary or ": 1.99 V" in mark.summary]
    high = [mark for mark in view.values if ": 2.32 V" in mark.summary]
    assert len(sound) == 2
    assert all(top <= mark.y <= top + height for mark in sound)
    assert high[0].y < top


def test_lines_join_values_of_one_side_only(months: ModuleType) -> None:
    unit = months.examples.unit()
    view = timeline_view(timeline(unit), None, "V")
    for side in ("left", "right"):
        count = unit.measurements.filter(unit.measurements["side"] == side).height
        assert sum(1 for line in view.lines if line.kind == side) == count - 1


def test_the_axis_leaves_out_years_before_the_first_event(months: ModuleType) -> None:
    story = timeline(months.examples.unit())
    assert 3000 < story.start < 3820.4
    assert story.top == 4812.3


@pytest.mark.parametrize(
    ("low", "high", "most", "steps"),
    [
        (0, 4000, 4, [0, 1000, 2000, 3000, 4000]),
        (3740.1, 4812.3, 4, [4000, 4500]),
        (1.79, 2.37, 3, [1.8, 2.0, 2.2]),
        (0, 1, 4, [0, 0.5, 1.0]),
        (5, 5, 4, [5]),
    ],
)
def test_round_steps(low: float, high: float, most: int, steps: list[float]) -> None:
    assert round_steps(low, high, most) == pytest.approx(steps)


def test_times_are_told_as_the_clocks_of_the_yard_showed_them(months: ModuleType) -> None:
    unit = months.examples.unit()
    there = in_zone(unit, "America/Chicago")
    # 08:00 UTC on 3 November 2025 is 02:00 in Chicago, six hours behind once summer time has ended.
    assert unit.reports["at"][0] == datetime(2025, 11, 3, 8, 0)
    assert there.reports["at"][0] == datetime(2025, 11, 3, 2, 0)
    # On 30 August 2026 summer time holds: five hours.
    assert there.reports["at"][4] == datetime(2026, 8, 30, 3, 0)
    assert there.readings.height == unit.readings.height
    assert in_zone(unit, "UTC").reports.equals(unit.reports)
