"""What a question costs over a lake's files in place, and from when on loading them into a store pays.

    python tests/benchmarks/bench_lake.py [--machines 200 2000 10000]

Peer: the store, with the same rows. Timed are loading the files with the history (the store's price, paid once),
and one question each way: `survival`, which reads the history alone, and `suspects`. A question to a lake makes the
history anew, so the store has paid for itself after load / (lake - store) questions. Results are kept in
results/lake.json with the commit and the machine.
"""

from __future__ import annotations

import argparse
import json
import platform
import shutil
import subprocess
import tempfile
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from timing import timed

from fleetlog.causes.suspects import suspects
from fleetlog.lives.survival import survival
from fleetlog.session.fleet import open_fleet
from fleetlog.session.lake import open_lake
from fleetlog.session.scope import Scope
from fleetlog.simulation.simulate import RecordKeeping, simulate
from fleetlog.store import open_store
from fleetlog.store.lake import write_lake

RESULTS = Path(__file__).parent / "results" / "lake.json"
QUESTIONS = {"survival": survival, "suspects": suspects}


def load(files: Path, store: Path) -> None:
    with open_fleet(store, create=True) as fleet:
        fleet.load([files])


def asked(name: str, store: Path, lake: Path | None) -> Any:
    with open_lake(lake) if lake else open_fleet(store) as fleet:
        return QUESTIONS[name](fleet, Scope()).to_dict()


def compare(place: Path, machines: int, years: float, best_of: int) -> dict[str, Any]:
    made = simulate(
        place / "made",
        machines=machines,
        years=years,
        seed=5,
        reading_days=1.0,
        record_keeping=RecordKeeping(mess=0.02, routine=True),
    )
    store, lake = place / "fleetlog.duckdb", place / "lake"
    shutil.copy(made.settings, place)
    loaded, _ = timed(f"{machines:,} machines: load with the history", lambda: load(made.files, store))
    with open_store(store, reach=[lake]) as opened:
        readings = write_lake(opened, lake)["meter_readings"]
    shutil.copy(made.settings, lake)
    row: dict[str, Any] = {"machines": machines, "readings": readings, "load_s": round(loaded.clock, 2)}
    for name in QUESTIONS:
        kept, here = timed(f"  {name} of the store", lambda n=name: asked(n, store, None), best_of)
        anew, there = timed(f"  {name} of the lake", lambda n=name: asked(n, store, lake), best_of)
        assert here == there
        pays = loaded.clock / max(anew.clock - kept.clock, 1e-9)
        print(f"  lake over store {anew.over(kept)}; a store pays after {pays:.1f} questions")
        row[name] = {
            "store_s": round(kept.clock, 2),
            "lake_s": round(anew.clock, 2),
            "store_cpu_s": round(kept.processor, 2),
            "lake_cpu_s": round(anew.processor, 2),
            "store_pays_after": round(pays, 1),
        }
    return row


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--machines", type=int, nargs="+", default=[200, 2_000, 10_000])
    options.add_argument("--years", type=float, default=5.0)
    options.add_argument("--best-of", type=int, default=2)
    given = options.parse_args()
    rows = []
    for machines in given.machines:
        with tempfile.TemporaryDirectory() as place:
            rows.append(compare(Path(place), machines, given.years, given.best_of))
    commit = subprocess.run(
        ["git", "rev-parse", "--short", "HEAD"],
        capture_output=True,
        text=True,
        check=True,
        cwd=RESULTS.parent,
    ).stdout.strip()
    told = {
        "commit": commit,
        "at": datetime.now(UTC).isoformat(timespec="seconds"),
        "machine": f"{platform.machine()}, {platform.system()}",
        "rows": rows,
    }
    RESULTS.write_text(json.dumps(told, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
