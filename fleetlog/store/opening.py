"""Opening a store: to read what is published, to write on a working copy of it, or to make one.

Every file is attached to a connection of its own in memory. Opened by its name alone, the engine would hand
out the file that this process has open already, which may be one that a writer has replaced since.
"""

from __future__ import annotations

import glob
import os
import platform
import shutil
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from itertools import count
from pathlib import Path

import duckdb

from fleetlog.errors import StoreBusyError, StoreError, first_line
from fleetlog.store.connection import CATALOG, Store, literal
from fleetlog.store.engine import in_bytes
from fleetlog.store.lock import Notify
from fleetlog.store.seal import refuse_foreign_objects, refuse_other_tables, seal
from fleetlog.store.statements import numbered
from fleetlog.store.working_copy import WorkingCopy, log_of

FORMAT = "fleetlog"
"""What `store_info` says in a file that is ours."""

_DUCKDB_MAGIC = b"DUCK"  # bytes 8 to 11 of every DuckDB file

# No query may fetch an extension, and none is needed: what we use is linked in.
_CLOSED = {
    "autoinstall_known_extensions": "false",
    "autoload_known_extensions": "false",
    "python_enable_replacements": "false",  # or a table's name could mean a variable of ours
}

# The engine would take four fifths of the machine's memory; a store leaves room for other programs, and what
# does not fit goes to the spill folder. On a small machine it may have what it would take, up to this.
_SMALL = 4 << 30

# How a file is attached. A working copy needs no log: nobody goes on with it after its process died.
_READ_ONLY, _LOGGED, _UNLOGGED = "READ_ONLY", "READ_WRITE", "READ_WRITE, RECOVERY_MODE 'no_wal_writes'"

# How much may be changed before the engine works it into the file; each time costs a pass over what changed.
_UNSETTLED = "1 GB"

# Nobody of ours ever bars a reader, but for a moment after a foreign program left a log behind (`_fold`).
_PATIENCE = 2.0
_PAUSE = 0.02
_IN_MEMORY = (
    Path(tempfile.gettempdir()) / "fleetlog-in-memory"
)  # what the spill of a store without a file is called by
_SPILLS = count(1)  # each connection has a folder of its own
_LONGEST = 30.0  # seconds for a store that is replaced whenever it is opened


def open_store(
    path: Path | str | None,
    *,
    writable: bool = False,
    create: bool = False,
    wait: float = 0.0,
    notify: Notify | None = None,
    reach: Sequence[Path] = (),
) -> Store:
    """Opens the store at `path` (None: a new one in memory), making or migrating it where that is asked for.

    Readers see the store as it was last published and are never kept waiting by writers. A writer has the
    store for itself until it closes it; then others see what it did.

    Args:
        writable: open for writing; a store of an older version is migrated then.
        create: make the file when it is not there (implies `writable`).
        wait: for how many seconds to queue behind other writers; 0 asks once.
        notify: hears, in a sentence, for whom we wait.
        reach: folders that a reader's connection may write to beside that of its spill; nothing else outside
            can be reached by one.

    Raises:
        StoreBusyError: another process writes to it.
        StoreError: no such file, no store, of a newer version, damaged. The file is left untouched.
    """
    if path is None:
        return open_in_memory()
    path = Path(path)
    if not path.exists():
        if not create:
            raise _no_store(path)
        if not Path(os.path.realpath(path)).parent.is_dir():
            raise StoreError(
                f"The folder {path.parent} does not exist; make it first, or name another place with --store."
            )
    else:
        _refuse_other_files(path)
    if writable or create:
        return _for_writing(path, create, wait, notify)
    connection, version = _open_published(path, reach)
    if version == _newest():
        return Store(connection, path, False)
    connection.close()
    return _open_older(path, reach)


def open_in_memory() -> Store:
    """A new store in memory, which spills into the temporary folder."""
    connection = duckdb.connect(":memory:", config={**_CLOSED, "temp_directory": str(_spill(_IN_MEMORY))})
    connection.execute(f"SET memory_limit = '{_room(connection)} B'")
    store = Store(connection, None, True)
    _migrate(store, 0)
    return store


