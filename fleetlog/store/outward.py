"""Tables of a store and its history as others read them: times with their zone, running hours in hours."""

from __future__ import annotations

import re
from collections.abc import Collection
from functools import cache

import polars as pl

from fleetlog.store import Store
from fleetlog.store.connection import quoted
from fleetlog.store.dictionary import KINDS
from fleetlog.store.statements import numbered

_TENTHS = "tenths"
_OWN_NAMES = {"spell": {"entry": "entry_hours", "hours": "hours"}}
"""Columns in tenths of an hour whose names do not say so."""

_TELLING = {
    "suggestion": {"suggestion_id", "text_hash"},
    "source_file": {"content_hash", "rows_read"},
    "rejected_row": {"reject_id", "resolved_by"},
    "set_aside_reading": {"whole_hours", "spare_hours"},
    "change_log": {"row_key", "old_row"},
    "load_run": {"load_id", "last_file"},
    "file_telling": {"told_at", "written_at"},
    "telling": {"row_key", "told"},
    "told_again": {"mark", "before_file"},
    "judgement": {"suggestion_id", "judged_by"},
}
"""Columns by which an export of a table is known that no statement's header describes."""


def loaded_table(store: Store, name: str) -> pl.DataFrame:
    """One of the store's own tables; one that a yard loads as a file that would bring it back.

    Its columns are those of the data dictionary and its rows are in the order of their key, so that the same
    rows give the same file whatever files brought them.
    """
    if name not in KINDS:
        return _in_zone(store.select(f"FROM {quoted(name)}"))
    kind = KINDS[name]
    columns = [quoted(column.name) for column in kind.columns]
    order = ", ".join([*(f"{quoted(key)} NULLS FIRST" for key in kind.key), *columns])
    return _in_zone(store.select(f"SELECT {', '.join(columns)} FROM {quoted(name)} ORDER BY {order}"))  # noqa: S608


def history_table(store: Store, name: str) -> pl.DataFrame:
    """A table of the history: its rows in the order of their columns, tenths of hours turned into hours."""
    rows = _in_zone(store.select(f"FROM {quoted(name)} ORDER BY ALL"))
    return rows.select(
        pl.col(column) if new is None else (pl.col(column) / 10).round(1).alias(new)
        for column in rows.columns
        for new in [_in_hours(name, column)]
    )


def made_here(headings: Collection[str]) -> str | None:
    """Which of the tables that are made of the loaded ones has these headings; None: none of them."""
    there = {heading.strip().lower() for heading in headings}
    for table, telling in _TELLING.items():
        if telling <= there:
            return table
    return _history_headings().get(frozenset(there))


@cache
def _history_headings() -> dict[frozenset[str], str]:
    columns: dict[str, set[str]] = {}
    for step in numbered("history"):
        name = step.name.rpartition("/")[2].partition("_")[2]
        own = columns.setdefault(name, set())
        for word in re.sub(r"\([^)]*\)", "", step.header["output"]).split(","):
            _, alike, named = word.strip().rpartition("the columns of ")
            own |= columns[named] if alike else {named}
    tables = {frozenset(_in_hours(name, c) or c for c in columns[name]): name for name in columns}
    kinds = [{column.name for column in kind.columns} for kind in KINDS.values()]
    return {headings: name for headings, name in tables.items() if not any(headings <= k for k in kinds)}


def _in_hours(table: str, column: str) -> str | None:
    """What a column in tenths of an hour is called once it is in hours; None for any other column."""
    if column in _OWN_NAMES.get(table, {}):
        return _OWN_NAMES[table][column]
    if column == _TENTHS:
        return "running_hours"
    return column.removesuffix(_TENTHS) + "hours" if column.endswith(f"_{_TENTHS}") else None


def _in_zone(rows: pl.DataFrame) -> pl.DataFrame:
    """The rows with their times marked as UTC, which they are."""
    return rows.with_columns(pl.selectors.datetime(time_zone=None).dt.replace_time_zone("UTC"))
