"""How fast CSV files load, against the engine's own read_csv + insert of the same file in the same run.

Run by hand: `python tests/benchmarks/bench_load.py [ROWS]` (default 10 million; some 2 GB of disk in a
temporary folder). Prints seconds by the clock and of the processor (the latter hold on a machine that others use
too), their ratios, peak memory, and what one month costs in stores of one and of five years.
"""

from __future__ import annotations

import resource
import sys
import tempfile
import time
from datetime import datetime, timedelta
from pathlib import Path

import duckdb

from fleetlog.intake import load_paths
from fleetlog.store import Store, open_store

MACHINES = 2_000
READINGS = (
    "SELECT 'M' || lpad(CAST(i % $machines AS VARCHAR), 4, '0') AS machine_id, "
    "strftime($start + INTERVAL (i // $machines) HOUR + INTERVAL (i % 3600) SECOND, '%Y-%m-%dT%H:%M:%SZ') "
    "AS read_at, "
    "CAST((i // $machines) * 0.4 + (i % 13) * 0.1 AS DECIMAL(10, 1)) AS hours, 'telematics' AS source "
    "FROM range($rows) AS r(i)"
)


def write_readings(path: Path, rows: int, start: datetime) -> None:
    """A file of meter readings, one machine after the other, hour by hour."""
    with duckdb.connect() as connection:
        connection.execute("SET TimeZone = 'UTC'")
        connection.execute("SET VARIABLE target = ?", [str(path)])
        connection.sql(READINGS, params={"machines": MACHINES, "start": start, "rows": rows}).write_csv(
            str(path)
        )


Seconds = tuple[float, float]
"""By the clock, and of the processor on all threads."""


def now() -> Seconds:
    """Both clocks."""
    return time.perf_counter(), time.process_time()


def since(began: Seconds) -> Seconds:
    """What has passed on both clocks."""
    clock, processor = now()
    return clock - began[0], processor - began[1]


def plainly(path: Path, database: Path) -> Seconds:
    """What the engine takes to read the file with its own types and insert it."""
    with duckdb.connect(str(database)) as connection:
        connection.execute(
            "CREATE TABLE meter_readings (machine_id VARCHAR NOT NULL, read_at TIMESTAMP NOT NULL, "
            "hours DOUBLE NOT NULL, source VARCHAR)"
        )
        began = now()
        connection.execute("INSERT INTO meter_readings FROM read_csv($path)", {"path": str(path)})
        return since(began)


def loaded(store: Store, path: Path) -> Seconds:
    """What loading takes; every row must come out new."""
    began = now()
    result = load_paths(store, [path]).files[0]
    seconds = since(began)
    assert result.new == result.rows > 0, result
    return seconds


def list_machines(folder: Path, store: Store) -> None:
    """The machines that the readings belong to."""
    path = folder / "machines.csv"
    path.write_text("machine_id\n" + "\n".join(f"M{i:04}" for i in range(MACHINES)) + "\n", encoding="utf-8")
    load_paths(store, [path])


def main() -> None:
    """Runs the comparison and prints it."""
    rows = int(sys.argv[1].replace("_", "")) if len(sys.argv) > 1 else 10_000_000
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        readings = folder / "readings.csv"
        write_readings(readings, rows, datetime(2019, 1, 1))
        print(f"{rows:,} meter readings, {readings.stat().st_size / 1e6:,.0f} MB")
        # In turns, so that whatever else the machine does falls on both.
        plain, ours = [], []
        for turn in range(3):
            plain.append(plainly(readings, folder / f"plain{turn}.duckdb"))
            with open_store(folder / f"store{turn}.duckdb", create=True) as store:
                list_machines(folder, store)
                ours.append(loaded(store, readings))
            print(
                f"  plain {plain[-1][0]:6.2f} s ({plain[-1][1]:.2f} s of the processor)   "
                f"fleetlog {ours[-1][0]:6.2f} s ({ours[-1][1]:.2f} s)"
            )
        for i, name in enumerate(("by the clock", "of the processor")):
            share = min(run[i] for run in plain) / min(run[i] for run in ours)
            print(f"  best of 3, {name}: {share:.0%} of the speed of read_csv + insert")
        print(f"  peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6:.2f} GB")
        per_month = 720 * 60
        for years in (1, 5):
            with open_store(folder / f"years{years}.duckdb", create=True) as store:
                list_machines(folder, store)
                history = folder / f"history{years}.csv"
                write_readings(
                    history, per_month * 12 * years, datetime(2026, 1, 1) - timedelta(days=365 * years)
                )
                loaded(store, history)
                month = folder / f"month{years}.csv"
                write_readings(month, per_month, datetime(2026, 2, 1))
                print(
                    f"  one month of {per_month:,} rows into {years} years: {loaded(store, month)[0]:.2f} s"
                )


if __name__ == "__main__":
    main()
