"""How long `suspects` takes on an invented fleet, once its history is built.

    python tests/benchmarks/bench_suspects.py [--machines 10000] [--years 10]

Aims, on two cores that nobody else uses: 10,000 machines in under 5 s, 100,000 in under 60 s. Processor time is
printed beside the clock's, so that a busy machine can be told from a slow program.
"""

from __future__ import annotations

import argparse
import resource
import tempfile
import time
from pathlib import Path

from fleetlog.causes.suspects import suspects
from fleetlog.intake import load_paths
from fleetlog.session.fleet import intake_settings, open_fleet
from fleetlog.settings import load_settings
from fleetlog.simulation.simulate import simulate


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--machines", type=int, default=10_000)
    asked.add_argument("--years", type=float, default=10.0)
    given = asked.parse_args()
    with tempfile.TemporaryDirectory() as place:
        made = simulate(Path(place), machines=given.machines, years=given.years, seed=3)
        with open_fleet(
            Path(place) / "store.duckdb", settings=load_settings(made.settings), create=True
        ) as fleet:
            load_paths(fleet.store, [made.files], settings=intake_settings(fleet.settings))
            began = time.perf_counter()
            fleet.history()
            built = time.perf_counter()
            processor = time.process_time()
            found = suspects(fleet)
            done, used = time.perf_counter() - built, time.process_time() - processor
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"machines {given.machines:,}, cases {made.cases:,}, listed {len(found.cases):,}")
    print(
        f"history {built - began:.1f} s; suspects {done:.2f} s, processor {used:.2f} s; peak {peak:,.0f} MB"
    )
    print(found.notes[-1])


if __name__ == "__main__":
    main()
