"""One machine of a small yard, written by hand and loaded through the front door.

The machine runs ten hours a day, so that hours and days can be read off each other.
"""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from pathlib import Path
from typing import Any

from trade import SINCE_2017_TOML

from fleetlog.belief.weighing import WeighedCases, weigh
from fleetlog.intake import load_paths
from fleetlog.session.fleet import Fleet, intake_settings, open_fleet

FIRST_DAY = date(2024, 1, 1)
HOURS_A_DAY = 10.0


class Yard:
    """Rows for the files of a yard, gathered call by call.

    Args:
        hours: running hours of the machine on the first day on record.
        built: its build date, and so that of its pump.
        days: how long the records go on.
    """

    def __init__(self, hours: float, built: str = "2015-05-01", days: int = 110, control: str = "") -> None:
        self.start_hours = hours
        self.days = days
        self.tables: dict[str, list[dict[str, Any]]] = {
            "machines": [
                {
                    "machine_id": "A",
                    "machine_type": "skid_steer_loader",
                    "control": control or "electronic_joystick",
                    "build_date": built,
                    "acquired_on": FIRST_DAY.isoformat(),
                    "hours_at_acquisition": hours,
                }
            ],
            "meter_readings": [
                {"machine_id": "A", "read_at": self.at(day), "hours": self.hours(day), "source": "telematics"}
                for day in [*range(0, days, 20), days]
            ],
        }
        self.orders = 0

    def at(self, day: float) -> str:
        """The time at which so many days of records have passed."""
        whole = FIRST_DAY + timedelta(days=int(day))
        minutes = round((day - int(day)) * 1440)
        return f"{whole.isoformat()}T{minutes // 60:02d}:{minutes % 60:02d}"

    def hours(self, day: float) -> float:
        return self.start_hours + HOURS_A_DAY * day

    def code(self, day: float, fmi: int | None = None, side: str = "left") -> Yard:
        """The fault is reported on this day."""
        return self.add(
            "fault_codes",
            machine_id="A",
            seen_at=self.at(day),
            spn="" if fmi is None else 521000,
            fmi="" if fmi is None else fmi,
            code="N1",
            description="Drive does not return to neutral",
            side=side,
        )

    def work(self, day: float, *lines: tuple[str, str] | tuple[str, str, str], side: str = "left") -> Yard:
        """A visit to the shop: (component, action) or (component, action, result or finding) a line."""
        self.orders += 1
        name = f"W{self.orders}"
        self.add(
            "work_orders", work_order_id=name, machine_id="A", opened_at=self.at(day), closed_at=self.at(day)
        )
        for number, (component, action, *told) in enumerate(lines, start=1):
            word = told[0] if told else ""
            self.add(
                "work_lines",
                work_order_id=name,
                line_no=number,
                done_at=self.at(day),
                component=component,
                side=side,
                action=action,
                result=word if word in ("passed", "failed") else "",
                finding="" if word in ("passed", "failed") else word,
            )
        return self

    def voltage(self, day: float, value: float, side: str = "left") -> Yard:
        return self.add(
            "measurements",
            machine_id="A",
            measured_at=self.at(day),
            quantity="sensor_neutral_voltage",
            side=side,
            value=value,
            unit="V",
        )

    def add(self, kind: str, **row: Any) -> Yard:
        self.tables.setdefault(kind, []).append(row)
        return self

    def fleet(self, folder: Path, settings: str = "") -> Fleet:
        """The yard's files written, loaded, and the store open for questions."""
        return loaded(folder, self.tables, settings)


def loaded(folder: Path, tables: Mapping[str, Sequence[Mapping[str, Any]]], settings: str = "") -> Fleet:
    files = folder / "files"
    files.mkdir(parents=True)
    (folder / "fleetlog.toml").write_text(settings + SINCE_2017_TOML, encoding="utf-8")
    for kind, rows in tables.items():
        names = list(dict.fromkeys(name for row in rows for name in row))
        with (files / f"{kind}.csv").open("w", newline="", encoding="utf-8") as file:
            write = csv.DictWriter(file, fieldnames=names)
            write.writeheader()
            write.writerows(rows)
    fleet = open_fleet(folder / "fleetlog.duckdb", create=True)
    result = load_paths(fleet.store, [files], settings=intake_settings(fleet.settings))
    assert not [file.refused for file in result.files if file.refused], result
    assert not [file for file in result.files if file.rejected or file.waiting], result
    return fleet


def weighed(fleet: Fleet, *, learn: bool = True, as_of: date | None = None) -> WeighedCases:
    """Every case of the fleet, whatever its state, with its probabilities."""
    history = fleet.history(as_of)
    return weigh(fleet.store, history, fleet.family("neutral-return"), learn=learn)


def causes_of(judged: WeighedCases, row: int = 0) -> dict[str, float]:
    return dict(zip(judged.causes, judged.of_case[row].tolist(), strict=True))
