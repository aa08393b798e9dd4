"""Share failed by age where each unit was looked at once: it had failed by then, or not.

Source: Ayer, Brunk, Ewing, Reid & Silverman 1955; Meeker, Escobar & Pascual 2021, chapter 3.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import optimize

from fleetlog.stats.arrays import Floats
from fleetlog.stats.errors import BadArgument


@dataclass(frozen=True, eq=False)
class InspectionCurve:
    """Nonparametric maximum-likelihood share failed at inspection ages.

    Attributes:
        hours: inspection ages, rising.
        inspected: units inspected there.
        raw: plain share found failed, which can fall by chance.
        share_failed: the rising curve nearest to it (maximum likelihood).
    """

    hours: Floats
    inspected: Floats
    raw: Floats
    share_failed: Floats


def inspection_curve(
    hours: npt.ArrayLike, inspected: npt.ArrayLike, failed: npt.ArrayLike
) -> InspectionCurve:
    """Share failed by age from one inspection a unit.

    Args:
        hours: inspection ages, rising, shape (n,).
        inspected: units inspected at each.
        failed: how many of them had failed.
    """
    age, n, x = (np.asarray(values, dtype=np.float64) for values in (hours, inspected, failed))
    if not (age.shape == n.shape == x.shape and age.ndim == 1 and (np.diff(age) > 0).all()):
        raise BadArgument("inspection ages must rise, with one count inspected and one count failed each")
    if not ((n > 0) & (x >= 0) & (x <= n)).all():
        raise BadArgument(
            "at every age more than none must have been inspected, and no more failed than that"
        )
    raw = x / n
    return InspectionCurve(age, n, raw, optimize.isotonic_regression(raw, weights=n).x)
