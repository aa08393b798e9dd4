"""What a table of the report is, declared once for page, PDF, workbook and CSV; and its form on a page.

The declarations stand in reports/tables.toml.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import cache
from typing import Any, NamedTuple

import polars as pl

from fleetlog import resources
from fleetlog.phrasing import capital, money, percent, said
from fleetlog.reporting.views import VIEWS


class CellKind(NamedTuple):
    """How values of a kind are set.

    Attributes:
        style: class of the cells on the page: "r" flush right, "n" not broken over lines, "s" a sentence.
        sheet: number format of the workbook; "" leaves it to the value.
        unit: of the values, said in the heading.
    """

    style: str = ""
    sheet: str = ""
    unit: str = ""


#: `word` is a stored value in words, `value` the same without the words of the fault family, `unit` a
#: machine, linked to its page; `number` and `labour` have a decimal, `ratio` two in the workbook, `whole` and
#: `hours` none.
KINDS: Mapping[str, CellKind] = {
    "text": CellKind(),
    "word": CellKind(),
    "value": CellKind(),
    "unit": CellKind(),
    "yesno": CellKind(),
    "sentence": CellKind("s"),
    "date": CellKind("n"),
    "time": CellKind("n"),
    "count": CellKind("r"),
    "number": CellKind("r", "#,##0.0"),
    "ratio": CellKind("r", "0.00"),
    "whole": CellKind("r", "#,##0"),
    "hours": CellKind("r", "#,##0", "h"),
    "labour": CellKind("r", "#,##0.0", "h"),
    "percent": CellKind("r", "0%"),
    "money": CellKind("r", '#,##0 "{currency}"'),
}


@dataclass(frozen=True)
class TableColumn:
    """One column of a table.

    Attributes:
        key: column of the rows; a last "*" stands for any ending, which the heading takes for its "*".
        heading: in words, without the unit.
        kind: one of KINDS.
        note: what the heading means, where that is not plain.
        page: whether page and PDF show it; the workbook and the CSV hold every column of the rows.
    """

    key: str
    heading: str
    kind: str = "text"
    note: str = ""
    page: bool = True

    @property
    def title(self) -> str:
        """The heading with the unit."""
        unit = KINDS[self.kind].unit
        return f"{self.heading}, {unit}" if unit else self.heading

    @property
    def style(self) -> str:
        """The class of its cells."""
        return KINDS[self.kind].style

    @property
    def right(self) -> bool:
        """Whether values stand flush right."""
        return self.style == "r"


@dataclass(frozen=True)
class TableSpec:
    """One table of the report.

    Attributes:
        name: of its CSV, and its id on the page.
        title: what it shows. This, headings and notes may name figures of the findings in braces.
        rows: where the finding has its rows: names joined by dots.
        columns: those that are worded, in the order of the page; further columns of the rows are headed by
            their own names.
        sheet: its name in the workbook; "" for none.
        page_view, sheet_view: names of VIEWS: how page and PDF, or the workbook, show the rows.
    """

    name: str
    rows: str
    title: str = ""
    columns: tuple[TableColumn, ...] = ()
    sheet: str = ""
    page_view: str = ""
    sheet_view: str = ""

    def frame(self, finding: Any) -> pl.DataFrame | None:
        """The rows, without columns of lists; None where the finding does not have them."""
        value = finding
        for name in self.rows.split("."):
            value = getattr(value, name)
            if value is None:
                return None
        rows: pl.DataFrame = value
        return rows.drop(name for name, kind in rows.schema.items() if kind.is_nested())

    def column(self, key: str) -> TableColumn | None:
        """How a column of the rows is worded; None where nothing is declared of it."""
        for column in self.columns:
            if column.key == key:
                return column
            start = column.key.removesuffix("*")
            if start != column.key and key.startswith(start):
                heading = column.heading.replace("*", said(key.removeprefix(start)))
                return replace(column, key=key, heading=heading)
        return None


@cache
def table_specs(of: str) -> tuple[TableSpec, ...]:
    """The tables of a "month" or of a "unit", in the order of reports/tables.toml."""
    file = resources.folder("reports") / "tables.toml"
    declared = tomllib.loads(file.read_text(encoding="utf-8"))
    shared = declared["columns"]

    def columns(entries: Sequence[str | list[str]], page: bool) -> list[TableColumn]:
        worded = [[one, *shared[one]] if isinstance(one, str) else one for one in entries]
        return [replace(TableColumn(*words), page=page) for words in worded]

    return tuple(
        TableSpec(
            columns=(*columns(table.pop("columns", ()), True), *columns(table.pop("sheet_only", ()), False)),
            **table,
        )
        for table in declared[of]
    )


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
