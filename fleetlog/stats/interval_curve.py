"""Share still running by age where some failures are known to lie between two ages only.

A part found worn since its machine was open for another reason failed somewhere between the age at which it was last
known to run and that day. The curve is the one of highest likelihood among all curves (Turnbull's). It is found as he
did, by self-consistency: each such failure is shared out over the ages in its interval by the curve so far, the product
limit of these shares is the next curve, and so on until nothing moves. Late entry counts as in the product limit. Its
errors come from drawing machines with replacement.

Sources: Turnbull 1976, The empirical distribution function with arbitrarily grouped, censored and truncated data; Ayer,
Brunk, Ewing, Reid & Silverman 1955 (one look a part); Frydman 1994 (which ages can carry failures under late entry);
Efron & Tibshirani 1993 (the bootstrap by clusters).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fleetlog.stats.arrays import Floats, Ints, normal_quantile
from fleetlog.stats.errors import BadAge, LengthMismatch
from fleetlog.stats.product_limit import band

#: Steps after which the search ends, and the change of the curve at which it does before.
_STEPS, _STILL = 20_000, 1e-10
#: A share below this is rounding.
_NOBODY = 1e-9
#: Draws need their curve to few digits only.
_DRAW_STEPS, _DRAW_STILL = 500, 1e-5


@dataclass(frozen=True, eq=False)
class IntervalLives:
    """Lives of which the end is known to lie in an interval.

    Attributes:
        entry: age at which each came under observation, running, shape (n,).
        lower, upper: it failed after `lower` and not after `upper`; where both are the same, at that age; an infinite
            `upper`: still running at `lower`. Shape (n,).
        share: how surely each was so, shape (n,).
    """

    entry: Floats
    lower: Floats
    upper: Floats
    share: Floats

    @staticmethod
    def of(
        lower: npt.ArrayLike, upper: npt.ArrayLike, share: npt.ArrayLike = 1.0, entry: npt.ArrayLike = 0.0
    ) -> IntervalLives:
        """Checked arrays.

        Raises:
            LengthMismatch: if there are not as many of each.
            BadAge: if an interval ends before it begins, or begins before entry.

        Examples:
            One part that failed between 2 and 5 h, one still running at 7 h.

            >>> lives = IntervalLives.of([2.0, 7.0], [5.0, np.inf])
            >>> lives.entry.tolist(), lives.share.tolist()
            ([0.0, 0.0], [1.0, 1.0])
        """
        begin, end = (np.atleast_1d(np.asarray(one, dtype=np.float64)) for one in (lower, upper))
        if begin.shape != end.shape or begin.ndim != 1:
            raise LengthMismatch("give as many lower as upper ages")
        late, weight = (
            np.broadcast_to(np.asarray(one, dtype=np.float64), begin.shape) for one in (entry, share)
        )
        if not ((end >= begin) & (begin >= late) & (end > late) & (late >= 0)).all():
            raise BadAge("an interval must end after it begins, and begin at entry or later")
        return IntervalLives(late, begin, end, weight)


@dataclass(frozen=True, eq=False)
class IntervalCurve:
    """The curve of highest likelihood: one entry an age that can carry failures.

    Attributes:
        hours: those ages, rising, shape (k,). Between two of them the curve is anything between their values.
        survival: share running just after each, shape (k,).
        steps: how often the failures were shared out until nothing moved.
    """

    hours: Floats
    survival: Floats
    steps: int

    def at(self, hours: npt.ArrayLike) -> Floats:
        """The curve at any ages, those between two of its own at the earlier one's value.

        Examples:
            >>> IntervalCurve(np.array([10.0, 20.0]), np.array([0.75, 0.5]), 1).at([5.0, 10.0, 15.0, 30.0]).tolist()
            [1.0, 0.75, 0.75, 0.5]
        """
        place = np.searchsorted(self.hours, np.asarray(hours, dtype=np.float64), side="right")
        return np.asarray(np.concatenate(([1.0], self.survival))[place], dtype=np.float64)


def interval_curve(lives: IntervalLives) -> IntervalCurve:
    """Turnbull's curve.

    Examples:
        Two parts looked at once, at 5 and at 10 h; only the second had failed: somewhere before 10 h.

        >>> curve = interval_curve(IntervalLives.of([5.0, 0.0], [np.inf, 10.0]))
        >>> curve.at([5.0, 10.0]).round(6).tolist()
        [1.0, 0.0]

    Args:
        lives: with intervals, in hours.

    Source: Turnbull 1976.
    """
    grid = _Grid.of(lives)
    survival, steps = grid.settle(lives.share, _STEPS, _STILL)
    return IntervalCurve(grid.ages, survival, steps)


def limits_by_machine(
    lives: IntervalLives,
    curve: IntervalCurve,
    machine: Ints,
    *,
    draws: int = 100,
    seed: int = 1,
    level: float = 0.95,
    common: Floats | None = None,
) -> tuple[Floats, Floats]:
    """Limits of the curve at its ages, on the scale of log(-log S), from curves of machines drawn with replacement.

    Args:
        lives: behind the curve.
        machine: number of each life's machine, shape (n,).
        draws: how often machines are drawn.
        seed: of the draws.
        level: confidence level.
        common: standard error of log S by what errs alike for all machines, shape (k,).

    Returns:
        Lower and upper limits, each of shape (k,).

    Examples:
        >>> lives = IntervalLives.of([5.0, 0.0, 8.0, 2.0], [np.inf, 10.0, 8.0, 2.0])
        >>> curve = interval_curve(lives)
        >>> lower, upper = limits_by_machine(lives, curve, np.arange(4), draws=20)
        >>> bool((lower <= curve.survival).all() and (curve.survival <= upper).all())
        True

    Source: Efron & Tibshirani 1993.

    Raises:
        BadArgument: for a level outside 0 to 1.
    """
    grid, rng = _Grid.of(lives), np.random.default_rng(seed)
    machines = int(machine.max(initial=0)) + 1
    drawn = np.empty((draws, curve.hours.size))
    for draw in range(draws):
        times = np.bincount(rng.integers(0, machines, machines), minlength=machines)
        drawn[draw] = grid.settle(lives.share * times[machine], _DRAW_STEPS, _DRAW_STILL)[0]
    error = drawn.std(axis=0, ddof=1)
    relative = np.divide(error, curve.survival, out=np.full(error.size, np.nan), where=curve.survival > 0)
    if common is not None:
        relative = np.hypot(relative, common)
    return band(curve.survival, relative, normal_quantile(level), "log-log")


@dataclass(frozen=True, eq=False)
class _Grid:
    """The ages that can carry failures, and where each life stands among them.

    Attributes:
        ages: rising, shape (k,).
        enters: first age at which a life is at risk, shape (n,).
        first, last: ages that its failure may have: from `first` to `last`, the latter not included, shape (n,).
        runs: lives still running when last seen, shape (n,); they leave before `first`.
    """

    ages: Floats
    enters: Ints
    first: Ints
    last: Ints
    runs: npt.NDArray[np.bool_]

    @staticmethod
    def of(lives: IntervalLives) -> _Grid:
        runs = ~np.isfinite(lives.upper)
        exact = ~runs & (lives.upper == lives.lower)
        between = ~runs & ~exact
        # an age at which somebody enters can carry a failure that came just before
        late = lives.entry[lives.entry > 0]
        begins, ends = np.sort(lives.lower[between]), np.sort(lives.upper[between])
        inside = np.searchsorted(begins, late, side="left") > np.searchsorted(ends, late, side="left")
        ages = np.unique(np.concatenate((lives.upper[~runs], late[inside])))
        after = np.searchsorted(ages, lives.lower, side="right")
        last = np.searchsorted(ages, np.where(runs, 0.0, lives.upper), side="right")
        first = np.where(exact, last - 1, after)
        enters = np.searchsorted(ages, lives.entry, side="right")
        return _Grid(ages, enters, first, np.where(runs, after, last), runs)

    def settle(self, share: Floats, steps: int, still: float) -> tuple[Floats, int]:
        """The curve that shares out the failures as it is itself, and after how many steps it was reached."""
        k = self.ages.size
        came = np.bincount(self.enters, share, k + 1)
        went = np.bincount(self.first[self.runs], share[self.runs], k + 1)
        watched = np.cumsum(came - went)[:k]
        certain = ~self.runs & (self.last - self.first == 1)
        known = np.bincount(self.first[certain], share[certain], k)[:k]
        vague = ~self.runs & ~certain & (share > 0)
        first, last, weight = self.first[vague], self.last[vague], share[vague]
        mass = np.full(k, 1.0 / max(k, 1))
        survival = np.ones(k)
        taken, moved = 0, np.inf
        while taken < steps and moved >= still:
            taken += 1
            below = np.concatenate(([0.0], np.cumsum(mass)))
            inside = below[last] - below[first]
            rate = np.where(inside > 0, weight / np.where(inside > 0, inside, 1.0), 0.0)
            change = np.bincount(first, rate, k + 1) - np.bincount(last, rate, k + 1)
            failed = known + np.maximum(np.cumsum(change)[:k], 0.0) * mass
            at_risk = watched - (np.cumsum(failed) - failed)
            hazard = np.divide(failed, at_risk, out=np.zeros(k), where=at_risk > 1e-12)
            nxt = np.cumprod(1.0 - np.clip(hazard, 0.0, 1.0))
            mass = -np.diff(nxt, prepend=1.0)
            moved = float(np.abs(nxt - survival).max(initial=0.0))
            survival = nxt
            if not vague.any():
                break
        return np.where(survival < _NOBODY, 0.0, survival), taken
