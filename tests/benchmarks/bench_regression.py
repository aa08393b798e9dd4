"""Cox regression, Weibull and log-rank from spells in a table: what a reader waits for, beside named peers.

Cox with a 12-level factor; Cox with three categorical covariates and variances robust by machine, whose sums are
made in the store; Weibull by group; log-rank of 12 groups. All with delayed entry, all from the spells in the
store to numbers in memory. Peers on the same data in the same run: R survival (coxph with Efron's ties; its score
test as the log-rank with delayed entry) and lifelines (Weibull). Where a peer would take minutes it gets fewer
spells, and its time is scaled in proportion, which favours it: its own growth is faster than that.

Usage: python tests/benchmarks/bench_regression.py [spells] [spells for R] [spells for R with clusters]
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
from timing import Took, timed

from fleetlog.lives.cox_by_machine import Counted, counts_by, fit_by_machine
from fleetlog.lives.splits import counted_lives, split
from fleetlog.stats.cox import CoxFit, fit_cox_cells
from fleetlog.stats.cox_cells import CoxCells
from fleetlog.stats.lifetimes import fit_weibull
from fleetlog.stats.log_rank import log_rank
from fleetlog.stats.risk_table import RiskTable
from fleetlog.store import open_store
from fleetlog.store.connection import Store

YEARS = tuple(str(2012 + i) for i in range(12))
SITES = tuple(f"Site {i}" for i in range(5))
VARIANTS = ("improved", "original", "rebuilt")
WHOLE = {"component": "internal_bushing", "cause": None, "sites": None, "build_years": None, "machines": None}
LIVES = Counted("risk/survival", "risk/score_sums", "internal_bushing", WHOLE, lives="risk/lives")

R_SCRIPT = """
suppressMessages(library(survival))
a <- commandArgs(TRUE)
n <- as.integer(a[2]); m <- as.integer(a[3])
f <- file(a[1], "rb")
entry <- readBin(f, "double", n); exit <- readBin(f, "double", n)
failed <- readBin(f, "integer", n); year <- readBin(f, "integer", n)
site <- readBin(f, "integer", n); variant <- readBin(f, "integer", n); machine <- readBin(f, "integer", n)
close(f)
t <- system.time(fit <- coxph(Surv(entry, exit, failed) ~ factor(year), ties = "efron"))
cat("cox", t[["elapsed"]], t[["user.self"]] + t[["sys.self"]], "\\n"); cat(sprintf("coef %.15g 0\\n", coef(fit)[11]))
t <- system.time(coxph(Surv(entry, exit, failed) ~ factor(year), ties = "breslow", iter.max = 0))
cat("logrank", t[["elapsed"]], t[["user.self"]] + t[["sys.self"]], "\\n")
k <- 1:m
t <- system.time(fit <- coxph(Surv(entry[k], exit[k], failed[k]) ~ factor(year[k]) + factor(site[k]) +
  factor(variant[k]), ties = "efron", cluster = machine[k]))
