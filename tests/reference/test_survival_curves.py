"""Survival, hazard and incidence against published tables and other programs."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from published import Case, cases, data
from spells import causes_table, for_cause, incidence_at

from fleetlog.stats.product_limit import (
    INTERVALS,
    Quantile,
    aalen_johansen,
    product_limit,
)
from fleetlog.stats.risk_table import CausesTable, RiskTable


def table(rows: pl.DataFrame, entry: str | None = None, exit: str = "time") -> RiskTable:
    """Ages in the data's own unit, ten ticks each."""
    begin = 0 if entry is None else rows[entry].to_numpy() * 10
    return RiskTable.from_spells(begin, rows[exit].to_numpy() * 10, rows["event"].to_numpy())


def channing(gender: int | None) -> RiskTable:
    rows = data("channing.csv").filter(pl.col("exit") > pl.col("entry"))
    return table(rows if gender is None else rows.filter(gender=gender), "entry", "exit")


def at_risk_at_next_end(spells: RiskTable, ages: list[float]) -> np.ndarray:
    """Convention of the program that made the numbers: at risk at the next age at which a spell ends."""
    ends = spells.hours[spells.leaving > 0] / spells.per_hour
    return spells.at_risk_at(ends[np.searchsorted(ends, ages)])


def arrays(quantiles: list[Quantile]) -> dict[str, list[float | None]]:
    names = ("p", "estimate", "lower", "upper")
    return {name: [getattr(q, name) for q in quantiles] for name in names}


@pytest.mark.parametrize("case", cases("km.gehan.6mp", "km.aml.maintained"), indirect=True)
def test_product_limit_and_greenwood(case: Case) -> None:
    name = case.arguments["filter"].split("=")[1]
    curve = product_limit(table(case.data().filter(group=name)))
    case.check_all(
        {
            "time": curve.hours,
            "n_risk": curve.at_risk,
            "n_event": curve.failed,
            "surv": curve.survival,
            "se": curve.std_error,
        }
    )


@pytest.mark.parametrize("case", cases("na.gehan.6mp"), indirect=True)
def test_numbers_that_a_cumulative_hazard_rests_on(case: Case) -> None:
    """Nelson-Aalen with Aalen's variance: the sums of d/Y and d/Y^2."""
    rows = table(case.data().filter(group="6-MP"))
    failing = rows.failed > 0
    hours, at_risk, failed = rows.hours[failing] / rows.per_hour, rows.at_risk[failing], rows.failed[failing]
    error = np.sqrt(np.cumsum(failed / at_risk**2))
    case.check_all({"time": hours, "cumhaz": np.cumsum(failed / at_risk), "se": error})


@pytest.mark.parametrize("case", cases("km.gehan.6mp.ci"), indirect=True)
def test_every_kind_of_interval(case: Case) -> None:
    times = case.arguments["times"]
    rows = table(case.data().filter(group="6-MP"))
    case.check("time", times)
    for kind in INTERVALS:
        band = product_limit(rows, interval=kind, level=case.arguments["level"]).at(times)
        case.check_all({f"lower_{kind}": band.lower, f"upper_{kind}": band.upper})


@pytest.mark.parametrize("case", cases("km.gehan.quantiles.log"), indirect=True)
def test_quantiles_not_reached_are_none(case: Case) -> None:
    for key, group in (("mp", "6-MP"), ("placebo", "placebo")):
        curve = product_limit(table(case.data().filter(group=group)), interval="log")
        shares = case.expected[key]["p"]
        case.check_all(arrays([curve.quantile(p) for p in shares]), f"{key}/")


@pytest.mark.parametrize("case", cases("km.aml.median"), indirect=True)
def test_median_by_group(case: Case) -> None:
    for key, group in (("maintained", "Maintained"), ("non", "Nonmaintained")):
        curve = product_limit(table(case.data().filter(group=group)), interval="log")
        case.check_all({k: v[0] for k, v in arrays([curve.quantile(0.5)]).items()}, f"{key}/")


@pytest.mark.parametrize("case", cases("km.lung.median"), indirect=True)
def test_quartiles(case: Case) -> None:
    curve = product_limit(table(case.data()), interval="log")
    case.check_all(arrays([curve.quantile(p) for p in case.expected["p"]]))


