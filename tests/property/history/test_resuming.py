"""Running hours that are taken up again with each month's readings are those of all readings at once.

The readings here are as bad as readings get: typed too high and too low, with hours that agree only to the
whole hour, in streaks, on meters that stand still; meters are changed, and machines sold or put right.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from fleetlog.history import build_history, parts, refresh_history
from fleetlog.session.fleet import open_fleet

BEGIN = datetime(2024, 1, 1)
MONTHS = 8
MACHINES = 60


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
    if dice.random() < 0.5:  # two meters take turns, and it is open which of them is the machine's
        month = days // 30
        other = dice.random(len(days)) < dice.choice([0.1, 0.5, 0.9], MONTHS)[month]
        few = dice.random(len(days)) < 0.25
        days, seconds, hours = (
            days[few],
            seconds[few],
            (hours + np.where(other, float(dice.choice([3.0, 40.0, 400.0])), 0.0))[few],
        )
    return pl.DataFrame(
        {
            "machine_id": machine,
            "read_at": [BEGIN + timedelta(seconds=int(s)) for s in seconds],
            "hours": np.maximum(0.0, hours).round(1),
            "source": dice.choice(["telematics", "manual", "work_order"], len(days)),
        }
    )


def fleet_list(dice: np.random.Generator, machines: list[str]) -> list[pl.DataFrame]:
    """The machine list as it comes each month: some are sold, some entries are put right."""
    acquired = [f"2023-12-{day:02}" if day < 20 else None for day in dice.integers(1, 31, len(machines))]
    listed = pl.DataFrame(
        {"machine_id": machines, "acquired_on": acquired, "disposed_on": [None] * len(machines)},
        schema_overrides={"disposed_on": pl.String, "acquired_on": pl.String},
    ).with_columns(
        hours_at_acquisition=pl.when(pl.col("acquired_on").is_not_null()).then(400.0),
        hours_at_disposal=pl.lit(None, pl.Float64),
    )
    months = [listed]
    for month in range(1, MONTHS):
        changed = listed.sample(6, seed=int(dice.integers(1000)))
        day = f"{BEGIN + timedelta(days=month * 30 + int(dice.integers(-20, 30))):%Y-%m-%d}"
        sold = changed.with_columns(
            disposed_on=pl.lit(day), hours_at_disposal=pl.lit(float(dice.integers(300, 3000)))
        )
        righted = changed.with_columns(
            hours_at_acquisition=pl.when(pl.col("acquired_on").is_not_null()).then(450.0)
        )
        months.append(righted if dice.random() < 0.3 else sold)
    return months


def meter_changes(dice: np.random.Generator, machines: list[str], month: int) -> pl.DataFrame:
    """Meters that are found to have been changed, this month or the one before."""
    rows = [
        {
            "machine_id": machine,
            "changed_at": BEGIN + timedelta(days=month * 30 + int(dice.integers(-20, 30)), hours=7),
            "old_meter_hours": float(dice.integers(500, 2000)),
            "new_meter_hours": 0.0,
        }
        for machine in dice.choice(machines, 4, replace=False).tolist()
    ]
    return pl.DataFrame(rows)


def fault_codes(dice: np.random.Generator, machines: list[str], month: int) -> pl.DataFrame:
    """A few codes, some with the hours they were seen at."""
    rows = [
        {
            "machine_id": machine,
            "seen_at": BEGIN + timedelta(seconds=int((month * 30 + dice.uniform(-3, 30)) * 86_400)),
            "code": "X1",
            "hours": float(dice.integers(300, 3000)) if dice.random() < 0.5 else None,
        }
        for machine in dice.choice(machines, 20).tolist()
    ]
    return pl.DataFrame(rows)


@pytest.mark.slow
@pytest.mark.parametrize("seed", [0, 1])
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
    lists = fleet_list(dice, machines)
    with open_fleet(None) as fleet:
        for month in range(MONTHS):
            of_month = {
                "machines": lists[month],
                "meter_readings": readings.filter((pl.col("read_at") - BEGIN).dt.total_days() // 30 == month),
                "fault_codes": fault_codes(dice, machines, month),
            }
            if month:
                of_month["meter_changes"] = meter_changes(dice, machines, month)
            place = tmp_path / str(month)
            place.mkdir()
            for kind, rows in of_month.items():
                rows.write_csv(place / f"{kind}.csv", datetime_format="%Y-%m-%d %H:%M:%S")
            fleet.load([place])
            kept = refresh_history(fleet.store, fleet.families, fleet.settings)
            now = {name: fleet.store.select(f"FROM {name}") for name in kept.tables}
            at_once = build_history(fleet.store, fleet.families, fleet.settings, anew=True)
            for name in at_once.tables:
                frame = fleet.store.select(f"FROM {name}")
                by = frame.columns
                assert frame.sort(by, nulls_last=True).equals(now[name].sort(by, nulls_last=True)), name
    # Otherwise nothing was tried: most are taken up again, many of them with readings set aside.
    assert sum(some for some, _ in resumed) > MONTHS * MACHINES // 6
    assert sum(unsteady for _, unsteady in resumed) > MONTHS * MACHINES // 10
