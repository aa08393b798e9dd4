"""Reads the figures of the report's pages: tables cell by cell, and every figure that is linked to its table."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import polars as pl


@dataclass
class PageTable:
    """A table as it stands on a page: headings, and rows of what a reader sees."""

    headings: list[str] = field(default_factory=list)
    rows: list[list[str]] = field(default_factory=list)


class Page(HTMLParser):
    """A page of the report.

    Attributes:
        figures: text and link of every figure that leads to a table.
        tables: by the name of their CSV.
        articles: the words of every case, in order.
    """

    def __init__(self, path: Path) -> None:
        super().__init__(convert_charrefs=True)
        self.figures: list[tuple[str, str]] = []
        self.tables: dict[str, PageTable] = {}
        self.articles: list[str] = []
        self._table: PageTable | None = None
        self._cell: str | None = None
        self._link: str | None = None
        self._text = ""
        self._in_article = False
        self.feed(path.read_text(encoding="utf-8"))

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        if tag == "table":
            name = (given["id"] or "").removeprefix("table-").removesuffix("-t").replace("-", "_")
            self._table = self.tables[name] = PageTable()
        if tag == "tr" and self._table is not None:
            self._table.rows.append([])
        if tag in ("td", "th"):
            self._cell = ""
        if tag == "a" and given.get("class") == "fig":
            self._link, self._text = given["href"], ""
        if tag == "article":
            self._in_article = True
            self.articles.append("")

    def handle_endtag(self, tag: str) -> None:
        if tag in ("td", "th") and self._table is not None and self._cell is not None:
            row = self._table.headings if tag == "th" else self._table.rows[-1]
            row.append(words(self._cell))
            self._cell = None
        if tag == "table" and self._table is not None:
            self._table.rows = [row for row in self._table.rows if row]
            self._table = None
        if tag == "a" and self._link is not None:
            self.figures.append((words(self._text), self._link))
            self._link = None
        if tag == "article":
            self._in_article = False
            self.articles[-1] = words(self.articles[-1])
        if self._in_article and tag in ("p", "h3", "h4", "li"):
            self.articles[-1] += " "

    def handle_data(self, data: str) -> None:
        self._text += data
        if self._cell is not None:
            self._cell += data
        if self._in_article:
            self.articles[-1] += data


def words(text: str) -> str:
    """Text with single spaces that break."""
    return re.sub(r"\s+", " ", text.replace("\u00a0", " ")).strip()


def table_of(path: Path) -> list[dict[str, Any]]:
    """The rows of a CSV of the report, all of it as text: a unit number may begin with 0."""
    return pl.read_csv(path, infer_schema=False).to_dicts()


def holds(table: pl.DataFrame, figure: str) -> bool:
    """Whether a table holds a figure: in a cell, as its rows, as rows of one kind, or as a column's sum."""
    numbers = [float(found.replace(",", "")) for found in re.findall(r"\d[\d,]*(?:\.\d+)?", figure)]
    if not numbers:
        return figure.startswith(("no ", "–"))
    if len(numbers) > 1:
        return any(all(number in row for number in numbers) for row in table.rows())
    (number,) = numbers
    if figure.startswith(("<", ">")):
        least, most = (0.0, number / 100) if figure[0] == "<" else (number / 100, 1.0)
        every = (value for column in table if column.dtype.is_float() for value in column.drop_nulls())
        return any(least < value < most for value in every)
    counts = {float(table.height)}
    cells: set[float] = set()
    for column in table:
        counts |= {float(count) for count in column.value_counts(name="times")["times"]}
        if column.dtype.is_numeric():
            known = column.drop_nulls().cast(pl.Float64)
            cells |= {float(int(value * (100 if "%" in figure else 1) + 0.5)) for value in known}
            cells |= {round(value, 1) for value in known if "." in figure}
            cells.add(float(int(known.sum() + 0.5)))
    return number in cells or ("%" not in figure and number in counts)


def shown(value: Any, kind: str, currency: str) -> str:
    """A number as a cell of its kind shows it: rounded once, from the digits of the CSV."""
    if value is None or value == "":
        return "–"
    if kind == "count":
        return f"{int(value):,}"
    amount = float(value)
    match kind:
        case "percent":
            if 0 < amount < 0.005:
                return "<1%"
            return ">99%" if 0.995 < amount < 1 else f"{math.floor(100 * amount + 0.5)}%"
        case "money":
            return f"{currency} {math.floor(amount + 0.5):,}"
        case "hours" | "whole":
            return f"{amount:,.0f}"
    return f"{amount:,.1f}"


def differences(said: Mapping[str, Any], other: Mapping[str, Any]) -> dict[str, tuple[Any, Any]]:
    """What two rows say otherwise of what both tell."""
    return {
        key: (said[key], other[key]) for key in said.keys() & other.keys() if not same(said[key], other[key])
    }


def same(one: Any, other: Any) -> bool:
    """Whether two cells are alike: numbers to the last digits that text keeps, nothing as nothing."""
    if one in (None, "") or other in (None, ""):
        return one in (None, "") and other in (None, "")
    if isinstance(one, bool) or isinstance(other, bool):
        return _truth(one) == _truth(other)
    if isinstance(one, int | float) or isinstance(other, int | float):
        return math.isclose(float(one), float(other), rel_tol=1e-12, abs_tol=1e-12)
    return _plain(one) == _plain(other)


def _plain(value: Any) -> str:
    text = value.isoformat() if hasattr(value, "isoformat") else str(value)
    return text.removesuffix("T00:00:00").lstrip("'")


def _truth(value: Any) -> str:
    return {"True": "yes", "true": "yes", "False": "no", "false": "no"}.get(str(value), str(value))
