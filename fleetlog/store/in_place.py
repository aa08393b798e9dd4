"""A lake's Parquet files asked in place: every table that a yard loads is a view of the files, and nothing is copied.

What loading would have seen to is looked at when the lake is opened: that the tables and columns are there, that
every value is of its column's type, that what must be given is, and that no key comes twice.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path

import duckdb
import polars as pl

from fleetlog.errors import InputFileError, UsageError, first_line
from fleetlog.store.connection import Store, literal, quoted
from fleetlog.store.dictionary import KINDS, Kind
from fleetlog.store.lake import (
    LISTED,
    MAY_LACK,
    ORIGIN,
    TABLES,
    empty_key,
    key_twice,
    lacks_columns,
    no_parquet,
    no_table,
    other_type,
)
from fleetlog.store.opening import open_in_memory
from fleetlog.store.seal import seal


def open_in_place(lake: Path, time_zone: str) -> Store:
    """A store in memory whose tables are the lake's files; it reaches nothing else.

    Args:
        lake: a folder that holds `<table>.parquet` (a file or a folder of files) or a folder `<table>`.
        time_zone: of times that carry none.

    Raises:
        UsageError: there is no such folder, or it cannot be read.
        InputFileError: for a missing table or required column, a value of another type, a key that is not given or
            comes twice, files that are not Parquet.
    """
    if not lake.is_dir():
        raise UsageError(f"There is no folder {lake}; name the one that holds the tables with --lake.")
    whole = lake.resolve()
    store = open_in_memory()
    try:
        store.execute("CREATE SCHEMA lake")
        for name in TABLES:
            _show(store, lake, whole, name, time_zone)
        seal(store._connection, [whole])
        for name in TABLES:
            _check(store, lake, name)
    except duckdb.Error as error:
        store.discard()
        raise InputFileError(
            f"The lake {lake} does not read ({first_line(error)}); write it anew."
        ) from error
    except BaseException:
        store.discard()
        raise
    return store


def _files(lake: Path, whole: Path, name: str) -> list[Path]:
    """The files of a table; hidden ones, and those that a writer has not finished, are none."""
    for place in (whole / f"{name}.parquet", whole / name):
        if place.is_file():
            return [place]
        if place.is_dir():
            for inside, maker in LISTED.items():
                if (place / inside).is_dir():
                    raise InputFileError(
                        f"{lake / place.name} is a {maker} table, whose files alone do not say which rows count; "
                        "read it with --engine spark, or write it as plain Parquet."
                    )
            found = sorted(
                file
                for file in place.rglob("*.parquet")
                if not any(part.startswith(("_", ".")) for part in file.relative_to(place).parts)
            )
            if not found:
                raise no_parquet(lake / place.name, name)
            return found
    if name in MAY_LACK:
        return []
    raise no_table(str(lake), name)


def _show(store: Store, lake: Path, whole: Path, name: str, time_zone: str) -> None:
    """Puts a view of the table's files in the place of the empty table."""
    wanted = {column: kind for column, kind, *_ in store.execute(f"DESCRIBE {quoted(name)}")}
    files = _files(lake, whole, name)
    if not files:
        return
    for file in files:
        if not os.access(file, os.R_OK):
            raise UsageError(f"{lake / file.relative_to(whole)} may not be read; ask for the right to.")
    listed = ", ".join(literal(file) for file in files)
    raw = f"read_parquet([{listed}], hive_partitioning = true, hive_types_autocast = false, union_by_name = true)"
    try:
        there = {column.lower(): kind for column, kind, *_ in store.execute(f"DESCRIBE FROM {raw}")}
    except duckdb.Error as error:
        raise InputFileError(
            f"{lake / files[0].relative_to(whole)} or a file beside it does not read as Parquet "
            f"({first_line(error)}); write it anew."
        ) from error
    kind = KINDS.get(name)
    required = kind.required if kind else tuple(wanted)
    missing = [column for column in required if column not in there]
    if missing:
        raise lacks_columns(str(lake), name, missing, list(there))
    columns = ", ".join(
        f"{_value(column, type_, there, kind, time_zone)} AS {quoted(column)}"
        for column, type_ in wanted.items()
    )
    store.execute(f"CREATE VIEW lake.{quoted(name)} AS FROM {raw}")
    store.execute(f"DROP TABLE {quoted(name)}")
    store.execute(f"CREATE VIEW {quoted(name)} AS SELECT {columns} FROM lake.{quoted(name)}")  # noqa: S608


def _value(column: str, type_: str, there: Mapping[str, str], kind: Kind | None, time_zone: str) -> str:
    """A column of a store's table, as an expression of the file's columns."""
    if kind is not None and column in ORIGIN and not there.keys() >= set(ORIGIN):
        return f"{_numbered(kind)}" if column == "row_no" else "CAST(0 AS BIGINT)"
    if column not in there:
        return f"CAST(NULL AS {type_})"
    if type_ == "TIMESTAMP" and there[column] != "DATE" and "WITH TIME ZONE" not in there[column]:
        # A time without a zone is one of the fleet's clock.
        return f"((CAST({quoted(column)} AS TIMESTAMP) AT TIME ZONE '{time_zone}') AT TIME ZONE 'UTC')"
    return f"CAST({quoted(column)} AS {type_})"


def _numbered(kind: Kind) -> str:
    """A number for each row within its machine or order, in the order of the key: the history compares no others."""
    owned = any(column.name == "machine_id" for column in kind.columns)
    whose = "machine_id" if owned else kind.key[0]
    return f"ROW_NUMBER() OVER (PARTITION BY {whose} ORDER BY {', '.join(kind.key)})"


def _check(store: Store, lake: Path, name: str) -> None:
    """What loading sees to in a store."""
    kind = KINDS.get(name)
    if kind is None or not store.execute(f"FROM {quoted(name)} LIMIT 1"):
        return
    _check_types(store, lake, name)
    empty = " OR ".join(f"{quoted(column)} IS NULL" for column in kind.required)
    if store.execute(f"SELECT 1 FROM {quoted(name)} WHERE {empty} LIMIT 1"):  # noqa: S608
        raise empty_key(str(lake), name, kind.required)
    key = ", ".join(quoted(column) for column in kind.key)
    twice: pl.DataFrame = store.select(
        f"SELECT {key} FROM {quoted(name)} GROUP BY {key} HAVING count(*) > 1 ORDER BY {key} LIMIT 1"  # noqa: S608
    )
    if twice.height:
        raise key_twice(str(lake), name, kind.key, ["" if one is None else str(one) for one in twice.row(0)])


def _check_types(store: Store, lake: Path, name: str) -> None:
    """Every value can be what its column asks for."""
    have = {column.lower(): kind for column, kind, *_ in store.execute(f"DESCRIBE lake.{quoted(name)}")}
    for column, type_, *_ in store.execute(f"DESCRIBE {quoted(name)}"):
        if have.get(column) in (None, type_, "TIMESTAMP WITH TIME ZONE") or type_ == "VARCHAR":
            continue
        wrong = store.execute(
            f"SELECT {quoted(column)} FROM lake.{quoted(name)} WHERE {quoted(column)} IS NOT NULL "  # noqa: S608
            f"AND TRY_CAST({quoted(column)} AS {type_}) IS NULL LIMIT 1"
        )
        if wrong:
            raise other_type(str(lake), f"{wrong[0][0]!r} in {name}.{column} is no {type_}")
