"""Cox regression: second roads, collapsed counts, ties of every length, and models that cannot be fitted."""

from __future__ import annotations

import itertools

import numpy as np
import polars as pl
import pytest
from scipy import optimize

from fleetlog.stats import cox_likelihood
from fleetlog.stats.cox import (
    Spells,
    andersen_gill,
    cluster_robust,
    conditional_gap_time,
    fit_cox,
    fit_cox_cells,
    score_residuals,
)
from fleetlog.stats.cox_cells import CoxCells, split_spells
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
    fit = fit_cox(data[1], data[2], data[3], entry=data[0], strata=strata, ties=ties)  # type: ignore[arg-type]
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


def test_exact_ties_by_listing_all_sets() -> None:
    exit, failed = np.array([1, 1, 1, 2, 2, 3]), np.array([1, 1, 0, 1, 1, 0])
    x = np.array([0.3, 1.0, -0.4, 0.2, 0.0, 0.8])
    fit = fit_cox(exit, failed, x, ties="exact")

    def by_hand(b: float) -> float:
        total = 0.0
        for age, d in ((1, 2), (2, 2)):
            at_risk = np.flatnonzero(exit >= age)
            sets = [np.exp(b * x[list(s)].sum()) for s in itertools.combinations(at_risk, d)]
            total += b * x[(exit == age) & (failed == 1)].sum() - np.log(sum(sets))
        return total

    found = optimize.minimize_scalar(lambda b: -by_hand(b), bracket=(-1, 1))
    assert fit.coefficients[0] == pytest.approx(found.x, abs=1e-7)
    assert fit.log_likelihood == pytest.approx(-found.fun, rel=1e-12)
    with pytest.raises(BadArgument, match="whole counts"):
        fit_cox(exit, failed, x, ties="exact", counts=np.full(6, 0.5))


def test_long_ties_and_short_ones_agree_with_single_steps() -> None:
    """500 spells, hundreds of failures at one age: both ways of summing ties are used."""
    rng = np.random.default_rng(5)
    x = rng.integers(0, 3, 500).astype(float)
    exit = np.where(rng.random(500) < 0.6, 7, rng.integers(1, 12, 500))
    data = (np.zeros(500, dtype=int), exit, rng.random(500) < 0.9, x[:, None])
    assert (exit[data[2]] == 7).sum() > 200
    fit = fit_cox(exit, data[2], x)
    assert fit.log_likelihood == pytest.approx(naive(fit.coefficients, data, True), rel=1e-12)
    assert naive(fit.coefficients + 1e-3, data, True) < fit.log_likelihood
    assert naive(fit.coefficients - 1e-3, data, True) < fit.log_likelihood


def test_many_cells_by_flow_agree_with_the_matrix(monkeypatch: pytest.MonkeyPatch) -> None:
    data = spells(3, 200)
    dense = fit_cox(data[1], data[2], data[3], entry=data[0])
    monkeypatch.setattr(cox_likelihood, "_DENSE", 0)
    flow = fit_cox(data[1], data[2], data[3], entry=data[0])
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
        parts.append(table.to_frame().with_columns(variant=pl.lit(v), site=pl.lit(s)))
    cells = CoxCells.from_frame(
        pl.concat(parts[::-1]), ["variant", "site"], reference={"variant": "original"}
    )
    fit = fit_cox_cells(cells)
    assert fit.names == ("variant=improved", "site=south", "site=west")
    assert fit.terms == ("variant", "site", "site")
    x = np.column_stack((variant == "improved", site == "south", site == "west"))
    direct = fit_cox(exit, failed, x, entry=entry)
    assert fit.coefficients == pytest.approx(direct.coefficients, rel=1e-10)
    assert fit.log_likelihood == pytest.approx(direct.log_likelihood, rel=1e-12)
    by_site = fit_cox_cells(CoxCells.from_frame(pl.concat(parts), ["variant"], strata=["site"]))
    strata = fit_cox(exit, failed, x[:, 0], entry=entry, strata=site)
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


def test_score_residuals_add_up_to_the_score() -> None:
    data = spells(4)
    cells, cell = CoxCells.from_spells(data[0], data[1], data[2], data[3])
    likelihood = cox_likelihood.PartialLikelihood(cells, efron=True)
    singles = Spells(data[0], data[1], data[2].astype(float), cell, np.ones(80))
    for beta in (np.zeros(2), np.array([0.4, -0.7])):
        residuals = score_residuals(likelihood, beta, singles)
        assert residuals.sum(axis=0) == pytest.approx(likelihood.derivatives(beta)[1], abs=1e-9)


