"""Whether a fault still stands that nobody is on record to have mended: silence against books with gaps.

Two stories fit a case without a repair on record. The fault stands, and then it would have shown again after
an exponential time; or somebody mended it and did not write it down, and then only an unrelated new case would
have shown. Hours that ran in silence speak for the second by Bayes' rule, hours that nobody read say nothing.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from fleetlog.stats.arrays import Floats
from fleetlog.stats.errors import BadArgument


def unrecorded_share(ended: int, unanswered: int, *, default: float, worth: float) -> float:
    """Share of cures that are missing from the books, from cases that are over.

    The posterior mean under a beta prior with mean `default` that counts as `worth` cases (conjugate; Gelman et
    al., Bayesian Data Analysis, 3rd edition, section 2.4).

    Args:
        ended: cases that fell silent for good.
        unanswered: those of them without a repair on record after their last report.
        default: the share where nothing is known.
        worth: cases that the default is worth.

    Raises:
        BadArgument: for counts that cannot be, or a default that is no share.

    Examples:
        >>> unrecorded_share(ended=180, unanswered=18, default=0.05, worth=20.0)
        0.095
    """
    if not 0 <= unanswered <= ended:
        raise BadArgument(f"{unanswered} of {ended} cases cannot be without a repair")
    if not 0.0 < default < 1.0 or worth <= 0.0:
        raise BadArgument(
            f"a share lies between 0 and 1 and is worth more than 0 cases, not {default}, {worth}"
        )
    return (unanswered + default * worth) / (ended + worth)


def standing_chance(
    mended: Floats, quiet_hours: Floats, *, comeback_hours: float, background_hours: float
) -> Floats:
    """Chance that the fault still stands after so many hours without a report, shape (N,).

    odds(stands) = (1 - mended) / mended * exp(-quiet / comeback) / exp(-quiet / background)

    Args:
        mended: chance that somebody mended it since its last report, before the silence is weighed, shape (N,).
        quiet_hours: running hours that were read since then, shape (N,).
        comeback_hours, background_hours: mean hours until a standing fault shows again, and until a new case.

    Raises:
        BadArgument: for chances outside 0 to 1, hours below 0 or means that are not above 0.

    Examples:
        >>> standing_chance(np.array([0.05]), np.array([0.0]), comeback_hours=60.0, background_hours=8000.0)
        array([0.95])
    """
    if np.any((mended < 0) | (mended > 1)) or np.any(quiet_hours < 0):
        raise BadArgument("chances lie between 0 and 1 and hours are not negative")
    if comeback_hours <= 0 or background_hours <= 0:
        raise BadArgument("mean hours are above 0")
    stands: npt.NDArray[np.float64] = (1.0 - mended) * np.exp(-quiet_hours / comeback_hours)
    over = mended * np.exp(-quiet_hours / background_hours)
    return stands / (stands + over)
