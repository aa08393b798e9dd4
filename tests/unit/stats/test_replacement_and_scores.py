"""Replacement ages against brute force, remaining life against integration, scores by hand."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate, special, stats

from fleetlog.stats import replacement as rp
from fleetlog.stats import scores as sc
from fleetlog.stats.errors import BadArgument, LengthMismatch


@pytest.mark.parametrize(("shape", "ratio"), [(1.3, 4), (2.0, 3), (3.5, 20)])
def test_best_age_by_brute_force(shape: float, ratio: float) -> None:
    policy = rp.age_replacement(shape, 4000, planned_cost=100, failure_cost=100 * ratio)
    ages = np.linspace(50, 40000, 200001)
    costs = rp.age_replacement_cost(shape, 4000, ages, planned_cost=100, failure_cost=100 * ratio)
    assert policy.age_hours == pytest.approx(ages[costs.argmin()], rel=1e-2)
    assert policy.cost_per_hour == pytest.approx(costs.min(), rel=1e-7)
    assert policy.run_to_failure_cost_per_hour == pytest.approx(
        rp.age_replacement_cost(shape, 4000, 1e7, planned_cost=100, failure_cost=100 * ratio).item(), rel=1e-9
    )
    assert policy.saving_per_hour > 0


def test_reasons_not_to_replace_ahead() -> None:
    assert rp.age_replacement(2, 1000, planned_cost=10, failure_cost=10).note == (
        "a failure costs no more than a planned replacement"
    )
    assert "does not rise" in str(rp.age_replacement(0.9, 1000, planned_cost=1, failure_cost=10).note)
    assert "beyond" in str(rp.age_replacement(1.02, 1000, planned_cost=1, failure_cost=1.05).note)
    assert rp.minimal_repair_replacement(1, 1000, planned_cost=10, repair_cost=1).age_hours is None
    with pytest.raises(BadArgument, match="planned_cost"):
        rp.age_replacement(2, 1000, planned_cost=0, failure_cost=10)


def test_minimal_repair_by_brute_force() -> None:
    policy = rp.minimal_repair_replacement(2.2, 3000, planned_cost=500, repair_cost=80)
    ages = np.linspace(100, 30000, 100001)
    costs = (500 + 80 * (ages / 3000) ** 2.2) / ages
    assert policy.age_hours == pytest.approx(ages[costs.argmin()], rel=1e-3)
    assert policy.cost_per_hour == pytest.approx(costs.min(), rel=1e-9)


def test_renewals_of_a_constant_rate_are_age_over_mean() -> None:
    assert rp.renewal_function(1.0, 500, [0, 250, 1000, 3000]) == pytest.approx(
        [0, 0.5, 2, 6], rel=1e-5, abs=1e-12
    )
    # and for any shape they grow by one a mean life in the long run
    m = rp.renewal_function(3.0, 1.0, [8.0, 9.0])
    assert m[1] - m[0] == pytest.approx(1 / special.gamma(4 / 3), rel=1e-3)


@pytest.mark.parametrize("age", [0.0, 500.0, 3000.0, 20000.0])
def test_remaining_life_by_integration(age: float) -> None:
    law = stats.weibull_min(1.8, scale=2500)
    area, _ = integrate.quad(
        lambda s: rp.conditional_survival(1.8, 2500, age_hours=age, mission_hours=s).item(),
        0,
        30000,
        limit=200,
    )
    assert rp.mean_residual_life(1.8, 2500, age_hours=age).item() == pytest.approx(area, rel=1e-6)
    half = rp.residual_life(1.8, 2500, age_hours=age, p=0.5).item()
    assert law.logsf(age + half) - law.logsf(age) == pytest.approx(np.log(0.5), rel=1e-9)


def test_remaining_life_far_out_stays_finite() -> None:
    far = rp.mean_residual_life(3.0, 1000, age_hours=[7900.0, 7950.0, 100000.0])
    assert np.isfinite(far).all()
    assert (np.diff(far) < 0).all()
    # for a large hazard the mean that remains is its inverse
    assert far[2] == pytest.approx(1 / (3 / 1000 * 100.0**2), rel=1e-3)


def test_scores_by_hand() -> None:
    assert sc.brier_score([1, 0.5, 0], [1, 0, 0]) == pytest.approx(0.25 / 3)
    assert sc.log_loss([0.5, 0.25], [1, 0]) == pytest.approx((np.log(2) - np.log(0.75)) / 2)
    assert sc.log_loss([0.0], [1]) == np.inf
    assert sc.multiclass_log_loss([[0.5, 0.5], [0.9, 0.1]], [0, 1]) == pytest.approx(
        (np.log(2) + np.log(10)) / 2
    )
    assert sc.area_under_curve([1, 2, 3, 2], [0, 0, 1, 1]) == pytest.approx(3.5 / 4)
    with pytest.raises(BadArgument, match="between 0 and 1"):
        sc.brier_score([1.2], [1])
    with pytest.raises(LengthMismatch):
        sc.brier_score([0.2, 0.3], [1])
    with pytest.raises(BadArgument, match="sum to one"):
        sc.multiclass_log_loss([[0.5, 0.6]], [0])
    with pytest.raises(BadArgument, match="did not"):
        sc.area_under_curve([1, 2], [1, 1])


def test_calibration_bins_and_line() -> None:
    rng = np.random.default_rng(1)
    p = rng.random(20000)
    y = (rng.random(20000) < p).astype(int)
    bins = sc.calibration_bins(p, y)
    assert bins["cases"].sum() == 20000
    assert (
        (bins["lower"] <= bins["mean_probability"]) & (bins["mean_probability"] <= bins["upper"])
    ).sum() >= 8
    line = sc.calibration_line(p, y)
    assert abs(line.slope - 1) < 4 * line.slope_std_error
    assert abs(line.intercept) < 0.1
    # probabilities pushed to the extremes have a slope below one
    inner = (p > 0.01) & (p < 0.99)
    extreme = special.expit(2 * special.logit(p[inner]))
    plain = sc.calibration_line(p[inner], y[inner])
    assert sc.calibration_line(extreme, y[inner]).slope == pytest.approx(plain.slope / 2, rel=1e-9)
    with pytest.raises(BadArgument, match="no line"):
        sc.calibration_line([0.1, 0.2, 0.8, 0.9], [0, 0, 1, 1])
    assert sc.calibration_bins([0.0, 1.0], [0, 1], bins=5)["to"].to_list() == [0.2, 1.0]


def test_concordance_by_pairs() -> None:
    rng = np.random.default_rng(2)
    t, flag, risk = rng.integers(1, 15, 60), rng.integers(0, 2, 60), rng.integers(0, 6, 60)
    concordant = discordant = tied = 0
    for i in range(60):
        for j in range(60):
            if flag[i] and (t[i] < t[j] or (t[i] == t[j] and not flag[j])):
                concordant += risk[i] > risk[j]
                discordant += risk[i] < risk[j]
                tied += risk[i] == risk[j]
    found = sc.concordance(t, flag, risk)
    assert (found.concordant, found.discordant, found.tied_risk) == (concordant, discordant, tied)
    with pytest.raises(BadArgument, match="compared"):
        sc.concordance([1, 2], [0, 0], [1, 2])


def test_censored_scores_without_censoring_are_plain_ones() -> None:
    rng = np.random.default_rng(3)
    t, s = rng.permutation(50) + 1.0, rng.random((50, 2))
    brier = sc.censored_brier(t, np.ones(50), s, [10, 30])
    assert brier == pytest.approx([((s[:, k] - (t > c)) ** 2).mean() for k, c in enumerate((10, 30))])
    area = sc.area_by_age(t, np.ones(50), s[:, 0], [20])
    assert area.area[0] == pytest.approx(sc.area_under_curve(s[:, 0], t <= 20))
    assert area.mean == area.area[0]
    with pytest.raises(BadArgument, match="all or none"):
        sc.area_by_age(t, np.ones(50), s[:, 0], [60])
    with pytest.raises(LengthMismatch):
        sc.censored_brier(t, np.ones(50), s[:, :1], [10, 30])


def test_crps_by_its_definition() -> None:
    x, mu = 4, 2.7
    k = np.arange(200)
    want = ((stats.poisson.cdf(k, mu) - (x <= k)) ** 2).sum()
    assert sc.count_scores([x], [mu]).crps == pytest.approx(want, rel=1e-10)
