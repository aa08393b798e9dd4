"""Votes of one case that partly repeat each other: how far they do, and how much each then weighs.

Two votes of a case agree by chance as often as their common law lets them; what they agree beyond that is
repetition. `same` is the share of the way from there to full agreement: 0 makes every vote news, 1 makes the
later ones say nothing (the intraclass correlation; Kish, Survey Sampling, 1965, section 5.4, from memory).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from fleetlog.stats.arrays import Floats
from fleetlog.stats.errors import BadArgument


def repetition(
    agree: npt.ArrayLike, chance: npt.ArrayLike, total: npt.ArrayLike, *, default: float, worth: float
) -> float:
    """How far votes repeat each other, pooled over cases, each by its votes beyond the first.

    Args:
        agree: share of a case's pairs of votes that agree, shape (N,).
        chance: share that would agree by chance, below 1, shape (N,).
        total: votes of the case, at least 2, shape (N,).
        default: where nothing is known.
        worth: votes beyond a first that the default is worth.

    Raises:
        BadArgument: for a case of one vote, or shares that cannot be.

    Examples:
        >>> round(repetition([1.0, 0.5], [0.5, 0.5], [11, 11], default=0.5, worth=10.0), 2)
        0.5
    """
    seen, by_chance = np.asarray(agree, dtype=np.float64), np.asarray(chance, dtype=np.float64)
    beyond = np.asarray(total, dtype=np.float64) - 1.0
    if (beyond < 1.0).any() or (by_chance >= 1.0).any() or not 0.0 <= default <= 1.0 or worth <= 0.0:
        raise BadArgument("cases have two votes or more, and do not agree for certain by chance")
    excess = float((beyond * (seen - by_chance)).sum()) + worth * default
    possible = float((beyond * (1.0 - by_chance)).sum()) + worth
    return min(max(excess / possible, 0.0), 1.0)


def vote_weight(votes: npt.ArrayLike, total: npt.ArrayLike, same: float) -> Floats:
    """As how many independent votes some of a case's votes count: all together as total / (1 + (total - 1) same).

    Args:
        votes: those meant, shape (N,).
        total: votes of the case, at least 1, shape (N,).
        same: how far they repeat each other.

    Examples:
        >>> vote_weight([3.0, 3.0], [3, 3], 1.0).tolist(), vote_weight([3.0], [3], 0.0).tolist()
        ([1.0, 1.0], [3.0])
    """
    weight: Floats = np.asarray(votes, dtype=np.float64) / (
        1.0 + (np.asarray(total, dtype=np.float64) - 1.0) * same
    )
    return weight
