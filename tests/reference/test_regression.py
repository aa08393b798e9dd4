"""Cox models, plain and for repeat failures, against other programs and hand solutions."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import polars as pl
import pytest
from published import Case, cases, data
from spells import Spells

from fleetlog.stats.cox import CoxFit
from fleetlog.stats.log_rank import quadratic_form


def ticks(values: pl.Series) -> np.ndarray:
    """The data's own unit, ten ticks each; half units occur."""
    return (values * 10).round().to_numpy()


def figures(fit: CoxFit) -> dict[str, Any]:
    one = len(fit.names) == 1
    null, score, information = fit.likelihood.derivatives(np.zeros(len(fit.names)))
    return {
        "term": fit.names[0] if one else list(fit.names),
        "coef": fit.coefficients,
        "se": fit.std_errors,
        "loglik0": null,
        "loglik": fit.log_likelihood,
        "n": fit.spells,
        "nevent": fit.failures,
        "lrt": fit.likelihood_ratio.chi2,
        "score": quadratic_form(score, information)[0],
        "wald": quadratic_form(fit.coefficients, fit.covariance)[0],
        "robust_se": fit.robust_std_errors,
        "wald_robust": None
        if fit.robust_covariance is None
        else quadratic_form(fit.coefficients, fit.robust_covariance)[0],
    }


def check(case: Case, fit: CoxFit) -> None:
    case.check_known(figures(fit))


def spells(rows: pl.DataFrame, names: list[str], *, gap: bool = False, strata: str | None = None) -> Spells:
    """The spells of a data file, whichever columns it gives them in; with `gap` the clock starts anew."""
    end = ticks(rows[next(n for n in ("stop", "tstop", "exit", "time") if n in rows.columns)])
    start = next((n for n in ("start", "tstart", "entry") if n in rows.columns), None)
    entry = np.zeros_like(end) if start is None else ticks(rows[start])
    exit, entry = (end - entry, np.zeros_like(end)) if gap else (end, entry)
    x, groups = rows.select(names).to_numpy(), None if strata is None else rows[strata]
    return Spells.of(exit, rows["event"].to_numpy(), x, entry=entry, names=names, strata=groups)


def model(rows: pl.DataFrame, names: list[str], *, ties: Any = "efron", **options: Any) -> CoxFit:
    return spells(rows, names, **options).fit(ties)


def check_robust(
    case: Case, rows: pl.DataFrame, names: list[str], cluster: str, *, ties: Any = "efron", **options: Any
) -> None:
    """With the variance robust to clusters; the score test takes it where all coefficients are zero."""
    lives = spells(rows, names, **options)
    plain = lives.fit(ties)
    check(case, lives.robust(plain, rows[cluster].to_numpy()))
    nothing = replace(plain, coefficients=np.zeros(len(names)))
    sums = lives.score_sums(nothing, rows[cluster].to_numpy())
    case.check("score_robust", quadratic_form(sums.sum(axis=0), sums.T @ sums)[0])


PLAIN: dict[str, list[str]] = {
    "cox.tg1.breslow": ["x"],
    "cox.tg1.efron": ["x"],
    "cox.tg2.efron": ["x"],
    "cox.gehan.breslow": ["rx"],
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
    check(case, model(rows, names, strata="sex"))


@pytest.mark.parametrize("case", cases("cox.lung.cluster_inst"), indirect=True)
def test_clustered_variance(case: Case) -> None:
    """Rows without an institution or a status are left out, as the program does: 227 of 228 remain."""
    rows = case.data().drop_nulls("inst")
    check_robust(case, rows, ["age", "sex"], "inst")


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


@pytest.mark.parametrize("case", cases("zph.lung"), indirect=True)
def test_proportional_hazards(case: Case) -> None:
    """The score test, not the older approximation by correlated residuals."""
    names = case.expected["term"][:-1]
    test = model(case.data().drop_nulls(names), names).proportionality()
    every = [*test.tests, test.all_terms]
    case.check_all(
        {
            "term": [*test.terms, "GLOBAL"],
            "chisq": [t.chi2 for t in every],
            "df": [t.df for t in every],
            "p": [t.p for t in every],
        }
    )


@pytest.mark.parametrize("case", cases("cscox.mgus2.c1", "cscox.mgus2.c2"), indirect=True)
def test_cause_specific(case: Case) -> None:
    """Failures by the other cause censor."""
    cause = case.arguments["cause"]
    rows = case.data().with_columns(
        event=(pl.col("event") == cause).cast(pl.Int64), sexM=(pl.col("sex") == "M").cast(pl.Int64)
    )
    check(case, model(rows, ["age", "sexM"]))


@pytest.mark.parametrize(
    "case",
    cases("ag.bladder.breslow", "ag.bladder.efron", "pwp_cp.bladder", "pwp_gt.bladder.breslow"),
    indirect=True,
)
def test_repeat_failures(case: Case) -> None:
    """Total time; by event number; by event number on a clock that starts anew."""
    strata = None if case.id.startswith("ag") else "enum"
    gap, ties = "gt" in case.id, case.arguments["ties"]
    rows, names = data("bladder2.csv"), ["rx", "size", "number"]
    check_robust(case, rows, names, "id", ties=ties, strata=strata, gap=gap)


@pytest.mark.parametrize("case", cases("ag.cgd", "ag.cgd.covs"), indirect=True)
def test_repeat_failures_of_patients(case: Case) -> None:
    check_robust(case, case.data(), ["treat"] if case.id == "ag.cgd" else ["treat", "age", "steroids"], "id")
