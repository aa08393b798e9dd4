"""Calendar months by their first days."""

from __future__ import annotations

from datetime import date


def month_start(day: date, months: int = 0) -> date:
    """The first day of the month so many months after that of a day (before it, where negative)."""
    year, month = divmod(day.year * 12 + day.month - 1 + months, 12)
    return date(year, month + 1, 1)
