"""What it is worth to renew a part now, later or never: exact values for Weibull and lognormal lives.

A machine leaves the fleet at a constant rate and money is discounted at another; together `leaving` a running
hour. A part renewed ahead costs `planned`, one that fails costs `failure`, and what follows costs `next_rate`
an hour in the long run. With R(a, t) the discounted hours that a part of age a still runs before age t,

    R = integral over x from 0 to t - a of exp(-leaving x) S(a + x) / S(a),

all values follow: the discounted chance to fail before t is 1 - exp(-leaving (t - a)) S(t)/S(a) - leaving R.
Renewing at once beats waiting a little longer as soon as

    hazard(age) * (failure - planned) >= leaving * planned + next_rate,

and since the hazard rises, from then on (the stopping rule looks one step ahead and is right when the left
side never falls). With leaving = 0 and the same kind of part following, this is the age replacement of Barlow
and Hunter.

Sources: Barlow & Hunter 1960; Fox 1966, Age replacement with discounting; Barlow & Proschan 1965, chapter 4.
All functions take arrays and work elementwise.
"""

from __future__ import annotations

from itertools import pairwise
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from fleetlog.stats.arrays import Floats
from fleetlog.stats.lognormal_life import (
    log_life_age,
    log_life_cumulative,
    log_life_first_age,
    log_life_hazard,
)

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(48)
_PANELS = 4
#: Places along a stretch, as shares of it, and their weights. Panels grow towards the end: hazards bend most where the
#: part is young.
_SHARES = tuple(
    (0.5 * (high - low) * node + 0.5 * (high + low), 0.5 * (high - low) * weight)
    for low, high in pairwise(np.linspace(0.0, 1.0, _PANELS + 1) ** 2)
    for node, weight in zip(_NODES, _WEIGHTS, strict=True)
)
#: Beyond this much cumulative hazard nothing is left of a part.
_GONE = 45.0
_SOONEST = 1e-6  # of the scale: what costs nothing is not renewed without end
_TURNS = 200


class Lives(NamedTuple):
    """Laws of life, one an element.

    Attributes:
        shape: Weibull shapes.
        scale_hours: Weibull scales.
        lognormal: which are lognormal laws of that shape and scale (see `lognormal_life`) instead; None: none.
        parts: of lognormal laws, the first failure among how many parts it is; None: of one.

    Examples:
        A Weibull law of shape 2 and scale 100 h has the cumulative hazard 0.25 at 50 h and the hazard 2 * 50 / 100^2. A
        lognormal law told by the same numbers has another.

        >>> weibull = Lives.of([2.0], [100.0])
        >>> hours = np.array([50.0])
        >>> of_hazard = weibull.age_at(np.array([0.25]))
        >>> weibull.cumulative(hours).tolist(), of_hazard.tolist(), weibull.hazard(hours).tolist()
        ([0.25], [50.0], [0.01])
        >>> lognormal = Lives.of([2.0], [100.0], [True])
        >>> lognormal.age_at(lognormal.cumulative(hours)).round(6).tolist()
        [50.0]
    """

    shape: Floats
    scale_hours: Floats
    lognormal: npt.NDArray[np.bool_] | None = None
    parts: Floats | None = None

    @staticmethod
    def of(shape: npt.ArrayLike, scale_hours: npt.ArrayLike, lognormal: npt.ArrayLike | None = None) -> Lives:
        """Laws from any array-like numbers."""
        form = None if lognormal is None else np.asarray(lognormal, dtype=np.bool_)
        if form is not None and not form.any():
            form = None
        return Lives(np.asarray(shape, dtype=np.float64), np.asarray(scale_hours, dtype=np.float64), form)

    def columns(self) -> Lives:
        """The same laws as a column, shape (n, 1)."""
        return Lives(*(None if one is None else one[:, None] for one in self))  # type: ignore[arg-type]

    def cumulative(self, hours: Floats) -> Floats:
        """Cumulative hazard at these ages."""
        result: Floats = (hours / self.scale_hours) ** self.shape
        if self.lognormal is None:
            return result
        parts = 1.0 if self.parts is None else self.parts
        return np.where(
            self.lognormal, parts * log_life_cumulative(self.shape, self.scale_hours, hours), result
        )

    def age_at(self, cumulative: Floats) -> Floats:
        """The ages at which the cumulative hazard is so much."""
        result: Floats = self.scale_hours * cumulative ** (1.0 / self.shape)
        if self.lognormal is None:
            return result
        parts = 1.0 if self.parts is None else self.parts
        return np.where(
            self.lognormal, log_life_age(self.shape, self.scale_hours, cumulative / parts), result
        )

    def hazard(self, hours: Floats) -> Floats:
        """Failures an hour at these ages."""
        with np.errstate(divide="ignore"):
            result: Floats = self.shape / self.scale_hours * (hours / self.scale_hours) ** (self.shape - 1.0)
        if self.lognormal is None:
            return result
        parts = 1.0 if self.parts is None else self.parts
        return np.where(self.lognormal, parts * log_life_hazard(self.shape, self.scale_hours, hours), result)


