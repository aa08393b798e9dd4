"""Builds the history of a store, materialises it there, and rebuilds of it only what changed."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any
from zoneinfo import ZoneInfo

import polars as pl

from fleetlog.errors import UsageError
from fleetlog.faults import FaultFamily
from fleetlog.history.build_spec import BuildSpec
from fleetlog.history.families import register_families
from fleetlog.history.parts import Builder
from fleetlog.history.steps import run_step, steps
from fleetlog.settings import Settings
from fleetlog.store import Store
from fleetlog.store.derived import DerivedSchema
from fleetlog.store.statements import statement

STATE = "build_state"
"""The table that says what a materialised history was made by and of."""

_FROM_TEXT = ("text_step", "filled_line")


@dataclass(frozen=True)
class History:
    """A history that has been built; its tables answer to their plain names in the store's connection.

    Attributes:
        as_of: the last day that counts.
        as_of_end: the first instant (UTC) that no longer does.
        tables: names of the tables.
        rebuilt: machines whose part was built for it; 0 when the materialised one could be used as it stood.
    """

    as_of: date
    as_of_end: datetime
    tables: tuple[str, ...]
    rebuilt: int


def last_day(store: Store, time_zone: str) -> date:
    """The last day on record, in the fleet's zone.

    Raises:
        UsageError: when nothing is on record.
    """
    return _record_day(store, time_zone, "last_at")


def first_day(store: Store, time_zone: str) -> date:
    """The first day on record, in the fleet's zone.

    Raises:
        UsageError: when nothing is on record.
    """
    return _record_day(store, time_zone, "first_at")


def _record_day(store: Store, time_zone: str, end: str) -> date:
    moment = store.run("history/last_record")[end][0]
    if moment is None:
        raise UsageError(
            "The store holds no readings, codes or work orders yet; load some with 'fleetlog load FILES'."
        )
    instant: datetime = moment
    return instant.replace(tzinfo=UTC).astimezone(ZoneInfo(time_zone)).date()


def build_history(
    store: Store,
    families: Mapping[str, FaultFamily],
    settings: Settings,
    as_of: date | None = None,
    *,
    anew: bool = False,
) -> History:
    """Makes the history as it would have been on a day, or takes the one that the store holds.

    Args:
        store: an open store; its own tables are only read.
        families: the fault families in force.
        settings: meters, windows and the fleet's time zone.
        as_of: the last day that counts; None takes the last day on record.
        anew: build it whatever the store holds.
    """
    spec = BuildSpec(families, settings, as_of or last_day(store, settings.fleet.time_zone))
    register_families(store, spec.families.values(), settings.design_changes)
    schema = DerivedSchema(store, materialised=True)
    if not anew and _is_current(store, schema, spec):
        return _activate(store, schema, spec, 0)
    schema = DerivedSchema(store, materialised=False)
    return _activate(store, schema, spec, Builder(store, schema, spec).build_all())


def refresh_history(
    store: Store,
    families: Mapping[str, FaultFamily],
    settings: Settings,
    *,
    rebuild: bool = False,
    progress: Callable[[int, int], None] | None = None,
) -> History:
    """Brings the history that a store holds up to date, as of the last day on record.

    Only machines that a load touched, or that the day moved on for, are built again; the rest stays. The
    tables are the same, row by row, as if all had been built at once.

    Args:
        store: a store open for writing.
        families: the fault families in force.
        settings: meters, windows and the fleet's time zone.
        rebuild: build all machines again, whatever the store holds.
        progress: hears how many of how many machines are done.

    Raises:
        UsageError: when nothing is on record.
    """
    spec = BuildSpec(families, settings, last_day(store, settings.fleet.time_zone))
    register_families(store, spec.families.values(), settings.design_changes)
    schema = DerivedSchema(store, materialised=True)
    state = _state(store, schema)
    if not rebuild and state is not None and _is_current(store, schema, spec):
        return _activate(store, schema, spec, 0)
    rebuild = (
        rebuild
        or state is None
        or state["fingerprint"] != spec.fingerprint
        or state["as_of_end"] > spec.as_of_end
    )
    marks = store.run("refresh/marks").row(0, named=True)
    builder = Builder(store, schema, spec, progress)
    if rebuild or state is None:
        machines = builder.build_all()
    else:
        touched = _touched_machines(store, schema, spec, state)
        _invalidate(store, schema)
        machines = builder.build_some(touched, state["last_file"], state["as_of_end"])
    store.register(
        STATE, pl.DataFrame([{"fingerprint": spec.fingerprint, "as_of_end": spec.as_of_end, **marks}])
    )
    schema.insert(STATE, per_machine=False)
    return _activate(store, schema, spec, machines)


def _state(store: Store, schema: DerivedSchema) -> dict[str, Any] | None:
    """What the materialised history was made by and of; None where there is none, or one left half built."""
    if STATE not in schema.tables():
        return None
    schema.activate()
    state = store.select("FROM build_state")
    return None if state.is_empty() else state.row(0, named=True)


def _is_current(store: Store, schema: DerivedSchema, spec: BuildSpec) -> bool:
    """Whether the materialised history is the one that is asked for."""
    state = _state(store, schema)
    return state is not None and state == {
        "fingerprint": spec.fingerprint,
        "as_of_end": spec.as_of_end,
        **store.run("refresh/marks").row(0, named=True),
    }


def _activate(store: Store, schema: DerivedSchema, spec: BuildSpec, rebuilt: int) -> History:
    schema.activate()
    for step in steps():
        if step.statement.is_view:
            run_step(store, step, spec.parameters)
    tables = tuple(name for name in schema.tables() if name != STATE)
    return History(spec.as_of, spec.as_of_end, tables, rebuilt)


def _touched_machines(
    store: Store, schema: DerivedSchema, spec: BuildSpec, state: Mapping[str, Any]
) -> pl.DataFrame:
    """The machines whose part of the materialised history may no longer hold."""
    now = [(step, f"{step.table}_now") for step in steps() if step.table in _FROM_TEXT]
    for step, name in now:
        store.create(name, step.statement, temporary=True, **spec.parameters)
    store.create("dated_row", statement("refresh/dated_row"), temporary=True)
    touched = store.run(
        "refresh/touched_machine",
        last_file=state["last_file"],
        previous_end=state["as_of_end"],
        as_of_end=spec.as_of_end,
    )
    schema.drop_temporary(name for _, name in now)
    return touched


def _invalidate(store: Store, schema: DerivedSchema) -> None:
    """From here until the end none counts: interrupted work leaves no half a history in use."""
    store.register(STATE, store.select("FROM build_state LIMIT 0"))
    schema.insert(STATE, per_machine=False)
