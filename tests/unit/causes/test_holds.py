"""A machine that may creep is kept from use: what raises a hold, what ends it, and that nothing goes without it."""

from __future__ import annotations

import csv
import io
import json
from datetime import date
from pathlib import Path

import pytest
from yard import FIRST_DAY, Yard

from fleetlog.causes.suspects import holds, suspects
from fleetlog.causes.unit import unit
from fleetlog.errors import UsageError
from fleetlog.planning.plan import plan
from fleetlog.session.fleet import Fleet
from fleetlog.session.scope import WHOLE_FLEET, Scope

ITEMS = ("neutral_held", "brake_holds", "area_cleared", "qualified_person")


def released(yard: Yard, day: float, failed: str = "", items: tuple[str, ...] = ITEMS) -> Yard:
    for item in items:
        result = "failed" if item == failed else "passed"
        yard.add("release_checks", machine_id="A", checked_at=yard.at(day), item=item, result=result)
    return yard


def sides_on_hold(fleet: Fleet) -> list[tuple[str, ...]]:
    return [hold.sides for hold in holds(fleet).safety.holds]


def test_an_open_case_is_a_hold(tmp_path: Path) -> None:
    with Yard(3000).code(100, fmi=7).fleet(tmp_path) as fleet:
        (hold,) = holds(fleet).safety.holds
        first = suspects(fleet).safety.first_lines()[0]
    assert (hold.machine_id, hold.sides) == ("A", ("left",))
    assert hold.since == date(2024, 4, 10)
    assert hold.rental == ""
    assert first.startswith("HOLD: Keep from use and rental until a qualified person has checked it")


def test_a_rented_machine_is_called_back(tmp_path: Path) -> None:
    yard = Yard(3000).code(100, fmi=7)
    yard.add("rentals", machine_id="A", out_at=yard.at(95), in_at="", day_rate=200)
    with yard.fleet(tmp_path) as fleet:
        (hold,) = holds(fleet).safety.holds
    assert "call back" in hold.sentence
    assert hold.on_rent_since == date(2024, 4, 5)


def test_a_rental_that_is_over_calls_nobody_back(tmp_path: Path) -> None:
    yard = Yard(3000).code(100, fmi=7)
    yard.add("rentals", machine_id="A", out_at=yard.at(80), in_at=yard.at(90), day_rate=200)
    with yard.fleet(tmp_path) as fleet:
        (hold,) = holds(fleet).safety.holds
    assert hold.rental == ""


@pytest.mark.parametrize(
    ("words", "raises"),
    [
        ("Machine creeps forward with levers let go", True),
        ("slow to stop when lever released", True),
        ("drive feels lazy to stop", True),
        ("operator says it won't stop straight away", True),
        ("no creeping any more", False),
        ("boom creeps down", False),
        ("alarm beeps, will not stop", False),
        ("oil change", False),
    ],
)
def test_words_of_creeping_raise_a_hold(tmp_path: Path, words: str, raises: bool) -> None:
    yard = Yard(3000)
    yard.add("work_orders", work_order_id="W9", machine_id="A", opened_at=yard.at(100), complaint=words)
    with yard.fleet(tmp_path) as fleet:
        standing = holds(fleet).safety.holds
    assert bool(standing) is raises
    if raises:
        assert "W9" in standing[0].why


def test_a_release_check_ends_the_hold_and_a_new_code_puts_it_back(tmp_path: Path) -> None:
    with released(Yard(3000).code(100, fmi=7), 102).fleet(tmp_path / "one") as fleet:
        assert sides_on_hold(fleet) == []
        assert [case.state for case in suspects(fleet).cases] == ["open"]  # the case is not cured by it
    with released(Yard(3000).code(100, fmi=7), 102).code(104, fmi=7).fleet(tmp_path / "two") as fleet:
        assert sides_on_hold(fleet) == [("left",)]


@pytest.mark.parametrize("wrong", ["failed item", "missing item", "too early"])
def test_half_a_release_check_ends_nothing(tmp_path: Path, wrong: str) -> None:
    yard = Yard(3000).code(100, fmi=7)
    if wrong == "failed item":
        released(yard, 102, failed="brake_holds")
    elif wrong == "missing item":
        released(yard, 102, items=ITEMS[:3])
    else:
        released(yard, 98)
    with yard.fleet(tmp_path) as fleet:
        assert sides_on_hold(fleet) == [("left",)]


