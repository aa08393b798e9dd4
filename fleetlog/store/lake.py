"""All tables that a yard can load, as Parquet files in one folder: a lake for other programs to read."""

from __future__ import annotations

import os
from pathlib import Path

from fleetlog.errors import UsageError
from fleetlog.store.connection import DatabaseError, Store, literal, quoted
from fleetlog.store.dictionary import KINDS

TABLES = (*KINDS, "suggestion")
"""What the history is made of, and what stands beside it."""


def write_lake(store: Store, folder: Path) -> dict[str, int]:
    """Writes each table to `folder`/<table>.parquet; each file takes the place of an older one once whole.

    Times are UTC without a zone, as in the store. Rows are written as they are read, so memory stays bounded.

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
                    f"COPY (FROM {quoted(table)}) TO {literal(beside)} (FORMAT parquet, COMPRESSION zstd)"
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
