"""Mean cumulative count with its variance by machine, from windows and events to the curve with limits.

Peer on the same data in the same run: R's survfit with id, which gives the same curve and the same robust error
(apt-get install r-base-core r-cran-survival). It keeps a matrix of machines by ages, so it gets a part of the
machines, and its time is scaled in proportion, which favours it.

Usage: python tests/benchmarks/bench_repeats.py [machines] [machines for R]
"""

from __future__ import annotations

import resource
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from fleetlog.stats.histories import MachineHistories
from fleetlog.stats.recurrent import MeanCumulative, mean_cumulative

R_SCRIPT = """
suppressMessages(library(survival))
a <- commandArgs(TRUE)
n <- as.integer(a[2])
f <- file(a[1], "rb")
id <- readBin(f, "integer", n); start <- readBin(f, "double", n)
stop <- readBin(f, "double", n); event <- readBin(f, "integer", n)
close(f)
t <- system.time(fit <- survfit(Surv(start, stop, event) ~ 1, id = id))
cat("survfit", t[["elapsed"]], "\\n")
k <- max(which(fit$n.event > 0))
cat(sprintf("count %.15g\\nerror %.15g\\n", fit$cumhaz[k], fit$std.chaz[k]))
"""


def fleet(machines: int) -> tuple[np.ndarray, ...]:
    """Windows (in tenths of hours, half of them begun late) and about five events a machine, some worse."""
    rng = np.random.default_rng(20260630)
    entry = np.where(rng.random(machines) < 0.5, 0, rng.integers(0, 30_000, machines)).astype(np.int64)
    length = rng.integers(10_000, 60_000, machines)
    number = rng.poisson(5.0 * rng.gamma(2.0, 0.5, machines) * length / 35_000)
    owner = np.repeat(np.arange(machines), number)
    # whole hours, so that many machines have events at one age, as hour meters have it
    at = entry[owner] + 10 * (1 + (rng.random(owner.size) * (length[owner] // 10 - 1)).astype(np.int64))
    keep = np.unique(owner * 1_000_000 + at)  # one event a machine and age
    return entry, entry + length, keep // 1_000_000, keep % 1_000_000


def ours(data: tuple[np.ndarray, ...]) -> MeanCumulative:
    entry, leave, owner, at = data
    return mean_cumulative(MachineHistories.of(np.arange(entry.size), entry, leave, owner, at))


def with_r(data: tuple[np.ndarray, ...]) -> dict[str, float]:
    """Stretches between events, as R wants them."""
    entry, leave, owner, at = data
    machine = np.concatenate((owner, np.arange(entry.size)))
    stop = np.concatenate((at, leave))
    event = np.concatenate((np.ones(owner.size, np.int32), np.zeros(entry.size, np.int32)))
    order = np.lexsort((-event, stop, machine))
    machine, stop, event = machine[order], stop[order], event[order]
    first = np.concatenate(([True], machine[1:] != machine[:-1]))
    start = np.where(first, entry[machine], np.concatenate(([0], stop[:-1])))
    kept = start < stop
    with tempfile.TemporaryDirectory() as folder:
        file, script = Path(folder) / "events.bin", Path(folder) / "bench.R"
        script.write_text(R_SCRIPT, encoding="utf-8")
        with file.open("wb") as out:
            for values, kind in ((machine, "i4"), (start, "f8"), (stop, "f8"), (event, "i4")):
                values[kept].astype(kind).tofile(out)
        command = ["Rscript", str(script), str(file), str(int(kept.sum()))]
        done = subprocess.run(command, capture_output=True, text=True, check=True)
    return {line.split()[0]: float(line.split()[1]) for line in done.stdout.splitlines() if line.strip()}


def main(machines: int, for_r: int) -> None:
    data = fleet(machines)
    print(f"{machines:,} machines, {data[2].size:,} events")
    elapsed = np.inf
    for _ in range(2):
        begin = time.perf_counter()
        curve = ours(data)
        elapsed = min(elapsed, time.perf_counter() - begin)
    print(f"fleetlog: mean cumulative count, robust variance {elapsed:.2f} s, {curve.hours.size:,} ages")
    print(f"peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6:.1f} GB")
    if not shutil.which("Rscript"):
        print("R is not here: apt-get install r-base-core r-cran-survival")
        return
    part = fleet(for_r)
    found, same = with_r(part), ours(part)
    print(
        f"relative difference of the last count {abs(same.count[-1] / found['count'] - 1):.1e}, "
        f"of its error {abs(same.std_error[-1] / found['error'] - 1):.1e}"
    )
    scaled = found["survfit"] * machines / for_r
    print(
        f"R survfit with id: {found['survfit']:.1f} s for {for_r:,} machines, scaled {scaled:.1f} s; "
        f"R / fleetlog = {scaled / elapsed:.0f}"
    )


if __name__ == "__main__":
    sizes = [int(float(word)) for word in sys.argv[1:]]
    main(*(sizes + [1_000_000, 20_000][len(sizes) :]))
