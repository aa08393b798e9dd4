"""Tables of the page: which columns a reader sees, in which words, with the value that sorting uses."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

import polars as pl

from fleetlog.phrasing import capital, money, percent, said


@dataclass(frozen=True)
class Column:
    """One column as shown.

    Attributes:
        key: column of the frame.
        label: heading.
        kind: how values are written: text, sentence, word (a stored value in words), value (the same, short),
            yesno, count, number, hours, percent, date, time, money, unit (a machine, linked to its page).
        gloss: what the heading means, where that is not plain.
    """

    key: str
    label: str
    kind: str = "text"
    gloss: str = ""

    @property
    def whole(self) -> bool:
        """Whether values must not be broken over lines."""
        return self.kind in ("date", "time")

    @property
    def style(self) -> str:
        """The class of its cells."""
        return "r" if self.right else "n" if self.whole else "s" if self.kind == "sentence" else ""

    @property
    def right(self) -> bool:
        """Whether values stand flush right."""
        return self.kind in ("count", "number", "hours", "percent", "money")


@dataclass(frozen=True)
class Cell:
    """A value as read, as sorted, and where it leads."""

    text: str
    sort: str
    link: str = ""


@dataclass(frozen=True)
class Table:
    """A table ready for a page; `csv` is the file it came from, relative to the page."""

    name: str
    caption: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[Cell, ...], ...]
    csv: str
    hidden: int = 0

    @property
    def total(self) -> int:
        """Rows in the CSV."""
        return len(self.rows) + self.hidden


def table(
    name: str,
    caption: str,
    frame: pl.DataFrame,
    columns: Sequence[Column],
    csv: str,
    *,
    words: Mapping[str, str],
    currency: str = "",
    links: Callable[[str], str] = lambda machine: "",
    most: int = 500,
) -> Table:
    """The rows of `frame` in words.

    Args:
        name: id on the page.
        caption: what it shows.
        frame: the table, complete.
        columns: what to show, in order.
        csv: path of the same table as CSV.
        words: stored value -> what a reader would say.
        currency: of money columns.
        links: machine -> path of its page, "" if it has none.
        most: rows on the page; the CSV has all.
    """
    shown = frame.head(most).to_dicts()
    columns = [column for column in columns if column.key in frame.columns and _says(shown, column)]
    rows = tuple(
        tuple(_cell(row.get(column.key), column, words, currency, links) for column in columns)
        for row in shown
    )
    return Table(name, caption, tuple(columns), rows, csv, frame.height - len(rows))


def _says(rows: Sequence[Mapping[str, Any]], column: Column) -> bool:
    """Whether a column of words has any: an empty one only takes room. A missing number says something."""
    return column.kind not in ("text", "word") or any(row[column.key] not in (None, "") for row in rows)


def _cell(
    value: Any, column: Column, words: Mapping[str, str], currency: str, links: Callable[[str], str]
) -> Cell:
    if value is None or value == "":
        return Cell("–", "")
    match column.kind:
        case "count":
            return Cell(f"{value:,}", str(value))
        case "number":
            return Cell(f"{value:,.1f}", repr(float(value)))
        case "hours":
            return Cell(f"{value:,.0f}", repr(float(value)))
        case "percent":
            return Cell(percent(float(value)), repr(float(value)))
        case "money":
            return Cell(money(float(value), currency), repr(float(value)))
        case "date" | "time":
            return _moment(value, column.kind)
        case "word":
            return Cell(capital(said(str(value), words)), str(value))
        case "value":
            return Cell(capital(said(str(value))), str(value))
        case "sentence":
            return Cell(capital(str(value).rstrip(".")), str(value))
        case "yesno":
            return Cell("yes" if value else "no", "yes" if value else "no")
        case "unit":
            return Cell(str(value), str(value), links(str(value)))
        case _:
            return Cell(str(value), str(value))


def _moment(value: date | datetime | str, kind: str) -> Cell:
    if isinstance(value, datetime):
        text = f"{value:%Y-%m-%d}" if kind == "date" else f"{value:%Y-%m-%d %H:%M}"
        return Cell(text, value.isoformat())
    return Cell(str(value), str(value))
