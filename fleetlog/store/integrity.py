"""Whether a store is whole: every block readable, every invariant kept."""

from __future__ import annotations

from fleetlog.errors import StoreError, first_line
from fleetlog.store.connection import DatabaseError, Store, quoted
from fleetlog.store.statements import named


def broken_invariants(store: Store) -> list[tuple[str, int, str]]:
    """Every invariant of sql/invariants/ that does not hold: its name, how many rows break it, what it means.

    Raises:
        StoreError: when a table cannot be read to its end.
    """
    for schema, table in _tables(store):
        try:
            # Hashing every value reads every block, and each block carries a checksum.
            store.execute(f"SELECT SUM(HASH(one)) FROM {quoted(schema)}.{quoted(table)} AS one")  # noqa: S608
        except DatabaseError as error:
            raise damaged(store, f"the table {table} cannot be read to its end") from error
    broken = []
    for invariant in named("invariants"):
        try:
            rows = store.run(invariant.name).height
        except DatabaseError as error:
            raise damaged(store, first_line(error)) from error
        if rows:
            broken.append((invariant.name.removeprefix("invariants/"), rows, invariant.header["purpose"]))
    return broken


def _tables(store: Store) -> list[tuple[str, str]]:
    """Schema and name of every table in the store's file, those of the history too."""
    try:
        rows = store.execute(
            "SELECT schema_name, table_name FROM duckdb_tables() WHERE database_name = current_database() "
            "ORDER BY ALL"
        )
    except DatabaseError as error:
        raise damaged(store, first_line(error)) from error
    return [(str(schema), str(table)) for schema, table in rows]


def damaged(store: Store, why: str) -> StoreError:
    """What to say of a store whose file does not read."""
    return StoreError(f"The store {store.path} is damaged ({why}); restore it from a copy.")