def _no_store(path: Path) -> StoreError:
    return StoreError(f"There is no store at {path}; make one with 'fleetlog load FILES' or 'fleetlog demo'.")


def _for_writing(path: Path, create: bool, wait: float, notify: Notify | None) -> Store:
    working_copy = WorkingCopy(path, wait=wait, notify=notify)
    try:
        if working_copy.published.exists():
            _fold(path, max(wait, _PATIENCE))
            # Kept open while the file is copied: that keeps foreign writers out.
            connection, version = _open_published(path)
            try:
                working_copy.copy()
            finally:
                connection.close()
        elif create:
            version = 0
        else:
            raise _no_store(path)
        store = Store(
            _attach(working_copy.path, path, working_copy.spill, _UNLOGGED), path, True, working_copy
        )
        try:
            if version < _newest():
                _migrate(store, version)
        except BaseException:
            store.discard()
            raise
        return store
    except duckdb.Error as error:  # a new store, or a migration, that does not fit on the disk
        working_copy.discard()
        raise working_copy.failed(error) from error
    except BaseException:
        working_copy.discard()
        raise


def _open_published(path: Path, reach: Sequence[Path] = ()) -> tuple[duckdb.DuckDBPyConnection, int]:
    """The store, opened to read and sealed (`fleetlog.store.seal`), and its version.

    Raises:
        StoreError: of a newer version, damaged, no store, or held by a foreign writer.
    """
    connection = _retry(lambda: _open_steady(path), _PATIENCE)
    try:
        with _explain(path):
            seal(connection, reach)
            refuse_foreign_objects(connection, CATALOG, path)
            version = _version_of(connection, path)
            if version > _newest():
                raise StoreError(
                    f"The store {path} was made by a newer fleetlog (layout {version}, this one reads up to "
                    f"{_newest()}); update fleetlog and try again."
                )
            refuse_other_tables(connection, CATALOG, path, version)
    except BaseException:
        connection.close()
        raise
    return connection, version


def _open_steady(path: Path) -> duckdb.DuckDBPyConnection:
    """Attaches the store to read, again where it was replaced just then.

    The engine opens a file twice, to read its head and to read its blocks. A rename in between would give it
    the head of one state and the blocks of another.
    """
    deadline = time.monotonic() + _LONGEST
    while True:
        before = _identity(path)
        try:
            connection = _attach(path, path, _spill(path), _READ_ONLY)
        except StoreError:
            if _identity(path) == before:
                raise
            continue
        if _identity(path) == before:
            return connection
        connection.close()
        if time.monotonic() >= deadline:
            raise StoreBusyError(f"The store {path} is replaced again and again; try again in a while.")


def _identity(path: Path) -> tuple[int, ...]:
    """What no other file of that name can share, not even one that was given the same place on the disk."""
    stat = path.stat()
    return stat.st_dev, stat.st_ino, stat.st_size, stat.st_mtime_ns, stat.st_ctime_ns


def _open_older(path: Path, reach: Sequence[Path]) -> Store:
    """A store of an older version, opened to read.

    It is migrated for everybody; where that cannot be (somebody writes to it just now, the folder may not be
    written), for this reader alone, in memory.
    """
    try:
        open_store(path, writable=True).close()
    except StoreError:
        connection, version = _open_published(path, reach)
        if version < _newest():
            return _migrate_in_memory(connection, path, version)
    else:
        connection, _ = _open_published(path, reach)
    return Store(connection, path, False)


def _migrate_in_memory(connection: duckdb.DuckDBPyConnection, path: Path, version: int) -> Store:
    with _explain(path):
        connection.execute(f"USE memory; COPY FROM DATABASE {CATALOG} TO memory; DETACH {CATALOG}")
    store = Store(connection, path, False)
    _migrate(store, version)
    return store


def _fold(path: Path, patience: float) -> None:
    """Lets the engine bring in the log that a killed foreign writer (or an old fleetlog) left beside the
    store.

    This is the one time that the store's own file is written to, by the engine's own recovery.
    """
    if not log_of(Path(os.path.realpath(path))).exists():
        return
    connection = _retry(lambda: _attach(path, path, _spill(path), _LOGGED), patience)
    try:
        with _explain(path):
            connection.execute(f"CHECKPOINT {CATALOG}")
    finally:
        connection.close()


