"""What the answers to all questions share: one object for JSON, one usual picture, one way to a file."""

from __future__ import annotations

import html
import math
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar, Protocol

from fleetlog.outfile import write_file
from fleetlog.questions import CHART_FILE, question
from fleetlog.session.safety import Safety
from fleetlog.tables import ending_of, neat, write_table

if TYPE_CHECKING:
    import altair as alt
    import polars as pl

_PICTURES = (".svg", ".png", ".pdf", ".html")
_SHOWN_ROWS = 12


class Answered(Protocol):
    """What every answer says of itself."""

    @property
    def as_of(self) -> date:
        """The last day that counts."""

    @property
    def fault(self) -> str:
        """Name of the fault family."""

    @property
    def notes(self) -> tuple[str, ...]:
        """What a reader must know, in sentences."""

    @property
    def frame(self) -> pl.DataFrame:
        """The answer as one flat table."""


if TYPE_CHECKING:
    _Base = Answered
else:  # a protocol's properties would stand in the way of the fields of the same names
    _Base = object


class Finding(_Base):
    """The answer to one question of a fleet; its results are frozen dataclasses that derive from this.

    Attributes:
        question: the name of the question in `fleetlog.questions` that it answers.
        answers: the attributes that its JSON object holds beside as_of, fault, rows and notes, in this order.
    """

    question: ClassVar[str]
    answers: ClassVar[tuple[str, ...]] = ()

    def to_dict(self) -> dict[str, Any]:
        """The answer as the JSON object that scripts rely on: the rows of `frame`, and what `answers` names."""
        return header(self, self.frame, **{name: getattr(self, name) for name in self.answers})

    @property
    def remarks(self) -> tuple[str, ...]:
        """Sentences about single rows and tests, which stand beneath a table on a screen."""
        return ()

    safety: Safety | None = None
    """Holds, cautions and the release check that go with the steps the answer proposes; None: it proposes none."""

    def chart(self, name: str | None = None, **how: Any) -> alt.TopLevelMixin:
        """The answer as a picture.

        Args:
            name: which of the question's pictures, as after `fleetlog chart`; None: the usual one.
            **how: `width` (pixels) and `words` (stored value -> spoken words).

        Raises:
            UsageError: the question has no such picture, or nothing to show in it.
        """
        picture: alt.TopLevelMixin = question(self.question).chart(name).draw.load()(self, **how)
        return picture

    def save(self, path: Path | str, chart: str | None = None) -> Path:
        """Writes the answer's picture (.svg, .png, .pdf, .html), its table (the endings of `fleetlog.tables`), or what
        else the command's `--out` knows, such as a plan's calendar (.ics).

        An HTML file holds all that it needs and opens without a network.

        Args:
            path: the file; its ending says which.
            chart: which of the question's pictures; None: the usual one.

        Returns:
            The file.

        Raises:
            UsageError: for another ending, or where the file cannot be written.
        """
        target = Path(path)
        ending = target.suffix.lower()
        if ending in _PICTURES:
            written: Path = CHART_FILE.load()(self.chart(chart), target)
            return written
        told = question(self.question).files.get(ending)
        if told is not None:
            write_file(target, told.load()(self).encode("utf-8", "replace"))
            return target
        ending_of(target, (*question(self.question).files, *_PICTURES))
        write_table(neat(self.frame), target)
        return target

    def __repr__(self) -> str:
        rows = self.frame
        return (
            f"<{type(self).__name__} as of {self.as_of}, fault {self.fault}: "
            f"{rows.height} rows x {rows.width} columns, {len(self.notes)} notes>"
        )

    def _repr_html_(self) -> str:
        """The answer for a notebook: its usual table, its notes and its cautions."""
        shown = getattr(self, question(self.question).frames[0].name)
        more = shown.height - _SHOWN_ROWS
        rest = f"<p>… and {more} more rows in <code>.frame</code></p>" if more > 0 else ""
        notes = "".join(f"<li>{html.escape(note)}</li>" for note in (*self.remarks, *self.notes))
        before, after = (
            "".join(f"<p>{html.escape(line)}</p>" for line in lines)
            for lines in ((self.safety.first_lines(), self.safety.last_lines()) if self.safety else ([], []))
        )
        return (
            f"<p>{html.escape(self.question)} as of {self.as_of}</p>{before}"
            + f"{shown.head(_SHOWN_ROWS)._repr_html_()}{rest}"
            + (f"<ul>{notes}</ul>" if notes else "")
            + after
        )


def header(finding: Answered, rows: pl.DataFrame | list[dict[str, Any]], **more: Any) -> dict[str, Any]:
    """The JSON object of a finding: as_of, fault, rows and notes, and what the finding adds; holds come first."""
    safety = getattr(finding, "safety", None)
    answer = {
        "as_of": finding.as_of,
        "fault": finding.fault,
        **(safety.to_dict() if safety is not None else {}),
        "rows": rows,
        "notes": list(finding.notes),
        **more,
    }
    return {key: plain(value) for key, value in answer.items()}


_PLAIN = frozenset((str, int, bool, type(None)))


def plain(value: Any) -> Any:
    """`value` in JSON's own types: frames as rows, dates in ISO 8601, NaN and infinity as null."""
    if type(value) in _PLAIN:  # nearly all there is, so before whatever takes time to find out
        return value
    if hasattr(value, "to_dicts"):
        value = value.to_dicts()
    if is_dataclass(value):
        value = {one.name: getattr(value, one.name) for one in fields(value)}
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(item) for item in value]
    if isinstance(value, datetime):
        return value.isoformat(timespec="seconds")
    if isinstance(value, date):
        return value.isoformat()
    if hasattr(value, "item") and not isinstance(value, str):  # a numpy scalar
        value = value.item()
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
