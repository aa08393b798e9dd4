"""Where the machines are: in the yard, or out on rent, since when and until when."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import polars as pl

from fleetlog.history import History
from fleetlog.session.fleet import Fleet

BOOKED, EXPECTED = "booked", "expected"


def rentals_ahead(fleet: Fleet, history: History) -> pl.DataFrame:
    """Rentals that keep a machine out after the as-of day, in days of the fleet's zone.

    Returns:
        machine_id, first (day it goes out), last (day it is back), known ("booked", or "expected" where no way back
        is on record: then the mean remaining length of rentals is taken), out (whether it is out now).
    """
    still_to_come = fleet.last_day() <= history.as_of
    booked = fleet.store.run("plan/bookings", as_of_end=history.as_of_end, booked_ahead=still_to_come)
    zone = ZoneInfo(fleet.settings.fleet.time_zone)
    back = history.as_of + timedelta(days=round(_days_still_out(fleet, history.as_of_end)))
    rows = []
    for machine, out_at, in_at in booked.iter_rows():
        first = _local_day(out_at, zone)
        last = _local_day(in_at, zone) if in_at is not None else max(back, first)
        known = EXPECTED if in_at is None else BOOKED
        rows.append((machine, first, last, known, out_at < history.as_of_end))
    schema = {
        "machine_id": pl.String,
        "first": pl.Date,
        "last": pl.Date,
        "known": pl.String,
        "out": pl.Boolean,
    }
    return pl.DataFrame(rows, schema=schema, orient="row")


def out_now(rentals: pl.DataFrame) -> pl.DataFrame:
    """The machines that are out now: machine_id, on_rent_since, due_back, due_back_is ("booked" or "expected")."""
    return (
        rentals.filter("out")
        .sort("machine_id", "last")
        .group_by("machine_id", maintain_order=True)
        .last()
        .select("machine_id", on_rent_since="first", due_back="last", due_back_is="known")
    )


def _local_day(moment: datetime, zone: ZoneInfo) -> date:
    return moment.replace(tzinfo=UTC).astimezone(zone).date()


def _days_still_out(fleet: Fleet, as_of_end: datetime) -> float:
    """How long a machine that is out stays out on average: a long rental is the likelier to be met."""
    row = fleet.store.run("plan/rental_length", as_of_end=as_of_end).row(0, named=True)
    if not row["rentals"]:
        return 7.0
    return float(row["mean_square_days"]) / (2.0 * float(row["mean_days"]))
