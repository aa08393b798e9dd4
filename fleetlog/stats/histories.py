"""The life stories of single machines: when each was watched and what befell it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fleetlog.stats.arrays import TICKS_PER_HOUR, Counts, Ints, sums_over_runs
from fleetlog.stats.errors import BadCount, LengthMismatch
from fleetlog.stats.risk_table import EventTable, checked_spells


@dataclass(frozen=True, eq=False)
class MachineHistories:
    """Windows of observation and events of single machines, checked and put in order.

    Attributes:
        entry: ages in ticks at which observation begins, by machine, shape (machines,).
        exit: ages in ticks at which it ends, shape (machines,).
        event_machine: index of the machine of each event row, shape (events,), sorted by machine and age.
        event_ticks: age of each event row, one row a machine and age.
        event_count: events of that machine at that age.
        per_hour: ticks in one hour.
    """

    entry: Ints
    exit: Ints
    event_machine: Ints
    event_ticks: Ints
    event_count: Counts
    per_hour: float = TICKS_PER_HOUR

    @staticmethod
    def of(
        unit: npt.ArrayLike,
        entry: npt.ArrayLike,
        exit: npt.ArrayLike,
        event_unit: npt.ArrayLike,
        event_hours: npt.ArrayLike,
        event_count: npt.ArrayLike | None = None,
        *,
        per_hour: float = TICKS_PER_HOUR,
    ) -> MachineHistories:
        """Bring windows and events together.

        Args:
            unit: machine identifiers, one a machine, any sortable kind.
            entry: ages in ticks at which each machine's observation begins, or one for all.
            exit: ages in ticks at which it ends.
            event_unit: machine identifier of each event.
            event_hours: its age in ticks.
            event_count: events a row stands for; rows of one machine and age are added up.
            per_hour: ticks in one hour.

        Raises:
            StatsError: a machine twice, an event of an unknown machine or outside its window, or bad ages.

        Examples:
            Machine A is watched for 100 h with two events, B for 50 h with none.

            >>> fleet = MachineHistories.of(["A", "B"], 0, [1000, 500], ["A", "A"], [300, 700])
            >>> fleet.machines, fleet.table().events.tolist(), fleet.table().at_risk.tolist()
            (2, [0, 1, 0, 1, 0], [0, 2, 2, 1, 1])
        """
        names = np.asarray(unit)
        begin, end, _, _ = checked_spells(entry, exit, np.zeros(names.size, dtype=np.int64))
        order = np.argsort(names, kind="stable")
        names, begin, end = names[order], begin[order], end[order]
        if names.size > 1 and (names[1:] == names[:-1]).any():
            twice = names[1:][names[1:] == names[:-1]][0]
            raise LengthMismatch(f"machine {twice} has two windows; give one window a machine")
        who, when = np.asarray(event_unit), np.asarray(event_hours)
        count: Counts = np.ones(who.size, dtype=np.int64) if event_count is None else np.asarray(event_count)
        known = np.isin(who, names)
        if not known.all():
            raise LengthMismatch(f"machine {who[~known][0]} has an event but no window of observation")
        machine = np.searchsorted(names, who).astype(np.int64)
        ticks = np.rint(when).astype(np.int64)
        outside = (ticks <= begin[machine]) | (ticks > end[machine]) | (ticks != when)
        if outside.any():
            i = int(np.flatnonzero(outside)[0])
            raise BadCount(
                f"an event of machine {who[i]} at {when[i]} ticks lies outside its window"
                f" ({begin[machine[i]]}, {end[machine[i]]}] or is no whole tick; correct one of them"
            )
        span = int(end.max(initial=0)) + 1
        key = machine * span + ticks
        order = np.lexsort((count, key))
        key, count = key[order], count[order]
        places, totals = sums_over_runs(key, count)
        kept = totals > 0
        return MachineHistories(begin, end, places[kept] // span, places[kept] % span, totals[kept], per_hour)

    @property
    def machines(self) -> int:
        """How many machines there are."""
        return int(self.entry.size)

    def table(self) -> EventTable:
        """Their event table."""
        return EventTable.from_units(
            self.entry, self.exit, self.event_ticks, self.event_count, per_hour=self.per_hour
        )
