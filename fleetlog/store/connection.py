"""An open store: one DuckDB file with the tables of the data dictionary and the history built from them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from itertools import count
from pathlib import Path
from typing import Any, ClassVar
from weakref import WeakSet

import duckdb
import polars as pl

from fleetlog.store.statements import Statement, statement
from fleetlog.store.working_copy import WorkingCopy

CATALOG = "fleetlog"
"""What a store's file is called within its connection, whatever its own name."""

DatabaseError = duckdb.Error
"""What the engine raises; for callers that try one way and then another."""


_OPEN: WeakSet[Store] = WeakSet()


def interrupt_statements() -> None:
    """Ends the statements that run on any store of this process; for a thread beside the one that waits for them."""
    for store in list(_OPEN):
        store.interrupt()


# Rows of a block that is handed over, as the engine has it for itself.
_ROWS_AT_A_TIME = 131_072

# What is attached by one connection is seen by those beside it, so what is a connection's own has a number.
_NUMBERS = count(1)


class _ArrowStream:
    """Shows a frame through the Arrow stream protocol alone, so that pyarrow need not be installed."""

    def __init__(self, frame: pl.DataFrame) -> None:
        self._frame = frame

    def __arrow_c_stream__(self, requested_schema: object | None = None) -> object:
        return self._frame.__arrow_c_stream__(requested_schema)


class _Rows:
    """Shows the rows that a statement gives through the Arrow stream protocol, once."""

    def __init__(self, result: Any) -> None:
        self._result = result

    def __arrow_c_stream__(self, requested_schema: object | None = None) -> object:
        return self._result.arrow_capsule()


