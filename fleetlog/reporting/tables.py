"""The tables of the report with their rows: complete for CSV and workbook, in words for page and PDF."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any

import polars as pl

from fleetlog.phrasing import capital, money, percent, said
from fleetlog.reporting.views import VIEWS
from fleetlog.table_specs import KINDS, TableColumn, TableSpec, table_specs


def table_frames(of: str, finding: Any) -> dict[str, pl.DataFrame]:
    """Every table that the finding has rows for, complete, by the name of its CSV."""
    frames = {spec.name: spec.frame(finding) for spec in table_specs(of)}
    return {name: frame for name, frame in frames.items() if frame is not None}


@dataclass(frozen=True)
class CellWording:
    """What the tables of one report are worded with.

    Attributes:
        words: stored value -> what a reader would say.
        currency: of columns of money.
        figures: name -> what stands for it where a title, heading or note has it in braces.
        pages: machine -> path of its page.
    """

    words: Mapping[str, str]
    currency: str = ""
    figures: Mapping[str, str] = field(default_factory=dict)
    pages: Mapping[str, str] = field(default_factory=dict)

    def fill(self, text: str) -> str:
        """The text with the figures that it names."""
        for name, figure in self.figures.items():
            text = text.replace(f"{{{name}}}", figure)
        return text

    def column(self, column: TableColumn) -> TableColumn:
        """The column with the figures that its heading and note name."""
        return replace(column, heading=self.fill(column.heading), note=self.fill(column.note))


@dataclass(frozen=True)
class TableCell:
    """A value as read, as sorted, and where it leads."""

    text: str
    sort: str
    link: str = ""


@dataclass(frozen=True)
class Table:
    """A table ready for a page; `csv` is the file it came from, relative to the page."""

    name: str
    caption: str
    columns: tuple[TableColumn, ...]
    rows: tuple[tuple[TableCell, ...], ...]
    csv: str
    hidden: int = 0

    @property
    def total(self) -> int:
        """Rows in the CSV."""
        return len(self.rows) + self.hidden


def page_table(
    spec: TableSpec, finding: Any, frame: pl.DataFrame, folder: str, wording: CellWording, *, most: int = 500
) -> Table:
    """A table in words, as a page shows it.

    Args:
        spec: the table.
        finding: what its rows come from.
        frame: the rows, complete.
        folder: where its CSV lies, relative to the page.
        wording: of this report.
        most: rows on the page; the CSV has all.
    """
    seen = VIEWS[spec.page_view](finding, frame)
    shown = seen.head(most).to_dicts()
    columns = [
        column
        for column in spec.columns
        # A column of words that has none only takes room. A missing number says something.
        if column.page
        and column.key in seen.columns
        and (column.kind not in ("text", "word") or any(row[column.key] not in (None, "") for row in shown))
    ]
    return Table(
        spec.name.replace("_", "-"),
        wording.fill(spec.title),
        tuple(wording.column(column) for column in columns),
        tuple(tuple(_cell(row[column.key], column.kind, wording) for column in columns) for row in shown),
        f"{folder}/{spec.name}.csv",
        seen.height - len(shown),
    )


def _cell(value: Any, kind: str, wording: CellWording) -> TableCell:
    if value is None or value == "":
        return TableCell("–", "")
    if kind == "count":
        return TableCell(f"{value:,}", str(value))
    if KINDS[kind].style == "r":
        return TableCell(_number(float(value), kind, wording.currency), repr(float(value)))
    if isinstance(value, datetime):
        return TableCell(
            f"{value:%Y-%m-%d}" if kind == "date" else f"{value:%Y-%m-%d %H:%M}", value.isoformat()
        )
    if kind == "yesno":
        value = "yes" if value else "no"
    text = plain = str(value)
    match kind:
        case "word" | "value":
            text = capital(said(plain, wording.words if kind == "word" else {}))
        case "sentence":
            text = capital(plain.rstrip("."))
        case "unit":
            return TableCell(text, plain, wording.pages.get(plain, ""))
    return TableCell(text, plain)


def _number(value: float, kind: str, currency: str) -> str:
    if kind == "percent":
        return percent(value)
    if kind == "money":
        return money(value, currency)
    return f"{value:,.0f}" if kind in ("whole", "hours") else f"{value:,.1f}"
