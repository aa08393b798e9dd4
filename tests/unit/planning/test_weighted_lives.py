"""Weighted Weibull fits against the package's other road, hand-made cases, and the default's own law."""

from __future__ import annotations

import numpy as np
import pytest

from fleetlog.stats.errors import BadArgument, LengthMismatch, TooFewFailures
from fleetlog.stats.lifetimes import fit_weibull
from fleetlog.stats.risk_table import RiskTable
from fleetlog.stats.weighted_lives import Default, ObservedLives, machine_weights

NONE = np.zeros(0, dtype=np.int64)


def lives(n: int, shape: float, scale: float, seed: int) -> ObservedLives:
    """Lives with late entry and censoring, two a machine."""
    rng = np.random.default_rng(seed)
    life = (rng.weibull(shape, n) * scale * 10).astype(np.int64) + 1
    entry = np.where(rng.random(n) < 0.5, 0, rng.integers(1, int(scale * 6), n))
    end = entry + rng.integers(int(scale), int(scale * 12), n)
    seen = life > entry
    return ObservedLives(
        entry[seen],
        np.minimum(life, end)[seen],
        (life <= end)[seen].astype(np.int64),
        (np.arange(n) // 2)[seen],
    )


@pytest.mark.parametrize(("shape", "seed"), [(0.7, 1), (1.0, 2), (2.5, 3), (6.0, 4)])
def test_agrees_with_the_fit_from_risk_tables(shape: float, seed: int) -> None:
    observed = lives(400, shape, 5000, seed)
    law = observed.fit()
    other = fit_weibull(RiskTable.from_spells(observed.entry, observed.exit, observed.failed))
    assert law.shape == pytest.approx(other.shape, rel=1e-9)
    assert law.scale_hours == pytest.approx(other.scale_hours, rel=1e-9)


def test_a_weight_is_that_many_machines() -> None:
    observed = lives(60, 2.0, 3000, 7)
    weights = np.random.default_rng(1).integers(0, 4, 30).astype(float)
    copies = np.repeat(np.arange(observed.spells), weights[observed.machine].astype(int))
    repeated = ObservedLives(
        observed.entry[copies], observed.exit[copies], observed.failed[copies], np.arange(copies.size)
    )
    assert observed.fit(weights=weights) == pytest.approx(repeated.fit(), rel=1e-11)


def test_an_exponential_by_hand() -> None:
    # Four units fail at 100, 200, 300 and 400 h. With the shape fixed by symmetry of nothing, solve the two
    # equations for the Weibull of these ages by hand: checked here by its score being zero in both.
    ages = np.array([1000, 2000, 3000, 4000])
    law = ObservedLives(np.zeros(4, dtype=int), ages, np.ones(4, dtype=int), np.arange(4)).fit()
    t = ages / 10
    z = (t / law.scale_hours) ** law.shape
    assert (z - 1).sum() == pytest.approx(0, abs=1e-9)
    assert (1 / law.shape + np.log(t / law.scale_hours) * (1 - z)).sum() == pytest.approx(0, abs=1e-9)


def test_without_data_the_default_is_the_answer() -> None:
    assert ObservedLives(NONE, NONE, NONE, NONE).fit(Default(2.5, 6000, 5)) == pytest.approx((2.5, 6000))
    one = ObservedLives(np.array([0]), np.array([3]), np.array([0]), np.array([0]))
    assert one.fit(Default(2.5, 6000, 5)) == pytest.approx((2.5, 6000), rel=1e-6)


def test_with_many_failures_the_default_vanishes() -> None:
    observed = lives(6000, 2.5, 5000, 9)
    free, leaning = observed.fit(), observed.fit(Default(1.0, 50_000, 5))
    assert leaning.shape == pytest.approx(free.shape, rel=0.02)
    assert leaning.scale_hours == pytest.approx(free.scale_hours, rel=0.02)


def test_without_failures_hours_stretch_the_default() -> None:
    # 50 lives of 10,000 h without a failure where the default expects H(10,000) = 1 of each: its failures
    # shrink to 50 * (0 + 5) / (50 + 5), so that 50 H(10,000) is that.
    law = ObservedLives(
        np.zeros(50, dtype=int), np.full(50, 100_000), np.zeros(50, dtype=int), np.arange(50)
    ).fit(Default(2.0, 10_000, 5))
    assert law.shape == pytest.approx(2.0)
    assert 50 * (10_000 / law.scale_hours) ** law.shape == pytest.approx(50 * 5 / 55, rel=1e-12)


def test_a_default_far_off_does_not_rule_over_many_failures() -> None:
    observed = lives(2000, 2.5, 5000, 21)
    free = observed.fit()
    for scale in (500, 500_000):
        leaning = observed.fit(Default(0.8, scale, 5))
        assert leaning.shape == pytest.approx(free.shape, rel=0.03)
        # a gamma prior pulls by worth / (worth + expected): little expected beforehand, so up to a tenth here
        assert leaning.scale_hours == pytest.approx(free.scale_hours, rel=0.1)


def test_what_enters_at_age_zero_says_nothing_of_its_own() -> None:
    observed = lives(200, 2.0, 3000, 12)
    shifted = ObservedLives(np.maximum(observed.entry, 1), observed.exit, observed.failed, observed.machine)
    assert observed.fit().shape == pytest.approx(shifted.fit().shape, rel=1e-4)


def test_draws_of_a_default_spread_as_its_failures_would() -> None:
    default = Default(2.0, 5000, 4)
    drawn = [default.drawn(1, draw, 0) for draw in range(4000)]
    failures = np.array([one.failures for one in drawn])
    # gamma with shape 4: mean 4, variance 4
    assert failures.mean() == pytest.approx(4, abs=0.1)
    assert failures.var() == pytest.approx(4, abs=0.3)
    # log shape of 4 complete lives: variance 6 / (4 pi^2) (Lawless 2003, information of the Weibull)
    log_shape = np.log([one.shape for one in drawn])
    assert log_shape.mean() == pytest.approx(np.log(2.0), abs=0.02)
    assert log_shape.var() == pytest.approx(6 / (4 * np.pi**2), rel=0.06)
    assert default.drawn(1, 0, 0) != default.drawn(1, 0, 1)


def test_machine_weights_are_the_same_whatever_was_drawn_before() -> None:
    first = machine_weights(100, 7, 3)
    for draw in range(3):
        machine_weights(100, 7, draw)
    np.testing.assert_array_equal(machine_weights(100, 7, 3), first)
    assert machine_weights(200_000, 7, 0).mean() == pytest.approx(1.0, abs=0.01)


def test_what_cannot_be_is_refused() -> None:
    one = np.array([10])
    with pytest.raises(BadArgument, match="observed over some time"):
        ObservedLives(one, one, one, one)
    with pytest.raises(LengthMismatch):
        ObservedLives(one, np.array([20, 30]), one, one)
    with pytest.raises(BadArgument, match="more than no failure"):
        Default(2.0, 1000, 0)
    with pytest.raises(TooFewFailures, match="nothing can be fitted"):
        ObservedLives(NONE, NONE, NONE, NONE).fit()


@pytest.mark.slow
def test_ranges_of_the_bootstrap_hold_the_truth() -> None:
    """Of the 95% ranges of the age by which a tenth has failed, some 95% hold the true one."""
    true = 5000 * (-np.log(0.9)) ** (1 / 2.5)
    held = 0
    for fleet in range(120):
        observed = lives(160, 2.5, 5000, 1000 + fleet)
        machines = int(observed.machine.max()) + 1
        b10 = []
        for draw in range(100):
            law = observed.fit(weights=machine_weights(machines, fleet, draw))
            b10.append(law.scale_hours * (-np.log(0.9)) ** (1 / law.shape))
        low, high = np.quantile(b10, (0.025, 0.975))
        held += low <= true <= high
    # binomial(120, 0.95) lies within 107 to 119 with 99%; the bootstrap is a little narrow at this size
    assert 104 <= held <= 120
