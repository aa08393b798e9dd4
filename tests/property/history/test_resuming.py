"""Running hours that are taken up again with each month's readings are those of all readings at once.

The readings here are as bad as readings get: typed too high and too low, with hours that agree only to the
whole hour, in streaks, on meters that stand still, and some machines begin over.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from fleetlog.findings.fleet import open_fleet
from fleetlog.history import build_history, parts, refresh_history

BEGIN = datetime(2024, 1, 1)
MONTHS = 8
MACHINES = 30


def messy_readings(dice: np.random.Generator, machine: str) -> pl.DataFrame:
    """One machine's readings of all months, in order of time."""
    days = np.sort(dice.choice(MONTHS * 30, int(dice.integers(120, MONTHS * 30)), replace=False))
    seconds = days * 86_400 + dice.integers(0, 86_400, len(days))
    rate = float(dice.choice([0.0, 0.5, 4.0, 12.0, 20.0]))
    hours = 500 + np.cumsum(np.diff(seconds, prepend=0) / 86_400 * rate * dice.random(len(days)))
    if dice.random() < 0.5:  # tenths that agree to the whole hour only
        hours = np.where(dice.random(len(days)) < 0.3, np.floor(hours), hours)
    wrong = dice.random(len(days)) < float(dice.choice([0.0, 0.02, 0.1, 0.4]))
    size = dice.choice([2.0, 30.0, 300.0, 3000.0], len(days))
    hours = np.where(wrong, np.maximum(0.0, hours + size * dice.normal(0.0, 1.0, len(days))), hours)
    if dice.random() < 0.3:  # a streak of readings from some other machine
        first = int(dice.integers(0, len(days) - 10))
        hours[first : first + int(dice.integers(2, 40))] += dice.choice([-200.0, 40.0, 900.0])
    return pl.DataFrame(
        {
            "machine_id": machine,
            "read_at": [BEGIN + timedelta(seconds=int(s)) for s in seconds],
            "hours": np.maximum(0.0, hours).round(1),
            "source": dice.choice(["telematics", "manual", "work_order"], len(days)),
        }
    )


@pytest.mark.parametrize("seed", range(4))
def test_taken_up_again_month_by_month_or_built_at_once(
    tmp_path: Path, seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    dice = np.random.default_rng([seed, 7])
    machines = [f"M{number:02}" for number in range(MACHINES)]
    readings = pl.concat(messy_readings(dice, machine) for machine in machines)
    resumed: list[tuple[int, int]] = []
    resume = parts.Builder._resume

    def counted(self: parts.Builder, touched: pl.DataFrame, *since: object) -> pl.DataFrame:
        found = resume(self, touched, *since)  # type: ignore[arg-type]
        unsteady = self.store.select("FROM set_aside_reading").unique("machine_id")
        resumed.append((found.height, found.join(unsteady, on="machine_id", how="semi").height))
        return found

    monkeypatch.setattr(parts.Builder, "_resume", counted)
    (tmp_path / "machines.csv").write_text("machine_id\n" + "\n".join(machines) + "\n", encoding="utf-8")
    with open_fleet(None) as fleet:
        fleet.load([tmp_path / "machines.csv"])
        for month in range(MONTHS):
            of_month = readings.filter((pl.col("read_at") - BEGIN).dt.total_days() // 30 == month)
            place = tmp_path / str(month)
            place.mkdir()
            of_month.write_csv(place / "meter_readings.csv", datetime_format="%Y-%m-%d %H:%M:%S")
            fleet.load([place])
            kept = refresh_history(fleet.store, fleet.families, fleet.settings)
            now = {name: fleet.store.select(f"FROM {name}") for name in kept.tables}
            at_once = build_history(fleet.store, fleet.families, fleet.settings, anew=True)
            for name in at_once.tables:
                frame = fleet.store.select(f"FROM {name}")
                by = frame.columns
                assert frame.sort(by, nulls_last=True).equals(now[name].sort(by, nulls_last=True)), name
    # Otherwise nothing was tried: most are taken up again, many of them with readings set aside.
    assert sum(some for some, _ in resumed) > MONTHS * MACHINES // 4
    assert sum(unsteady for _, unsteady in resumed) > MONTHS * MACHINES // 8
