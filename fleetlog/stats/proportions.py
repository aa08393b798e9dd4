"""Intervals for shares and for counts: comebacks among repairs, failures in so many hours.

Sources: Wilson 1927; Clopper & Pearson 1934; Garwood 1936; Newcombe 1998 (both papers); Brown, Cai &
DasGupta 2001; Agresti & Coull 1998; Fleiss 1981 (continuity correction); Rothman & Boice 1979 (Byar);
Epstein & Sobel 1953 and Epstein & Tsao 1953 (exponential means); Rothman 1978 (interval of a
product-limit estimate by its effective size).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
import numpy.typing as npt
from scipy import optimize, special

from fleetlog.stats.arrays import checked_level, normal_quantile, one_of
from fleetlog.stats.errors import BadArgument
from fleetlog.stats.laws import chi2_above
from fleetlog.stats.product_limit import product_limit
from fleetlog.stats.risk_table import RiskTable


class Bounds(NamedTuple):
    """A confidence interval."""

    lower: float
    upper: float


def wilson(successes: float, trials: float, *, level: float = 0.95) -> Bounds:
    """Wilson's score interval of a share: good from very few trials on."""
    x, n, z = _counts(successes, trials), trials, normal_quantile(level)
    centre, half = x + 0.5 * z**2, z * float(np.sqrt(x * (n - x) / n + 0.25 * z**2))
    lower = 0.0 if x == 0 else (centre - half) / (n + z**2)
    upper = 1.0 if x == n else (centre + half) / (n + z**2)
    return Bounds(lower, upper)


def wilson_cc(successes: float, trials: float, *, level: float = 0.95) -> Bounds:
    """Wilson's interval with Fleiss's continuity correction: wider, near the exact one."""
    x, n, z = _counts(successes, trials), trials, normal_quantile(level)
    p, size = x / n, 2.0 * (n + z**2)
    low = z**2 - 2.0 - 1.0 / n + 4.0 * p * (n * (1.0 - p) + 1.0)
    high = z**2 + 2.0 - 1.0 / n + 4.0 * p * (n * (1.0 - p) - 1.0)
    lower = 0.0 if x == 0 else (2.0 * x + z**2 - 1.0 - z * float(np.sqrt(low))) / size
    upper = 1.0 if x == n else (2.0 * x + z**2 + 1.0 + z * float(np.sqrt(high))) / size
    return Bounds(max(lower, 0.0), min(upper, 1.0))


def clopper_pearson(successes: float, trials: float, *, level: float = 0.95) -> Bounds:
    """The exact interval of a share: never too narrow, often too wide."""
    x, n = _counts(successes, trials), trials
    tail = 0.5 * (1.0 - checked_level(level))
    lower = 0.0 if x == 0 else float(special.betaincinv(x, n - x + 1.0, tail))
    upper = 1.0 if x == n else float(special.betainccinv(x + 1.0, n - x, tail))
    return Bounds(lower, upper)


def mid_p(successes: int, trials: int, *, level: float = 0.95) -> Bounds:
    """The exact interval with only half the chance of the observed count in each tail."""
    from scipy import stats  # slow to import, and only wanted here

    x, n = _counts(successes, trials), trials
    tail = 0.5 * (1.0 - checked_level(level))
    at, below = stats.binom.pmf, stats.binom.cdf

    def rising(p: float) -> float:
        return float(stats.binom.sf(x, n, p) + 0.5 * at(x, n, p)) - tail

    def falling(p: float) -> float:
        return float(below(x - 1, n, p) + 0.5 * at(x, n, p)) - tail

    lower = 0.0 if x == 0 else _root(rising, 0.0, 1.0)
    upper = 1.0 if x == n else _root(falling, 0.0, 1.0)
    return Bounds(lower, upper)


