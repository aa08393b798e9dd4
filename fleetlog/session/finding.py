"""What the answers to all questions share, and how they become one JSON object."""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import date, datetime
from typing import TYPE_CHECKING, Any, Protocol, runtime_checkable

import polars as pl

if TYPE_CHECKING:
    import altair as alt


@runtime_checkable
class Finding(Protocol):
    """The answer to one question of a fleet."""

    @property
    def as_of(self) -> date:
        """The last day that counts."""
        ...

    @property
    def fault(self) -> str:
        """Name of the fault family."""
        ...

    @property
    def notes(self) -> tuple[str, ...]:
        """What a reader must know, in sentences."""
        ...

    @property
    def frame(self) -> pl.DataFrame:
        """The answer as one flat table."""
        ...

    def to_dict(self) -> dict[str, Any]:
        """The answer as the JSON object that scripts rely on."""
        ...

    def chart(self) -> alt.TopLevelMixin:
        """The answer as a picture."""
        ...


def header(finding: Finding, rows: list[dict[str, Any]], **more: Any) -> dict[str, Any]:
    """The JSON object of a finding: as_of, fault, rows and notes, and what the finding adds."""
    answer = {
        "as_of": finding.as_of,
        "fault": finding.fault,
        "rows": rows,
        "notes": list(finding.notes),
        **more,
    }
    return {key: plain(value) for key, value in answer.items()}


def plain(value: Any) -> Any:
    """`value` in JSON's own types: dates in ISO 8601, NaN and infinity as null."""
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