def test_score_steps_give_the_residuals_of_any_spell() -> None:
    """What SQL would do with the steps: a look-up at entry and exit."""
    data = spells(7)
    fit = fit_cox(data[1], data[2], data[3], entry=data[0])
    steps = fit.score_steps()
    assert steps.height == np.unique(data[1][data[2]]).size
    _, cell = CoxCells.from_spells(data[0], data[1], data[2], data[3])
    singles = Spells(data[0], data[1], data[2].astype(float), cell, np.ones(80))
    want = score_residuals(fit.likelihood, fit.coefficients, singles)
    hours = steps["hours"].to_numpy()

    def last(name: str, age: int) -> float:
        k = np.searchsorted(hours, age, side="right")
        return 0.0 if k == 0 else float(steps[name][int(k) - 1])

    for i in range(80):
        x = data[3][i] - fit.likelihood.centre
        r = float(np.exp(x @ fit.coefficients))
        for j in range(2):
            got = -r * (
                x[j] * (last("hazard", data[1][i]) - last("hazard", data[0][i]))
                - (last(f"drift_{j}", data[1][i]) - last(f"drift_{j}", data[0][i]))
            )
            if data[2][i]:
                got += x[j] - last(f"mean_x_{j}", data[1][i])
                got += r * (x[j] * last("tie_hazard", data[1][i]) - last(f"tie_drift_{j}", data[1][i]))
            assert got == pytest.approx(want[i, j], abs=1e-10)


def test_clusters_of_one_spell_are_near_the_model_variance() -> None:
    rng = np.random.default_rng(8)
    x = rng.integers(0, 2, 3000)
    exit = 1 + (rng.exponential(size=3000) * 1000 * np.exp(-0.5 * x)).astype(int)
    fit = fit_cox(exit, np.ones(3000, dtype=int), x, cluster=np.arange(3000))
    assert fit.robust_std_errors is not None
    assert fit.robust_std_errors[0] == pytest.approx(fit.std_errors[0], rel=0.05)
    assert fit.clusters == 3000
    few = fit_cox(exit, np.ones(3000, dtype=int), x, cluster=np.arange(3000) % 5)
    assert "only 5 clusters" in str(few.note)
    with pytest.raises(LengthMismatch, match="clusters"):
        cluster_robust(fit, Spells(exit, exit, exit * 1.0, exit, exit * 1.0), [1, 2])


def test_doubling_every_spell_under_one_cluster_changes_no_robust_error() -> None:
    data = spells(9, 150)
    twice = [np.concatenate((a, a)) for a in data]
    ids = np.arange(150)
    once = fit_cox(data[1], data[2], data[3], entry=data[0], cluster=ids, ties="breslow")
    again = fit_cox(
        twice[1], twice[2], twice[3], entry=twice[0], cluster=np.concatenate((ids, ids)), ties="breslow"
    )
    assert again.coefficients == pytest.approx(once.coefficients, rel=1e-9)
    assert again.robust_std_errors == pytest.approx(once.robust_std_errors, rel=1e-9)
    assert again.std_errors == pytest.approx(once.std_errors / np.sqrt(2), rel=1e-9)


def test_models_that_cannot_be_fitted_say_why() -> None:
    with pytest.raises(TooFewFailures):
        fit_cox([10, 20], [0, 0], [0, 1])
    with pytest.raises(DidNotConverge, match="x1 runs away"):
        fit_cox([10, 20, 30, 40, 50, 60], [1, 1, 1, 0, 0, 0], [1, 1, 1, 0, 0, 0])
    with pytest.raises(BadArgument, match="does not differ"):
        fit_cox([10, 20, 30], [1, 1, 1], [1, 1, 1])
    with pytest.raises(BadArgument, match="a, b say the same thing"):
        x = np.array([[0, 0], [1, 2], [2, 4], [1, 2], [0, 0]])
        fit_cox([10, 20, 30, 40, 50], [1, 1, 0, 1, 1], x, names=["a", "b"])
    with pytest.raises(BadArgument, match="empty or infinite"):
        fit_cox([10, 20], [1, 1], [0, np.nan])
    with pytest.raises(BadArgument, match="not both"):
        fit_cox([10, 20], [1, 1], [0, 1], counts=[1, 1], weights=[1, 1])
    with pytest.raises(LengthMismatch, match="names"):
        fit_cox([10, 20], [1, 1], [0, 1], names=["a", "b"])


