"""Folders for what is gone when the work is done; what a killed process left there goes with the next one's.

A folder is in use as long as its process holds a lock on it, which the operating system lets go however the
process ends. So nothing has to be guessed from process numbers, which come again.
"""

from __future__ import annotations

import os
import shutil
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

PREFIX = "fleetlog-"
_YOUNG = 10.0  # seconds within which a folder may not have its lock yet


@contextmanager
def temporary_folder(within: Path | None = None, prefix: str = PREFIX) -> Iterator[Path]:
    """A folder for as long as the block runs.

    Args:
        within: where; None: where the system keeps temporary files.
        prefix: what its name begins with, and that of those which killed processes left.
    """
    where = within or Path(tempfile.gettempdir())
    remove_left_over(where, prefix)
    folder = Path(tempfile.mkdtemp(prefix=prefix, dir=where))
    held = _lock(folder)
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)
        if held is not None:
            os.close(held)


def remove_left_over(where: Path, prefix: str = PREFIX) -> None:
    """Removes the folders of this user that nobody holds any more."""
    if os.name == "nt":
        return  # its locks are none of folders
    for folder in where.glob(f"{prefix}*"):
        with suppress(OSError):
            stat = folder.lstat()
            if folder.is_symlink() or not folder.is_dir() or stat.st_uid != os.geteuid():
                continue
            if time.time() - stat.st_mtime < _YOUNG:
                continue
            held = _lock(folder)
            if held is not None:
                shutil.rmtree(folder, ignore_errors=True)
                os.close(held)


def _lock(folder: Path) -> int | None:
    """A descriptor that holds the folder; None where somebody else does, or folders cannot be held."""
    if os.name == "nt":
        return None
    import fcntl

    descriptor = os.open(folder, os.O_RDONLY)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        os.close(descriptor)
        return None
    return descriptor
