"""Builds the history of a store, keeps it there, and rebuilds of it only what changed."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any
from zoneinfo import ZoneInfo

import polars as pl

from fleetlog.errors import UsageError
from fleetlog.faults import FaultFamily
from fleetlog.history.families import hand_over
from fleetlog.history.parts import Builder
from fleetlog.history.recipe import Recipe
from fleetlog.history.steps import steps, take
from fleetlog.settings import Settings
from fleetlog.store import Store
from fleetlog.store.shelf import Shelf

STATE = "kept_state"
"""The table that says what a kept history was made by and of."""

_TOLD = ("told_step", "filled_line")


@dataclass(frozen=True)
class History:
    """A history that has been built; its tables answer to their plain names in the store's connection.

    Attributes:
        as_of: the last day that counts.
        as_of_end: the first instant (UTC) that no longer does.
        tables: names of the tables.
        rebuilt: machines whose part was built for it; 0 when what the store kept could be used as it stood.
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
    last = store.run("history/last_record")["last_at"][0]
    if last is None:
        raise UsageError(
            "The store holds no readings, codes or work orders yet; load some with 'fleetlog load FILES'."
        )
    found: datetime = last
    return found.replace(tzinfo=UTC).astimezone(ZoneInfo(time_zone)).date()


def build_history(
    store: Store,
    families: Mapping[str, FaultFamily],
    settings: Settings,
    as_of: date | None = None,
    *,
    anew: bool = False,
) -> History:
    """Makes the history as it would have been on a day, or takes the one that the store keeps.

    Args:
        store: an open store; its own tables are only read.
        families: the fault families in force.
        settings: meters, windows and the fleet's time zone.
        as_of: the last day that counts; None takes the last day on record.
        anew: build it whatever the store keeps.
    """
    recipe = Recipe(families, settings, as_of or last_day(store, settings.fleet.time_zone))
    _hand_over(store, recipe)
    kept = Shelf(store, "kept")
    if not anew and _holds(store, kept, recipe):
        return _shown(store, kept, recipe, 0)
    passing = Shelf(store, "passing")
    return _shown(store, passing, recipe, Builder(store, passing, recipe).build_all())


def refresh_history(
    store: Store,
    families: Mapping[str, FaultFamily],
    settings: Settings,
    *,
    rebuild: bool = False,
    progress: Callable[[int, int], None] | None = None,
) -> History:
    """Brings the history that a store keeps up to date, as of the last day on record.

    Only machines that a load touched, or that the day moved on for, are built again; the rest stays. The
    tables are the same, row by row, as if all had been built at once.

    Args:
        store: a store open for writing.
        families: the fault families in force.
        settings: meters, windows and the fleet's time zone.
        rebuild: build all machines again, whatever is kept.
        progress: hears how many of how many machines are done.

    Raises:
        UsageError: when nothing is on record.
    """
    recipe = Recipe(families, settings, last_day(store, settings.fleet.time_zone))
    _hand_over(store, recipe)
    kept = Shelf(store, "kept")
    state = _state(store, kept)
    if not rebuild and state is not None and _holds(store, kept, recipe):
        return _shown(store, kept, recipe, 0)
    rebuild = (
        rebuild
        or state is None
        or state["fingerprint"] != recipe.fingerprint
        or state["as_of_end"] > recipe.as_of_end
    )
    marks = store.run("refresh/marks").row(0, named=True)
    builder = Builder(store, kept, recipe, progress)
    if rebuild or state is None:
        machines = builder.build_all()
    else:
        touched = _touched(store, kept, recipe, state)
        _forget(store, kept)
        machines = builder.build_some(touched, state["last_file"], state["as_of_end"])
    store.register(
        STATE, pl.DataFrame([{"fingerprint": recipe.fingerprint, "as_of_end": recipe.as_of_end, **marks}])
    )
    kept.put(STATE, per_machine=False)
    return _shown(store, kept, recipe, machines)


def _hand_over(store: Store, recipe: Recipe) -> None:
    types = [
        row[0]
        for row in store.execute("SELECT DISTINCT machine_type FROM machines WHERE machine_type IS NOT NULL")
    ]
    hand_over(store, recipe.families.values(), types)


def _state(store: Store, kept: Shelf) -> dict[str, Any] | None:
    """What a kept history was made by and of; None where none is kept, or one was left half built."""
    if STATE not in kept.tables():
        return None
    kept.show()
    found = store.select("FROM kept_state")
    return None if found.is_empty() else found.row(0, named=True)


def _holds(store: Store, kept: Shelf, recipe: Recipe) -> bool:
    """Whether the kept history is the one that is asked for."""
    state = _state(store, kept)
    return state is not None and state == {
        "fingerprint": recipe.fingerprint,
        "as_of_end": recipe.as_of_end,
        **store.run("refresh/marks").row(0, named=True),
    }


def _shown(store: Store, shelf: Shelf, recipe: Recipe, rebuilt: int) -> History:
    shelf.show()
    for step in steps():
        if step.statement.is_view:
            take(store, step, recipe.parameters)
    tables = tuple(name for name in shelf.tables() if name != STATE)
    return History(recipe.as_of, recipe.as_of_end, tables, rebuilt)


def _touched(store: Store, kept: Shelf, recipe: Recipe, state: Mapping[str, Any]) -> pl.DataFrame:
    """The machines whose kept part may no longer hold."""
    now = [(step, f"{step.table}_now") for step in steps() if step.table in _TOLD]
    for step, name in now:
        store.create(name, step.statement, temporary=True, **recipe.parameters)
    touched = store.run(
        "refresh/touched_machine",
        last_file=state["last_file"],
        kept_end=state["as_of_end"],
        as_of_end=recipe.as_of_end,
    )
    kept.drop(name for _, name in now)
    return touched


def _forget(store: Store, kept: Shelf) -> None:
    """From here until the end nothing is kept: an interrupted work leaves no half a history in use."""
    store.register(STATE, store.select("FROM kept_state LIMIT 0"))
    kept.put(STATE, per_machine=False)
