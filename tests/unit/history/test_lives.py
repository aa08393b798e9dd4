"""Component lives: inferred parts, replacements, delayed entry, failures and censoring."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from small_fleet import MACHINE, fleet_of, rows
from test_episodes_and_repairs import STEADY, line, order
from trade import SINCE_2017_TOML

BUSHINGS = "spell WHERE component = 'internal_bushing'"
COLUMNS = "side, fit, variant, entry, hours, failed, end_reason"


def lives(
    folder: Path,
    *lines: dict[str, Any],
    machine: dict[str, Any] = MACHINE,
    settings: str = SINCE_2017_TOML,
    **tables: Any,
) -> list[tuple[Any, ...]]:
    orders = [order(name, "2020-03-01") for name in dict.fromkeys(one["work_order_id"] for one in lines)]
    files = {
        "machines": [machine],
        "meter_readings": STEADY,
        "work_orders": orders,
        "work_lines": list(lines),
    }
    given = {kind: rows_ for kind, rows_ in {**files, **tables}.items() if rows_}
    with fleet_of(folder, given, settings) as fleet:
        return rows(fleet, BUSHINGS, COLUMNS)


def test_factory_parts_enter_late(tmp_path: Path) -> None:
    """Built 2016, bought used at 1,000 h: at risk from 1,000 h on, both sides, until records end at 3,130 h."""
    found = lives(tmp_path)
    assert found == [
        ("left", 1, "original", 10000, 31400, False, "records_end"),
        ("right", 1, "original", 10000, 31400, False, "records_end"),
    ]


@pytest.mark.parametrize(
    ("build_date", "variant"),
    [("2017-11", "original"), ("2017-11-30", "original"), ("2017-12", "improved"), ("2018", "improved")],
)
def test_generation_by_build_date(tmp_path: Path, build_date: str, variant: str) -> None:
    """Pumps built from December 2017 on carry the improved bushing (common practice, no source)."""
    found = lives(tmp_path, machine={**MACHINE, "build_date": build_date})
    assert {row[2] for row in found} == {variant}


def test_the_pump_not_the_machine_decides(tmp_path: Path) -> None:
    """A machine of 2018 with a pump of October 2017 (common practice, no source)."""
    pump = {"machine_id": "A", "component": "drive_pump", "built_on": "2017-10", "fitted_on": "2018-01-15"}
    found = lives(tmp_path, machine={**MACHINE, "build_date": "2018-01"}, components=[pump])
    assert {row[2] for row in found} == {"original"}


def test_a_worn_bushing_ends_a_life_and_starts_an_improved_one(tmp_path: Path) -> None:
    done = line("W1", "internal_bushing", "replace", side="left", finding="worn", done_at="2020-03-01T00:00")
    found = lives(tmp_path, done)
    assert found == [
        ("left", 1, "original", 10000, 16000, True, "failed"),
        ("left", 2, "improved", 0, 15400, False, "records_end"),
        ("right", 1, "original", 10000, 31400, False, "records_end"),
    ]


@pytest.mark.parametrize("finding", ["no_fault_found", "", "dirty"])
def test_a_sound_part_replaced_is_censored(tmp_path: Path, finding: str) -> None:
    done = line("W1", "internal_bushing", "replace", side="left", finding=finding, done_at="2020-03-01T00:00")
    assert lives(tmp_path, done)[0][5:] == (False, "replaced")


def test_a_replacement_without_a_side_censors_both(tmp_path: Path) -> None:
    done = line("W1", "internal_bushing", "replace", finding="worn", done_at="2020-03-01T00:00")
    assert [row[4:] for row in lives(tmp_path, done) if row[1] == 1] == [(16000, False, "replaced")] * 2


def test_a_new_pump_starts_new_lives_on_both_sides(tmp_path: Path) -> None:
    done = line("W1", "drive_pump", "replace", finding="worn", done_at="2020-03-01T00:00")
    found = lives(tmp_path, done)
    assert [row[:3] + row[5:] for row in found] == [
        ("left", 1, "original", False, "replaced"),
        ("left", 2, "improved", False, "records_end"),
        ("right", 1, "original", False, "replaced"),
        ("right", 2, "improved", False, "records_end"),
    ]


def test_found_worn_at_an_inspection_ends_the_life_there(tmp_path: Path) -> None:
    seen = line("W1", "internal_bushing", "inspect", side="left", finding="worn", done_at="2020-03-01T00:00")
    done = line("W2", "internal_bushing", "replace", side="left", finding="worn", done_at="2020-04-01T00:00")
    assert lives(tmp_path, seen, done)[0] == ("left", 1, "original", 10000, 16000, True, "failed")


def test_a_fitting_told_twice_is_one_fitting(tmp_path: Path) -> None:
    """By the work line and, two days later, by the parts list."""
    done = line("W1", "internal_bushing", "replace", side="left", finding="worn", done_at="2020-03-01T00:00")
    listed = {
        "machine_id": "A",
        "component": "internal_bushing",
        "side": "left",
        "variant": "improved",
        "fitted_on": "2020-03-03",
    }
    found = lives(tmp_path, done, components=[listed])
    assert [row[1] for row in found if row[0] == "left"] == [1, 2]


def changed(order_id: str, on: str, finding: str = "", component: str = "internal_bushing") -> dict[str, Any]:
    done = {"line_no": int(on[-2:]), "side": "left", "finding": finding, "done_at": f"{on}T00:00"}
    return {**line(order_id, component, "replace"), **done}


ONE, TWO = "one fitting", "a part that lived for days"


@pytest.mark.parametrize(
    ("second", "opened", "told"),
    [
        (changed("W2", "2020-03-05", "broken"), "2020-03-04", TWO),
        (changed("W2", "2020-03-05"), "2020-03-04", TWO),
        (changed("W2", "2020-03-05", "worn"), "2020-02-28", ONE),
        (changed("W2", "2020-03-05", component="drive_pump"), "2020-02-28", ONE),
        (changed("W2", "2020-03-05", "broken"), "2020-02-28", TWO),
        (changed("W1", "2020-03-05", "worn"), "", ONE),
        (changed("W1", "2020-03-05", "broken"), "", TWO),
        (changed("W2", "2020-03-01", "broken"), "2020-03-01", ONE),
    ],
    ids=[
        "failed again under a new order",
        "replaced again under a new order",
        "an order that was open already",
        "the pump by an order that was open already",
        "two open orders, failed in two ways",
        "two lines of one order",
        "two lines of one order, failed in two ways",
        "two orders of one moment",
    ],
)
def test_a_part_that_failed_within_days_stays_beside_a_fitting_told_twice(
    tmp_path: Path, second: dict[str, Any], opened: str, told: str
) -> None:
    orders = [order("W1", "2020-02-25"), order("W2", opened)] if opened else [order("W1", "2020-02-25")]
    found = lives(tmp_path, changed("W1", "2020-03-01", "worn"), second, work_orders=orders)
    left = [row for row in found if row[0] == "left"]
    assert len(left) == (3 if told == TWO else 2)
    assert left[0][:4] + left[0][5:] == ("left", 1, "original", 10000, True, "failed")
    if told == TWO:
        failed = bool(second["finding"])
        assert left[1] == ("left", 2, "improved", 0, 400, failed, "failed" if failed else "replaced")


def test_a_machine_that_did_not_run_between_has_one_fitting(tmp_path: Path) -> None:
    still = [
        {"machine_id": "A", "read_at": f"2020-03-0{day}T00:00", "hours": 1600} for day in (1, 2, 3, 4, 5)
    ]
    orders = [order("W1", "2020-02-25"), order("W2", "2020-03-03")]
    lines = (changed("W1", "2020-03-01", "worn"), changed("W2", "2020-03-05"))
    found = lives(tmp_path, *lines, work_orders=orders, meter_readings=[*STEADY[:60], *still])
    assert [row[1] for row in found if row[0] == "left"] == [1, 2]


def test_a_factory_part_that_failed_in_its_first_days_stays(tmp_path: Path) -> None:
    new = {**MACHINE, "build_date": "2020-01-01", "hours_at_acquisition": "0"}
    since_new = [{**reading, "hours": reading["hours"] - 1000} for reading in STEADY]
    broken = changed("W1", "2020-01-05", "broken")
    found = lives(
        tmp_path, broken, machine=new, work_orders=[order("W1", "2020-01-04")], meter_readings=since_new
    )
    assert [row[1:] for row in found if row[0] == "left"] == [
        (1, "improved", 0, 400, True, "failed"),
        (2, "improved", 0, 21000, False, "records_end"),
    ]


def test_what_the_list_tells_comes_with_the_nearest_order(tmp_path: Path) -> None:
    """Two parts within days, one of which the list has a day before the order and one a day after."""
    listed = [
        {"machine_id": "A", "component": "internal_bushing", "side": "left", "variant": kind, "fitted_on": on}
        for on, kind in (("2020-02-29", "original"), ("2020-03-06", "improved"))
    ]
    orders = [order("W1", "2020-02-25"), order("W2", "2020-03-04")]
    lines = (changed("W1", "2020-03-01", "worn"), changed("W2", "2020-03-05", "broken"))
    found = lives(tmp_path, *lines, components=listed, work_orders=orders)
    assert [row[1:3] + row[5:6] for row in found if row[0] == "left"] == [
        (1, "original", True),
        (2, "original", True),
        (3, "improved", False),
    ]


def test_a_machine_sold_is_censored_when_it_leaves(tmp_path: Path) -> None:
    sold = {**MACHINE, "disposed_on": "2020-06-01"}
    assert {row[6] for row in lives(tmp_path, machine=sold)} == {"disposed"}


def test_a_life_over_before_records_began_is_not_at_risk(tmp_path: Path) -> None:
    earlier = {
        "machine_id": "A",
        "component": "internal_bushing",
        "side": "left",
        "variant": "improved",
        "fitted_on": "2019-06-01",
        "fitted_hours": "600",
    }
    first, second, _ = lives(tmp_path, components=[earlier])
    assert first[3] >= first[4]  # entered at 1,000 h, ended at 600 h: never observed
    assert second == ("left", 2, "improved", 4000, 25400, False, "records_end")


def test_manual_machines_have_no_such_parts(tmp_path: Path) -> None:
    assert lives(tmp_path, machine={**MACHINE, "control": "manual"}) == []


def test_the_design_told_beside_other_lives_is_that_of_the_part_its_family_names(tmp_path: Path) -> None:
    """The variant in force when a life begins, on the same side; no part is named in the statement itself."""
    sensors = [
        {"machine_id": "A", "component": "position_sensor", "side": "left", "fitted_on": on, "variant": kind}
        for on, kind in (("2018-01-15", "potentiometer"), ("2020-03-01", "hall_effect"))
    ]
    files = {
        "machines": [MACHINE],
        "meter_readings": STEADY,
        "components": sensors,
        "work_orders": [order("W1", "2020-06-01")],
        "work_lines": [line("W1", "internal_bushing", "replace", side="left", finding="worn")],
    }
    with fleet_of(tmp_path, files, SINCE_2017_TOML) as fleet:
        beside = rows(fleet, BUSHINGS, "side, fit, sensor_kind")
    assert beside == [("left", 1, "unknown"), ("left", 2, "hall_effect"), ("right", 1, "unknown")]


def test_a_part_taken_out_as_failed_says_so_in_the_words_of_the_vocabulary(tmp_path: Path) -> None:
    out = {
        "machine_id": "A",
        "component": "internal_bushing",
        "side": "left",
        "fitted_on": "2016-03-01",
        "removed_on": "2020-06-01",
        "removal_reason": "Worn",
    }
    files = {"machines": [MACHINE], "meter_readings": STEADY, "components": [out]}
    with fleet_of(tmp_path, files, SINCE_2017_TOML) as fleet:
        ended = rows(fleet, BUSHINGS + " AND failed", "side, cause, end_reason")
    assert ended == [("left", "worn", "failed")]
