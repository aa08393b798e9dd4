"""The list of suspects: what to do, what it costs, both sides of a pump, and who is only watched."""

from __future__ import annotations

import json
import math
from datetime import date
from pathlib import Path

import numpy as np
import pytest
from yard import FIRST_DAY, Yard

from fleetlog.causes.repair_plan import RepairPlan
from fleetlog.causes.rules import WatchRules
from fleetlog.causes.suspects import suspects, suspects_then
from fleetlog.session.fleet import Fleet
from fleetlog.session.scope import Scope

RATES = "[costs]\nlabour_rate = 100.0\ndowntime_per_day = 0.0\n"


def worn(yard: Yard, side: str = "left") -> Yard:
    """Wiring good, calibrated, back within 30 hours."""
    yard.code(100, fmi=7, side=side)
    yard.work(101, ("wiring", "inspect", "passed"), ("drive_pump", "calibrate", "passed"), side=side)
    return yard.code(104, fmi=7, side=side)


# ------------------------------------------------------------------ the demo fleet, whose truth is known


def test_the_demo_fleets_open_cases_are_told_apart(demo: Fleet) -> None:
    """What it really is stands in demo_data/README.md."""
    found = suspects(demo)
    told = {(case.machine_id, case.side): case for case in found.cases if case.state == "open"}
    bushings = [("37", "left"), ("64", "left"), ("58", "right"), ("133", "right"), ("96", "left")]
    for unit in bushings:
        assert told[unit].top_cause == "internal_bushing"
        assert told[unit].certainty > 0.9
    assert told["152", "right"].top_cause == "wiring"
    assert told["122", "right"].top_cause == "wiring"
    assert told["189", "right"].top_cause == "servo_or_rotating_group"
    assert told["117", "left"].top_cause == told["117", "right"].top_cause == "calibration"


def test_the_demo_fleets_wandering_voltages_are_watched(demo: Fleet) -> None:
    watched = {(c.machine_id, c.side): c for c in suspects(demo).cases if c.state == "watch"}
    for unit in (("29", "left"), ("51", "right"), ("69", "right")):
        assert watched[unit].top_cause == "internal_bushing"
        assert any("wanders" in reason.evidence for reason in watched[unit].reasons)
        assert watched[unit].since is not None


def test_every_row_is_consistent(demo: Fleet) -> None:
    found = suspects(demo)
    assert found.cases
    for case in found.cases:
        assert math.fsum(case.causes.values()) == pytest.approx(1.0, abs=1e-9)
        assert case.certainty == max(case.causes.values())
        odds = math.log(case.certainty / (1.0 - case.certainty))
        assert math.fsum(reason.weight for reason in case.reasons) == pytest.approx(odds, abs=1e-9)
        if case.state == "open":
            assert case.expected_cost is not None
            assert case.custom_cost is not None
            assert 0 < case.expected_cost <= case.custom_cost * (1 + 1e-12)
    rows = json.loads(json.dumps(found.to_dict()))["rows"]
    keys = {"machine_id", "side", "state", "since", "age_hours", "variant", "causes", "top_cause"}
    assert keys | {"next_step", "expected_cost", "reasons"} <= set(rows[0])


def test_a_part_of_the_fleet_is_judged_by_what_the_whole_has_taught(demo: Fleet) -> None:
    """To the last digit: one machine asked alone comes out as in the whole list."""
    whole = {(c.machine_id, c.side): c for c in suspects(demo).cases}
    for machine in ("64", "152"):
        for case in suspects(demo, Scope(machines=(machine,))).cases:
            assert case == whole[case.machine_id, case.side]
    sites = suspects(demo, Scope(sites=("Tolbeck",))).cases
    assert sites
    assert all(case.site == "Tolbeck" for case in sites)


def test_cautions_come_with_work_on_the_pump(demo: Fleet) -> None:
    found = suspects(demo)
    opens = [case for case in found.cases if "split the pump" in case.next_step]
    assert opens
    assert all(case.cautions for case in opens)
    assert found.to_dict()["cautions"] == list(found.safety.cautions)


