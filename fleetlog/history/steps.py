"""The steps of sql/history/ in order, and the one step SQL cannot do."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from fleetlog.history.chains import judge
from fleetlog.store import Store
from fleetlog.store.statements import Statement, numbered

DOUBTFUL, SET_ASIDE, RAISED = "doubtful_reading", "set_aside_reading", "raised_reading"
"""A step, and the two tables that `fleetlog.history.chains.judge` makes of its rows. Only SET_ASIDE stays."""


_FIRST_OF_FAULTS = 70
"""Number of the first step that is not about running hours."""


@dataclass(frozen=True)
class BuildStep:
    """One step of the history.

    Attributes:
        table: the name of what it makes.
        statement: the SELECT that makes it.
        intermediate: only later steps read it, nobody else.
        of_hours: it belongs to the running hours, on which the steps that tell of faults and parts rest.
    """

    table: str
    statement: Statement
    intermediate: bool
    of_hours: bool

    @property
    def stays(self) -> bool:
        """Whether its rows are a table of the history as they come out of SQL."""
        return not (self.intermediate or self.statement.is_view or self.table == DOUBTFUL)


def steps() -> Iterator[BuildStep]:
    """Every step, in order."""
    for statement in numbered("history"):
        number, table = statement.name.removeprefix("history/").split("_", 1)
        intermediate = statement.header.get("materialised") == "while building"
        yield BuildStep(table, statement, intermediate, int(number) < _FIRST_OF_FAULTS)


def run_step(store: Store, step: BuildStep, parameters: Mapping[str, Any]) -> list[str]:
    """Runs one step: makes its temporary table or view, and returns the names of new tables."""
    if step.table == DOUBTFUL:
        judged = judge(store.run(step.statement.name, **parameters))
        store.register(SET_ASIDE, judged.set_aside)
        store.register(RAISED, judged.raised)
        return [SET_ASIDE, RAISED]
    store.create(step.table, step.statement, temporary=True, **parameters)
    return [] if step.statement.is_view else [step.table]
