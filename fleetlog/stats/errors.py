"""What can be wrong with the numbers handed to an estimator, each with a name of its own.

All are `ValueError`s whose text is one sentence: what is wrong, where, and what to do. The package knows
nothing of files or command lines, so it has a small tree of its own; callers translate it.
"""

from __future__ import annotations


class StatsError(ValueError):
    """The numbers given cannot be used for what was asked."""


class BadArgument(StatsError):
    """An option (level, interval kind, probability, …) is not one of those that exist."""


class EntryEqualsExit(StatsError):
    """A spell is observed over no time at all: its entry age equals its exit age."""


class EntryAfterExit(StatsError):
    """A spell ends before it begins."""


class SwappedArguments(StatsError):
    """Ages were given where flags belong, or flags where ages belong."""


class BadFlag(StatsError):
    """A failure flag is something other than 0 or 1."""


class BadAge(StatsError):
    """An age is negative, not finite, not a whole number of ticks, or out of order."""


class NegativeCount(StatsError):
    """A count or weight is negative or not finite."""


class LengthMismatch(StatsError):
    """Columns that belong together have different lengths."""


class MoreFailedThanAtRisk(StatsError):
    """More units fail or leave at an age than were at risk there."""


class UnbalancedTable(StatsError):
    """As many spells must leave a risk table as entered it."""


class TooFewFailures(StatsError):
    """Too few failures for the model asked for; the text says what can be done instead.

    Attributes:
        failures: how many failures there are.
        needed: how many the model needs.
    """

    def __init__(self, message: str, *, failures: float, needed: int) -> None:
        super().__init__(message)
        self.failures = failures
        self.needed = needed


class DidNotConverge(StatsError):
    """The likelihood has no maximum inside the range of sensible parameters."""
