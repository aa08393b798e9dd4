"""Working copies: a writer works on a copy of the store and puts it in the store's place when all is done.

The engine lets one process hold a file for writing, and then nobody else can read it. So nobody writes to the
store's own file. A writer takes the lock (`fleetlog.store.lock`), copies the file into a folder beside it,
changes the copy, and at the end renames it over the store. Renaming is atomic: who opens the store gets the
old state or the new one, whole; who had the old one open goes on reading it. Everything between opening for
writing and closing (the files of one load, what was read from their notes, what was built from them) becomes
visible together. A writer that is killed leaves the store as it was; the next writer removes what it left.

The price is the copy, which only writers pay. File systems that can share blocks between files (XFS, Btrfs
and their like) make it in no time, since `copy_file_range` asks them to; others copy at the speed of the
disk, some two seconds a gigabyte until it is flushed where it was tried (ext4; see
`tests/benchmarks/bench_concurrency.py`), and need room for a second copy while the load runs. What would save
the copy costs more than it saves: increments in a second database would need every query and every correction
to look in two places, and a spare copy that is brought up to date by changed blocks keeps twice the room for
ever, while a load rewrites much of the store anyway. Nor is the engine's own log a way out: it replays on
every opening, and large inserts go into the file past the log.

The store itself may be a link; its target is what is copied and replaced. The file and its folder are flushed
to the disk around the rename, so that a power cut leaves the old store or the new one.

Beware of the engine's lock on a file (`fcntl`): it is gone as soon as this process closes any other
descriptor of the same file. Nothing here rests on it, except that a foreign program that writes to the store
while it is being copied is kept out, or found out before the rename.
"""

from __future__ import annotations

import os
import shutil
import signal
import tempfile
import threading
import weakref
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from types import FrameType

from fleetlog.errors import StoreError
from fleetlog.store.lock import Notify, WriterLock

ENDING = ".writer"
"""`.NAME.writer` is the folder beside a store that holds the locks and the working copy."""


published: list[Path] = []
"""The stores that this process has put in place, for who must say whether a store is as it was."""


