"""How faults set in: by the age of every part, one case after the other on each machine."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from fleetlog.simulation.arrays import Floats, Ints, days_since_epoch
from fleetlog.simulation.law import World
from fleetlog.simulation.machines import Machines

Case = Callable[[Ints, Ints, Ints, Floats], Floats]


class Parts:
    """The parts of some machines by side and cause, and what will befall them next.

    Attributes:
        fitted: running hours at which each part was fitted.
        hazard: its row in the law's hazards.
        at, cause: running hours and cause of the next fault on each side.
        fated: sides to which nothing happens by chance.
    """

    def __init__(self, world: World, machines: Machines, rng: np.random.Generator) -> None:
        size, self.sides = machines.size, len(world.law.sides)
        causes = range(len(world.causes))
        self._world, self._machines, self._rng = world, machines, rng
        self.fitted = np.zeros((size, self.sides, len(causes)))
        hazards = [world.hazard_built(k, machines.pump_built, machines.make, machines.serial) for k in causes]
        self.hazard = np.repeat(np.column_stack(hazards)[:, None, :], self.sides, axis=1)
        self.at = np.zeros((size, self.sides))
        self.cause = np.zeros((size, self.sides), dtype=np.int64)
        self.fated = np.repeat(~machines.electronic[:, None], self.sides, axis=1)

    def draw_next(self, rows: Ints, side: Ints | int, after: Floats) -> tuple[Floats, Ints]:
        """When and by which cause the next fault sets in after those running hours."""
        hazard, fitted = self.hazard[rows, side], self.fitted[rows, side]
        shape, scale = self._world.shape[hazard], self._world.scale[hazard]
        age = np.maximum(after[:, None] - fitted, 0.0)
        used_up = (age / scale) ** shape + self._rng.exponential(size=age.shape)
        onset = fitted + scale * used_up ** (1.0 / shape)
        first = np.argmin(onset, axis=1)
        return onset[np.arange(rows.size), first], first.astype(np.int64)

    def renew(self, rows: Ints, side: Ints | int, k: int, at: Floats) -> Ints:
        """Begins new lives of the part at fault by a cause; their hazards.

        A spare part is of the newer variant once any maker builds it in; where none is named, always.
        """
        variant = self._world.service_variant(k)
        own, newer = self.hazard[rows, side, k], self._world.hazard_row(k, variant)
        changes = [c for c in self._world.plan.changes if c.variant == variant and c.make]
        days = [c.built_from for c in changes if c.built_from]
        since = days_since_epoch(min(days)) if days else -np.inf
        day = self._machines.clock.days(rows, at)
        self.fitted[rows, side, k] = at
        self.hazard[rows, side, k] = renewed = np.where(day >= since, newer, own)
        return renewed


def live(world: World, machines: Machines, parts: Parts, case: Case, rng: np.random.Generator) -> None:
    """Lets every machine run to its end, one case a round on the side where the next fault sets in.

    Args:
        world, machines, parts: what happens to whom.
        case: what comes of a fault; when each ended (machines, sides, causes, begin -> end, running hours).
        rng: the source of random numbers.
    """
    every = np.arange(machines.size)
    echo = np.zeros((machines.size, parts.sides), dtype=bool)
    for side in range(parts.sides):
        parts.at[:, side], parts.cause[:, side] = parts.draw_next(every, side, np.zeros(machines.size))
    parts.at[parts.fated] = np.inf
    while True:
        side = np.argmin(parts.at, axis=1)
        begins = parts.at[every, side]
        rows = np.flatnonzero(begins < machines.leaves(every))
        if not rows.size:
            return
        on, k, begin = side[rows], parts.cause[rows, side[rows]], begins[rows]
        shared = ~echo[rows, on] & (rng.random(rows.size) < world.both[k])
        ends = case(rows, on, k, begin)
        parts.at[rows, on], parts.cause[rows, on] = parts.draw_next(rows, on, ends)
        echo[rows, on] = False
        if parts.sides == 2:
            other = 1 - on
            # The other side's next fault is drawn anew: its parts may have been renewed in the same job.
            open_to_chance = ~parts.fated[rows, other]
            free = open_to_chance & (parts.at[rows, other] > ends)
            redrawn, causes = parts.draw_next(rows, other, np.maximum(ends, begin))
            parts.at[rows, other] = np.where(free, redrawn, parts.at[rows, other])
            parts.cause[rows, other] = np.where(free, causes, parts.cause[rows, other])
            echoed = open_to_chance & shared & (parts.at[rows, other] > begin)
            at_once = begin + rng.random(rows.size)
            parts.at[rows, other] = np.where(echoed, at_once, parts.at[rows, other])
            parts.cause[rows, other] = np.where(echoed, k, parts.cause[rows, other])
            echo[rows, other] |= echoed
