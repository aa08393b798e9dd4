"""Small fleets written by hand, loaded through the front door."""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import Path
from typing import Any

from fleetlog.intake import load_paths
from fleetlog.session.fleet import Fleet, intake_settings, open_fleet

MACHINE = {
    "machine_id": "A",
    "machine_type": "skid_steer_loader",
    "control": "electronic_joystick",
    "build_date": "2016-03-01",
    "acquired_on": "2020-01-01",
    "hours_at_acquisition": "1000",
    "site": "North",
}


def fleet_of(folder: Path, tables: Mapping[str, Sequence[Mapping[str, Any]]], settings: str = "") -> Fleet:
    """A loaded fleet; `tables` is kind -> rows, keys left out are empty cells."""
    files = folder / "files"
    files.mkdir(parents=True)
    (folder / "fleetlog.toml").write_text(settings, encoding="utf-8")
    for kind, rows in tables.items():
        names = list(dict.fromkeys(name for row in rows for name in row))
        with (files / f"{kind}.csv").open("w", newline="", encoding="utf-8") as file:
            write = csv.DictWriter(file, fieldnames=names)
            write.writeheader()
            write.writerows(rows)
    fleet = open_fleet(folder / "fleetlog.duckdb", create=True)
    result = load_paths(fleet.store, [files], settings=intake_settings(fleet.settings))
    assert not [file.refused for file in result.files if file.refused], result
    return fleet


def reading(at: str, hours: float, machine: str = "A", source: str = "telematics") -> dict[str, Any]:
    return {"machine_id": machine, "read_at": at, "hours": hours, "source": source}


def code(at: str, side: str = "left", machine: str = "A", **more: Any) -> dict[str, Any]:
    text = f"{side} drive does not return to neutral".strip()
    return {"machine_id": machine, "seen_at": at, "code": "N1", "description": text, "side": side, **more}


def rows(fleet: Fleet, table: str, columns: str, as_of: date | None = None) -> list[tuple[Any, ...]]:
    """Rows of a history table, in their own order."""
    fleet.history(as_of)
    return fleet.store.execute(f"SELECT {columns} FROM {table} ORDER BY ALL")