class Prices(NamedTuple):
    """What renewing costs, in one currency.

    Attributes:
        planned: of a renewal ahead of failure.
        failure: of a failure, the renewal included.
        leaving: rate an hour at which the machine leaves, plus that of discounting.

    Examples:
        >>> Prices.of(300, [1000, 1500]).failure.tolist()
        [1000.0, 1500.0]
    """

    planned: Floats
    failure: Floats
    leaving: Floats

    @staticmethod
    def of(planned: npt.ArrayLike, failure: npt.ArrayLike, leaving: npt.ArrayLike = 0.0) -> Prices:
        """Prices from any array-like numbers."""
        return Prices(*(np.asarray(x, dtype=np.float64) for x in (planned, failure, leaving)))


def first_of(lives: Lives, parts: npt.ArrayLike) -> Lives:
    """Laws of the first failure among so many independent parts of one kind and age.

    The hazards add up: the scale shrinks by the number of parts to the power of one over the shape (the weakest of n
    Weibull lives is Weibull; Weibull 1951).

    Examples:
        >>> first_of(Lives.of([2.0], [6000.0]), [4]).scale_hours
        array([3000.])

    Args:
        lives: of one part each, shape (n,).
        parts: how many, shape (n,).
    """
    number = np.asarray(parts, dtype=np.float64)
    if lives.lognormal is None:
        return Lives(lives.shape, lives.scale_hours / number ** (1.0 / lives.shape))
    folded = np.where(lives.lognormal, lives.scale_hours, lives.scale_hours / number ** (1.0 / lives.shape))
    return Lives(np.broadcast_to(lives.shape, folded.shape), folded, lives.lognormal, number)


def discounted_hours(
    lives: Lives, age_hours: npt.ArrayLike, until_hours: npt.ArrayLike, leaving: npt.ArrayLike
) -> Floats:
    """R(a, t): discounted hours that parts of these ages still run before other ages (which may be inf).

    Gauss-Legendre on panels; relative error below 1e-8 for shapes of 1 and above, below 1e-4 for smaller ones
    at age zero.

    Args:
        lives: shape (n,).
        age_hours, until_hours: a and t, shape (n,).
        leaving: rate an hour, shape (n,) or one for all.

    Source: Fox 1966.

    Examples:
        With a constant rate of one failure in 100 h a part runs 100 h more at any age; half of that where the machine
        leaves at the same rate.

        >>> lives = Lives.of([1.0], [100.0])
        >>> [discounted_hours(lives, 70.0, np.inf, leaving).round(6).tolist() for leaving in (0.0, 0.01)]
        [[100.0], [50.0]]
    """
    age = np.asarray(age_hours, dtype=np.float64)
    until = np.asarray(until_hours, dtype=np.float64)
    rate = np.asarray(leaving, dtype=np.float64)
    reached = lives.cumulative(age)
    gone = lives.age_at(reached + _GONE)
    # a small hazard with leaving: the machine is gone before the part
    with np.errstate(divide="ignore", over="ignore"):
        gone = np.minimum(gone, age + np.where(rate > 0, _GONE / np.where(rate > 0, rate, 1.0), np.inf))
    stretch = np.maximum(np.minimum(until, gone) - age, 0.0)
    total = np.zeros(np.broadcast_shapes(stretch.shape, reached.shape, rate.shape))
    falling = -rate
    for share, weight in _SHARES:
        x = share * stretch
        total += weight * np.exp(falling * x + reached - lives.cumulative(age + x))
    result: Floats = total * stretch
    return result


