"""Cox regression: second roads, collapsed counts, ties of every length, and models that cannot be fitted."""

from __future__ import annotations

import itertools

import numpy as np
import polars as pl
import pytest
from scipy import optimize
from spells import Spells, fit_spells, rows_of

from fleetlog.stats import cox_likelihood
from fleetlog.stats.cox import fit_cox_cells
from fleetlog.stats.cox_cells import CoxCells
from fleetlog.stats.errors import BadArgument, DidNotConverge, LengthMismatch, TooFewFailures
from fleetlog.stats.risk_table import RiskTable


def spells(seed: int, n: int = 80, ties: int = 30) -> tuple[np.ndarray, ...]:
    rng = np.random.default_rng(seed)
    x = np.column_stack((rng.integers(0, 2, n), rng.normal(size=n).round(1)))
    entry = rng.integers(0, ties // 2, n) * (rng.random(n) < 0.4)
    life = 1 + (rng.exponential(size=n) * ties / 3 * np.exp(-0.5 * x[:, 0] + 0.3 * x[:, 1])).astype(int)
    return entry, entry + life, rng.integers(0, 4, n) > 0, x


def naive(
    beta: np.ndarray, data: tuple[np.ndarray, ...], efron: bool, strata: np.ndarray | None = None
) -> float:
    """Log partial likelihood, age by age and tie by tie."""
    entry, exit, failed, x = data
    group = np.zeros(exit.size) if strata is None else strata
    total = 0.0
    for g in np.unique(group):
        for age in np.unique(exit[failed & (group == g)]):
            at_risk = (entry < age) & (age <= exit) & (group == g)
            died = at_risk & failed & (exit == age)
            d = int(died.sum())
            s, t = np.exp(x[at_risk] @ beta).sum(), np.exp(x[died] @ beta).sum()
            total += (x[died] @ beta).sum()
            total -= sum(np.log(s - (k / d * t if efron else 0)) for k in range(d))
    return total


@pytest.mark.parametrize(("ties", "efron"), [("efron", True), ("breslow", False)])
@pytest.mark.parametrize("seed", [1, 2])
def test_two_roads(seed: int, ties: str, efron: bool) -> None:
    data = spells(seed)
    strata = np.arange(80) % 3
    fit = fit_spells(data[1], data[2], data[3], entry=data[0], strata=strata, ties=ties)  # type: ignore[arg-type]
    found = optimize.minimize(
        lambda b: -naive(b, data, efron, strata), np.zeros(2), method="Nelder-Mead",
        options={"xatol": 1e-9, "fatol": 1e-11},
    )  # fmt: skip
    assert fit.coefficients == pytest.approx(found.x, abs=1e-6)
    assert fit.log_likelihood == pytest.approx(-found.fun, rel=1e-12)
    h = 1e-4
    hessian = np.zeros((2, 2))
    for i, j in itertools.product(range(2), repeat=2):
        steps = [(1, 1, 1), (1, -1, -1), (-1, 1, -1), (-1, -1, 1)]
        for a, b, sign in steps:
            move = np.zeros(2)
            move[i] += a * h
            move[j] += b * h
            hessian[i, j] += sign * naive(fit.coefficients + move, data, efron, strata) / (4 * h**2)
    assert fit.covariance == pytest.approx(np.linalg.inv(-hessian), rel=1e-4)


def test_long_ties_and_short_ones_agree_with_single_steps() -> None:
    """500 spells, hundreds of failures at one age: both ways of summing ties are used."""
    rng = np.random.default_rng(5)
    x = rng.integers(0, 3, 500).astype(float)
    exit = np.where(rng.random(500) < 0.6, 7, rng.integers(1, 12, 500))
    data = (np.zeros(500, dtype=int), exit, rng.random(500) < 0.9, x[:, None])
    assert (exit[data[2]] == 7).sum() > 200
    fit = fit_spells(exit, data[2], x)
    assert fit.log_likelihood == pytest.approx(naive(fit.coefficients, data, True), rel=1e-12)
    assert naive(fit.coefficients + 1e-3, data, True) < fit.log_likelihood
    assert naive(fit.coefficients - 1e-3, data, True) < fit.log_likelihood


def test_many_cells_by_flow_agree_with_the_matrix(monkeypatch: pytest.MonkeyPatch) -> None:
    data = spells(3, 200)
    dense = fit_spells(data[1], data[2], data[3], entry=data[0])
    monkeypatch.setattr(cox_likelihood, "_DENSE", 0)
    flow = fit_spells(data[1], data[2], data[3], entry=data[0])
    assert flow.coefficients == pytest.approx(dense.coefficients, rel=1e-9)
    assert flow.covariance == pytest.approx(dense.covariance, rel=1e-9)
    assert flow.proportionality().all_terms.chi2 == pytest.approx(
        dense.proportionality().all_terms.chi2, rel=1e-8
    )


def test_frame_of_counts_equals_spells() -> None:
    """Text and booleans become factors; the reference level can be chosen."""
    rng = np.random.default_rng(6)
    n = 400
    variant, site = rng.choice(["original", "improved"], n), rng.choice(["north", "south", "west"], n)
    entry = rng.integers(0, 20, n)
    exit, failed = entry + rng.integers(1, 60, n), rng.integers(0, 2, n)
    parts = []
    for v, s in itertools.product(["original", "improved"], ["north", "south", "west"]):
        rows = (variant == v) & (site == s)
        table = RiskTable.from_spells(entry[rows], exit[rows], failed[rows])
        parts.append(rows_of(table).with_columns(variant=pl.lit(v), site=pl.lit(s)))
    cells = CoxCells.from_frame(
        pl.concat(parts[::-1]), ["variant", "site"], reference={"variant": "original"}
    )
    fit = fit_cox_cells(cells)
    assert fit.names == ("variant=improved", "site=south", "site=west")
    assert fit.terms == ("variant", "site", "site")
    x = np.column_stack((variant == "improved", site == "south", site == "west"))
    direct = fit_spells(exit, failed, x, entry=entry)
    assert fit.coefficients == pytest.approx(direct.coefficients, rel=1e-10)
    assert fit.log_likelihood == pytest.approx(direct.log_likelihood, rel=1e-12)
    by_site = fit_cox_cells(CoxCells.from_frame(pl.concat(parts), ["variant"], strata=["site"]))
    strata = fit_spells(exit, failed, x[:, 0], entry=entry, strata=site)
    # the frame's first level in order, improved, is its reference
    assert by_site.coefficients == pytest.approx(-strata.coefficients, rel=1e-9)
    joint = fit.test_term("site")
    assert joint.df == 2
    with pytest.raises(BadArgument, match="no term"):
        fit.test_term("colour")
    with pytest.raises(LengthMismatch, match="colour"):
        CoxCells.from_frame(pl.concat(parts), ["colour"])
    with pytest.raises(BadArgument, match="no level"):
        CoxCells.from_frame(pl.concat(parts), ["site"], reference={"site": "east"})


@pytest.mark.parametrize(("ties", "efron"), [("efron", True), ("breslow", False)])
def test_steps_give_the_score_of_every_spell(ties: str, efron: bool) -> None:
    """Spell by spell and tie by tie: what each adds to the score of a model with strata."""
    entry, exit, failed, x = spells(7)
    group = np.arange(80) % 2
    lives = Spells.of(exit, failed, x, entry=entry, strata=group)
    fit = lives.fit(ties)  # type: ignore[arg-type]
    want = np.zeros_like(x)
    r = np.exp(x @ fit.coefficients)
    for g, age in itertools.product((0, 1), np.unique(exit[failed])):
        at_risk = (entry < age) & (age <= exit) & (group == g)
        died = at_risk & failed & (exit == age)
        d = int(died.sum())
        for k in range(d):
            weight = r * at_risk - (k / d if efron else 0) * r * died
            mean = weight @ x / weight.sum()
            # the k-th of d ties is each of them with chance 1/d; all at risk bear their share of the hazard
            want += (died / d - weight / weight.sum())[:, None] * (x - mean)
    assert lives.score_sums(fit, np.arange(80)) == pytest.approx(want, abs=1e-9)
    assert want.sum(axis=0) == pytest.approx([0, 0], abs=1e-8)


def test_doubling_every_spell_under_one_cluster_changes_no_robust_error() -> None:
    data = spells(9, 150)
    ids = np.arange(150)
    lives = Spells.of(data[1], data[2], data[3], entry=data[0])
    twice = [np.concatenate((a, a)) for a in data]
    doubled = Spells.of(twice[1], twice[2], twice[3], entry=twice[0])
    plain, double = lives.fit("breslow"), doubled.fit("breslow")
    once, again = lives.robust(plain, ids), doubled.robust(double, np.concatenate((ids, ids)))
    assert again.coefficients == pytest.approx(once.coefficients, rel=1e-9)
    assert again.robust_std_errors == pytest.approx(once.robust_std_errors, rel=1e-9)
    assert again.std_errors == pytest.approx(once.std_errors / np.sqrt(2), rel=1e-9)


def test_far_out_the_likelihood_is_no_number_and_no_warning() -> None:
    """A step of the search may go beyond what a double holds; it is then halved."""
    likelihood = fit_spells([10, 20, 30], [1, 1, 1], [1, 0, 1]).likelihood
    value, _, _ = likelihood.derivatives(np.array([4000.0]))
    assert not np.isfinite(value)


def test_models_that_cannot_be_fitted_say_why() -> None:
    with pytest.raises(TooFewFailures):
        fit_spells([10, 20], [0, 0], [0, 1])
    with pytest.raises(DidNotConverge, match="x1 runs away"):
        fit_spells([10, 20, 30, 40, 50, 60], [1, 1, 1, 0, 0, 0], [1, 1, 1, 0, 0, 0])
    with pytest.raises(BadArgument, match="does not differ"):
        fit_spells([10, 20, 30], [1, 1, 1], [1, 1, 1])
    with pytest.raises(BadArgument, match="a, b say the same thing"):
        x = np.array([[0, 0], [1, 2], [2, 4], [1, 2], [0, 0]])
        fit_spells([10, 20, 30, 40, 50], [1, 1, 0, 1, 1], x, names=["a", "b"])


def test_proportionality_sees_a_ratio_that_fades() -> None:
    rng = np.random.default_rng(12)
    n = 3000
    x = rng.integers(0, 2, n)
    life = np.where(x == 1, rng.weibull(1.0, n), rng.weibull(2.5, n)) * 1000 + 1
    faded = fit_spells(life.astype(int), np.ones(n, dtype=int), x).proportionality()
    steady_life = rng.weibull(2.0, n) * np.where(x == 1, 700, 1000) + 1
    steady = fit_spells(steady_life.astype(int), np.ones(n, dtype=int), x).proportionality()
    assert faded.all_terms.p < 1e-6
    assert steady.all_terms.p > 0.001
