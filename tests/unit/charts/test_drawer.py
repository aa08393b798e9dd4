"""Pictures drawn in other processes are those drawn here, whatever happens to the processes."""

from __future__ import annotations

import pytest
from hollow_lane import HollowLane

from fleetlog.charts.drawer import Drawer
from fleetlog.charts.output import spec_of, svg_of
from fleetlog.charts.repeats import comeback_chart
from fleetlog.charts.survival import survival_chart
from fleetlog.charts.suspects import suspects_chart


def specs(hollow_lane: HollowLane) -> list[dict[str, object]]:
    return [
        spec_of(survival_chart(hollow_lane.month.survival_by_variant)),
        spec_of(suspects_chart(hollow_lane.month.suspects)),
        spec_of(comeback_chart(hollow_lane.month.repeats)),
    ]


@pytest.mark.parametrize("processes", [0, 1, 2])
def test_the_same_bytes_wherever_drawn(processes: int, hollow_lane: HollowLane) -> None:
    with Drawer(processes) as drawer:
        drawn = [drawer.svg(spec) for spec in specs(hollow_lane)]
    assert [one.result() for one in drawn] == [svg_of(spec) for spec in specs(hollow_lane)]


def test_a_process_that_dies_loses_no_picture(hollow_lane: HollowLane) -> None:
    with Drawer(1) as drawer:
        for process in drawer._started:
            process.kill()
            process.wait()
        drawn = [drawer.svg(spec).result() for spec in specs(hollow_lane)]
    assert drawn == [svg_of(spec) for spec in specs(hollow_lane)]


def test_what_cannot_be_drawn_is_told() -> None:
    with Drawer(1) as drawer:
        wrong = drawer.svg({"mark": "no such mark", "encoding": {"x": 3}})
        with pytest.raises(ValueError, match=r"."):
            wrong.result()
        assert drawer.svg({"data": {"values": []}, "mark": "point"}).result().startswith("<svg")