@pytest.mark.parametrize("case", cases("km.lung.times"), indirect=True)
def test_survival_at_chosen_ages(case: Case) -> None:
    times = case.arguments["times"]
    at = product_limit(table(case.data()), interval="log").at(times)
    case.check_all(
        {
            "time": times,
            "n_risk": at.at_risk,
            "surv": at.survival,
            "se": at.std_error,
            "lower_log": at.lower,
            "upper_log": at.upper,
        }
    )


@pytest.mark.parametrize("case", cases("km.lung.sex365"), indirect=True)
def test_survival_by_group(case: Case) -> None:
    at = [product_limit(table(case.data().filter(sex=sex)), interval="log").at(365) for sex in (1, 2)]
    case.check_all(
        {
            "surv": [a.survival for a in at],
            "se": [a.std_error for a in at],
            "lower_log": [a.lower for a in at],
            "upper_log": [a.upper for a in at],
        }
    )


@pytest.mark.parametrize("case", cases("km.channing.lt.g1", "km.channing.lt.g2"), indirect=True)
def test_delayed_entry_unconditional(case: Case) -> None:
    """Convention: entry < age <= exit, and no conditional start, which lets the men's curve collapse."""
    times = case.arguments["times"]
    rows = channing(int(case.arguments["filter"][7]))
    at = product_limit(rows, minimum_at_risk=0).at(times)
    case.check_all(
        {
            "time": times,
            "n_risk": at_risk_at_next_end(rows, times),
            "surv": at.survival,
            "se": at.std_error,
        }
    )


@pytest.mark.parametrize("case", cases("km.channing.cond68.g2"), indirect=True)
def test_conditional_on_an_age(case: Case) -> None:
    times = case.arguments["times"]
    rows = channing(2)
    curve = product_limit(rows, interval="log", from_hours=case.arguments["origin"])
    at = curve.at(times)
    assert "816" in str(curve.note)
    case.check_all(
        {
            "time": times,
            "n_risk": at_risk_at_next_end(rows, times),
            "surv": at.survival,
            "se": at.std_error,
            "lower_log": at.lower,
            "upper_log": at.upper,
        }
    )


@pytest.mark.parametrize("case", cases("km.channing.men.first"), indirect=True)
def test_first_failures_with_tiny_risk_sets(case: Case) -> None:
    curve = product_limit(channing(1), minimum_at_risk=0)
    case.check_all(
        {
            "time": curve.hours[:4],
            "n_risk": curve.at_risk[:4],
            "n_event": curve.failed[:4],
            "surv": curve.survival[:4],
        }
    )
    # by default the curve starts where enough are at risk, and says so
    safe = product_limit(channing(1))
    assert safe.note is not None
    assert safe.survival[0] > 0.8


@pytest.mark.parametrize("case", cases("km.channing.all.median"), indirect=True)
def test_median_with_delayed_entry(case: Case) -> None:
    curve = product_limit(channing(None), interval="log", minimum_at_risk=0)
    case.check_all({k: v[0] for k, v in arrays([curve.quantile(0.5)]).items()})


@pytest.mark.parametrize("case", cases("km.heart.startstop"), indirect=True)
def test_split_spells(case: Case) -> None:
    times = case.arguments["times"]
    at = [
        product_limit(table(case.data().filter(transplant=t), "start", "stop"), minimum_at_risk=0).at(times)
        for t in (0, 1)
    ]
    case.check_all(
        {
            "strata": [0] * 3 + [1] * 3,
            "time": times * 2,
            "n_risk": [a.at_risk for a in at],
            "surv": [a.survival for a in at],
            "se": [a.std_error for a in at],
        }
    )


@pytest.mark.parametrize("case", cases("km.quantile.tie"), indirect=True)
def test_median_on_a_plateau(case: Case) -> None:
    curve = product_limit(RiskTable.from_spells(0, [10, 20, 30, 40], [1, 1, 1, 1]))
    case.check("inf_S_le_half", curve.quantile(0.5).estimate)


