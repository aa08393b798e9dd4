"""Tables for a terminal: the page's words, numbers flush right and alike, no wider than the window.

Files and pipes get the same table as wide as it is. Where columns do not fit even when their texts are broken over
lines, the last ones are left out and named beneath.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from functools import cache, cached_property
from typing import TYPE_CHECKING, Any

from fleetlog.phrasing import NO_WORDS, Words, capital, percent, said
from fleetlog.table_specs import shared_columns, table_specs

if TYPE_CHECKING:
    import polars as pl

#: Letters of a column of text where room is scarce, and spaces between columns.
_NARROW, _GAP = 14, 2
#: Decimals of a kind of column; those of others follow from their values.
_DECIMALS = {"hours": 0, "whole": 0, "count": 0, "money": 0, "number": 1, "labour": 1, "ratio": 2}
#: Columns that name a part, not a cause.
_PARTS = ("component", "part")
#: Columns that are kept before any other: which machine, and what to do.
_NEEDED = (
    "machine_id",
    "side",
    "sides",
    "group",
    "week",
    "monday",
    "next_step",
    "action",
    "ask",
    "why",
    "part",
)
#: Question and table -> the table of the report that shows the same.
_SAME = {
    "suspects.summary": "suspects",
    "holds.summary": "holds",
    "plan.summary": "plan",
    "plan.parts": "parts_to_order",
    "survival.summary": "survival_by_variant",
    "compare.groups": "build_years_compared",
    "repeats.by_action": "repairs",
    "repeats.units": "repeat_units",
    "forecast.totals": "forecast",
    "money.frame": "money",
    "money.in_vain": "in_vain",
    "money.spent": "spent",
    "status.quality": "quality",
    "unit.attempts": "unit repairs",
    "unit.components": "unit components",
    "unit.frame": "unit history",
}


@dataclass(frozen=True)
class Wording:
    """How the columns of a table are said.

    Attributes:
        table: as in `_SAME`; "" for one that the report does not have.
        words: stored value -> what a reader would say.
        currency: of money.
    """

    table: str = ""
    words: Words = field(default_factory=dict)
    currency: str = ""


@dataclass(frozen=True)
class _Column:
    """A column ready to be set."""

    name: str
    heading: str
    cells: tuple[str, ...]
    right: bool

    @cached_property
    def widest(self) -> int:
        """Letters that it takes where nothing is broken over lines."""
        return max(self._longest, len(self.heading))

    @cached_property
    def least(self) -> int:
        """Letters that it needs: a number stays whole, a text is broken at spaces."""
        words = [len(word) for word in self.heading.split()] or [0]
        return max(self._longest if self.right else min(self._longest, _NARROW), *words)

    @property
    def _longest(self) -> int:
        return max((len(cell) for cell in self.cells), default=0)


def screen_table(frame: pl.DataFrame, wording: Wording | None, width: int | None) -> str:
    """A table as text.

    Args:
        frame: its rows.
        wording: how its columns are said; None: by their own names, values as they are stored.
        width: letters that a line may have; None: as many as it takes.
    """
    columns = [_column(frame[name], wording) for name in frame.columns]
    if width is None or not frame.height:
        return _set(columns, [column.widest for column in columns])
    kept, left_out = _fitting(columns, wording, width)
    text = _set(kept, _widths(kept, width))
    if left_out:
        names = ", ".join(column.heading or column.name for column in left_out)
        text += wrapped(
            f"Left out for want of room: {names}. A wider window, or --format csv, shows all.\n", width
        )
    return text


def wrapped(text: str, width: int | None) -> str:
    """Text with its long lines broken at spaces, what goes on beneath a dash set in."""
    if width is None:
        return text
    lines = []
    for line in text.split("\n"):
        bare = line.lstrip(" ")
        inset = " " * (len(line) - len(bare) + (2 if bare.startswith("- ") else 0))
        whole = textwrap.wrap(
            line, width, subsequent_indent=inset, break_on_hyphens=False, break_long_words=False
        )
        lines += whole if len(line) > width else [line]
    return "\n".join(lines)


# ---------------------------------------------------------------------------------------------- what fits


def _fitting(
    columns: Sequence[_Column], wording: Wording | None, width: int
) -> tuple[list[_Column], list[_Column]]:
    """The columns that fit side by side, in their order, and the others; the report's own come first."""
    filled = [column for column in columns if any(column.cells) or len(columns) < 3]
    shown = _shown_first(wording.table) if wording else ()
    order = sorted(
        filled,
        key=lambda column: (
            column.name not in _NEEDED or wording is None,
            shown.index(column.name) if column.name in shown else len(shown),
        ),
    )
    kept: set[str] = set()
    room = width
    for column in order:
        if column.least + (_GAP if kept else 0) > room:
            continue
        room -= column.least + (_GAP if kept else 0)
        kept.add(column.name)
    if not kept:
        kept = {order[0].name}
    inside = [column for column in columns if column.name in kept]
    return inside, [column for column in filled if column.name not in kept]


