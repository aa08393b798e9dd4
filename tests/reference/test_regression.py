"""Cox models, plain and for repeat failures, against other programs and hand solutions."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl
import pytest
from published import Case, cases, data

from fleetlog.stats.cox import (
    CoxFit,
    Spells,
    andersen_gill,
    conditional_gap_time,
    conditional_total_time,
    fit_cox,
    martingale_residuals,
    schoenfeld_residuals,
)
from fleetlog.stats.cox_cells import CoxCells


def ticks(values: pl.Series) -> np.ndarray:
    """The data's own unit, ten ticks each; half units occur."""
    return (values * 10).round().to_numpy()


def figures(fit: CoxFit) -> dict[str, Any]:
    one = len(fit.names) == 1
    result: dict[str, Any] = {
        "term": fit.names[0] if one else list(fit.names),
        "coef": fit.coefficients,
        "se": fit.std_errors,
        "loglik0": fit.null_log_likelihood,
        "loglik": fit.log_likelihood,
        "n": fit.spells,
        "nevent": fit.failures,
        "lrt": fit.likelihood_ratio.chi2,
        "score": fit.score.chi2,
        "wald": fit.wald.chi2,
        "ties": fit.ties,
    }
    if fit.robust_std_errors is not None:
        assert fit.robust_wald is not None
        assert fit.robust_score is not None
        result |= {
            "robust_se": fit.robust_std_errors,
            "wald_robust": fit.robust_wald.chi2,
            "score_robust": fit.robust_score.chi2,
        }
    return result


def check(case: Case, fit: CoxFit) -> None:
    result = figures(fit)
    case.check_all({key: result[key] for key in case.expected if key in result})


def model(rows: pl.DataFrame, names: list[str], **options: Any) -> CoxFit:
    """Cox model of a data file, whichever columns it gives its spells in."""
    end = next(n for n in ("stop", "tstop", "exit", "time") if n in rows.columns)
    start = next((n for n in ("start", "tstart", "entry") if n in rows.columns), None)
    entry = 0 if start is None else ticks(rows[start])
    x = rows.select(names).to_numpy()
    return fit_cox(ticks(rows[end]), rows["event"].to_numpy(), x, entry=entry, names=names, **options)


PLAIN: dict[str, list[str]] = {
    "cox.tg1.breslow": ["x"],
    "cox.tg1.efron": ["x"],
    "cox.tg2.efron": ["x"],
    "cox.gehan.breslow": ["rx"],
    "cox.gehan.exact": ["rx"],
    "cox.aml.breslow": ["non"],
    "cox.lung": ["age", "sex", "ph_ecog"],
    "cox.lung.breslow": ["age", "sex", "ph_ecog"],
    "cox.lung.ecog_age": ["ph_ecog", "age"],
    "cox.ovarian": ["age", "rx"],
}


@pytest.mark.parametrize("case", cases(*PLAIN), indirect=True)
def test_cox(case: Case) -> None:
    names = PLAIN[case.id]
    rows = case.data()
    if "group" in rows.columns:
        rows = rows.with_columns(
            rx=(pl.col("group") == "placebo").cast(pl.Int64),
            non=(pl.col("group") != "Maintained").cast(pl.Int64),
        )
    ties = case.arguments.get("ties", "efron")
    check(case, model(rows.drop_nulls(names), names, ties=ties))


@pytest.mark.parametrize("case", cases("cox.lung.strata_sex", "cox.help.strata"), indirect=True)
def test_strata(case: Case) -> None:
    names = ["x"] if case.id == "cox.help.strata" else ["age", "ph_ecog"]
    rows = case.data().drop_nulls(names)
    check(case, model(rows, names, strata=rows["sex"].to_numpy()))


@pytest.mark.parametrize("case", cases("cox.lung.cluster_inst"), indirect=True)
def test_clustered_variance(case: Case) -> None:
    """Rows without an institution or a status are left out, as the program does: 227 of 228 remain."""
    rows = case.data().drop_nulls("inst")
    check(case, model(rows, ["age", "sex"], cluster=rows["inst"].to_numpy()))


@pytest.mark.parametrize("case", cases("cox.veteran"), indirect=True)
def test_factor_and_measurements(case: Case) -> None:
    """Reference level squamous; levels in the order smallcell, adeno, large."""
    levels = ["smallcell", "adeno", "large"]
    rows = case.data().with_columns(
        (pl.col("celltype") == level).cast(pl.Int64).alias(level) for level in levels
    )
    fit = model(rows, ["karno", "diagtime", "age", "prior", "trt", *levels])
    result = figures(fit)
    assert [t.rsplit(")", 1)[-1] for t in case.expected["term"]] == list(fit.names)
    case.check_all({key: result[key] for key in case.expected if key != "term"})
    case.check("term", case.expected["term"])


@pytest.mark.parametrize("case", cases("cox.larynx"), indirect=True)
def test_factor_with_breslow_ties(case: Case) -> None:
    stages = {f"factor(stage){k}": pl.col("stage") == k for k in (2, 3, 4)}
    rows = case.data().with_columns(test.cast(pl.Int64).alias(name) for name, test in stages.items())
    check(case, model(rows, [*stages, "age"], ties="breslow"))


