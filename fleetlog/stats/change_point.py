"""From which group on do lives follow another law? One change-point in ordered groups, by likelihood.

Groups come in an order of their own, such as months of build. Lives of the groups before the change and from it
on are Weibull with one shape and two scales. One shape, because a newer design mostly has too few failures to
show a shape of its own; and two Weibull lives of one shape differ by one factor at every age, so that "lives so
many times as long" is all there is to say of them. Groups that are only seen old and others that are only seen
young are compared by the law, not by their counts.

For a given first group of the newer law and a given shape b the two rates are failures over exposure, the sum of
exit ** b - entry ** b of the lives, so that the likelihood is profiled over both rates in closed form, over the
shape on a grid, and over all change-points at once.

The likelihood is not smooth in a change-point, so its ratio is not chi-square: not for the test that nothing
changes, where the point does not exist (Davies 1977), nor for the interval (Hinkley 1970; Siegmund 1988). Both get
their critical values by a parametric bootstrap, and so does the interval of the ratio of lives, which is taken
where it is greatest. A draw keeps who was watched at what ages and how many failed, and draws anew whose failures
they are and at what age, by the fitted law: with the exposure given, failures are points of a Poisson process.

Sources: Worsley 1986, Biometrika 73, 91-104 (tests and confidence regions for a change-point in exponential
families, conditional on the total); Hinkley 1970, Biometrika 57, 1-17; Davies 1977, Biometrika 64, 247-254; Siegmund
1988, International Statistical Review 56, 31-48; Lawless 2003, Statistical Models and Methods for Lifetime Data, for
the Weibull likelihood with late entry.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
from scipy import special

from fleetlog.stats.arrays import Floats, Ints, checked_level
from fleetlog.stats.errors import (
    BadAge,
    BadArgument,
    BadCount,
    LengthMismatch,
    TooFewFailures,
)

FEWEST_FAILURES = 8
"""With fewer failures in all nothing is said of a change (default from memory)."""

FEWEST_EXPECTED = 2.0
"""So many failures the common law must expect on either side of a change-point that is tried (default from
memory). Expected, not seen: that nothing fails from some month on is what a better design looks like."""

DRAWS = 999

_GRID = 41
_WIDE = np.arange(np.log(0.1), np.log(30.0), 0.1)
#: Standard error of log shape, times the root of the failures (Weibull without censoring; Lawless 2003).
_LOG_SHAPE_ERROR = 0.78
#: Logarithms of ratios around the likeliest, near ones close together; beyond a factor of 50 there is no limit.
_AROUND = 0.002 * np.sinh(np.linspace(-1.0, 1.0, 97) * np.arcsinh(np.log(50.0) / 0.002))
_CELLS = 500_000


@dataclass(frozen=True)
class ChangePoint:
    """A change of the law of life from one group on.

    Attributes:
        candidates: groups that could be the first of the newer law, ascending, shape (points,).
        log_likelihood: profile likelihood of each, shape (points,), up to a constant that all share.
        drop: twice by how much it lies below the greatest, shape (points,).
        group: the most likely first group of the newer law.
        lower, upper: the first and last value that the change-point can have at this level; None: the data
            set no limit on that side. Between two groups with lives any value is as likely, so `lower` may be
            a group of which there are no lives.
        shape: of both laws.
        ratio: life by the newer law over life by the older one, at every share failed; None where nothing
            failed on one side.
        ratio_lower, ratio_upper: its interval, change-point and shape unknown; None: no limit.
        lives_before, lives_after, failures_before, failures_after: by the most likely change-point.
        statistic: twice the gain in log-likelihood over lives that never change.
        p: chance of such a gain, at the most likely change-point, if nothing changes.
        critical: how far `drop` may go within the interval.
        level: of both intervals.
        draws, seed: of the bootstrap.
    """

    candidates: Ints
    log_likelihood: Floats
    drop: Floats
    group: int
    lower: int | None
    upper: int | None
    shape: float
    ratio: float | None
    ratio_lower: float | None
    ratio_upper: float | None
    lives_before: int
    lives_after: int
    failures_before: int
    failures_after: int
    statistic: float
    p: float
    critical: float
    level: float
    draws: int
    seed: int


def change_point(
    entry: npt.ArrayLike,
    exit: npt.ArrayLike,
    failed: npt.ArrayLike,
    group: npt.ArrayLike,
    *,
    level: float = 0.95,
    shape: float | None = None,
    fewest_failures: int = FEWEST_FAILURES,
    fewest_expected: float = FEWEST_EXPECTED,
    draws: int = DRAWS,
    seed: int = 0,
) -> ChangePoint:
    """The most likely change of the law of life from one group on, with interval and test.

    Args:
        entry, exit: ages between which each life was watched, (entry, exit], in any unit; shape (lives,).
        failed: whether it ended as a failure, 0 or 1.
        group: a whole number that orders the lives, such as the month of build.
        level: of the intervals.
        shape: of the Weibull lives, where it is known (1: the rate does not change with age); None: estimated.
        fewest_failures: with fewer in all nothing is said.
        fewest_expected: how many failures the common law must expect on either side of a point that is tried.
        draws: of the bootstrap.
        seed: same seed, same numbers.

    Raises:
        TooFewFailures: where that many did not fail, or no group leaves enough on both sides.
        LengthMismatch, BadAge, BadCount, BadArgument: for numbers that cannot be used.

    Source: Worsley 1986; Hinkley 1970; the other sources of this module.

    Examples:
        Machines of months 0 to 3, ten a month: those of months 0 and 1 fail after 101 to 110 h, those of months 2 and 3
        after ten times as long. No drawn fleet gains as much by a change, so p is the least 99 draws can say: 1 / 100.

        >>> month = np.repeat(np.arange(4), 10)
        >>> ends = np.tile(np.arange(101.0, 111.0), 4) * np.where(month < 2, 1.0, 10.0)
        >>> found = change_point(np.zeros(40), ends, np.ones(40), month, draws=99)
        >>> found.group, round(found.ratio, 3), found.p
        (2, 10.0, 0.01)
    """
    checked_level(level)
    if draws < 1:
        raise BadArgument(f"draws is {draws}; take at least 1")
    lives = _Lives.of(entry, exit, failed, group)
    if lives.failures < max(fewest_failures, 2):
        raise TooFewFailures(
            f"a change needs at least {max(fewest_failures, 2)} failures",
            failures=lives.failures,
            needed=max(fewest_failures, 2),
        )
    profile = _profile(lives, shape, fewest_expected)
    return _answer(lives, profile, level, draws, seed)


@dataclass(frozen=True)
class _Lives:
    """Lives by group: ages from 0 to 1 of the oldest, the distinct groups, and which each life is of."""

    entry: Floats
    exit: Floats
    failed: npt.NDArray[np.bool_]
    groups: Ints
    index: Ints

    @classmethod
    def of(
        cls, entry: npt.ArrayLike, exit: npt.ArrayLike, failed: npt.ArrayLike, group: npt.ArrayLike
    ) -> _Lives:
        """The lives, checked."""
        begin, end = np.asarray(entry, dtype=np.float64), np.asarray(exit, dtype=np.float64)
        flags, labels = np.asarray(failed), np.asarray(group)
        if not begin.shape == end.shape == flags.shape == labels.shape or begin.ndim != 1:
            raise LengthMismatch("entry, exit, failed and group must be columns of one length")
        if not (np.isfinite(begin).all() and np.isfinite(end).all() and (begin >= 0).all()):
            raise BadAge("ages must be finite and not negative")
        if (end <= begin).any():
            raise BadAge("every life must be watched over some time: entry below exit")
        if not np.isin(flags, (0, 1)).all():
            raise BadCount("failed must be 0 or 1 for every life")
        if not np.equal(labels, np.floor(labels)).all():
            raise BadArgument("groups must be whole numbers")
        groups, index = np.unique(labels.astype(np.int64), return_inverse=True)
        unit = float(end.max(initial=0.0)) or 1.0
        return cls(begin / unit, end / unit, flags.astype(np.bool_), groups, index.astype(np.int64))

    @property
    def failures(self) -> int:
        """How many failed."""
        return int(self.failed.sum())

    @cached_property
    def failed_by_group(self) -> Ints:
        """Failures of each group."""
        counts: Ints = np.bincount(self.index[self.failed], minlength=self.groups.size)
        return counts

    @cached_property
    def log_ages(self) -> float:
        """Sum of the logarithms of the ages at failure."""
        return float(np.log(self.exit[self.failed]).sum())

    def exposure(self, log_shapes: Floats) -> Floats:
        """exit ** shape - entry ** shape summed by group, shape (groups, shapes)."""
        summed = [
            np.bincount(self.index, weights=self.exit**shape - self.entry**shape, minlength=self.groups.size)
            for shape in np.exp(log_shapes)
        ]
        return np.stack(summed, axis=1)


@dataclass(frozen=True)
class _Failures:
    """What the likelihood needs of failures, for one set of them or many: counts by group and sums of log age."""

    by_group: Ints
    log_ages: Floats

    def rows(self, which: slice) -> _Failures:
        """Some of the sets."""
        return _Failures(self.by_group[which], self.log_ages[which])


@dataclass(frozen=True)
class _Profile:
    """Likelihoods by change-point and shape, for the exposure that was lived.

    Attributes:
        firsts: position among the groups of each candidate, shape (points,).
        log_shapes: evenly spaced, shape (shapes,).
        before, after: exposure on either side, shape (points, shapes).
    """

    firsts: Ints
    log_shapes: Floats
    before: Floats
    after: Floats

    @classmethod
    def over(cls, lives: _Lives, firsts: Ints, log_shapes: Floats) -> _Profile:
        """The exposures on either side of each candidate."""
        lived = lives.exposure(log_shapes)
        before = np.cumsum(lived, axis=0)[firsts - 1]
        # Summed from its own end: what is left of a total would drown a side that was lived little in rounding.
        after = np.cumsum(lived[::-1], axis=0)[::-1][firsts]
        return cls(firsts, log_shapes, before, after)

    @cached_property
    def _log_before(self) -> Floats:
        return _log(self.before)

    @cached_property
    def _log_after(self) -> Floats:
        return _log(self.after)

    def unchanged(self, seen: _Failures) -> Floats:
        """Log-likelihood of one law for all, by shape; shape (sets, shapes)."""
        failures = seen.by_group.sum(axis=1)[:, None]
        return np.asarray(
            self._shared(seen)
            + special.xlogy(failures, failures)
            - failures * _log(self.before + self.after)[0]
        )

    def changed(self, seen: _Failures) -> Floats:
        """Log-likelihood of two rates, by change-point and shape; shape (sets, points, shapes)."""
        before, after = self.split(seen)
        return np.asarray(
            self._shared(seen)[:, None, :]
            + (special.xlogy(before, before) + special.xlogy(after, after))[..., None]
            - before[..., None] * self._log_before
            - after[..., None] * self._log_after
        )

    def at_ratio(self, seen: _Failures, log_ratios: Floats) -> Floats:
        """The same where newer lives are so many times as long as older ones, by one ratio or one a set."""
        fall = np.exp(self.log_shapes) * log_ratios[:, None, None]
        failures = seen.by_group.sum(axis=1)[:, None, None]
        return np.asarray(
            self._shared(seen)[:, None, :]
            + special.xlogy(failures, failures)
            - failures * _log(self.before + np.exp(-fall) * self.after)
            - self.split(seen)[1][..., None] * fall
        )

    def split(self, seen: _Failures) -> tuple[Ints, Ints]:
        """Failures before and from each candidate on, shape (sets, points)."""
        total = np.cumsum(seen.by_group, axis=1)
        before = total[:, self.firsts - 1]
        return before, total[:, -1:] - before

    def _shared(self, seen: _Failures) -> Floats:
        failures = seen.by_group.sum(axis=1)[:, None]
        return np.asarray(failures * self.log_shapes + seen.log_ages[:, None] * np.exp(self.log_shapes))


def _profile(lives: _Lives, shape: float | None, fewest_expected: float) -> _Profile:
    """The candidates with enough on both sides, over shapes around the most likely one."""
    seen = _seen(lives)
    every = np.arange(1, lives.groups.size)
    if every.size == 0:
        raise _one_sided(lives.failures, fewest_expected)
    if shape is not None:
        if not (np.isfinite(shape) and shape > 0):
            raise BadArgument(f"a Weibull shape is above 0, not {shape}")
        log_shapes = np.log([shape])
        common = 0
    else:
        log_shapes = _WIDE
        common = int(np.argmax(_Profile.over(lives, every, log_shapes).unchanged(seen)))
    wide = _Profile.over(lives, every, log_shapes)
    share = wide.before[:, common] / (wide.before + wide.after)[:, common]
    firsts = every[lives.failures * np.minimum(share, 1.0 - share) >= fewest_expected]
    if firsts.size == 0:
        raise _one_sided(lives.failures, fewest_expected)
    if shape is None:
        best = wide.changed(seen)[0, firsts - 1].argmax(axis=1)
        around = 5.0 * _LOG_SHAPE_ERROR / np.sqrt(lives.failures)
        ends = _WIDE[[min(best.min(), common), max(best.max(), common)]]
        log_shapes = np.linspace(ends[0] - around, ends[1] + around, _GRID)
    return _Profile.over(lives, firsts, log_shapes)


def _answer(lives: _Lives, profile: _Profile, level: float, draws: int, seed: int) -> ChangePoint:
    """Estimate, intervals and test."""
    seen = _seen(lives)
    surface = profile.changed(seen)[0]
    likelihood = _peak(surface)
    best = int(likelihood.argmax())
    drop = 2.0 * (likelihood[best] - likelihood)
    gain = 2.0 * float(likelihood[best] - _peak(profile.unchanged(seen))[0])
    before, after = (int(side[0, best]) for side in profile.split(seen))
    law = _Law.of(lives, int(profile.firsts[best]), _top(surface[best], profile.log_shapes), before, after)
    null_seed, law_seed = np.random.SeedSequence(seed).spawn(2)
    gains = _gains(profile, law.unchanged().draw(lives, draws, null_seed))
    drops, ratio_drops = _drops(profile, law.draw(lives, draws, law_seed), best, law.log_ratio)
    critical = _quantile(drops, level)
    inside = np.flatnonzero(drop <= critical)
    first, last = int(inside[0]), int(inside[-1])
    greatest, far = float(likelihood[best]), _quantile(ratio_drops, level)
    ratio_lower, ratio_upper = _ratio_limits(profile, seen, law.log_ratio, greatest, far)
    firsts = profile.firsts
    return ChangePoint(
        candidates=lives.groups[firsts],
        log_likelihood=likelihood,
        drop=drop,
        group=int(lives.groups[firsts[best]]),
        lower=int(lives.groups[firsts[first] - 1]) + 1 if first > 0 else None,
        upper=int(lives.groups[firsts[last]]) if last < firsts.size - 1 else None,
        shape=law.shape,
        ratio=law.ratio(before, after),
        ratio_lower=ratio_lower,
        ratio_upper=ratio_upper,
        lives_before=int((lives.index < firsts[best]).sum()),
        lives_after=int((lives.index >= firsts[best]).sum()),
        failures_before=before,
        failures_after=after,
        statistic=gain,
        p=float((1 + (gains >= gain - 1e-9).sum()) / (draws + 1)),
        critical=critical,
        level=level,
        draws=draws,
        seed=seed,
    )


@dataclass(frozen=True)
class _Law:
    """A Weibull law with one rate before a change and one from it on.

    Rates get half a failure a side, so that a side on which nothing failed yet is not drawn as one that never
    fails.
    """

    first: int
    shape: float
    rate_before: float
    rate_after: float
    exposure: tuple[float, float]

    @classmethod
    def of(cls, lives: _Lives, first: int, log_shape: float, before: int, after: int) -> _Law:
        """The most likely law that changes with the group at that position."""
        exposure = lives.exposure(np.array([log_shape]))[:, 0]
        older, newer = float(exposure[:first].sum()), float(exposure[first:].sum())
        rates = ((before + 0.5) / older, (after + 0.5) / newer)
        return cls(first, float(np.exp(log_shape)), *rates, (older, newer))

    @property
    def log_ratio(self) -> float:
        """Logarithm of newer over older life."""
        return float(np.log(self.rate_before / self.rate_after)) / self.shape

    def ratio(self, before: int, after: int) -> float | None:
        """Newer over older life by the failures that were seen."""
        if before == 0 or after == 0:
            return None
        hazards = (before / self.exposure[0]) / (after / self.exposure[1])
        return float(hazards ** (1.0 / self.shape))

    def unchanged(self) -> _Law:
        """The law with one rate for all."""
        return _Law(self.first, self.shape, 1.0, 1.0, self.exposure)

    def draw(self, lives: _Lives, draws: int, seed: np.random.SeedSequence) -> _Failures:
        """As many failures as there were, anew, `draws` times."""
        rate = np.where(lives.index < self.first, self.rate_before, self.rate_after)
        begin = lives.entry**self.shape
        lived = np.concatenate(([0.0], np.cumsum(rate * (lives.exit**self.shape - begin))))
        random = np.random.default_rng(seed)
        by_group = np.empty((draws, lives.groups.size), dtype=np.int64)
        log_ages = np.empty(draws)
        step = max(_CELLS // lives.failures, 1)
        for start in range(0, draws, step):
            rows = np.arange(min(step, draws - start))
            # Points in order, from the gaps between them: they are looked up faster than those of a heap.
            points = np.cumsum(random.standard_exponential((rows.size, lives.failures + 1)), axis=1)
            at = points[:, :-1] * (lived[-1] / points[:, -1:])
            life = np.minimum(np.searchsorted(lived, at, side="right") - 1, lives.index.size - 1)
            power = np.maximum(begin[life] + (at - lived[life]) / rate[life], np.finfo(np.float64).tiny)
            cell = lives.index[life] + lives.groups.size * rows[:, None]
            counts = np.bincount(cell.ravel(), minlength=rows.size * lives.groups.size)
            by_group[start : start + rows.size] = counts.reshape(rows.size, -1)
            log_ages[start : start + rows.size] = np.log(power).sum(axis=1) / self.shape
        return _Failures(by_group, log_ages)


def _gains(profile: _Profile, drawn: _Failures) -> Floats:
    """Twice what a change gains where there is none, one value a draw."""
    found = [
        2.0 * (_peak(profile.changed(some)).max(axis=1) - _peak(profile.unchanged(some)))
        for some in _blocks(profile, drawn)
    ]
    return np.concatenate(found)


def _drops(profile: _Profile, drawn: _Failures, best: int, log_ratio: float) -> tuple[Floats, Floats]:
    """Twice the drop at the true change-point and at the true ratio of lives, one value a draw each."""
    at_point, at_ratio, ratio = [], [], np.array([log_ratio])
    for some in _blocks(profile, drawn):
        likelihood = _peak(profile.changed(some))
        greatest = likelihood.max(axis=1)
        at_point.append(2.0 * (greatest - likelihood[:, best]))
        at_ratio.append(2.0 * (greatest - _peak(profile.at_ratio(some, ratio)).max(axis=1)))
    return np.concatenate(at_point), np.concatenate(at_ratio)


def _ratio_limits(
    profile: _Profile, seen: _Failures, middle: float, greatest: float, critical: float
) -> tuple[float | None, float | None]:
    """Where the likelihood of the ratio of lives has dropped too far, on either side of the likeliest."""
    log_ratios = middle + _AROUND
    drop = 2.0 * (greatest - _peak(profile.at_ratio(seen, log_ratios)).max(axis=1))
    inside = np.flatnonzero(drop <= max(critical, float(drop.min())))
    first, last = int(inside[0]), int(inside[-1])
    lower = None if first == 0 else _crossing(log_ratios, drop, (first, first - 1), critical)
    upper = None if last == drop.size - 1 else _crossing(log_ratios, drop, (last, last + 1), critical)
    return lower, upper


def _crossing(at: Floats, drop: Floats, ends: tuple[int, int], critical: float) -> float:
    """Where a drop reaches the critical value between two points, its root taken to be straight there."""
    within, beyond, level = np.sqrt(np.maximum([*drop[list(ends)], critical], 0.0))
    share = min(max(float((level - within) / (beyond - within)), 0.0), 1.0)
    return float(np.exp(at[ends[0]] + share * (at[ends[1]] - at[ends[0]])))


def _blocks(profile: _Profile, drawn: _Failures) -> list[_Failures]:
    """The draws in parts that fit into memory with all change-points and shapes."""
    step = max(_CELLS // profile.before.size, 1)
    return [drawn.rows(slice(start, start + step)) for start in range(0, drawn.log_ages.size, step)]


def _peak(surface: Floats) -> Floats:
    """The greatest value along the last axis, by a parabola through it and its neighbours."""
    size = surface.shape[-1]
    place = surface.argmax(axis=-1)
    top = np.take_along_axis(surface, place[..., None], axis=-1)[..., 0]
    if size < 3:
        return np.asarray(top)
    inner = np.clip(place, 1, size - 2)
    left, middle, right = (
        np.take_along_axis(surface, (inner + step)[..., None], axis=-1)[..., 0] for step in (-1, 0, 1)
    )
    bend = 2.0 * middle - left - right
    rise = np.divide((right - left) ** 2, 8.0 * bend, out=np.zeros_like(top), where=bend > 0)
    return np.asarray(np.where(inner == place, middle + rise, top))


def _top(curve: Floats, at: Floats) -> float:
    """Where the parabola through the greatest value of a curve and its neighbours has its top."""
    place = int(curve.argmax())
    if not 0 < place < curve.size - 1:
        return float(at[place])
    left, middle, right = curve[place - 1 : place + 2]
    return float(at[place] + 0.5 * (at[1] - at[0]) * (right - left) / (2.0 * middle - left - right))


def _quantile(values: Floats, level: float) -> float:
    """The value that no more than 1 - level of the draws exceed."""
    return float(np.quantile(values, level, method="higher"))


def _seen(lives: _Lives) -> _Failures:
    return _Failures(lives.failed_by_group[None, :], np.array([lives.log_ages]))


def _log(values: Floats) -> Floats:
    """Logarithms; a side so young that its exposure underflows counts as the least there is."""
    return np.asarray(np.log(np.maximum(values, np.finfo(np.float64).tiny)))


def _one_sided(failures: int, fewest_expected: float) -> TooFewFailures:
    return TooFewFailures(
        "on one side of every possible change too little was lived, "
        f"since fewer than {fewest_expected:g} failures are expected there",
        failures=failures,
        needed=int(np.ceil(2 * fewest_expected)),
    )
