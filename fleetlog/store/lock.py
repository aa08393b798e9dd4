"""One writer at a time: a lock that queues, names its holder, and dies with its process.

Two files in a folder beside the store carry the locks. Who writes holds `writer`, and has put its process id
and machine there; who is next holds `queue` while it waits for `writer`. So a writer that comes back at once
cannot overtake the one that waits longest; who is next after that one is whoever tries first. The locks are
the operating system's (`flock` on Linux): it lets them go when their process ends, however that ends, so the
files stay where they are and are never a sign that somebody writes.
"""

from __future__ import annotations

import os
import platform
import time
from collections.abc import Callable
from pathlib import Path

from filelock import lock_descriptor, unlock_descriptor

from fleetlog.errors import StoreBusyError

Notify = Callable[[str], None]
"""Takes the sentence that says for whom somebody waits."""

_PAUSE = 0.05  # seconds between two tries


class WriterLock:
    """The right to write to one store.

    Attributes:
        store: the store's file, for messages.
    """

    def __init__(self, store: Path, folder: Path) -> None:
        self.store = store
        self._writer = folder / "writer"
        self._queue = folder / "queue"
        self._held: int | None = None

    def acquire(self, wait: float = 0.0, notify: Notify | None = None) -> None:
        """Takes the lock.

        Args:
            wait: for how many seconds to queue; 0 asks once.
            notify: hears once for whom we wait.

        Raises:
            StoreBusyError: when somebody else still has it after that time.
            OSError: when the files of the lock cannot be opened.
        """
        patience = _Patience(time.monotonic() + wait, lambda: notify and notify(self._waiting()))
        queue = _open(self._queue)
        try:
            if not patience.take(queue):
                raise self._busy(wait)
            writer = _open(self._writer)
            try:
                if not patience.take(writer):
                    raise self._busy(wait)
            except BaseException:
                os.close(writer)
                raise
        finally:
            os.close(queue)  # lets its lock go too
        self._held = writer
        os.ftruncate(writer, 0)
        os.pwrite(writer, f"{os.getpid()} {platform.node()}".encode(), 0)

    def release(self) -> None:
        """Lets the lock go; does nothing where it is not held."""
        if self._held is None:
            return
        held, self._held = self._held, None
        os.ftruncate(held, 0)
        unlock_descriptor(held)  # a forked child may still have the file open
        os.close(held)

    def _holder(self) -> str:
        try:
            process, machine = self._writer.read_text().split(" ", 1)
        except (OSError, ValueError):
            return "another process"
        where = "" if machine == platform.node() else f" on {machine}"
        return f"process {process}{where}"

    def _waiting(self) -> str:
        return f"Waiting for {self._holder()}, which is writing to the store {self.store}."

    def _busy(self, wait: float) -> StoreBusyError:
        if wait > 0:
            return StoreBusyError(
                f"The store {self.store} was still being written to by {self._holder()} after {wait:g} "
                "seconds; try again later, or wait longer."
            )
        return StoreBusyError(
            f"The store {self.store} is being written to by {self._holder()}; try again when it has "
            "finished, or queue behind it with --wait SECONDS."
        )


class _Patience:
    """Tries until a deadline, and says once that it waits."""

    def __init__(self, deadline: float, say: Callable[[], object]) -> None:
        self._deadline = deadline
        self._say: Callable[[], object] | None = say

    def take(self, descriptor: int) -> bool:
        while not lock_descriptor(descriptor, blocking=False):
            left = self._deadline - time.monotonic()
            if left <= 0:
                return False
            if self._say:
                self._say()
                self._say = None
            time.sleep(min(_PAUSE, left))
        return True


def _open(path: Path) -> int:
    """The file, never what a link points to; made where it is missing, with the access that its folder gives."""
    how = os.O_RDWR | getattr(os, "O_CLOEXEC", 0) | getattr(os, "O_NOFOLLOW", 0)
    try:
        descriptor = os.open(path, how | os.O_CREAT | os.O_EXCL, 0o666)
    except FileExistsError:
        return os.open(path, how)
    os.fchmod(descriptor, path.parent.stat().st_mode & 0o666)
    return descriptor
