"""A run of months of build that fails more than its neighbours: a scan over all runs, with one chance of a false alarm.

Within each stratum, such as a make and design, every run of neighbouring months up to a greatest length is compared
with the rest of the stratum: first failures observed over those that the stratum's common hazard lets expect at the
ages at which its machines were watched, by the likelihood ratio of two Poisson rates against one. The greatest ratio of
all runs of all strata is held against the greatest ones of fleets drawn by chance, so that its p value has the looking
at many runs in it: every machine is watched over the same ages as in truth and fails by the stratum's common hazard,
which is learnt anew from each fleet drawn. (Failures thrown onto months in proportion to what was expected of them
would not do: who fails early is watched no longer, so a month with many failures has little expected.) How much worse
the run is told after shrinkage among the months beside it (`small_groups`), since the greatest of many is too great by
itself.

Source: Kulldorff 1997 (the spatial scan statistic, its likelihood ratio and test by simulation); Naus 1965 (the scan
of clusters in one dimension); Davison & Hinkley 1997, section 4.2 (tests by a fitted model's own draws).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import special

from fleetlog.stats.arrays import Floats, Ints
from fleetlog.stats.errors import BadArgument
from fleetlog.stats.small_groups import shrink_groups

#: So many numbers of the fleets drawn by chance are worked on at once.
_AT_ONCE = 1 << 18


@dataclass(frozen=True, eq=False)
class Built:
    """The machines of one stratum, all arrays of shape (n,).

    Attributes:
        stratum: its make and design, or whatever tells it from others.
        month: of build, counted from any month on.
        entry, end: ages between which each was watched, or would have been had it not failed, entry below end.
        failed_at: age at its first failure, on (entry, end]; NaN = none.
    """

    stratum: tuple[str, ...]
    month: Ints
    entry: Floats
    end: Floats
    failed_at: Floats


@dataclass(frozen=True, eq=False)
class OutstandingRun:
    """The run of months that stands out most.

    Attributes:
        stratum, first, last: where it is.
        observed, expected: failures of it, and those that the rest of the stratum lets expect.
        p: chance that any run of any stratum stands out as much if all months are alike.
        others, others_expected: the same of each other month of the stratum.
    """

    stratum: tuple[str, ...]
    first: int
    last: int
    observed: int
    expected: float
    p: float
    others: Floats
    others_expected: Floats

    def ratio(self, level: float) -> tuple[float, float, float]:
        """Its rate relative to the common one after shrinkage, with a credible interval.

        Args:
            level: credibility, between 0 and 1.

        Returns:
            The ratio, its lower and its upper end.

        Source: Gaver & O'Muircheartaigh 1987, by `shrink_groups`.

        Examples:
            Twenty failures where two were expected, beside five months of as many failures as expected: less than
            tenfold, since the greatest of many is too great by itself, but surely more than the common rate.

            >>> run = OutstandingRun(("kind",), 2, 3, 20, 2.0, 0.05, np.full(5, 2.0), np.full(5, 2.0))
            >>> ratio, lower, upper = run.ratio(0.95)
            >>> 5.0 < ratio < 10.0, lower > 1.0
            (True, True)
        """
        shrunk = shrink_groups(
            np.append(self.others, self.observed),
            np.append(self.others_expected, self.expected),
            level=level,
            recentre=False,
        )
        return float(shrunk.shrunk[-1]), float(shrunk.lower[-1]), float(shrunk.upper[-1])


def outstanding_run(
    strata: Sequence[Built], *, longest: int = 24, draws: int = 199, seed: int = 0
) -> OutstandingRun | None:
    """The run of months of build that stands out most, whether or not by more than chance.

    Args:
        strata: compared within each only.
        longest: months that a run may span.
        draws: fleets drawn by chance; the p value is no less than 1 / (draws + 1).
        seed: of the draws.

    Returns:
        None where no run has more failures than expected.

    Raises:
        BadArgument: for a run of no month, or no draws.

    Source: Kulldorff 1997; Davison & Hinkley 1997, section 4.2.

    Examples:
        Six months of ten machines each, watched for 100 h. All of months 2 and 3 fail at 50 h, of the others one a
        month at 60 h. No fleet drawn by chance comes near, so p is the least that 19 draws can say: 1 / 20.

        >>> month = np.repeat(np.arange(6), 10)
        >>> failed_at = np.where((month == 2) | (month == 3), 50.0, np.nan)
        >>> failed_at[[0, 10, 40, 50]] = 60.0
        >>> run = outstanding_run([Built(("kind",), month, np.zeros(60), np.full(60, 100.0), failed_at)], draws=19)
        >>> run.first, run.last, run.observed, run.p
        (2, 3, 20, 0.05)
    """
    if longest < 1 or draws < 1:
        raise BadArgument("a run spans at least one month, and chance needs at least one draw")
    rng = np.random.default_rng(seed)
    best, found = 0.0, None
    by_chance = np.zeros(draws)
    for stratum in strata:
        scan = _Scan.of(stratum, longest)
        if scan is None:
            continue
        (ratio,), (observed,), (expected,) = scan.ratios(scan.failed[None, :])
        by_chance = np.maximum(by_chance, scan.greatest_by_chance(rng, draws))
        at = int(ratio.argmax())
        if ratio[at] > best:
            best, found = float(ratio[at]), (stratum, scan, at, observed, expected)
    if found is None:
        return None
    stratum, scan, at, observed, expected = found
    inside = np.zeros(scan.months.size, dtype=bool)
    inside[scan.first[at] : scan.last[at] + 1] = True
    others, others_expected = observed[~inside], expected[~inside]
    # The rest sets the common rate, which the run itself would raise. A month never watched at an age at which
    # anything failed tells nothing.
    common = others.sum() / others_expected.sum() if others.sum() > 0 and others_expected.sum() > 0 else 1.0
    told = others_expected > 0
    return OutstandingRun(
        stratum=stratum.stratum,
        first=int(scan.months[scan.first[at]]),
        last=int(scan.months[scan.last[at]]),
        observed=int(observed[inside].sum()),
        expected=float(expected[inside].sum() * common),
        p=float((1 + (by_chance >= best - 1e-9).sum()) / (1 + draws)),
        others=others[told],
        others_expected=others_expected[told] * common,
    )


@dataclass(frozen=True, eq=False)
class _Scan:
    """One stratum laid out for the scan; ages are positions among the ages at which anything failed.

    Attributes:
        months: that occur, in order; of_machine: the position of each machine's.
        first, last: positions of the first and last month of every run.
        entry, end: a machine is at risk at positions entry, …, end - 1 unless it fails before.
        failed: position at which each failed, `end` where it did not.
        surviving: minus the logarithm of the chance to survive all positions before, shape (positions + 1,).
    """

    months: Ints
    of_machine: Ints
    first: Ints
    last: Ints
    entry: Ints
    end: Ints
    failed: Ints
    surviving: Floats

    @staticmethod
    def of(built: Built, longest: int) -> _Scan | None:
        """None where there is nothing to compare: no failure, or a single month."""
        has_failed = ~np.isnan(built.failed_at)
        ages = np.unique(built.failed_at[has_failed])
        months, of_machine = np.unique(built.month, return_inverse=True)
        if ages.size == 0 or months.size < 2:
            return None
        entry = np.searchsorted(ages, built.entry, side="right")
        end = np.searchsorted(ages, built.end, side="right")
        failed = np.where(has_failed, np.searchsorted(ages, np.nan_to_num(built.failed_at)), end)
        hazard = _hazard(entry, end, failed[None, :], ages.size)[0]
        surviving = np.concatenate([[0.0], -np.log1p(-np.minimum(hazard, 1.0 - 1e-9)).cumsum()])
        return _Scan(months, of_machine, *_runs(months, longest), entry, end, failed, surviving)

    def greatest_by_chance(self, rng: np.random.Generator, draws: int) -> Floats:
        """The greatest log likelihood ratio of each of so many fleets drawn by chance, shape (draws,)."""
        widest = max(self.entry.size, self.first.size, self.surviving.size)
        together = max(1, _AT_ONCE // widest)
        return np.concatenate(
            [
                self.ratios(self.drawn(rng, min(together, draws - done)))[0].max(axis=1)
                for done in range(0, draws, together)
            ]
        )

    def drawn(self, rng: np.random.Generator, draws: int) -> Ints:
        """Positions at which the machines of each draw fail by the common hazard, shape (draws, machines)."""
        at = self.surviving[self.entry] + rng.standard_exponential((draws, self.entry.size))
        return np.minimum(np.searchsorted(self.surviving, at) - 1, self.end)

    def ratios(self, failed: Ints) -> tuple[Floats, Floats, Floats]:
        """The log likelihood ratio of every run, and the months' observed and expected failures, by draw.

        Args:
            failed: of each draw the position at which each machine failed, shape (draws, machines).
        """
        size = self.surviving.size - 1
        hazard = _hazard(self.entry, self.end, failed, size)
        summed = np.zeros((failed.shape[0], size + 1))
        np.cumsum(hazard, axis=1, out=summed[:, 1:])
        has_failed = failed < self.end
        own = np.take_along_axis(summed, np.where(has_failed, failed + 1, self.end), axis=1)
        own -= summed[:, self.entry]
        observed = _counted(self.of_machine, has_failed, self.months.size)
        expected = _counted(self.of_machine, own, self.months.size)
        return _likelihood_ratio(observed, expected, self.first, self.last), observed, expected


def _counted(number: Ints, weight: npt.NDArray[Any], size: int) -> Floats:
    """Sums of weights by number, row by row, shape (rows, size); a row's weights are added up in their order."""
    rows = weight.shape[0]
    at = np.arange(rows)[:, None] * size + number
    summed: Floats = np.bincount(at.ravel(), weight.ravel(), rows * size).astype(np.float64, copy=False)
    return summed.reshape(rows, size)


