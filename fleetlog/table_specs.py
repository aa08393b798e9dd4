"""What the tables of the report are: their columns, headings and kinds, as reports/tables.toml declares them."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import TYPE_CHECKING, Any, NamedTuple

from fleetlog import resources
from fleetlog.phrasing import said

if TYPE_CHECKING:
    import polars as pl


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
def _declared() -> Mapping[str, Any]:
    file = resources.folder("reports") / "tables.toml"
    return tomllib.loads(file.read_text(encoding="utf-8"))


@cache
def shared_columns() -> Mapping[str, TableColumn]:
    """Columns that several tables have, by their key."""
    return {key: TableColumn(key, *words) for key, words in _declared()["columns"].items()}


@cache
def table_specs(of: str) -> tuple[TableSpec, ...]:
    """The tables of a "month" or of a "unit", in the order of reports/tables.toml."""

    def columns(entries: Sequence[Any], page: bool) -> list[TableColumn]:
        shared = shared_columns()
        worded = (shared[one] if isinstance(one, str) else TableColumn(*one) for one in entries)
        return [replace(column, page=page) for column in worded]

    return tuple(
        TableSpec(
            columns=(*columns(table.get("columns", ()), True), *columns(table.get("sheet_only", ()), False)),
            **{key: value for key, value in table.items() if key not in ("columns", "sheet_only")},
        )
        for table in _declared()[of]
    )
