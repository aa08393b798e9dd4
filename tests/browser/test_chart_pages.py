"""A chart saved as a page: draws itself, without the network, and its data stays data."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from hollow_lane import HOSTILE, HollowLane

from fleetlog.charts.output import save
from fleetlog.charts.survival import survival_chart
from fleetlog.charts.suspects import suspects_chart
from fleetlog.charts.unit import unit_chart


def test_a_chart_page_draws_itself_and_fetches_nothing(
    page: Any, hollow_lane: HollowLane, tmp_path: Path
) -> None:
    drawn = {
        "survival": survival_chart(hollow_lane.month.survival_by_variant),
        "suspects": suspects_chart(hollow_lane.month.suspects),
        "unit": unit_chart(hollow_lane.unit(HOSTILE)),
    }
    for name, chart in drawn.items():
        path = save(chart, tmp_path / f"{name}.html")
        page.open(path)
        page.wait_for("document.querySelector('#chart svg') !== null")
        page.settle()
        assert page.problems == []
        assert page.requests == [path.resolve().as_uri()]
        assert page.run("document.querySelectorAll('#chart svg .role-mark > *').length") > 3
        assert len(page.run("document.getElementById('chart').getAttribute('aria-label')")) > 20


def test_its_data_stays_data(page: Any, hollow_lane: HollowLane, tmp_path: Path) -> None:
    path = save(suspects_chart(hollow_lane.month.suspects), tmp_path / "suspects.html")
    page.open(path)
    page.wait_for("document.querySelector('#chart svg') !== null")
    assert HOSTILE in page.run("document.querySelector('#chart svg').textContent")
    assert page.run("document.querySelectorAll('#chart script').length") == 0
    assert page.problems == []