def jeffreys(successes: float, trials: float, *, level: float = 0.95, closed_ends: bool = True) -> Bounds:
    """Equal-tailed interval of the posterior Beta(x + 1/2, n - x + 1/2).

    Args:
        successes: x.
        trials: n.
        level: confidence level.
        closed_ends: let the interval reach 0 when x = 0 and 1 when x = n, as Brown, Cai & DasGupta advise.
    """
    x, n = _counts(successes, trials), trials
    tail = 0.5 * (1.0 - checked_level(level))
    a, b = x + 0.5, n - x + 0.5
    lower = 0.0 if closed_ends and x == 0 else float(special.betaincinv(a, b, tail))
    upper = 1.0 if closed_ends and x == n else float(special.betainccinv(a, b, tail))
    return Bounds(lower, upper)


def agresti_coull(successes: float, trials: float, *, level: float = 0.95) -> Bounds:
    """The normal interval after adding z^2/2 successes and failures; it may leave [0, 1]."""
    x, z = _counts(successes, trials), normal_quantile(level)
    n = trials + z**2
    p = (x + 0.5 * z**2) / n
    half = z * float(np.sqrt(p * (1.0 - p) / n))
    return Bounds(p - half, p + half)


def wald(successes: float, trials: float, *, level: float = 0.95) -> Bounds:
    """The textbook normal interval, for comparison only: too narrow for small counts; may leave [0, 1]."""
    x, n = _counts(successes, trials), trials
    p = x / n
    half = normal_quantile(level) * float(np.sqrt(p * (1.0 - p) / n))
    return Bounds(p - half, p + half)


@dataclass(frozen=True)
class Difference:
    """A difference of two shares with its interval."""

    estimate: float
    lower: float
    upper: float


def newcombe_difference(x1: float, n1: float, x2: float, n2: float, *, level: float = 0.95) -> Difference:
    """First share less second share, with Newcombe's hybrid score interval."""
    p1, p2 = _counts(x1, n1) / n1, _counts(x2, n2) / n2
    first, second = wilson(x1, n1, level=level), wilson(x2, n2, level=level)
    d = p1 - p2
    down = float(np.hypot(p1 - first.lower, second.upper - p2))
    up = float(np.hypot(first.upper - p1, p2 - second.lower))
    return Difference(d, d - down, d + up)


def garwood(events: float, *, level: float = 0.95) -> Bounds:
    """The exact interval of a Poisson mean."""
    x = _events(events)
    tail = 0.5 * (1.0 - checked_level(level))
    lower = 0.0 if x == 0 else float(special.gammaincinv(x, tail))
    return Bounds(lower, float(special.gammainccinv(x + 1.0, tail)))


def poisson_upper_limit(events: float, *, level: float = 0.95) -> float:
    """The exact one-sided upper limit of a Poisson mean; for no events, the rule of three."""
    return float(special.gammainccinv(_events(events) + 1.0, 1.0 - checked_level(level)))


def poisson_mid_p(events: int, *, level: float = 0.95) -> Bounds:
    """The exact interval of a Poisson mean with only half the chance of the observed count in each tail."""
    from scipy import stats  # slow to import, and only wanted here

    x = _events(events)
    tail = 0.5 * (1.0 - checked_level(level))

    def rising(mean: float) -> float:
        return float(stats.poisson.sf(x, mean) + 0.5 * stats.poisson.pmf(x, mean)) - tail

    def falling(mean: float) -> float:
        return float(stats.poisson.cdf(x - 1, mean) + 0.5 * stats.poisson.pmf(x, mean)) - tail

    outer = garwood(events, level=level)
    lower = 0.0 if x == 0 else _root(rising, 0.0, x + 1.0)
    return Bounds(lower, _root(falling, 1e-12, outer.upper + 1.0))


def byar(events: float, *, level: float = 0.95) -> Bounds:
    """Byar's cube-root approximation to the exact Poisson interval."""
    x, z = _events(events), normal_quantile(level)

    def limit(count: float, side: float) -> float:
        return count * (1.0 - 1.0 / (9.0 * count) + side * z / (3.0 * float(np.sqrt(count)))) ** 3

    return Bounds(0.0 if x == 0 else limit(x, -1.0), limit(x + 1.0, 1.0))


@dataclass(frozen=True)
class MeanTimeBetween:
    """Hours between failures at a constant rate.

    Attributes:
        hours: running hours per failure, None without a failure.
        lower: lower limit in hours.
        upper: upper limit in hours, None without a failure.
    """

    hours: float | None
    lower: float
    upper: float | None


