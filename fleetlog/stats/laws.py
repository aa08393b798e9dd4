"""Tails and quantiles of the chi-squared and normal laws.

The same special functions stand behind scipy.stats, digit for digit; importing that package takes longer than
most questions take to answer.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import special

from fleetlog.stats.arrays import Floats


def chi2_above(value: float, df: float) -> float:
    """Chance that a chi-squared variable exceeds `value`; not a number stays so.

    Examples:
        >>> round(chi2_above(3.841, 1), 3)
        0.05
    """
    return float(special.chdtrc(df, np.maximum(value, 0.0)))


def chi2_below(value: float, df: float) -> float:
    """Chance that a chi-squared variable stays below `value`.

    Examples:
        >>> round(chi2_below(3.841, 1), 3)
        0.95
    """
    return float(special.chdtr(df, np.maximum(value, 0.0)))


def chi2_quantile(chance: float, df: float) -> float:
    """What a chi-squared variable stays below with this chance.

    Examples:
        >>> round(chi2_quantile(0.95, 1), 3)
        3.841
    """
    return float(2.0 * special.gammaincinv(0.5 * df, chance))


def chi2_exceeded(chance: float, df: float) -> float:
    """What a chi-squared variable exceeds with this chance.

    Examples:
        >>> round(chi2_exceeded(0.05, 1), 3)
        3.841
    """
    return float(special.chdtri(df, chance))


def normal_above(value: npt.ArrayLike) -> Floats:
    """Chance that a standard normal variable exceeds each value.

    Examples:
        >>> normal_above([0.0, 1.96]).round(3).tolist()
        [0.5, 0.025]
    """
    result: Floats = special.ndtr(-np.asarray(value, dtype=np.float64))
    return result