@pytest.mark.parametrize("fault", ["oil-overheating", "start-interlock"])
def test_other_families_need_no_code(demo: Fleet, fault: str) -> None:
    found = suspects(demo, Scope(fault=fault))
    assert found.fault == fault
    assert json.dumps(found.to_dict())


# ------------------------------------------------------------------ what to do next


def test_a_cheap_look_comes_before_a_dear_repair(tmp_path: Path) -> None:
    """Code of yesterday, nothing done: an old pump may well be worn, but the harness is looked at first."""
    with Yard(1000, "2021-05-01", days=101).code(100, fmi=4).fleet(tmp_path, RATES) as fleet:
        case = suspects(fleet).cases[0]
    assert case.next_step == "Inspect wiring, connectors and grounds"


def test_an_inspection_that_was_good_is_not_repeated_nor_its_repair_tried(tmp_path: Path) -> None:
    with worn(Yard(3000)).fleet(tmp_path, RATES) as fleet:
        case = suspects(fleet).cases[0]
    assert case.next_step.startswith("Take the engine out, split the pump")
    assert case.cautions


def next_steps(folder: Path, yard: Yard, settings: str = RATES) -> list[str]:
    with yard.fleet(folder, settings) as fleet:
        return [case.next_step for case in suspects(fleet).cases]


LOOKED, CALIBRATED = ("wiring", "inspect", "passed"), ("drive_pump", "calibrate", "failed")


def test_no_pump_is_opened_before_the_wiring_is_looked_at_and_the_pump_calibrated(tmp_path: Path) -> None:
    """An old pump whose voltage wanders: beyond doubt, and all the same in the order of the trade."""

    def told(folder: str, *work: tuple[str, str, str]) -> str:
        yard = Yard(6000).code(100, fmi=7).voltage(100.1, 2.4).voltage(100.2, 1.6).work(101, *work)
        (told,) = next_steps(tmp_path / folder, yard.code(104, fmi=7))
        return told

    assert told("centred", ("position_sensor", "adjust", "failed")) in (
        "Inspect wiring, connectors and grounds",
        "Calibrate the pump",
    )
    assert told("looked", LOOKED) == "Calibrate the pump"
    assert told("calibrated", CALIBRATED) == "Inspect wiring, connectors and grounds"
    assert told("tested", ("wiring", "test", "passed"), CALIBRATED).startswith("Take the engine out")
    assert told("both", LOOKED, CALIBRATED).startswith("Take the engine out, split the pump")


@pytest.mark.parametrize("fault", ["neutral-return", "oil-overheating", "start-interlock"])
def test_the_rails_of_a_family_hold_in_all_that_its_plan_may_do(demo: Fleet, fault: str) -> None:
    """Whatever has been tried and shown on the way, for a case without a record of any work."""
    family = demo.family(fault)
    plan = RepairPlan.of(family, demo.settings)
    everything = np.ones(len(plan.deeds), dtype=bool)
    tree = plan.steps.tree(everything, np.zeros(len(plan.steps.rails), dtype=bool))
    taken = [{plan.names[n] for n in np.flatnonzero(row)} for row in tree.taken]
    done = 0
    for action in tree.actions:
        for step in [deed.step for deed in (plan.deeds[member] for member in action.members) if deed.step]:
            for state in action.at:
                done += 1
                assert set(step.only_after) <= taken[state]
                assert not step.only_after_any or set(step.only_after_any) & taken[state]
                assert not step.after_result or any(
                    one.name in taken[state]
                    for one in family.steps
                    if step.after in (one.name, one.deeper_than)
                )
    assert done > 1000


