"""Log-rank tests by hand and by a naive loop."""

from __future__ import annotations

import itertools
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from scipy import stats
from spells import causes_table, fit_spells, for_cause

from fleetlog.stats.errors import BadArgument, LengthMismatch
from fleetlog.stats.incidence_comparison import compare_incidence
from fleetlog.stats.log_rank import WEIGHTS, Weights, holm, log_rank, quadratic_form
from fleetlog.stats.risk_table import RiskTable


def test_by_hand_in_fractions() -> None:
    """A fails at 1 and 3, B at 2 and is watched to 4.

    Expected in A: 2/4 at 1, 1/3 at 2, 1/2 at 3 = 4/3; variance 1/4 + 2/9 + 1/4 = 13/18; (2 - 4/3)^2 /
        (13/18) = 8/13.
    """
    test = log_rank([RiskTable.from_spells(0, [10, 30], [1, 1]), RiskTable.from_spells(0, [20, 40], [1, 0])])
    assert test.expected == pytest.approx([4 / 3, 5 / 3], rel=1e-14)
    assert test.variance[0, 0] == pytest.approx(13 / 18, rel=1e-14)
    assert test.chi2 == pytest.approx(8 / 13, rel=1e-13)
    assert test.df == 1
    assert test.p == pytest.approx(stats.chi2.sf(8 / 13, 1), rel=1e-12)


