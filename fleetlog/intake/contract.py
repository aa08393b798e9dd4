"""What goes into a load and what comes out of it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any, Protocol


class IntakeSettings(Protocol):
    """The part of the settings that loading needs."""

    @property
    def time_zone(self) -> str:
        """The zone of times that name none, as in the IANA list, e.g. "America/Denver"."""
        ...

    def words_for(self, column: str) -> Sequence[str]:
        """Words that this fleet adds to a column's vocabulary."""
        ...


@dataclass(frozen=True)
class PlainSettings:
    """Settings given as plain values."""

    time_zone: str = "UTC"
    words: Mapping[str, Sequence[str]] = field(default_factory=dict)

    def words_for(self, column: str) -> Sequence[str]:
        """Words that this fleet adds to a column's vocabulary."""
        return self.words.get(column, ())


@dataclass(frozen=True)
class FileResult:
    """What became of one table of one file.

    Always `rows == new + known + corrected + rejected + waiting`. Rows are data rows; blank rows are no rows.

    Attributes:
        path: the file, or "file › part" where a file holds several tables.
        kind: the kind it was read as, None where it was refused or passed over.
        rows: data rows found.
        new: rows stored and in effect.
        known: rows already there with the same values.
        corrected: rows whose key was there with other values; the old values went to the change log.
        rejected: rows that failed a check.
        waiting: rows stored that wait for their machine or work order.
        refused: one sentence when the whole file was refused; then nothing of it was stored.
        notes: what was found out about the file (delimiter, encoding, decimal sign) and passed over.
        older: of the known rows, those that a newer file tells otherwise; the newer telling stays.
        overwritten: of the corrected rows, those of which a value that was there is another now.
        changes: how many of these, by column.
    """

    path: str
    kind: str | None = None
    rows: int = 0
    new: int = 0
    known: int = 0
    corrected: int = 0
    rejected: int = 0
    waiting: int = 0
    refused: str | None = None
    notes: tuple[str, ...] = ()
    older: int = 0
    overwritten: int = 0
    changes: tuple[tuple[str, int], ...] = ()

    def in_words(self) -> str:
        """What became of its rows, as "add 3 rows, know 2 already"."""
        done = (
            (self.new, "add {} rows"),
            (self.corrected, "change {} known rows"),
            (self.known, "know {} already"),
            (self.waiting, "keep {} waiting for their machine or work order"),
            (self.rejected, "reject {}"),
        )
        said = ", ".join(text.format(f"{count:,}") for count, text in done if count)
        if self.changes:
            said += f" ({self.changes_in_words()})"
        if self.older:
            said += f" ({self.older:,} of them otherwise in a newer file, which stays)"
        return f"{said or 'change nothing'}."

    def changes_in_words(self) -> str:
        """What would be overwritten, as "12 build dates, 1 make"."""
        return ", ".join(
            f"{count:,} {name.replace('_', ' ')}{'' if count == 1 or name.endswith('s') else 's'}"
            for name, count in self.changes
        )

    def to_dict(self) -> dict[str, Any]:
        """The result as plain values, for JSON."""
        return {**asdict(self), "notes": list(self.notes), "changes": dict(self.changes)}


@dataclass(frozen=True)
class LoadResult:
    """What became of every file of a load, in the order in which they were read; `load_id` is its number."""

    files: tuple[FileResult, ...]
    load_id: int | None = None

    @property
    def refused(self) -> tuple[FileResult, ...]:
        """The files that were refused whole."""
        return tuple(file for file in self.files if file.refused)

    def to_dict(self) -> dict[str, Any]:
        """The result as plain values, for JSON."""
        return {"files": [file.to_dict() for file in self.files]}


@dataclass(frozen=True)
class Progress:
    """How far a load has come: sent before each file, while a long one is read, and once at the end.

    Attributes:
        path: the file that is being read, or empty at the end.
        files_done: files finished, out of `files`.
        files: files to read.
        bytes_done: bytes of the finished files and, by the share of its work that is done, of the one at
            hand; out of `bytes`.
        bytes: bytes to read.
        rows_done: rows of the finished files.
        stage: what is being done with the file (`fleetlog.intake.progress.STAGES`), or empty.
    """

    path: str
    files_done: int
    files: int
    bytes_done: int
    bytes: int
    rows_done: int
    stage: str = ""


ProgressCallback = Callable[[Progress], None]
"""Hears how far a load has come; may be called from another thread, but never twice at a time."""


def display_name(path: Path | str, part: str | None = None) -> str:
    """A file's name as messages show it, with the part (sheet, archive member) where there is one."""
    return f"{path} › {part}" if part else str(path)