def test_silence_is_no_release(tmp_path: Path) -> None:
    """A machine that nobody has heard of is listed as such; others' records go on."""
    yard = Yard(3000, days=20)
    yard.add("machines", machine_id="B", machine_type="skid_steer_loader", build_date="2020-01-01")
    yard.add("meter_readings", machine_id="B", read_at=yard.at(300), hours=10, source="manual")
    with yard.fleet(tmp_path) as fleet:
        safety = suspects(fleet).safety
        late = suspects(fleet, Scope(as_of=date(2025, 3, 1))).safety
    assert [(one.machine_id, one.last_heard) for one in safety.silent] == [("A", date(2024, 1, 21))]
    assert "RECORDS END 2024-10-27" in late.records_sentence


def test_a_case_that_fell_silent_stays_on_hold(tmp_path: Path) -> None:
    """Nobody said that it is over: the machine is on hold and not heard of, its case neither open nor closed."""
    yard = Yard(3000, days=20).code(15, fmi=7)
    yard.add("machines", machine_id="B", machine_type="skid_steer_loader", build_date="2020-01-01")
    yard.add("meter_readings", machine_id="B", read_at=yard.at(300), hours=10, source="manual")
    with yard.fleet(tmp_path) as fleet:
        answer = suspects(fleet)
        (hold,) = answer.safety.holds
        assert fleet.store.run("holds/silent_case", fault="neutral-return").height == 1
    assert answer.cases == ()
    assert hold.silent
    assert hold.why == "case open when last heard of"
    assert "not heard of since 2024-01-21" in hold.sentence


def test_a_failed_repair_releases_no_silent_machine(tmp_path: Path) -> None:
    yard = Yard(3000, days=20).code(15, fmi=7).work(16, ("drive_pump", "calibrate", "failed"))
    yard.add("machines", machine_id="B", machine_type="skid_steer_loader", build_date="2020-01-01")
    yard.add("meter_readings", machine_id="B", read_at=yard.at(300), hours=10, source="manual")
    with yard.fleet(tmp_path) as fleet:
        (hold,) = suspects(fleet).safety.holds
    assert hold.why == "case open when last heard of"


def test_a_day_before_the_records_is_refused(tmp_path: Path) -> None:
    with Yard(3000).fleet(tmp_path) as fleet:
        for ask in (suspects, plan, holds):
            with pytest.raises(UsageError, match=f"The records begin {FIRST_DAY}"):
                ask(fleet, Scope(as_of=date(2019, 5, 31)))


def test_answers_that_propose_work_carry_holds_and_cautions(demo: Fleet) -> None:
    """Every form of every answer that names a step: rows of CSV and workbook, JSON, the machine's own story."""
    known = suspects(demo)
    assert known.safety.holds
    held = known.safety.holds[0].machine_id
    story = unit(demo, WHOLE_FLEET, held, known=known)
    weeks = plan(demo, weeks=8, draws=20, known=known)
    assert [hold.machine_id for hold in story.safety.holds] == [held]
    for answer in (known, story, weeks):
        told = answer.to_dict()
        assert told["cautions"] == list(demo.family(answer.fault).cautions)
        assert told["holds"]
        assert told["release_check"]
        assert told["records_end"] == demo.last_day().isoformat() == known.safety.records_end.isoformat()
    for frame in (known.frame, weeks.frame):
        assert frame["cautions"].str.len_chars().min() > 500
        on_hold = frame.filter(frame["machine_id"].is_in([hold.machine_id for hold in known.safety.holds]))
        assert on_hold["hold"].str.starts_with("HOLD: Keep from use").all()
    assert "split the pump" in io.StringIO(known.frame.write_csv()).getvalue()
    assert csv.reader(io.StringIO(known.frame.write_csv()))
    assert json.dumps(known.to_dict())


@pytest.mark.parametrize("fault", ["neutral-return", "oil-overheating", "start-interlock"])
def test_every_family_has_cautions_beside_its_steps(demo: Fleet, fault: str) -> None:
    answer = suspects(demo, Scope(fault=fault))
    if answer.cases:
        assert answer.safety.cautions == demo.family(fault).cautions
        assert all(case.cautions for case in answer.cases)


def test_nothing_is_called_safe(demo: Fleet) -> None:
    for fault in demo.families:
        words = " ".join(
            (*suspects(demo, Scope(fault=fault)).safety.first_lines(), *demo.family(fault).cautions)
        ).lower()
        assert " is safe" not in words
        assert "safe to use" not in words
