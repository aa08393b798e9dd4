"""Mean cumulative counts, trend tests and power laws against published analyses."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl
import pytest
from published import Case, cases

from fleetlog.stats.recurrent import MachineHistories, mean_cumulative
from fleetlog.stats.trend import (
    event_rate,
    fleet_power_law,
    grouped_power_law,
    laplace_test,
    lewis_robinson_test,
    mil_hdbk_189_test,
    power_law,
    rising_pairs,
)


def histories(rows: pl.DataFrame, time: str, flag: str) -> MachineHistories:
    """Each unit is watched from age zero to its last row."""
    windows = rows.group_by("id").agg(pl.col(time).max()).sort("id")
    events = rows.filter(pl.col(flag) == 1)
    return MachineHistories.of(
        windows["id"], 0, windows[time].to_numpy() * 10, events["id"], events[time].to_numpy() * 10
    )


def of_case(case: Case) -> MachineHistories:
    rows = case.data()
    return histories(rows, *(("tstop", "event") if "tstop" in rows.columns else ("time", "status")))


@pytest.mark.parametrize("case", cases("mcf.valve_seat", "mcf.cgd"), indirect=True)
def test_mean_cumulative_count(case: Case) -> None:
    """Two replacements of one engine on one day count two. The intervals use the robust variance."""
    times = case.arguments["times"]
    units = of_case(case)
    got: dict[str, Any] = {"time": times, "n_units": units.machines, "n_events": units.event_count.sum()}
    names: dict[Any, str] = {"robust": "lawless_nadeau", "unbiased": "nelson_unbiased", "poisson": "poisson"}
    for variance, name in names.items():
        curve = mean_cumulative(units, variance=variance)
        count, got[f"se_{name}"] = curve.at(times)
    for interval in ("plain", "log"):
        curve = mean_cumulative(units, interval=interval)
        last = np.searchsorted(curve.hours, times, side="right") - 1
        # the published plain limits are not cut off at zero
        lower = count - (curve.upper[last] - count) if interval == "plain" else curve.lower[last]
        got |= {f"lower_{interval}": lower, f"upper_{interval}": curve.upper[last]}
    table = units.table()
    got |= {"mcf": count, "n_risk_last": curve.at_risk[last]}
    assert (table.at_risk[np.searchsorted(table.hours, curve.hours * 10)] == curve.at_risk).all()
    case.check_all(got)


@pytest.mark.parametrize("case", cases("nhpp.nist8452"), indirect=True)
def test_power_law_of_one_machine(case: Case) -> None:
    hours = case.data()["hours"].to_numpy()
    end = case.arguments["T"]
    law = power_law(hours, end)
    laplace, chi = laplace_test(hours, end), mil_hdbk_189_test(hours, end)
    case.check_all(
        {
            "n": law.failures,
            "T": law.end_hours,
            "failure_truncated": law.truncation == "failure",
            "sum_log": np.log(end / hours).sum(),
            "beta_mle": law.shape,
            "lambda_mle": law.rate,
            "intensity_T": law.intensity,
            "mtbf_T": law.mean_hours_between,
            "beta_unbiased": law.shape_unbiased,
            "growth": 1 - law.shape_unbiased,
            "lambda_unbiased": law.rate_unbiased,
            "mtbf_T_unbiased": law.mean_hours_between_unbiased,
            "beta_ci95": law.shape_ci,
            "laplace_u": laplace.statistic,
            "laplace_p_two": laplace.p,
            "milhdbk_chi2": chi.statistic,
            "milhdbk_df": chi.df,
            "milhdbk_p_two": chi.p,
            "lewis_robinson": lewis_robinson_test(hours, end).statistic,
            "cramer_von_mises": law.cramer_von_mises,
            "reversals": rising_pairs(np.diff(hours, prepend=0))[0],
        }
    )


@pytest.mark.parametrize("case", cases("nhpp.nist8452.mtbf_ci"), indirect=True)
def test_hours_between_failures_at_the_end(case: Case) -> None:
    law = power_law(case.data()["hours"].to_numpy(), case.arguments["T"])
    lower, upper = law.mean_hours_between_interval(level=case.arguments["confidence"])
    case.check_all({"lower": lower, "upper": upper})


@pytest.mark.parametrize("case", cases("nhpp.crow_grouped"), indirect=True)
def test_power_law_from_counts(case: Case) -> None:
    rows = case.data()
    law = grouped_power_law(np.append(rows["start"].to_numpy(), rows["end"][-1]), rows["failures"])
    case.check_all(
        {
            "beta": law.shape,
            "lambda": law.rate,
            "expected": law.expected,
            "chisq": law.chi2,
            "df": law.df,
            "mtbf_T": law.mean_hours_between,
        }
    )


@pytest.mark.parametrize("case", cases("nhpp.valve_seat"), indirect=True)
def test_power_law_of_a_fleet(case: Case) -> None:
    law = fleet_power_law(of_case(case).table())
    case.check_all({"n": law.events, "beta": law.shape, "lambda": law.rate, "loglik": law.log_likelihood})


@pytest.mark.parametrize("case", cases("proschan.planes"), indirect=True)
def test_trend_by_machine(case: Case) -> None:
    """Failure truncated: the last failure says nothing, so n - 1 remain."""
    rows = case.data().with_columns(pl.col("plane").cast(pl.String))
    planes = case.expected["plane"]
    intervals = [rows.filter(plane=p).sort("order")["interval_hours"].to_numpy() for p in planes]
    ages = [np.cumsum(x) for x in intervals]
    case.check_all(
        {
            "plane": planes,
            "n": [x.size for x in intervals],
            "mean": [x.mean() for x in intervals],
            "laplace": [laplace_test(a).statistic for a in ages],
            "milhdbk": [mil_hdbk_189_test(a).statistic for a in ages],
            "lewis_robinson": [lewis_robinson_test(a).statistic for a in ages],
        }
    )


@pytest.mark.parametrize("case", cases("trend.ascher_feingold"), indirect=True)
def test_happy_sad_and_noncommittal(case: Case) -> None:
    """A positive statistic means that failures crowd late: the sad system gets worse."""
    for name in case.expected:
        intervals = case.data().filter(system=name)["interval"].to_numpy()
        ages = np.cumsum(intervals)
        laplace, chi = laplace_test(ages), mil_hdbk_189_test(ages)
        got = {
            "laplace_failure_truncated": laplace.statistic,
            "p_two": laplace.p,
            "laplace_time_truncated_at_last": laplace_test(ages, ages[-1]).statistic,
            "milhdbk": chi.statistic,
            "df": chi.df,
            "lewis_robinson": lewis_robinson_test(ages).statistic,
            "reversals": rising_pairs(intervals)[0],
        }
        case.check_all(got, f"{name}/")
        assert laplace.direction == {"happy": "better", "sad": "worse", "noncommittal": "worse"}[name]


@pytest.mark.parametrize("case", cases("repeat.valve_seat.poisson"), indirect=True)
def test_one_rate_for_all(case: Case) -> None:
    units = of_case(case)
    events = np.bincount(units.event_machine, weights=units.event_count, minlength=units.machines)
    rate = event_rate(events, units.exit / units.per_hour)
    case.check_all(
        {
            "log_rate": np.log(rate.rate),
            "se": rate.std_error_log,
            "deviance": rate.deviance,
            "pearson": rate.pearson,
            "df": rate.df,
            "rate": rate.rate * 1000,
            "lower": rate.lower * 1000,
            "upper": rate.upper * 1000,
        }
    )
