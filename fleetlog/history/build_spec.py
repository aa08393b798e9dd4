"""What a history is made by: fault families, settings, the steps; and a mark that tells two apart."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from hashlib import sha256
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from fleetlog.faults import FaultFamily
from fleetlog.history import chains
from fleetlog.history.families import family_tables
from fleetlog.settings import Settings
from fleetlog.store.statements import numbered


@dataclass(frozen=True)
class BuildSpec:
    """By what, and as of which day, a history is made.

    Attributes:
        families: name -> fault family.
        settings: meters, windows, design changes and the fleet's time zone.
        as_of: the last day that counts.
    """

    families: Mapping[str, FaultFamily]
    settings: Settings
    as_of: date

    @property
    def as_of_end(self) -> datetime:
        """The first instant (UTC) that no longer counts."""
        zone = ZoneInfo(self.settings.fleet.time_zone)
        midnight = datetime.combine(self.as_of + timedelta(days=1), time(), zone)
        return midnight.astimezone(UTC).replace(tzinfo=None)

    @property
    def parameters(self) -> dict[str, Any]:
        """What the steps bind."""
        return {"as_of_end": self.as_of_end, **self.fixed}

    @property
    def fingerprint(self) -> str:
        """The same for histories that are made the same way, whatever the day."""
        tables = family_tables(self.families.values(), (), self.settings.design_changes)
        parts = [
            repr(sorted(self.fixed.items())),
            *(step.name + step.text for step in numbered("history")),
            Path(chains.__file__).read_text(encoding="utf-8"),
            *(f"{name} {frame.rows()}" for name, frame in tables.items()),
        ]
        return sha256("\n".join(parts).encode()).hexdigest()

    @property
    def fixed(self) -> dict[str, Any]:
        """What the steps bind whatever the day."""
        meters, wording = self.settings.meters, self.settings.wording
        return {
            "silence_days": meters.silence_days,
            "hours_a_day": meters.max_hours_per_day,
            "rate_days": meters.recent_rate_days,
            "count_unjudged": wording.count_unjudged,
            "least_confidence": wording.least_confidence,
        }
