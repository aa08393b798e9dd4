"""Scores of forecasts against other programs, each convention by name."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from published import Case, cases

from fleetlog.stats import scores as sc


def forecasts(rows: pl.DataFrame, times: list[int]) -> np.ndarray:
    return rows.select([f"s{t}" for t in times]).to_numpy()


@pytest.mark.parametrize("case", cases("metric.harrell.lung", "metric.harrell.lung.lifelines"), indirect=True)
def test_concordance(case: Case) -> None:
    """What the other program counts as tied time is a failure beside a unit last seen at the same age."""
    rows = case.data()
    found = sc.concordance(rows["time"], rows["event"], rows["risk"])
    got = {
        "c": found.c,
        "concordant": found.concordant,
        "discordant": found.discordant,
        "tied_risk": found.tied_risk,
        "tied_time": found.beside_censored,
    }
    case.check_all({key: got[key] for key in case.expected})


@pytest.mark.parametrize("case", cases("metric.brier.lung"), indirect=True)
def test_censored_brier(case: Case) -> None:
    """Failures first at ties, weights at the age itself; the censoring curve comes from the training fold."""
    times = case.arguments["times"]
    rows = case.data()
    train, test = rows.filter(fold="train"), rows.filter(fold="test")
    curve = sc.CensoringCurve.of(train["time"], train["event"])
    case.check_all(
        {
            "time": times,
            "brier_train_test": sc.censored_brier(
                test["time"], test["event"], forecasts(test, times), times, censoring=curve
            ),
            "brier_all": sc.censored_brier(rows["time"], rows["event"], forecasts(rows, times), times),
        }
    )


@pytest.mark.parametrize("case", cases("metric.ibs.lung"), indirect=True)
def test_integrated_brier(case: Case) -> None:
    times = case.arguments["times"]
    rows = case.data()
    train, test = rows.filter(fold="train"), rows.filter(fold="test")
    curve = sc.CensoringCurve.of(train["time"], train["event"])
    split = sc.censored_brier(test["time"], test["event"], forecasts(test, times), times, censoring=curve)
    every = sc.censored_brier(rows["time"], rows["event"], forecasts(rows, times), times)
    case.check_all({"ibs": sc.integrated_score(times, split), "ibs_all": sc.integrated_score(times, every)})


@pytest.mark.parametrize("case", cases("metric.brier.lung.conventions"), indirect=True)
def test_conventions_of_the_weights(case: Case) -> None:
    times = case.arguments["times"]
    rows = case.data()
    case.check("time", times)
    for first in (False, True):
        curve = sc.CensoringCurve.of(rows["time"], rows["event"], failures_first=first)
        for before in (False, True):
            name = ("events_first" if first else "plain") + "_G_at_T" + ("_minus" if before else "")
            got = sc.censored_brier(
                rows["time"],
                rows["event"],
                forecasts(rows, times),
                times,
                censoring=curve,
                weight_before=before,
            )
            case.check(name, got)


@pytest.mark.parametrize("case", cases("metric.auc.lung"), indirect=True)
def test_area_by_age(case: Case) -> None:
    times = case.arguments["times"]
    rows = case.data()
    train, test = rows.filter(fold="train"), rows.filter(fold="test")
    curve = sc.CensoringCurve.of(train["time"], train["event"])
    found = sc.area_by_age(test["time"], test["event"], test["risk"], times, censoring=curve)
    case.check_all({"time": times, "auc": found.area, "mean": found.mean})


@pytest.mark.parametrize("case", cases("metric.poisson_scores"), indirect=True)
def test_counts(case: Case) -> None:
    found = sc.count_scores(case.arguments["counts"], case.arguments["mu"])
    case.check_all(
        {
            "deviance": found.deviance,
            "pearson": found.pearson,
            "log_score": found.log_score,
            "crps": found.crps,
            "o_over_e": found.observed_over_expected,
            "oe_lower": found.lower,
            "oe_upper": found.upper,
            "pit": found.pit,
        }
    )
