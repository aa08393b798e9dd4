"""How good were the forecasts? Scores for probabilities.

Source: Gneiting & Raftery 2007.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl
from scipy import special, stats

from fleetlog.stats.arrays import Floats, weighed
from fleetlog.stats.errors import BadArgument, LengthMismatch
from fleetlog.stats.proportions import wilson


def calibration_bins(probability: npt.ArrayLike, outcome: npt.ArrayLike, *, bins: int = 10) -> pl.DataFrame:
    """Do things that were given 30 per cent happen 30 per cent of the time?

    Cases are cut into bins of equal width; empty bins are left out.

    Returns:
        Columns from, to, cases, mean_probability, happened, share, lower, upper (Wilson).

    Examples:
        >>> calibration_bins([0.1, 0.9, 0.8], [0, 1, 1], bins=2)["share"].to_list()
        [0.0, 1.0]

    Args:
        probability: said beforehand, shape (n,).
        outcome: whether it happened, shape (n,).
        bins: how many, at least 1.

    Raises:
        BadArgument: for fewer bins than one.
        LengthMismatch: where there are not as many of each.
    """
    p, y = _pairs(probability, outcome)
    if bins < 1:
        raise BadArgument(f"the number of bins is at least 1, not {bins}")
    at = np.minimum((p * bins).astype(np.int64), bins - 1)
    order = np.lexsort((y, p, at))
    n = np.bincount(at, minlength=bins)
    happened = np.bincount(at, weights=y, minlength=bins)
    total = np.bincount(at[order], weights=p[order], minlength=bins)
    used = np.flatnonzero(n)
    limits = [wilson(float(happened[k]), float(n[k])) for k in used]
    return pl.DataFrame(
        {
            "from": used / bins,
            "to": (used + 1) / bins,
            "cases": n[used],
            "mean_probability": total[used] / n[used],
            "happened": happened[used],
            "share": happened[used] / n[used],
            "lower": [limit.lower for limit in limits],
            "upper": [limit.upper for limit in limits],
        }
    )


@dataclass(frozen=True)
class CalibrationLine:
    """Logistic regression of outcomes on the log-odds given: slope 1 and intercept 0 are perfect.

    Attributes:
        intercept: above 0: things happen more often than said.
        slope: below 1: probabilities are too extreme.
        slope_std_error: standard error of the slope.
    """

    intercept: float
    slope: float
    slope_std_error: float


def calibration_line(probability: npt.ArrayLike, outcome: npt.ArrayLike) -> CalibrationLine:
    """Calibration intercept and slope; probabilities of 0 or 1 are taken as a millionth from it.

    Examples:
        >>> line = calibration_line([0.2] * 5 + [0.8] * 5, [1, 0, 0, 0, 0, 1, 1, 1, 1, 0])
        >>> round(line.slope, 6), abs(round(line.intercept, 6))
        (1.0, 0.0)

    Args:
        probability: said beforehand, shape (n,).
        outcome: whether it happened, shape (n,).

    Raises:
        BadArgument: where no line can be fitted.
        LengthMismatch: where there are not as many of each.

    Source: Cox 1958, Two further applications of a model for binary regression.
    """
    p, y = _pairs(probability, outcome)
    x = special.logit(np.clip(p, 1e-6, 1.0 - 1e-6))
    design = np.column_stack((np.ones(x.size), x))
    beta = np.array([0.0, 1.0])
    for _ in range(100):
        fitted = special.expit(design @ beta)
        information = (design * (fitted * (1.0 - fitted))[:, None]).T @ design
        try:
            step = np.linalg.solve(information, weighed(y - fitted, design))
        except np.linalg.LinAlgError:
            break
        beta = beta + np.clip(step, -5.0, 5.0)
        if np.abs(step).max() < 1e-12:
            return CalibrationLine(
                float(beta[0]), float(beta[1]), float(np.sqrt(np.linalg.inv(information)[1, 1]))
            )
        if np.abs(beta).max() > 1e3:
            break
    raise BadArgument(
        "outcomes are split cleanly by the probabilities, or do not vary: no line can be fitted"
    )


def area_under_curve(score: npt.ArrayLike, outcome: npt.ArrayLike) -> float:
    """Chance that a case that happened was scored above one that did not (ties count half).

    Examples:
        >>> area_under_curve([0.9, 0.4, 0.6, 0.1], [1, 1, 0, 0])
        0.75

    Args:
        score: of each case, shape (n,).
        outcome: whether it happened, shape (n,).

    Raises:
        BadArgument: without cases of both kinds, or not as many of each.

    Source: Hanley & McNeil 1982.
    """
    s, y = np.asarray(score, dtype=np.float64), np.asarray(outcome).astype(bool)
    happened, rest = int(y.sum()), int((~y).sum())
    if s.shape != y.shape or happened == 0 or rest == 0:
        raise BadArgument("discrimination needs cases that happened and cases that did not")
    ranks = stats.rankdata(s)
    return float((ranks[y].sum() - happened * (happened + 1) / 2) / (happened * rest))


def _pairs(probability: npt.ArrayLike, outcome: npt.ArrayLike) -> tuple[Floats, Floats]:
    p, y = np.asarray(probability, dtype=np.float64), np.asarray(outcome, dtype=np.float64)
    if p.shape != y.shape or p.ndim != 1 or p.size == 0:
        raise LengthMismatch(f"{p.shape} probabilities for {y.shape} outcomes")
    if not ((p >= 0) & (p <= 1)).all() or not np.isin(y, (0, 1)).all():
        raise BadArgument("probabilities lie between 0 and 1, outcomes are 0 or 1")
    return p, y