class Store:
    """An open store. Use it as a context manager, or close it.

    One that is open for writing works on a working copy (`fleetlog.store.working_copy`): others see what it
    did, all at once, when it is closed; never, when its block is left by an error or its process dies.

    Attributes:
        path: the store's file, or None for a store in memory.
        writable: whether it was opened for writing.
        memory_catalog: the name of a database in memory that this connection may attach.
        local: whether its rows cost little to hand over, so that some things are sooner counted here.
    """

    local: ClassVar[bool] = True

    def __init__(
        self,
        connection: duckdb.DuckDBPyConnection,
        path: Path | None,
        writable: bool,
        working_copy: WorkingCopy | None = None,
    ) -> None:
        self._connection = connection
        self._working_copy = working_copy
        self.path = path
        self.writable = writable
        self.memory_catalog = f"memory_{next(_NUMBERS)}"
        connection.execute("SET TimeZone = 'UTC'")
        _OPEN.add(self)

    def __enter__(self) -> Store:
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        if kind is None:
            self.close()
        else:
            self.discard()

    def concurrent(self) -> Store:
        """Another connection to what this one has open, for a question asked at the same time.

        Both see the same state of the store, whatever is published meanwhile. It is to be closed before this
        one, and made by the thread that uses this one.
        """
        connection = self._connection.cursor()
        connection.execute(f"USE {CATALOG}")
        return Store(connection, self.path, False)

    def close(self) -> None:
        """Lets the file go; what was written becomes visible to others.

        Raises:
            StoreError: when it cannot be put in place; the store is as it was then.
        """
        working_copy, self._working_copy = self._working_copy, None
        if working_copy is None:
            with suppress(duckdb.Error):  # a broken connection lets go of everything by itself
                self._connection.execute(f"DETACH DATABASE IF EXISTS {self.memory_catalog}")
            self._connection.close()
            return
        try:
            # Closing alone would write the log into the file too, but say nothing where that fails.
            self._connection.execute(f"CHECKPOINT {CATALOG}")
            self._connection.close()
            working_copy.publish()
        except duckdb.Error as error:
            raise working_copy.failed(error) from error
        finally:
            self._connection.close()
            working_copy.discard()

    def discard(self) -> None:
        """Lets the file go and drops what was written since it was opened."""
        working_copy, self._working_copy = self._working_copy, None
        self._connection.close()
        if working_copy is not None:
            working_copy.discard()

    def execute(self, sql: str, parameters: Mapping[str, Any] | None = None) -> list[tuple[Any, ...]]:
        """Runs one SQL text with bound parameters and returns its rows."""
        cursor = self._connection.execute(sql, parameters) if parameters else self._connection.execute(sql)
        return cursor.fetchall() if cursor.description else []

    def select(self, sql: str, parameters: Mapping[str, Any] | None = None) -> pl.DataFrame:
        """Runs one SELECT with bound parameters; the result as a polars frame."""
        return pl.DataFrame(self._connection.sql(sql, params=dict(parameters) if parameters else None))

    def run(self, name: str, strata: Sequence[str] = (), **parameters: Any) -> pl.DataFrame:
        """Runs the file sql/`name`.sql; parameters that the file does not name are left out.

        Args:
            name: the file without its ending, e.g. "risk/survival".
            strata: columns to split by, out of those that the file's header allows.
            parameters: values for the file's `$parameters`.
        """
        query = statement(name)
        return self._once(query.split_by(strata), self._bind(query, parameters))

    def _once(self, sql: str, parameters: dict[str, Any] | None) -> pl.DataFrame:
        """What `select` gives of a text that holds one SELECT for certain, bound once.

        A relation binds its statement to say what columns it has, and again to run it: a fifth of what a small question
        costs. The engine's own call below it binds once; where a version has no such call, the relation serves.
        """
        submit = getattr(self._connection, "_submit", None)
        if submit is None:
            return self.select(sql, parameters)
        return pl.DataFrame(_Rows(submit(sql, parameters, "stream", _ROWS_AT_A_TIME)))

    def create(
        self, table: str, query: Statement, *, temporary: bool, schema: str = "", **parameters: Any
    ) -> None:
        """Makes the table `table`, or the view, from a SELECT file.

        A temporary one lives as long as this connection. `schema`: where to make it, quoted; "" for the usual place.
        """
        scope = "TEMPORARY " if temporary else ""
        what = "VIEW" if query.is_view else "TABLE"
        target = f"{schema}.{quoted(table)}" if schema else quoted(table)
        self.execute(
            f"CREATE OR REPLACE {scope}{what} {target} AS {query.text}",
            self._bind(query, parameters),
        )

    def register(self, name: str, frame: pl.DataFrame) -> None:
        """Makes a frame visible to SQL as a temporary table `name`."""
        self._connection.register("_handed_over", _ArrowStream(frame))
        try:
            self.execute(f"CREATE OR REPLACE TEMPORARY TABLE {quoted(name)} AS FROM _handed_over")
        finally:
            self._connection.unregister("_handed_over")

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """All or nothing: what happens inside is kept whole, or not at all."""
        self._connection.execute("BEGIN TRANSACTION")
        try:
            yield
        except BaseException:
            with suppress(duckdb.ConnectionException):  # closed already: nothing of it is kept
                self._connection.execute("ROLLBACK")
            raise
        self._connection.execute("COMMIT")

    def tables(self) -> dict[str, list[str]]:
        """The permanent tables of the store and their columns."""
        rows = self.execute(
            "SELECT table_name, list(column_name ORDER BY ordinal_position) FROM information_schema.columns "
            "WHERE table_schema = 'main' AND table_catalog = current_database() "
            "GROUP BY table_name ORDER BY table_name"
        )
        return {name: columns for name, columns in rows}

    def statement_kinds(self, sql: str) -> list[str]:
        """What kind each statement of a text is ("SELECT", "INSERT", …), without running any.

        Raises:
            DatabaseError: when the text does not parse.
        """
        return [one.type.name for one in self._connection.extract_statements(sql)]

    def describe(self, sql: str) -> list[tuple[str, str]]:
        """Name and type of every column that a SELECT would give, without running it."""
        relation = self._connection.sql(sql)
        return [(name, str(kind)) for name, kind in zip(relation.columns, relation.types, strict=True)]

    def interrupt(self) -> None:
        """Ends the statement that another thread runs on this connection."""
        with suppress(duckdb.Error):  # it may just have been closed
            self._connection.interrupt()

    def table_rows(self) -> dict[str, int]:
        """How many rows each permanent table holds."""
        return {
            name: self.execute(f"SELECT count(*) FROM {quoted(name)}")[0][0]  # noqa: S608
            for name in self.tables()
        }

    def copy_to(self, target: Path) -> None:
        """Writes all of the store, as this connection sees it, into a new database file."""
        here = self.execute("SELECT current_database()")[0][0]
        self.execute(f"ATTACH {literal(target.resolve())} AS copy_of_all")
        try:
            self.execute(f"COPY FROM DATABASE {quoted(here)} TO copy_of_all")
        finally:
            self.execute("DETACH copy_of_all")

    def forbid_outside_access(self) -> None:
        """From here on no statement can reach files, the network or other databases, nor undo this."""
        for setting in ("SET enable_external_access = false", "SET lock_configuration = true"):
            self._connection.execute(setting)

    @staticmethod
    def _bind(query: Statement, parameters: Mapping[str, Any]) -> dict[str, Any] | None:
        missing = [name for name in query.parameters if name not in parameters]
        if missing:
            raise ValueError(f"sql/{query.name}.sql needs {', '.join(missing)}")
        return {name: parameters[name] for name in query.parameters} or None


def quoted(identifier: str) -> str:
    """An SQL identifier in double quotes."""
    return '"' + identifier.replace('"', '""') + '"'


def literal(path: Path) -> str:
    """A path as an SQL string, for ATTACH, which takes no bound parameter."""
    return "'" + str(path).replace("'", "''") + "'"
