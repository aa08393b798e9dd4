"""The exact count distribution against brute force, closed forms and its limits."""

from __future__ import annotations

from fractions import Fraction
from itertools import product

import numpy as np
import pytest
from counts import by_recursion
from scipy import stats

from fleetlog.stats.counts import (
    NOTHING,
    CountDistribution,
    CountSums,
    count_sums,
    mixture,
)
from fleetlog.stats.errors import BadArgument


def of(chances: np.ndarray | list[float]) -> CountDistribution:
    """The distribution of the count of one group of units."""
    return mixture([count_sums(chances)])


def by_enumeration(chances: list[Fraction]) -> list[Fraction]:
    """Every outcome of every unit, added up in exact fractions."""
    total = [Fraction(0)] * (len(chances) + 1)
    for outcome in product((0, 1), repeat=len(chances)):
        weight = Fraction(1)
        for failed, p in zip(outcome, chances, strict=True):
            weight *= p if failed else 1 - p
        total[sum(outcome)] += weight
    return total


def assert_same(found: np.ndarray, expected: np.ndarray | list[float], atol: float = 2e-14) -> None:
    """Equal as distributions: counts left out at the end have chance zero."""
    longest = max(len(found), len(expected))
    padded = [np.pad(np.asarray(x, dtype=float), (0, longest - len(x))) for x in (found, expected)]
    np.testing.assert_allclose(padded[0], padded[1], rtol=0, atol=atol)


@pytest.mark.parametrize("denominators", [(2, 3, 7), (5,), (9, 11, 13, 2, 8, 5, 3), (10,) * 9])
def test_every_outcome_of_few_units(denominators: tuple[int, ...]) -> None:
    fractions = [Fraction(1, d) for d in denominators]
    exact = [float(x) for x in by_enumeration(fractions)]
    p = [float(f) for f in fractions]
    assert_same(mixture([count_sums(p)]).chance, exact)


@pytest.mark.parametrize(("n", "high"), [(700, 0.02), (1500, 0.19), (900, 0.999), (64, 1.0), (33, 0.3)])
def test_small_and_large_chances_agree_with_unit_by_unit(n: int, high: float) -> None:
    p = np.random.default_rng(n).uniform(0, high, n)
    naive = by_recursion(p)
    found = mixture([count_sums(p)])
    assert_same(found.chance, naive)
    assert found.mean == pytest.approx(p.sum(), rel=1e-12)
    assert found.variance == pytest.approx((p * (1 - p)).sum(), rel=1e-10)


def test_equal_chances_are_binomial() -> None:
    found = of(np.full(200, 0.03))
    counts = np.arange(found.chance.size)
    # source: scipy.stats.binom, the closed form
    np.testing.assert_allclose(found.chance, stats.binom.pmf(counts, 200, 0.03), atol=1e-15)


def test_many_small_chances_tend_to_poisson() -> None:
    # Le Cam 1960: the total variation distance is at most the sum of squared chances.
    p = np.full(4000, 0.001)
    found = of(p)
    poisson = stats.poisson.pmf(np.arange(found.chance.size), 4.0)
    distance = 0.5 * float(np.abs(found.chance - poisson).sum())
    assert 0 < distance < (p**2).sum()


def test_a_hundred_thousand_units_stay_exact() -> None:
    p = np.random.default_rng(5).beta(1, 60, 100_000)
    found = mixture([count_sums(p)])
    assert found.chance.sum() == pytest.approx(1.0, abs=1e-12)
    assert found.mean == pytest.approx(p.sum(), rel=1e-11)


def test_groups_add_up_and_poisson_counts_join() -> None:
    rng = np.random.default_rng(8)
    one, other = rng.uniform(0, 0.15, 80), rng.uniform(0, 0.9, 60)
    together = mixture([count_sums(one) + count_sums(other)])
    assert_same(together.chance, by_recursion(np.concatenate((one, other))))
    with_poisson = mixture([count_sums(one).with_poisson(2.5)]).chance
    expected = np.convolve(by_recursion(one), stats.poisson.pmf(np.arange(60), 2.5))
    assert_same(with_poisson, expected)
    alone = mixture([NOTHING.with_poisson(3.0)]).chance
    np.testing.assert_allclose(alone, stats.poisson.pmf(np.arange(alone.size), 3.0), atol=1e-15)


def test_a_mixture_is_the_average_of_its_draws() -> None:
    rng = np.random.default_rng(3)
    draws = [rng.uniform(0, high, 50) for high in (0.05, 0.3, 0.8)]
    mixed = mixture([count_sums(p) for p in draws]).chance
    average = np.zeros(51)
    for p in draws:
        average += by_recursion(p) / 3
    assert_same(mixed, average)


def test_sure_and_impossible_units() -> None:
    np.testing.assert_allclose(of([1, 1, 0]).chance, [0, 0, 1], atol=1e-15)
    assert_same(mixture([count_sums([1, 1, 0, 0.5])]).chance, [0, 0, 0.5, 0.5])
    assert of([]).chance.tolist() == [1.0]
    assert mixture([count_sums([0.0, 0.0])]).quantile(0.99) == 0


def test_ranges_leave_no_more_than_they_may_outside() -> None:
    found = of(np.full(40, 0.1))
    for level in (0.5, 0.8, 0.95):
        low, high = found.interval(level)
        tail = (1 - level) / 2
        assert stats.binom.cdf(low - 1, 40, 0.1) < tail <= stats.binom.cdf(low, 40, 0.1)
        assert stats.binom.cdf(high - 1, 40, 0.1) < 1 - tail <= stats.binom.cdf(high, 40, 0.1)
        assert found.mass(low, high) == pytest.approx(
            stats.binom.cdf(high, 40, 0.1) - stats.binom.cdf(low - 1, 40, 0.1), abs=1e-13
        )


def test_quantile_at_a_jump_is_the_lower_count() -> None:
    assert of([0.5]).quantile(0.5) == 0
    assert of([0.5]).quantile(0.500001) == 1


@pytest.mark.parametrize("bad", [[-0.1], [1.1], [float("nan")]])
def test_a_chance_must_be_one(bad: list[float]) -> None:
    with pytest.raises(BadArgument, match="between 0 and 1"):
        of(bad)


def test_no_draw_and_negative_means_are_refused() -> None:
    with pytest.raises(BadArgument, match="at least one draw"):
        mixture([])
    with pytest.raises(BadArgument, match="negative"):
        CountSums(np.zeros(0), np.ones(1)).with_poisson(-1.0)


def test_pairs_count_two_at_a_time() -> None:
    """Against scipy: a Poisson count of singles and twice one of pairs, folded together."""
    counted = mixture([NOTHING.with_poisson(3.0).with_pairs(1.5)])
    singles = stats.poisson.pmf(np.arange(60), 3.0)
    pairs = np.zeros(60)
    pairs[::2] = stats.poisson.pmf(np.arange(30), 1.5)
    expected = np.convolve(singles, pairs)[: counted.chance.size]
    np.testing.assert_allclose(counted.chance, expected, atol=1e-12)
    assert counted.mean == pytest.approx(6.0)
    assert counted.variance == pytest.approx(3.0 + 4 * 1.5)
    both = NOTHING.with_pairs(1.0) + NOTHING.with_pairs(0.5)
    assert (both.mean, both.variance) == pytest.approx((3.0, 6.0))
    with pytest.raises(BadArgument):
        NOTHING.with_pairs(-0.1)
