"""The commands that look ahead."""

from __future__ import annotations

import json
from pathlib import Path

from calls import Command


def test_forecast_keys(fleetlog: Command, demo_store: Path) -> None:
    arguments = ("forecast", "--months", "3", "--draws", "20", "--format", "json")
    done = fleetlog(*arguments, store=demo_store)
    assert done.code == 0, done.err
    found = json.loads(done.out)
    keys = {"month", "component", "cause", "expected", "lower", "upper", "parts", "labour_hours"}
    assert all(keys <= set(row) for row in found["rows"])
    assert {row["month"] for row in found["rows"]} == {"2026-07", "2026-08", "2026-09"}
    assert fleetlog(*arguments, store=demo_store).out == done.out


def test_forecast_totals(fleetlog: Command, demo_store: Path) -> None:
    done = fleetlog("forecast", "--months", "2", "--draws", "20", "--totals", store=demo_store)
    assert done.code == 0, done.err
    assert "internal_bushing" in done.out
