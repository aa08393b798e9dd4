"""The package stands alone, and its digits do not depend on threads."""

from __future__ import annotations

import ast
import os
import subprocess
import sys
from pathlib import Path

import fleetlog.stats

FOLDER = Path(fleetlog.stats.__file__).parent

ALLOWED = {"numpy", "scipy", "polars", "fleetlog"} | set(sys.stdlib_module_names)

FITS = """
import numpy as np
import polars as pl
from fleetlog.stats.cox import fit_cox_cells
from fleetlog.stats.cox_cells import CoxCells
from fleetlog.stats.families import LOGNORMAL
from fleetlog.stats.lifetimes import fit_log_life, fit_weibull
from fleetlog.stats.life_counts import Strata, count_lives
from fleetlog.stats.log_rank import log_rank
from fleetlog.stats.product_limit import product_limit
from fleetlog.stats.risk_table import RiskTable
rng = np.random.default_rng(1)
n = 60_000
group = rng.integers(0, 3, n)
entry = rng.integers(0, 20_000, n)
life = (rng.weibull(2, n) * 60_000).astype(int)
exit = entry + np.minimum(life, rng.integers(1, 40_000, n)) + 1
failed = rng.integers(0, 2, n)
tables = [RiskTable.from_spells(entry[group == g], exit[group == g], failed[group == g]) for g in range(3)]
curve, test, weibull = product_limit(tables[0]), log_rank(tables), fit_weibull(tables[0])
normal = fit_log_life(LOGNORMAL, tables[1])
lives = pl.DataFrame({"group": group, "entry": entry, "hours": exit, "failed": failed > 0})
counted = count_lives(lives, Strata.of(lives, ["group"]).in_words("unknown"))
cox = fit_cox_cells(CoxCells.from_frame(counted, ["group"]))
numbers = [curve.survival, curve.lower, test.chi2, test.variance]
numbers += [weibull.shape, weibull.shape_ci, weibull.scale_ci, weibull.covariance]
numbers += [normal.theta, normal.covariance]
numbers += [cox.coefficients, *cox.residual_steps(), cox.proportionality().all_terms.chi2]
print(b"".join(np.ascontiguousarray(np.asarray(v, dtype=float)).tobytes() for v in numbers).hex())
"""


def test_imports_stay_within_the_layer() -> None:
    for path in sorted(FOLDER.glob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = []
            if isinstance(node, ast.Import):
                names = [alias.name for alias in node.names]
            elif isinstance(node, ast.ImportFrom):
                names = [node.module or ""]
            for name in names:
                assert name.split(".")[0] in ALLOWED, f"{path.name} imports {name}"
                assert not name.startswith("fleetlog") or name.startswith("fleetlog.stats"), (
                    f"{path.name}: {name}"
                )


def test_same_digits_on_one_and_two_threads() -> None:
    found = []
    for threads in ("1", "2"):
        environment = {**os.environ, "OPENBLAS_NUM_THREADS": threads, "POLARS_MAX_THREADS": threads}
        run = subprocess.run(
            [sys.executable, "-c", FITS],
            env=environment,
            capture_output=True,
            text=True,
            check=True,
            timeout=120,
        )
        found.append(run.stdout)
    assert found[0] == found[1]
    assert len(found[0]) > 100_000
