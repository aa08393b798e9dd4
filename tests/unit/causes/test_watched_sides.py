"""Signs before a case, and months of build that stand out, in yards laid out by hand."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
from yard import FIRST_DAY, Yard, loaded

from fleetlog.belief.weighing import weighed_now
from fleetlog.causes.rules import WATCH
from fleetlog.causes.suspects import suspects
from fleetlog.causes.watched_sides import SIGNS, WatchedSides
from fleetlog.session.fleet import Fleet
from fleetlog.session.scope import Scope

VOLTAGE = list(SIGNS).index("voltage")


def machines(number: int, days: int, **told: list[str]) -> dict[str, list[dict[str, Any]]]:
    """So many machines that run from 1,000 h on ten hours a day."""
    tables: dict[str, list[dict[str, Any]]] = {"machines": [], "meter_readings": []}
    for i in range(number):
        one = Yard(1000, "2019-05-01", days)
        for kind, rows in one.tables.items():
            more = {name: values[i] for name, values in told.items()} if kind == "machines" else {}
            tables[kind] += [row | {"machine_id": f"M{i:02d}"} | more for row in rows]
    return tables


def code(i: int, day: float) -> dict[str, Any]:
    return Yard(0).code(day).tables["fault_codes"][0] | {"machine_id": f"M{i:02d}"}


def voltage(i: int, day: float, value: float) -> dict[str, Any]:
    return Yard(0).voltage(day, value).tables["measurements"][0] | {"machine_id": f"M{i:02d}"}


@pytest.fixture(scope="module")
def telling(tmp_path_factory: pytest.TempPathFactory) -> Any:
    """60 machines, 2,500 h: stretches begin at 1,500 and 2,000 h. A voltage off its target announces a case.

    20 sides show it before 1,500 h and all get a case at 1,700 h, which is under way at 2,000 h; 20 others show it
    at 1,950 h, of which 16 get a case at 2,200 h; one shows it at 2,450 h.
    """
    tables = machines(60, 150)
    early, late = range(20), range(20, 40)
    tables["measurements"] = [
        *(voltage(i, 40, 2.4) for i in early),
        *(voltage(i, 95, 2.4) for i in late),
        voltage(40, 145, 2.4),
        voltage(41, 145, 2.0),
    ]
    tables["fault_codes"] = [*(code(i, 70) for i in early), *(code(i, 120) for i in late if i >= 24)]
    with loaded(tmp_path_factory.mktemp("telling"), tables) as fleet:
        yield fleet


def watched_on(fleet: Fleet, day: date | None) -> WatchedSides:
    history, family = fleet.begin(Scope(as_of=day))
    return WatchedSides.of(fleet, history, weighed_now(fleet, history, family), Scope(as_of=day), WATCH)


def test_the_past_is_counted_as_by_hand(telling: Fleet) -> None:
    learnt = watched_on(telling, None).learnt
    assert (learnt.stretches[VOLTAGE], learnt.events[VOLTAGE]) == (40, 36)
    assert (learnt.other_stretches[VOLTAGE], learnt.other_events[VOLTAGE]) == (2 * 120 - 20 - 40, 0)
    assert learnt.helps.tolist() == [name == "voltage" for name in SIGNS]


def test_a_side_with_a_sign_that_told_is_watched_and_says_from_what(telling: Fleet) -> None:
    answer = suspects(telling)
    watched = {case.machine_id: case for case in answer.cases if case.standing is None}
    assert sorted(watched) == ["M20", "M21", "M22", "M23", "M40"]
    note = watched["M40"].note
    assert "of 40 stretches of 500 h that began so 36 had a case, of the others 0 in 100" in note
    assert "A case within 500 h has a chance of" in note
    assert watched["M40"].next_step.startswith("Watch (a case within 500 h: ")
    assert watched["M40"].side == "left"
    assert any("raise a side's chance: the measured voltage off" in text for text in answer.notes)
    assert answer.frame.filter(machine_id="M40")["p_internal_bushing"].to_list() == [None]


def test_what_came_later_is_not_known_before(telling: Fleet) -> None:
    """On the day of 2,010 h one stretch of each side has gone by: nothing is there to test it on."""
    sides = watched_on(telling, FIRST_DAY + timedelta(days=101))
    assert (sides.learnt.stretches[VOLTAGE], sides.learnt.events[VOLTAGE]) == (20, 20)
    assert sides.learnt.other_events[VOLTAGE] == 0
    assert not sides.learnt.helps.any()
    assert sides.signs[:, VOLTAGE].sum() == 40


def test_a_fleet_of_one_raises_no_chance(tmp_path: Path) -> None:
    with Yard(1000, days=120).voltage(100, 2.4).fleet(tmp_path) as fleet:
        assert suspects(fleet).cases == ()


@pytest.mark.parametrize("bad", [True, False])
def test_months_of_build_that_stand_out_are_told(tmp_path: Path, bad: bool) -> None:
    months = [f"{2017 + i // 12}-{i % 12 + 1:02d}" for i in range(60)]
    tables = machines(60, 150, make=["Quernmoor"] * 60, build_date=months)
    batch = range(24, 32)
    others = [i for i in range(0, 60, 6) if i not in batch]
    tables["fault_codes"] = [*(code(i, 60 + i) for i in others), *(code(i, 20 + i) for i in batch if bad)]
    with loaded(tmp_path, tables) as fleet:
        told = [note for note in suspects(fleet).notes if note.startswith("Built")]
    assert len(told) == bad
    if bad:
        assert told[0].startswith("Built 2019-01 to 2019-08, Quernmoor")
        assert "8 of 8 machines" in told[0]