def mean_time_between(
    total_hours: float,
    failures: float,
    *,
    level: float = 0.95,
    truncation: Literal["time", "failure"] = "time",
) -> MeanTimeBetween:
    """Running hours between failures at a constant rate, with exact chi-square limits.

    Args:
        total_hours: hours run by all units together.
        failures: failures in them.
        level: two-sided confidence level.
        truncation: "time" if observation ended by the clock (2r + 2 degrees of freedom for the lower limit),
            "failure" if it ended with the last failure (2r for both).
    """
    one_of("truncation", truncation, ("time", "failure"))
    r = _events(failures)
    tail = 0.5 * (1.0 - checked_level(level))
    if r == 0 and truncation == "failure":
        raise BadArgument("observation cannot have ended with the last failure when there was none")
    lower = total_hours / float(special.gammainccinv(r + (truncation == "time"), tail))
    upper = None if r == 0 else total_hours / float(special.gammaincinv(r, tail))
    return MeanTimeBetween(None if r == 0 else total_hours / r, lower, upper)


def mean_time_between_without_failure(total_hours: float, *, level: float = 0.95) -> float:
    """One-sided lower limit of the hours between failures when none has occurred."""
    return total_hours / -float(np.log1p(-checked_level(level)))


@dataclass(frozen=True)
class Ratio:
    """A ratio of two rates or two means, with its interval and the test that it is one."""

    estimate: float
    lower: float
    upper: float
    p: float


def rate_ratio(x1: int, hours1: float, x2: int, hours2: float, *, level: float = 0.95) -> Ratio:
    """First failure rate over second, exact given the total number of failures.

    The interval comes from the exact interval of the first's share; the p value adds up all outcomes no
    more likely than the one observed.
    """
    from scipy import stats  # slow to import, and only wanted here

    a, b = int(_events(x1)), int(_events(x2))
    if a + b == 0:
        raise BadArgument("neither side has a failure, so their rates cannot be compared")
    share = clopper_pearson(a, a + b, level=level)
    scale = hours2 / hours1
    p = float(stats.binomtest(a, a + b, hours1 / (hours1 + hours2)).pvalue)
    return Ratio(
        scale * a / b if b else np.inf,
        scale * share.lower / (1.0 - share.lower),
        scale * share.upper / (1.0 - share.upper) if share.upper < 1.0 else np.inf,
        p,
    )


def mean_life_ratio(
    hours1: float, failures1: int, hours2: float, failures2: int, *, level: float = 0.95
) -> Ratio:
    """First mean life over second at constant rates, observation of both ended by a failure (F test)."""
    from scipy import stats  # slow to import, and only wanted here

    r1, r2 = _events(failures1), _events(failures2)
    if not (r1 > 0 and r2 > 0):
        raise BadArgument("both sides need at least one failure to compare mean lives")
    f = (hours1 / r1) / (hours2 / r2)
    tail = 0.5 * (1.0 - checked_level(level))
    law = stats.f(2.0 * r1, 2.0 * r2)
    p = 2.0 * float(min(law.sf(f), law.cdf(f)))
    return Ratio(f, f / float(law.isf(tail)), f / float(law.ppf(tail)), min(p, 1.0))


@dataclass(frozen=True)
class Homogeneity:
    """A test that several groups share one failure rate.

    Attributes:
        chi2: likelihood-ratio statistic.
        df: groups less one.
        p: its p value.
        corrected: the statistic over Bartlett's factor, which small counts need.
        corrected_p: its p value.
    """

    chi2: float
    df: int
    p: float
    corrected: float
    corrected_p: float


def equal_means(failures: npt.ArrayLike, hours: npt.ArrayLike) -> Homogeneity:
    """Test that groups observed until a failure share one mean life (exponential), Bartlett-corrected too."""
    r, t = np.asarray(failures, dtype=np.float64), np.asarray(hours, dtype=np.float64)
    if r.shape != t.shape or r.ndim != 1 or r.size < 2 or not (r > 0).all():
        raise BadArgument("give failures and hours of at least two groups, each with a failure")
    total = r.sum()
    chi2 = 2.0 * float(total * np.log(t.sum() / total) - (r * np.log(t / r)).sum())
    df = r.size - 1
    corrected = chi2 / (1.0 + float((1.0 / r).sum() - 1.0 / total) / (6.0 * df))
    p, corrected_p = (chi2_above(value, df) for value in (chi2, corrected))
    return Homogeneity(chi2, df, p, corrected, corrected_p)