def waiting_rate(lives: Lives, prices: Prices) -> Floats:
    """Long-run cost an hour of parts that are renewed only when they fail.

    Discounted where `leaving` is positive: the value of the whole future times `leaving`.

    Args:
        lives, prices: shape (n,).

    Source: Barlow & Hunter 1960; Fox 1966 (discounted).

    Examples:
        One failure in 100 h that costs 1,000.

        >>> waiting_rate(Lives.of([1.0], [100.0]), Prices.of(300.0, 1000.0)).round(6).tolist()
        [10.0]
    """
    new = np.zeros_like(lives.shape)
    hours = discounted_hours(lives, new, np.inf, prices.leaving)
    result: Floats = prices.failure * (1.0 - prices.leaving * hours) / hours
    return result


def policy_rate(lives: Lives, prices: Prices, age_hours: npt.ArrayLike) -> Floats:
    """Long-run cost an hour when parts are renewed at failure or at this age, whichever comes first.

    Args:
        lives, prices: shape (n,).
        age_hours: age at renewal, shape (n,); inf: never ahead.

    Source: Barlow & Hunter 1960; Fox 1966 (discounted).

    Examples:
        With a constant rate of one failure in 100 h, renewing at 100 h saves nothing: it adds 300 to each of the
        exp(-1) in 100 (1 - exp(-1)) h that get there, 300 / (e - 1) in 100 h.

        >>> rate = policy_rate(Lives.of([1.0], [100.0]), Prices.of(300.0, 1000.0), [100.0])
        >>> rate.round(4).tolist(), round(10.0 + 3.0 / (np.e - 1.0), 4)
        ([11.7459], 11.7459)
    """
    until = np.asarray(age_hours, dtype=np.float64)
    hours = discounted_hours(lives, np.zeros_like(lives.shape), until, prices.leaving)
    finite = np.where(np.isfinite(until), until, 0.0)
    kept = np.where(np.isfinite(until), np.exp(-prices.leaving * finite - lives.cumulative(finite)), 0.0)
    failed = 1.0 - kept - prices.leaving * hours
    result: Floats = (prices.failure * failed + prices.planned * kept) / hours
    return result


def renewal_age(lives: Lives, prices: Prices, next_rate: npt.ArrayLike) -> Floats:
    """The age from which renewing ahead costs less than waiting, when `next_rate` follows; inf: never.

    Closed form for Weibull laws: the hazard is a power of the age. For lognormal ones the age at which the hazard, on
    its way to its peak, reaches what makes renewing pay.

    Args:
        lives, prices: shape (n,).
        next_rate: cost an hour of what follows, shape (n,).

    Source: Barlow & Hunter 1960.

    Examples:
        Shape 2 and scale 1,000 h: the hazard is 2 age / 1000^2. With 1.8 an hour to come and 900 to gain it pays from a
        hazard of 0.002 on, at 1,000 h; with a constant hazard never.

        >>> renewal_age(Lives.of([2.0, 1.0], 1000.0), Prices.of(100.0, 1000.0), 1.8).round(6).tolist()
        [1000.0, inf]
    """
    gain = prices.failure - prices.planned
    # rounding of a rate next to nothing may fall below it
    wanted = np.maximum(prices.leaving * prices.planned + np.asarray(next_rate, dtype=np.float64), 0.0)
    rises = lives.shape > 1.0
    pays = gain > 0
    with np.errstate(divide="ignore", over="ignore"):
        power = 1.0 / np.where(rises, lives.shape - 1.0, 1.0)
        ratio = wanted / np.where(pays, gain, 1.0) * lives.scale_hours / lives.shape
        age = lives.scale_hours * np.maximum(ratio**power, _SOONEST)
    # a hazard that does not rise is worth renewing for always or never; always would be a mistake of the law
    result: Floats = np.where(rises & pays, age, np.inf)
    if lives.lognormal is None:
        return result
    parts = 1.0 if lives.parts is None else lives.parts
    wanted_hazard = np.broadcast_to(wanted / np.where(pays, gain, 1.0) / parts, result.shape)
    shape, scale = (np.broadcast_to(one, result.shape) for one in (lives.shape, lives.scale_hours))
    first = np.maximum(log_life_first_age(shape, scale, wanted_hazard), _SOONEST * scale)
    return np.where(lives.lognormal, np.where(pays, first, np.inf), result)


