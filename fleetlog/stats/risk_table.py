"""The risk table: how many spells enter, fail and leave at every component age.

It is the one currency of this package. A spell is one component's life under observation, from the age at
which we begin to watch it (`entry`) to the age at which it fails or we stop watching (`exit`). It is at risk
over `(entry, exit]`: a spell that begins at an age is not yet at risk there, one that ends there still is.
Ages are whole ticks, by default tenths of a running hour, so that ties are ties and nothing is rounded twice.
A life of which it is not known how it ended counts by shares, in grains so fine that no figure shows them and so
round that their sums are exact in any order.

Source: Andersen, Borgan, Gill & Keiding 1993, chapter III (the number at risk under late entry and censoring).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt
import polars as pl

from fleetlog.stats.arrays import (
    TICKS_PER_HOUR,
    Counts,
    Floats,
    Ints,
    distinct_ticks,
    exclusive_cumsum,
    tick_counts,
)
from fleetlog.stats.errors import BadAge, BadArgument, BadCount, LengthMismatch

#: What shares of a life are whole multiples of.
GRAIN = 2.0**-20


def in_grains(shares: npt.ArrayLike) -> Floats:
    """Shares of lives, rounded so that sums of them are exact.

    Examples:
        >>> float(in_grains(np.array([0.5]))[0])
        0.5
    """
    return np.asarray(np.rint(np.asarray(shares, dtype=np.float64) / GRAIN) * GRAIN, dtype=np.float64)


@dataclass(frozen=True, eq=False)
class RiskTable:
    """One group's risk table for one cause.

    Attributes:
        hours: component ages in ticks, strictly increasing, shape (n,).
        entering: spells whose observation begins at this age (at risk strictly after it), shape (n,).
        failed: spells that end at this age by the cause in question, shape (n,).
        leaving: all spells whose observation ends at this age, failed included, shape (n,).
        per_hour: ticks in one hour; 10 means that ages are tenths of an hour.

    The counts are whole, or in whole grains where lives count by shares (`in_grains`).

    Raises:
        StatsError: in one of its named kinds, when the columns cannot be a risk table.

    Examples:
        One part fails at 3 h, one that came under observation at 1 h leaves sound at 4 h. Ages are tenths of an hour.

        >>> table = RiskTable.from_spells([0, 10], [30, 40], [1, 0])
        >>> table.hours.tolist(), table.at_risk.tolist(), table.failed.tolist()
        ([0, 10, 30, 40], [0, 1, 2, 1], [0, 0, 1, 0])
        >>> table.spells, table.failures, table.total_hours, table.delayed_entry
        (2, 1, 6.0, True)
        >>> table.at_risk_at([1.0, 1.5, 3.0, 3.5]).tolist()
        [1, 2, 2, 1]
    """

    hours: Ints
    entering: Counts
    failed: Counts
    leaving: Counts
    per_hour: float = TICKS_PER_HOUR

    def __post_init__(self) -> None:
        columns = {"entering": self.entering, "failed": self.failed, "leaving": self.leaving}
        object.__setattr__(self, "hours", _as_ages(self.hours))
        for name, values in columns.items():
            object.__setattr__(self, name, _as_counts(name, values, self.hours.size))
        _check_flow(self.hours, self.entering, self.leaving, self.at_risk, self.per_hour)
        _check_failed(self.hours, self.failed, self.leaving, self.per_hour)

    @cached_property
    def at_risk(self) -> Counts:
        """Y(h) at each age of the table: all that entered before h, less all that left before h."""
        return exclusive_cumsum(self.entering - self.leaving)

    @cached_property
    def at_risk_after(self) -> Counts:
        """Spells under observation just after each age of the table."""
        return self.at_risk + self.entering - self.leaving

    @property
    def spells(self) -> float:
        """How many spells the table holds."""
        return _number(self.leaving.sum())

    @property
    def failures(self) -> float:
        """How many of them end by the cause in question."""
        return _number(self.failed.sum())

    @property
    def total_hours(self) -> float:
        """Running hours under observation, all spells together."""
        return float(((self.leaving - self.entering) * self.hours).sum()) / self.per_hour

    @property
    def delayed_entry(self) -> bool:
        """Whether any spell comes under observation at an age above zero."""
        return bool(np.any(self.entering[self.hours > 0] > 0))

    def at_risk_at(self, hours: npt.ArrayLike) -> Counts:
        """Y(h) at any ages, given in hours: spells with entry < h <= exit.

        Args:
            hours: ages in hours, any shape.
        """
        ticks = self.to_ticks(hours)
        entered = np.concatenate(([0], np.cumsum(self.entering)))
        left = np.concatenate(([0], np.cumsum(self.leaving)))
        before = np.searchsorted(self.hours, ticks, side="left")
        result: Counts = entered[before] - left[before]
        return result

    def to_ticks(self, hours: npt.ArrayLike) -> Floats:
        """Ages in hours as ticks; what lies within a millionth of a tick of a whole one is that tick.

        Examples:
            >>> RiskTable.from_spells(0, [30], [1]).to_ticks([0.3, 1.25]).tolist()
            [3.0, 12.5]
        """
        ticks = np.asarray(hours, dtype=np.float64) * self.per_hour
        whole = np.rint(ticks)
        return np.where(np.abs(ticks - whole) <= 1e-6, whole, ticks)

    @staticmethod
    def from_spells(
        entry: npt.ArrayLike,
        exit: npt.ArrayLike,
        failed: npt.ArrayLike,
        weights: npt.ArrayLike | None = None,
        *,
        per_hour: float = TICKS_PER_HOUR,
    ) -> RiskTable:
        """Count spells into a risk table.

        Args:
            entry: ages in ticks at which observation begins, shape (n,) or one number for all (0: from new).
            exit: ages in ticks at which it ends, shape (n,).
            failed: whether the spell ended by the cause in question, booleans or 0/1, shape (n,).
            weights: how many spells each row stands for.
            per_hour: ticks in one hour.

        Raises:
            StatsError: in one of its named kinds.
        """
        begin, end, flag, weight = checked_spells(entry, exit, failed, weights)
        hours = distinct_ticks(begin, end)
        return RiskTable(
            hours=hours,
            entering=tick_counts(hours, begin, weight),
            failed=tick_counts(hours, end, weight * flag),
            leaving=tick_counts(hours, end, weight),
            per_hour=per_hour,
        )

    @staticmethod
    def from_frame(frame: pl.DataFrame, *, per_hour: float = TICKS_PER_HOUR) -> RiskTable:
        """One group's rows (columns hours, entering, failed, leaving, one row an age, in any order).

        Raises:
            StatsError: if a column is missing, or two rows have one age (then it is more than one group).

        Examples:
            >>> rows = {"hours": [30, 0], "entering": [0, 2], "failed": [1, 0], "leaving": [2, 0]}
            >>> RiskTable.from_frame(pl.DataFrame(rows)).at_risk.tolist()
            [0, 2]
        """
        rows = _sorted_rows(frame, ("hours", "entering", "failed", "leaving"))
        return RiskTable(rows["hours"], rows["entering"], rows["failed"], rows["leaving"], per_hour)


@dataclass(frozen=True, eq=False)
class CausesTable:
    """One group's risk table with several competing causes.

    Attributes:
        hours: component ages in ticks, strictly increasing, shape (n,).
        entering: spells whose observation begins at this age, shape (n,).
        failed: spells that end at this age, one column a cause, shape (n, causes).
        leaving: all spells whose observation ends at this age, shape (n,).
        causes: the names of the columns of `failed`.
        per_hour: ticks in one hour.

    Raises:
        StatsError: in one of its named kinds, when the columns cannot be a risk table.

    Examples:
        Of four parts two wear out, at 1 and 3 h, and one is dirtied, at 2 h; two are left beyond 1.5 h by wear or dirt.

        >>> failed = np.array([(0, 0), (1, 0), (0, 1), (1, 0), (0, 0)])
        >>> table = CausesTable([0, 10, 20, 30, 40], [4, 0, 0, 0, 0], failed, [0, 1, 1, 1, 1], ("wear", "dirt"))
        >>> table.any_cause().failures, table.conditional_on(1.5).any_cause().failures
        (3, 2)
        >>> table.conditional_on(1.5).at_risk.tolist()
        [0, 3, 2, 1]
    """

    hours: Ints
    entering: Counts
    failed: Counts
    leaving: Counts
    causes: tuple[str, ...]
    per_hour: float = TICKS_PER_HOUR

    def __post_init__(self) -> None:
        object.__setattr__(self, "hours", _as_ages(self.hours))
        object.__setattr__(self, "causes", tuple(self.causes))
        n = self.hours.size
        failed = np.asarray(self.failed)
        if failed.shape != (n, len(self.causes)):
            raise LengthMismatch(
                f"failed has shape {failed.shape}, but there are {n} ages and {len(self.causes)} causes;"
                " give one row an age and one column a cause"
            )
        object.__setattr__(
            self, "failed", _as_counts("failed", failed.reshape(-1), failed.size).reshape(failed.shape)
        )
        for name in ("entering", "leaving"):
            object.__setattr__(self, name, _as_counts(name, getattr(self, name), n))
        _check_flow(self.hours, self.entering, self.leaving, self.at_risk, self.per_hour)
        _check_failed(self.hours, self.failed.sum(axis=1), self.leaving, self.per_hour)

    @cached_property
    def at_risk(self) -> Counts:
        """Y(h) at each age of the table."""
        return exclusive_cumsum(self.entering - self.leaving)

    def any_cause(self) -> RiskTable:
        """The risk table in which every cause is a failure."""
        return RiskTable(self.hours, self.entering, self.failed.sum(axis=1), self.leaving, self.per_hour)

    def conditional_on(self, hours: float) -> CausesTable:
        """The table of the spells still at risk just after an age in hours, watched from that age on."""
        start = round(hours * self.per_hour)
        before, after = self.hours <= start, self.hours > start
        under_way = self.entering[before].sum() - self.leaving[before].sum()
        if not under_way and not after.any():
            return replace(
                self,
                hours=self.hours[after],
                entering=self.entering[after],
                failed=self.failed[after],
                leaving=self.leaving[after],
            )
        return replace(
            self,
            hours=np.concatenate(([start], self.hours[after])),
            entering=np.concatenate(([under_way], self.entering[after])),
            failed=np.concatenate((np.zeros_like(self.failed[:1]), self.failed[after])),
            leaving=np.concatenate(([0], self.leaving[after])),
        )


@dataclass(frozen=True, eq=False)
class EventTable:
    """One group's table of recurrent events over the machine's life: an event does not end observation.

    Attributes:
        hours: machine ages in ticks, strictly increasing, shape (n,).
        entering: machines whose observation begins at this age, shape (n,).
        events: events at this age, any number a machine, shape (n,).
        leaving: machines whose observation ends at this age, shape (n,).
        per_hour: ticks in one hour.

    Raises:
        StatsError: in one of its named kinds, when the columns cannot be such a table.

    Examples:
        Two machines watched for 5 and 8 h, with two events of one at 3 h and one event of the other at 6 h.

        >>> table = EventTable.from_units([0, 0], [50, 80], [30, 60], [2, 1])
        >>> table.events.tolist(), table.at_risk.tolist()
        ([0, 2, 0, 1, 0], [0, 2, 2, 1, 1])
    """

    hours: Ints
    entering: Ints
    events: Ints
    leaving: Ints
    per_hour: float = TICKS_PER_HOUR

    def __post_init__(self) -> None:
        object.__setattr__(self, "hours", _as_ages(self.hours))
        for name in ("entering", "events", "leaving"):
            object.__setattr__(self, name, _as_counts(name, getattr(self, name), self.hours.size))
        _check_flow(self.hours, self.entering, self.leaving, self.at_risk, self.per_hour)
        unseen = (self.events > 0) & (self.at_risk <= 0)
        if np.any(unseen):
            where = self.hours[np.flatnonzero(unseen)[0]] / self.per_hour
            raise BadCount(
                f"an event at {where:g} h falls where no machine is under observation;"
                " correct the event's hours or the machine's window"
            )

    @cached_property
    def at_risk(self) -> Ints:
        """Machines under observation at each age: entry < h <= exit."""
        return exclusive_cumsum(self.entering - self.leaving)

    @staticmethod
    def from_units(
        entry: npt.ArrayLike,
        exit: npt.ArrayLike,
        event_hours: npt.ArrayLike,
        event_counts: npt.ArrayLike | None = None,
        *,
        per_hour: float = TICKS_PER_HOUR,
    ) -> EventTable:
        """Count windows and events into a table.

        Args:
            entry: ages in ticks at which each machine's observation begins, shape (machines,).
            exit: ages in ticks at which it ends, shape (machines,).
            event_hours: ages in ticks of the events, shape (events,).
            event_counts: how many events each row stands for.
            per_hour: ticks in one hour.

        Raises:
            StatsError: in one of its named kinds.
        """
        end = _as_ticks("exit", exit)
        begin, end, _, weight = checked_spells(entry, end, np.zeros(end.size, dtype=np.int64))
        when = _as_ticks("event_hours", event_hours)
        times = np.ones(when.size, dtype=np.int64) if event_counts is None else event_counts
        count = _as_counts("event_counts", np.asarray(times), when.size)
        hours = distinct_ticks(begin, end, when)
        return EventTable(
            hours=hours,
            entering=tick_counts(hours, begin, weight),
            events=tick_counts(hours, when, count),
            leaving=tick_counts(hours, end, weight),
            per_hour=per_hour,
        )


def checked_spells(
    entry: npt.ArrayLike,
    exit: npt.ArrayLike,
    failed: npt.ArrayLike,
    weights: npt.ArrayLike | None = None,
) -> tuple[Ints, Ints, Ints, Counts]:
    """Spells as arrays of one length, or the named error that says what is wrong with them.

    Returns:
        entry and exit in ticks, failed as 0/1, weights (ones if none were given).

    Args:
        entry: ages in ticks at which observation begins, shape (n,) or one number for all.
        exit: ages in ticks at which it ends, shape (n,).
        failed: booleans or 0/1, shape (n,).
        weights: how many spells each row stands for, shape (n,).

    Raises:
        LengthMismatch, BadArgument, BadAge, BadCount: for what cannot be spells.

    Examples:
        >>> [column.tolist() for column in checked_spells(0, [30, 40], [True, False])]
        [[0, 0], [30, 40], [1, 0], [1, 1]]
        >>> checked_spells(0, [-1], [True])
        Traceback (most recent call last):
            ...
        fleetlog.stats.errors.BadAge: exit is -1 in row 0; ages are whole numbers of ticks from 0 on
    """
    flags, end = np.asarray(failed), np.asarray(exit)
    if end.ndim != 1 or flags.shape != end.shape:
        raise LengthMismatch(
            f"exit has shape {end.shape} and failed {flags.shape}; give one exit age and one flag a spell"
        )
    if flags.dtype != np.bool_ and not np.isin(flags, (0, 1)).all():
        raise BadArgument("failed must be 1 for a spell that failed and 0 for one that did not")
    end = _as_ticks("exit", end)
    begin = _as_ticks("entry", np.broadcast_to(np.asarray(entry), end.shape))
    wrong = np.flatnonzero(begin >= end)
    if wrong.size:
        i = int(wrong[0])
        raise BadAge(
            f"spell {i} is observed from {begin[i]} to {end[i]} ticks, which is no time at all ({wrong.size}"
            " such); leave it out or correct its hours"
        )
    ones = np.ones(end.size, dtype=np.int64) if weights is None else np.asarray(weights)
    return begin, end, flags.astype(np.int64), _as_counts("weights", ones, end.size)


def _as_ticks(name: str, values: npt.ArrayLike) -> Ints:
    ages = np.asarray(values)
    if ages.size and ages.dtype.kind not in "iuf":
        raise BadAge(f"{name} holds {ages.dtype} values; ages are numbers of ticks")
    if ages.dtype.kind == "f":
        with np.errstate(invalid="ignore"):
            wrong = np.flatnonzero(~((ages >= 0) & np.isfinite(ages) & (ages == np.rint(ages))))
    else:
        wrong = np.flatnonzero(ages < 0)
    if wrong.size:
        raise BadAge(
            f"{name} is {ages[wrong[0]]} in row {wrong[0]}; ages are whole numbers of ticks from 0 on"
        )
    return ages.astype(np.int64)


def _as_ages(hours: npt.ArrayLike) -> Ints:
    ages = _as_ticks("hours", np.atleast_1d(np.asarray(hours)))
    falling = np.flatnonzero(ages[1:] <= ages[:-1])
    if falling.size:
        at = int(falling[0]) + 1
        raise BadAge(
            f"hours must rise from row to row, but row {at} has {ages[at]} after {ages[at - 1]} ticks"
        )
    return ages


def _as_counts(name: str, values: npt.ArrayLike, size: int) -> Counts:
    counts = np.atleast_1d(np.asarray(values))
    if counts.shape != (size,):
        raise LengthMismatch(f"{name} has shape {counts.shape} where {size} values are needed")
    whole = counts.dtype.kind in "iub"
    if whole:
        wrong = np.flatnonzero(counts < 0)
    elif counts.dtype.kind == "f":
        with np.errstate(invalid="ignore"):
            wrong = np.flatnonzero(~((counts >= 0) & (in_grains(counts) == counts)))
    else:
        wrong = np.arange(size)
    if wrong.size:
        raise BadCount(
            f"{name} is {counts[wrong[0]]} in row {wrong[0]}; counts are whole, or in whole grains, and never negative"
        )
    return counts.astype(np.int64 if whole or (counts == np.rint(counts)).all() else np.float64)


def _number(total: float) -> float:
    """A sum of counts, whole where it is."""
    return int(total) if total == int(total) else float(total)


def _check_flow(hours: Ints, entering: Counts, leaving: Counts, at_risk: Counts, per_hour: float) -> None:
    too_many = np.flatnonzero(leaving > at_risk)
    if too_many.size:
        i = int(too_many[0])
        raise BadCount(
            f"{leaving[i]} leave at {hours[i] / per_hour:g} h, where {at_risk[i]} are at risk (entered"
            " before, not yet left); check that entering and leaving are not swapped and entry is before exit"
        )
    if entering.sum() != leaving.sum():
        raise BadCount(
            f"{entering.sum()} enter but {leaving.sum()} leave;"
            " every spell that enters must leave, by failure or not"
        )


def _check_failed(hours: Ints, failed: Counts, leaving: Counts, per_hour: float) -> None:
    too_many = np.flatnonzero(failed > leaving)
    if too_many.size:
        i = int(too_many[0])
        raise BadCount(
            f"{failed[i]} fail but only {leaving[i]} leave at {hours[i] / per_hour:g} h;"
            " leaving counts the failed as well"
        )


def _sorted_rows(frame: pl.DataFrame, columns: Sequence[str]) -> dict[str, Counts]:
    """The columns by name as arrays, sorted by age; a database's sums may be wide integers or decimals."""
    missing = [name for name in columns if name not in frame.columns]
    if missing:
        raise LengthMismatch(
            f"the risk table lacks the column {', '.join(missing)}; it needs {', '.join(columns)}"
        )
    rows = frame.select(columns)
    if not rows["hours"].is_sorted():
        rows = rows.sort("hours")
    if rows.null_count().sum_horizontal().item() > 0:
        raise BadCount("the risk table has empty cells; write 0 where nothing happened")
    ages = rows["hours"].to_numpy()
    repeated = ages[1:][ages[1:] == ages[:-1]]
    if repeated.size:
        raise BadAge(
            f"two rows have the age {repeated[0]}; a risk table has one row an age,"
            " so split it by group first"
        )
    return {
        name: (rows[name] if rows[name].dtype.is_float() else rows[name].cast(pl.Int64)).to_numpy()
        for name in columns
    }
