"""The timeline of a unit's page: every event at its place."""

from __future__ import annotations

import pytest
from hollow_lane import HollowLane

from fleetlog.charts.timeline import timeline
from fleetlog.phrasing import percent
from fleetlog.reporting.timeline import round_steps, timeline_view


def test_every_event_stands_at_its_hours(hollow_lane: HollowLane) -> None:
    unit = hollow_lane.unit()
    story = timeline(unit)
    view = timeline_view(story, (1.9, 2.1), "Neutral voltage, V")
    assert len(view.marks) == len(story.events)
    for mark, row in zip(view.marks, story.events, strict=True):
        assert mark.x == pytest.approx(
            100 * (row["hours"] - story.start) / (story.top - story.start), abs=1e-3
        )
        assert row["summary"] in mark.summary
    assert all(0 <= mark.x <= 100 for mark in (*view.marks, *view.values))


def test_values_and_band_share_one_scale(hollow_lane: HollowLane) -> None:
    unit = hollow_lane.unit()
    low, high = unit.band
    view = timeline_view(timeline(unit), unit.band, "V")
    assert view.band is not None
    top, height = view.band
    placed = {
        value: next(mark.y for mark in view.values if f": {value:g} V" in mark.summary)
        for value in unit.measurements["value"]
    }
    assert len(placed) == len(view.values)
    above = [value for value in placed if value > high]
    below = [value for value in placed if value < low]
    assert 0 < len(below) < len(above) < len(placed) - len(below)
    assert {value for value, y in placed.items() if y < top} == set(above)
    assert {value for value, y in placed.items() if y > top + height} == set(below)
    assert sorted(placed, key=lambda value: placed[value]) == sorted(placed, reverse=True)


def test_lines_join_values_of_one_side_only(hollow_lane: HollowLane) -> None:
    unit = hollow_lane.unit()
    view = timeline_view(timeline(unit), None, "V")
    for side in ("left", "right"):
        count = unit.measurements.filter(unit.measurements["side"] == side).height
        assert count > 1
        assert sum(1 for line in view.lines if line.kind == side) == count - 1


def test_the_axis_leaves_out_years_before_the_first_event(hollow_lane: HollowLane) -> None:
    unit = hollow_lane.unit()
    story = timeline(unit)
    first = unit.reports["hours"].min()
    assert unit.readings["hours"].min() < 0.8 * first < story.start < first
    assert story.top == unit.machine["running_hours"]


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


def test_the_course_is_drawn_from_certain_to_ended(hollow_lane: HollowLane) -> None:
    unit = hollow_lane.unit()
    story = timeline(unit)
    view = timeline_view(story, None, "V")
    assert {line.kind for line in view.standing} == {"left", "right"} == set(view.standing_sides)
    assert all(0 <= line.y1 <= view.standing_height and 0 <= line.x1 <= 100 for line in view.standing)
    last = {line.kind: line for line in view.standing}
    for side, line in last.items():
        share = unit.standing.filter(unit.standing["side"] == side)["standing"][-1]
        assert line.y2 == pytest.approx(view.standing_height * (1 - share), abs=0.01)
        assert f"{side} {percent(share)}" in view.alt
    assert {case.side: case.standing for case in unit.cases if case.standing is not None} == pytest.approx(
        {side: unit.standing.filter(unit.standing["side"] == side)["standing"][-1] for side in ("left",)}
    )
