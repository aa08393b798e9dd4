"""Safe copies of a store, and the return from one."""

from __future__ import annotations

import os
import shutil
from contextlib import suppress
from pathlib import Path

from fleetlog.errors import StoreBusyError, StoreError, UsageError, first_line
from fleetlog.store.connection import DatabaseError, Store
from fleetlog.store.integrity import broken_invariants
from fleetlog.store.lock import Notify
from fleetlog.store.opening import open_store
from fleetlog.store.working_copy import WorkingCopy, copy_file, log_of, settle

SET_ASIDE = ".before-restore"


def backup(store: Path, copy: Path) -> int:
    """Writes a verified copy of a store, with the store's access; an older copy gives way only once it is good.

    Args:
        store: the store's file; it may be read, and written to, by others meanwhile: the copy is of what was
            published when it began.
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
    written = copy.with_name(copy.name + ".writing")
    try:
        with open_store(store, reach=[_real_folder(copy)]) as source:
            written.unlink(missing_ok=True)
            source.copy_to(written)
            rows = _same(source, written)
        shutil.copymode(store, written)
        settle(written)
        os.replace(written, copy)
    except OSError as error:
        raise UsageError(f"{copy} cannot be written: {error.strerror or error}.") from error
    except DatabaseError as error:
        raise StoreError(f"{store} could not be copied to {copy} ({first_line(error)}).") from error
    finally:
        for rest in (written, log_of(written)):
            with suppress(OSError):
                rest.unlink()
    return rows


def restore(store: Path, copy: Path, *, wait: float = 0.0, notify: Notify | None = None) -> Path | None:
    """Puts a copy in the place of a store; what stood there is kept beside it.

    Readers are not disturbed: those that have the old store open go on reading it.

    Args:
        store: the store's file, which may be missing or damaged.
        copy: a copy made by `backup`, or another store.
        wait: for how many seconds to queue behind writers; 0 asks once.
        notify: hears, in a sentence, for whom we wait.

    Returns:
        Where the old store now stands, None if there was none.

    Raises:
        StoreError: when the copy is no whole store, or the store is being written to.
        UsageError: when there is no such copy.
    """
    if not copy.is_file():
        raise UsageError(f"There is no file {copy} to restore from.")
    if not Path(os.path.realpath(store)).parent.is_dir():
        raise UsageError(f"The folder {store.parent} does not exist; make it first, or name another place.")
    with open_store(copy) as source:
        broken = broken_invariants(source)
    if broken:
        raise StoreError(f"{copy} is not whole ({broken[0][0]}); restore from another copy.")
    working_copy = WorkingCopy(store, wait=wait, notify=notify)
    try:
        _refuse_while_used(store)
        copy_file(copy, working_copy.path)
        shutil.copymode(working_copy.published if store.exists() else copy, working_copy.path)
        working_copy.expect()
        aside = _set_aside(working_copy.published)
        working_copy.publish()
    except OSError as error:
        raise working_copy.failed(error) from error
    finally:
        working_copy.discard()
    return aside


def _real_folder(file: Path) -> Path:
    return Path(os.path.realpath(file)).parent


def _same(source: Store, copy: Path) -> int:
    """Rows of both, which must be equal table by table; the copy must be whole."""
    with open_store(copy) as other:
        rows, copied = source.table_rows(), other.table_rows()
        if rows != copied:
            raise StoreError("The copy differs from the store; the disk may be faulty, try another place.")
        broken = broken_invariants(other)
    if broken:
        name, count, meaning = broken[0]
        raise StoreError(f"The store is not whole ({name}: {count} {meaning}); it was not copied.")
    return sum(rows.values())


def _refuse_while_used(store: Path) -> None:
    """A store that opens may be replaced, a damaged one too; one that a foreign program writes to may not."""
    if store.exists():
        try:
            open_store(store).close()
        except StoreBusyError:
            raise
        except StoreError:
            pass


def _set_aside(store: Path) -> Path | None:
    """Gives the old store a second name; its own name never points to nothing."""
    if not store.exists():
        return None
    aside = store.with_name(store.name + SET_ASIDE)
    number = 1
    while aside.exists():
        number += 1
        aside = store.with_name(f"{store.name}{SET_ASIDE}-{number}")
    try:
        os.link(store, aside)
    except OSError:  # a file system without second names
        shutil.copyfile(store, aside)
    with suppress(FileNotFoundError):
        os.replace(log_of(store), log_of(aside))
    return aside