@pytest.mark.parametrize("case", cases("cox.heart.m5.efron"), indirect=True)
def test_covariates_that_change(case: Case) -> None:
    rows = case.data().with_columns(
        (pl.col("age") * pl.col("transplant")).alias("age:transplant"),
        (pl.col("surgery") * pl.col("transplant")).alias("surgery:transplant"),
    )
    names = ["age", "surgery", "transplant", "year", "age:transplant", "surgery:transplant"]
    check(case, model(rows, names))


@pytest.mark.parametrize("case", cases("cox.channing.lt"), indirect=True)
def test_delayed_entry(case: Case) -> None:
    """Convention: entry < age <= exit; spells without length are left out."""
    rows = case.data().filter(pl.col("exit") > pl.col("entry"))
    rows = rows.with_columns(male=(pl.col("gender") == 1).cast(pl.Int64))
    check(case, model(rows, ["male"], ties="breslow"))


@pytest.mark.parametrize("case", cases("cox.tg3.weighted"), indirect=True)
def test_sampling_weights(case: Case) -> None:
    """A weighted failure is still one among the ties."""
    rows = case.data()
    for ties in ("breslow", "efron"):
        result = figures(model(rows, ["x"], weights=rows["wt"].to_numpy(), ties=ties))
        case.check_all({key: result[key] for key in ("coef", "se", "loglik", "loglik0")}, f"{ties}/")


@pytest.mark.parametrize("case", cases("cox.tg1.baseline"), indirect=True)
def test_baseline_and_residuals_by_hand(case: Case) -> None:
    rows = case.data()
    fit = model(rows, ["x"], ties="breslow")
    times = case.expected["time"]
    at = fit.baseline().at(times)
    hazard = -np.log(at["survival"].to_numpy())
    end, flag, x = ticks(rows["time"]), rows["event"].to_numpy(), rows.select("x").to_numpy()
    _, cell = CoxCells.from_spells(0, end, flag, x)
    spells = Spells(np.zeros(end.size, dtype=np.int64), end, flag.astype(float), cell, np.ones(end.size))
    schoenfeld = schoenfeld_residuals(fit.likelihood, fit.coefficients, spells)[:, 0]
    case.check_all(
        {
            "time": times,
            "cumhaz": hazard,
            "surv": at["survival"],
            "se_cumhaz": at["std_error"].to_numpy() / at["survival"].to_numpy(),
            "martingale": martingale_residuals(fit.likelihood, fit.coefficients, spells),
            # the program sorts them by age
            "schoenfeld": schoenfeld[np.argsort(end[flag == 1], kind="stable")],
        }
    )


@pytest.mark.parametrize("case", cases("zph.lung"), indirect=True)
def test_proportional_hazards(case: Case) -> None:
    """The score test, not the older approximation by correlated residuals."""
    names = case.expected["term"][:-1]
    test = model(case.data().drop_nulls(names), names).proportionality(transform="km")
    every = [*test.tests, test.all_terms]
    case.check_all(
        {
            "term": [*test.terms, "GLOBAL"],
            "chisq": [t.chi2 for t in every],
            "df": [t.df for t in every],
            "p": [t.p for t in every],
        }
    )


@pytest.mark.parametrize("case", cases("cox.lung.predict"), indirect=True)
def test_prediction(case: Case) -> None:
    names = ["age", "sex", "ph_ecog"]
    fit = model(case.data().drop_nulls(names), names)
    at = fit.baseline([case.arguments["newdata"][name] for name in names]).at(case.expected["time"])
    case.check_all({"time": at["hours"], "surv": at["survival"], "se": at["std_error"]})


@pytest.mark.parametrize("case", cases("cscox.mgus2.c1", "cscox.mgus2.c2"), indirect=True)
def test_cause_specific(case: Case) -> None:
    """Failures by the other cause censor."""
    cause = case.arguments["cause"]
    rows = case.data().with_columns(
        event=(pl.col("event") == cause).cast(pl.Int64), sexM=(pl.col("sex") == "M").cast(pl.Int64)
    )
    check(case, model(rows, ["age", "sexM"]))


@pytest.mark.parametrize("case", cases("ag.bladder.breslow", "ag.bladder.efron"), indirect=True)
def test_repeat_failures_total_time(case: Case) -> None:
    rows = case.data()
    names = ["rx", "size", "number"]
    x = rows.select(names).to_numpy()
    fit = andersen_gill(
        ticks(rows["start"]), ticks(rows["stop"]), rows["event"].to_numpy(), x, rows["id"].to_numpy(),
        names=names, ties=case.arguments["ties"],
    )  # fmt: skip
    check(case, fit)


@pytest.mark.parametrize("case", cases("pwp_cp.bladder", "pwp_gt.bladder.breslow"), indirect=True)
def test_repeat_failures_conditional(case: Case) -> None:
    rows = data("bladder2.csv")
    names = ["rx", "size", "number"]
    fitter = conditional_gap_time if "gt" in case.id else conditional_total_time
    fit = fitter(
        ticks(rows["start"]), ticks(rows["stop"]), rows["event"].to_numpy(), rows.select(names).to_numpy(),
        rows["id"].to_numpy(), rows["enum"].to_numpy(), names=names, ties=case.arguments["ties"],
    )  # fmt: skip
    check(case, fit)


@pytest.mark.parametrize("case", cases("ag.cgd", "ag.cgd.covs"), indirect=True)
def test_repeat_failures_of_patients(case: Case) -> None:
    names = ["treat"] if case.id == "ag.cgd" else ["treat", "age", "steroids"]
    rows = case.data()
    check(case, model(rows, names, cluster=rows["id"].to_numpy()))
