"""How many of many will fail: the exact distribution of a sum of unequal chances, and mixtures of such.

Each unit fails with a chance of its own; the number that fails is Poisson-binomial. `CountSums` keeps only the
sums of powers of the chances, since

    log E[z^count] = sum over units of log(1 + p (z - 1))
                   = sum over j of (-1)^(j+1) (z - 1)^j / j * (sum over units of p^j),

which converges to the last digit after few terms while chances are small; of the few large ones the
polynomials (1 - p + p z) are multiplied in pairs, by fast Fourier transform once they are long. A mixture over
many draws of the parameters then costs one transform. Exact here means to about 1e-14 of probability; nothing is
approximated by a normal or Poisson law.

Sources: Poisson 1837; Hong 2013, On computing the distribution function for the Poisson binomial
distribution (transform of the characteristic function); Cooley & Tukey 1965.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from fleetlog.stats.arrays import Floats, checked_level
from fleetlog.stats.errors import BadArgument

Complexes: TypeAlias = npt.NDArray[np.complex128]

#: Chances above this leave the power series and are multiplied out.
_LARGE = 0.2
#: And these are summed apart from the smaller ones, which need fewer terms.
_MIDDLING = 0.04
#: What a term of the series, or a tail, may amount to before it counts as nothing.
_NOTHING = 1e-17
_LOG_NOTHING = float(np.log(_NOTHING))
#: So many complex numbers are worked on at once.
_AT_ONCE = 1 << 18
#: So many powers of chances are laid out in one table.
_IN_A_TABLE = 1 << 16
#: What a transform leaves where the chance is zero.
_NOISE = 1e-15
#: Polynomials shorter than this are multiplied directly, longer ones by transform.
_DIRECT = 32


@dataclass(frozen=True, eq=False)
class CountDistribution:
    """Chances of the counts 0, 1, 2, ….

    Attributes:
        chance: chance of each count, shape (counts,).

    Examples:
        Heads of two coins.

        >>> coins = CountDistribution(np.array([0.25, 0.5, 0.25]))
        >>> coins.mean, coins.variance, coins.quantile(0.5), coins.mass(1, 2)
        (1.0, 0.5, 1, 0.75)
    """

    chance: Floats

    @cached_property
    def mean(self) -> float:
        """Expected count."""
        return float((self.chance * np.arange(self.chance.size)).sum())

    @cached_property
    def variance(self) -> float:
        """Variance of the count."""
        return float((self.chance * (np.arange(self.chance.size) - self.mean) ** 2).sum())

    @cached_property
    def cumulative(self) -> Floats:
        """Chance of at most each count."""
        result: Floats = np.minimum(np.cumsum(self.chance), 1.0)
        return result

    def quantile(self, p: float) -> int:
        """The smallest count that is not exceeded with chance p at least.

        Args:
            p: chance, from 0 to 1.

        Raises:
            BadArgument: for a chance outside of that.
        """
        if not 0.0 <= p <= 1.0:
            raise BadArgument(f"a chance lies between 0 and 1, not {p}")
        # what rounding leaves below p is p
        reached = int((self.cumulative < p - 1e-12).sum())
        return min(reached, self.chance.size - 1)

    def interval(self, level: float) -> tuple[int, int]:
        """The range of counts with at most (1 - level) / 2 beyond it on either side.

        Args:
            level: of the range, between 0 and 1.

        Raises:
            BadArgument: for a level outside of that.

        Examples:
            Of ten coins 2 to 8 fall heads, but for one chance in forty on either side (that of at most 1 is 11 / 1024).

            >>> mixture([count_sums([0.5] * 10)]).interval(0.95)
            (2, 8)
        """
        tail = 0.5 * (1.0 - checked_level(level))
        return self.quantile(tail), self.quantile(1.0 - tail)

    def mass(self, low: int, high: int) -> float:
        """Chance of a count from `low` to `high`, both included."""
        below = float(self.cumulative[low - 1]) if low > 0 else 0.0
        return float(self.cumulative[min(high, self.chance.size - 1)]) - below


@dataclass(frozen=True, eq=False)
class CountSums:
    """One group of units, reduced to what the distribution of its count needs. Independent groups add up.

    Attributes:
        powers: sums of the 1st, 2nd, … powers of the small chances (and Poisson means in the first).
        rest: chances of the counts among the units with large chances; [1] where there are none.
        pairs: mean of a Poisson number of pairs, each of which counts two.

    Examples:
        Two coins and, on average, half a pair: 1 + 2 * 0.5 heads, with variance 0.5 + 4 * 0.5.

        >>> both = count_sums([0.5, 0.5]).with_pairs(0.5)
        >>> both.mean, both.variance
        (2.0, 2.5)
    """

    powers: Floats
    rest: Floats
    pairs: float = 0.0

    @cached_property
    def mean(self) -> float:
        """Expected count."""
        singles = float(self.powers[0]) if self.powers.size else 0.0
        if self.rest.size > 1:
            singles += float((self.rest * np.arange(self.rest.size)).sum())
        return singles + 2.0 * self.pairs

    @cached_property
    def variance(self) -> float:
        """Variance of the count."""
        spread = float(self.powers[0]) if self.powers.size else 0.0
        if self.powers.size > 1:
            spread -= float(self.powers[1])
        if self.rest.size > 1:
            counts = np.arange(self.rest.size)
            centre = float((self.rest * counts).sum())
            spread += float((self.rest * (counts - centre) ** 2).sum())
        return spread + 4.0 * self.pairs

    def __add__(self, other: CountSums) -> CountSums:
        """Both groups together."""
        if other is NOTHING:
            return self
        if self is NOTHING:
            return other
        longer, shorter = self.powers, other.powers
        if longer.size < shorter.size:
            longer, shorter = shorter, longer
        powers = longer.copy()
        powers[: shorter.size] += shorter
        if _is_one(other.rest):
            rest = self.rest
        elif _is_one(self.rest):
            rest = other.rest
        else:
            rest = _trimmed(_product(self.rest[None], other.rest[None])[0])
        return CountSums(powers, rest, self.pairs + other.pairs)

    def with_poisson(self, mean: float) -> CountSums:
        """The same with an independent Poisson count added.

        Raises:
            BadArgument: for a mean below zero.

        Examples:
            >>> both = count_sums([0.5]).with_poisson(0.25)
            >>> both.mean, round(mixture([both]).chance[0].item(), 6), round(0.5 * np.exp(-0.25), 6).item()
            (0.75, 0.3894, 0.3894)
        """
        if mean < 0:
            raise BadArgument(f"a Poisson mean cannot be negative: {mean}")
        powers = self.powers.copy() if self.powers.size else np.zeros(1)
        powers[0] += mean
        return CountSums(powers, self.rest, self.pairs)

    def with_pairs(self, pairs: float) -> CountSums:
        """The same with an independent Poisson number of pairs added, each of which counts two.

        Raises:
            BadArgument: for a mean below zero.
        """
        if pairs < 0:
            raise BadArgument(f"a Poisson mean cannot be negative: {pairs}")
        return CountSums(self.powers, self.rest, self.pairs + pairs)


#: No units at all.
NOTHING = CountSums(np.zeros(0), np.ones(1))


def count_sums(chance: npt.ArrayLike) -> CountSums:
    """Reduces the chances of a group of units.

    Args:
        chance: of each unit, between 0 and 1, shape (n,).

    Raises:
        BadArgument: for a chance outside 0 to 1.

    Source: Hong 2013.

    Examples:
        Units with chances of 0.1, 0.5 and 0.9: the mean is their sum, the variance that of p (1 - p).

        >>> sums = count_sums([0.1, 0.5, 0.9])
        >>> round(sums.mean, 6), round(sums.variance, 6)
        (1.5, 0.43)
    """
    p, top = _checked(chance)
    rest = NOTHING.rest
    if top > _LARGE:
        large = p > _LARGE
        rest = _multiplied(p[large])
        p = p[~large]
        top = _top(p)
    # the few middling chances need many terms, the many small ones few
    if top <= _MIDDLING:
        return CountSums(_powers(p, top), rest)
    middling = p > _MIDDLING
    small = p[~middling]
    return CountSums(_powers(small, _top(small)), rest) + CountSums(_powers(p[middling], top), NOTHING.rest)


def _top(p: Floats) -> float:
    return float(np.maximum.reduce(p, initial=0.0))


def _powers(p: Floats, top: float) -> Floats:
    """Sums of the 1st, 2nd, … powers, as many as count; `top`: the greatest chance."""
    if top <= 0.0:
        return np.zeros(0)
    # |z - 1| is at most 2, so term j is at most (2 top)^j of the first
    terms = max(2, math.ceil(_LOG_NOTHING / float(np.log(2.0 * top))))
    if terms * p.size > _IN_A_TABLE:
        powers = np.empty(terms)
        power = p.copy()
        powers[0] = power.sum()
        for j in range(1, terms):
            np.multiply(power, p, out=power)
            powers[j] = power.sum()
        return powers
    # so few that a sum takes longer to begin than to do: all at once
    table = np.empty((terms, p.size))
    table[0] = p
    for j in range(1, terms):
        np.multiply(table[j - 1], p, out=table[j])
    sums: Floats = np.add.reduce(table, axis=1)
    return sums


def mixture(draws: Sequence[CountSums]) -> CountDistribution:
    """The distribution of a count whose parameters are one of several equally likely draws.

    Args:
        draws: what `count_sums` made of the units under each draw.

    Raises:
        BadArgument: without any draw.

    Returns:
        Chances of the counts.

    Source: Hong 2013; Cooley & Tukey 1965.

    Examples:
        Two coins; and a unit that fails for certain in one draw and never in the other.

        >>> mixture([count_sums([0.5, 0.5])]).chance.round(6).tolist()
        [0.25, 0.5, 0.25]
        >>> mixture([count_sums([1.0]), count_sums([0.0])]).chance.round(6).tolist()
        [0.5, 0.5]
    """
    if not draws:
        raise BadArgument("a mixture needs at least one draw of the parameters")
    # beyond 12 standard deviations and 40 counts nothing of double precision is left
    furthest = max(sums.mean + 12.0 * math.sqrt(sums.variance) + 40.0 for sums in draws)
    longest = max(sums.rest.size for sums in draws)
    size = 1 << int(np.ceil(np.log2(max(furthest, longest))))
    step = np.exp(-2j * np.pi * np.arange(size // 2 + 1) / size) - 1.0
    total = np.zeros(step.size, dtype=np.complex128)
    together = max(1, _AT_ONCE // step.size)
    for start in range(0, len(draws), together):
        total += _transforms(draws[start : start + together], step, size).sum(axis=0)
    chance = np.maximum(np.fft.irfft(total / len(draws), size), 0.0)
    last = int(np.flatnonzero(chance > _NOISE)[-1])
    return CountDistribution(chance[: last + 1])


def _transforms(draws: Sequence[CountSums], step: Complexes, size: int) -> Complexes:
    """Transforms of the counts of several draws at z = 1 + step, shape (draws, steps)."""
    terms = max(sums.powers.size for sums in draws)
    factors = np.zeros((len(draws), terms))
    for row, sums in enumerate(draws):
        factors[row, : sums.powers.size] = sums.powers
    order = np.arange(1, terms + 1)
    factors *= np.where(order % 2, 1.0, -1.0) / order
    series = np.zeros((len(draws), step.size), dtype=np.complex128)
    for term in range(terms - 1, -1, -1):  # Horner, from the highest power
        series += factors[:, term : term + 1]
        series *= step
    # a pair multiplies by z^2, and z^2 - 1 = step (step + 2)
    pairs = np.array([sums.pairs for sums in draws])
    result = np.exp(series + pairs[:, None] * (step * (step + 2.0)))
    for row, sums in enumerate(draws):
        if sums.rest.size > 1:
            result[row] *= np.fft.rfft(sums.rest, size)
    return result


def _checked(chance: npt.ArrayLike) -> tuple[Floats, float]:
    """The chances, and the greatest of them; 0 where there are none."""
    p = np.asarray(chance, dtype=np.float64).reshape(-1)
    top = _top(p)
    if p.size and not (float(np.minimum.reduce(p)) >= 0.0 and top <= 1.0):
        raise BadArgument("a chance lies between 0 and 1; check the hazards and hours behind it")
    return p, top


def _multiplied(p: Floats) -> Floats:
    """Coefficients of the product of (1 - p + p z) over all units."""
    rows = np.column_stack((1.0 - p, p))
    while rows.shape[0] > 1:
        if rows.shape[0] % 2:
            one = np.zeros((1, rows.shape[1]))
            one[0, 0] = 1.0
            rows = np.concatenate((rows, one))
        rows = _product(rows[0::2], rows[1::2])
        held = np.flatnonzero((rows > _NOTHING).any(axis=0))
        rows = rows[:, : int(held[-1]) + 1]
    return _trimmed(rows[0])


def _product(a: Floats, b: Floats) -> Floats:
    """Products of polynomials, row by row."""
    length = a.shape[1] + b.shape[1] - 1
    if min(a.shape[1], b.shape[1]) <= _DIRECT:
        if b.shape[1] < a.shape[1]:
            a, b = b, a
        result = np.zeros((a.shape[0], length))
        for i in range(a.shape[1]):
            result[:, i : i + b.shape[1]] += a[:, i : i + 1] * b
        return result
    size = 1 << (length - 1).bit_length()
    product = np.fft.irfft(np.fft.rfft(a, size) * np.fft.rfft(b, size), size)[:, :length]
    return np.where(product > _NOTHING, product, 0.0)


def _is_one(rest: Floats) -> bool:
    """Whether it says that no unit has a large chance: then it leaves what it is multiplied with as it is."""
    return rest.size == 1 and rest[0] == 1.0


def _trimmed(chance: Floats) -> Floats:
    """Without the counts at the end that cannot happen."""
    held = np.flatnonzero(chance)
    return chance[: int(held[-1]) + 1] if held.size else np.ones(1)
