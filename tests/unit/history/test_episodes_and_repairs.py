"""Episodes, repair attempts and whether they held, worked out by hand."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

from small_fleet import MACHINE, code, fleet_of, reading, rows

# 10 hours a day from 1 January 2020, 1,000 h.
STEADY = [
    reading(f"2020-{month:02d}-01T00:00", 1000 + 10 * day)
    for month, day in ((1, 0), (2, 31), (3, 60), (4, 91), (5, 121), (6, 152), (7, 182), (8, 213))
]


def line(order: str, component: str, action: str, **more: Any) -> dict[str, Any]:
    return {"work_order_id": order, "line_no": 1, "component": component, "action": action, **more}


def order(name: str, at: str, **more: Any) -> dict[str, Any]:
    return {"work_order_id": name, "machine_id": "A", "opened_at": at, **more}


def test_chatter_is_one_episode(tmp_path: Path) -> None:
    """2 h, 4 days (40 h) and 6 days (60 h) between codes: the last gap exceeds the 50 h window."""
    codes = [
        code("2020-03-01T08:00"),
        code("2020-03-01T10:00"),
        code("2020-03-05T10:00"),
        code("2020-03-11T10:00"),
    ]
    with fleet_of(tmp_path, {"machines": [MACHINE], "meter_readings": STEADY, "fault_codes": codes}) as fleet:
        assert rows(fleet, "episode", "episode, reports") == [(1, 3), (2, 1)]


def test_a_standing_machine_starts_a_new_episode_by_the_calendar(tmp_path: Path) -> None:
    still = [reading("2020-01-01T00:00", 1000), reading("2020-06-01T00:00", 1001)]
    codes = [code("2020-03-01T08:00"), code("2020-03-20T08:00")]
    with fleet_of(tmp_path, {"machines": [MACHINE], "meter_readings": still, "fault_codes": codes}) as fleet:
        assert rows(fleet, "episode", "episode, reports") == [(1, 1), (2, 1)]


def test_a_repair_between_two_codes_parts_them(tmp_path: Path) -> None:
    tables = {
        "machines": [MACHINE],
        "meter_readings": STEADY,
        "fault_codes": [code("2020-03-01T08:00"), code("2020-03-03T08:00")],
        "work_orders": [order("W1", "2020-03-02T07:00")],
        "work_lines": [line("W1", "drive_pump", "calibrate", side="left", done_at="2020-03-02T09:00")],
    }
    with fleet_of(tmp_path, tables) as fleet:
        assert rows(fleet, "episode", "episode, reports") == [(1, 1), (2, 1)]
        ((step, held, outcome),) = rows(fleet, "outcome", "step, held_tenths, outcome")
    # 23 hours of calendar at 10 h a day.
    assert (step, outcome) == ("calibrate_pump", "came_back")
    assert held == round(23 / 24 * 100)


def test_a_bare_date_means_done_by_the_end_of_that_day(tmp_path: Path) -> None:
    """A code on the morning of the repair is what was repaired, not a comeback."""
    tables = {
        "machines": [MACHINE],
        "meter_readings": STEADY,
        "fault_codes": [code("2020-03-01T08:00"), code("2020-03-02T07:30")],
        "work_orders": [order("W1", "2020-03-02")],
        "work_lines": [
            line("W1", "internal_bushing", "replace", side="left", finding="worn", done_at="2020-03-02")
        ],
    }
    with fleet_of(tmp_path, tables) as fleet:
        ((outcome,),) = rows(fleet, "outcome", "outcome")
    assert outcome == "held"


def test_the_most_far_reaching_step_of_a_visit_counts(tmp_path: Path) -> None:
    tables = {
        "machines": [MACHINE],
        "meter_readings": STEADY,
        "fault_codes": [code("2020-03-01T08:00")],
        "work_orders": [order("W1", "2020-03-02")],
        "work_lines": [
            {**line("W1", "wiring", "inspect", side="left", done_at="2020-03-02"), "line_no": 1},
            {**line("W1", "position_sensor", "replace", side="left", done_at="2020-03-02"), "line_no": 2},
            {**line("W1", "drive_pump", "calibrate", side="left", done_at="2020-03-02"), "line_no": 3},
        ],
    }
    with fleet_of(tmp_path, tables) as fleet:
        assert rows(fleet, "outcome", "step") == [("replace_sensor",)]


def test_followed_until_the_day_asked_for(tmp_path: Path) -> None:
    """After 20 days (200 h) the repair is still being followed; after the 500 h window it has held."""
    tables = {
        "machines": [MACHINE],
        "meter_readings": STEADY,
        "fault_codes": [code("2020-03-01T08:00")],
        "work_orders": [order("W1", "2020-03-02")],
        "work_lines": [line("W1", "drive_pump", "calibrate", side="left", done_at="2020-03-02T00:00")],
    }
    with fleet_of(tmp_path, tables) as fleet:
        early = rows(fleet, "outcome", "outcome, held_tenths", date(2020, 3, 21))
        late = rows(fleet, "outcome", "outcome", date(2020, 5, 31))
    assert early == [("followed", 2000)]
    assert late == [("held",)]


def test_a_test_that_failed_never_held(tmp_path: Path) -> None:
    tables = {
        "machines": [MACHINE],
        "meter_readings": STEADY,
        "fault_codes": [code("2020-03-01T08:00")],
        "work_orders": [order("W1", "2020-03-02")],
        "work_lines": [
            line("W1", "drive_pump", "calibrate", side="left", result="failed", done_at="2020-03-02")
        ],
    }
    with fleet_of(tmp_path, tables) as fleet:
        assert rows(fleet, "outcome", "outcome, held_tenths") == [("came_back", 0)]
        assert rows(fleet, "case_file", "state", date(2020, 3, 10)) == [("open",)]


def test_work_of_another_kind_is_no_attempt(tmp_path: Path) -> None:
    """A harness repaired on a machine that never reported the fault belongs to something else."""
    tables = {
        "machines": [MACHINE],
        "meter_readings": STEADY,
        "work_orders": [order("W1", "2020-03-02", complaint="work light dead")],
        "work_lines": [line("W1", "wiring", "repair", done_at="2020-03-02")],
    }
    with fleet_of(tmp_path, tables) as fleet:
        assert rows(fleet, "attempt", "step") == []


def test_a_cancelled_order_never_happened(tmp_path: Path) -> None:
    tables = {
        "machines": [MACHINE],
        "meter_readings": STEADY,
        "fault_codes": [code("2020-03-01T08:00")],
        "work_orders": [order("W1", "2020-03-02", status="cancelled")],
        "work_lines": [line("W1", "drive_pump", "calibrate", side="left", done_at="2020-03-02")],
    }
    with fleet_of(tmp_path, tables) as fleet:
        assert rows(fleet, "attempt", "step") == []


def test_a_complaint_reports_as_a_code_does(tmp_path: Path) -> None:
    orders = [order("W1", "2020-03-02T09:00", complaint="LH drive does not return to neutral")]
    with fleet_of(
        tmp_path, {"machines": [MACHINE], "meter_readings": STEADY, "work_orders": orders}
    ) as fleet:
        assert rows(fleet, "episode", "side, reports") == [("left", 1)]


def test_a_phrase_that_denies_the_fault_reports_nothing(tmp_path: Path) -> None:
    orders = [order("W1", "2020-03-02T09:00", complaint="test drive, returns to neutral ok, no neutral code")]
    with fleet_of(
        tmp_path, {"machines": [MACHINE], "meter_readings": STEADY, "work_orders": orders}
    ) as fleet:
        assert rows(fleet, "episode", "side") == []


def test_a_report_without_a_side_takes_that_of_its_neighbours(tmp_path: Path) -> None:
    codes = [code("2020-03-01T08:00", "right"), code("2020-03-01T10:00", "")]
    with fleet_of(tmp_path, {"machines": [MACHINE], "meter_readings": STEADY, "fault_codes": codes}) as fleet:
        assert rows(fleet, "episode", "side, reports") == [("right", 2)]


def test_a_manual_machine_cannot_have_the_fault(tmp_path: Path) -> None:
    manual = {**MACHINE, "control": "manual"}
    with fleet_of(
        tmp_path, {"machines": [manual], "meter_readings": STEADY, "fault_codes": [code("2020-03-01T08:00")]}
    ) as fleet:
        assert rows(fleet, "episode", "side") == []
        assert rows(fleet, "fault_report", "possible") == [(False,)]
