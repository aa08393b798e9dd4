"""The steps of sql/history/ in order, and the one step SQL cannot do."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from fleetlog.history.chains import set_aside
from fleetlog.store import Store
from fleetlog.store.statements import Statement, numbered

SET_ASIDE = "set_aside_reading"
"""What `set_aside` makes of the table doubtful_reading."""


_FIRST_OF_FAULTS = 70
"""Number of the first step that is not about running hours."""


@dataclass(frozen=True)
class Step:
    """One step of the history.

    Attributes:
        table: the name of what it makes.
        statement: the SELECT that makes it.
        passing: only later steps read it, nobody else.
        of_hours: it belongs to the running hours, on which the steps that tell of faults and parts rest.
    """

    table: str
    statement: Statement
    passing: bool
    of_hours: bool


def steps() -> Iterator[Step]:
    """Every step, in order."""
    for found in numbered("history"):
        number, table = found.name.removeprefix("history/").split("_", 1)
        yield Step(table, found, found.header.get("held") == "while building", int(number) < _FIRST_OF_FAULTS)


def take(store: Store, step: Step, parameters: Mapping[str, Any]) -> list[str]:
    """Takes one step: makes its temporary table or view, and returns the tables there are now more."""
    store.create(step.table, step.statement, temporary=True, **parameters)
    if step.table == "doubtful_reading":
        store.register(SET_ASIDE, set_aside(store.select("FROM doubtful_reading")))
        return [step.table, SET_ASIDE]
    return [] if step.statement.is_view else [step.table]
