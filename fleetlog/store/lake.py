"""All tables that a yard can load, as Parquet files in one folder: a lake for other programs to read."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

from fleetlog.errors import InputFileError, UsageError
from fleetlog.store.connection import DatabaseError, Store, literal, quoted
from fleetlog.store.dictionary import KINDS

TABLES = (*KINDS, "suggestion")
"""What the history is made of, and what stands beside it."""

ORIGIN = ("file_id", "row_no")
"""Where a row came from; a lake that was not exported from a store has none, and gets its rows numbered."""

MAY_LACK = ("rentals", "release_checks", "suggestion")
"""Tables that the history can do without: hires, and what was read from free text."""

LISTED = {"_delta_log": "Delta", "metadata": "Iceberg"}
"""Folders in which a table's maker lists the files that count: all of them together are not the table."""


def write_lake(store: Store, folder: Path) -> dict[str, int]:
    """Writes each table to `folder`/<table>.parquet; each file takes the place of an older one once whole.

    Times carry their zone (UTC), so that whoever reads them need not know ours. Rows are written as they are
    read, so memory stays bounded.

    Args:
        folder: made if need be.

    Returns:
        table -> rows written.

    Raises:
        UsageError: when the folder or a file cannot be written.
    """
    written = {}
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for table in TABLES:
            beside = folder / f"{table}.parquet.writing"
            try:
                rows = store.execute(
                    f"COPY ({_zoned(store, table)}) TO {literal(beside.resolve())} (FORMAT parquet, COMPRESSION zstd)"
                )
                os.replace(beside, folder / f"{table}.parquet")
            finally:
                beside.unlink(missing_ok=True)
            written[table] = int(rows[0][0])
    except FileExistsError as error:
        raise UsageError(f"{folder} is a file; name a folder for the tables with --out.") from error
    except OSError as error:
        raise UsageError(f"{folder} cannot be written: {error.strerror or error}.") from error
    except DatabaseError as error:
        raise UsageError(f"{folder} cannot be written: {str(error).splitlines()[0]}") from error
    return written


def _zoned(store: Store, table: str) -> str:
    """A SELECT of all of a table, its times marked as the UTC that they are."""
    columns = (
        f"{quoted(name)}::TIMESTAMPTZ AS {quoted(name)}" if kind == "TIMESTAMP" else quoted(name)
        for name, kind, *_ in store.execute(f"DESCRIBE {quoted(table)}")
    )
    return f"SELECT {', '.join(columns)} FROM {quoted(table)}"  # noqa: S608


def no_table(lake: str, name: str) -> InputFileError:
    """Says that a table is missing."""
    return InputFileError(
        f"The lake {lake} holds no {name}.parquet, nor a folder {name}; 'fleetlog export tables --out DIR' writes "
        "them all."
    )


def no_parquet(place: Path | str, name: str) -> InputFileError:
    """Says that a folder is empty."""
    return InputFileError(f"{place} holds no Parquet file; put {name} there as Parquet.")


def lacks_columns(lake: str, name: str, missing: Sequence[str], there: Sequence[str]) -> InputFileError:
    """Says that a table lacks columns."""
    return InputFileError(
        f"The table {name} of the lake {lake} lacks the column {', '.join(missing)}; it has {', '.join(there)}."
    )


def other_type(lake: str, what: str) -> InputFileError:
    """Says that a value is not of its column's type."""
    return InputFileError(f"A value in the lake {lake} is of another type than its column asks for ({what}).")


def empty_key(lake: str, name: str, required: Sequence[str]) -> InputFileError:
    """Says that something required is empty."""
    return InputFileError(
        f"The table {name} of the lake {lake} has rows in which {' or '.join(required)} is empty; fill it in or "
        "leave the rows out."
    )


def key_twice(lake: str, name: str, key: Sequence[str], example: Sequence[str]) -> InputFileError:
    """Says that a row is told twice."""
    return InputFileError(
        f"The table {name} of the lake {lake} tells more than once of {', '.join(key)} = {', '.join(example)}; "
        "leave one row of each."
    )
