"""Intervals for shares, counts and times between failures against published tables."""

from __future__ import annotations

import polars as pl
import pytest
from published import Case, cases

from fleetlog.stats import proportions as pr
from fleetlog.stats.small_groups import gamma_prior


@pytest.mark.parametrize(
    "case",
    cases("binom.81_263", "binom.0_20", "binom.1_29", "binom.20_20", "binom.3_10"),
    indirect=True,
)
def test_share(case: Case) -> None:
    """Agresti-Coull and Wald are not clipped; Jeffreys with and without limits closed at 0 and 1."""
    x, n, level = (case.arguments[key] for key in ("x", "n", "level"))
    case.check_all(
        {
            "wilson": pr.wilson(x, n, level=level),
            "wilson_cc": pr.wilson_cc(x, n, level=level),
            "clopper_pearson": pr.clopper_pearson(x, n, level=level),
            "mid_p": pr.mid_p(x, n, level=level),
            "jeffreys": pr.jeffreys(x, n, level=level, closed_ends=False),
            "jeffreys_bcd": pr.jeffreys(x, n, level=level),
            "agresti_coull": pr.agresti_coull(x, n, level=level),
            "wald": pr.wald(x, n, level=level),
        }
    )


@pytest.mark.parametrize("case", cases("binomdiff.56_70.48_80", "binomdiff.5_56.0_29"), indirect=True)
def test_difference_of_shares(case: Case) -> None:
    d = pr.newcombe_difference(*(case.arguments[key] for key in ("x1", "n1", "x2", "n2")))
    case.check_all({"diff": d.estimate, "lower": d.lower, "upper": d.upper})


@pytest.mark.parametrize("case", cases("poisson.garwood"), indirect=True)
def test_count(case: Case) -> None:
    counts, level = case.expected["x"], case.arguments["level"]
    exact = [pr.garwood(x, level=level) for x in counts]
    mid = [pr.poisson_mid_p(x, level=level) for x in counts]
    byar = [pr.byar(x, level=level) for x in counts]
    case.check_all(
        {
            "x": counts,
            "lower": [b.lower for b in exact],
            "upper": [b.upper for b in exact],
            "midp_lower": [b.lower for b in mid],
            "midp_upper": [b.upper for b in mid],
            "byar_lower": [b.lower for b in byar],
            "byar_upper": [b.upper for b in byar],
            "upper_one_sided95": [pr.poisson_upper_limit(x, level=level) for x in counts],
        }
    )


@pytest.mark.parametrize("case", cases("mtbf.factors.90"), indirect=True)
def test_factors_for_hours_between_failures(case: Case) -> None:
    """Observation ended by the clock: 2r + 2 degrees of freedom for the lower limit."""
    counts = case.expected["r"]
    results = [pr.mean_time_between(float(r), r, level=case.arguments["confidence"]) for r in counts]
    case.check_all(
        {"r": counts, "lower": [one.lower for one in results], "upper": [one.upper for one in results]}
    )


@pytest.mark.parametrize("case", cases("mtbf.nist8451.example"), indirect=True)
def test_hours_between_failures(case: Case) -> None:
    hours, r, level = (case.arguments[key] for key in ("T", "r", "confidence"))
    result = pr.mean_time_between(hours, r, level=level)
    bound = pr.mean_time_between_without_failure(hours, level=0.95)
    case.check_all(
        {"mtbf": result.hours, "lower": result.lower, "upper": result.upper, "lower_zero_fail_95": bound}
    )


@pytest.mark.parametrize("case", cases("poisson.rate_ratio"), indirect=True)
def test_ratio_of_rates(case: Case) -> None:
    """The p value adds up all outcomes no more likely than the one observed."""
    (x1, x2), (t1, t2) = case.arguments["x"], case.arguments["T"]
    ratio = pr.rate_ratio(x1, t1, x2, t2)
    case.check_all({"ratio": ratio.estimate, "p": ratio.p, "lower": ratio.lower, "upper": ratio.upper})


@pytest.mark.parametrize("case", cases("gamma.pumps"), indirect=True)
def test_spread_of_rates(case: Case) -> None:
    prior = gamma_prior(case.arguments["failures"], case.arguments["hours"])
    case.check_all({"shape": prior.shape, "rate": prior.rate, "loglik": prior.log_likelihood})


@pytest.mark.parametrize("case", cases("mtbf.ratio.F"), indirect=True)
def test_ratio_of_mean_lives(case: Case) -> None:
    ratio = pr.mean_life_ratio(*(case.arguments[key] for key in ("T1", "r1", "T2", "r2")))
    got = {"ratio": ratio.estimate, "F": ratio.estimate, "p_two": ratio.p}
    case.check_all({**got, "lower": ratio.lower, "upper": ratio.upper})


@pytest.mark.parametrize("case", cases("proschan.homogeneity"), indirect=True)
def test_one_mean_life_for_all(case: Case) -> None:
    by_plane = case.data().group_by("plane").agg(n=pl.len(), hours=pl.col("interval_hours").sum())
    test = pr.equal_means(by_plane["n"], by_plane["hours"])
    case.check_all(
        {
            "lrt": test.chi2,
            "df": test.df,
            "p": test.p,
            "bartlett": test.corrected,
            "total_intervals": by_plane["n"].sum(),
            "total_hours": by_plane["hours"].sum(),
        }
    )