@dataclass(frozen=True)
class ComebackRate:
    """How often a repair did not hold within a window of running hours.

    Attributes:
        window_hours: the window.
        attempts: repairs.
        comebacks: those whose fault was back within the window.
        censored: those followed for less than the window without a comeback.
        rate: chance of a comeback within the window; None if no repair was followed far enough to say.
        lower: lower limit, None if the rate is.
        upper: upper limit, None if the rate is.
        method: "wilson" (nothing censored within the window) or "product-limit".
        note: what a reader must be told, or None.
    """

    window_hours: float
    attempts: float
    comebacks: float
    censored: float
    rate: float | None
    lower: float | None
    upper: float | None
    method: str
    note: str | None


def comeback_rate(table: RiskTable, window_hours: float, *, level: float = 0.95) -> ComebackRate:
    """Chance that the fault is back within a window after a repair.

    The table counts repairs by running hours since the repair: entering at 0, failed where the fault came
        back,
    leaving otherwise where we stopped watching. Where every repair was followed through the window, it is
    a plain share with Wilson's interval. Otherwise the product-limit estimate at the window is used, with
    Wilson's interval for the number of trials that would give it Greenwood's variance (Rothman 1978),
    which keeps its coverage for few comebacks and says something sensible for none.

    Args:
        table: risk table over running hours since the repair.
        window_hours: the window.
        level: confidence level.
    """
    window = float(table.to_ticks(window_hours))
    if not window > 0:
        raise BadArgument(f"the window must be longer than nothing, not {window_hours} h")
    inside = table.hours <= window
    attempts = table.spells
    comebacks = float(table.failed[inside].sum())
    short = table.hours < window
    censored = float((table.leaving - table.failed)[short].sum())
    if attempts <= 0:
        return ComebackRate(window_hours, 0, 0, 0, None, None, None, "wilson", "no repair of this kind")
    if censored == 0 and not table.delayed_entry:
        limits = wilson(comebacks, attempts, level=level)
        share = comebacks / attempts
        return ComebackRate(window_hours, attempts, comebacks, 0, share, *limits, "wilson", None)
    followed = float(table.at_risk_at([window_hours])[0])
    curve = product_limit(table, level=level)
    seen = curve.hours <= window_hours
    survival = float(curve.survival[seen][-1]) if seen.any() else 1.0
    note = curve.note if followed > 0 else "no repair was followed through the whole window: a lower bound"
    size = _effective_size(curve.at_risk[seen], curve.failed[seen], survival, attempts, censored)
    limits = wilson(size * (1.0 - survival), size, level=level)
    return ComebackRate(
        window_hours, attempts, comebacks, censored, 1.0 - survival, *limits, "product-limit", note
    )


def _effective_size(
    at_risk: npt.ArrayLike, failed: npt.ArrayLike, survival: float, attempts: float, censored: float
) -> float:
    """Trials without censoring that would give the estimate the variance it has."""
    y, d = np.asarray(at_risk, dtype=np.float64), np.asarray(failed, dtype=np.float64)
    if d.sum() == 0 or survival <= 0:
        return max(attempts - censored, 1.0)
    relative = float((d / (y * (y - d))).sum())
    return (1.0 - survival) / (survival * relative)


def _counts(successes: float, trials: float) -> float:
    if not (trials > 0 and 0 <= successes <= trials):
        raise BadArgument(f"{successes} of {trials} is no share: give 0 to n successes out of n > 0 trials")
    return successes


def _events(events: float) -> float:
    if not events >= 0:
        raise BadArgument(f"a number of events is not negative, but it is {events}")
    return events


def _root(function: Callable[[float], float], low: float, high: float) -> float:
    return float(optimize.brentq(function, low, high, xtol=1e-15, rtol=1e-14))
