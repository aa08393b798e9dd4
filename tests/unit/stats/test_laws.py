"""The laws give the digits of scipy.stats, and importing what the report needs leaves that package out."""

from __future__ import annotations

import subprocess
import sys

import pytest
from scipy import stats

from fleetlog.stats import laws


@pytest.mark.parametrize("df", [1.0, 2.0, 7.0, 40.5])
@pytest.mark.parametrize("value", [0.0, 1e-9, 0.3, 3.84, 55.0, 900.0])
def test_chi_squared(value: float, df: float) -> None:
    assert laws.chi2_above(value, df) == stats.chi2.sf(value, df)
    assert laws.chi2_below(value, df) == stats.chi2.cdf(value, df)


@pytest.mark.parametrize("df", [1.0, 4.0, 31.0])
@pytest.mark.parametrize("chance", [1e-6, 0.025, 0.5, 0.95, 0.999])
def test_quantiles(chance: float, df: float) -> None:
    assert laws.chi2_quantile(chance, df) == stats.chi2.ppf(chance, df)
    assert laws.chi2_exceeded(chance, df) == stats.chi2.isf(chance, df)


def test_normal() -> None:
    values = [-9.0, -1.2, 0.0, 0.5, 6.0]
    assert laws.normal_above(values).tolist() == stats.norm.sf(values).tolist()


def test_what_rounding_leaves_below_nothing_counts_as_nothing() -> None:
    assert laws.chi2_above(-1e-17, 1) == 1.0
    assert laws.chi2_below(-1e-17, 1) == 0.0


def test_the_report_does_not_wait_for_scipy_stats() -> None:
    code = (
        "import sys, fleetlog.reporting.gather, fleetlog.reporting.write; print('scipy.stats' in sys.modules)"
    )
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert told.stdout.strip() == "False"
