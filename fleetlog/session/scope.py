"""Which part of a fleet a question looks at, and as of when."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date


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
