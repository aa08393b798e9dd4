"""Turns published data into the files a yard would hand over, so that the whole way through is checked.

A life becomes a machine: bought at its entry age, with an hour-meter reading there and at its end; a failure
becomes a work order that replaces the drive pump and finds it worn; then the machine is sold. A repeat
failure becomes a fault code, answered by a repair. One unit of the published time becomes `scale` running
hours.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from fleetlog.intake import load_paths
from fleetlog.session.fleet import Fleet, intake_settings, open_fleet

BEGIN = datetime(2001, 1, 1)
HOURS_A_DAY = 20.0  # below what a calendar day allows

SETTINGS = """
[survival]
minimum_at_risk = 1  # the published curves are not conditional
minimum_failures = 2
"""


@dataclass(frozen=True)
class Life:
    """One unit of a published data set."""

    entry: float
    exit: float
    failed: bool
    group: str = "all"


@dataclass(frozen=True)
class Repeater:
    """One unit with its repeat failures; several at one age are failures of both sides."""

    exit: float
    events: tuple[float, ...]


def fleet_of_lives(folder: Path, lives: Iterable[Life], scale: float = 1.0) -> Fleet:
    """A loaded store in which every life is that of a machine's drive pump."""
    machines, readings, orders, lines = [], [], [], []
    for number, life in enumerate(lives):
        name = f"U{number:04d}"
        entry, leave = life.entry * scale, life.exit * scale
        end = _end(leave - entry)
        machines.append(
            {
                "machine_id": name,
                "machine_type": "skid_steer_loader",
                "control": "electronic_joystick",
                "build_date": "1995-01-01",
                "site": life.group,
                "acquired_on": f"{BEGIN:%Y-%m-%d}",
                "disposed_on": f"{end:%Y-%m-%d}",
            }
        )
        readings += [_reading(name, BEGIN, entry), _reading(name, end, leave)]
        if life.failed:
            orders.append({"work_order_id": f"W{name}", "machine_id": name, "opened_at": _time(end)})
            lines.append(
                {
                    "work_order_id": f"W{name}",
                    "line_no": 1,
                    "done_at": _time(end),
                    "component": "drive_pump",
                    "side": "",
                    "action": "replace",
                    "finding": "worn",
                }
            )
    tables = {"machines": machines, "meter_readings": readings, "work_orders": orders, "work_lines": lines}
    return _loaded(folder, tables)


def fleet_of_repeaters(folder: Path, units: Mapping[str, Repeater], scale: float = 1.0) -> Fleet:
    """A loaded store in which every repeat failure is a fault code, answered by a bushing job."""
    machines, readings, codes, orders, lines = [], [], [], [], []
    for name, unit in units.items():
        end = _end(unit.exit * scale)
        machines.append(
            {
                "machine_id": name,
                "machine_type": "skid_steer_loader",
                "control": "electronic_joystick",
                "build_date": f"{BEGIN:%Y-%m-%d}",
                "acquired_on": f"{BEGIN:%Y-%m-%d}",
                "disposed_on": f"{end:%Y-%m-%d}",
            }
        )
        readings += [_reading(name, BEGIN, 0.0), _reading(name, end, unit.exit * scale)]
        seen: dict[float, int] = {}
        for place, age in enumerate(unit.events):
            side = ("left", "right")[seen.get(age, 0)]
            seen[age] = seen.get(age, 0) + 1
            at = BEGIN + timedelta(hours=age * scale * 24 / HOURS_A_DAY)
            codes.append(
                {
                    "machine_id": name,
                    "seen_at": _time(at),
                    "hours": age * scale,
                    "code": "N1",
                    "description": "Drive does not return to neutral",
                    "side": side,
                }
            )
            order = f"W{name}-{place}"
            orders.append({"work_order_id": order, "machine_id": name, "opened_at": _time(at)})
            lines.append(
                {
                    "work_order_id": order,
                    "line_no": 1,
                    "done_at": _time(at + timedelta(minutes=1)),
                    "component": "internal_bushing",
                    "side": side,
                    "action": "replace",
                    "finding": "worn",
                }
            )
    tables = {
        "machines": machines,
        "meter_readings": readings,
        "fault_codes": codes,
        "work_orders": orders,
        "work_lines": lines,
    }
    return _loaded(folder, tables)


def _end(hours: float) -> datetime:
    days = math.ceil(hours / HOURS_A_DAY) + 1
    return BEGIN + timedelta(days=days, hours=23, minutes=59, seconds=59)


def _reading(name: str, at: datetime, hours: float) -> dict[str, object]:
    return {"machine_id": name, "read_at": _time(at), "hours": round(hours, 6), "source": "inspection"}


def _time(at: datetime) -> str:
    return at.isoformat(timespec="seconds")


def _loaded(folder: Path, tables: Mapping[str, Sequence[Mapping[str, object]]]) -> Fleet:
    files = folder / "files"
    files.mkdir()
    (folder / "fleetlog.toml").write_text(SETTINGS, encoding="utf-8")
    for kind, rows in tables.items():
        if not rows:
            continue
        with (files / f"{kind}.csv").open("w", newline="", encoding="utf-8") as file:
            write = csv.DictWriter(file, fieldnames=list(rows[0]))
            write.writeheader()
            write.writerows(rows)
    fleet = open_fleet(folder / "fleetlog.duckdb", create=True)
    result = load_paths(fleet.store, [files], settings=intake_settings(fleet.settings))
    assert not [file.refused for file in result.files if file.refused]
    assert sum(file.rejected for file in result.files) == 0
    return fleet
