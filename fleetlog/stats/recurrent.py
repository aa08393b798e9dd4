"""Repeat failures: how many a machine has had by each age, and how sure that is.

The mean cumulative function counts events per machine still under observation. Its naive (Poisson)
variance takes every event for independent; machines that fail often make it too small. The robust
variance sums squared influences of whole machines. With A_i(t) what machine i adds to the estimate's
error by age t, Y machines at risk and d events at an age,

    A_i changes by (its events - d/Y) / Y at each event age while the machine is at risk,

and V(t) is the sum of A_i(t)^2. That sum is carried along event by event: between machines' departures
the changes of A over all at risk cancel, so one pass over the events is enough and no machine-by-age
matrix is ever made.

Sources: Nelson 1995 and 2003; Lawless & Nadeau 1995; Cook & Lawless 2007 (comparison of groups).
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from fleetlog.stats.arrays import (
    Counts,
    Floats,
    Ints,
    checked_level,
    normal_quantile,
    step_positions,
    tick_positions,
)
from fleetlog.stats.errors import BadArgument, LengthMismatch
from fleetlog.stats.histories import MachineHistories
from fleetlog.stats.laws import chi2_above, normal_above
from fleetlog.stats.log_rank import quadratic_form
from fleetlog.stats.product_limit import positive_band


@dataclass(frozen=True, eq=False)
class MeanCumulative:
    """Mean number of events a machine has had by each age.

    Attributes:
        hours: ages in hours at which there were events.
        at_risk: machines under observation there.
        events: events there.
        count: mean cumulative count just after each age.
        std_error: its standard error, robust to machines of which some are worse (Lawless & Nadeau).
        lower: lower pointwise limit.
        upper: upper pointwise limit.
        level: confidence level.
        last_hours: last age at which any machine was under observation.
        note: what a reader must be told, or None.
    """

    hours: Floats
    at_risk: Counts
    events: Counts
    count: Floats
    std_error: Floats
    lower: Floats
    upper: Floats
    level: float
    last_hours: float
    note: str | None

    def at(self, hours: npt.ArrayLike) -> tuple[Floats, Floats]:
        """Mean cumulative count and standard error at any ages; not a number beyond the last one observed.

        Examples:
            >>> fleet = MachineHistories.of(["A", "B"], 0, [40, 40], ["A", "A"], [10, 20])
            >>> mean_cumulative(fleet).at([0.5, 1.5, 9.0])[0].tolist()
            [0.0, 0.5, nan]
        """
        points = np.atleast_1d(np.asarray(hours, dtype=np.float64))
        done = step_positions(self.hours, points + 1e-9, inclusive=True)
        known = points <= self.last_hours + 1e-9
        count = np.concatenate(([0.0], self.count))[done]
        error = np.concatenate(([0.0], self.std_error))[done]
        return np.where(known, count, np.nan), np.where(known, error, np.nan)

    def to_frame(self) -> pl.DataFrame:
        """One row an age: hours, at_risk, events, count, std_error, lower, upper."""
        names = ("hours", "at_risk", "events", "count", "std_error", "lower", "upper")
        return pl.DataFrame({name: getattr(self, name) for name in names})


def mean_cumulative(histories: MachineHistories, *, level: float = 0.95) -> MeanCumulative:
    """Mean cumulative number of events by machine age.

    The variance sums squared influences of machines (Lawless & Nadeau); limits lie on the log scale, so that
    they stay positive.

    Args:
        histories: windows and events of single machines.
        level: confidence level.

    Raises:
        BadArgument: for a level outside 0 to 1.

    Source: Nelson 1995; Lawless & Nadeau 1995.

    Examples:
        Machine A has events at 1 and 2 h, B none: one a machine by 2 h. What A adds to the error, two steps of (1 -
        1/2) / 2, is 1/2, and B the same below zero: the root of 1/4 + 1/4.

        >>> curve = mean_cumulative(MachineHistories.of(["A", "B"], 0, [40, 40], ["A", "A"], [10, 20]))
        >>> curve.count.tolist(), curve.std_error.round(4).tolist()
        ([0.5, 1.0], [0.3536, 0.7071])
    """
    checked_level(level)
    table = histories.table()
    rows = table.events > 0
    ticks, at_risk, events = table.hours[rows], table.at_risk[rows], table.events[rows]
    y, d = at_risk.astype(np.float64), events.astype(np.float64)
    count = np.cumsum(d / y)
    error = np.sqrt(_Influence.of(histories, ticks, y, d).variance())
    lower, upper = positive_band(count, error, level)
    note = None if count.size else "no event has been seen, so there is no curve to draw"
    last = float(table.hours[-1] / table.per_hour) if table.hours.size else 0.0
    return MeanCumulative(
        ticks / table.per_hour, at_risk, events, count, error, lower, upper, level, last, note
    )


@dataclass(frozen=True, eq=False)
class _Influence:
    """What the machines add to the error of the curve, ready for sums of squares at every event age.

    Attributes:
        y: machines at risk at each event age, shape (ages,).
        d: events there.
        event_age: index of the age of each event row.
        event_count: events of that machine at that age.
        before: A of that machine just before that age.
        sum_before: sum of A over all machines at risk just before each age, shape (ages,).
    """

    y: Floats
    d: Floats
    event_age: Ints
    event_count: Floats
    before: Floats
    sum_before: Floats

    @staticmethod
    def of(histories: MachineHistories, ticks: Ints, y: Floats, d: Floats) -> _Influence:
        centre = np.concatenate(([0.0], np.cumsum(d / y**2)))
        enters = tick_positions(ticks, histories.entry, inclusive=True)
        leaves = tick_positions(ticks, histories.exit, inclusive=True)
        age = tick_positions(ticks, histories.event_ticks, inclusive=False)
        count = histories.event_count.astype(np.float64)
        gain = count / y[age]
        machine = histories.event_machine
        total = np.cumsum(gain)
        before_all = np.concatenate(([0.0], total[:-1]))[: total.size]
        first_row = np.searchsorted(machine, np.arange(histories.machines))
        started = np.concatenate((before_all, total[-1:], [0.0]))[first_row]
        earlier = before_all - started[machine]
        before = earlier - (centre[age] - centre[enters[machine]])
        of_machine = np.bincount(machine, weights=gain, minlength=histories.machines)
        at_exit = of_machine - (centre[leaves] - centre[enters])
        # the sum over all at risk only changes when a machine leaves: it starts at 0 and events cancel in it
        gone = np.bincount(leaves, weights=at_exit, minlength=ticks.size + 1)
        sum_before = -np.cumsum(gone)[: ticks.size]
        return _Influence(y, d, age, count, before, sum_before.astype(np.float64))

    def variance(self) -> Floats:
        """V at each event age: the running sum of the changes of A^2 over machines."""
        step = self.d / self.y**2
        size = self.y.size
        gain = self.event_count / self.y[self.event_age]
        own = gain**2 + 2.0 * gain * (self.before - step[self.event_age])
        events = np.bincount(self.event_age, weights=own, minlength=size)
        # a sum of squares; below zero only by rounding
        return np.maximum(np.cumsum(events - 2.0 * step * self.sum_before + self.y * step**2), 0.0)


@dataclass(frozen=True, eq=False)
class MeanCumulativeDifference:
    """First group's mean cumulative count less the second's.

    Attributes:
        hours: all event ages of both groups up to the last age that both reach.
        difference: first less second.
        std_error: its standard error (the groups are independent).
        lower: lower pointwise limit.
        upper: upper pointwise limit.
        level: confidence level.
        last_hours: last age that both groups reach.
        p: two-sided p value at the last age.
    """

    hours: Floats
    difference: Floats
    std_error: Floats
    lower: Floats
    upper: Floats
    level: float
    last_hours: float
    p: float


def mean_cumulative_difference(
    first: MeanCumulative, second: MeanCumulative, *, level: float = 0.95
) -> MeanCumulativeDifference:
    """Compare two independent groups of machines age by age.

    Args:
        first, second: of machines that are not the same.
        level: confidence level.

    Raises:
        BadArgument: where no age with an event is reached by both, or for a level outside 0 to 1.

    Source: Nelson 2003, chapter 5 (comparison of mean cumulative functions).

    Examples:
        Two events of machine A against none of B by 2 h, half of one a machine at 1 h of two others.

        >>> many = mean_cumulative(MachineHistories.of(["A", "B"], 0, [40, 40], ["A", "A"], [10, 20]))
        >>> few = mean_cumulative(MachineHistories.of(["C", "D"], 0, [40, 40], ["C"], [10]))
        >>> found = mean_cumulative_difference(many, few)
        >>> found.difference.tolist(), found.std_error.round(4).tolist()
        ([0.0, 0.5], [0.5, 0.7906])
    """
    last = min(first.last_hours, second.last_hours)
    hours = np.unique(np.concatenate((first.hours, second.hours)))
    hours = hours[hours <= last]
    if hours.size == 0:
        raise BadArgument("the groups have no events at ages that both reach, so there is nothing to compare")
    m1, s1 = first.at(hours)
    m2, s2 = second.at(hours)
    error = np.hypot(s1, s2)
    half = normal_quantile(level) * error
    d = m1 - m2
    z = float(d[-1] / error[-1]) if error[-1] > 0 else 0.0
    p = float(2.0 * normal_above(abs(z)))
    return MeanCumulativeDifference(hours, d, error, d - half, d + half, level, last, p)


@dataclass(frozen=True, eq=False)
class EventRateComparison:
    """A test that groups of machines have the same event rate at every age.

    Attributes:
        groups: the groups in the order of the arrays.
        chi2: the statistic, with machine-robust variance.
        df: its degrees of freedom.
        p: its p value.
        observed: events, shape (groups,).
        expected: events expected if the groups do not differ, shape (groups,).
    """

    groups: tuple[Hashable, ...]
    chi2: float
    df: int
    p: float
    observed: Floats
    expected: Floats


def compare_event_rates(
    groups: Sequence[MachineHistories], *, names: Sequence[Hashable] | None = None
) -> EventRateComparison:
    """The log-rank test for repeat events: observed less expected events by group, variance robust by
    machine.

    Source: Cook & Lawless 2007, section 3.7 (pseudo-score test with robust variance).

    Args:
        groups: windows and events of each group's machines.
        names: of the groups; None: their numbers.

    Raises:
        LengthMismatch: for fewer than two groups.

    Examples:
        Two machines with two events each beside two with none: four observed, two expected, and every machine adds 1/2
        to the difference; chi2 is 2 squared over four times 1/4.

        >>> busy = MachineHistories.of(["A", "B"], 0, [40, 40], ["A", "A", "B", "B"], [10, 20, 15, 25])
        >>> idle = MachineHistories.of(["C", "D"], 0, [40, 40], [], [])
        >>> found = compare_event_rates([busy, idle])
        >>> found.observed.tolist(), found.expected.tolist(), round(found.chi2, 6)
        ([4.0, 0.0], [2.0, 2.0], 4.0)
    """
    if len(groups) < 2:
        raise LengthMismatch("a comparison needs at least two groups")
    labels = tuple(range(len(groups)) if names is None else names)
    tables = [group.table() for group in groups]
    ages = np.unique(np.concatenate([table.hours[table.events > 0] for table in tables]))
    y = np.array([_window_count(group.entry, group.exit, ages) for group in groups])
    d = np.zeros_like(y)
    for row, table in zip(d, tables, strict=True):
        rows = table.events > 0
        row[np.searchsorted(ages, table.hours[rows])] = table.events[rows]
    total_y, total_d = y.sum(axis=0), d.sum(axis=0)
    share, rate = y / total_y, total_d / total_y
    expected = (share * total_d).sum(axis=1)
    observed = d.sum(axis=1)
    variance = np.zeros((len(groups), len(groups)))
    for g, group in enumerate(groups):
        # one machine of group g adds, to each group's score, its events less their share, and less its
        # expected
        own = np.zeros(len(groups))
        own[g] = 1.0
        at = np.searchsorted(ages, group.event_ticks)
        weight = own[:, None] - share
        drift = np.concatenate((np.zeros((len(groups), 1)), np.cumsum(weight * rate, axis=1)), axis=1)
        enters = np.searchsorted(ages, group.entry, side="right")
        leaves = np.searchsorted(ages, group.exit, side="right")
        scores = -(drift[:, leaves] - drift[:, enters])
        for h in range(len(groups)):
            scores[h] += np.bincount(
                group.event_machine, weights=group.event_count * weight[h, at], minlength=group.machines
            )
        variance += scores @ scores.T
    chi2, df = quadratic_form(observed - expected, variance)
    return EventRateComparison(labels, chi2, df, chi2_above(chi2, df) if df else 1.0, observed, expected)


def _window_count(entry: Ints, exit: Ints, ages: Ints) -> Floats:
    """Machines under observation, entry < age <= exit, at each age."""
    entered = np.searchsorted(np.sort(entry), ages, side="left")
    left = np.searchsorted(np.sort(exit), ages, side="left")
    return np.asarray(entered - left, dtype=np.float64)