def _retry(attempt: Callable[[], duckdb.DuckDBPyConnection], patience: float) -> duckdb.DuckDBPyConnection:
    deadline = time.monotonic() + patience
    while True:
        try:
            return attempt()
        except StoreBusyError:
            if time.monotonic() >= deadline:
                raise
        time.sleep(_PAUSE)


def _attach(file: Path, path: Path, spill: Path, mode: str) -> duckdb.DuckDBPyConnection:
    """A connection of its own to a file; `path` is what messages call it."""
    connection = duckdb.connect(":memory:", config={**_CLOSED, "temp_directory": str(spill)})
    try:
        with _explain(path):
            # The engine looks for the log beside the name that it is given, not beside a link's target.
            real = Path(os.path.realpath(file))
            connection.execute(f"ATTACH {literal(real)} AS {CATALOG} ({mode})")
            connection.execute(f"USE {CATALOG}")
            connection.execute(f"SET checkpoint_threshold = '{_UNSETTLED}'")
            connection.execute(f"SET memory_limit = '{_room(connection)} B'")
    except BaseException:
        connection.close()
        raise
    return connection


def _room(connection: duckdb.DuckDBPyConnection) -> int:
    """Bytes that the engine may hold: a quarter of the machine's memory, or 4 GiB where it has that much."""
    (shown,) = connection.execute("SELECT current_setting('memory_limit')").fetchall()[0]
    usual = in_bytes(str(shown))  # four fifths
    return int(max(usual / 0.8 / 4, min(usual, _SMALL)))


def _spill(path: Path) -> Path:
    """Where a reader's engine may put what does not fit into memory; it is made only when it is needed.

    What a reader that was killed left there goes first.
    """
    real = Path(os.path.realpath(path))
    where = real.parent if os.access(real.parent, os.W_OK) else Path(tempfile.gettempdir())
    begin = f".{real.name}.spill-{platform.node()}-"
    for left_over in where.glob(f"{glob.escape(begin)}*"):
        process = left_over.name.removeprefix(begin).partition("-")[0]
        if process.isdigit() and not _runs(int(process)):
            shutil.rmtree(left_over, ignore_errors=True)
    return where / f"{begin}{os.getpid()}-{next(_SPILLS)}"


def _runs(process: int) -> bool:
    """Whether a process of that number is at work on this machine; in doubt, it is."""
    if os.name == "nt":
        return True
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except OSError:
        pass
    return True


def _refuse_other_files(path: Path) -> None:
    if path.is_dir():
        raise StoreError(f"{path} is a folder, not a store; name the store's file with --store.")
    if not path.is_file():
        raise StoreError(f"{path} is no file; name the store's file with --store.")
    try:
        with path.open("rb") as file:
            head = file.read(12)
    except OSError as error:
        raise StoreError(f"The store {path} cannot be read: {error.strerror}.") from error
    if head[8:12] != _DUCKDB_MAGIC:
        raise StoreError(f"{path} is not a fleetlog store; name the store's file with --store.")


@contextmanager
def _explain(path: Path) -> Iterator[None]:
    """What the engine says of a file, in a sentence for the user."""
    try:
        yield
    except duckdb.IOException as error:
        if "lock" in str(error).lower():
            raise StoreBusyError(
                f"The store {path} is in use by another program; wait for it to finish, then try again."
            ) from error
        raise StoreError(
            f"The store {path} cannot be opened ({first_line(error)}); restore it from a copy."
        ) from error
    except duckdb.Error as error:
        raise StoreError(
            f"The store {path} is damaged or of another kind ({first_line(error)}); restore it from a copy."
        ) from error


def _version_of(connection: duckdb.DuckDBPyConnection, path: Path) -> int:
    with _explain(path):
        try:
            info = dict(connection.execute("SELECT key, value FROM store_info").fetchall())
        except duckdb.CatalogException:
            info = {}
    if info.get("format") != FORMAT:
        raise StoreError(
            f"{path} is a database, but not a fleetlog store; name the store's file with --store."
        )
    return int(info["layout"])


def _newest() -> int:
    return len(numbered("schema"))


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
