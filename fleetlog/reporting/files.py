"""Files beside the page: names that are safe anywhere, tables that a spreadsheet cannot run."""

from __future__ import annotations

import hashlib
import re
from collections import Counter
from collections.abc import Iterable
from pathlib import Path

import polars as pl

from fleetlog.errors import UsageError
from fleetlog.outfile import write_file
from fleetlog.tables import harmless

_RESERVED = frozenset(
    ["con", "prn", "aux", "nul", *(f"com{i}" for i in range(10)), *(f"lpt{i}" for i in range(10))]
)
_LONGEST = 48


def safe_names(names: Iterable[str]) -> dict[str, str]:
    """A file name (without ending) for each name: letters, digits, "-", "_" and "." only, unique in any case.

    A name that had to change, or that differs from another only in case, carries a short hash of itself.
    """
    listed = list(dict.fromkeys(names))
    plain = {name: _plain(name) for name in listed}
    taken = Counter(name.casefold() for name in plain.values())
    return {
        name: flat if flat == name and taken[flat.casefold()] == 1 else f"{flat}-{_mark(name)}"
        for name, flat in plain.items()
    }


def _plain(name: str) -> str:
    flat = re.sub(r"[^A-Za-z0-9._-]+", "-", name).strip("-._")[:_LONGEST].strip("-._")
    return "unit" if not flat or flat.split(".")[0].casefold() in _RESERVED else flat


def _mark(name: str) -> str:
    return hashlib.sha256(name.encode("utf-8", "surrogatepass")).hexdigest()[:8]


def write_csv(frame: pl.DataFrame, path: Path) -> Path:
    """Write a table as CSV in UTF-8 with a byte-order mark, so that spreadsheets read every letter."""
    return write_text(path, "\ufeff" + harmless(frame).write_csv(None, line_terminator="\r\n"))


def write_text(path: Path, text: str) -> Path:
    """Write a text file, its folder too, the same bytes on every system.

    Raises:
        UsageError: when the place cannot be written.
    """
    return write_bytes(path, text.encode("utf-8", "replace"))


def write_bytes(path: Path, content: bytes) -> Path:
    """Write a file, its folder too.

    Raises:
        UsageError: when the place cannot be written.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as problem:
        raise UsageError(f"{path} cannot be written: {problem.strerror}; name another folder") from problem
    write_file(path, content, "name another folder")
    return path
