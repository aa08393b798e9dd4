"""Weighted Weibull fits against the package's other road, hand-made cases, and the default's own law."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from fleetlog.planning.replacement import RISE_LEVEL
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


# ------------------------------------------------------------------------------------ whether a hazard rises


@pytest.mark.parametrize(("shape", "seed"), [(0.7, 1), (1.0, 2), (1.3, 3), (2.5, 4)])
def test_the_rise_is_the_likelihood_ratio_of_scipys_fits(shape: float, seed: int) -> None:
    rng = np.random.default_rng(seed)
    life, leaves = rng.weibull(shape, 60) * 5000.0, rng.uniform(500.0, 9000.0, 60)
    failed, hours = life <= leaves, np.minimum(life, leaves)
    observed = ObservedLives(
        np.zeros(60, dtype=np.int64),
        np.ceil(hours * 10).astype(np.int64),
        failed.astype(np.int64),
        np.arange(60),
    )
    ages = observed.exit / 10
    data = stats.CensoredData(uncensored=ages[failed], right=ages[~failed])
    rising, _, scale = stats.weibull_min.fit(data, floc=0)
    _, mean = stats.expon.fit(data, floc=0)

    def likelihood(law: stats.rv_continuous, *how: float, scale: float) -> float:
        return float(
            law.logpdf(ages[failed], *how, scale=scale).sum()
            + law.logsf(ages[~failed], *how, scale=scale).sum()
        )

    ratio = 2 * (likelihood(stats.weibull_min, rising, scale=scale) - likelihood(stats.expon, scale=mean))
    tail = 0.5 * stats.chi2.sf(max(ratio, 0.0), 1)
    assert observed.rise() == pytest.approx(tail if rising > 1 else 1 - tail, abs=2e-4)


@pytest.mark.parametrize("failures", [6, 12, 40])
def test_a_constant_hazard_seldom_seems_to_rise(failures: int) -> None:
    """In so many fleets whose hazard does not rise, with late entry and censoring: about one in twenty."""
    fleets, alarms = 1500, 0
    for seed in range(fleets):
        rng = np.random.default_rng([seed, failures])
        entry = np.where(rng.random(120) < 0.5, 0, rng.integers(1, 30_000, 120))
        life = entry + rng.exponential(80_000.0 * 60 / failures / 2, 120).astype(np.int64) + 1
        leaves = entry + rng.integers(20_000, 60_000, 120)
        found = ObservedLives(
            entry, np.minimum(life, leaves), (life <= leaves).astype(np.int64), np.arange(120)
        )
        alarms += found.rise() <= RISE_LEVEL
    # three standard errors of 5 % are 1.7 %; never more than a tenth
    assert 0.033 <= alarms / fleets <= 0.1


def test_a_hazard_that_rises_is_seen_and_a_single_failure_tells_nothing() -> None:
    assert lives(400, 2.5, 5000, 3).rise() < 1e-6
    assert lives(400, 0.6, 5000, 3).rise() > 0.999
    one = ObservedLives(np.array([0, 0]), np.array([5000, 900]), np.array([1, 0]), np.arange(2))
    assert one.rise() == 1.0


def test_a_failure_that_was_one_as_surely_as_not_counts_half() -> None:
    whole = lives(200, 2.0, 5000, 7)
    double = ObservedLives(
        np.tile(whole.entry, 2),
        np.tile(whole.exit, 2),
        np.tile(whole.failed, 2),
        np.tile(whole.machine, 2),
        share=np.full(2 * whole.spells, 0.5),
    )
    assert double.failures == pytest.approx(whole.failures)
    assert double.total_hours == pytest.approx(whole.total_hours)
    assert double.rise() == pytest.approx(whole.rise(), rel=1e-9)
    assert double.fit(Default(2.0, 4000, 3)) == pytest.approx(whole.fit(Default(2.0, 4000, 3)), rel=1e-9)


# ------------------------------------------------------------------------------------- a default that yields


@pytest.mark.parametrize("failed", [0, 5, 27, 60, 150, 500])
def test_a_default_yields_by_bayes_rule(failed: int) -> None:
    """Each halving of the worth half as likely: scipy's negative binomial says what each worth foretold."""
    default, expected = Default(2.0, 5000.0, 8.0), 25.0
    worths = [8.0, 4.0, 2.0, 1.0, 0.5, 0.25]
    odds = [
        0.5**k * stats.nbinom.pmf(failed, worth, worth / (worth + expected)) for k, worth in enumerate(worths)
    ]
    found = default.yielding(expected, failed)
    assert [worth for worth, _ in found.worths] == worths
    np.testing.assert_allclose([share for _, share in found.worths], np.array(odds) / sum(odds), rtol=1e-9)
    # in one number: the worth that gives the mean of the rates
    rates = [(failed + worth) / (expected + worth) for worth in worths]
    rate = float(np.average(rates, weights=odds))
    assert (failed + found.failures) / (expected + found.failures) == pytest.approx(rate, rel=1e-9)
    assert (found.shape, found.scale_hours) == (default.shape, default.scale_hours)


def test_a_draw_takes_one_of_the_worths() -> None:
    found = Default(2.0, 5000.0, 8.0).yielding(25.0, 60)
    drawn = [found.drawn(1, draw, 0) for draw in range(4000)]
    for worth, share in found.worths:
        mine = [one.failures for one in drawn if one.worth == worth]
        assert len(mine) / 4000 == pytest.approx(share, abs=0.03)
        if len(mine) > 400:
            assert np.mean(mine) == pytest.approx(worth, rel=0.1)


def test_the_further_from_what_came_the_less_a_default_is_worth() -> None:
    default = Default(2.0, 5000.0, 5.0)
    above = [default.yielding(25.0, failed).failures for failed in range(25, 400, 25)]
    assert above == sorted(above, reverse=True)
    assert above[0] > 3.5
    assert above[-1] < 1.0
    # nothing was observed: nothing contradicts it
    assert default.yielding(0.0, 0.0) is default
    # next to nothing expected and nothing seen is no contradiction either
    assert default.yielding(0.01, 0.0).failures > 1.0


def test_a_default_that_yields_leaves_the_law_to_the_data() -> None:
    """Parts that live a tenth of what the default says: its pull on the scale is gone."""
    seen = lives(300, 2.0, 600, 11)
    default = Default(2.0, 6000.0, 50.0)
    own = seen.fit()
    stiff = seen.fit(default)
    soft = seen.fit(default.yielding(seen.expected(default), seen.failures))
    assert abs(np.log(soft.scale_hours / own.scale_hours)) < 0.15 * abs(
        np.log(stiff.scale_hours / own.scale_hours)
    )
