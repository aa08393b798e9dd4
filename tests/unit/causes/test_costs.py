"""What was spent, and on parts that were sound: a yard by hand, then the sums of the demo fleet."""

from __future__ import annotations

import json
from datetime import date
from itertools import pairwise
from pathlib import Path

import polars as pl
import pytest
from yard import Yard

from fleetlog.causes.costs import CostFinding, costs, costs_by_month
from fleetlog.causes.suspects import suspects
from fleetlog.session.fleet import Fleet
from fleetlog.session.scope import Scope

RATES = "[costs]\nlabour_rate = 100\n"


def in_the_yard(fleet: Fleet, first: date = date(2024, 1, 1), after: date = date(2026, 1, 1)) -> CostFinding:
    return costs(fleet, suspects(fleet), first, after)


def part_of(found: CostFinding, component: str) -> dict[str, float]:
    return found.in_vain.filter(pl.col("component") == component).row(0, named=True)


@pytest.fixture
def yard() -> Yard:
    """A sensor replaced and found sound, the fault back, then the worn bushing found and replaced for good."""
    told = Yard(hours=4500, days=500).code(20, 7).code(30, 7)
    told.work(40, ("position_sensor", "replace", "no_fault_found")).code(46, 7).code(50, 7)
    told.work(60, ("wiring", "inspect", "passed"), ("internal_bushing", "replace", "worn"))
    priced = {"position_sensor": (7.0, 180.0), "internal_bushing": (14.0, 5.0), "wiring": (1.0, 0.0)}
    for line in told.tables["work_lines"]:
        line["labour_hours"], line["parts_cost"] = priced[line["component"]]
    return told


def test_a_sensor_that_was_found_not_to_be_the_cause_was_in_vain(yard: Yard, tmp_path: Path) -> None:
    with yard.fleet(tmp_path, RATES) as fleet:
        found = in_the_yard(fleet)
        sensor, bushing = part_of(found, "position_sensor"), part_of(found, "internal_bushing")
        assert (sensor["replaced"], sensor["cost"]) == (1.0, 7 * 100 + 180)
        assert sensor["in_vain"] > 0.98
        assert sensor["cost_in_vain"] == pytest.approx(sensor["in_vain"] * 880)
        assert (bushing["replaced"], bushing["cost"]) == (1.0, 14 * 100 + 5)
        assert bushing["in_vain"] < 0.02
        # the look at the wiring is spent, but no part
        assert found.spent_in_all == pytest.approx(880 + 1405 + 100)
        assert found.spent_in_vain == pytest.approx(sensor["cost_in_vain"] + bushing["cost_in_vain"])


def test_only_what_was_replaced_in_that_time_counts(yard: Yard, tmp_path: Path) -> None:
    with yard.fleet(tmp_path, RATES) as fleet:
        early = in_the_yard(fleet, after=date(2024, 2, 15))
        assert early.in_vain["component"].to_list() == ["position_sensor"]
        assert early.spent_in_all == pytest.approx(880)
        # judged by all that is known since, not by what was known then
        assert part_of(early, "position_sensor")["in_vain"] > 0.98
        nothing = in_the_yard(fleet, first=date(2025, 6, 1))
        assert nothing.in_vain.is_empty()
        assert nothing.spent_in_vain == 0.0


def test_many_months_at_once_are_what_each_is_alone(demo: Fleet) -> None:
    """To the digit, over a year that has changes of the clock, and of a part of the fleet."""
    months = [date(2025, month, 1) for month in range(1, 13)]
    known = suspects(demo)
    for scope in (Scope(), Scope(sites=("Tolbeck",))):
        single = [
            costs(demo, known, first, after, scope) for first, after in pairwise([*months, date(2026, 1, 1)])
        ]
        assert costs_by_month(demo, months, scope).rows() == [
            (first, one.spent_in_all, one.spent_in_vain) for first, one in zip(months, single, strict=True)
        ]
        year = costs(demo, known, months[0], date(2026, 1, 1), scope)
        assert sum(one.spent_in_all for one in single) == pytest.approx(year.spent_in_all)
        assert sum(one.spent_in_vain for one in single) == pytest.approx(year.spent_in_vain)
        assert 0 < year.spent_in_vain < year.spent_in_all


def test_work_counts_in_the_month_of_the_fleets_clock(yard: Yard, tmp_path: Path) -> None:
    with yard.fleet(tmp_path, RATES) as fleet:
        spent = costs_by_month(fleet, [date(2024, 2, 1), date(2024, 3, 1), date(2025, 6, 1)])
        february, march, later = spent["cost"].to_list()
        assert february == pytest.approx(880)
        assert march == pytest.approx(1405 + 100)
        assert later == 0.0


def test_one_part_that_serves_two_cases_is_one_part(tmp_path: Path) -> None:
    """A pump is replaced on a line without a side while both sides complain: one pump, half of it to each case."""
    both = (
        Yard(hours=4500, days=300).code(20, 7).code(21, 7, side="right").code(35, 7).code(36, 7, side="right")
    )
    both.work(50, ("drive_pump", "replace"), side="")
    both.tables["work_lines"][0]["parts_cost"] = 4500.0
    with both.fleet(tmp_path, RATES) as fleet:
        pump = part_of(in_the_yard(fleet), "drive_pump")
        assert pump["replaced"] == pytest.approx(1.0)
        assert pump["cost"] == pytest.approx(4500.0)
        assert 0.0 < pump["in_vain"] < 1.0


def test_the_parts_are_those_of_the_work_lines(demo: Fleet) -> None:
    found = in_the_yard(demo, first=date(2016, 1, 1), after=date(2026, 7, 1))
    parts = found.spent.filter(pl.col("action") == "replace").sort("component")
    of_part = found.in_vain.group_by("component").agg(pl.col("replaced", "cost").sum()).sort("component")
    assert of_part["component"].to_list() == parts["component"].to_list()
    assert of_part["replaced"].to_list() == pytest.approx(parts["jobs"].to_list())
    assert of_part["cost"].to_list() == pytest.approx(parts["cost"].to_list())
    assert (found.in_vain["in_vain"] <= found.in_vain["replaced"] + 1e-9).all()
    assert 0 < found.spent_in_vain < found.spent_in_all
    told = json.loads(json.dumps(found.to_dict()))
    assert told["rows"][0]["site"]
    assert told["spent_in_vain"] == pytest.approx(sum(row["cost_in_vain"] for row in told["rows"]))
