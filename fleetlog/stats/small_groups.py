"""Small groups beside large ones: observed over expected failures, shrunk by how much groups really differ.

A build year of six machines with three failures where one was expected is no proof of anything. Each
group's rate, relative to what its hours and ages let expect, is taken as drawn from a gamma distribution
of mean one; how far groups differ (its squared coefficient of variation) is learnt from all of them, and
a group's own failures count against that. How far they differ is itself uncertain, so results are
averaged over it; where all groups agree they simply shrink to one.

Source: Gaver & O'Muircheartaigh 1987 (empirical Bayes for failure rates); Deely & Lindley 1981 (averaging
over the spread); Clayton & Kaldor 1987 (observed over expected).
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

from fleetlog.stats.arrays import Floats, checked_level, sums_over_runs
from fleetlog.stats.errors import BadArgument, LengthMismatch
from fleetlog.stats.proportions import garwood

#: Median, before any data, of the spread between group rates (their coefficient of variation). With smaller
#: values the intervals came out too narrow where groups do differ.
TYPICAL_SPREAD = 1.0

_GRID = 61


@dataclass(frozen=True, eq=False)
class ShrunkGroups:
    """Relative failure rates of groups, shrunk towards the common one.

    Attributes:
        groups: their names.
        observed: failures of each.
        expected: failures that the common model lets expect.
        raw: observed over expected.
        raw_lower: its exact (Garwood) lower limit.
        raw_upper: its exact upper limit.
        shrunk: posterior mean of the relative rate.
        lower: lower end of its equal-tailed credible interval.
        upper: upper end.
        probability_above: chance that the group is worse than the common rate.
        common: observed over expected of all groups together, by which `expected` was multiplied first.
        spread: posterior mean of the coefficient of variation between groups.
        spread_lower: lower end of its credible interval.
        spread_upper: upper end.
        level: credibility.
    """

    groups: tuple[Hashable, ...]
    observed: Floats
    expected: Floats
    raw: Floats
    raw_lower: Floats
    raw_upper: Floats
    shrunk: Floats
    lower: Floats
    upper: Floats
    probability_above: Floats
    common: float
    spread: float
    spread_lower: float
    spread_upper: float
    level: float


def shrink_groups(
    observed: npt.ArrayLike,
    expected: npt.ArrayLike,
    *,
    groups: Sequence[Hashable] | None = None,
    level: float = 0.95,
    typical_spread: float = TYPICAL_SPREAD,
    recentre: bool = True,
) -> ShrunkGroups:
    """Gamma–Poisson shrinkage of observed over expected.

    Args:
        observed: failures of each group, shape (n,).
        expected: failures expected of each from the pooled model (its cumulative hazard summed over the
            group's spells), positive, shape (n,).
        groups: names of the groups.
        level: credibility of the intervals.
        typical_spread: median of the prior of the coefficient of variation between groups.
        recentre: first multiply `expected` so that it adds up to the failures observed.

    Returns:
        Relative rates; 1 is the common rate.

    Raises:
        LengthMismatch: for no groups, or not as many of each.
        BadArgument: for counts below zero, nothing expected, or a level or spread that is none.

    Source: Gaver & O'Muircheartaigh 1987; Deely & Lindley 1981; Clayton & Kaldor 1987.

    Examples:
        Three failures where one was expected, and thirty where ten were, beside eight groups of as many as expected:
        both are threefold, but the small one is believed less.

        >>> found = shrink_groups([3, 30, *[10] * 8], [1, 10, *[10] * 8], recentre=False)
        >>> found.raw[:2].tolist(), bool(1.0 < found.shrunk[0] < found.shrunk[1] < 3.0)
        ([3.0, 3.0], True)
    """
    o, e = np.asarray(observed, dtype=np.float64), np.asarray(expected, dtype=np.float64)
    names = tuple(range(o.size)) if groups is None else tuple(groups)
    if o.ndim != 1 or o.shape != e.shape or len(names) != o.size or o.size == 0:
        raise LengthMismatch(f"{o.shape} observed and {e.shape} expected counts for {len(names)} groups")
    if (o < 0).any() or not ((e > 0) & np.isfinite(e)).all():
        raise BadArgument(
            "observed counts are not negative and expected ones positive; leave out groups without hours"
        )
    tail = 0.5 * (1.0 - checked_level(level))
    common = float(o.sum() / e.sum()) if recentre and o.sum() > 0 else 1.0
    e = e * common
    spread, centre, weight = _posterior(o, e, typical_spread)
    # given spread and mean, a group's rate is gamma with shape o + 1/spread^2 and rate e + 1/(spread^2 mean)
    prior = 1.0 / spread**2
    a, b = o[:, None] + prior, e[:, None] + prior / centre
    mean = ((a / b) * weight).sum(axis=1)
    lower, upper = (_mixture_quantiles(a, b, weight, q) for q in (tail, 1.0 - tail))
    above = (special.gammaincc(a, b) * weight).sum(axis=1)
    values, shares = sums_over_runs(spread, weight)
    low, high = (float(np.interp(q, np.cumsum(shares), values)) for q in (tail, 1.0 - tail))
    limits = np.array([garwood(x, level=level) for x in o])
    return ShrunkGroups(
        groups=names,
        observed=o,
        expected=e,
        raw=o / e,
        raw_lower=limits[:, 0] / e,
        raw_upper=limits[:, 1] / e,
        shrunk=mean,
        lower=lower,
        upper=upper,
        probability_above=np.clip(above, 0.0, 1.0),
        common=common,
        spread=float((spread * weight).sum()),
        spread_lower=low,
        spread_upper=high,
        level=level,
    )


def _negative_binomial(x: Floats, mean: Floats, shape: float) -> float:
    """Log-likelihood of counts with these means and a gamma spread of this shape."""
    terms = special.gammaln(x + shape) - special.gammaln(shape) - special.gammaln(x + 1.0)
    # log1p keeps the limit of a very large shape
    terms = terms - shape * np.log1p(mean / shape) + special.xlogy(x, mean / (mean + shape))
    return float(terms.sum())


def _posterior(o: Floats, e: Floats, typical: float) -> tuple[Floats, Floats, Floats]:
    """Nodes of (spread between groups, their mean rate) and the posterior weight of each node.

    The prior of the spread is half-Cauchy with the given median: it rules out neither groups that are
    alike nor some that differ a lot. The log mean has a standard normal prior; for each spread it is
    integrated around its own maximum.
    """
    if not typical > 0:
        raise BadArgument(f"a typical spread is positive, not {typical}")
    # even steps in the prior's own probability, so that each grid point starts with the same weight
    share = (np.arange(_GRID) + 0.5) / _GRID
    spread = np.minimum(typical * np.tan(0.5 * np.pi * share), 20.0)
    k = 1.0 / spread**2
    log_mean = np.zeros(_GRID)
    curvature = np.ones(_GRID)
    for _ in range(100):
        m = np.exp(log_mean) * e[:, None]
        slope = (o[:, None] - (o[:, None] + k) * m / (k + m)).sum(axis=0) - log_mean
        curvature = ((o[:, None] + k) * m * k / (k + m) ** 2).sum(axis=0) + 1.0
        step = np.clip(slope / curvature, -1.0, 1.0)
        log_mean = log_mean + step
        if np.abs(step).max() < 1e-10:
            break
    nodes = np.linspace(-3.0, 3.0, 7)
    width = 1.0 / np.sqrt(curvature)
    means = (log_mean[:, None] + nodes * width[:, None]).reshape(-1)
    spreads = np.repeat(spread, nodes.size)
    log_weight = np.array(
        [_negative_binomial(o, np.exp(m) * e, 1.0 / s**2) for m, s in zip(means, spreads, strict=True)]
    )
    log_weight += -0.5 * means**2 + np.log(np.repeat(width, nodes.size))
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    kept = weight > 1e-5
    return spreads[kept], np.exp(means[kept]), weight[kept] / weight[kept].sum()


def _mixture_quantiles(a: Floats, b: Floats, weight: Floats, q: float) -> Floats:
    """Quantile of a mixture of gammas for each row, by bisection on all rows at once."""
    low = np.zeros(a.shape[0])
    high = special.gammaincinv(a, max(q, 0.5)).max(axis=1) / b.min(axis=1) + 1.0
    for _ in range(45):
        middle = 0.5 * (low + high)
        below = (special.gammainc(a, b * middle[:, None]) * weight).sum(axis=1)
        low, high = np.where(below < q, middle, low), np.where(below < q, high, middle)
    return np.asarray(0.5 * (low + high), dtype=np.float64)
