"""A store: one DuckDB file with the tables of the data dictionary and the history built from them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

from fleetlog.errors import StoreError
from fleetlog.store.statements import Statement, numbered, statement

FORMAT = "fleetlog"
"""What `store_info` says in a file that is ours."""

DatabaseError = duckdb.Error
"""What the engine raises; for callers that try one way and then another."""

_DUCKDB_MAGIC = b"DUCK"  # bytes 8 to 11 of every DuckDB file

# No query may fetch an extension, and none is needed: what we use is linked in.
_CLOSED = {"autoinstall_known_extensions": "false", "autoload_known_extensions": "false"}


class _ArrowStream:
    """Shows a frame through the Arrow stream protocol alone, so that pyarrow need not be installed."""

    def __init__(self, frame: pl.DataFrame) -> None:
        self._frame = frame

    def __arrow_c_stream__(self, requested_schema: object | None = None) -> object:
        return self._frame.__arrow_c_stream__(requested_schema)


class Store:
    """An open store. Use it as a context manager, or close it.

    Attributes:
        path: the store's file, or None for a store in memory.
        writable: whether it was opened for writing.
    """

    def __init__(self, connection: duckdb.DuckDBPyConnection, path: Path | None, writable: bool) -> None:
        self._connection = connection
        self.path = path
        self.writable = writable
        connection.execute("SET TimeZone = 'UTC'")

    def __enter__(self) -> Store:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Lets the file go; other processes can open it from then on."""
        self._connection.close()

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
        found = statement(name)
        return self.select(found.split_by(strata), self._bound(found, parameters))

    def create(self, table: str, found: Statement, *, temporary: bool, **parameters: Any) -> None:
        """Makes the table `table` from a SELECT file (a temporary one lives as long as this connection)."""
        scope = "TEMPORARY " if temporary else ""
        self.execute(
            f"CREATE OR REPLACE {scope}TABLE {quoted(table)} AS {found.text}",
            self._bound(found, parameters),
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
        return [found.type.name for found in self._connection.extract_statements(sql)]

    def table_rows(self) -> dict[str, int]:
        """How many rows each permanent table holds."""
        return {
            name: self.execute(f"SELECT count(*) FROM {quoted(name)}")[0][0]  # noqa: S608
            for name in self.tables()
        }

    def close_doors(self) -> None:
        """From here on no statement can reach files, the network or other databases, nor undo this."""
        for setting in ("SET enable_external_access = false", "SET lock_configuration = true"):
            self._connection.execute(setting)

    @staticmethod
    def _bound(found: Statement, parameters: Mapping[str, Any]) -> dict[str, Any] | None:
        missing = [name for name in found.parameters if name not in parameters]
        if missing:
            raise ValueError(f"sql/{found.name}.sql needs {', '.join(missing)}")
        return {name: parameters[name] for name in found.parameters} or None


def quoted(identifier: str) -> str:
    """An SQL identifier in double quotes."""
    return '"' + identifier.replace('"', '""') + '"'


def copy_database(source: Path, target: Path) -> None:
    """Writes all of one database file into a new one; the source is only read.

    Raises:
        StoreError: when the source is held by a writer or cannot be read.
    """
    with _told(source), duckdb.connect(":memory:", config=dict(_CLOSED)) as connection:
        connection.execute(f"ATTACH {_literal(source)} AS source (READ_ONLY)")
        connection.execute(f"ATTACH {_literal(target)} AS target")
        connection.execute("COPY FROM DATABASE source TO target")
        connection.execute("DETACH target")


def _literal(path: Path) -> str:
    """A path as an SQL string; ATTACH takes no bound parameter."""
    return "'" + str(path).replace("'", "''") + "'"


def open_store(path: Path | str | None, *, writable: bool = False, create: bool = False) -> Store:
    """Opens the store at `path` (None: a new one in memory), making or migrating it where that is asked for.

    Args:
        path: the file.
        writable: open for writing; a store of an older version is migrated then.
        create: make the file when it is not there (implies `writable`).

    Raises:
        StoreError: no such file, no store, of a newer version, damaged, or held by another process. The file
            is left untouched.
    """
    if path is None:
        store = Store(duckdb.connect(":memory:", config=dict(_CLOSED)), None, True)
        _migrate(store, 0)
        return store
    path = Path(path)
    if not path.exists():
        if not create:
            raise StoreError(
                f"There is no store at {path}; make one with 'fleetlog load FILES' or 'fleetlog demo'."
            )
        return _make(path)
    _refuse_other_files(path)
    version = _version_of(path)
    newest = len(numbered("schema"))
    if version > newest:
        raise StoreError(
            f"The store {path} was made by a newer fleetlog (layout {version}, this one reads up to "
            f"{newest}); update fleetlog and try again."
        )
    if version < newest:
        with Store(_connect(path, read_only=False), path, True) as older:
            _migrate(older, version)
    return Store(_connect(path, read_only=not (writable or create)), path, writable or create)


def _make(path: Path) -> Store:
    if not path.parent.is_dir():
        raise StoreError(
            f"The folder {path.parent} does not exist; make it first, or name another place with --store."
        )
    # Made beside its place and moved there when whole: a process killed meanwhile leaves no half a store.
    beside = path.with_name(path.name + ".new")
    for left_over in (beside, beside.with_name(beside.name + ".wal")):
        left_over.unlink(missing_ok=True)
    with Store(_connect(beside, read_only=False), beside, True) as made:
        _migrate(made, 0)
    beside.replace(path)
    return Store(_connect(path, read_only=False), path, True)


def _refuse_other_files(path: Path) -> None:
    if path.is_dir():
        raise StoreError(f"{path} is a folder, not a store; name the store's file with --store.")
    try:
        with path.open("rb") as file:
            head = file.read(12)
    except OSError as error:
        raise StoreError(f"The store {path} cannot be read: {error.strerror}.") from error
    if head[8:12] != _DUCKDB_MAGIC:
        raise StoreError(f"{path} is not a fleetlog store; name the store's file with --store.")


def _connect(path: Path, *, read_only: bool) -> duckdb.DuckDBPyConnection:
    with _told(path):
        return duckdb.connect(str(path), read_only=read_only, config=dict(_CLOSED))
    raise AssertionError  # the block above returns or raises


@contextmanager
def _told(path: Path) -> Iterator[None]:
    """What the engine says of a file, in a sentence for the user."""
    try:
        yield
    except duckdb.IOException as error:
        if "lock" in str(error).lower():
            raise StoreError(
                f"The store {path} is in use by another program; wait for it to finish, then try again."
            ) from error
        raise StoreError(
            f"The store {path} cannot be opened ({_first_line(error)}); restore it from a copy."
        ) from error
    except duckdb.Error as error:
        raise StoreError(
            f"The store {path} is damaged or of another kind ({_first_line(error)}); restore it from a copy."
        ) from error


def _first_line(error: Exception) -> str:
    return str(error).splitlines()[0].rstrip(". ")


def _version_of(path: Path) -> int:
    connection = _connect(path, read_only=True)
    try:
        found = dict(connection.execute("SELECT key, value FROM store_info").fetchall())
    except duckdb.CatalogException:
        found = {}
    finally:
        connection.close()
    if found.get("format") != FORMAT:
        raise StoreError(
            f"{path} is a database, but not a fleetlog store; name the store's file with --store."
        )
    return int(found["layout"])


def _migrate(store: Store, version: int) -> None:
    """Runs the schema files after number `version`, all or none."""
    steps = numbered("schema")
    with store.transaction():
        for step in steps[version:]:
            store.execute(step.text)
        store.execute("DELETE FROM store_info")
        store.execute(
            "INSERT INTO store_info VALUES ('format', $format), ('layout', $layout)",
            {"format": FORMAT, "layout": str(len(steps))},
        )
