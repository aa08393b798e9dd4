"""In which order to try repairs so that the cost until the fault is cured is least, found exactly."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fleetlog.stats.arrays import Floats


@dataclass(frozen=True, eq=False)
class RepairOrder:
    """The best order of repairs for each case.

    Attributes:
        cost: expected cost until cured under the best order, shape (cases,).
        order: positions of the repairs in that order, -1 after the last, shape (cases, repairs).
    """

    cost: Floats
    order: npt.NDArray[np.int64]


def best_order(
    probability: npt.ArrayLike,
    cure: npt.ArrayLike,
    cost: npt.ArrayLike,
    *,
    allowed: npt.ArrayLike | None = None,
    last_resort: float | npt.ArrayLike = 0.0,
) -> RepairOrder:
    """Dynamic programming over the sets of repairs tried in vain.

    A repair of cause k cures with chance cure[s, k], independently of the others; after a repair in vain the
    probabilities are updated by Bayes' rule. With one certain cure a cause and costs that do not depend on
    the cause, the best order is by falling probability over cost.

    Args:
        probability: of each cause, shape (cases, causes).
        cure: chance that repair s cures cause k, shape (repairs, causes).
        cost: of repair s when cause k is at the bottom, shape (repairs, causes) or (repairs,).
        allowed: which repairs a case may still try, shape (cases, repairs); None = all.
        last_resort: what it costs when all allowed repairs were in vain, a scalar or shape (cases,).

    Raises:
        ValueError: for more than 12 repairs (4,096 sets a case).
    """
    p = np.asarray(probability, dtype=np.float64)
    cures = np.asarray(cure, dtype=np.float64)
    costs = np.asarray(cost, dtype=np.float64)
    if costs.ndim == 1:
        costs = np.repeat(costs[:, None], cures.shape[1], axis=1)
    cases, repairs = p.shape[0], cures.shape[0]
    if repairs > 12:
        raise ValueError("best_order looks at every set of repairs and takes at most 12 of them")
    may = np.ones((cases, repairs), dtype=bool) if allowed is None else np.asarray(allowed, dtype=bool)
    everything = (1 << repairs) - 1
    resort = np.broadcast_to(np.asarray(last_resort, dtype=np.float64), (cases,))
    # missed[S, k]: chance that all repairs of the set S miss cause k.
    missed = np.ones((1 << repairs, cures.shape[1]))
    for tried in range(1, 1 << repairs):
        lowest = (tried & -tried).bit_length() - 1
        missed[tried] = missed[tried & (tried - 1)] * (1.0 - cures[lowest])
    # to_come[:, S]: expected further cost, times the chance of getting to S at all. To stop is the last
    # resort.
    to_come = np.empty((cases, 1 << repairs))
    choice = np.full((cases, 1 << repairs), -1, dtype=np.int64)
    for tried in range(everything, -1, -1):
        weight = p * missed[tried]
        best = weight.sum(axis=1) * resort
        exhausted = ~(may & ~_members(tried, repairs)).any(axis=1)
        best = np.where(exhausted, best, np.inf)
        for repair in range(repairs):
            if tried >> repair & 1:
                continue
            value = np.where(may[:, repair], weight @ costs[repair] + to_come[:, tried | 1 << repair], np.inf)
            better = value < best
            best = np.where(better, value, best)
            choice[better, tried] = repair
        to_come[:, tried] = best
    order = np.full((cases, repairs), -1, dtype=np.int64)
    at = np.zeros(cases, dtype=np.int64)
    for place in range(repairs):
        repair_now = choice[np.arange(cases), at]
        order[:, place] = repair_now
        at = np.where(repair_now >= 0, at | (1 << np.maximum(repair_now, 0)), at)
    return RepairOrder(cost=to_come[:, 0], order=order)


def cost_of_order(
    probability: npt.ArrayLike,
    cure: npt.ArrayLike,
    cost: npt.ArrayLike,
    order: npt.ArrayLike,
    *,
    last_resort: float | npt.ArrayLike = 0.0,
) -> Floats:
    """Expected cost until cured when the repairs are tried in a given order, one case a row.

    Args:
        probability, cure, cost, last_resort: as in `best_order`.
        order: positions of the repairs, the same for every case, shape (places,).
    """
    p = np.asarray(probability, dtype=np.float64)
    cures = np.asarray(cure, dtype=np.float64)
    costs = np.asarray(cost, dtype=np.float64)
    if costs.ndim == 1:
        costs = np.repeat(costs[:, None], cures.shape[1], axis=1)
    total = np.zeros(p.shape[0])
    weight = p.copy()
    for repair in np.asarray(order, dtype=np.int64):
        total += weight @ costs[repair]
        weight = weight * (1.0 - cures[repair])
    resorted: Floats = total + weight.sum(axis=1) * np.asarray(last_resort, dtype=np.float64)
    return resorted


def _members(tried: int, repairs: int) -> npt.NDArray[np.bool_]:
    return np.array([bool(tried >> repair & 1) for repair in range(repairs)])
