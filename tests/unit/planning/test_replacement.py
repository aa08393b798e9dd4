"""Replacement ages of the demo fleet, and what must hold of any."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import polars as pl
import pytest

from fleetlog.causes.repair_plan import RepairPlan
from fleetlog.planning.job_costs import (
    Assumption,
    costs_of,
    new_cases,
    out_shares,
    sensitivity,
    turning_point,
)
from fleetlog.planning.outlook import LifeModel, outlook_of
from fleetlog.planning.replacement import RISE_LEVEL, ReplacementFinding, replacement, why_not_ahead
from fleetlog.session.finding import Finding
from fleetlog.session.fleet import Fleet
from fleetlog.session.scope import Scope
from fleetlog.stats.weighted_lives import Law


@pytest.fixture(scope="module")
def found(demo: Fleet) -> ReplacementFinding:
    return replacement(demo, draws=60)


def row_of(found: ReplacementFinding, component: str, variant: str) -> dict[str, object]:
    return found.frame.filter((pl.col("component") == component) & (pl.col("variant") == variant)).row(
        0, named=True
    )


def test_it_is_a_finding(found: ReplacementFinding) -> None:
    assert isinstance(found, Finding)
    answer = found.to_dict()
    assert {"rows", "parts", "figures", "sensitivity", "seed", "currency"} <= set(answer)


def test_the_old_bushing_is_better_replaced_ahead(found: ReplacementFinding) -> None:
    row = row_of(found, "internal_bushing", "original")
    assert row["replace_ahead"] is True
    assert row["successor"] == "improved"
    assert row["lower"] < row["best_age_hours"] < row["upper"]
    # both sides in one visit cost less a side, so they are worth doing earlier
    assert row["best_age_both_hours"] < row["best_age_hours"]
    assert row["saving_per_part_lower"] < row["saving_per_part"] < row["saving_per_part_upper"]
    assert row["past_best_age"] == found.parts.height > 0
    assert row["saving_now"] == pytest.approx(float(found.parts["saving"].sum()))
    assert (found.parts["age_hours"] >= row["best_age_hours"]).all()


def test_what_is_not_known_to_wear_is_left_alone(found: ReplacementFinding) -> None:
    improved = row_of(found, "internal_bushing", "improved")
    assert improved["replace_ahead"] is False
    assert "too few data" in str(improved["reason"])
    sensor = row_of(found, "position_sensor", "unknown")
    assert sensor["replace_ahead"] is False
    assert "too few data" in str(sensor["reason"])
    assert sensor["best_age_hours"] is None
    assert sensor["saving_now"] == 0


def test_figures_trace_to_settings_and_records(found: ReplacementFinding, demo: Fleet) -> None:
    figures = {
        row["figure"]: row
        for row in found.figures.filter(pl.col("component") == "internal_bushing").to_dicts()
    }
    assert figures["an hour of labour"]["value"] == demo.settings.costs.labour_rate
    assert figures["an hour of labour"]["source"] == "fleetlog.toml"
    assert figures["parts of a planned job"]["value"] == 4.6
    assert "advised steps" in figures["labour of a breakdown, all visits"]["source"]
    planned = (
        figures["labour of a planned job"]["value"] * figures["an hour of labour"]["value"]
        + figures["parts of a planned job"]["value"]
        + figures["standing for a planned job"]["value"]
        * figures["a day of standing that could be out"]["value"]
        * figures["share of days on which a machine would be out"]["value"]
    )
    assert figures["money of a planned job"]["value"] == pytest.approx(planned)
    assert row_of(found, "internal_bushing", "original")["planned_cost"] == pytest.approx(planned)
    assert all(row["source"] for row in figures.values())


def test_the_sensitivity_says_what_would_turn_the_decision(found: ReplacementFinding) -> None:
    rows = found.sensitivity.filter(
        (pl.col("component") == "internal_bushing") & (pl.col("variant") == "original")
    )
    by_figure = {row["figure"]: row for row in rows.to_dicts()}
    standing = by_figure["standing for a breakdown"]
    assert standing["saving_low"] < standing["saving"] < standing["saving_high"]
    labour = by_figure["labour of a planned job"]
    assert (labour["low"], labour["high"]) == (12.0, 15.0)
    assert labour["turns_at"] > 15.0
    assert by_figure["share of days on which a machine would be out"]["high"] == 1.0
    swings = [abs(row["saving_high"] - row["saving_low"]) for row in rows.to_dicts()]
    assert swings == sorted(swings, reverse=True)


def test_at_the_turning_value_nothing_is_saved() -> None:
    def saving(_: str, values: np.ndarray) -> np.ndarray:
        return 100.0 - 8.0 * values

    one = Assumption("x", "x", "", "", now=5.0, low=2.5, high=10.0)
    assert turning_point(one, saving) == pytest.approx(12.5, rel=1e-6)
    [row] = sensitivity([one], saving)
    assert (row["saving_low"], row["saving"], row["saving_high"]) == (80.0, 60.0, 20.0)
    # where a value cannot be, no turn is named
    assert turning_point(Assumption("x", "x", "", "", 5.0, 2.5, 10.0, most=12.0), saving) is None
    assert turning_point(Assumption("x", "x", "", "", 0.0, 0.0, 1.0), saving) is None


def test_a_breakdown_costs_what_the_advice_costs(demo: Fleet) -> None:
    """Not what the yard spent on past cases: the same plan that `suspects` proposes, from the first report."""
    history, family = demo.begin(Scope())
    costs = costs_of(demo, history, family, "internal_bushing")
    assert costs is not None
    advised = RepairPlan.of(family, demo.settings).of_a_case(
        new_cases(demo, history, family), "internal_bushing"
    )
    assert (costs.breakdown_hours, costs.breakdown_parts, costs.breakdown_days) == (
        advised.labour_hours,
        advised.parts,
        advised.days,
    )
    assert costs.breakdown == pytest.approx(
        advised.labour_hours * costs.labour_rate
        + advised.parts
        + advised.days * costs.day_rate
        + costs.call_out
    )


def test_a_case_by_custom_by_hand(demo: Fleet) -> None:
    """Each step with the chance that all before it missed the bushing: centring, calibrating and the sensor 1 in 20."""
    history, family = demo.begin(Scope())
    plan, share = RepairPlan.of(family, demo.settings), new_cases(demo, history, family)
    looked = family.evidence_table("inspect_wiring")
    assert looked is not None
    faulty = looked.probability("failed", "internal_bushing")  # then the harness is repaired, in vain
    opened = 0.95**3
    # the wiring and the voltage 1 h each, the harness 2 h, centring 1.5, calibrating 1, the sensor 7, the pump opened
    # 12 and the bushing 1.5; overhaul 20 where that missed it, a new pump 14 where that did too
    before = 1 + 1 + faulty * 2 + 1.5 + 0.95 * 1 + 0.95**2 * 7
    worked = before + opened * (13.5 + 0.03 * (20 + 0.1 * 14))
    by_custom = plan.of_a_case(share, "internal_bushing", custom=True)
    assert by_custom.labour_hours == pytest.approx(worked, abs=1e-3)
    visits = faulty + 1 + 0.95 + 0.95**2 + opened * (1 + 0.03 * (1 + 0.1))
    assert by_custom.days == pytest.approx(worked / 8 + visits * 2.0, abs=1e-3)
    # the pump opened at the first report: 13.5 h, and where that missed it the custom without the bushing
    at_once = plan.of_a_case(share, "internal_bushing", first="replace_bushing")
    rest = before + opened * (20 + 0.1 * 14)
    assert at_once.labour_hours == pytest.approx(13.5 + 0.03 * rest, abs=1e-3)


def test_what_no_step_cures_ends_with_the_makers_service(demo: Fleet) -> None:
    history, family = demo.begin(Scope())
    plan, share = RepairPlan.of(family, demo.settings), new_cases(demo, history, family)
    assert not any(step.cures.get("unknown") for step in family.steps)
    for how in ({}, {"custom": True}, {"first": "replace_bushing"}):
        effort = plan.of_a_case(share, "unknown", **how)  # type: ignore[arg-type]
        assert effort.parts >= family.service.fee + max(step.parts_cost for step in family.steps) - 1e-6
        assert effort.days >= family.service.wait_days + effort.labour_hours / 8


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (
            {"rise": 0.2},
            "not known to rise with age: a constant one would seem to rise as much in 20% of fleets",
        ),
        ({"rise": RISE_LEVEL}, ""),
        ({"failures": 4.4}, "too few data: 4 failures"),
        ({"law": Law(0.9, 5000.0)}, "does not rise with age"),
    ],
)
def test_a_hazard_must_be_known_to_rise(demo: Fleet, change: dict[str, Any], said: str) -> None:
    history, family = demo.begin(Scope())
    costs = costs_of(demo, history, family, "internal_bushing")
    assert costs is not None
    model = LifeModel(
        component="internal_bushing",
        variant="original",
        cause="internal_bushing",
        law=Law(2.5, 6000.0),
        draws=np.zeros((0, 2)),
        lognormal=np.zeros(0, dtype=bool),
        lognormal_weight=0.0,
        disagrees="",
        spells=50,
        failures=20.0,
        hours=1e5,
        default=None,
        method="",
        rise=0.01,
    )
    why = why_not_ahead(replace(model, **change), costs, 4000.0, 5)
    assert said in why
    assert bool(why) == bool(said)


@pytest.mark.parametrize(
    ("figures", "said"),
    [
        (
            {"breakdown_hours": 5.0, "breakdown_days": 0.0, "call_out": 0.0},
            "costs no more than a planned job",
        ),
        (
            {"labour_rate": 0.0, "day_rate": 0.0, "planned_parts": 0.0},
            "a planned job costs nothing by the settings",
        ),
    ],
)
def test_money_must_speak_for_it(demo: Fleet, figures: dict[str, float], said: str) -> None:
    outlook = outlook_of(demo, Scope(), months=1, draws=20, component="internal_bushing")
    costs = costs_of(demo, demo.history(), demo.family("neutral-return"), "internal_bushing")
    assert costs is not None
    model = next(one for one in outlook.models if one.variant == "original")
    assert why_not_ahead(model, costs, 4000.0, 5) == ""
    assert said in why_not_ahead(model, replace(costs, **figures), 4000.0, 5)


def test_out_shares_follow_the_season(demo: Fleet) -> None:
    demo.history()
    shares = out_shares(demo, demo.history())
    assert shares.height == 4 * 12
    by_month = dict(shares.group_by("calendar_month").agg(pl.col("share").mean()).iter_rows())
    assert by_month[1] < by_month[7] - 0.05
    assert shares["share"].min() > 0
    assert shares["share"].max() <= 1


def test_without_rentals_every_day_counts(demo: Fleet) -> None:
    from fleetlog.session.fleet import open_fleet

    history = demo.history()
    assert costs_of(demo, history, demo.family("neutral-return"), "internal_bushing").out_share < 1
    with open_fleet(None) as empty:
        empty.store.execute(
            "INSERT INTO machines (machine_id, build_date, acquired_on, file_id, row_no) "
            "VALUES ('1', '2016', DATE '2020-01-01', 0, 1)"
        )
        empty.store.execute(
            "INSERT INTO meter_readings VALUES ('1', TIMESTAMP '2024-01-01', 100, 'manual', 0, 1)"
        )
        costs = costs_of(empty, empty.history(), empty.family("neutral-return"), "internal_bushing")
        assert costs is not None
        assert costs.out_share == 1.0
        assert "no rentals" in costs.sources["out_share"]
        assert "advised steps" in costs.sources["breakdown_hours"]
        assert not replacement(empty, draws=20).frame["replace_ahead"].any()


@pytest.mark.slow
def test_every_family_answers(demo: Fleet) -> None:
    for fault in demo.families:
        answer = replacement(demo, Scope(fault=fault), draws=20)
        assert answer.chart() is not None
        assert answer.notes


@pytest.mark.slow
def test_the_same_seed_gives_the_same_digits(found: ReplacementFinding, demo: Fleet) -> None:
    again = replacement(demo, draws=60)
    assert again.frame.equals(found.frame)
    assert again.sensitivity.equals(found.sensitivity)
