"""What it costs to write on a copy of the store and publish it, beside a plain file copy of the same store.

Run by hand: `python tests/benchmarks/bench_concurrency.py [READINGS]` (default 10 million; some 1 GB of disk in a
temporary folder, or in the folder that TMPDIR names). The peer is `shutil.copyfile` and `fsync` of the same file in
the same run, in turns. Prints both clocks, and what a reader pays for opening a store while it stands still.
"""

from __future__ import annotations

import os
import shutil
import sys
import tempfile
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

from bench_load import Seconds, list_machines, loaded, now, since, write_readings

from fleetlog.store import open_store

TURNS = 5


def plain_copy(store: Path) -> Seconds:
    """What a plain copy takes until it is on the disk."""
    copy = store.with_name("plain.copy")
    began = now()
    shutil.copyfile(store, copy)
    with copy.open("rb") as file:
        os.fsync(file.fileno())
    seconds = since(began)
    copy.unlink()
    return seconds


def publication(store: Path) -> Seconds:
    """What opening for writing, one small change and publishing take together."""
    began = now()
    with open_store(store, writable=True) as writer:
        writer.execute("UPDATE store_info SET value = value WHERE key = 'format'")
    return since(began)


def reading(store: Path) -> Seconds:
    """What opening for reading, and one question, take."""
    began = now()
    with open_store(store) as reader:
        reader.execute("SELECT count(*) FROM meter_readings")
    return since(began)


def best(runs: list[Seconds], clock: int) -> float:
    """The least of several runs on one of the two clocks."""
    return min(run[clock] for run in runs)


def main() -> None:
    """Runs the comparison and prints it."""
    rows = int(sys.argv[1].replace("_", "")) if len(sys.argv) > 1 else 10_000_000
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        store = folder / "fleet.duckdb"
        readings = folder / "readings.csv"
        write_readings(readings, rows, datetime(2019, 1, 1))
        with open_store(store, create=True) as writer:
            list_machines(folder, writer)
            load = loaded(writer, readings)
        readings.unlink()
        print(f"{rows:,} meter readings, a store of {store.stat().st_size / 1e6:,.0f} MB")
        os.sync()
        measured: dict[Callable[[Path], Seconds], list[Seconds]] = {
            plain_copy: [],
            publication: [],
            reading: [],
        }
        for _ in range(TURNS):  # in turns, so that whatever else the machine does falls on all
            for measure, runs in measured.items():
                runs.append(measure(store))
        for clock, said in enumerate(("by the clock", "of the processor")):
            copied, published = best(measured[plain_copy], clock), best(measured[publication], clock)
            print(
                f"  best of {TURNS}, {said}: plain copy {copied:.2f} s, writing and publishing {published:.2f} s "
                f"({published / copied:.2f} times), loading all of it {load[clock]:.1f} s, "
                f"opening to read {best(measured[reading], clock):.3f} s"
            )


if __name__ == "__main__":
    main()
