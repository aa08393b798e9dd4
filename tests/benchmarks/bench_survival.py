"""Kaplan-Meier and log-rank by 12 groups with delayed entry, from spells in a table to curves in memory.

Peers on the same data in the same run: a bare scan of the same columns, lifelines, and R survival where R is
installed (apt-get install r-base-core r-cran-survival). Scan and curves take turns, since the machine does other things
meanwhile, and the store works with one thread, as the counting does: so their ratio is one of work, not of cores. The
spells lie in a file, as those of a yard do; `memory` leaves them in memory, where the name of the part is compared
letter by letter for every spell.

Usage: python tests/benchmarks/bench_survival.py [spells] [memory]
"""

from __future__ import annotations

import resource
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
import polars as pl
from timing import Took, in_turns, timed

from fleetlog.lives.splits import counted_lives, split
from fleetlog.stats.log_rank import log_rank
from fleetlog.stats.product_limit import product_limit
from fleetlog.stats.risk_table import RiskTable
from fleetlog.store import open_store
from fleetlog.store.connection import Store

GROUPS = 12
WHOLE = {"component": "internal_bushing", "cause": None, "sites": None, "build_years": None, "machines": None}

R_SCRIPT = """
suppressMessages(library(survival))
a <- commandArgs(TRUE)
n <- as.integer(a[2])
f <- file(a[1], "rb")
entry <- readBin(f, "double", n); exit <- readBin(f, "double", n)
failed <- readBin(f, "integer", n); year <- readBin(f, "integer", n)
close(f)
t <- system.time(fit <- survfit(Surv(entry, exit, failed) ~ year, conf.type = "log-log"))
cat("survfit", t[["elapsed"]], t[["user.self"]] + t[["sys.self"]], "\\n")
if (n <= 2e6) {
  t <- system.time(test <- coxph(Surv(entry, exit, failed) ~ factor(year), ties = "breslow", iter.max = 0))
  cat("logrank", t[["elapsed"]], t[["user.self"]] + t[["sys.self"]], "\\n")
}
"""


def spells(n: int) -> pl.DataFrame:
    """Weibull lives in tenths of hours, half of them entering late, censored at the end of records."""
    rng = np.random.default_rng(20260630)
    year = rng.integers(2012, 2012 + GROUPS, n).astype(np.int32)
    entry = np.where(rng.random(n) < 0.5, 0, rng.integers(0, 40_000, n))
    life = (60_000 + 1_000 * (year - 2012)) * rng.weibull(2.5, n)
    window = rng.integers(1, 60_000, n)
    life = np.maximum(np.rint(life), entry + 1)
    end = np.minimum(life, entry + window).astype(np.int64)
    return pl.DataFrame(
        {"build_year": year, "entry": entry.astype(np.int64), "hours": end, "failed": life <= entry + window}
    )


SPELLS = (
    "SELECT 'internal_bushing' AS component, NULL::VARCHAR AS cause, NULL::VARCHAR AS site, "
    "NULL::VARCHAR AS machine_id, build_year, entry, hours, failed FROM raw"
)


def into_store(store: Store, frame: pl.DataFrame, file: Path | None) -> None:
    """The spells as a table in memory, or in a file that is then read only."""
    store.register("raw", frame)
    if file is None:
        store.execute(f"CREATE TEMP TABLE spell AS {SPELLS}")
    else:
        store.execute(f"ATTACH '{file}' AS yard")
        store.execute(f"CREATE TABLE yard.spell AS {SPELLS}")
        store.execute("DETACH yard")
        store.execute(f"ATTACH '{file}' AS yard (READ_ONLY)")
        store.execute("CREATE TEMP VIEW spell AS SELECT * FROM yard.spell")
    store.execute("DROP TABLE raw")


def curves(store: Store) -> tuple[list[RiskTable], list[object]]:
    counted = counted_lives(store, ("build_year",), **WHOLE)
    tables = [RiskTable.from_frame(rows) for _, rows in split(counted, ("build_year",))]
    return tables, [product_limit(table, minimum_at_risk=0) for table in tables]


def with_lifelines(frame: pl.DataFrame) -> list[float]:
    from lifelines import KaplanMeierFitter

    last = []
    for rows in frame.sort("build_year", maintain_order=True).partition_by("build_year", maintain_order=True):
        fitter = KaplanMeierFitter()
        fitter.fit(rows["hours"].to_numpy(), rows["failed"].to_numpy(), entry=rows["entry"].to_numpy())
        last.append(float(fitter.survival_function_.iloc[-1, 0]))
    return last


def with_r(frame: pl.DataFrame) -> dict[str, Took]:
    with tempfile.TemporaryDirectory() as folder:
        data, script = Path(folder) / "spells.bin", Path(folder) / "bench.R"
        script.write_text(R_SCRIPT, encoding="utf-8")
        with data.open("wb") as file:
            for name, kind in (("entry", "f8"), ("hours", "f8"), ("failed", "i4"), ("build_year", "i4")):
                frame[name].to_numpy().astype(kind).tofile(file)
        command = ["Rscript", str(script), str(data), str(len(frame))]
        done = subprocess.run(command, capture_output=True, text=True, check=True)
    found = [line.split() for line in done.stdout.splitlines() if line.strip()]
    return {name: Took(float(clock), float(processor)) for name, clock, processor in found}


SCAN = "SELECT sum(entry), sum(hours), count_if(failed), sum(build_year) FROM spell"


def main(n: int, in_memory: bool) -> None:
    frame = spells(n)
    where = "memory" if in_memory else "a file"
    print(f"{n:,} spells in {where}, {GROUPS} groups, {frame['failed'].mean():.0%} failed, 1 thread")
    with tempfile.TemporaryDirectory() as folder, open_store(None) as store:
        store.execute("SET threads = 1")
        into_store(store, frame, None if in_memory else Path(folder) / "yard.duckdb")
        (scan, _), (ours, (tables, fits)) = in_turns(
            {
                "bare scan of the same columns": lambda: store.execute(SCAN),
                "fleetlog: risk table and 12 curves": lambda: curves(store),
            },
            7,
        )
        test, _ = timed("fleetlog: log-rank on the risk tables", lambda: log_rank(tables), 3)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    print(f"peak memory so far {peak:.1f} GB; times the bare scan: {ours.over(scan)}")
    theirs, last = timed("lifelines: 12 KaplanMeierFitter with entry", lambda: with_lifelines(frame))
    worst = max(abs(float(fit.survival[-1]) - other) for fit, other in zip(fits, last, strict=True))
    print(f"largest difference of the last survival {worst:.1e}")
    print(f"lifelines / fleetlog = {theirs.over(ours)}")
    if shutil.which("Rscript"):
        found = with_r(frame)
        theirs = found["survfit"]
        print(f"R survfit {theirs.clock:.2f} s; R / fleetlog = {theirs.over(ours)}")
        if "logrank" in found:
            theirs, whole = found["logrank"], ours.and_then(test)
            print(
                f"R score test (log-rank with delayed entry) {theirs.clock:.2f} s; "
                f"R / fleetlog = {theirs.over(whole)}; without making the risk table {theirs.over(test)}"
            )


if __name__ == "__main__":
    main(int(float(sys.argv[1])) if len(sys.argv) > 1 else 10_000_000, "memory" in sys.argv[2:])
