"""Life distributions: closed forms, second roads, few failures and fits that cannot be."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import optimize, stats

from fleetlog.stats import weibull_contour
from fleetlog.stats.accelerated import AcceleratedFit, Distribution, fit_accelerated
from fleetlog.stats.errors import BadArgument, DidNotConverge, TooFewFailures
from fleetlog.stats.families import LOGLOGISTIC, LOGNORMAL, Family
from fleetlog.stats.lifetimes import (
    compare_fits,
    fit_log_life,
    fit_weibull,
    fit_weibull_fixed_shape,
    fit_weibull_intervals,
    fit_weibull_prior,
)
from fleetlog.stats.risk_table import RiskTable


def fleet(seed: int = 1, n: int = 200, shape: float = 2.0, scale: float = 5000.0) -> tuple[np.ndarray, ...]:
    """Spells in ticks, half of them late."""
    rng = np.random.default_rng(seed)
    life = np.rint(scale * rng.weibull(shape, 10 * n) * 10).astype(int)
    entry = np.rint(rng.random(10 * n) * 30000 * (rng.random(10 * n) < 0.5)).astype(int)
    seen = life > entry
    life, entry = life[seen][:n], entry[seen][:n]
    end = entry + rng.integers(1000, 60000, n)
    return entry, np.minimum(life, end), (life <= end).astype(int)


def naive_log_likelihood(shape: float, scale: float, spells: tuple[np.ndarray, ...]) -> float:
    """Spell by spell: density or survival at exit, over survival at entry."""
    entry, exit, failed = (a / 10 if i < 2 else a for i, a in enumerate(spells))
    law = stats.weibull_min(shape, scale=scale)
    ends = np.where(failed == 1, law.logpdf(exit), law.logsf(exit))
    return float((ends - law.logsf(entry)).sum())


def test_two_roads_with_delayed_entry() -> None:
    spells = fleet()
    fit = fit_weibull(RiskTable.from_spells(*spells))
    found = optimize.minimize(
        lambda v: -naive_log_likelihood(np.exp(v[0]), np.exp(v[1]), spells),
        [0.0, 8.0],
        method="Nelder-Mead",
        options={"xatol": 1e-10, "fatol": 1e-10, "maxiter": 2000},
    )
    assert fit.shape == pytest.approx(np.exp(found.x[0]), rel=1e-6)
    assert fit.scale_hours == pytest.approx(np.exp(found.x[1]), rel=1e-6)
    assert fit.log_likelihood == pytest.approx(-found.fun, rel=1e-12)
    # on the contour of the interval the likelihood has fallen by half the chi-square quantile
    assert fit.shape_ci is not None
    for shape in fit.shape_ci:
        best = optimize.minimize_scalar(
            lambda s, b=shape: -naive_log_likelihood(b, np.exp(s), spells), bounds=(5, 12), method="bounded"
        )
        assert fit.log_likelihood + best.fun == pytest.approx(1.920729410347062, rel=1e-6)


def test_long_tables_use_smooth_moments_and_agree(monkeypatch: pytest.MonkeyPatch) -> None:
    """Thousands of distinct ages: log M is kept as a polynomial; the limits must not notice."""
    table = RiskTable.from_spells(*fleet(2, 5000))
    assert table.hours.size > 4000
    smooth = fit_weibull(table)
    monkeypatch.setattr(weibull_contour, "_LONG", 10**9)
    summed = fit_weibull(table)
    assert smooth.shape == pytest.approx(summed.shape, rel=1e-12)
    assert smooth.shape_ci == pytest.approx(summed.shape_ci, rel=1e-11)
    assert smooth.scale_ci == pytest.approx(summed.scale_ci, rel=1e-11)
    assert smooth.b_life(0.01).lower == pytest.approx(summed.b_life(0.01).lower, rel=1e-11)


def test_covariance_is_the_inverse_of_numerical_curvature() -> None:
    spells = fleet(3, 60)
    fit = fit_weibull(RiskTable.from_spells(*spells))
    a, b, h = np.log(fit.shape), np.log(fit.scale_hours), 1e-4

    def at(i: float, j: float) -> float:
        return naive_log_likelihood(np.exp(a + i * h), np.exp(b + j * h), spells)

    aa = (at(1, 0) - 2 * at(0, 0) + at(-1, 0)) / h**2
    bb = (at(0, 1) - 2 * at(0, 0) + at(0, -1)) / h**2
    ab = (at(1, 1) - at(1, -1) - at(-1, 1) + at(-1, -1)) / (4 * h**2)
    assert fit.covariance == pytest.approx(np.linalg.inv(-np.array([[aa, ab], [ab, bb]])), rel=1e-4)


def test_quantiles_of_a_fit_agree_with_scipy() -> None:
    fit = fit_weibull(RiskTable.from_spells(*fleet()))
    law = stats.weibull_min(fit.shape, scale=fit.scale_hours)
    tenth = fit.b_life(0.1)
    assert tenth.estimate == pytest.approx(law.ppf(0.1), rel=1e-12)
    assert tenth.lower is not None
    assert tenth.upper is not None
    assert tenth.lower < tenth.estimate < tenth.upper
    narrow = fit.b_life(0.1, level=0.5)
    assert narrow.lower is not None
    assert narrow.lower > tenth.lower
    # the scale is the 63.2 per cent life
    at_scale = fit.b_life(1 - np.exp(-1))
    assert (at_scale.lower, at_scale.upper) == pytest.approx(fit.scale_ci, rel=1e-10)


@pytest.mark.parametrize("failures", [0, 1, 2])
def test_too_few_failures_is_refused_with_a_way_out(failures: int) -> None:
    table = RiskTable.from_spells(0, [1000, 2000, 3000, 4000], [i < failures for i in range(4)])
    with pytest.raises(TooFewFailures, match="fix the shape or take it from a prior") as caught:
        fit_weibull(table)
    assert (caught.value.failures, caught.value.needed) == (failures, 3)
    with pytest.raises(TooFewFailures):
        fit_log_life(LOGNORMAL, table)


def test_failures_all_at_one_age_run_away_and_say_so() -> None:
    with pytest.raises(DidNotConverge, match="nearly one age"):
        fit_weibull(RiskTable.from_spells(0, [1000, 1000, 1000, 900], [1, 1, 1, 0]))


def test_truncated_data_without_a_shape_run_away_and_say_so() -> None:
    """Spells that begin late and end by failure at a rate falling faster than any power of age bounds no shape."""
    entry = [1000, 2000, 4000, 8000, 1000, 1000, 1000]
    exit = [1001, 2001, 4001, 8001, 64000, 64000, 64000]
    with pytest.raises(DidNotConverge, match="towards zero"):
        fit_weibull(RiskTable.from_spells(entry, exit, [1, 1, 0, 0, 0, 0, 1]))


def test_interval_that_does_not_close_is_none_with_a_note() -> None:
    """Late entry and three failures: the likelihood never falls far enough towards small shapes."""
    entry = [3000, 3000, 3000, 3000, 3000]
    fit = fit_weibull(RiskTable.from_spells(entry, [3100, 3300, 3650, 3700, 3700], [1, 1, 1, 0, 0]))
    assert fit.shape_ci is None
    assert fit.scale_ci is None
    assert "does not close" in str(fit.note)
    assert fit.b_life(0.1).lower is None
    assert fit.b_life(0.1).estimate is not None


def test_fixed_shape_one_is_a_constant_rate() -> None:
    """Failures over hours; limits 2T/chi2, as for observation ended by the clock."""
    table = RiskTable.from_spells(*fleet(4, 30))
    fixed, r, hours = fit_weibull_fixed_shape(table, shape=1.0), table.failures, table.total_hours
    assert fixed.scale_hours == pytest.approx(hours / r, rel=1e-12)
    limits = 2 * hours / stats.chi2.ppf([0.975, 0.025], [2 * r + 2, 2 * r])
    assert fixed.scale_ci == pytest.approx(limits, rel=1e-12)
    (plain,) = compare_fits(table).frame.filter(distribution="exponential").to_dicts()
    assert fixed.log_likelihood == pytest.approx(plain["log_likelihood"], rel=1e-12)
    assert "fixed at 1" in str(fixed.note)
    assert fixed.shape_ci is None


def test_fixed_shape_without_failure_is_a_lower_limit() -> None:
    """Sum of squares of 100, 200, 300 h is 140,000; over -log(0.05), to the power 1/2."""
    table = RiskTable.from_spells(0, [1000, 2000, 3000], [0, 0, 0])
    fit = fit_weibull_fixed_shape(table, shape=2.0)
    assert fit.scale_hours == pytest.approx(np.sqrt(140_000 / -np.log(0.05)), rel=1e-12)
    assert fit.scale_ci is None
    assert "no estimate" in str(fit.note)
    assert fit.b_life(0.1).upper is None


def test_prior_holds_the_shape_and_yields_to_data() -> None:
    two = RiskTable.from_spells(0, [2000, 3000, 4000, 4000], [1, 1, 0, 0])
    firm = fit_weibull_prior(two, shape=2.5, log_sd=1e-3)
    assert firm.shape == pytest.approx(2.5, rel=1e-3)
    assert firm.scale_hours == pytest.approx(fit_weibull_fixed_shape(two, shape=2.5).scale_hours, rel=1e-3)
    loose = fit_weibull_prior(two, shape=2.5)
    assert loose.shape_ci is not None
    assert loose.shape_ci[0] < 2.5 < loose.shape_ci[1]
    assert "prior with median 2.5" in str(loose.note)
    many = RiskTable.from_spells(*fleet(5, 2000, shape=1.2))
    assert fit_weibull_prior(many, shape=3.0).shape == pytest.approx(fit_weibull(many).shape, rel=0.02)
    with pytest.raises(TooFewFailures, match="lower limit"):
        fit_weibull_prior(RiskTable.from_spells(0, [10], [0]), shape=2)
    with pytest.raises(BadArgument):
        fit_weibull_prior(two, shape=-1)


def test_intervals_shrinking_to_points_give_the_exact_fit() -> None:
    rng = np.random.default_rng(6)
    life = np.rint(4000 * rng.weibull(1.7, 40) * 10) / 10
    exact = fit_weibull(RiskTable.from_spells(0, np.rint(life * 10), np.ones(40, dtype=int)))
    points = fit_weibull_intervals(life, life)
    assert points.shape == pytest.approx(exact.shape, rel=1e-8)
    assert points.scale_ci == pytest.approx(exact.scale_ci, rel=1e-7)
    narrow = fit_weibull_intervals(life - 0.01, life + 0.01)
    assert narrow.scale_hours == pytest.approx(exact.scale_hours, rel=1e-5)
    with pytest.raises(BadArgument, match="row 0"):
        fit_weibull_intervals([10, 20], [5, 30])


def test_interval_censored_with_late_entry_by_direct_likelihood() -> None:
    lower, upper, entry = [100, 300, 500, 700, 900], [300, 500, np.inf, 900, np.inf], [0, 100, 200, 0, 600]
    fit = fit_weibull_intervals(lower, upper, entry_hours=entry)
    law = stats.weibull_min(fit.shape, scale=fit.scale_hours)
    share = law.sf(lower) - np.where(np.isinf(upper), 0, law.sf(upper))
    assert fit.log_likelihood == pytest.approx(np.log(share / law.sf(entry)).sum(), rel=1e-10)
    for shape, scale in ((1.05, 1), (0.95, 1), (1, 1.05), (1, 0.95)):
        other = stats.weibull_min(fit.shape * shape, scale=fit.scale_hours * scale)
        share = other.sf(lower) - np.where(np.isinf(upper), 0, other.sf(upper))
        assert np.log(share / other.sf(entry)).sum() < fit.log_likelihood


def test_lognormal_without_censoring_is_mean_and_spread_of_logs() -> None:
    life = np.array([300, 900, 1200, 2500, 4000, 7000])
    fit = fit_log_life(LOGNORMAL, RiskTable.from_spells(0, life * 10, np.ones(6, dtype=int)))
    mu, log_sigma = fit.theta
    assert mu == pytest.approx(np.log(life).mean(), rel=1e-9)
    assert np.exp(log_sigma) == pytest.approx(np.log(life).std(), rel=1e-8)


@pytest.mark.parametrize(("family", "law"), [(LOGNORMAL, "lognorm"), (LOGLOGISTIC, "fisk")])
def test_log_lives_with_delayed_entry_by_direct_likelihood(family: Family, law: str) -> None:
    entry, exit, failed = fleet(7, 80)
    found = fit_log_life(family, RiskTable.from_spells(entry, exit, failed))
    location, scale = found.theta[0], np.exp(found.theta[1])

    def value(mu: float, sigma: float) -> float:
        shape = sigma if law == "lognorm" else 1 / sigma
        d = getattr(stats, law)(shape, scale=np.exp(mu))
        ends = np.where(failed == 1, d.logpdf(exit / 10), d.logsf(exit / 10))
        return float((ends - np.where(entry > 0, d.logsf(np.maximum(entry, 1) / 10), 0)).sum())

    assert found.maximum == pytest.approx(value(location, scale), rel=1e-10)
    for mu, sigma in ((0.02, 1), (-0.02, 1), (0, 1.02), (0, 0.98)):
        assert value(location + mu, scale * sigma) < found.maximum
    low, high = found.log_sigma(1.920729410347062)
    assert low < found.theta[1] < high
    best = optimize.minimize_scalar(lambda mu: -value(mu, np.exp(high)), bracket=(location, location + 0.1))
    assert found.maximum + best.fun == pytest.approx(1.920729410347062, rel=1e-6)


def test_comparison_lists_what_cannot_be_fitted() -> None:
    shown = compare_fits(RiskTable.from_spells(0, [1000, 2000], [1, 0]))
    assert shown.frame["distribution"].to_list()[0] == "exponential"
    assert shown.frame.filter(distribution="weibull")["note"].item().startswith("1 failures are too few")
    assert shown.rising_hazard_p is None
    wear = compare_fits(RiskTable.from_spells(*fleet(8, 300, shape=3.0)))
    assert wear.rising_hazard_p is not None
    assert wear.rising_hazard_p < 1e-6
    assert wear.frame["weight"].sum() == pytest.approx(1)


def test_life_regression_of_two_groups_doubles_life() -> None:
    rng = np.random.default_rng(9)
    x = np.repeat([0, 1], 3000)
    life = 1000 * 2.0**x * rng.weibull(1.8, 6000)
    fit = fit_accelerated(life, np.ones(6000), x, names=["improved"])
    assert np.exp(fit.coefficients[1]) == pytest.approx(2.0, rel=0.05)
    assert 1 / fit.scale == pytest.approx(1.8, rel=0.05)
    assert np.exp(fit.coefficients[0]) == pytest.approx(1000.0, rel=0.05)
    assert fit.p < 1e-10


@pytest.mark.parametrize("distribution", ["weibull", "exponential", "lognormal", "loglogistic"])
def test_error_of_a_life_regression_by_machine_is_what_each_machine_moves(distribution: Distribution) -> None:
    entry, exit, failed = fleet(12, 60)
    x, machine = np.arange(60) % 3 == 0, np.arange(60) // 2

    def fit(weights: np.ndarray) -> AcceleratedFit:
        return fit_accelerated(
            exit / 10,
            failed,
            x,
            entry_hours=entry / 10,
            weights=weights,
            distribution=distribution,
            machine=machine,
        )

    step = 1e-4
    moved = [
        (fit(1.0 + step * (machine == one)).coefficients - fit(1.0 - step * (machine == one)).coefficients)
        / (2 * step)
        for one in range(30)
    ]
    naive = np.sqrt((np.array(moved) ** 2).sum(axis=0))
    assert fit(np.ones(60)).std_errors == pytest.approx(naive, rel=1e-4)


def test_life_regression_without_covariates_is_the_weibull_fit() -> None:
    entry, exit, failed = fleet(10, 100)
    fit = fit_accelerated(exit / 10, failed, np.zeros((100, 0)), entry_hours=entry / 10)
    plain = fit_weibull(RiskTable.from_spells(entry, exit, failed))
    assert np.exp(fit.coefficients[0]) == pytest.approx(plain.scale_hours, rel=1e-8)
    assert 1 / fit.scale == pytest.approx(plain.shape, rel=1e-8)
    with pytest.raises(TooFewFailures):
        fit_accelerated([10, 20], [1, 1], [[0], [1]])


def test_a_comparison_scores_fits_as_they_score_themselves() -> None:
    table = RiskTable.from_spells(*fleet(11, 120, shape=2.0))
    rows = {row["distribution"]: row for row in compare_fits(table).frame.to_dicts()}
    for family in (LOGNORMAL, LOGLOGISTIC):
        row = rows[family.name]
        assert (row["parameters"], row["aic"]) == (2, 4 - 2 * fit_log_life(family, table).maximum)
    assert compare_fits(table, weibull=fit_weibull(table)).frame.equals(compare_fits(table).frame)