def test_a_pump_is_opened_for_what_is_likely_inside(tmp_path: Path) -> None:
    """The likeliest first, and no more of a cause whose part has been renewed in this case than any other."""
    pump = "Take the engine out, split the pump and put right what is found. Look for: "
    (worn_out,) = next_steps(tmp_path / "old", worn(Yard(5000)))
    young = Yard(900, "2021-05-01").code(100, fmi=7)
    young.work(101, LOOKED, CALIBRATED, ("position_sensor", "adjust", "passed")).code(104, fmi=7).voltage(
        105, 2
    )
    young.work(106, ("internal_bushing", "replace", "no_fault_found")).code(108, fmi=7)
    (other,) = next_steps(tmp_path / "young", young)
    assert worn_out == pump + "worn bushing inside the pump, servo or rotating group"
    assert other == pump + "servo or rotating group, worn bushing inside the pump"


def test_a_harness_that_passed_is_gone_through_again_before_a_sensor_is_swapped(tmp_path: Path) -> None:
    """Electrical codes, a voltage at zero, all found good: the deeper look is next, not the sensor or a new pump."""
    yard = Yard(900, "2021-05-01").code(100, fmi=4).voltage(100.5, 0.1)
    yard.work(101, LOOKED, ("drive_pump", "calibrate", "passed")).code(104, fmi=4)
    yard.work(105, ("position_sensor", "adjust", "passed")).code(107, fmi=4)
    assert next_steps(tmp_path / "looked", yard) == [
        "Test the harness once more, under load, while it is moved"
    ]
    yard.work(108, ("wiring", "test", "failed")).code(109, fmi=4)
    assert next_steps(tmp_path / "found", yard) == ["Repair the harness, connector or ground"]


def test_looks_and_calibrations_of_both_sides_are_one_visit(tmp_path: Path) -> None:
    for fmi, step in ((4, "Inspect wiring, connectors and grounds"), (13, "Calibrate the pump")):
        both = Yard(900, "2021-05-01").code(100, fmi=fmi).code(100, fmi=fmi, side="right")
        assert next_steps(tmp_path / str(fmi), both) == [f"{step}, on both sides at once"] * 2


def test_costs_follow_the_settings(tmp_path: Path) -> None:
    """Twice the labour rate, no downtime: twice the labour's part of the cost."""
    with worn(Yard(3000)).fleet(tmp_path / "one", RATES) as fleet:
        one = suspects(fleet).cases[0]
        plan = RepairPlan.of(fleet.family("neutral-return"), fleet.settings)
    with worn(Yard(3000)).fleet(tmp_path / "two", RATES.replace("100.0", "200.0")) as fleet:
        two = suspects(fleet).cases[0]
    assert one.expected_cost is not None
    assert two.expected_cost is not None
    step = plan.names.index("replace_bushing")
    shared = plan.deeds[step].shared_hours
    assert one.expected_cost > (plan.labour[step] + shared) * 100.0
    assert 1.8 * one.expected_cost < two.expected_cost < 2.0 * one.expected_cost


def test_a_standing_day_costs_what_the_machine_is_rented_out_for(tmp_path: Path) -> None:
    """Unless the settings say what a day costs."""
    plain = worn(Yard(3000)).add("rentals", machine_id="A", out_at=worn(Yard(0)).at(20), day_rate=900)
    fixed = worn(Yard(3000)).add("rentals", machine_id="A", out_at=worn(Yard(0)).at(20), day_rate=900)
    with plain.fleet(tmp_path / "rented", "[costs]\nlabour_rate = 100.0\n") as fleet:
        rented = suspects(fleet).cases[0].expected_cost
    with fixed.fleet(tmp_path / "fixed", RATES) as fleet:
        stated = suspects(fleet).cases[0].expected_cost
    assert rented is not None
    assert stated is not None
    assert rented - stated > 13.5 / 8 * 900 * 0.9


