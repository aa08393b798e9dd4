"""Weibull and other lives, probability plots and life regressions against handbooks and other programs."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl
import pytest
from published import Case, cases
from scipy.stats import norm, weibull_min

from fleetlog.stats.accelerated import AcceleratedFit, fit_accelerated
from fleetlog.stats.families import LOGLOGISTIC, LOGNORMAL
from fleetlog.stats.interval_curve import IntervalLives, interval_curve
from fleetlog.stats.lifetimes import (
    WeibullFit,
    compare_fits,
    fit_log_life,
    fit_weibull,
    fit_weibull_intervals,
)
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


def compared(spells: RiskTable) -> dict[str, dict[str, Any]]:
    return {row["distribution"]: row for row in compare_fits(spells).frame.to_dicts()}


def check_weibull(case: Case, fit: WeibullFit) -> None:
    """Every figure of a Weibull case; standard errors follow from the covariance of the logs."""
    want = case.expected
    shares = want.get("p", [])
    b = np.array([fit.b_life(p).estimate for p in shares])
    z = np.log(-np.log1p(-np.asarray(shares)))
    slopes = np.column_stack((-z / fit.shape, np.ones(len(shares))))
    error = np.sqrt(np.diag(fit.covariance))
    log_life_error = np.sqrt(np.einsum("ij,jk,ik->i", slopes, fit.covariance, slopes))
    tenth, law = fit.b_life(0.1), weibull_min(fit.shape, scale=fit.scale_hours)
    wide = np.exp(norm.ppf(0.5 + 0.5 * fit.level) * error)
    far = np.exp(norm.ppf(0.5 + 0.5 * fit.level) * log_life_error)
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
        "beta_ci_lognormal": (fit.shape / wide[0], fit.shape * wide[0]),
        "eta_ci_lognormal": (fit.scale_hours / wide[1], fit.scale_hours * wide[1]),
        "p": shares,
        "B": b,
        "se_B": b * log_life_error,
        "B_lower": b / far,
        "B_upper": b * far,
        "mean": law.mean(),
        "sd": law.std(),
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
        weibull = fit_weibull(spells)
        got = {
            "beta": weibull.shape,
            "eta": weibull.scale_hours,
            "loglik_weibull": weibull.log_likelihood,
            "loglik_exp": compared(spells)["exponential"]["log_likelihood"],
        }
        case.check_all(got, f"p{plane}/")


@pytest.mark.parametrize("case", cases("dist.nist8413"), indirect=True)
def test_distributions_side_by_side(case: Case) -> None:
    spells = lives(case)
    rows = compared(spells)
    for name, row in rows.items():
        case.check_all({"loglik": row["log_likelihood"], "aic": row["aic"]}, f"{name}/")
    weibull = fit_weibull(spells)
    got = {
        "mu": np.log(weibull.scale_hours),
        "sigma": 1.0 / weibull.shape,
        "se_mu": np.sqrt(weibull.covariance[1, 1]),
    }
    case.check_all(got, "weibull/")
    for family in (LOGNORMAL, LOGLOGISTIC):
        fit = fit_log_life(family, spells)
        mu, log_sigma = fit.theta
        got = {"mu": mu, "sigma": np.exp(log_sigma), "se_mu": np.sqrt(fit.covariance[0, 0])}
        case.check_all(got, f"{family.name}/")
    assert list(rows)[:2] == ["loglogistic", "weibull"]


@pytest.mark.parametrize("case", cases("npmle.turbine"), indirect=True)
def test_share_failed_at_inspection(case: Case) -> None:
    rows = case.data()
    hours, inspected, failed = (rows[name].to_numpy() for name in ("hours", "inspected", "failed"))
    lower = np.concatenate((np.zeros(hours.size), hours))
    upper = np.concatenate((hours, np.full(hours.size, np.inf)))
    share = np.concatenate((failed, inspected - failed))
    curve = interval_curve(IntervalLives.of(lower[share > 0], upper[share > 0], share[share > 0]))
    case.check_all({"hours": hours, "npmle": 1.0 - curve.at(hours)})


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