def test_baselines_by_stratum() -> None:
    data = spells(10, 120)
    strata = np.array(["a", "b"])[np.arange(120) % 2]
    fit = fit_cox(data[1], data[2], data[3], entry=data[0], strata=strata)
    a, b = fit.baseline(stratum="a"), fit.baseline(stratum="b")
    assert not np.array_equal(a.hours, b.hours) or not np.allclose(a.cumulative_hazard, b.cumulative_hazard)
    assert (np.diff(a.survival) <= 0).all()
    shown = a.at([0.0, a.hours[3]])
    assert shown["survival"][0] == 1.0
    assert shown["lower"][1] < shown["survival"][1] < shown["upper"][1]
    with pytest.raises(BadArgument, match="stratum"):
        fit.baseline()
    with pytest.raises(LengthMismatch):
        fit.baseline([1.0], stratum="a")


def test_null_baseline_is_the_cumulative_hazard() -> None:
    """A covariate without effect leaves Breslow's baseline at d/Y, the Nelson-Aalen curve."""
    fit = fit_cox([10, 20, 30, 40, 10, 20, 30, 40], [1, 1, 0, 1] * 2, [0] * 4 + [1] * 4, ties="breslow")
    assert fit.coefficients[0] == pytest.approx(0, abs=1e-12)
    assert fit.baseline().cumulative_hazard == pytest.approx([1 / 4, 1 / 4 + 1 / 3, 1 / 4 + 1 / 3 + 1])


def test_splitting_at_a_change() -> None:
    index, start, stop, died, after = split_spells([0, 0, 5], [10, 10, 20], [1, 0, 1], [4, 99, 5])
    assert index.tolist() == [0, 0, 1, 2]
    assert start.tolist() == [0, 4, 0, 5]
    assert stop.tolist() == [4, 10, 10, 20]
    assert died.tolist() == [0, 1, 0, 1]
    assert after.tolist() == [False, True, False, True]


def test_change_of_a_part_within_a_spell_is_seen() -> None:
    """Hazard halves at the change: a model on split spells finds it, and splitting alone changes nothing."""
    rng = np.random.default_rng(11)
    n = 4000
    change = rng.integers(50, 400, n)
    early = 1 + (rng.exponential(size=n) * 300).astype(int)
    life = np.where(early <= change, early, change + 2 * (early - change))
    end = np.minimum(life, 800)
    index, start, stop, died, after = split_spells(np.zeros(n, dtype=int), end, life <= 800, change)
    fit = fit_cox(stop, died, after, entry=start, cluster=index)
    assert fit.hazard_ratios[0] == pytest.approx(0.5, rel=0.1)
    group = np.arange(n) % 2
    whole = fit_cox(end, life <= 800, group)
    pieces = fit_cox(stop, died, group[index], entry=start)
    assert pieces.coefficients == pytest.approx(whole.coefficients, rel=1e-9)


@pytest.mark.parametrize("transform", ["km", "log", "identity", "rank"])
def test_proportionality_sees_a_ratio_that_fades(transform: str) -> None:
    rng = np.random.default_rng(12)
    n = 3000
    x = rng.integers(0, 2, n)
    life = np.where(x == 1, rng.weibull(1.0, n), rng.weibull(2.5, n)) * 1000 + 1
    faded = fit_cox(life.astype(int), np.ones(n, dtype=int), x).proportionality(transform=transform)  # type: ignore[arg-type]
    steady_life = rng.weibull(2.0, n) * np.where(x == 1, 700, 1000) + 1
    steady = fit_cox(steady_life.astype(int), np.ones(n, dtype=int), x).proportionality(transform=transform)  # type: ignore[arg-type]
    assert faded.all_terms.p < 1e-6
    assert steady.all_terms.p > 0.001


def test_repeat_models_on_one_event_each_are_plain_models() -> None:
    entry, exit, failed, x = spells(13)
    ids = np.arange(80)
    plain = fit_cox(exit, failed, x, entry=entry)
    assert andersen_gill(entry, exit, failed, x, ids).coefficients == pytest.approx(plain.coefficients)
    gap = conditional_gap_time(entry, exit, failed, x, ids, np.ones(80))
    assert gap.coefficients == pytest.approx(fit_cox(exit - entry, failed, x).coefficients)
    assert gap.to_frame()["name"].to_list() == ["x1", "x2"]
