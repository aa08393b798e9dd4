"""The facts of the trade as check values against the shipped family. Source: common practice, no source.

The probabilities here come from the family's defaults alone (an empty fleet): prior odds from the hazards at
the part's age, times the evidence tables, times the chance that the code came back or stayed away.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import pytest

from fleetlog.faults import COMMON_PRACTICE, FaultFamily, load_families

BACK, AWAY = "back", "away"


@pytest.fixture(scope="module")
def family() -> FaultFamily:
    return load_families()["neutral-return"]


def posterior(
    family: FaultFamily,
    variant: str,
    age_hours: float,
    seen: Sequence[tuple[str, str]] = (),
    steps: Sequence[tuple[str, str, float]] = (),
) -> dict[str, float]:
    """Causes of a case: Bayes' rule with the family's own figures, written out.

    Args:
        seen: (evidence table, outcome).
        steps: (step, back or away, running hours until then).
    """
    weights = {}
    for cause in family.causes:
        own = variant if cause.component == "internal_bushing" else ""
        log = math.log(family.hazard(cause.name, own).per_hour(age_hours))
        for name, outcome in seen:
            table = family.evidence_table(name)
            assert table is not None
            log += math.log(table.probability(outcome, cause.name))
        for name, what, hours in steps:
            back = family.chance_back(family.step(name), cause.name, hours)
            log += math.log(back if what == BACK else 1.0 - back)
        weights[cause.name] = math.exp(log)
    total = math.fsum(weights.values())
    return {name: weight / total for name, weight in weights.items()}


# ------------------------------------------------------------------ who can have it, and which parts


def test_only_electronically_controlled_loaders_can_have_it(family: FaultFamily) -> None:
    # common practice, no source: a manual pump has no position sensor, so such data is a data error
    assert not family.can_have("skid_steer_loader", "manual")
    assert family.can_have("skid_steer_loader", "electronic_joystick")
    assert family.can_have("compact_track_loader", "electronic_joystick")
    assert family.can_have("skid_steer_loader", None)  # unknown is no error
    assert family.can_have(None, "")
    assert not family.can_have("wheel_loader", "electronic_joystick")


def test_no_family_says_when_a_design_changed(family: FaultFamily) -> None:
    bushing = family.part("internal_bushing")
    assert bushing is not None
    assert bushing.part_of == "drive_pump"
    assert bushing.sides == ("left", "right")
    assert bushing.known_variants == ("original", "improved")
    assert not [row for row in family.to_rows() if row["unit"] == "date"]


def test_the_service_part_is_the_improved_one_and_only_worn_or_broken_is_a_failure(
    family: FaultFamily,
) -> None:
    bushing = family.part("internal_bushing")
    assert bushing is not None
    assert bushing.service_variant == "improved"
    assert bushing.failure_findings == ("worn", "broken")
    assert "no_fault_found" not in bushing.failure_findings
    sensor = family.part("position_sensor")
    assert sensor is not None
    assert sensor.known_variants == ("potentiometer", "hall_effect")


# ------------------------------------------------------------------ steps


def test_steps_stand_in_the_order_of_custom(family: FaultFamily) -> None:
    # common practice, no source: wiring, then voltage, centring, calibrating, the sensor, the bushing
    custom = [
        "inspect_wiring",
        "measure_neutral_voltage",
        "centre_sensor",
        "calibrate_pump",
        "replace_sensor",
        "replace_bushing",
    ]
    assert [step.name for step in family.steps if step.name in custom] == custom


def test_the_bushing_job_takes_a_long_day_and_a_half_for_a_part_that_costs_next_to_nothing(
    family: FaultFamily,
) -> None:
    step = family.step("replace_bushing")
    # common practice, no source: 12 to 15 labour hours, a part of some 4 to 5 USD
    assert (step.labour_hours_low, step.labour_hours_high) == (12.0, 15.0)
    assert 4.0 <= step.parts_cost <= 5.0
    assert step.opens_pump
    assert step.cautions
    assert step.sources.get("labour_hours", step.source) == COMMON_PRACTICE
    assert step.sources["cures"] == "from memory, default"
    # with the pump out, the second side costs little more
    assert step.second_side_labour_hours is not None
    assert step.second_side_labour_hours < 0.2 * step.labour_hours


def test_a_wrong_sensor_swap_wastes_most_of_a_day(family: FaultFamily) -> None:
    assert 5.0 <= family.step("replace_sensor").labour_hours <= 8.0


@pytest.mark.parametrize(
    ("component", "action", "step"),
    [
        ("wiring", "inspect", "inspect_wiring"),
        ("wiring", "repair", "repair_wiring"),
        ("drive_pump", "calibrate", "calibrate_pump"),
        ("position_sensor", "replace", "replace_sensor"),
        ("internal_bushing", "replace", "replace_bushing"),
        ("drive_pump", "replace", "replace_pump"),
        ("rotating_group", "overhaul", "overhaul_pump"),
    ],
)
def test_a_work_line_is_the_step_it_says(family: FaultFamily, component: str, action: str, step: str) -> None:
    found = family.step_for(component, action)
    assert found is not None
    assert found.name == step


def test_work_on_other_parts_is_no_step(family: FaultFamily) -> None:
    assert family.step_for("track", "replace") is None


@pytest.mark.parametrize(
    ("step", "finding", "cause"),
    [
        ("replace_bushing", "worn", "internal_bushing"),
        ("inspect_wiring", "damaged", "wiring"),
        ("repair_wiring", "corroded", "wiring"),
        ("replace_sensor", "broken", "position_sensor"),
    ],
)
def test_findings_confirm_causes(family: FaultFamily, step: str, finding: str, cause: str) -> None:
    assert family.step(step).confirms[finding] == cause
    assert "no_fault_found" not in family.step(step).confirms


# ------------------------------------------------------------------ figures


def test_windows_and_voltage_are_the_known_defaults(family: FaultFamily) -> None:
    windows, voltage = family.windows, family.voltage
    assert windows.calibration_return_hours == 100.0
    assert windows.confirmation_hours == 500.0
    assert voltage is not None
    assert (voltage.target, voltage.tolerance, voltage.unit) == (2.0, 0.10, "V")
    assert voltage.quantity == "sensor_neutral_voltage"
    assert voltage.sources["target"] == COMMON_PRACTICE
    assert windows.source == voltage.source == "from memory, default"


def test_the_old_bushing_is_the_usual_cause_and_the_sensor_very_rare(family: FaultFamily) -> None:
    prior = {cause.name: cause.prior_for("original") for cause in family.causes}
    assert prior["internal_bushing"] > 0.5 * sum(prior.values())
    assert prior["position_sensor"] < 0.03 * sum(prior.values())
    assert family.cause("internal_bushing").prior_for("improved") < prior["wiring"]
    assert family.cause("internal_bushing").prior_for("never heard of") == family.cause(
        "internal_bushing"
    ).prior_for("")


def test_the_improved_bushing_wears_far_less_at_every_age(family: FaultFamily) -> None:
    old, new = family.hazard("internal_bushing", "original"), family.hazard("internal_bushing", "improved")
    for age in (500.0, 2000.0, 5000.0, 9000.0):
        assert new.per_hour(age) < old.per_hour(age) / 5.0
    assert old.per_hour(4000.0) > old.per_hour(1000.0)  # it wears


def test_a_weibull_hazard_worked_by_hand(family: FaultFamily) -> None:
    old = family.hazard("internal_bushing", "original")
    assert (old.shape, old.scale_hours) == (2.5, 6000.0)
    # 2.5 / 6000 * (4000 / 6000) ** 1.5 = 2.5 / 6000 * 0.5443310539518174
    assert old.per_hour(4000.0) == pytest.approx(2.5 / 6000 * 0.5443310539518174, rel=1e-14)


# ------------------------------------------------------------------ check values of whole cases


def test_old_bushing_wiring_good_calibration_failed(family: FaultFamily) -> None:
    seen = [("inspect_wiring", "passed"), ("calibrate_pump", "failed")]
    causes = posterior(family, "original", 4000.0, seen)
    assert causes["internal_bushing"] > 0.9
    assert causes["position_sensor"] < 0.05
    assert sum(causes.values()) == pytest.approx(1.0, abs=1e-12)


def test_the_same_with_the_sensor_replaced_in_vain(family: FaultFamily) -> None:
    seen = [("inspect_wiring", "passed"), ("calibrate_pump", "failed")]
    causes = posterior(family, "original", 4000.0, seen, [("replace_sensor", BACK, 500.0)])
    assert causes["position_sensor"] < 0.01
    assert causes["internal_bushing"] > 0.9


def test_improved_bushing_low_voltage_speaks_for_wiring_or_sensor(family: FaultFamily) -> None:
    seen = [("failure_mode", "electrical"), ("voltage", "near_zero_or_supply")]
    causes = posterior(family, "improved", 800.0, seen)
    assert max(causes, key=lambda name: causes[name]) in ("wiring", "position_sensor")
    assert causes["internal_bushing"] < 0.2


@pytest.mark.parametrize(
    ("variant", "age"), [("original", 4000.0), ("original", 1500.0), ("improved", 3000.0)]
)
def test_a_calibration_that_held_was_the_cure(family: FaultFamily, variant: str, age: float) -> None:
    causes = posterior(
        family, variant, age, [("calibrate_pump", "passed")], [("calibrate_pump", AWAY, 600.0)]
    )
    assert max(causes, key=lambda name: causes[name]) == "calibration"


def test_a_calibration_that_did_not_hold_speaks_for_the_bushing(family: FaultFamily) -> None:
    before = posterior(family, "original", 4000.0)
    after = posterior(family, "original", 4000.0, [], [("calibrate_pump", BACK, 100.0)])
    assert after["internal_bushing"] > before["internal_bushing"]
    assert after["calibration"] < before["calibration"] / 2.0


def test_harness_chafed_repaired_and_quiet_since(family: FaultFamily) -> None:
    for variant, age in (("original", 4000.0), ("improved", 2000.0)):
        causes = posterior(
            family, variant, age, [("inspect_wiring", "failed")], [("repair_wiring", AWAY, 600.0)]
        )
        assert max(causes, key=lambda name: causes[name]) == "wiring"


@pytest.mark.parametrize(
    ("table", "outcome", "for_it", "against"),
    [  # common practice, no source: which way each observation points
        ("failure_mode", "electrical", "wiring", "internal_bushing"),
        ("failure_mode", "electrical", "position_sensor", "internal_bushing"),
        ("failure_mode", "erratic", "wiring", "internal_bushing"),
        ("failure_mode", "mechanical", "internal_bushing", "wiring"),
        ("failure_mode", "mechanical", "servo_or_rotating_group", "position_sensor"),
        ("failure_mode", "calibration", "calibration", "internal_bushing"),
        ("voltage", "wanders", "internal_bushing", "calibration"),
        ("voltage", "cannot_be_centred", "internal_bushing", "calibration"),
        ("voltage", "steady_offset", "calibration", "internal_bushing"),
        ("voltage", "near_zero_or_supply", "wiring", "internal_bushing"),
        ("voltage", "near_zero_or_supply", "position_sensor", "calibration"),
        ("sides", "both", "wiring", "internal_bushing"),
        ("sides", "both", "calibration", "internal_bushing"),
        ("calibrate_pump", "failed", "internal_bushing", "calibration"),
        ("inspect_wiring", "failed", "wiring", "internal_bushing"),
    ],
)
def test_evidence_points_the_way_the_trade_says(
    family: FaultFamily, table: str, outcome: str, for_it: str, against: str
) -> None:
    evidence = family.evidence_table(table)
    assert evidence is not None
    assert evidence.probability(outcome, for_it) > 1.5 * evidence.probability(outcome, against)


def test_erratic_speaks_for_a_potentiometer_more_than_for_a_contactless_sensor(family: FaultFamily) -> None:
    evidence = family.evidence_table("failure_mode")
    assert evidence is not None
    assert evidence.probability("erratic", "position_sensor", "potentiometer") > evidence.probability(
        "erratic", "position_sensor", "hall_effect"
    )
    assert evidence.probability("erratic", "position_sensor", "no such variant") == evidence.probability(
        "erratic", "position_sensor"
    )


def test_an_unlisted_failure_mode_is_other_and_no_failure_mode_says_nothing(family: FaultFamily) -> None:
    evidence = family.evidence_table("failure_mode")
    voltage = family.evidence_table("voltage")
    assert evidence is not None
    assert voltage is not None
    assert evidence.outcome("communication") == "other"
    assert evidence.outcome("electrical") == "electrical"
    assert evidence.outcome("") == ""
    assert voltage.outcome("something else") == ""


def test_chance_back_worked_by_hand(family: FaultFamily) -> None:
    # cured with 0.97 (back only by chance, mean 8000 h), else back after an exponential time with mean 60 h
    expected = 0.03 * (1.0 - math.exp(-100.0 / 60.0)) + 0.97 * (1.0 - math.exp(-100.0 / 8000.0))
    chance = family.chance_back(family.step("replace_bushing"), "internal_bushing", 100.0)
    assert chance == pytest.approx(expected, rel=1e-12)


# ------------------------------------------------------------------ cautions


@pytest.mark.parametrize(
    "word",
    [
        "service manual",
        "local codes",
        "licensed",
        "lift arms",
        "lock out and tag out",
        "take the key",
        "pressure",
        "surgeon",
        "rated",
        "under",
        "off the ground",
        "clear",
        "hot",
        "local law",
    ],
)
def test_the_cautions_say_what_can_hurt(family: FaultFamily, word: str) -> None:
    assert word in " ".join(family.cautions)


def test_no_text_calls_a_machine_safe_or_gives_a_pressure_or_torque(family: FaultFamily) -> None:
    words = " ".join((*family.cautions, *(note for step in family.steps for note in step.notes))).lower()
    for banned in (" is safe", "safe to ", " bar ", " psi", "n·m", " nm ", "ft-lb"):
        assert banned not in words


def test_every_step_on_the_pump_shows_the_cautions(family: FaultFamily) -> None:
    for step in family.steps:
        if step.component in ("drive_pump", "internal_bushing", "rotating_group", "position_sensor"):
            assert step.cautions, step.name
