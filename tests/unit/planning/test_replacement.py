"""Replacement ages of the demo fleet, and what must hold of any."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from fleetlog.planning.job_costs import (
    Assumption,
    costs_of,
    customary_case,
    out_shares,
    sensitivity,
    turning_point,
)
from fleetlog.planning.replacement import ReplacementFinding, replacement
from fleetlog.session.finding import Finding
from fleetlog.session.fleet import Fleet
from fleetlog.session.scope import Scope


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
    assert "not known to rise" in str(sensor["reason"])
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
    assert "finished cases" in figures["labour of a breakdown, all visits"]["source"]
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


def test_the_customary_case_by_hand(demo: Fleet) -> None:
    family = demo.family("neutral-return")
    step = family.step("replace_bushing")
    hours, parts, days = customary_case(family, "internal_bushing", step, demo.settings)
    # wiring and voltage looked at (1 + 1 h), then centring 1.5, calibrating 1.0, the sensor 7.0, the bushing
    # 13.5, overhaul 20, a new pump 14: each with the chance that all before missed it
    miss = np.cumprod([1, 1 - 0.05, 1 - 0.05, 1 - 0.05, 1 - 0.97, 1 - 0.9])
    expected = 2.0 + float(miss @ [1.5, 1.0, 7.0, 13.5, family.step("overhaul_pump").labour_hours, 14.0])
    assert hours == pytest.approx(expected)
    assert parts > 196.9 * 0.9
    assert days == pytest.approx(hours / 8 + float(miss.sum()) * 2.0)


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
        assert "customary order" in costs.sources["breakdown_hours"]
        assert not replacement(empty, draws=20).frame["replace_ahead"].any()


def test_every_family_answers(demo: Fleet) -> None:
    for fault in demo.families:
        answer = replacement(demo, Scope(fault=fault), draws=20)
        assert answer.chart() is not None
        assert answer.notes


def test_the_same_seed_gives_the_same_digits(found: ReplacementFinding, demo: Fleet) -> None:
    again = replacement(demo, draws=60)
    assert again.frame.equals(found.frame)
    assert again.sensitivity.equals(found.sensitivity)