def test_both_sides_of_one_pump_are_done_in_one_opening(tmp_path: Path) -> None:
    yard = worn(worn(Yard(4000), "left"), "right")
    with yard.fleet(tmp_path / "both", RATES) as fleet:
        both = suspects(fleet).cases
        shared = fleet.family("neutral-return").openings[0].labour_hours
    with worn(Yard(4000)).fleet(tmp_path / "alone", RATES) as fleet:
        alone = suspects(fleet).cases[0]
    assert [case.side for case in both] == ["left", "right"]
    assert all(case.next_step.endswith("on both sides at once") for case in both)
    together = sum(case.expected_cost or 0.0 for case in both)
    assert alone.expected_cost is not None
    assert together < 2 * alone.expected_cost - 0.8 * shared * 100.0
    assert together > alone.expected_cost


def test_a_worn_side_without_a_case_is_done_while_the_pump_is_open(tmp_path: Path) -> None:
    with worn(Yard(5000)).fleet(tmp_path / "old", RATES) as fleet:
        assert "do the right side too" in suspects(fleet).cases[0].note
    young = worn(Yard(500, "2021-05-01"))
    with young.fleet(tmp_path / "young", RATES) as fleet:
        assert "too" not in suspects(fleet).cases[0].note


# ------------------------------------------------------------------ the watch list


def test_a_repair_that_misses_the_likely_cause_is_work(tmp_path: Path) -> None:
    yard = worn(Yard(3000, days=107)).work(106, ("position_sensor", "replace"))
    with yard.fleet(tmp_path) as fleet:
        answer = suspects(fleet)
        case = answer.cases[0]
        assert case.state == "open"
        assert case.repaired
        assert case.standing is not None
        assert case.standing > 0.6
        assert "likely still there" in case.note
        assert answer.safety.holds[0].why == "probably still broken after a repair"
        (watched,) = suspects(
            fleet, rules=WatchRules(standing=1.0)
        ).cases  # doubtful: listed, and still on hold
        assert (watched.state, watched.on_hold) == ("watch", True)
        assert "likely still there" in watched.note
        assert suspects(fleet, rules=WatchRules(standing=1.0, doubt=1.0)).cases == ()


def test_silence_speaks_for_a_repair_that_nobody_wrote_down(tmp_path: Path) -> None:
    """300 hours read without a code, where a standing fault shows every 60 or so: asked about, still on hold."""
    with Yard(3000, days=102).code(100, fmi=7).fleet(tmp_path / "now") as fleet:
        (now,) = suspects(fleet).cases
    with Yard(3000, days=145).code(100, fmi=7).fleet(tmp_path / "later") as fleet:
        answer = suspects(fleet)
        (later,) = answer.cases
        assert [hold.machine_id for hold in answer.safety.holds] == ["A"]
    assert (now.state, later.state) == ("open", "watch")
    assert now.standing is not None
    assert now.standing > 0.9
    assert later.standing is not None
    assert later.standing < 0.3
    assert later.next_step.startswith("Ask what was done since 2024-04-10")
    assert "No repair is on record, but" in later.note


def test_an_order_of_unknown_content_is_a_possible_repair(tmp_path: Path) -> None:
    def standing(folder: str, *, blank: bool) -> float:
        yard = Yard(3000, days=112).code(100, fmi=7)
        if blank:
            yard.add(
                "work_orders",
                work_order_id="W9",
                machine_id="A",
                opened_at=yard.at(101),
                closed_at=yard.at(102),
            )
        with yard.fleet(tmp_path / folder) as fleet:
            (case,) = suspects(fleet).cases
        assert case.standing is not None
        return case.standing

    assert standing("blank", blank=True) < standing("none", blank=False) - 0.2


def test_hours_that_nobody_read_say_nothing(tmp_path: Path) -> None:
    """The last reading was on the day of the code: the days since are no proof of silence."""
    yard = Yard(3000, days=100).code(99.5, fmi=7)
    yard.add("machines", machine_id="B", machine_type="skid_steer_loader", build_date="2020-01-01")
    yard.add("meter_readings", machine_id="B", read_at=yard.at(190), hours=10, source="manual")
    with yard.fleet(tmp_path) as fleet:
        (case,) = suspects(fleet).cases
    assert case.state == "open"
    assert case.standing is not None
    assert case.standing > 0.9


