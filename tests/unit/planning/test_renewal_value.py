"""Values of renewing, against published ages, closed forms, plain integration and simulation."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate, optimize, special, stats

from fleetlog.stats.renewal_value import (
    Lives,
    Prices,
    best_policy,
    discounted_hours,
    first_of,
    policy_rate,
    renewal_age,
    saving_now,
    saving_of_policy,
    waiting_rate,
)

# Optimal age over scale, and cost over planned cost per scale. Source: Barlow & Hunter 1960, Barlow & Proschan
# 1965 chapter 4; computed with R uniroot on h(T) * integral of survival - F(T) = planned / (failure - planned).
PUBLISHED = {
    2.0: {
        2: (1.09079697, 2.181593939),
        5: (0.5106552243, 4.085241794),
        10: (0.3364511913, 6.056121443),
        20: (0.2304267983, 8.756218334),
        50: (0.1431005517, 14.02385407),
    },
    3.0: {
        2: (0.8103420274, 1.969962604),
        5: (0.5026095821, 3.031396704),
        10: (0.3824555311, 3.949350299),
        20: (0.2977704706, 5.054033431),
        50: (0.216991448, 6.921537413),
    },
}


@pytest.mark.parametrize(
    ("shape", "failure", "age", "rate"),
    [(k, cf, age, rate) for k, rows in PUBLISHED.items() for cf, (age, rate) in rows.items()],
)
def test_without_leaving_it_is_age_replacement(shape: float, failure: float, age: float, rate: float) -> None:
    found_age, found_rate = best_policy(Lives.of([shape], [1.0]), Prices.of([1.0], [failure]))
    assert found_age[0] == pytest.approx(age, rel=1e-8)
    assert found_rate[0] == pytest.approx(rate, rel=1e-9)


def test_another_road_to_the_same_ages() -> None:
    shape, scale, planned, failure = 2.4, 6200.0, 1600.0, 5900.0

    def cost(age: float) -> float:
        """Planned S(T) + failure F(T) over the integral of S: the long-run cost per hour."""
        survival = np.exp(-((age / scale) ** shape))
        h = (age / scale) ** shape
        hours = scale / shape * special.gamma(1 / shape) * special.gammainc(1 / shape, h)
        return float((planned * survival + failure * (1 - survival)) / hours)

    other = optimize.minimize_scalar(
        cost, bounds=(100.0, 50_000.0), method="bounded", options={"xatol": 1e-6}
    )
    age, rate = best_policy(Lives.of([shape], [scale]), Prices.of([planned], [failure]))
    assert age[0] == pytest.approx(other.x, rel=1e-6)
    assert rate[0] == pytest.approx(other.fun, rel=1e-10)
    assert waiting_rate(Lives.of([shape], [scale]), Prices.of([planned], [failure]))[0] == pytest.approx(
        cost(1e6), rel=1e-9
    )


@pytest.mark.parametrize(("shape", "failure", "rate"), [(1.0, 5.0, 5.0), (0.8, 5.0, 4.413050605)])
def test_a_hazard_that_does_not_rise_is_waited_for(shape: float, failure: float, rate: float) -> None:
    # source: Barlow & Proschan 1965: no finite optimum; cost failure / mean life
    age, found = best_policy(Lives.of([shape], [1.0]), Prices.of([1.0], [failure]))
    assert np.isinf(age[0])
    assert found[0] == pytest.approx(rate, rel=1e-4 if shape < 1 else 1e-6)


def test_a_breakdown_no_dearer_than_a_job_is_waited_for() -> None:
    age, _ = best_policy(Lives.of([3.0], [1000.0]), Prices.of([100.0], [100.0]))
    assert np.isinf(age[0])


@pytest.mark.parametrize("leaving", [0.0, 1e-4, 5e-3])
@pytest.mark.parametrize(
    ("shape", "age"), [(1.0, 0.0), (1.0, 900.0), (2.8, 0.0), (2.8, 6000.0), (2.8, 30000.0), (5.0, 100.0)]
)
def test_discounted_hours_against_plain_integration(shape: float, age: float, leaving: float) -> None:
    scale = 6000.0

    def inside(x: float) -> float:
        return float(np.exp(-leaving * x + (age / scale) ** shape - ((age + x) / scale) ** shape))

    stop = 3e5 if shape == 1 else 3e4
    breaks = [1.0, 10.0, 100.0, 1000.0, 5000.0]
    whole = integrate.quad(inside, 0, stop, points=breaks, limit=400, epsabs=1e-9, epsrel=1e-11)[0]
    part = integrate.quad(inside, 0, 700.0, points=[10.0, 100.0], limit=400)[0]
    lives = Lives.of([shape], [scale])
    assert discounted_hours(lives, [age], np.inf, leaving)[0] == pytest.approx(whole, rel=1e-7)
    assert discounted_hours(lives, [age], [age + 700.0], leaving)[0] == pytest.approx(part, rel=1e-9)


def test_undiscounted_hours_are_the_mean_residual_life() -> None:
    ages = np.array([0.0, 2000.0, 8000.0])
    lives = Lives.of(np.full(3, 2.5), np.full(3, 5000.0))
    np.testing.assert_allclose(
        discounted_hours(lives, ages, np.inf, 0.0),
        [
            integrate.quad(lambda x, a=a: np.exp((a / 5e3) ** 2.5 - ((a + x) / 5e3) ** 2.5), 0, 3e4)[0]
            for a in ages
        ],
        rtol=1e-9,
    )


def test_exponential_lives_by_hand() -> None:
    # hazard 1/m, leaving d: R = m / (1 + d m); waiting costs c an hour times hazard, whatever the age
    m, d, c = 1000.0, 2e-4, 500.0
    lives = Lives.of([1.0], [m])
    prices = Prices.of([100.0], [c], [d])
    assert discounted_hours(lives, [700.0], np.inf, d)[0] == pytest.approx(m / (1 + d * m), rel=1e-6)
    assert waiting_rate(lives, prices)[0] == pytest.approx(c / m, rel=1e-6)
    # replacing a part that does not age saves nothing and costs the job
    assert saving_now(lives, prices, [700.0], waiting_rate(lives, prices))[0] == pytest.approx(
        -100.0, rel=1e-3
    )


def test_the_age_is_where_waiting_longer_costs_more() -> None:
    lives, prices = Lives.of([2.8], [6300.0]), Prices.of([1600.0], [5900.0], [2.6e-4])
    next_rate = np.array([0.05])
    age = renewal_age(lives, prices, next_rate)
    around = np.linspace(0.6, 1.6, 41) * age[0]
    values = saving_of_policy(
        Lives.of(np.full(41, 2.8), np.full(41, 6300.0)),
        Prices.of(np.full(41, 1600.0), np.full(41, 5900.0), np.full(41, 2.6e-4)),
        np.zeros(41),
        around,
        np.full(41, next_rate[0]),
    )
    assert around[int(np.argmax(values))] == pytest.approx(age[0], rel=0.03)
    # and at the best age the value is stationary
    near = [float(saving_of_policy(lives, prices, [0.0], [age[0] * f], next_rate)[0]) for f in (0.999, 1.001)]
    assert near[0] == pytest.approx(near[1], rel=1e-4)


def test_policy_rate_is_least_at_the_best_age() -> None:
    lives, prices = Lives.of([3.0], [4000.0]), Prices.of([1500.0], [6000.0], [1e-4])
    age, rate = best_policy(lives, prices)
    for factor in (0.7, 0.9, 1.1, 1.5, 4.0):
        assert policy_rate(lives, prices, age * factor)[0] > rate[0]
    assert policy_rate(lives, prices, np.array([np.inf]))[0] == pytest.approx(
        waiting_rate(lives, prices)[0], rel=1e-9
    )


def test_against_a_simulated_yard() -> None:
    """Saving of replacing at once, by playing both ways out with the same machine lives."""
    rng = np.random.default_rng(11)
    shape, scale, next_shape, next_scale, age = 2.8, 6300.0, 1.5, 30_000.0, 4500.0
    planned, failure, leaving = 1600.0, 5900.0, 3e-4
    n = 200_000
    until = rng.exponential(1 / leaving, n)  # the machine leaves; no other discount

    def renewals(first: np.ndarray) -> np.ndarray:
        """Failures before the machine leaves when the first part fails at `first`."""
        at, count = first.copy(), np.zeros(n)
        while (alive := at < until).any():
            count += alive
            at = np.where(alive, at + next_scale * rng.weibull(next_shape, n), at)
        return count

    u = rng.exponential(size=n)
    wait = failure * renewals(scale * ((age / scale) ** shape + u) ** (1 / shape) - age)
    now = planned + failure * renewals(next_scale * rng.weibull(next_shape, n))
    prices = Prices.of([planned], [failure], [leaving])
    rate = waiting_rate(Lives.of([next_shape], [next_scale]), prices)
    found = saving_now(Lives.of([shape], [scale]), prices, [age], rate)[0]
    error = float((wait - now).std()) / np.sqrt(n)
    assert found == pytest.approx(float((wait - now).mean()), abs=4 * error)


def test_mean_life_of_a_weibull() -> None:
    found = discounted_hours(Lives.of([0.7], [100.0]), [0.0], np.inf, 0.0)[0]
    assert found == pytest.approx(100 * special.gamma(1 + 1 / 0.7), rel=1e-4)


@pytest.mark.parametrize(("shape", "parts"), [(0.8, 2), (1.0, 3), (2.5, 2), (4.0, 4)])
def test_the_first_of_so_many_survives_while_all_do(shape: float, parts: int) -> None:
    ages = np.linspace(100.0, 12_000.0, 25)
    first = first_of(Lives.of([shape], [6000.0]), parts)
    together = stats.weibull_min.sf(ages, first.shape[0], scale=first.scale_hours[0])
    np.testing.assert_allclose(together, stats.weibull_min.sf(ages, shape, scale=6000.0) ** parts, rtol=1e-12)
    alone = first_of(Lives.of([shape], [6000.0]), 1)
    assert alone.scale_hours[0] == 6000.0


def test_what_costs_nothing_is_not_renewed_without_end() -> None:
    """A planned job for nothing: an age and a rate come out, not a division by nothing."""
    lives, prices = Lives.of([2.5, 1.0], [6000.0, 1e9]), Prices.of([0.0, 0.0], [500.0, 500.0], [1e-4, 1e-4])
    age, rate = best_policy(lives, prices)
    assert 0 < age[0] < 100.0
    assert np.isinf(age[1])
    assert np.isfinite(rate).all()
    assert rate[0] < 0.01 * waiting_rate(lives, prices)[0]
