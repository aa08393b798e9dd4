"""Which month a report is of."""

from __future__ import annotations

from datetime import date, timedelta

from fleetlog.errors import UsageError
from fleetlog.session.fleet import Fleet
from fleetlog.session.months import month_start


def asked_month(fleet: Fleet, month: date) -> tuple[date, date]:
    """The first and the last day of a month.

    Args:
        month: any day of it.

    Raises:
        UsageError: for a month of which nothing is on record.
    """
    first = month_start(month)
    ended = fleet.last_day()
    if first > ended:
        raise UsageError(
            f"Nothing is on record in {first:%Y-%m}, since the records end {ended}; ask for {ended:%Y-%m} or an "
            "earlier month, or load what came since."
        )
    return first, month_start(month, 1) - timedelta(days=1)
