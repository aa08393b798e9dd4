"""From what size of fleet on a cluster makes history and risk tables faster than the store's own engine.

    python tests/benchmarks/bench_engines.py [--machines 1000 10000 50000] [--master local[2]]

Both start from the same rows: the store from its own tables, Spark from the Parquet files that
'fleetlog export tables' writes. Timed are the history as of the last day (all its tables) and after it the risk
tables of five questions. A session on the cluster is begun before, and a small fleet asked first, so that
neither Java's start nor its warming up is counted. On one machine both share the same cores, so this tells what
Spark costs; what a cluster gains grows with its machines. Processor time (all Java processes of this program's
user counted for Spark) is printed beside the clock's, so that a busy machine can be told from a slow program.
"""

from __future__ import annotations

import argparse
import resource
import shutil
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from fleetlog.intake import load_paths
from fleetlog.session.fleet import Fleet, intake_settings, open_fleet
from fleetlog.session.lake import open_cluster
from fleetlog.simulation.simulate import RecordKeeping, simulate
from fleetlog.store import open_store
from fleetlog.store.lake import write_lake

WHOLE = {"sites": None, "build_years": None, "machines": None}
RISK: tuple[tuple[str, tuple[str, ...], dict[str, object]], ...] = (
    ("risk/survival", ("variant", "side"), {"component": "internal_bushing", "cause": None}),
    ("risk/incidence", ("variant",), {"component": "internal_bushing"}),
    ("risk/unknown_endings", ("variant",), {"component": "internal_bushing"}),
    ("risk/comeback", ("step",), {"fault": "neutral-return"}),
    ("risk/machine_exposure", (), {"fault": "neutral-return"}),
)


@dataclass(frozen=True)
class Taken:
    """Seconds by the clock and of the processor."""

    clock: float
    processor: float

    def __str__(self) -> str:
        return f"{self.clock:8.1f} s ({self.processor:8.1f} s)"


def java() -> float:
    """Processor seconds of the Java processes that run now."""
    used = 0.0
    for place in Path("/proc").glob("[0-9]*"):
        try:
            if (place / "comm").read_text().strip() == "java":
                fields = (place / "stat").read_text().rsplit(")", 1)[1].split()
                used += (int(fields[11]) + int(fields[12])) / 100.0
        except OSError:  # gone meanwhile
            continue
    return used


def timed(work: Callable[[], object]) -> Taken:
    began, processor, spark = time.perf_counter(), time.process_time(), java()
    work()
    return Taken(time.perf_counter() - began, time.process_time() - processor + java() - spark)


def risk(fleet: Fleet) -> None:
    for name, by, values in RISK:
        fleet.store.run(name, by, **values, **WHOLE)


def made(place: Path, machines: int, years: float) -> tuple[Path, Path, int]:
    """A store and a lake with the same rows, and how many readings they hold."""
    fleet_files = simulate(
        place / "made",
        machines=machines,
        years=years,
        seed=5,
        reading_days=7.0,
        record_keeping=RecordKeeping(mess=0.02, routine=True),
    )
    store = place / "fleetlog.duckdb"
    shutil.copy(fleet_files.settings, place)
    with open_fleet(store, create=True) as fleet:
        load_paths(fleet.store, [fleet_files.files], settings=intake_settings(fleet.settings))
    with open_store(store, reach=[place / "lake"]) as opened:
        written = write_lake(opened, place / "lake")
    return store, place / "lake", written["meter_readings"]


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--machines", type=int, nargs="+", default=[1_000, 10_000, 50_000])
    asked.add_argument("--years", type=float, default=6.0)
    asked.add_argument("--master", default="local[2]")
    given = asked.parse_args()
    from fleetlog.engines.session import connect

    cluster = connect(given.master)
    crossing = None
    with tempfile.TemporaryDirectory() as warm:
        _, lake, _ = made(Path(warm), 50, 2.0)
        with open_cluster(str(lake), given.master) as fleet:
            fleet.history()
            risk(fleet)
    print(f"{'machines':>9} {'readings':>11}   {'':8} {'history':>22} {'risk tables':>22}")
    for machines in sorted(given.machines):
        with tempfile.TemporaryDirectory() as place:
            store, lake, readings = made(Path(place), machines, given.years)
            taken = {}
            for name in ("duckdb", "spark"):
                with (
                    open_fleet(store)
                    if name == "duckdb"
                    else open_cluster(str(lake), given.master, store_path=store)
                ) as fleet:
                    parts = (timed(fleet.history), timed(partial(risk, fleet)))
                taken[name] = sum(part.clock for part in parts)
                print(f"{machines:9,} {readings:11,}   {name:8} {parts[0]} {parts[1]}", flush=True)
            if crossing is None and taken["spark"] < taken["duckdb"]:
                crossing = machines
    cluster.close()
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(
        f"Spark is faster from {crossing:,} machines on."
        if crossing
        else f"On {given.master} Spark was faster at no size up to {max(given.machines):,} machines."
    )
    print(f"peak of this program without Java: {peak:,.0f} MB")


if __name__ == "__main__":
    main()
