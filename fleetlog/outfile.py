"""Files for the world outside: written beside their name and renamed, so that nobody sees half of one."""

from __future__ import annotations

import glob
import os
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from fleetlog.errors import UsageError

_ENDING = ".writing"
_ABANDONED = 3600.0  # seconds after which nobody still writes a file


def write_file(path: Path, content: bytes, hint: str = "name another place") -> None:
    """Writes a file whole, or leaves what stood there; a link's target is replaced, a device written to.

    Raises:
        UsageError: where it cannot be written.
    """
    with _place(path, hint) as beside:
        beside.write_bytes(content)


@contextmanager
def _place(path: Path, hint: str) -> Iterator[Path]:
    """Where to write what shall stand at `path` once the block is left without an error."""
    real = Path(os.path.realpath(path))
    try:
        if real.exists() and not real.is_file():
            yield real  # a pipe or a device; a folder says itself that it is one
            return
        _remove_left_over(real)
        descriptor, name = tempfile.mkstemp(prefix=f".{real.name[:100]}.", suffix=_ENDING, dir=real.parent)
        os.close(descriptor)
        beside = Path(name)
        try:
            yield beside
            beside.chmod(real.stat().st_mode & 0o777 if real.exists() else 0o666 & ~_mask())
            os.replace(beside, real)
        finally:
            with suppress(OSError):
                beside.unlink(missing_ok=True)
    except OSError as error:
        raise UsageError(f"{path} cannot be written: {error.strerror or error}; {hint}.") from error


def _remove_left_over(real: Path) -> None:
    """Removes what processes that were killed as they wrote this file left beside it."""
    for rest in real.parent.glob(f".{glob.escape(real.name[:100])}.*{_ENDING}"):
        with suppress(OSError):
            if time.time() - rest.lstat().st_mtime > _ABANDONED:
                rest.unlink()


def _mask() -> int:
    """What the system takes off the access of new files."""
    mask = os.umask(0o077)
    os.umask(mask)
    return mask


def refuse_to_overwrite(path: Path, force: bool) -> None:
    """Refuses a file that is there already, unless it may be replaced.

    Raises:
        UsageError: when it is there and `force` is not given.
    """
    if not force and os.path.lexists(path):
        raise UsageError(f"{path} is there already; name another file, or replace it with --force.")
