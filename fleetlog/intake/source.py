"""What every reader hands over: a relation of text cells, row numbers and what was found on the way."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum
from typing import Any

from fleetlog.intake.names import UTC_HEADING, squeeze
from fleetlog.intake.profiles.profile import Profile
from fleetlog.intake.tellings import NO_TIME, FileTime
from fleetlog.store.dictionary import Kind


class Blanks(Enum):
    """What blanks the cells of a file may have around them."""

    NONE = "none"
    SPACES = "spaces"
    ANY = "any"


@dataclass(frozen=True)
class SourceColumn:
    """One column of a file.

    Attributes:
        cell: its name in the relation: "c0", "c1", …
        header: its heading as it stands in the file.
        name: the dictionary's column, or None where the kind has no such column.
        given: whether it stands in the file; otherwise it was made out of the others.
    """

    cell: str
    header: str
    name: str | None
    given: bool = True

    @property
    def is_utc(self) -> bool:
        """Whether its heading says that times without a zone are UTC."""
        return bool(UTC_HEADING.search(self.header))


@dataclass(frozen=True)
class Source:
    """A table of a file as text, before any check.

    Attributes:
        path: the file as messages show it.
        kind: what it holds.
        columns: its columns in the file's order.
        relation: an SQL FROM item with the columns "c0", "c1", … (text, NULL = empty) and, unless
            `numbered` is false, `row_no` and `malformed` (a reason, or NULL for a well-formed row).
        parameters: values that the relation binds.
        numbered: whether the relation counts its rows itself; otherwise its order is its numbering.
        rows: how many rows must come out, blank ones included; None where that is not known beforehand.
        content_hash: of the bytes of the file (and the part, where a file holds several tables).
        bytes: size of the file.
        blanks: what may stand around a cell (a hint that saves work).
        serial_from: the day from which this spreadsheet counts its dates; None where numbers are no dates.
        guarded: whether an apostrophe before what a spreadsheet would take for a formula is none of the text.
        bare_pairs: whether a fault code such as "1234-7" is an SPN and an FMI, as in fleet telematics.
        doubtful_points: whether "1.234" may be a thousand and more, as in files that semicolons separate.
        notes: what was found out.
        profile: the mapping profile by which the file is read, if any.
        time: of which moment it tells.
        lists_only: whether rows that the store has already are no telling of them.
    """

    path: str
    kind: Kind
    columns: tuple[SourceColumn, ...]
    relation: str
    content_hash: str
    bytes: int
    parameters: Mapping[str, Any] = field(default_factory=dict)
    numbered: bool = True
    rows: int | None = None
    blanks: Blanks = Blanks.ANY
    serial_from: str | None = None
    guarded: bool = False
    bare_pairs: bool = False
    doubtful_points: bool = False
    notes: tuple[str, ...] = ()
    profile: Profile | None = None
    time: FileTime = NO_TIME
    lists_only: bool = False

    def words_of(self, name: str | None) -> Mapping[str, str]:
        """Words that the file writes in the dictionary's column `name`, and what each stands for."""
        return self.profile.words.get(name, {}) if self.profile and name else {}

    def cell(self, name: str) -> str | None:
        """The cell that holds the dictionary's column `name`, None where the file has no such column."""
        return next((column.cell for column in self.columns if column.name == name), None)

    def is_utc(self, name: str) -> bool:
        """Whether the times of the dictionary's column `name` are UTC where they name no zone."""
        return next((column.is_utc for column in self.columns if column.name == name), False)

    def extra(self, name: str) -> str | None:
        """The cell of a column that is not in the dictionary, by its squeezed heading."""
        return next(
            (c.cell for c in self.columns if c.name is None and squeeze(c.header) == squeeze(name)), None
        )
