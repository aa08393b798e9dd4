"""Laplace's trend test of every machine at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fleetlog.stats.arrays import Floats
from fleetlog.stats.histories import MachineHistories
from fleetlog.stats.laws import normal_above


@dataclass(frozen=True, eq=False)
class UnitTrends:
    """One entry a machine, in the order of the histories.

    Attributes:
        events: events of the machine.
        statistic: positive when they crowd late; not a number without events.
        p: two-sided p value.
    """

    events: npt.NDArray[np.int64]
    statistic: Floats
    p: Floats


def unit_trends(histories: MachineHistories) -> UnitTrends:
    """Laplace's statistic of each machine: mean event age less the middle of its window, over its error.

    Source: Cox & Lewis 1966; the single-machine case of `laplace_test`, time-truncated.
    """
    machines = histories.entry.size
    who, count = histories.event_machine, histories.event_count.astype(np.float64)
    events = np.bincount(who, weights=count, minlength=machines)
    middle = 0.5 * (histories.entry + histories.exit)
    score = np.bincount(who, weights=count * (histories.event_ticks - middle[who]), minlength=machines)
    spread = (histories.exit - histories.entry) * np.sqrt(events / 12.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        statistic = np.where(events > 0, score / spread, np.nan)
    return UnitTrends(events.astype(np.int64), statistic, 2.0 * normal_above(np.abs(statistic)))