@contextmanager
def _undisturbed() -> Iterator[None]:
    """Lets a Ctrl-C wait for the end of the block, so that it is known what was done."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    heard: list[tuple[int, FrameType | None]] = []
    before = signal.signal(signal.SIGINT, lambda number, frame: heard.append((number, frame)))
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)
        if heard and callable(before):
            before(*heard[0])


class WorkingCopy:
    """The working copy of a store, and the right to put it in the store's place.

    Attributes:
        published: the store's own file, links followed.
        path: the working copy; nothing is there before `copy` or whoever makes a new store.
        spill: where the engine may put what does not fit into memory.
    """

    def __init__(self, store: Path, *, wait: float = 0.0, notify: Notify | None = None) -> None:
        """Takes the lock, and removes what a killed writer left.

        Raises:
            StoreBusyError: when another writer has it, after `wait` seconds.
            StoreError: when the folder of the store cannot be written, the store is read-only, or a link
                stands where the lock belongs.
        """
        self.published = Path(os.path.realpath(store))
        self._store = store
        folder = _folder(self.published)
        _refuse_read_only(self.published, store)
        lock = WriterLock(store, folder)
        try:
            if folder.is_symlink():
                raise StoreError(
                    f"{folder} is a link, where the lock of {store} must be a folder; remove it."
                )
            if not folder.exists():
                folder.mkdir(exist_ok=True)
                folder.chmod(self.published.parent.stat().st_mode & 0o3777)  # who may delete there, too
            lock.acquire(wait, notify)
        except OSError as error:
            raise StoreError(
                f"The store {store} cannot be changed, since its folder {self.published.parent} cannot be "
                f"written ({_reason(error)}); ask for leave to write there, or copy the store elsewhere."
            ) from error
        try:
            _remove_working_copies(folder)
            place = Path(tempfile.mkdtemp(prefix="draft-", dir=folder))
        except OSError as error:
            lock.release()
            raise self.failed(error) from error
        except BaseException:
            lock.release()
            raise
        self.path = place / self.published.name
        self.spill = place / "spill"
        self._seen: tuple[int, ...] | None = None
        self._ends = weakref.finalize(self, _abandon, os.getpid(), place, lock)

    def copy(self) -> None:
        """Copies the store.

        Raises:
            StoreError: when there is no room, or the file cannot be read.
        """
        self.expect()
        try:
            copy_file(self.published, self.path)
            stat = self.published.stat()
            shutil.copymode(self.published, self.path)
            with suppress(OSError):
                os.chown(self.path, stat.st_uid, stat.st_gid)
        except OSError as error:
            raise self.failed(error) from error

    def expect(self) -> None:
        """Notes the store as it is; `publish` refuses to replace any other."""
        self._seen = _look(self.published)

    def publish(self) -> None:
        """Puts the working copy, which nobody may have open any more, in the place of the store.

        Raises:
            StoreError: when that fails, or a foreign program has written to the store meanwhile.
        """
        try:
            settle(self.path)
            if _look(self.published) != self._seen or log_of(self.published).exists():
                raise StoreError(
                    f"The store {self._store} was changed by another program meanwhile; what was about to be "
                    "stored was dropped, do it again."
                )
            with _undisturbed():
                os.replace(self.path, self.published)
                published.append(self.published)
                self._confirm()
        except OSError as error:
            raise self.failed(error) from error
        finally:
            self._ends()

    def _confirm(self) -> None:
        """Waits until the new name is on the disk; where the disk refuses, what is stored is stored all the same."""
        try:
            settle(self.published.parent)
        except OSError as error:
            raise StoreError(
                f"The store {self._store} holds what was just written, but the disk did not confirm it "
                f"({_reason(error)}); look at it again with 'fleetlog check' before you rely on it."
            ) from error

    def discard(self) -> None:
        """Drops the working copy and lets the lock go; does nothing after `publish`."""
        self._ends()

    def failed(self, error: Exception) -> StoreError:
        """What to tell the user when the working copy cannot be made, filled or put in its place."""
        return StoreError(
            f"The store {self._store} could not be written ({_reason(error)}) and is as it was; while it is "
            f"changed, a second copy of it must fit into {self.published.parent}."
        )


def copy_file(source: Path, target: Path) -> None:
    """Copies the bytes of a file into a new one, sharing its blocks where the file system can.

    Raises:
        OSError: when that fails; for want of room, for instance.
    """
    with source.open("rb") as old, target.open("xb") as new:
        try:
            while os.copy_file_range(old.fileno(), new.fileno(), 1 << 30):
                pass
            if os.fstat(new.fileno()).st_size == os.fstat(old.fileno()).st_size:
                return
        except AttributeError:
            pass  # another system than Linux
        except OSError:
            if new.tell() or os.fstat(new.fileno()).st_size:
                raise
            # Nothing was written: the file system does not know the call.
    target.unlink()
    shutil.copyfile(source, target)


def settle(path: Path) -> None:
    """Waits until a file or a folder is on the disk, not only on its way there."""
    if path.is_dir() and os.name == "nt":
        return  # has no such call for folders
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def log_of(database: Path) -> Path:
    """Where the engine keeps the log of a file that is open for writing, or was when its process died."""
    return database.with_name(database.name + ".wal")


def _folder(published: Path) -> Path:
    return published.with_name(f".{published.name}{ENDING}")


def _refuse_read_only(published: Path, store: Path) -> None:
    """A rename asks nobody whether the file that it replaces may be written; so we do."""
    if published.exists() and not (published.stat().st_mode & 0o222 and os.access(published, os.W_OK)):
        raise StoreError(f"The store {store} is read-only; make it writable ('chmod u+w') to change it.")


def _look(file: Path) -> tuple[int, ...] | None:
    """What changes when anybody writes to a file; None where there is none."""
    try:
        stat = file.stat()
    except FileNotFoundError:
        return None
    return stat.st_dev, stat.st_ino, stat.st_size, stat.st_mtime_ns


def _remove_working_copies(folder: Path) -> None:
    for left_over in folder.glob("draft-*"):
        shutil.rmtree(left_over, ignore_errors=True)


def _abandon(process: int, place: Path, lock: WriterLock) -> None:
    """The end of a working copy, also of one that nobody closed; a forked child leaves its parent's alone."""
    if os.getpid() == process:
        shutil.rmtree(place, ignore_errors=True)
        lock.release()


def _reason(error: Exception) -> str:
    text = (error.strerror if isinstance(error, OSError) else None) or str(error).splitlines()[0]
    return text.rstrip(". ")
