"""What all findings share: whom they ask about, and how they become one JSON object."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import TYPE_CHECKING, Any, Protocol, runtime_checkable

import polars as pl

if TYPE_CHECKING:
    import altair as alt


@dataclass(frozen=True)
class Scope:
    """Which part of the fleet a finding looks at, and as of when.

    Attributes:
        fault: name of the fault family.
        as_of: the last day that counts, or None for the last day on record.
        sites, build_years, machines: what to keep; empty keeps all.
    """

    fault: str = "neutral-return"
    as_of: date | None = None
    sites: tuple[str, ...] = ()
    build_years: tuple[int, ...] = ()
    machines: tuple[str, ...] = ()


WHOLE_FLEET = Scope()


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


@dataclass(frozen=True)
class Reason:
    """One piece of evidence and what it adds, in natural-log odds, for the top cause against the rest."""

    evidence: str
    weight: float


@dataclass(frozen=True)
class Suspect:
    """A machine (and side) with an open case, or one to keep an eye on.

    Attributes:
        state: "open" (the fault stands unsolved) or "watch" (no open case, but reasons to look).
        since: first report of the open case.
        age_hours: running hours of the bushing, or of the part the family follows, on that side.
        causes: cause -> probability; sums to 1.
        next_step: what to do next, in words.
        expected_cost: expected cost of the next step and what follows it, in the fleet's currency.
        reasons: the evidence; the weights add up to the log-odds of `top_cause`.
        cautions: whether the next step calls for the family's cautions beside it.
        custom_cost: expected cost if the shop went through its customary order instead (sensor before pump).
    """

    machine_id: str
    side: str
    state: str
    since: date | None
    age_hours: float | None
    variant: str
    causes: Mapping[str, float]
    top_cause: str
    next_step: str
    expected_cost: float | None
    reasons: tuple[Reason, ...]
    site: str = ""
    model: str = ""
    build_year: int | None = None
    episodes: int = 0
    last_report: datetime | None = None
    cautions: bool = False
    custom_cost: float | None = None
    note: str = field(default="")

    @property
    def certainty(self) -> float:
        """Probability of the top cause."""
        return self.causes[self.top_cause]
