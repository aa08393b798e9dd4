"""When a case is open, when a side is watched, and how far ahead the other side is looked at."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class WatchRules:
    """When a case is listed as open or as watched. Ours, from memory; none stands in a book.

    Attributes:
        standing: a case is open, which is work, when the chance that its fault stands is at least this: without a
            repair, or after one that probably failed. One without a repair on record that falls below is
            watched and asked about.
        doubt: a repaired case is listed, and its machine kept from use, from this chance on.
        readings: a side whose voltage wanders over so many readings since its last repair is watched.
        most: the watch list is cut after so many, the most urgent first.
    """

    standing: float = 0.6
    doubt: float = 0.5
    readings: int = 3
    most: int = 100


WATCH = WatchRules()

#: While a machine is open, its other side is looked at over this many running hours to come: what would fail
#: within them is better done now, if that costs less. Ours, from memory: two or three years of a rental.
SECOND_SIDE_HOURS = 2000.0

#: What a doubtful case would cost while nobody knows is reckoned over so many days, a month's report; a question is put
#: where knowing saves more than so many hours of labour; and so many are put at most. Ours, from memory.
ASK_DAYS, ASK_HOURS, MOST_QUESTIONS = 30, 1.0, 20
