"""The picture of the risk by age: its rates are those of the curve, its title says no more than they do."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from parts import Pump, fleet_of_pumps

from fleetlog.charts.lives import hazard_chart, hazard_title, stretches, weibull_line
from fleetlog.charts.output import spec_of, to_svg
from fleetlog.lives.survival import SurvivalFinding, survival
from fleetlog.session.fleet import Fleet
from fleetlog.stats.risk_table import RiskTable


def lives() -> list[Pump]:
    """Rising risk: few fail young, many old."""
    ages = [900, 1800, 2300, 2600, 2750, 2900, 3020, 3130, 3230, 3320, 3400, 3470]
    return [*(Pump(0, age, "worn") for age in ages), *(Pump(0, 1000 + 300 * i) for i in range(9))]


@pytest.fixture
def found(tmp_path: Path) -> SurvivalFinding:
    with fleet_of_pumps(tmp_path, lives()) as fleet:
        return survival(fleet, component="drive_pump")


def test_rates_are_rises_of_the_cumulative_hazard(found: SurvivalFinding) -> None:
    (group,) = found.groups
    table = RiskTable.from_spells(
        0, [round(pump.exit * 10) for pump in lives()], [pump.ending == "worn" for pump in lives()]
    )
    rows = table.failed > 0
    ages = table.hours[rows] / table.per_hour
    hazard = np.concatenate(([0.0], np.cumsum(table.failed[rows] / table.at_risk[rows])))  # Nelson-Aalen
    rows = stretches(group)
    assert [row["from_hours"] for row in rows[1:]] == [row["to_hours"] for row in rows[:-1]]
    assert (rows[0]["from_hours"], rows[-1]["to_hours"]) == (0.0, group.last_hours)
    assert sum(row["failures"] for row in rows) == group.failures
    assert all(row["failures"] >= 4 for row in rows)
    assert len(rows) > 1
    for row in rows:
        begin, end = hazard[np.searchsorted(ages, [row["from_hours"], row["to_hours"]], side="right")]
        assert row["rate"] == pytest.approx(1e5 * (end - begin) / (row["to_hours"] - row["from_hours"]))
        assert row["lower"] < row["rate"] < row["upper"]


def test_the_line_is_the_hazard_of_the_fit(found: SurvivalFinding) -> None:
    (group,) = found.groups
    fit = group.weibull
    assert fit is not None
    for row in weibull_line(group):
        # 1,000 hours of 100 parts, by the slope of H = (h / scale) ^ shape
        step = 1e-3
        rise = ((row["hours"] + step) / fit["scale_hours"]) ** fit["shape"]
        rise -= ((row["hours"] - step) / fit["scale_hours"]) ** fit["shape"]
        assert row["fitted"] == pytest.approx(1e5 * rise / (2 * step), rel=1e-5)
    assert weibull_line(replace(group, weibull={**fit, "scale_hours": None})) == []


@pytest.mark.parametrize(
    ("interval", "words"),
    [
        ([1.2, 3.0], "the risk rises with age"),
        ([0.3, 0.8], "the risk falls with age"),
        ([0.8, 1.6], "neither clearly rises nor falls"),
    ],
)
def test_a_way_is_claimed_only_where_the_interval_says_so(
    found: SurvivalFinding, interval: list[float], words: str
) -> None:
    (group,) = found.groups
    fit = {**dict(group.weibull or {}), "shape_ci": interval}
    assert words in hazard_title(replace(found, groups=(replace(group, weibull=fit),)))
    leaning = replace(group, weibull={**fit, "prior": {"shape": 2.0}})
    assert "neither clearly" in hazard_title(replace(found, groups=(leaning,)))


def test_drawn_is_what_the_table_says(found: SurvivalFinding) -> None:
    spec = spec_of(hazard_chart(found))
    drawn = [row for rows in spec["datasets"].values() for row in rows if "rate" in row]
    assert drawn == stretches(found.groups[0])
    assert " ".join(spec["title"]["text"]) == hazard_title(found)


def test_few_failures_are_called_few(tmp_path: Path) -> None:
    with fleet_of_pumps(tmp_path, [Pump(0, 100, "worn"), Pump(0, 200)]) as fleet:
        few = survival(fleet, component="drive_pump")
    assert hazard_title(few) == "Drive pumps: too few failures to say how the risk moves with age (1 failure)"
    assert "Too few failures to draw." in json.dumps(spec_of(hazard_chart(few)))


@pytest.mark.parametrize("width", [700, 340])
def test_groups_stand_side_by_side(demo: Fleet, width: int) -> None:
    finding = survival(demo, by=("build_year",))
    chart = hazard_chart(finding, width=width)
    chart.to_dict(validate=True)
    assert float(to_svg(chart).split('width="')[1].split('"')[0]) <= width + 12
    notes = " ".join(spec_of(chart)["title"]["subtitle"])
    few = [f"build year {one.group['build_year']}" for one in finding.groups if 0 < one.failures < 5][:6]
    assert len(few) > 1
    assert f"Not drawn, too few failures to say: {', '.join(few[:-1])} and {few[-1]}." in notes
    telling = sum(group.failures >= 5 for group in finding.groups)
    assert f"of {telling} groups" in hazard_title(finding)
