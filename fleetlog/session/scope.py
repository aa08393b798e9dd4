"""Which part of a fleet a question looks at, and as of when."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

DEFAULT_FAULT = "neutral-return"
"""The fault family that a question is about unless another is named."""

Columns = str | Sequence[str]
"""Columns to split by: one, several with commas between them, or several names."""


@dataclass(frozen=True)
class Scope:
    """Which part of the fleet a finding looks at, and as of when.

    Attributes:
        fault: name of the fault family.
        as_of: the last day that counts, or None for the last day on record.
        sites, build_years, machines: what to keep; empty keeps all.
    """

    fault: str = DEFAULT_FAULT
    as_of: date | None = None
    sites: tuple[str, ...] = ()
    build_years: tuple[int, ...] = ()
    machines: tuple[str, ...] = ()


WHOLE_FLEET = Scope()


def columns_of(columns: Columns) -> tuple[str, ...]:
    """The names of columns, whichever way they are given."""
    names = columns.split(",") if isinstance(columns, str) else columns
    return tuple(name.strip() for name in names if name.strip())