def _widths(columns: Sequence[_Column], width: int) -> list[int]:
    """The width of every column: its least, and what is left shared out among those that want more."""
    widths = [column.least for column in columns]
    room = width - sum(widths) - _GAP * (len(columns) - 1)
    while room > 0:
        wanting = [place for place, column in enumerate(columns) if widths[place] < column.widest]
        if not wanting:
            break
        for place in wanting[:room]:
            widths[place] += 1
        room -= len(wanting[:room])
    return widths


def _set(columns: Sequence[_Column], widths: Sequence[int]) -> str:
    """Headings, a rule, and the rows; texts broken over lines where they are too long."""
    heads = [_broken(column.heading, width) for column, width in zip(columns, widths, strict=True)]
    tallest = max((len(head) for head in heads), default=1)
    heads = [[""] * (tallest - len(head)) + head for head in heads]
    lines = _lines(heads, columns, widths)
    lines.append((" " * _GAP).join("-" * width for width in widths))
    for row in range(len(columns[0].cells) if columns else 0):
        cells = [_broken(column.cells[row], width) for column, width in zip(columns, widths, strict=True)]
        lines += _lines(cells, columns, widths)
    return "\n".join(lines) + "\n"


def _lines(cells: Sequence[Sequence[str]], columns: Sequence[_Column], widths: Sequence[int]) -> list[str]:
    found = []
    for number in range(max((len(cell) for cell in cells), default=1)):
        pieces = []
        for cell, column, width in zip(cells, columns, widths, strict=True):
            piece = cell[number] if number < len(cell) else ""
            pieces.append(piece.rjust(width) if column.right else piece.ljust(width))
        found.append((" " * _GAP).join(pieces).rstrip())
    return found


def _broken(text: str, width: int) -> list[str]:
    return textwrap.wrap(text, max(width, 1), break_on_hyphens=False) or [""]


# ---------------------------------------------------------------------------------------------- columns in words


def _column(values: pl.Series, wording: Wording | None) -> _Column:
    heading, kind = _told(values.name, wording) if wording else (values.name, "")
    number = values.dtype.is_numeric()
    if wording and kind == "money" and wording.currency:
        heading = f"{heading}, {wording.currency}"
    elif wording and kind in ("hours", "labour"):
        heading = f"{heading}, h"
    places = _places(values, kind) if number else 0
    # The words of a family name causes, and a cause may be called like the part: here the part is meant.
    words = wording.words if wording and kind in ("word", "") and values.name not in _PARTS else NO_WORDS
    cells = tuple(_cell(value, kind, places, words, worded=wording is not None) for value in values.to_list())
    return _Column(values.name, heading, cells, number)


def _places(values: pl.Series, kind: str) -> int:
    """How many decimals the numbers of a column have, the same for all of them."""
    known = [abs(value) for value in values.to_list() if value is not None and math.isfinite(value)]
    whole = not values.dtype.is_float() or all(float(value).is_integer() for value in known)
    if kind in _DECIMALS and (kind != "count" or whole):
        return _DECIMALS[kind]
    if whole:
        return 0
    high = max(known, default=0.0)
    return 0 if high >= 10_000 else 1 if high >= 100 else 2 if high >= 1 else 3


def _cell(value: Any, kind: str, places: int, words: Words, *, worded: bool) -> str:
    if value is None or value == "":
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        if not math.isfinite(value):
            return ""
        if kind == "percent":
            return percent(float(value))
        if 0 < abs(value) < 0.5 * 10**-places:
            return f"<{10**-places:.{places}f}"
        return f"{value:,.{places}f}" if worded and kind in _DECIMALS else f"{value:.{places}f}"
    if isinstance(value, datetime):
        return f"{value:%Y-%m-%d}" if kind == "date" else f"{value:%Y-%m-%d %H:%M}"
    if isinstance(value, date):
        return value.isoformat()
    text = " ".join(str(value).split())
    if not worded or kind not in ("word", "value", "") or (not kind and text not in words):
        return text
    return capital(said(text, words))


def _told(name: str, wording: Wording) -> tuple[str, str]:
    """The heading and the kind of a column, as the report has them."""
    own, shared = _report_columns()
    table = _SAME.get(wording.table, wording.table)
    heading, kind = own.get(table, {}).get(name) or shared.get(name) or (capital(said(name)), "")
    return heading.replace("{custom}", "Custom"), kind


def _shown_first(table: str) -> Sequence[str]:
    """The columns that the report shows of the same table, in its order."""
    return tuple(_report_columns()[0].get(_SAME.get(table, table), {}))


@cache
def _report_columns() -> tuple[Mapping[str, Mapping[str, tuple[str, str]]], Mapping[str, tuple[str, str]]]:
    """Table -> column -> heading and kind, and the same of columns that several tables share."""
    shared = {key: (column.heading, column.kind) for key, column in shared_columns().items()}
    tables: dict[str, dict[str, tuple[str, str]]] = {}
    for of in ("month", "unit"):
        for spec in table_specs(of):
            name = spec.name if of == "month" else f"unit {spec.name}"
            told = {one.key: (one.heading, one.kind) for one in spec.columns}
            tables[name] = {one.key: told[one.key] for one in spec.columns if one.page}
            for key, words in told.items():
                if "*" not in key:
                    shared.setdefault(key, words)
    return tables, shared
