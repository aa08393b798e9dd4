"""Lognormal lives against scipy, and the choice between the two forms of a law."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate, stats

from fleetlog.stats.lognormal_life import (
    log_life_age,
    log_life_cumulative,
    log_life_first_age,
    log_life_hazard,
    log_life_hazards,
    sigma_mu,
)
from fleetlog.stats.renewal_value import Lives, Prices, best_policy, discounted_hours, first_of, renewal_age
from fleetlog.stats.weighted_lives import Default, LognormalLaw, ObservedLives

SHAPE, SCALE = np.array([2.2]), np.array([6000.0])
SIGMA, MU = (float(one[0]) for one in sigma_mu(SHAPE, SCALE))
LIFE = stats.lognorm(SIGMA, scale=np.exp(MU))
AGES = np.array([1.0, 100.0, 2000.0, 6000.0, 20000.0])


def test_mean_and_spread_of_the_logarithm_are_those_of_the_weibull_law() -> None:
    weibull = stats.weibull_min(2.2, scale=6000)
    mean = weibull.expect(np.log)
    assert pytest.approx(mean, rel=1e-6) == MU
    assert pytest.approx(np.sqrt(weibull.expect(lambda t: (np.log(t) - mean) ** 2)), rel=1e-5) == SIGMA


def test_against_scipy() -> None:
    np.testing.assert_allclose(log_life_cumulative(SHAPE, SCALE, AGES), -LIFE.logsf(AGES), rtol=1e-10)
    np.testing.assert_allclose(log_life_hazard(SHAPE, SCALE, AGES), LIFE.pdf(AGES) / LIFE.sf(AGES), rtol=1e-9)
    np.testing.assert_allclose(log_life_age(SHAPE, SCALE, -LIFE.logsf(AGES[1:])), AGES[1:], rtol=1e-9)
    cumulative, turning = log_life_hazards(2.2, np.log(6000.0), np.log(AGES))
    np.testing.assert_allclose(cumulative, -LIFE.logsf(AGES), rtol=1e-10)
    np.testing.assert_allclose(turning, AGES * LIFE.pdf(AGES) / LIFE.sf(AGES), rtol=1e-9)
    assert log_life_cumulative(SHAPE, SCALE, [0.0])[0] == 0.0
    assert log_life_hazard(SHAPE, SCALE, [0.0])[0] == 0.0


def test_the_first_age_of_a_hazard_lies_before_its_peak() -> None:
    ages = np.linspace(10.0, 60_000.0, 20_000)
    hazards = log_life_hazard(SHAPE, SCALE, ages)
    wanted = np.array([0.2, 0.9]) * hazards.max()
    found = log_life_first_age(np.repeat(SHAPE, 2), np.repeat(SCALE, 2), wanted)
    np.testing.assert_allclose(log_life_hazard(SHAPE, SCALE, found), wanted, rtol=1e-6)
    assert (found < ages[hazards.argmax()]).all()
    assert np.isinf(log_life_first_age(SHAPE, SCALE, 1.01 * hazards.max(keepdims=True)))[0]


def test_renewal_of_lognormal_lives_by_plain_integration_and_search() -> None:
    lives = Lives.of(SHAPE, SCALE, [True])
    leaving = 5e-5
    plain, _ = integrate.quad(
        lambda x: np.exp(-leaving * x) * LIFE.sf(3000 + x) / LIFE.sf(3000), 0, 2e5, limit=400
    )
    assert discounted_hours(lives, [3000.0], np.inf, [leaving])[0] == pytest.approx(plain, rel=1e-6)
    age, rate = best_policy(lives, Prices.of([1000.0], [5000.0]))
    ages = np.linspace(500.0, 12_000.0, 800)
    alive = np.array([integrate.quad(LIFE.sf, 0, at)[0] for at in ages])
    rates = (5000.0 * LIFE.cdf(ages) + 1000.0 * LIFE.sf(ages)) / alive
    assert rate[0] == pytest.approx(rates.min(), rel=1e-4)
    assert age[0] == pytest.approx(ages[rates.argmin()], rel=0.02)


def test_the_first_of_two_fails_at_twice_the_hazard_in_both_forms() -> None:
    lives = Lives.of([2.2, 2.2], [6000.0, 6000.0], [True, False])
    pair = first_of(lives, [2.0, 2.0])
    np.testing.assert_allclose(
        pair.cumulative(np.array([4000.0, 4000.0])), 2 * lives.cumulative(np.array([4000.0] * 2))
    )
    np.testing.assert_allclose(pair.hazard(np.array([4000.0] * 2)), 2 * lives.hazard(np.array([4000.0] * 2)))
    reached = pair.cumulative(np.array([4000.0, 4000.0]))
    np.testing.assert_allclose(pair.age_at(reached), 4000.0)
    prices = Prices.of([1000.0] * 2, [5000.0] * 2)
    found = renewal_age(pair, prices, np.array([0.4, 0.4]))
    np.testing.assert_allclose(pair.hazard(found), 0.4 / 4000.0, rtol=1e-6)


def observed(life: np.ndarray, seed: int) -> ObservedLives:
    """Lives of machines that are watched for some thousand hours each."""
    end = np.random.default_rng(seed).uniform(3000, 15000, life.size)
    ticks = np.maximum((np.minimum(life, end) * 10).astype(np.int64), 1)
    return ObservedLives(
        np.zeros(life.size, np.int64), ticks, (life <= end).astype(np.int64), np.arange(life.size)
    )


@pytest.mark.parametrize("machines", [400, 3000])
def test_plenty_of_lives_tell_the_form_and_its_figures(machines: int) -> None:
    default = Default(2.5, 6000.0, 5.0)
    log_lives = observed(LIFE.rvs(machines, random_state=4), 4)
    weibull_lives = observed(stats.weibull_min.rvs(2.2, scale=6000, size=machines, random_state=4), 4)
    assert log_lives.lognormal_weight(default) > 0.98
    assert weibull_lives.lognormal_weight(default) < 0.02
    found = log_lives.fit(default, lognormal=True)
    assert isinstance(found, LognormalLaw)
    assert found.shape == pytest.approx(2.2, rel=0.1)
    assert found.scale_hours == pytest.approx(6000, rel=0.06)
    # the same maximum as scipy's own search over the likelihood
    free = log_lives.fit(lognormal=True)
    time, failed = log_lives.exit / 10, log_lives.failed > 0
    assert free.cumulative(time).sum() == pytest.approx(failed.sum(), rel=1e-3)


def test_without_lives_the_default_alone_speaks_for_its_form() -> None:
    none = np.zeros(0, np.int64)
    nothing = ObservedLives(none, none, none, none)
    assert nothing.lognormal_weight() == 0.5
    weights = [nothing.lognormal_weight(Default(2.0, 5000.0, worth)) for worth in (1.0, 5.0, 50.0)]
    assert weights == sorted(weights, reverse=True)
    assert 0.3 < weights[1] < 0.5
    law = nothing.fit(Default(2.0, 5000.0, 5.0), lognormal=True)
    assert (law.shape, law.scale_hours, law.lognormal) == (2.0, 5000.0, True)
