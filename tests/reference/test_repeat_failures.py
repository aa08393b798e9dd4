"""Mean cumulative counts, trend tests and power laws against published analyses."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl
import pytest
from published import Case, cases

from fleetlog.stats.histories import MachineHistories
from fleetlog.stats.recurrent import mean_cumulative
from fleetlog.stats.trend import fleet_power_law, laplace_test, mil_hdbk_189_test


def one_machine(hours: np.ndarray, end: float) -> MachineHistories:
    return MachineHistories.of([0], 0, [round(end * 10)], np.zeros(hours.size, dtype=int), hours * 10)


def failure_truncated(hours: np.ndarray) -> MachineHistories:
    """Observation ends with the last failure, which then says nothing of the trend."""
    return one_machine(hours[:-1], hours[-1])


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
    curve = mean_cumulative(units)
    count, got["se_lawless_nadeau"] = curve.at(times)
    last = np.searchsorted(curve.hours, times, side="right") - 1
    got |= {"lower_log": curve.lower[last], "upper_log": curve.upper[last]}
    table = units.table()
    got |= {"mcf": count, "n_risk_last": curve.at_risk[last]}
    assert (table.at_risk[np.searchsorted(table.hours, curve.hours * 10)] == curve.at_risk).all()
    case.check_all(got)


@pytest.mark.parametrize("case", cases("nhpp.nist8452"), indirect=True)
def test_power_law_of_one_machine(case: Case) -> None:
    hours = case.data()["hours"].to_numpy()
    end = case.arguments["T"]
    machine = one_machine(hours, end)
    law = fleet_power_law(machine.table())
    laplace, chi = laplace_test(machine), mil_hdbk_189_test(machine)
    case.check_all(
        {
            "n": law.events,
            "T": law.machine_hours,
            "beta_mle": law.shape,
            "lambda_mle": law.rate,
            "laplace_u": laplace.statistic,
            "laplace_p_two": laplace.p,
            "milhdbk_chi2": chi.statistic,
            "milhdbk_df": chi.df,
            "milhdbk_p_two": chi.p,
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
    machines = [failure_truncated(np.cumsum(x)) for x in intervals]
    case.check_all(
        {
            "plane": planes,
            "n": [x.size for x in intervals],
            "mean": [x.mean() for x in intervals],
            "laplace": [laplace_test(one).statistic for one in machines],
            "milhdbk": [mil_hdbk_189_test(one).statistic for one in machines],
        }
    )


@pytest.mark.parametrize("case", cases("trend.ascher_feingold"), indirect=True)
def test_happy_sad_and_noncommittal(case: Case) -> None:
    """A positive statistic means that failures crowd late: the sad system gets worse."""
    for name in case.expected:
        intervals = case.data().filter(system=name)["interval"].to_numpy()
        ages = np.cumsum(intervals)
        machine = failure_truncated(ages)
        laplace, chi = laplace_test(machine), mil_hdbk_189_test(machine)
        got = {
            "laplace_failure_truncated": laplace.statistic,
            "p_two": laplace.p,
            "laplace_time_truncated_at_last": laplace_test(one_machine(ages, ages[-1])).statistic,
            "milhdbk": chi.statistic,
            "df": chi.df,
        }
        case.check_all(got, f"{name}/")
        assert laplace.direction == {"happy": "better", "sad": "worse", "noncommittal": "worse"}[name]
