"""A store from elsewhere is a file like any other: it may hold what our own never do.

A view or a macro runs whatever its maker wrote when a question touches its name, with the reader's rights. So
before anything is read of a store, its catalogue is compared with what the schema files make, name by name and
column by column, and from then on its connection reaches nothing outside but the folder of its spill.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from functools import cache
from pathlib import Path

import duckdb

from fleetlog.errors import StoreError
from fleetlog.store.statements import numbered

DERIVED = "history"
"""The schema of the tables that are made of the loaded ones."""

# What a store never holds, by what the engine calls the list of it, and the name in that list.
_NEVER = {
    "views": "view_name",
    "functions": "function_name",
    "types": "type_name",
    "triggers": "trigger_name",
    "sequences": "sequence_name",
    "indexes": "index_name",
}
_HAVE_INTERNAL = ("views", "functions", "types")


def refuse_foreign_objects(connection: duckdb.DuckDBPyConnection, catalog: str, path: Path) -> None:
    """Refuses a store that holds anything but plain tables in the schemas that we make.

    Nothing of the file's content is read for it.

    Raises:
        StoreError: naming what is not ours.
    """
    asked = {"catalog": catalog}
    for kind, name in _NEVER.items():
        internal = "AND NOT internal" if kind in _HAVE_INTERNAL else ""
        found = connection.execute(
            f"SELECT {name} FROM duckdb_{kind}() WHERE database_name = $catalog {internal}",  # noqa: S608
            asked,
        ).fetchone()
        if found:
            raise _refused(path, f"{found[0]} is no table")
    schemas = connection.execute(
        "SELECT schema_name FROM duckdb_schemas() WHERE database_name = $catalog AND NOT internal", asked
    ).fetchall()
    for (schema,) in schemas:
        if schema not in ("main", DERIVED):
            raise _refused(path, f"it has a schema {schema}")
    computed = connection.execute(
        "SELECT table_name FROM duckdb_columns() WHERE database_name = $catalog "
        "AND (is_generated OR column_default IS NOT NULL) UNION ALL "
        "SELECT table_name FROM duckdb_constraints() WHERE database_name = $catalog "
        "AND constraint_type <> 'NOT NULL'",
        asked,
    ).fetchone()
    if computed:
        raise _refused(path, f"the table {computed[0]} computes or constrains its columns")


def refuse_other_tables(
    connection: duckdb.DuckDBPyConnection, catalog: str, path: Path, version: int
) -> None:
    """Refuses a store whose tables are not, to the column, those of its version.

    Raises:
        StoreError: naming the first that is not.
    """
    found = dict(
        connection.execute(
            "SELECT table_name, sql FROM duckdb_tables() WHERE database_name = $catalog AND schema_name = 'main'",
            {"catalog": catalog},
        ).fetchall()
    )
    if {_plain(sql) for sql in found.values()} == {
        _plain(step.body) for step in numbered("schema")[:version]
    }:
        return
    expected = _tables_of(version)
    for table in sorted(found.keys() | expected.keys()):
        if table not in expected:
            raise _refused(path, f"the table {table} is none of ours")
        if table not in found:
            raise _refused(path, f"the table {table} is missing")
        if found[table] != expected[table]:
            raise _refused(path, f"the table {table} has other columns than ours")


def seal(connection: duckdb.DuckDBPyConnection, reach: Sequence[Path] = ()) -> None:
    """From here on the connection reaches no file but those of its spill and of `reach`, and no network."""
    (spill,) = connection.execute("SELECT current_setting('temp_directory')").fetchall()[0]
    folders = ", ".join("'" + str(folder).replace("'", "''") + "'" for folder in (spill, *reach))
    connection.execute(f"SET allowed_directories = [{folders}]")
    connection.execute("SET enable_external_access = false")


def _plain(sql: str) -> str:
    """A definition without blanks and quotes that say nothing: what mostly spares asking the engine."""
    return re.sub(r"\s*([(),])\s*", r"\1", re.sub(r'["\s;]+', " ", sql)).strip()


@cache
def _tables_of(version: int) -> dict[str, str]:
    """What the engine says of the tables that the first `version` schema files make."""
    with duckdb.connect(":memory:") as empty:
        for step in numbered("schema")[:version]:
            empty.execute(step.text)
        return dict(empty.execute("SELECT table_name, sql FROM duckdb_tables()").fetchall())


def _refused(path: Path, why: str) -> StoreError:
    return StoreError(
        f"{path} is not a store as fleetlog makes it ({why}), so nothing of it was read; use a copy that you trust."
    )
