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
from fleetlog.stats.cox import fit_cox
from fleetlog.stats.lifetimes import fit_lognormal, fit_weibull
from fleetlog.stats.log_rank import log_rank
from fleetlog.stats.product_limit import product_limit
from fleetlog.stats.risk_table import RiskTable
rng = np.random.default_rng(1)
n = 60_000
group, machine = rng.integers(0, 3, n), rng.integers(0, 5000, n)
entry = rng.integers(0, 20_000, n)
life = (rng.weibull(2, n) * 60_000).astype(int)
exit = entry + np.minimum(life, rng.integers(1, 40_000, n)) + 1
failed = rng.integers(0, 2, n)
tables = [RiskTable.from_spells(entry[group == g], exit[group == g], failed[group == g]) for g in range(3)]
curve, test, weibull = product_limit(tables[0]), log_rank(tables), fit_weibull(tables[0])
normal = fit_lognormal(tables[1])
x = np.column_stack((group == 1, group == 2)).astype(float)
cox = fit_cox(exit, failed, x, entry=entry, cluster=machine)
numbers = [curve.survival, curve.lower, test.chi2, test.variance]
numbers += [weibull.shape, weibull.shape_ci, weibull.scale_ci, weibull.covariance]
numbers += [normal.location, normal.covariance, normal.scale_ci]
numbers += [cox.coefficients, cox.robust_covariance, cox.proportionality().all_terms.chi2]
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
