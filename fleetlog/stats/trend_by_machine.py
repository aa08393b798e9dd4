"""Trend of a fleet, each machine compared with itself alone, its error taken from machine to machine.

The classical tests take episodes for independent and, for the power law, all machines for alike. Episodes come in
bunches, machines differ, and old machines were watched over other stretches of age than young ones: each of the three
looks like a trend where there is none. Here every machine has a rate of its own (the likelihood is conditional on how
many episodes it had), and what it adds to the score is one observation, however many episodes that is made of. So
bunches widen the error, and a mix of good and bad machines is no trend.

With a and b the ends of a machine's stretch and t its episodes, it adds

    to Laplace's score            sum of ( t - (a + b) / 2 )
    to the score of the shape k   sum of ( 1 / k + log t - (b^k log b - a^k log a) / (b^k - a^k) )

and without a trend the sums over all machines have mean zero: a t test of one sample.

Source: Cox & Lewis 1966 and Lawless, Cigsar & Cook 2012, Testing for monotone trend in recurrent event processes
(scores robust to what a machine's events have in common); Crow 1975 (the power law).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import optimize, special

from fleetlog.stats.arrays import Floats, Ints, checked_level
from fleetlog.stats.errors import DidNotConverge, TooFewFailures
from fleetlog.stats.histories import MachineHistories

#: Fewer machines with an episode than this say nothing of how machines differ.
FEWEST_MACHINES = 10

_SHAPES = (0.02, 50.0)


@dataclass(frozen=True)
class TrendByMachine:
    """A test of no trend in any machine.

    Attributes:
        statistic: Student's t of what machines add to the score; positive when episodes crowd late.
        df: machines with an episode, less one.
        p: two-sided p value.
        events: episodes that it rests on.
    """

    statistic: float
    df: int
    p: float
    events: int


@dataclass(frozen=True)
class PowerLawByMachine:
    """A power law whose shape all machines share, each with a rate of its own.

    Attributes:
        shape: above 1: ever faster.
        shape_ci: the shapes that the test by machine does not refuse at this level; 0 where none is too small.
        level: confidence level.
        test: that the rate of each machine is steady (shape 1).
    """

    shape: float
    shape_ci: tuple[float, float]
    level: float
    test: TrendByMachine


def laplace_by_machine(histories: MachineHistories) -> TrendByMachine:
    """Laplace's test with the variance of its score from machine to machine.

    Raises:
        TooFewFailures: with an episode in fewer than ten machines.

    Examples:
        >>> late = np.repeat([600, 800], [5, 5]) + np.arange(10)
        >>> fleet = MachineHistories.of(range(10), 0, np.full(10, 1000), range(10), late)
        >>> laplace_by_machine(fleet).p < 0.001
        True
    """
    who, start, end, at = _events(histories)
    return _tested(_by_machine(who, at - 0.5 * (start + end)), at.size)


def power_law_by_machine(histories: MachineHistories, *, level: float = 0.95) -> PowerLawByMachine:
    """The shape of the power law that machines share, each with a rate of its own.

    Args:
        level: confidence level of the interval.

    Raises:
        TooFewFailures: with an episode in fewer than ten machines.
        DidNotConverge: when the likelihood has no maximum for a sensible shape, or no interval.
        BadArgument: for a level outside 0 to 1.

    Args:
        histories: windows and events of single machines.

    Source: Crow 1975; Lawless, Cigsar & Cook 2012.

    Examples:
        Ten machines watched from new to 100 h with one event each: the shape is events over the sum of log(100 / age).

        >>> ages = np.array([5, 22, 31, 44, 58, 61, 75, 83, 90, 97])
        >>> law = power_law_by_machine(MachineHistories.of(range(10), 0, np.full(10, 100), range(10), ages, per_hour=1))
        >>> round(law.shape, 4), round(10 / np.log(100 / ages).sum().item(), 4)
        (1.2269, 1.2269)
    """
    checked_level(level)
    who, start, end, at = _events(histories)
    log_at, log_end = np.log(at), np.log(end)
    with np.errstate(divide="ignore"):
        log_part = np.where(start > 0, np.log(start / end), -np.inf)

    def scores(shape: float) -> Floats:
        """By event: 1/k + log t less the mean of the latter, in units of log b so that powers stay small."""
        power = np.exp(shape * log_part)
        own = np.where(start > 0, power * np.where(start > 0, log_part, 0.0), 0.0)
        return np.asarray(1.0 / shape + log_at - log_end + own / (1.0 - power), dtype=np.float64)

    def total(log_shape: float) -> float:
        return float(scores(float(np.exp(log_shape))).sum())

    test = _tested(_by_machine(who, scores(1.0)), at.size)
    low, high = (float(np.log(edge)) for edge in _SHAPES)
    if not total(low) > 0 > total(high):
        raise DidNotConverge("the episodes crowd so close to one end that no power law fits")
    quantile = float(special.stdtrit(test.df, 0.5 + 0.5 * level))

    def student(log_shape: float) -> float:
        return _tested(_by_machine(who, scores(float(np.exp(log_shape))))).statistic

    def where(value: float) -> float:
        """The shape at which the statistic is so large: it falls as the shape grows; 0 where none is small enough."""
        if student(low) <= value:
            return 0.0
        if student(high) >= value:
            raise DidNotConverge("the episodes do not bound the shape of a power law")
        found: float = optimize.brentq(lambda log_shape: student(log_shape) - value, low, high, xtol=1e-10)
        return float(np.exp(found))

    best: float = optimize.brentq(total, low, high, xtol=1e-12)
    return PowerLawByMachine(float(np.exp(best)), (where(quantile), where(-quantile)), level, test)


def _events(histories: MachineHistories) -> tuple[Ints, Floats, Floats, Floats]:
    """Of each episode: its machine, the ends of that machine's stretch and its age, in hours."""
    count = histories.event_count.astype(np.int64)
    who, ticks = np.repeat(histories.event_machine, count), np.repeat(histories.event_ticks, count)
    machines = np.unique(who).size
    if machines < FEWEST_MACHINES:
        raise TooFewFailures(
            f"{machines} machines with an episode are too few to tell how machines differ"
            f" ({FEWEST_MACHINES} needed)",
            failures=machines,
            needed=FEWEST_MACHINES,
        )
    start, end, at = (
        part / histories.per_hour for part in (histories.entry[who], histories.exit[who], ticks)
    )
    return who.astype(np.int64), start, end, at


def _by_machine(who: Ints, score: Floats) -> Floats:
    """Sums by machine, of machines with an episode."""
    _, place = np.unique(who, return_inverse=True)
    return np.asarray(np.bincount(place, weights=score), dtype=np.float64)


def _tested(own: Floats, events: int = 0) -> TrendByMachine:
    """Student's test that what machines add has mean zero."""
    n = own.size
    spread = float(own.std(ddof=1))
    t = float(own.mean()) / (spread / np.sqrt(n)) if spread > 0 else 0.0
    return TrendByMachine(t, n - 1, 2.0 * float(special.stdtr(n - 1, -abs(t))), events)
