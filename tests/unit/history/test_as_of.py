"""As of a day, nothing later counts: the answers are those of a store in which nothing later was ever written."""

from __future__ import annotations

import shutil
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from fleetlog.causes.suspects import suspects
from fleetlog.causes.unit import unit
from fleetlog.lives.repeats import repeats
from fleetlog.lives.survival import survival
from fleetlog.session.fleet import Fleet, open_fleet
from fleetlog.session.scope import Scope
from fleetlog.session.status import status

FORGET = (
    "DELETE FROM meter_readings WHERE read_at >= $end",
    "DELETE FROM meter_changes WHERE changed_at >= $end",
    "DELETE FROM fault_codes WHERE seen_at >= $end",
    "DELETE FROM measurements WHERE measured_at >= $end",
    "DELETE FROM rentals WHERE out_at >= $end",
    "UPDATE rentals SET in_at = NULL WHERE in_at >= $end",
    "DELETE FROM work_lines WHERE work_order_id IN ("
    "SELECT work_order_id FROM work_orders WHERE opened_at >= $end)",
    "DELETE FROM work_lines USING work_orders WHERE work_orders.work_order_id = work_lines.work_order_id "
    "AND COALESCE(work_lines.done_at, work_orders.closed_at, work_orders.opened_at) >= $end",
    "DELETE FROM work_orders WHERE opened_at >= $end",
    "DELETE FROM components WHERE fitted_on >= $end",
    "UPDATE components SET removed_on = NULL, removed_hours = NULL, removal_reason = NULL WHERE removed_on >= $end",
    "DELETE FROM machines WHERE acquired_on >= $end",
    "UPDATE machines SET disposed_on = NULL, hours_at_disposal = NULL WHERE disposed_on >= $end",
)


def answers(fleet: Fleet, as_of: date) -> list[Any]:
    scope = Scope(as_of=as_of)
    return [
        survival(fleet, scope, by=("variant", "side")).to_dict(),
        survival(fleet, scope, component="position_sensor").to_dict(),
        repeats(fleet, scope).to_dict(),
        suspects(fleet, scope).to_dict(),
        unit(fleet, scope, "37").to_dict(),
    ]


@pytest.mark.parametrize(
    "as_of",
    [
        pytest.param(date(2022, 3, 31), marks=pytest.mark.slow),
        date(2024, 9, 15),
        pytest.param(date(2026, 5, 31), marks=pytest.mark.slow),
    ],
)
def test_nothing_later_counts(demo_store: Path, tmp_path: Path, as_of: date) -> None:
    past = tmp_path / "fleetlog.duckdb"
    shutil.copyfile(demo_store, past)
    shutil.copyfile(demo_store.with_name("fleetlog.toml"), past.with_name("fleetlog.toml"))
    with open_fleet(demo_store) as fleet:
        expected = answers(fleet, as_of)
        end = fleet.history(as_of).as_of_end
    with open_fleet(past, writable=True) as fleet:
        for statement in FORGET:
            fleet.store.execute(statement, {"end": end})
        assert answers(fleet, as_of) == expected


def test_the_last_day_on_record_is_the_default(demo_store: Path) -> None:
    with open_fleet(demo_store) as fleet:
        assert status(fleet).as_of == date(2026, 6, 30)
