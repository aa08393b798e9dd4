"""The machines of an invented fleet: what they are, how much they run, and when they are rented out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
import polars as pl

from fleetlog.simulation.arrays import EPOCH, Flags, Floats, Ints, days_since_epoch
from fleetlog.simulation.law import World
from fleetlog.simulation.options import FleetPlan
from fleetlog.simulation.untidy import Meters, tidy_meters

#: Mean days between two rentals, and by how much longer rentals cost less a day: days, share, and the price.
IDLE_DAYS = 11.0
RENTALS = ((3.0, 8.0, 0.34, 1.0), (8.0, 31.0, 0.44, 0.8), (31.0, 100.0, 0.22, 0.62))
#: Hours of the day between which machines run.
OPENS, CLOSES = 7.0, 17.0
_SPAN, _TOP = 1e5, 1e6  # days and hours that no machine reaches: they keep machines apart on one line


class Clock:
    """Running hours of machines day by day, at a steady pace from new on.

    Args:
        built: day since 1970 on which each was built.
        pace: running hours a day.
    """

    def __init__(self, built: Floats, pace: Floats) -> None:
        self.built, self.pace = built, pace

    def hours(self, machine: Ints, day: Floats) -> Floats:
        """Running hours since new on these days since 1970."""
        run: Floats = (day - self.built[machine]) * self.pace[machine]
        return run

    def days(self, machine: Ints, hours: Floats) -> Floats:
        """Days since 1970 at which a machine had run so many hours."""
        day: Floats = self.built[machine] + hours / self.pace[machine]
        return day


class RentalClock(Clock):
    """Running hours of machines that run while they are rented out, in the shop's working hours.

    Args:
        built, pace: as for the steady clock, which holds before the records begin and after they end.
        edges: days at which a machine goes out and comes in, in turn; one row a machine, the first and the
            last day of its records at both ends.
        run: hours run up to each edge.
    """

    def __init__(self, built: Floats, pace: Floats, edges: Floats, run: Floats) -> None:
        super().__init__(built, pace)
        after = 5000.0  # days: whatever ends later ends after the records
        day = np.column_stack((built, edges, edges[:, -1] + after))
        hours = np.column_stack((np.zeros(built.size), run, run[:, -1] + after * pace))
        shift = np.arange(built.size)[:, None]
        self._day, self._hours = (shift * _SPAN + day).ravel(), (shift * _TOP + hours).ravel()

    def hours(self, machine: Ints, day: Floats) -> Floats:
        """Running hours since new on these days since 1970."""
        worked = np.clip((24.0 * (day % 1.0) - OPENS) / (CLOSES - OPENS), 0.0, 1.0)
        line = np.interp(machine * _SPAN + np.floor(day) + worked, self._day, self._hours)
        run: Floats = line - machine * _TOP
        return run

    def days(self, machine: Ints, hours: Floats) -> Floats:
        """Days since 1970 at which a machine had run so many hours."""
        day = np.interp(machine * _TOP + hours, self._hours, self._day) - machine * _SPAN
        moment: Floats = np.floor(day) + (OPENS + (CLOSES - OPENS) * (day % 1.0)) / 24.0
        return moment


@dataclass(eq=False)
class Machines:
    """Some machines, one a position; days are since 1970.

    Attributes:
        world: what they live in.
        first: the position of the first one in the whole fleet.
        built, pump_built, acquired, disposed: days; infinite for a machine that stays.
        site: position in the plan's sites.
        make, model: positions in the plan's makes and in the make's models; zeros without makes.
        serial: serial numbers; none without makes.
        electronic: whether it can have the fault.
        clock: how much they run.
        rentals: machine, out_day, in_day, factor (of the price of a short rental), by machine and day.
        meters: their hour meters.
    """

    world: World
    first: int
    built: Floats
    pump_built: Floats
    acquired: Floats
    disposed: Floats
    site: Ints
    make: Ints
    model: Ints
    serial: Sequence[str]
    electronic: Flags
    clock: Clock
    rentals: pl.DataFrame
    meters: Meters

    @property
    def size(self) -> int:
        """How many there are."""
        return self.built.size

    @property
    def names(self) -> pl.Series:
        """How each is called."""
        if self.world.plan.names:
            return pl.Series(self.world.plan.names[self.first : self.first + self.size])
        number = pl.Series(np.arange(self.first + 1, self.first + self.size + 1)).cast(pl.String)
        return "M" + number.str.zfill(6)

    def recorded(self) -> tuple[Floats, Floats]:
        """The days between which each one is on record; end before begin is never."""
        begin: Floats = np.maximum(self.acquired, self.world.begin_day)
        end: Floats = np.minimum(self.disposed, self.world.end_day)
        return begin, end

    def leaves(self, rows: Ints) -> Floats:
        """Running hours at which these leave, or the records end."""
        return self.clock.hours(rows, np.minimum(self.disposed, self.world.end_day)[rows])

    def sell(self, rows: Ints, hours: Floats, days_later: float) -> None:
        """Lets machines go so many days after those running hours, if they have not gone before."""
        day = np.floor(self.clock.days(rows, hours) + days_later)
        self.disposed[rows] = np.minimum(self.disposed[rows], day)


def draw_machines(
    world: World, rng: np.random.Generator, more: np.random.Generator, first: int, size: int
) -> Machines:
    """Some machines of a fleet.

    Args:
        world: what they live in.
        rng: for what every fleet has.
        more: for what only a plan asks for, so that a plan changes nothing else.
        first, size: which ones.
    """
    u, plan = rng.random, world.plan
    before, until = (365.0 * years for years in plan.built_years)
    span = world.end_day - world.begin_day + before - until
    built = np.floor(world.begin_day - before + u(size) * span)
    pace = np.clip(2.0 * np.exp(0.35 * rng.standard_normal(size)), 0.5, 6.0)
    used = u(size) < 0.25
    acquired = np.floor(built + np.where(used, 365 + 4 * 365 * u(size), 30.0))
    acquired = np.minimum(acquired, world.end_day - 60.0)
    sold = np.floor(acquired + 300.0 + 3650.0 * rng.exponential(size=size))
    disposed = np.where(sold < world.end_day - 1.0, sold, np.inf)
    site = rng.integers(0, len(plan.sites), size)
    make = model = np.zeros(size, dtype=np.int64)
    pump_built = built
    if plan.makes:
        shares = np.cumsum([one.share for one in plan.makes])
        make = np.searchsorted(shares, more.random(size) * shares[-1], side="right")
        several = np.array([len(one.models) for one in plan.makes])
        model = np.floor(more.random(size) * several[make]).astype(np.int64)
        pump_built = built - more.integers(9, 110, size)
        # Nobody lists what was sold before the records begin.
        late = np.floor(np.maximum(acquired, world.begin_day) + 300 + 7000 * more.exponential(size=size))
        disposed = np.where(late < world.end_day - 1.0, late, np.inf)
    electronic = more.random(size) >= plan.manual
    hours_new = pace * np.maximum(world.begin_day - built, 0.0)  # at the first day of the records
    if plan.names:  # machines are named in the order in which they came
        came = np.argsort(acquired, kind="stable")
        built, pump_built, pace, acquired, disposed = (
            of[came] for of in (built, pump_built, pace, acquired, disposed)
        )
        hours_new = hours_new[came]
    for i, facts in enumerate(map(plan.facts.get, plan.names[first : first + size])):
        if facts is not None:
            disposed[i], electronic[i], pace[i] = np.inf, True, facts.yearly_hours / 365.25
            built[i], pump_built[i], acquired[i] = map(
                days_since_epoch, (facts.built, facts.pump_built, facts.acquired)
            )
            hours_new[i] = facts.hours - pace[i] * (world.end_day - world.begin_day)
            site[i] = plan.sites.index(facts.site)
            make[i] = [one.name for one in plan.makes].index(facts.make)
            model[i] = [name for name, _ in plan.makes[make[i]].models].index(facts.model)
    serials = [one.serials for one in plan.makes]
    number = 100_000 + 40 * (built - days_since_epoch(date(2010, 1, 1))) + more.integers(0, 40, size)
    serial = [f"{serials[m]}{n:.0f}" for m, n in zip(make, number, strict=True)] if serials else []
    clock, rentals = Clock(built, pace), pl.DataFrame()
    if plan.season:
        begin = np.maximum(acquired, world.begin_day)
        hours_new = np.where(built < world.begin_day, hours_new, 0.0)
        hours_new += pace * np.maximum(begin - np.maximum(world.begin_day, built), 0.0)
        clock, rentals = _rent_out(more, plan, built, pace, begin, hours_new, world.end_day)
    return Machines(
        world, first, built, pump_built, acquired, disposed, site, make, model, serial, electronic, clock,
        rentals, tidy_meters(size),
    )  # fmt: skip


def _rent_out(
    rng: np.random.Generator,
    plan: FleetPlan,
    built: Floats,
    pace: Floats,
    begin: Floats,
    hours: Floats,
    end_day: float,
) -> tuple[Clock, pl.DataFrame]:
    """Rentals one after the other, more of them in season; hours run by the season while a machine is out."""
    first = int(begin.min())
    months = (np.arange(first, int(end_day) + 2) + np.datetime64(EPOCH)).astype("datetime64[M]").astype(
        int
    ) % 12
    season = np.asarray(plan.season, dtype=np.float64)[months]
    used = np.concatenate(([0.0], np.cumsum(0.75 + 0.25 * season)))
    low, high, share, price = np.array(RENTALS).T
    day, edges, factor = begin, [begin], []
    while (day < end_day).any():
        at = np.minimum(day - first, season.size - 1).astype(np.int64)
        out = day + rng.exponential(IDLE_DAYS, day.size) / season[at]
        kind = np.searchsorted(np.cumsum(share), rng.random(day.size), side="right")
        day = out + low[kind] + (high - low)[kind] * rng.random(day.size)
        edges += [out, day]
        factor.append(price[kind])
    border = np.minimum(np.column_stack(edges), end_day)
    worth = np.interp(border - first, np.arange(used.size), used)
    out_time = np.diff(worth, axis=1)
    out_time[:, 0::2] = 0.0  # in the yard
    run = np.cumsum(out_time, axis=1)
    scale = pace * np.maximum(end_day - begin, 0.0) / np.maximum(run[:, -1], 1e-9)
    run = hours[:, None] + np.column_stack((np.zeros(begin.size), run * scale[:, None]))
    rentals = pl.DataFrame(
        {
            "machine": np.repeat(np.arange(begin.size), len(factor)),
            "out_day": np.column_stack(edges[1::2]).ravel(),
            "in_day": np.column_stack(edges[2::2]).ravel(),
            "factor": np.column_stack(factor).ravel(),
        }
    )
    return RentalClock(built, pace, border, run), rentals.filter(pl.col("out_day") < end_day)