def naive(
    entry: np.ndarray, exit: np.ndarray, failed: np.ndarray, group: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Observed less expected and its covariance, spell by spell."""
    k = int(group.max()) + 1
    u, v = np.zeros(k), np.zeros((k, k))
    for age in sorted(set(exit[failed == 1].tolist())):
        y, d = np.zeros(k), np.zeros(k)
        for i in range(exit.size):
            if entry[i] < age <= exit[i]:
                y[group[i]] += 1
                d[group[i]] += failed[i] and exit[i] == age
        total, deaths = y.sum(), d.sum()
        u += d - y * deaths / total
        if total > 1:
            factor = deaths * (total - deaths) / (total - 1) / total**2
            for a, b in itertools.product(range(k), repeat=2):
                v[a, b] += factor * (y[a] * (total * (a == b) - y[b]))
    return u, v


def random_spells(seed: int, n: int = 120, groups: int = 3) -> tuple[np.ndarray, ...]:
    rng = np.random.default_rng(seed)
    entry = rng.integers(0, 30, n) * (rng.random(n) < 0.5)
    return entry, entry + rng.integers(1, 40, n), rng.integers(0, 2, n), rng.integers(0, groups, n)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_two_roads(seed: int) -> None:
    entry, exit, failed, group = random_spells(seed)
    tables = [RiskTable.from_spells(*(a[group == g] for a in (entry, exit, failed))) for g in range(3)]
    test = log_rank(tables)
    u, v = naive(entry, exit, failed, group)
    assert test.observed - test.expected == pytest.approx(u, abs=1e-10)
    assert test.variance == pytest.approx(v, abs=1e-10)
    assert test.chi2 == pytest.approx(u[:2] @ np.linalg.solve(v[:2, :2], u[:2]), rel=1e-9)
    assert test.df == 2


@pytest.mark.parametrize("seed", [4, 5])
def test_equals_the_score_test_without_ties(seed: int) -> None:
    rng = np.random.default_rng(seed)
    exit = rng.permutation(200)[:80] + 1
    failed, group = rng.integers(0, 2, 80), rng.integers(0, 2, 80)
    tables = [RiskTable.from_spells(0, exit[group == g], failed[group == g]) for g in (0, 1)]
    _, score, information = fit_spells(exit, failed, group).likelihood.derivatives(np.zeros(1))
    assert log_rank(tables).chi2 == pytest.approx(score[0] ** 2 / information[0, 0], rel=1e-10)


@pytest.mark.parametrize("weights", WEIGHTS)
def test_groups_that_are_alike_score_zero(weights: Weights) -> None:
    table = RiskTable.from_spells(0, [10, 20, 20, 30, 40], [1, 1, 0, 1, 0])
    assert log_rank([table, table], weights=weights).chi2 == pytest.approx(0, abs=1e-20)


def test_strata_are_compared_within() -> None:
    """Two strata with the same contrast add up; mixing them up would not."""
    a, b = RiskTable.from_spells(0, [10, 30], [1, 1]), RiskTable.from_spells(0, [20, 40], [1, 0])
    test = log_rank([a, b, a, b], groups=["a", "b", "a", "b"], strata=[1, 1, 2, 2])
    assert test.groups == ("a", "b")
    assert test.chi2 == pytest.approx(2 * 8 / 13, rel=1e-13)


def test_groups_never_at_risk_together() -> None:
    early = RiskTable.from_spells(0, [10, 20], [1, 1])
    late = RiskTable.from_spells([30, 30], [40, 50], [1, 1])
    test = log_rank([early, late])
    assert (test.chi2, test.df, test.p) == (0, 0, 1)
    assert "cannot be compared" in str(test.note)


def test_bad_arguments() -> None:
    table = RiskTable.from_spells(0, [10, 20], [1, 1])
    with pytest.raises(LengthMismatch, match="two groups"):
        log_rank([table])
    with pytest.raises(LengthMismatch, match="labels"):
        log_rank([table, table], groups=["a"])
    with pytest.raises(BadArgument, match="tarone-ware"):
        log_rank([table, table], weights="wilcoxon")  # type: ignore[arg-type]
    with pytest.raises(BadArgument, match="units"):
        log_rank([table, RiskTable.from_spells(0, [10], [1], per_hour=100)])
    with pytest.raises(BadArgument, match="between 0 and 1"):
        holm([0.5, 1.5])


def test_step_wise_corrections_keep_order() -> None:
    p = [0.04, 0.001, 0.03]
    assert holm(p) == pytest.approx([0.06, 0.003, 0.06])


def test_quadratic_form_of_a_singular_covariance() -> None:
    chi2, df = quadratic_form(np.array([2.0, -2.0]), np.array([[1.0, -1.0], [-1.0, 1.0]]))
    assert (chi2, df) == (pytest.approx(4.0), 1)


def test_incidence_comparison_without_other_causes_is_a_log_rank_test_in_spirit() -> None:
    """With one cause only and no censoring, Gray's test sees hazards too; both find the same clear difference."""
    rng = np.random.default_rng(3)
    fast, slow = rng.integers(1, 100, 80), rng.integers(1, 200, 80)
    ones = np.ones(80, dtype=int)
    gray = compare_incidence([causes_table(0, x, ones, causes=[1]) for x in (fast, slow)], "1")
    plain = log_rank([RiskTable.from_spells(0, x, ones) for x in (fast, slow)])
    assert gray.p < 1e-4
    assert plain.p < 1e-4
    with pytest.raises(LengthMismatch, match="cause"):
        compare_incidence([causes_table(0, x, ones, causes=[1]) for x in (fast, slow)], "2")


def test_causes_from_an_age_on_are_those_of_the_spells_still_there() -> None:
    """The counts after an age are those of spells cut off at it, counted anew."""
    random = np.random.default_rng(3)
    entry = random.integers(0, 400, 200)
    leave = entry + random.integers(1, 600, 200)
    cause = random.integers(0, 3, 200)
    whole = causes_table(entry, leave, cause, causes=[1, 2], per_hour=1.0)
    for age in (0, 150, 990):
        there = leave > age
        cut = causes_table(
            np.maximum(entry[there], age), leave[there], cause[there], causes=[1, 2], per_hour=1.0
        )
        found = for_cause(whole.conditional_on(age), "1")
        assert found.at_risk_at(cut.hours).tolist() == cut.any_cause().at_risk_at(cut.hours).tolist()
        anew = for_cause(cut, "1")
        assert found.hours[found.failed > 0].tolist() == anew.hours[anew.failed > 0].tolist()


def test_trend_along_stages_as_published() -> None:
    """Larynx cancer by stage: Z = 3.72 in Klein & Moeschberger 2003, section 7.4 (from memory), and by a loop."""
    rows = pl.read_csv(Path(__file__).parents[2] / "reference" / "data" / "larynx.csv")
    stages = sorted(set(rows["stage"]))
    tables = []
    for stage in stages:
        own = rows.filter(pl.col("stage") == stage)
        tables.append(RiskTable.from_spells(0, (own["time"] * 10).round().cast(pl.Int64), own["event"]))
    found = log_rank(tables).trend(stages)
    time, event, stage = (rows[name].to_numpy() for name in ("time", "event", "stage"))
    score = variance = 0.0
    for age in np.unique(time[event == 1]):
        at_risk, d = time >= age, int(((time == age) & (event == 1)).sum())
        own = stage[at_risk].astype(float)
        score += stage[(time == age) & (event == 1)].sum() - d * own.mean()
        if own.size > 1:
            variance += d * (own.size - d) / (own.size - 1) * own.var()
    assert found.z == pytest.approx(score / np.sqrt(variance), rel=1e-9)
    assert found.z == pytest.approx(3.72, abs=0.005)
    # what counts is the order, not the scale; with two groups it is the plain test
    assert log_rank(tables).trend([10.0, 20.0, 30.0, 40.0]).z == pytest.approx(found.z)
    assert log_rank(tables[:2]).trend([0, 1]).p == pytest.approx(log_rank(tables[:2]).p)