def test_a_voltage_that_wanders_is_watched_though_no_code_has_come(tmp_path: Path) -> None:
    yard = Yard(4000, days=120)
    for day, value in ((30, 1.98), (60, 2.14), (100, 1.91)):
        yard.voltage(day, value)
    with yard.fleet(tmp_path) as fleet:
        (case,) = suspects(fleet).cases
    assert (case.machine_id, case.side, case.state) == ("A", "left", "watch")
    assert "wander" in case.note
    assert case.since == date.fromordinal(FIRST_DAY.toordinal() + 30)


def test_an_adjustment_between_readings_is_no_drift(tmp_path: Path) -> None:
    yard = Yard(1000, "2021-05-01", days=200).voltage(20, 2.3).voltage(20.5, 2.3).code(20.6)
    yard.work(21, ("position_sensor", "adjust", "passed")).voltage(40, 2.0).voltage(90, 2.01).voltage(
        120, 1.99
    )
    with yard.fleet(tmp_path) as fleet:
        assert suspects(fleet).cases == ()


def test_age_alone_watches_nothing(tmp_path: Path) -> None:
    """How old parts are is the forecast's and the plan's: nothing shows that something is wrong."""
    with Yard(9000, days=60).fleet(tmp_path) as fleet:
        assert suspects(fleet).cases == ()


def test_the_watch_list_is_cut_and_says_so(tmp_path: Path) -> None:
    yard = Yard(4000, days=120)
    for day, value in ((30, 1.98), (60, 2.14), (100, 1.91)):
        yard.voltage(day, value).voltage(day, value, side="right")
    with yard.fleet(tmp_path) as fleet:
        found = suspects(fleet, rules=WatchRules(most=1))
    assert len(found.cases) == 1
    assert any("first 1 of 2" in note for note in found.notes)


def test_everything_tried_in_vain_is_said(tmp_path: Path) -> None:
    yard = worn(Yard(3000, days=130))
    cures = [
        ("position_sensor", "adjust"),
        ("position_sensor", "replace"),
        ("internal_bushing", "replace"),
        ("rotating_group", "overhaul"),
        ("drive_pump", "replace"),
    ]
    for number, cure in enumerate(cures):
        yard.work(105 + 3 * number, cure).code(106 + 3 * number, fmi=7)
    with yard.fleet(tmp_path) as fleet:
        case = suspects(fleet).cases[0]
    assert "maker's service" in case.next_step
    assert case.expected_cost is not None
    assert np.isfinite(case.expected_cost)


# ------------------------------------------------------------------ the same digits


def test_threads_do_not_move_a_digit(demo: Fleet) -> None:
    answers = []
    for threads in (1, 2):
        demo.store.execute("SET threads = " + str(threads))
        demo.history(date(2024, 6, 30))  # builds anew
        demo.history(None)
        answers.append(suspects(demo).to_dict())
    assert answers[0] == answers[1]


def test_the_order_of_rows_does_not_matter(tmp_path: Path) -> None:
    def written() -> Yard:
        yard = worn(worn(Yard(4000), "left"), "right").voltage(102, 2.3).voltage(104.5, 1.8)
        return (
            yard.work(105, ("position_sensor", "replace", "no_fault_found"))
            .code(108, fmi=7)
            .code(108.1, fmi=2)
        )

    with written().fleet(tmp_path / "one", RATES) as fleet:
        expected = suspects(fleet).to_dict()
    turned = written()
    turned.tables = {kind: rows[::-1] for kind, rows in turned.tables.items()}
    with turned.fleet(tmp_path / "two", RATES) as fleet:
        assert suspects(fleet).to_dict() == expected


def test_the_cases_of_an_earlier_day_are_those_that_suspects_told_then(demo: Fleet) -> None:
    then = Scope(as_of=date(2026, 5, 31))
    told, held_against = suspects(demo, then), suspects_then(demo, then)
    assert held_against.cases == told.cases
    assert held_against.frame.equals(told.frame)  # with hold and cautions in every row
    assert told.cases
    assert held_against.notes == ()