@pytest.mark.parametrize("case", cases("km.veteran.celltype"), indirect=True)
def test_median_by_several_groups(case: Case) -> None:
    groups = case.expected["strata"]
    curves = [product_limit(table(case.data().filter(celltype=g)), interval="log") for g in groups]
    medians = [curve.quantile(0.5) for curve in curves]
    case.check_all(
        {
            "strata": groups,
            "records": [c.spells for c in curves],
            "events": [c.failures for c in curves],
            "median": [m.estimate for m in medians],
            "lower": [m.lower for m in medians],
            "upper": [m.upper for m in medians],
        }
    )


@pytest.mark.parametrize("case", cases("km.synthetic.lt"), indirect=True)
def test_delayed_entry_of_a_fleet(case: Case) -> None:
    times = case.arguments["times"]
    rows = table(case.data(), "entry", "exit")
    at = product_limit(rows, minimum_at_risk=0).at(times)
    at_risk = at_risk_at_next_end(rows, times)
    case.check_all({"time": times, "n_risk": at_risk, "surv": at.survival, "se": at.std_error})


@pytest.mark.parametrize("case", cases("gap.bladder"), indirect=True)
def test_gap_times_by_event_number(case: Case) -> None:
    rows = case.data().with_columns(time=pl.col("stop") - pl.col("start"))
    numbers = case.expected["enum"]
    curves = [product_limit(table(rows.filter(enum=n)), interval="log") for n in numbers]
    medians = [curve.quantile(0.5) for curve in curves]
    case.check_all(
        {
            "enum": numbers,
            "records": [c.spells for c in curves],
            "events": [c.failures for c in curves],
            "median": [m.estimate for m in medians],
            "lower": [m.lower for m in medians],
            "upper": [m.upper for m in medians],
        }
    )


def competing(rows: pl.DataFrame, cause: str) -> CausesTable:
    return causes_table(0, rows["time"].to_numpy() * 10, rows[cause].to_numpy(), causes=[1, 2])


@pytest.mark.parametrize("case", cases("cif.mgus2", "cif.bmt.g2", "cif.bmt.g3"), indirect=True)
def test_cumulative_incidence(case: Case) -> None:
    """The delta method equals the infinitesimal jackknife."""
    rows = case.data()
    if "filter" in case.arguments:
        rows = rows.filter(group=int(case.arguments["filter"].split("=")[1]))
    spells = competing(rows, "event" if "event" in rows.columns else "cause")
    times = case.arguments["times"]
    curves = aalen_johansen(spells)
    case.check("time", times)
    case.check("surv", incidence_at(curves, times, "survival")["1"])
    for cause in ("1", "2"):
        error = incidence_at(curves, times, "std_error")[cause]
        case.check_all(
            {
                f"cif_{cause}": incidence_at(curves, times, "incidence")[cause],
                f"se_ij_{cause}": error,
                f"se_delta_{cause}": error,
            }
        )


@pytest.mark.parametrize("case", cases("cif.mgus2.naive_1mKM"), indirect=True)
def test_one_minus_survival_overstates_a_cause(case: Case) -> None:
    times = case.expected["time"]
    spells = competing(case.data(), "event")
    naive = 1.0 - product_limit(for_cause(spells, "1")).at(times).survival
    case.check_all({"time": times, "one_minus_km": naive})
    assert (naive > incidence_at(aalen_johansen(spells), times, "incidence")["1"]).all()


@pytest.mark.parametrize("case", cases("cif.tiny"), indirect=True)
def test_competing_causes_by_hand(case: Case) -> None:
    times = case.expected["time"]
    spells = competing(case.data(), "cause")
    curves = aalen_johansen(spells)
    case.check_all(
        {
            "time": times,
            "n_risk": spells.any_cause().at_risk_at(times),
            "surv": incidence_at(curves, times, "survival")["1"],
            "se_surv": np.nan_to_num(
                product_limit(spells.any_cause(), minimum_at_risk=0).at(times).std_error
            ),
        }
    )
    for cause in ("1", "2"):
        figures = {"cif": incidence_at(curves, times), "se_cif": incidence_at(curves, times, "std_error")}
        case.check_all({f"{name}_{cause}": by_cause[cause] for name, by_cause in figures.items()})
