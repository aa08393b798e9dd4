"""Policies played out: what must hold between them, and the same numbers every time."""

from __future__ import annotations

import os

import numpy as np
import pytest

from fleetlog.errors import UsageError
from fleetlog.planning.forecast import forecast
from fleetlog.planning.policies import POLICIES, PolicyFinding, _Repair, _worked_through, compare_policies
from fleetlog.session.finding import Finding
from fleetlog.session.fleet import Fleet
from fleetlog.session.scope import Scope

DRAWS = 60


@pytest.fixture(scope="module")
def found(demo: Fleet) -> PolicyFinding:
    return compare_policies(demo, draws=DRAWS)


def by_policy(found: PolicyFinding) -> dict[str, dict[str, float]]:
    return {row["policy"]: row for row in found.frame.to_dicts()}


def test_it_is_a_finding(found: PolicyFinding) -> None:
    assert isinstance(found, Finding)
    assert [row["policy"] for row in found.to_dict()["rows"]] == list(POLICIES)
    assert found.component == "internal_bushing"
    assert found.chart() is not None


def test_ranges_and_means_agree(found: PolicyFinding) -> None:
    for row in found.frame.to_dicts():
        for column in ("cost", "failures", "downtime_days"):
            assert row[f"{column}_lower"] <= row[column] <= row[f"{column}_upper"]
        assert row["total_cost"] == pytest.approx(row["cost"] + row["later_cost"])
    assert found.frame["chance_best"].sum() >= 1 - 1e-9


def test_the_same_failures_meet_every_policy_that_waits(found: PolicyFinding) -> None:
    rows = by_policy(found)
    assert rows["wait"]["failures"] == rows["by_custom"]["failures"]
    assert rows["wait"]["later_cost"] < rows["by_custom"]["later_cost"]
    # a sensor in vain costs a visit, its part and its hours
    assert rows["by_custom"]["cost"] > 1.3 * rows["wait"]["cost"]
    assert rows["by_custom"]["parts_cost"] > 3 * rows["wait"]["parts_cost"]
    assert rows["by_custom"]["saving_upper"] < 0


def test_work_ahead_prevents_failures_and_costs_now(found: PolicyFinding) -> None:
    rows = by_policy(found)
    assert rows["older_design_ahead"]["failures"] < 0.4 * rows["wait"]["failures"]
    assert rows["older_design_ahead"]["jobs_ahead"] > 30
    assert rows["older_design_ahead"]["cost"] > rows["wait"]["cost"]
    assert rows["older_design_ahead"]["later_cost"] < 0.05 * rows["wait"]["later_cost"]
    assert rows["on_suspicion"]["failures"] <= rows["wait"]["failures"]
    assert rows["on_suspicion"]["later_cost"] < rows["wait"]["later_cost"]


def test_waiting_meets_as_many_failures_as_the_forecast(demo: Fleet, found: PolicyFinding) -> None:
    expected = forecast(demo, component="internal_bushing", draws=DRAWS).totals.row(-1, named=True)
    # standard error of the mean of 60 draws of some eight failures each
    assert by_policy(found)["wait"]["failures"] == pytest.approx(
        expected["expected"], abs=4 * (8 / 60) ** 0.5
    )


def test_a_complaint_ends_with_the_first_step_that_cures() -> None:
    repair = _Repair(np.array([2.0, 7.0, 13.0]), np.array([0.0, 190.0, 5.0]), np.array([0.1, 0.5, 1.0]))
    chance = np.array([[0.05, 0.0, 0.0], [0.2, 0.4, 0.0], [0.2, 0.9, 0.99]])
    hours, parts, visits = _worked_through(repair, chance)
    assert hours.tolist() == [2.0, 9.0, 22.0]
    assert parts.tolist() == [0.0, 190.0, 195.0]
    assert visits.tolist() == [1.0, 2.0, 3.0]


def test_threads_and_repeats_change_nothing(
    found: PolicyFinding, demo: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(os, "cpu_count", lambda: 1)
    assert compare_policies(demo, draws=DRAWS).frame.equals(found.frame)


def test_other_families_play_too(demo: Fleet) -> None:
    for fault in demo.families:
        assert compare_policies(demo, Scope(fault=fault), months=3, draws=20).frame.height == len(POLICIES)


@pytest.mark.parametrize(
    ("how", "said"),
    [
        ({"policies": ("hope",)}, "no policy"),
        ({"component": "wiring"}, "No policy can be compared"),
        ({"draws": 2}, "20 to 10,000"),
    ],
)
def test_mistakes_end_in_one_sentence(demo: Fleet, how: dict[str, object], said: str) -> None:
    with pytest.raises(UsageError, match=said):
        compare_policies(demo, **how)  # type: ignore[arg-type]
