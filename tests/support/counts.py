"""How many of many units fail, unit after unit: the naive road to a count's distribution."""

from __future__ import annotations

import numpy as np


def by_recursion(chances: np.ndarray | list[float]) -> np.ndarray:
    """Chance of each count where every unit fails independently with its own chance."""
    chance = np.array([1.0])
    for one in chances:
        chance = np.convolve(chance, [1.0 - one, one])
    return chance
