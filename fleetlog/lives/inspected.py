"""Lives of which a failure was only seen since the machine was open for its other side: it lies somewhere before."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

from fleetlog.phrasing import plural
from fleetlog.stats.arrays import Floats
from fleetlog.stats.errors import StatsError
from fleetlog.stats.interval_curve import IntervalCurve, IntervalLives, interval_curve, limits_by_machine
from fleetlog.stats.lifetimes import fit_weibull_intervals
from fleetlog.stats.product_limit import ProductLimit
from fleetlog.stats.weighted_lives import ObservedLives

#: Draws of machines behind the limits of the curve, and their seed. Ours: enough for two digits.
_DRAWS, _SEED = 100, 1


def fit_inspected(
    lives: ObservedLives,
    beside: npt.NDArray[np.bool_],
    curve: ProductLimit,
    common: Floats | None = None,
) -> dict[str, Any] | None:
    """The curve and the Weibull life where some failures lie somewhere in their stretch.

    Args:
        lives: all stretches.
        beside: which of them ended by a failure that was only seen beside another, shape (n,).
        curve: the product limit that takes them for the day of the look; start and level are its own.
        common: standard error of log S by what errs alike for all machines, at the ages of `curve`.

    Returns:
        lives (found so), hours, survival, lower, upper (Turnbull's curve, limits by machine), curve_median_hours,
        curve_median_ci, and of the Weibull life shape, scale_hours, shape_ci, scale_ci, median_hours, median_ci (None
        where failures are too few for it); None where there are none.
    """
    if not beside.any():
        return None
    begin, end = lives.entry / lives.per_hour, lives.exit / lives.per_hour
    share = np.ones(lives.spells) if lives.share is None else lives.share
    upper = np.where(lives.failed > 0, end, np.inf)
    lower = np.where(beside | (lives.failed == 0), np.where(beside, begin, end), end)
    seen = end > curve.from_hours
    begin, lower = np.maximum(begin, curve.from_hours), np.maximum(lower, curve.from_hours)
    told = IntervalLives.of(lower[seen], upper[seen], share[seen], begin[seen])
    turnbull = interval_curve(told)
    off = None if common is None else np.interp(turnbull.hours, curve.hours, common)
    limits = limits_by_machine(
        told, turnbull, lives.machine[seen], draws=_DRAWS, seed=_SEED, level=curve.level, common=off
    )
    return {
        "lives": int(beside.sum()),
        "hours": turnbull.hours.tolist(),
        "survival": turnbull.survival.tolist(),
        "lower": limits[0].tolist(),
        "upper": limits[1].tolist(),
        "curve_median_hours": _first(turnbull, turnbull.survival),
        "curve_median_ci": [_first(turnbull, limit) for limit in limits],
        **_law(np.where(beside, lives.entry / lives.per_hour, end), upper, share, lives, curve.level),
    }


def inspected_note(found: Mapping[str, Any]) -> str:
    """What `fit_inspected` found, in words."""
    said = []
    if found["curve_median_hours"] is not None:
        low, high = ("not told" if one is None else f"{one:,.0f}" for one in found["curve_median_ci"])
        said.append(f"by {found['curve_median_hours']:,.0f} h ({low} to {high}; Turnbull)")
    if found["median_hours"] is not None:
        said.append(f"by {found['median_hours']:,.0f} h (Weibull)")
    taken = f": taken so, half fail {', or '.join(said)}" if said else ""
    return (
        f"{plural(found['lives'], 'failure')} only seen since the machine was open for its other side, so somewhere "
        f"before{taken}"
    )


def _first(curve: IntervalCurve, values: Floats) -> float | None:
    """The first age at which half have failed by these values; None: not reached."""
    reached = np.flatnonzero((values <= 0.5) & (curve.survival > 0))
    return float(curve.hours[reached[0]]) if reached.size else None


def _law(lower: Floats, upper: Floats, share: Floats, lives: ObservedLives, level: float) -> dict[str, Any]:
    names = ("shape", "scale_hours", "shape_ci", "scale_ci", "median_hours", "median_ci")
    try:
        fit = fit_weibull_intervals(
            lower, upper, share, entry_hours=lives.entry / lives.per_hour, level=level
        )
    except StatsError:
        return dict.fromkeys(names)
    median = fit.b_life(0.5)
    told = (
        fit.shape,
        fit.scale_hours,
        list(fit.shape_ci) if fit.shape_ci else None,
        list(fit.scale_ci) if fit.scale_ci else None,
        median.estimate,
        [median.lower, median.upper],
    )
    return dict(zip(names, told, strict=True))
