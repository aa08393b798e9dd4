"""Fleets of drive pumps and of repeat faults, each machine one unit of a data set, with what findings split by."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path

from fleets import BEGIN, HOURS_A_DAY, _end, _loaded, _reading, _time

from fleetlog.session.fleet import Fleet

FINDINGS = {"worn": "worn", "broken": "broken", "sound": "no_fault_found", "silent": ""}


@dataclass(frozen=True)
class Pump:
    """One pump's life: how it ended ("" = still running when the machine left) and where the machine belongs."""

    entry: float
    exit: float
    ending: str = ""
    site: str = "all"
    model: str = "all"


@dataclass(frozen=True)
class Repeater:
    """One machine with the ages of its faults."""

    name: str
    exit: float
    events: tuple[float, ...]
    site: str = "all"
    entry: float = 0.0


def _machine(name: str, site: str, model: str, end: object, built: str) -> dict[str, object]:
    return {
        "machine_id": name,
        "machine_type": "skid_steer_loader",
        "control": "electronic_joystick",
        "build_date": built,
        "site": site,
        "model": model,
        "acquired_on": f"{BEGIN:%Y-%m-%d}",
        "disposed_on": f"{end:%Y-%m-%d}",
    }


def fleet_of_pumps(folder: Path, pumps: Iterable[Pump], scale: float = 1.0) -> Fleet:
    """A loaded store in which every life is that of a machine's drive pump; a unit of time is `scale` hours."""
    machines, readings, orders, lines = [], [], [], []
    for number, pump in enumerate(pumps):
        name = f"U{number:04d}"
        entry, leave = pump.entry * scale, pump.exit * scale
        end = _end(leave - entry)
        machines.append(_machine(name, pump.site, pump.model, end, "1995-01-01"))
        readings += [_reading(name, BEGIN, entry), _reading(name, end, leave)]
        if pump.ending:
            orders.append({"work_order_id": f"W{name}", "machine_id": name, "opened_at": _time(end)})
            lines.append(
                {
                    "work_order_id": f"W{name}",
                    "line_no": 1,
                    "done_at": _time(end),
                    "component": "drive_pump",
                    "side": "",
                    "action": "replace",
                    "finding": FINDINGS[pump.ending],
                }
            )
    tables = {"machines": machines, "meter_readings": readings, "work_orders": orders, "work_lines": lines}
    return _loaded(folder, tables)


def fleet_of_repeaters(folder: Path, units: Sequence[Repeater], scale: float = 1.0) -> Fleet:
    """A loaded store in which every repeat failure is a fault code, answered by a bushing job."""
    machines, readings, codes, orders, lines = [], [], [], [], []
    for unit in units:
        end = _end((unit.exit - unit.entry) * scale)
        built = f"{BEGIN:%Y-%m-%d}" if unit.entry == 0 else "1995-01-01"
        machines.append(_machine(unit.name, unit.site, "all", end, built))
        readings += [
            _reading(unit.name, BEGIN, unit.entry * scale),
            _reading(unit.name, end, unit.exit * scale),
        ]
        for place, age in enumerate(unit.events):
            at = BEGIN + timedelta(hours=(age - unit.entry) * scale * 24 / HOURS_A_DAY)
            codes.append(
                {
                    "machine_id": unit.name,
                    "seen_at": _time(at),
                    "hours": age * scale,
                    "code": "N1",
                    "description": "Drive does not return to neutral",
                    "side": "left",
                }
            )
            order = f"W{unit.name}-{place}"
            orders.append({"work_order_id": order, "machine_id": unit.name, "opened_at": _time(at)})
            lines.append(
                {
                    "work_order_id": order,
                    "line_no": 1,
                    "done_at": _time(at + timedelta(minutes=1)),
                    "component": "internal_bushing",
                    "side": "left",
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