def best_policy(lives: Lives, prices: Prices) -> tuple[Floats, Floats]:
    """Best age, and its long-run cost an hour, where the same kind of part follows for ever.

    Policy iteration: the age that answers the present rate, the rate of that age, until neither moves. The
    rate falls at every turn.

    Returns:
        Ages (inf: wait for the failure) and rates.

    Args:
        lives, prices: shape (n,).

    Source: Barlow & Hunter 1960; Howard 1960 (policy iteration).

    Examples:
        At the best age the hazard times what renewing ahead saves is the cost an hour. Where the hazard does not rise
        the best is to wait.

        >>> lives, prices = Lives.of([2.0, 1.0], [1000.0, 1000.0]), Prices.of(100.0, 1000.0)
        >>> age, rate = best_policy(lives, prices)
        >>> (lives.hazard(age[:1]) * 900.0 / rate)[0].round(6).item(), age[1].item(), rate[1].round(6).item()
        (1.0, inf, 1.0)
    """
    rate = waiting_rate(lives, prices)
    age = np.full_like(rate, np.inf)
    for _ in range(_TURNS):
        proposed = renewal_age(lives, prices, rate)
        better = policy_rate(lives, prices, proposed)
        improved = better < rate * (1.0 - 1e-13)
        age = np.where(improved, proposed, age)
        rate = np.where(improved, better, rate)
        if not improved.any():
            break
    # the rate is flat around its best age, so the age is sharper from the rate than the other way
    return np.where(np.isfinite(age), renewal_age(lives, prices, rate), np.inf), rate


def saving_now(lives: Lives, prices: Prices, age_hours: npt.ArrayLike, next_rate: npt.ArrayLike) -> Floats:
    """What renewing parts of these ages at once saves, against waiting until they fail.

    In today's money, the machine's whole remaining time counted; negative where renewing costs more.

    Args:
        lives, prices: shape (n,).
        age_hours: ages now, shape (n,).
        next_rate: cost an hour of what follows, shape (n,).

    Source: Fox 1966.

    Examples:
        A part that fails after 100 h more, on average, whatever its age: waiting costs 1,000, renewing costs 300 and
        brings what follows, 2 an hour, forward by 100 h.

        >>> saving_now(Lives.of([1.0], [100.0]), Prices.of(300.0, 1000.0), [70.0], [2.0]).round(6).tolist()
        [500.0]
    """
    hours = discounted_hours(lives, age_hours, np.inf, prices.leaving)
    failing = 1.0 - prices.leaving * hours
    result: Floats = prices.failure * failing - prices.planned - np.asarray(next_rate) * hours
    return result


def saving_of_policy(
    lives: Lives,
    prices: Prices,
    age_hours: npt.ArrayLike,
    renew_at: npt.ArrayLike,
    next_rate: npt.ArrayLike,
) -> Floats:
    """What renewing at an age to come saves, seen from the ages now: its chance to be reached counted.

    Args:
        lives, prices, age_hours, next_rate: as for `saving_now`.
        renew_at: age to renew at, shape (n,); inf: never.

    Source: Fox 1966.

    Examples:
        The saving of 500 of a new part of constant rate, once it has reached 100 h, which it does with chance exp(-1);
        and of one that is never renewed.

        >>> lives = Lives.of([1.0, 1.0], [100.0, 100.0])
        >>> saving_of_policy(lives, Prices.of(300.0, 1000.0), [0.0, 0.0], [100.0, np.inf], 2.0).round(4).tolist()
        [183.9397, 0.0]
    """
    age, at = np.asarray(age_hours, dtype=np.float64), np.asarray(renew_at, dtype=np.float64)
    later = np.maximum(at, age)
    finite = np.isfinite(later)
    wait = np.where(finite, later - age, 0.0)
    then = np.where(finite, later, age)
    reached = np.exp(-prices.leaving * wait + lives.cumulative(age) - lives.cumulative(then))
    result: Floats = np.where(finite, reached * saving_now(lives, prices, then, next_rate), 0.0)
    return result
