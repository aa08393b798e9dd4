"""How far the statement has come that another thread runs."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from fleetlog.store.connection import DatabaseError, Store

ShareDone = Callable[[], float | None]


@contextmanager
def statement_progress(store: Store) -> Iterator[ShareDone]:
    """A function that says, from any thread, which share (0 to 1) of the running statement is done.

    It returns None where nothing runs or the engine cannot tell. It must not be called after the block.
    """
    connection = store._connection
    # The engine counts only when it would draw, and it must not draw: that is for the command line to do.
    connection.execute("SET enable_progress_bar = true")
    connection.execute("SET enable_progress_bar_print = false")

    def share_done() -> float | None:
        try:
            percent = float(connection.query_progress())
        except DatabaseError:
            return None
        return min(percent / 100, 1.0) if percent >= 0 else None

    try:
        yield share_done
    finally:
        connection.execute("SET enable_progress_bar = false")


@contextmanager
def memory_limit(store: Store, most: int) -> Iterator[None]:
    """Holds what the engine keeps in memory below `most` bytes; more goes to the store's spill folder.

    Stores in memory are left alone, since they have nowhere to put it; so is a limit that is lower already.
    """
    before = str(store.execute("SELECT current_setting('memory_limit')")[0][0])
    if store.path is None or in_bytes(before) <= most:
        yield
        return
    store.execute(f"SET memory_limit = '{most} B'")
    try:
        yield
    finally:
        store.execute(f"SET memory_limit = '{before}'")


def in_bytes(shown: str) -> float:
    """A size as the engine shows it, such as "18.6 GiB"."""
    number, unit = shown.split()
    power: int = ("bytes", "KiB", "MiB", "GiB", "TiB").index(unit)
    return float(number) * float(1024**power)
