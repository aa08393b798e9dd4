"""Intervals for shares and for counts: comebacks among repairs, failures in so many hours.

Sources: Wilson 1927; Garwood 1936; Rothman 1978 (interval of a product-limit estimate by its effective size).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy import special

from fleetlog.stats.arrays import checked_level, normal_quantile
from fleetlog.stats.errors import BadArgument
from fleetlog.stats.product_limit import product_limit
from fleetlog.stats.risk_table import RiskTable


class Bounds(NamedTuple):
    """A confidence interval."""

    lower: float
    upper: float


def wilson(successes: float, trials: float, *, level: float = 0.95) -> Bounds:
    """Wilson's score interval of a share: good from very few trials on.

    Examples:
        >>> limits = wilson(0, 10)
        >>> limits.lower, round(limits.upper, 3)
        (0.0, 0.278)

    Args:
        successes: from 0 to `trials`.
        trials: above 0.
        level: confidence level.

    Raises:
        BadArgument: for successes that are no share of the trials, or a level outside 0 to 1.

    Source: Wilson 1927.
    """
    x, n, z = _counts(successes, trials), trials, normal_quantile(level)
    centre, half = x + 0.5 * z**2, z * float(np.sqrt(x * (n - x) / n + 0.25 * z**2))
    lower = 0.0 if x == 0 else (centre - half) / (n + z**2)
    upper = 1.0 if x == n else (centre + half) / (n + z**2)
    return Bounds(lower, upper)


def garwood(events: float, *, level: float = 0.95) -> Bounds:
    """The exact interval of a Poisson mean.

    Examples:
        >>> limits = garwood(0)
        >>> limits.lower, round(limits.upper, 3)
        (0.0, 3.689)

    Args:
        events: 0 or more.
        level: confidence level.

    Raises:
        BadArgument: for fewer events than none, or a level outside 0 to 1.

    Source: Garwood 1936.
    """
    if not events >= 0:
        raise BadArgument(f"a number of events is not negative, but it is {events}")
    tail = 0.5 * (1.0 - checked_level(level))
    lower = 0.0 if events == 0 else float(special.gammaincinv(events, tail))
    return Bounds(lower, float(special.gammainccinv(events + 1.0, tail)))


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
    back, leaving otherwise where we stopped watching. Where every repair was followed through the window, it is
    a plain share with Wilson's interval. Otherwise the product-limit estimate at the window is used, with
    Wilson's interval for the number of trials that would give it Greenwood's variance (Rothman 1978),
    which keeps its coverage for few comebacks and says something sensible for none.

    Args:
        table: risk table over running hours since the repair.
        window_hours: the window.

    Examples:
        Ten repairs, each followed for 500 h; two came back, after 100 and 200 h.

        >>> ends = np.array([1000, 2000, *[5000] * 8])
        >>> table = RiskTable.from_spells(0, ends, np.array([1, 1, *[0] * 8]))
        >>> round(comeback_rate(table, 500).rate, 3)
        0.2

    Raises:
        BadArgument: for a window that is not longer than nothing, or a level outside 0 to 1.

    Source: Wilson 1927; Rothman 1978.
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
