"""Where to plot failures on probability paper, and straight lines through them.

Sources: Meeker, Escobar & Pascual 2021, chapter 6 (midpoints of the jumps of the product-limit curve);
Johnson 1964 (adjusted ranks of suspended items); Benard & Bos-Levenbach 1953 (median ranks); Abernethy et
al. 1983 (regression of age on rank).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
import polars as pl
from scipy import special

from fleetlog.stats.arrays import Floats, one_of
from fleetlog.stats.errors import BadArgument, TooFewFailures
from fleetlog.stats.product_limit import MINIMUM_AT_RISK, product_limit
from fleetlog.stats.risk_table import RiskTable


def probability_plot_points(table: RiskTable, *, minimum_at_risk: float = MINIMUM_AT_RISK) -> pl.DataFrame:
    """Plotting positions of the failures of one group, late entry respected.

    Each failure age is plotted at the middle of its jump of the product-limit curve. With late entry the
    curve may start at an age above zero; its points are then conditional on surviving to it.

    Returns:
        One row a failure age: hours, share_failed, log_hours, and the share on the scales on which a Weibull
        (weibull), lognormal (normal), log-logistic (logistic) and exponential (exponential, against
        hours) life gives a straight line.
    """
    curve = product_limit(table, minimum_at_risk=minimum_at_risk)
    before = np.concatenate(([1.0], curve.survival[:-1]))[: curve.survival.size]
    share = 1.0 - 0.5 * (before + curve.survival)
    return pl.DataFrame(
        {
            "hours": curve.hours,
            "share_failed": share,
            "log_hours": np.log(curve.hours),
            "weibull": np.log(-np.log1p(-share)),
            "normal": special.ndtri(share),
            "logistic": special.logit(share),
            "exponential": -np.log1p(-share),
        }
    )


def adjusted_ranks(table: RiskTable) -> tuple[Floats, Floats]:
    """Mean order numbers of the failures, each failure one rank, suspensions in between spreading the ranks.

    Where failures and suspensions have the same age, failures come first. Counts must be whole, entry at
    age zero.

    Returns:
        Ages in hours and ranks, one a failure, so that tied failures have rows of their own.
    """
    if table.delayed_entry:
        raise BadArgument(
            "adjusted ranks need all units watched from new; use probability_plot_points instead"
        )
    if table.failed.dtype != np.int64:
        raise BadArgument("adjusted ranks need whole counts, not weights")
    rows = table.failed > 0
    ages = np.repeat(table.hours[rows], table.failed[rows])
    offset = _position_in_run(table.failed[rows])
    remaining = np.repeat(table.at_risk[rows], table.failed[rows]) - offset
    n = float(table.spells)
    # n + 1 - rank shrinks by remaining / (remaining + 1) at each failure
    left = (n + 1.0) * np.cumprod(remaining / (remaining + 1.0), dtype=np.float64)
    return ages / table.per_hour, n + 1.0 - left


def median_ranks(
    ranks: npt.ArrayLike, spells: float, *, method: Literal["benard", "exact"] = "benard"
) -> Floats:
    """Share failed to plot for an order number among so many units.

    Args:
        ranks: order numbers, whole or adjusted.
        spells: number of units.
        method: "benard": (rank - 0.3) / (spells + 0.4); "exact": the median of the beta distribution.
    """
    rank = np.asarray(ranks, dtype=np.float64)
    if one_of("method", method, ("benard", "exact")) == "benard":
        return (rank - 0.3) / (spells + 0.4)
    return np.asarray(special.betaincinv(rank, spells - rank + 1.0, 0.5), dtype=np.float64)


@dataclass(frozen=True)
class RankRegression:
    """A straight line on Weibull paper.

    Attributes:
        shape: its slope.
        scale_hours: the age at which it crosses 63.2 per cent.
        r_squared: squared correlation of the points.
        regressed: "age on rank" or "rank on age".
    """

    shape: float
    scale_hours: float
    r_squared: float
    regressed: str


def rank_regression(
    hours: npt.ArrayLike,
    share_failed: npt.ArrayLike,
    *,
    regress: Literal["age on rank", "rank on age"] = "age on rank",
) -> RankRegression:
    """Least squares through points on Weibull paper: log age against log(-log(1 - share)).

    The two regressions differ; maximum likelihood (`fit_weibull`) is the better estimate, this is the
    line that an eye would draw.
    """
    one_of("regress", regress, ("age on rank", "rank on age"))
    x = np.log(np.asarray(hours, dtype=np.float64))
    y = np.log(-np.log1p(-np.asarray(share_failed, dtype=np.float64)))
    if x.size < 2 or np.ptp(x) == 0:
        raise TooFewFailures(
            "a line needs failures at two ages at least; fix the shape instead",
            failures=float(x.size),
            needed=2,
        )
    dx, dy = x - x.mean(), y - y.mean()
    sxx, syy, sxy = float(dx @ dx), float(dy @ dy), float(dx @ dy)
    shape = syy / sxy if regress == "age on rank" else sxy / sxx
    scale = float(np.exp(x.mean() - y.mean() / shape))
    return RankRegression(shape, scale, sxy**2 / (sxx * syy), regress)


def _position_in_run(lengths: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """0, 1, … within each run of the given lengths."""
    ends = np.cumsum(lengths)
    return np.arange(int(ends[-1]) if ends.size else 0) - np.repeat(ends - lengths, lengths)
