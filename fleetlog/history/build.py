"""Builds the history of a store: the steps of sql/history/ in order, and the one step SQL cannot do."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from fleetlog.errors import UsageError
from fleetlog.faults import FaultFamily
from fleetlog.history.chains import set_aside
from fleetlog.history.families import hand_over
from fleetlog.settings import Settings
from fleetlog.store import Store
from fleetlog.store.statements import numbered


@dataclass(frozen=True)
class History:
    """A history that has been built into temporary tables of a store's connection.

    Attributes:
        as_of: the last day that counts.
        as_of_end: the first instant (UTC) that no longer does.
        tables: names of the tables.
    """

    as_of: date
    as_of_end: datetime
    tables: tuple[str, ...]


def last_day(store: Store, time_zone: str) -> date:
    """The last day on record, in the fleet's zone.

    Raises:
        UsageError: when nothing is on record.
    """
    last = store.run("history/last_record")["last_at"][0]
    if last is None:
        raise UsageError(
            "The store holds no readings, codes or work orders yet; load some with 'fleetlog load FILES'."
        )
    found: datetime = last
    return found.replace(tzinfo=UTC).astimezone(ZoneInfo(time_zone)).date()


def build_history(
    store: Store, families: Mapping[str, FaultFamily], settings: Settings, as_of: date | None = None
) -> History:
    """Makes the history tables as they would have been on that day.

    Args:
        store: an open store; its own tables are only read.
        families: the fault families in force.
        settings: meters, windows and the fleet's time zone.
        as_of: the last day that counts; None takes the last day on record.
    """
    zone = settings.fleet.time_zone
    day = as_of or last_day(store, zone)
    midnight = datetime.combine(day + timedelta(days=1), time(), ZoneInfo(zone))
    as_of_end = midnight.astimezone(UTC).replace(tzinfo=None)
    types = [
        row[0]
        for row in store.execute("SELECT DISTINCT machine_type FROM machines WHERE machine_type IS NOT NULL")
    ]
    hand_over(store, families.values(), types)
    parameters = {
        "as_of_end": as_of_end,
        "silence_days": settings.meters.silence_days,
        "hours_a_day": settings.meters.max_hours_per_day,
        "rate_days": settings.meters.recent_rate_days,
        "count_unjudged": settings.wording.count_unjudged,
        "least_confidence": settings.wording.least_confidence,
    }
    tables = []
    for step in numbered("history"):
        table = step.name.split("_", 1)[1]
        store.create(table, step, temporary=True, **parameters)
        tables.append(table)
        if table == "doubtful_reading":
            store.register("set_aside_reading", set_aside(store.select("FROM doubtful_reading")))
            tables.append("set_aside_reading")
    return History(day, as_of_end, tuple(tables))
