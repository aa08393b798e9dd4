"""Log-rank tests and corrections for many looks against published tables and other programs."""

from __future__ import annotations

from typing import Any

import polars as pl
import pytest
from published import Case, cases
from spells import causes_table

from fleetlog.stats.incidence_comparison import compare_incidence
from fleetlog.stats.log_rank import Weights, holm, log_rank
from fleetlog.stats.risk_table import RiskTable


def table(rows: pl.DataFrame) -> RiskTable:
    return RiskTable.from_spells(0, (rows["time"] * 10).round().to_numpy(), rows["event"].to_numpy())


def compare(rows: pl.DataFrame, by: str, strata: str | None = None, weights: Weights = "log-rank") -> Any:
    keys = [by] if strata is None else [by, strata]
    parts = rows.partition_by(keys, as_dict=True)
    ordered = sorted(parts)
    return log_rank(
        [table(parts[key]) for key in ordered],
        groups=[key[0] for key in ordered],
        strata=None if strata is None else [key[1] for key in ordered],
        weights=weights,
    )


GROUPED_BY = {
    "lr.gehan": "group",
    "lr.gehan.stratified_pair": "group",
    "lr.aml": "group",
    "lr.lung.sex": "sex",
    "lr.lung.sex.strat_inst": "sex",
    "lr.veteran.celltype": "celltype",
    "lr.larynx": "stage",
    "lr.ovarian": "rx",
}


@pytest.mark.parametrize("case", cases(*GROUPED_BY), indirect=True)
def test_log_rank(case: Case) -> None:
    """Hypergeometric variance."""
    rows = case.data()
    strata = case.arguments.get("strata")
    if strata is not None:
        rows = rows.drop_nulls(strata)
    test = compare(rows, GROUPED_BY[case.id], strata)
    got = {
        "obs": test.observed,
        "exp": test.expected,
        "chisq": test.chi2,
        "df": test.df,
        "p": test.p,
        "var11": test.variance[0, 0],
    }
    case.check_known(got)


@pytest.mark.parametrize("case", cases("lr.kidney.weights"), indirect=True)
def test_weighted_log_rank(case: Case) -> None:
    """Peto-Peto uses S~ = product of 1 - d/(Y+1) at h."""
    kinds: dict[str, Weights] = {
        "logrank": "log-rank",
        "gehan": "gehan",
        "tarone_ware": "tarone-ware",
        "peto_peto": "peto-peto",
        "modified_peto": "modified-peto",
    }
    for name, weights in kinds.items():
        test = compare(case.data(), "type", weights=weights)
        u, v = test.observed[0] - test.expected[0], test.variance[0, 0]
        got = {"U": u, "V": v, "z": u / v**0.5, "chisq": test.chi2, "p": test.p}
        case.check_all(got, f"{name}/")


@pytest.mark.parametrize("case", cases("padjust"), indirect=True)
def test_many_looks(case: Case) -> None:
    p = case.arguments["p"]
    case.check("holm", holm(p))


@pytest.mark.parametrize("case", cases("gray.mgus2.sex"), indirect=True)
def test_gray(case: Case) -> None:
    """Cumulative incidences, not hazards; all ages weigh alike."""
    rows = case.data()
    tables = [
        causes_table(0, part["time"].to_numpy() * 10, part["event"].to_numpy(), causes=[1, 2])
        for part in (rows.filter(sex=sex) for sex in ("F", "M"))
    ]
    for cause in ("1", "2"):
        test = compare_incidence(tables, cause)
        case.check_all({"stat": test.chi2, "p": test.p, "df": test.df}, f"cause{cause}/")
