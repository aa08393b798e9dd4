"""A fleet asked about past days: its histories hold lives, running hours and machines, and nothing of faults.

A look back builds a history for each day it asks about. Half of the steps of one serve faults and cases; what
looks ahead from lives alone can do without them. The tables it has are row by row those of a whole history.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date

from fleetlog.history import History
from fleetlog.history.build_spec import BuildSpec
from fleetlog.history.families import register_families
from fleetlog.history.steps import DOUBTFUL, RAISED, SET_ASIDE, BuildStep, run_step, steps
from fleetlog.session.fleet import Fleet

#: What a look ahead reads of the history.
NEEDED = ("spell", "machine", "running_hours")


@dataclass
class PastFleet(Fleet):
    """A fleet with a connection of its own, for looks ahead from past days."""

    def history(self, as_of: date | None = None) -> History:
        """The part of a day's history that looks ahead read; kept until another day is asked."""
        if self._history is None or as_of != self._asked:
            spec = BuildSpec(self.families, self.settings, as_of or self.last_day())
            register_families(self.store, self.families.values(), self.settings.design_changes)
            made = [name for step in needed_steps() for name in run_step(self.store, step, spec.parameters)]
            self._history = History(spec.as_of, spec.as_of_end, tuple(made), 0)
            self._asked = as_of
        return self._history


def needed_steps() -> tuple[BuildStep, ...]:
    """The steps that lead to NEEDED, in order, as their headers name what each reads."""
    every = list(steps())
    wanted = set(NEEDED)
    for step in reversed(every):
        made = {SET_ASIDE, RAISED} if step.table == DOUBTFUL else {step.table}
        if made & wanted:
            wanted |= {*step.statement.inputs}
            wanted.add(step.table)
    return tuple(step for step in every if step.table in wanted)


@contextmanager
def fleet_of_the_past(fleet: Fleet) -> Iterator[Fleet]:
    """A fleet to ask about past days beside this one.

    A store that is being written to, or lies in memory, has one connection only: it is the fleet itself then,
    whose history is that of the last day asked about afterwards.
    """
    store = fleet.store
    if store.path is None or store.writable:
        yield fleet
        return
    with store.concurrent() as own:
        yield PastFleet(own, fleet.settings, fleet.families)