def _hazard(entry: Ints, end: Ints, failed: Ints, size: int) -> Floats:
    """Failures over machines at risk at each position, 0 where none fails, shape (draws, size)."""
    has_failed = failed < end
    leaving = np.where(has_failed, failed + 1, end)
    coming = np.bincount(entry, minlength=size + 1)
    at_risk = (coming - _counted(leaving, np.ones(leaving.shape), size + 1)).cumsum(axis=1)[:, :size]
    # a machine that does not fail is counted at a position of its own, which is left out
    failures = _counted(np.where(has_failed, failed, size), np.ones(failed.shape), size + 1)[:, :size]
    hazard: Floats = failures / np.maximum(at_risk, 1)
    return hazard


def _runs(months: Ints, longest: int) -> tuple[Ints, Ints]:
    """First and last position of every run of months that spans no more than `longest`, but for all months."""
    first, last = np.triu_indices(months.size)
    kept = (months[last] - months[first] < longest) & (last - first + 1 < months.size)
    return first[kept], last[kept]


def _likelihood_ratio(observed: Floats, expected: Floats, first: Ints, last: Ints) -> Floats:
    """Log likelihood ratio of two rates against one for each run, 0 where it has no more than expected.

    Args:
        observed, expected: of the months, shape (draws, months); their sums agree.
        first, last: positions of the first and last month of the runs.

    Returns:
        Shape (draws, runs).
    """
    counted, summed = (np.zeros((observed.shape[0], observed.shape[1] + 1)) for _ in range(2))
    np.cumsum(observed, axis=1, out=counted[:, 1:])
    np.cumsum(expected, axis=1, out=summed[:, 1:])
    o, e = counted[:, last + 1] - counted[:, first], summed[:, last + 1] - summed[:, first]
    more = (o > e) & (e > 0)
    total = np.broadcast_to(counted[:, -1:], o.shape)[more]
    o, e = o[more], e[more]  # few have more, and the logarithms are what takes its time
    rest, rest_expected = total - o, np.maximum(total - e, 0.0)
    rest_expected = np.where(rest_expected > 0, rest_expected, 1.0)
    ratio: Floats = np.zeros(more.shape)
    ratio[more] = special.xlogy(o, o / e) + special.xlogy(rest, rest / rest_expected)
    return ratio
