"""Safe copies of a store, and the return from one."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

from fleetlog.errors import StoreError, UsageError
from fleetlog.store.connection import copy_database, open_store
from fleetlog.store.integrity import broken_invariants

SET_ASIDE = ".before-restore"


def backup(store: Path, copy: Path) -> int:
    """Writes a verified copy of a store; an older copy gives way only once the new one is good.

    Args:
        store: the store's file; it may be read by others meanwhile.
        copy: where the copy goes.

    Returns:
        Rows in the copy.

    Raises:
        StoreError: when the store cannot be read, is not whole, or the copy differs from it.
        UsageError: when the copy cannot be written there.
    """
    if copy.exists() and copy.is_dir():
        raise UsageError(f"{copy} is a folder; name a file for the copy.")
    if copy.resolve() == store.resolve():
        raise UsageError("The copy would overwrite the store itself; name another file.")
    open_store(store).close()  # refuses what is no store, before anything is written
    written = copy.with_name(copy.name + ".writing")
    try:
        written.unlink(missing_ok=True)
        copy_database(store, written)
        rows = _same(store, written)
        _settle(written)
        os.replace(written, copy)
    except OSError as error:
        raise UsageError(f"{copy} cannot be written: {error.strerror or error}.") from error
    finally:
        for rest in (written, written.with_name(written.name + ".wal")):
            rest.unlink(missing_ok=True)
    return rows


def restore(store: Path, copy: Path) -> Path | None:
    """Puts a copy in the place of a store; what stood there is kept beside it.

    Args:
        store: the store's file, which may be missing or damaged.
        copy: a copy made by `backup`, or another store.

    Returns:
        Where the old store now stands, None if there was none.

    Raises:
        StoreError: when the copy is no whole store, or the store is in use.
        UsageError: when the file cannot be written.
    """
    if not copy.is_file():
        raise UsageError(f"There is no file {copy} to restore from.")
    with open_store(copy) as source:
        broken = broken_invariants(source)
    if broken:
        raise StoreError(f"{copy} is not whole ({broken[0][0]}); restore from another copy.")
    _refuse_while_used(store)
    written = store.with_name(store.name + ".writing")
    try:
        shutil.copyfile(copy, written)
        _settle(written)
        aside = _set_aside(store)
        os.replace(written, store)
    except OSError as error:
        raise UsageError(f"{store} cannot be written: {error.strerror or error}.") from error
    finally:
        written.unlink(missing_ok=True)
    return aside


def _same(store: Path, copy: Path) -> int:
    """Rows of both, which must be equal table by table; the copy must be whole."""
    with open_store(store) as one, open_store(copy) as other:
        rows, copied = one.table_rows(), other.table_rows()
        if rows != copied:
            raise StoreError("The copy differs from the store; the disk may be faulty, try another place.")
        broken = broken_invariants(other)
    if broken:
        name, count, meaning = broken[0]
        raise StoreError(f"The store is not whole ({name}: {count} {meaning}); it was not copied.")
    return sum(rows.values())


def _refuse_while_used(store: Path) -> None:
    """A store that opens is let go again; one that is damaged may be replaced; one in use may not."""
    if not store.exists():
        return
    try:
        open_store(store, writable=True).close()
    except StoreError as error:
        if "in use" in str(error):
            raise


def _set_aside(store: Path) -> Path | None:
    if not store.exists():
        return None
    aside = store.with_name(store.name + SET_ASIDE)
    number = 1
    while aside.exists():
        number += 1
        aside = store.with_name(f"{store.name}{SET_ASIDE}-{number}")
    os.replace(store, aside)
    log = store.with_name(store.name + ".wal")
    if log.exists():
        os.replace(log, aside.with_name(aside.name + ".wal"))
    return aside


def _settle(path: Path) -> None:
    """Waits until the file is on the disk, not only on its way there."""
    with path.open("rb") as file:
        os.fsync(file.fileno())
