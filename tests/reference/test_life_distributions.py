"""Weibull and other lives, probability plots and life regressions against handbooks and other programs."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl
import pytest
from published import Case, cases
from scipy.stats import weibull_min

from fleetlog.stats.accelerated import AcceleratedFit, fit_accelerated
from fleetlog.stats.inspections import inspection_curve
from fleetlog.stats.lifetimes import (
    WeibullFit,
    compare_fits,
    fit_exponential,
    fit_loglogistic,
    fit_lognormal,
    fit_weibull,
    fit_weibull_intervals,
)
from fleetlog.stats.probability_plot import adjusted_ranks, median_ranks, rank_regression
from fleetlog.stats.risk_table import RiskTable


def lives(case: Case, *, entry: str | None = None) -> RiskTable:
    """Spells of the case's file in ticks fine enough to be exact; ages are counted in the data's own unit."""
    rows = case.data()
    if "voltage" in rows.columns:
        rows = rows.filter(voltage=int(case.arguments["filter"].split("=")[1]))
    if "gender" in rows.columns:
        rows = rows.filter(pl.col("gender") == 1, pl.col("exit") > pl.col("entry"))
    end = rows["exit" if "exit" in rows.columns else "time"]
    flags = rows["event"] if "event" in rows.columns else pl.Series([1] * rows.height)
    weights = rows["count"] if "count" in rows.columns else None
    begin = 0 if entry is None else (rows[entry] * 100).round().to_numpy()
    return RiskTable.from_spells(begin, (end * 100).round().to_numpy(), flags, weights, per_hour=100)


def check_weibull(case: Case, fit: WeibullFit) -> None:
    """Every figure of a Weibull case; standard errors follow from the covariance of the logs."""
    want = case.expected
    shares = want.get("p", [])
    wald = [fit.wald_b_life(p) for p in shares]
    z = np.log(-np.log1p(-np.asarray(shares)))
    slopes = np.column_stack((-z / fit.shape, np.ones(len(shares))))
    error = np.sqrt(np.diag(fit.covariance))
    log_life_error = np.sqrt(np.einsum("ij,jk,ik->i", slopes, fit.covariance, slopes))
    tenth = fit.b_life(0.1)
    got: dict[str, Any] = {
        "n": fit.spells,
        "r": fit.failures,
        "beta": fit.shape,
        "eta": fit.scale_hours,
        "loglik": fit.log_likelihood,
        "se_beta": fit.shape * error[0],
        "se_eta": fit.scale_hours * error[1],
        "se_log_beta": error[0],
        "se_log_eta": error[1],
        "cov_logeta_logbeta": fit.covariance[0, 1],
        "mu": np.log(fit.scale_hours),
        "sigma": 1.0 / fit.shape,
        "log_sigma": -np.log(fit.shape),
        "se_mu": error[1],
        "se_sigma": error[0] / fit.shape,
        "se_log_sigma": error[0],
        "beta_ci_lognormal": fit.wald_interval("shape"),
        "eta_ci_lognormal": fit.wald_interval("scale"),
        "p": shares,
        "B": [q.estimate for q in wald],
        "se_B": [q.estimate * e for q, e in zip(wald, log_life_error, strict=True) if q.estimate],
        "B_lower": [q.lower for q in wald],
        "B_upper": [q.upper for q in wald],
        "mean": fit.mean_hours,
        "sd": weibull_min(fit.shape, scale=fit.scale_hours).std(),
        "beta_ci_lr": fit.shape_ci,
        "eta_ci_lr": fit.scale_ci,
        "B10_ci_lr": (tenth.lower, tenth.upper),
    }
    case.check_known(got)


@pytest.mark.parametrize(
    "case",
    cases("wb.nist8413", "wb.nwh_c5", "wb.ifluid.26", "wb.ifluid.30", "wb.ifluid.34", "wb.lung", "wb.fan"),
    indirect=True,
)
def test_weibull(case: Case) -> None:
    check_weibull(case, fit_weibull(lives(case)))


@pytest.mark.parametrize("case", cases("wblt.channing.g1", "wblt.synthetic"), indirect=True)
def test_weibull_with_delayed_entry(case: Case) -> None:
    check_weibull(case, fit_weibull(lives(case, entry="entry")))
    naive = fit_weibull(lives(case))
    case.check("naive_beta", naive.shape)
    case.check("naive_eta", naive.scale_hours)


@pytest.mark.parametrize("case", cases("wb.cracks.interval"), indirect=True)
def test_weibull_from_inspections(case: Case) -> None:
    rows = case.data()
    upper = rows["upper"].fill_null(float("nan"))
    check_weibull(case, fit_weibull_intervals(rows["lower"], upper, rows["count"]))


@pytest.mark.parametrize("case", cases("proschan.weibull"), indirect=True)
def test_weibull_against_exponential(case: Case) -> None:
    for plane in ("7912", "8044"):
        hours = case.data().filter(pl.col("plane").cast(pl.String) == plane)["interval_hours"].to_numpy()
        spells = RiskTable.from_spells(0, hours * 10, np.ones(hours.size, dtype=int))
        weibull, exponential = fit_weibull(spells), fit_exponential(spells)
        got = {
            "mean": exponential.mean_hours,
            "beta": weibull.shape,
            "eta": weibull.scale_hours,
            "loglik_weibull": weibull.log_likelihood,
            "loglik_exp": exponential.log_likelihood,
        }
        case.check_all(got, f"p{plane}/")


@pytest.mark.parametrize("case", cases("dist.nist8413"), indirect=True)
def test_distributions_side_by_side(case: Case) -> None:
    spells = lives(case)
    weibull, exponential = fit_weibull(spells), fit_exponential(spells)
    got = {
        "mu": np.log(weibull.scale_hours),
        "sigma": 1.0 / weibull.shape,
        "loglik": weibull.log_likelihood,
        "aic": weibull.aic,
        "se_mu": np.sqrt(weibull.covariance[1, 1]),
    }
    case.check_all(got, "weibull/")
    for fit in (fit_lognormal(spells), fit_loglogistic(spells)):
        got = {
            "mu": fit.location,
            "sigma": fit.scale,
            "loglik": fit.log_likelihood,
            "aic": fit.aic,
            "se_mu": np.sqrt(fit.covariance[0, 0]),
        }
        case.check_all(got, f"{fit.distribution}/")
    assert exponential.mean_hours is not None
    got = {
        "mu": np.log(exponential.mean_hours),
        "sigma": 1,
        "loglik": exponential.log_likelihood,
        "aic": exponential.aic,
        "se_mu": 1.0 / np.sqrt(exponential.failures),
        "theta": exponential.mean_hours,
    }
    case.check_all(got, "exponential/")
    assert compare_fits(spells).frame["distribution"].to_list()[:2] == ["loglogistic", "weibull"]


@pytest.mark.parametrize("case", cases("mrr.nwh_fig2_5"), indirect=True)
def test_rank_regression_both_ways(case: Case) -> None:
    """Adjusted ranks: at ties failures precede suspensions. X-on-Y regresses age on rank."""
    spells = lives(case)
    hours, ranks = adjusted_ranks(spells)
    benard = median_ranks(ranks, spells.spells)
    exact = median_ranks(ranks, spells.spells, method="exact")
    case.check_all({"time": hours, "adjusted_rank": ranks, "benard": benard, "median_rank": exact})
    for key, shares, way in (
        ("xony_benard", benard, "age on rank"),
        ("xony_median", exact, "age on rank"),
        ("yonx_benard", benard, "rank on age"),
    ):
        line = rank_regression(hours, shares, regress=way)  # type: ignore[arg-type]
        case.check(key, [line.shape, line.scale_hours, line.r_squared])


@pytest.mark.parametrize("case", cases("mrr.nist8221"), indirect=True)
def test_rank_regression_on_decimal_logs(case: Case) -> None:
    """The handbook plots log10 of the cumulative hazard against log10 of the age, rank on age."""
    spells = lives(case)
    hours, ranks = adjusted_ranks(spells)
    shares = median_ranks(ranks, case.arguments["n"])
    line = rank_regression(hours, shares, regress="rank on age")
    hazard = -np.log1p(-shares)
    case.check_all(
        {
            "intercept": -line.shape * np.log10(line.scale_hours),
            "slope": line.shape,
            "y_first": hazard[0],
            "y_last": hazard[-1],
        }
    )


@pytest.mark.parametrize("case", cases("npmle.turbine"), indirect=True)
def test_share_failed_at_inspection(case: Case) -> None:
    rows = case.data()
    curve = inspection_curve(rows["hours"], rows["inspected"], rows["failed"])
    case.check_all({"hours": curve.hours, "raw": curve.raw, "npmle": curve.share_failed})


def regression(rows: pl.DataFrame, names: list[str], **options: Any) -> AcceleratedFit:
    return fit_accelerated(
        rows["time"], rows["event"].to_numpy(), rows.select(names).to_numpy(), names=names, **options
    )


@pytest.mark.parametrize("case", cases("aft.capacitor"), indirect=True)
def test_life_regression_on_stress(case: Case) -> None:
    fit = regression(case.data(), ["temperature", "voltage"])
    case.check_all(
        {
            "coef": fit.coefficients,
            "se": fit.std_errors,
            "log_scale": np.log(fit.scale),
            "se_log_scale": fit.log_scale_std_error,
            "scale": fit.scale,
            "loglik": fit.log_likelihood,
            "loglik_null": fit.null_log_likelihood,
        }
    )


@pytest.mark.parametrize("case", cases("aft.ovarian"), indirect=True)
def test_life_regression_on_groups(case: Case) -> None:
    fit = regression(case.data(), ["ecog", "rx"])
    case.check_all(
        {"coef": fit.coefficients, "se": fit.std_errors, "scale": fit.scale, "loglik": fit.log_likelihood}
    )


@pytest.mark.parametrize("case", cases("aft.ovarian.exponential"), indirect=True)
def test_life_regression_with_constant_rate(case: Case) -> None:
    fit = regression(case.data(), ["ecog", "rx"], distribution="exponential")
    case.check_all(
        {"coef": fit.coefficients, "loglik": fit.log_likelihood, "loglik_null": fit.null_log_likelihood}
    )
