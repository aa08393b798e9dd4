"""How large may a ratio be of which no failure is known? A limit from the chance of having seen none.

Source: Cox 1975, Partial likelihood; Clopper & Pearson 1934 (the limit for no success, of which this is the like).
"""

from __future__ import annotations

import numpy as np
from scipy import optimize

from fleetlog.stats.arrays import Floats


def silent_limit(deaths: Floats, at_risk: Floats, silent: Floats, chance: float) -> float | None:
    """The ratio at which the chance that all failures came from the others has come down to `chance`.

    Args:
        deaths: failures at each age at which any came, shape (n,).
        at_risk: summed risk of the others at risk there, shape (n,), above 0.
        silent: the same of those of which none failed, at ratio 1, shape (n,).
        chance: at the limit.

    Returns:
        The ratio; None where none of them was ever at risk when others failed.

    Examples:
        Ten failures, each out of two of which one was of the silent kind: at ratio r none comes of it by the chance
        (1 / (1 + r)) ** 10.

        >>> one = np.ones(10)
        >>> limit = silent_limit(one, one, one, 0.05)
        >>> round((1 / (1 + limit)) ** 10, 6)
        0.05
    """
    seen = silent > 0
    if not (deaths[seen] > 0).any():
        return None

    def excess(log_ratio: float) -> float:
        share = np.exp(log_ratio) * silent[seen] / at_risk[seen]
        return float((deaths[seen] * np.log1p(share)).sum() + np.log(chance))

    low, high = -1.0, 1.0
    while excess(low) > 0:
        low *= 2.0
    while excess(high) < 0 and high < 500.0:
        high *= 2.0
    return float(np.exp(optimize.brentq(excess, low, high))) if excess(high) >= 0 else None