cat("robust", t[["elapsed"]], t[["user.self"]] + t[["sys.self"]], "\\n"); cat(sprintf("se %.15g 0\\n", sqrt(diag(vcov(fit)))[17]))
"""


def spells(n: int) -> pl.DataFrame:
    """Two lives a machine; the hazard differs by build year, site and variant; half enter late."""
    rng = np.random.default_rng(20260630)
    machine = np.arange(n, dtype=np.int32) // 2
    year = rng.integers(0, len(YEARS), machine.max() + 1)[machine].astype(np.int32)
    site = rng.integers(0, len(SITES), machine.max() + 1)[machine].astype(np.int32)
    variant = rng.integers(0, len(VARIANTS), n).astype(np.int32)
    frailty = rng.gamma(4.0, 0.25, machine.max() + 1)[machine]
    entry = np.where(rng.random(n) < 0.5, 0, rng.integers(0, 40_000, n))
    relative = np.exp(0.05 * year + 0.1 * site - 0.3 * variant) * frailty
    life = 60_000 * relative ** (-1 / 2.5) * rng.weibull(2.5, n)
    window = rng.integers(1, 60_000, n)
    life = np.maximum(np.rint(life), entry + 1)
    return pl.DataFrame(
        {
            "machine": machine,
            "year": year,
            "site_code": site,
            "variant_code": variant,
            "entry": entry.astype(np.int64),
            "hours": np.minimum(life, entry + window).astype(np.int64),
            "failed": life <= entry + window,
        }
    )


def into_store(store: Store, frame: pl.DataFrame) -> None:
    named = frame.select(
        pl.lit("internal_bushing").alias("component"),
        pl.concat_str(pl.lit("M"), pl.col("machine").cast(pl.String).str.zfill(8)).alias("machine_id"),
        (pl.col("year") + 2012).alias("build_year"),
        pl.col("site_code").replace_strict(dict(enumerate(SITES))).alias("site"),
        pl.col("variant_code").replace_strict(dict(enumerate(VARIANTS))).alias("variant"),
        *(
            pl.lit(None, dtype=pl.String).alias(name)
            for name in ("cause", "side", "sensor_kind", "make", "model", "machine_type", "control")
        ),
        "entry",
        "hours",
        "failed",
    )
    store.register("spell", named)


def one_factor(store: Store) -> CoxFit:
    counted = counts_by(store, LIVES, ("build_year",))
    return fit_cox_cells(CoxCells.from_frame(counted, ["build_year"]))


def three_factors(store: Store) -> CoxFit:
    factors = ("build_year", "site", "variant")
    counted = counts_by(store, LIVES, factors)
    reference = {"build_year": YEARS[0], "site": SITES[0], "variant": VARIANTS[0]}
    return fit_by_machine(store, LIVES, counted, factors, factors, (), reference, ties="efron", level=0.95)[0]


def by_year(store: Store) -> list[RiskTable]:
    counted = counted_lives(store, ("build_year",), **WHOLE)
    return [RiskTable.from_frame(rows) for _, rows in split(counted, ("build_year",))]


def with_lifelines(frame: pl.DataFrame) -> list[float]:
    from lifelines import WeibullFitter

    shapes = []
    for rows in frame.sort("year", maintain_order=True).partition_by("year", maintain_order=True):
        fitter = WeibullFitter().fit(
            rows["hours"].to_numpy() / 10, rows["failed"].to_numpy(), entry=rows["entry"].to_numpy() / 10
        )
        shapes.append(float(fitter.rho_))
    return shapes


def with_r(frame: pl.DataFrame, clustered: int) -> dict[str, Took]:
    with tempfile.TemporaryDirectory() as folder:
        data, script = Path(folder) / "spells.bin", Path(folder) / "bench.R"
        script.write_text(R_SCRIPT, encoding="utf-8")
        columns = (("entry", "f8"), ("hours", "f8"), ("failed", "i4"), ("year", "i4"))
        columns = (*columns, ("site_code", "i4"), ("variant_code", "i4"), ("machine", "i4"))
        with data.open("wb") as file:
            for name, kind in columns:
                frame[name].to_numpy().astype(kind).tofile(file)
        command = ["Rscript", str(script), str(data), str(frame.height), str(clustered)]
        done = subprocess.run(command, capture_output=True, text=True, check=True)
    found = [line.split() for line in done.stdout.splitlines() if line.strip()]
    return {name: Took(float(clock), float(processor)) for name, clock, processor in found}


def main(n: int, for_r: int, clustered: int) -> None:
    frame = spells(n)
    print(f"{n:,} spells of {frame['machine'].n_unique():,} machines, {frame['failed'].mean():.0%} failed")
    with open_store(None) as store:
        into_store(store, frame)
        cox, _ = timed("fleetlog: Cox, 12-level factor", lambda: one_factor(store), 3)
        robust, _ = timed("fleetlog: Cox, 3 factors, robust by machine", lambda: three_factors(store))
        tables_time, tables = timed("fleetlog: risk tables of 12 groups", lambda: by_year(store), 3)
        weibull, fits = timed(
            "fleetlog: 12 Weibull fits with intervals", lambda: [fit_weibull(t) for t in tables], 3
        )
        test, _ = timed("fleetlog: log-rank on the risk tables", lambda: log_rank(tables), 3)
    print(f"peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6:.1f} GB")
    theirs, shapes = timed("lifelines: 12 WeibullFitter with entry", lambda: with_lifelines(frame))
    worst = max(abs(fit.shape - other) / other for fit, other in zip(fits, shapes, strict=True))
    print(f"largest relative difference of the shapes {worst:.1e}")
    print(f"Weibull by group: lifelines / fleetlog = {theirs.over(tables_time.and_then(weibull))}")
    if not shutil.which("Rscript"):
        print("R is not here: apt-get install r-base-core r-cran-survival")
        return
    part = frame.head(for_r)
    found = with_r(part, clustered)
    with open_store(None) as store:
        into_store(store, part)
        same = one_factor(store)
        into_store(store, part.head(clustered))
        same_robust = three_factors(store)
    errors = same_robust.robust_std_errors
    assert errors is not None
    last = dict(zip(same_robust.names, errors, strict=True))[f"variant={VARIANTS[2]}"]
    print(
        f"difference of the last coefficient {abs(same.coefficients[-1] - found['coef'].clock):.1e}, ", end=""
    )
    print(f"of its robust error with 3 factors {abs(last - found['se'].clock):.1e}")
    for name, ours, size in (("cox", cox, for_r), ("robust", robust, clustered)):
        scaled = found[name].times(n / size)
        note = "" if size == n else f" (of {size:,} spells, scaled to {n:,}: {scaled.clock:.1f} s)"
        print(f"R coxph, {name}: {found[name].clock:.1f} s{note}; R / fleetlog = {scaled.over(ours)}")
    scaled, whole = found["logrank"].times(n / for_r), tables_time.and_then(test)
    note = "" if for_r == n else f" (scaled to {n:,}: {scaled.clock:.1f} s)"
    print(
        f"R score test (log-rank with delayed entry): {found['logrank'].clock:.1f} s{note}; R / fleetlog "
        f"= {scaled.over(whole)}; without making the risk tables {scaled.over(test)}"
    )


if __name__ == "__main__":
    sizes = [int(float(word)) for word in sys.argv[1:]]
    main(*(sizes + [1_000_000, 200_000, 50_000][len(sizes) :]))
