"""What a sign is worth: against closed forms, a naive search and data drawn by a known law."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import optimize, special, stats

from fleetlog.stats.early_signs import BASE_SPREAD, SIGN_SPREAD, _gain, sign_odds
from fleetlog.stats.errors import BadArgument, LengthMismatch


def drawn(seed: int, n: int, odds: tuple[float, ...], share: float = 0.2):  # type: ignore[no-untyped-def]
    rng = np.random.default_rng(seed)
    signs = rng.random((n, len(odds))) < share
    base = rng.uniform(0.02, 0.2, n)
    came = rng.random(n) < special.expit(special.logit(base) + signs @ np.log(odds))
    return signs, base, came


def test_without_data_a_sign_is_worth_nothing() -> None:
    learnt = sign_odds(np.zeros((0, 2), dtype=bool), np.zeros(0), np.zeros(0, dtype=bool))
    half = stats.norm.isf(0.025 / 2) * SIGN_SPREAD
    assert learnt.odds == pytest.approx([1.0, 1.0])
    assert np.log(learnt.upper) == pytest.approx(half)
    assert not learnt.helps.any()
    assert learnt.chance(np.array([0.1]), np.ones((1, 2), dtype=bool)) == pytest.approx([0.1])


def test_with_much_data_it_is_the_odds_ratio_of_the_table() -> None:
    signs = np.repeat([True, True, False, False], [30_000, 70_000, 50_000, 450_000])[:, None]
    came = np.repeat([True, False, True, False], [30_000, 70_000, 50_000, 450_000])
    learnt = sign_odds(signs, np.full(came.size, 0.1), came)
    assert learnt.odds[0] == pytest.approx((30 / 70) / (50 / 450), rel=2e-3)
    assert (learnt.stretches[0], learnt.events[0]) == (100_000, 30_000)
    assert (learnt.other_stretches[0], learnt.other_events[0]) == (500_000, 50_000)
    expected = learnt.chance(np.array([0.1, 0.1]), np.array([[True], [False]]))
    assert expected == pytest.approx([0.3, 0.1], rel=2e-3)


def test_the_maximum_is_the_one_that_a_search_finds() -> None:
    signs, base, came = drawn(1, 400, (3.0, 1.0))

    def loss(theta):  # type: ignore[no-untyped-def]
        eta = special.logit(base) + theta[0] + signs @ theta[1:]
        likelihood = stats.bernoulli.logpmf(came, special.expit(eta)).sum()
        prior = (
            stats.norm.logpdf(theta[0], 0, BASE_SPREAD) + stats.norm.logpdf(theta[1:], 0, SIGN_SPREAD).sum()
        )
        return -(likelihood + prior)

    found = optimize.minimize(loss, np.zeros(3), method="Nelder-Mead", options={"xatol": 1e-7, "fatol": 1e-9})
    assert np.log(sign_odds(signs, base, came).odds) == pytest.approx(found.x[1:], abs=1e-4)


def test_worthless_signs_are_seldom_used_and_good_ones_found() -> None:
    worthless = np.mean([sign_odds(*drawn(seed, 1000, (1.0,) * 5)).helps.any() for seed in range(400)])
    assert worthless < 0.025 + 3 * np.sqrt(0.025 * 0.975 / 400)  # one end of a 95 % interval, five signs
    assert worthless > 0.0
    assert np.mean([sign_odds(*drawn(seed, 1000, (4.0,))).helps[0] for seed in range(50)]) > 0.95


def test_a_sign_that_told_once_and_tells_no_more_is_not_used() -> None:
    signs, base, came = drawn(5, 4000, (6.0,))
    order = np.arange(4000.0)
    assert sign_odds(signs, base, came, order).helps[0]
    told, told_base, told_came = drawn(6, 2000, (6.0,))
    idle, idle_base, idle_came = drawn(7, 2000, (1.0,))
    faded = (np.vstack([told, idle]), np.append(told_base, idle_base), np.append(told_came, idle_came))
    assert sign_odds(*faded).lower[0] > 1.0
    assert not sign_odds(*faded, order).helps[0]


def test_the_back_test_is_the_gain_of_a_number_learnt_before() -> None:
    signs, base, came = drawn(8, 600, (3.0,))
    before = np.arange(600) < 300
    learnt = sign_odds(signs[before], base[before], came[before])
    eta = special.logit(base) + np.log(learnt.odds[0]) * signs[:, 0]
    # The shift is the same with and without the sign, so that only stretches that began with it differ.
    later = ~before & signs[:, 0]

    def told(shift: float, with_it: bool) -> float:
        chance = special.expit(eta + shift if with_it else special.logit(base) + shift)
        return float(stats.bernoulli.logpmf(came[later], chance[later]).sum())

    shift = optimize.brentq(
        lambda a: (came - special.expit(eta + a))[before].sum() - a / BASE_SPREAD**2, -3, 3
    )
    gain = told(shift, True) - told(shift, False)
    assert _gain(signs.astype(float), special.logit(base), came.astype(float), before)[0] == pytest.approx(
        gain
    )


def test_a_sign_with_the_event_always_stays_finite() -> None:
    learnt = sign_odds(np.array([[True], [False], [False]]), np.full(3, 0.1), np.array([True, False, False]))
    assert 1.0 < learnt.odds[0] < 4.0
    assert not learnt.helps[0]


def test_bad_arguments() -> None:
    with pytest.raises(LengthMismatch):
        sign_odds(np.zeros((2, 1), dtype=bool), np.full(3, 0.1), np.zeros(3, dtype=bool))
    with pytest.raises(BadArgument):
        sign_odds(np.zeros((1, 1), dtype=bool), np.zeros(1), np.zeros(1, dtype=bool))
