"""A question in SQL from outside: answered, but never able to change or reach anything."""

from __future__ import annotations

import polars as pl

from fleetlog.errors import UsageError
from fleetlog.store.connection import DatabaseError, Store


def ask(store: Store, sql: str, *, sealed: bool = True) -> pl.DataFrame:
    """The answer to one SELECT.

    Args:
        store: what is asked.
        sql: the statement.
        sealed: from the question on, the connection can reach no file, no network and no other database;
            False for a program of the asker's own, which can reach all that itself.

    Raises:
        UsageError: when it is not one SELECT, or the store refuses it.
    """
    try:
        if store.statement_kinds(sql) != ["SELECT"]:
            raise UsageError("Only one SELECT statement can be asked; questions do not change the store.")
        if sealed:
            store.forbid_outside_access()
        return store.select(sql)
    except DatabaseError as error:
        raise UsageError(f"The store does not understand that: {str(error).splitlines()[0]}") from error
