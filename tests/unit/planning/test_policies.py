"""Policies played out: what must hold between them, and the same numbers every time."""

from __future__ import annotations

import os
from dataclasses import replace
from typing import Any

import numpy as np
import polars as pl
import pytest

from fleetlog.errors import UsageError
from fleetlog.planning import policies
from fleetlog.planning.forecast import forecast
from fleetlog.planning.job_costs import costs_of
from fleetlog.planning.outlook import Outlook, outlook_of
from fleetlog.planning.policies import POLICIES, PolicyFinding, compare_policies
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


def test_custom_is_worked_as_the_family_spells_it_out(found: PolicyFinding, demo: Fleet) -> None:
    rows, family = by_policy(found), demo.family("neutral-return")
    titles = [step.title for step in family.steps]
    named = [title for title in found.custom if title in titles]
    assert named == [step.title for step in sorted(family.steps, key=lambda step: step.order)]
    assert rows["by_custom"]["description"].endswith(family.texts.custom_step)
    assert "; ".join(found.custom) in found.notes[-1]
    # whose words speak of the sensor before the pump: so it is worked
    sensor, opening = (
        found.custom.index(title) for title in (family.step("replace_sensor").title, family.openings[0].title)
    )
    assert sensor < opening
    assert rows["by_custom"]["case_cost"] > rows["wait"]["case_cost"]
    assert rows["by_custom"]["cost"] > rows["wait"]["cost"]
    assert rows["by_custom"]["saving_upper"] < 0


def test_waiting_costs_what_the_plan_weighs_a_breakdown_at(found: PolicyFinding, demo: Fleet) -> None:
    costs = costs_of(demo, demo.history(), demo.family("neutral-return"), "internal_bushing")
    assert costs is not None
    rows = by_policy(found)
    assert rows["wait"]["case_cost"] == pytest.approx(costs.breakdown)
    assert rows["older_design_ahead"]["case_cost"] == rows["wait"]["case_cost"]


def test_work_ahead_prevents_failures_and_costs_now(found: PolicyFinding) -> None:
    rows = by_policy(found)
    assert rows["older_design_ahead"]["failures"] < rows["wait"]["failures"]
    assert rows["older_design_ahead"]["jobs_ahead"] > 30
    assert rows["older_design_ahead"]["cost"] > rows["wait"]["cost"]
    assert rows["older_design_ahead"]["later_cost"] < 0.5 * rows["wait"]["later_cost"]
    # custom leaves the other side to fail later
    assert rows["wait"]["failures"] < rows["by_custom"]["failures"]
    assert rows["by_custom"]["jobs_ahead"] == 0
    assert len({row["other_complaints"] for row in rows.values()}) == 1


def test_by_custom_as_many_fail_as_the_forecast_says(demo: Fleet, found: PolicyFinding) -> None:
    """What stands and what is to come; only custom leaves every part to itself, so that none is renewed early."""
    totals = forecast(demo, draws=DRAWS).totals
    mine = totals.filter(pl.col("component") == "internal_bushing").row(0, named=True)
    expected = mine["standing"] + mine["expected"]
    rows = by_policy(found)
    # standard error of the mean of 60 draws of some sixteen failures each
    assert rows["by_custom"]["failures"] == pytest.approx(expected, abs=4 * (expected / DRAWS) ** 0.5)
    others = totals.filter(
        ~pl.col("component").is_in(["internal_bushing", "all"]), pl.col("cause") != "any failure"
    )
    expected = float((others["standing"] + others["expected"]).sum())
    assert rows["wait"]["other_complaints"] == pytest.approx(expected, abs=4 * (expected / DRAWS) ** 0.5)


@pytest.fixture
def two_failed(demo: Fleet, monkeypatch: pytest.MonkeyPatch) -> PolicyFinding:
    """Nothing runs and nothing fails but both sides of one machine, which stand failed."""

    def standing(*arguments: Any, **how: Any) -> Outlook:
        outlook = outlook_of(*arguments, **how)
        one = outlook.places.filter(pl.col("component") == "internal_bushing")["machine_id"][0]
        failed = (pl.col("machine_id") == one) & (pl.col("component") == "internal_bushing")
        places = outlook.places.with_columns(standing=failed.cast(pl.Float64))
        use = replace(outlook.use, level=np.full_like(outlook.use.level, 1e-9))
        return replace(outlook, places=places, use=use)

    monkeypatch.setattr(policies, "outlook_of", standing)
    monkeypatch.setattr(policies, "others_to_come", lambda *_: {"wiring": np.zeros(20)})
    return compare_policies(demo, months=3, draws=20)


def test_two_sides_that_stand_failed_are_one_opening(two_failed: PolicyFinding, demo: Fleet) -> None:
    costs = costs_of(demo, demo.history(), demo.family("neutral-return"), "internal_bushing")
    assert costs is not None
    rows = by_policy(two_failed)
    assert [row["failures"] for row in rows.values()] == [2.0] * 4
    assert rows["wait"]["cost"] == pytest.approx(costs.breakdown + costs.second)
    assert rows["on_suspicion"]["cost"] == pytest.approx(rows["on_suspicion"]["case_cost"] + costs.second)
    assert rows["by_custom"]["cost"] == pytest.approx(2 * rows["by_custom"]["case_cost"])


@pytest.mark.slow
def test_threads_and_repeats_change_nothing(
    found: PolicyFinding, demo: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(os, "cpu_count", lambda: 1)
    assert compare_policies(demo, draws=DRAWS).frame.equals(found.frame)


@pytest.mark.slow
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
