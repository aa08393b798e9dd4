"""What can be wrong with the numbers handed to an estimator, each with a name of its own.

All are `ValueError`s whose text is one sentence: what is wrong, where, and what to do. The package knows
nothing of files or command lines, so it has a small tree of its own; callers translate it.
"""

from __future__ import annotations


class StatsError(ValueError):
    """The numbers given cannot be used for what was asked."""


class BadArgument(StatsError):
    """An option (level, interval kind, probability, …) is not one of those that exist."""


class BadAge(StatsError):
    """An age is negative, not finite, not a whole number of ticks, or out of order."""


class BadCount(StatsError):
    """A count or weight is negative or not finite, or more fail or leave than are at risk."""


class LengthMismatch(StatsError):
    """Columns that belong together have different lengths."""


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
