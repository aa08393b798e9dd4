"""What cells look like: the share of a column's cells that could stand in a column of the dictionary."""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass

from fleetlog.intake.profiles.meanings import Words
from fleetlog.store.dictionary import Column, Type

_DATE = re.compile(
    r"\d{4}[-/.]\d{1,2}([-/.]\d{1,2})?([T ].*)?|\d{1,2}[-/.]\d{1,2}[-/.]\d{2,4}([T ].*)?"
    r"|\d{1,2}[ -][A-Za-z]{3,9}[ -]\d{2,4}.*|[A-Za-z]{3,9} \d{1,2},? \d{4}.*"
)
_YEAR = re.compile(r"(19|20)\d\d(-\d\d)?")
_NUMBER = re.compile(r"[+-]?(\d{1,3}([, ]\d{3})+|\d+)?([.,]\d+)?\s*(h|hrs?|hours?|v)?", re.IGNORECASE)
_PIN = re.compile(r"[A-Za-z0-9]{17}")
NEW_MACHINES = 0.3
"""What short texts of which none is a known machine say for a column of machines: they may be new ones."""

_SHORT_ID = re.compile(r"[^\s]{1,16}( [^\s]{1,8})?")

LONG_TEXTS = frozenset({"complaint", "cause", "correction", "note", "description", "removal_reason"})
IDS = frozenset({"work_order_id", "machine_id", "serial_number", "part_number", "code"})


@dataclass(frozen=True)
class Content:
    """How well cells fit a column.

    Attributes:
        share: of the cells that are not empty, how many could stand there; None where any text could, or
            there are none.
        evidence: what was looked at, in a few words.
    """

    share: float | None
    evidence: str


def content_of(
    cells: Sequence[str], column: Column, words: Words | None, machine_ids: Collection[str]
) -> Content:
    """How well the cells of a file's column (empty ones left out) fit a column of the dictionary."""
    if not cells:
        return Content(None, "no cells")
    if column.name == "machine_id" and machine_ids:
        listed = _share(cells, [cell in machine_ids for cell in cells], "known machines")
        if listed.share or not all(_SHORT_ID.fullmatch(cell) and not is_date(cell) for cell in cells):
            return listed
        return Content(NEW_MACHINES, "none of the known machines")
    if words is not None:
        known = [words.meant(cell) is not None for cell in cells]
        share = sum(known) / len(cells)
        return Content(share if words.closed or share > 0 else None, f"{share:.0%} known words")
    match column.type:
        case Type.TIME | Type.END_TIME | Type.DATE:
            return _share(cells, [is_date(cell) for cell in cells], "dates")
        case Type.PARTIAL_DATE:
            fits = [is_date(cell) or bool(_YEAR.fullmatch(cell)) for cell in cells]
            return _share(cells, fits, "dates or years")
        case Type.HOURS | Type.NUMBER | Type.COUNT:
            return _share(cells, [_fits_number(cell, column) for cell in cells], "numbers that could be it")
    if column.name == "pin":
        return _share(cells, [bool(_PIN.fullmatch(cell)) for cell in cells], "texts of 17 characters")
    plain = [not is_date(cell) for cell in cells]
    if column.name in LONG_TEXTS:
        fits = [ok and number_in(cell) is None for ok, cell in zip(plain, cells, strict=True)]
        return _share(cells, fits, "texts")
    if column.name in IDS:
        fits = [ok and bool(_SHORT_ID.fullmatch(cell)) for ok, cell in zip(plain, cells, strict=True)]
        return _share(cells, fits, "short texts")
    fits = [ok and number_in(cell) is None for ok, cell in zip(plain, cells, strict=True)]
    return Content(None, "texts") if sum(fits) * 2 >= len(cells) else _share(cells, fits, "texts")


def _share(cells: Sequence[str], fits: Sequence[bool], evidence: str) -> Content:
    share = sum(fits) / len(cells)
    return Content(share, f"{share:.0%} {evidence}")


def is_date(cell: str) -> bool:
    """Whether a cell looks like a date, in whatever order."""
    return bool(_DATE.fullmatch(cell))


def number_in(cell: str) -> float | None:
    """The number in a cell, with either decimal sign and a unit beside it; None where it holds none."""
    text = cell.strip()
    match = _NUMBER.fullmatch(text)
    if not match or not any(c.isdigit() for c in text):
        return None
    plain = re.sub(r"[A-Za-z\s]", "", text)
    if "," in plain and "." not in plain and not re.fullmatch(r"[+-]?\d{1,3}(,\d{3})+", plain):
        plain = plain.replace(",", ".")
    return float(plain.replace(",", ""))


def _fits_number(cell: str, column: Column) -> bool:
    number = number_in(cell)
    if number is None or (column.type is Type.COUNT and number != int(number)):
        return False
    low, high = column.low, column.high
    return low is None or high is None or low <= number <= high
