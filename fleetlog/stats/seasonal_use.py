"""How many hours a machine will run: its own recent level, times the season of its yard.

A machine's hours in a month are taken as level * season * days, the level its own, the season shared by the
machines of a site. Levels and seasons are found in turns, each given the other, which is the maximum of the
Poisson quasi-likelihood of a two-way table. A site's season leans on the fleet's until it has enough machine
months of its own, and a machine's level on its site's.

What is uncertain is learnt from the same table: how far levels learnt half a year earlier missed what came,
and how far whole months strayed from their season.

Sources: McCullagh & Nelder 1989, chapter 6 (quasi-likelihood of rates); Winters 1960 (level and season); the
leaning is the usual gamma-Poisson shrinkage, Gaver & O'Muircheartaigh 1987.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from fleetlog.stats.arrays import Floats, Ints, binned
from fleetlog.stats.errors import LengthMismatch

#: A site's season counts for half once it has so many machine months behind a calendar month.
SEASON_LEANS = 40.0
#: A machine's level counts for half once it has been seen for so many (recent) days.
LEVEL_LEANS = 20.0
#: After so many days a reading of the recent past counts for half.
HALF_LIFE_DAYS = 120.0
#: How far back the level's own forecast is tested, in months.
_TESTED = 6
_TURNS = 12


@dataclass(frozen=True, eq=False)
class UseTable:
    """Hours run by machine and calendar month.

    Attributes:
        machine: number of the machine, 0 to machines - 1, shape (rows,).
        month: months since 1970-01, shape (rows,).
        hours: running hours, shape (rows,).
        days: days they were run in, shape (rows,).
        site: number of each machine's site, shape (machines,).
    """

    machine: Ints
    month: Ints
    hours: Floats
    days: Floats
    site: Ints

    def __post_init__(self) -> None:
        if len({self.machine.size, self.month.size, self.hours.size, self.days.size}) > 1:
            raise LengthMismatch("machine, month, hours and days must have one value a row each")


@dataclass(frozen=True, eq=False)
class Use:
    """What use to expect.

    Attributes:
        level: hours a day of each machine, season taken out, shape (machines,).
        season: factor by site and calendar month (0 = January), mean 1, shape (sites, 12).
        level_spread: standard deviation of the logarithm of what comes over what the level says.
        month_spread: the same for a whole yard's month over its season.
        table: what it was learnt from.
        mean_level: of each machine over all its months, shape (machines,).

    Examples:
        A machine that ran 90 h in each of twelve months of 30 days runs 3 h a day, in any season: 93 h in 31 days.

        >>> months = np.arange(600, 612)
        >>> table = UseTable(np.zeros(12, int), months, np.full(12, 90.0), np.full(12, 30.0), np.zeros(1, int))
        >>> use = learn_use(table)
        >>> use.expected(np.array([0]), np.array([612]), np.array([31.0])).round(6).tolist()
        [[93.0]]
        >>> use.season_draw(np.array([2.0])).round(6).tolist() == np.ones((1, 12)).tolist()
        True
    """

    level: Floats
    season: Floats
    level_spread: float
    month_spread: float
    table: UseTable
    mean_level: Floats

    def expected(self, machine: Ints, months: Ints, days: Floats) -> Floats:
        """Hours of these machines in months to come, shape (machines, months).

        Args:
            machine: numbers of the machines.
            months: months since 1970-01.
            days: days of each month that count.
        """
        factor = self.season[self.table.site[machine]][:, months % 12]
        result: Floats = self.level[machine][:, None] * factor * days
        return result

    def season_draw(self, weights: Floats) -> Floats:
        """The season as it would be if machines weighed so much, shape (sites, 12)."""
        order, begins, run, plain = self._by_site
        weighed = weights[order][:, None]
        return _leaning(
            np.add.reduceat(weighed * run, begins, axis=0),
            np.add.reduceat(weighed * plain, begins, axis=0),
            self.table.machine.size,
        )

    @cached_property
    def _by_site(self) -> tuple[Ints, Ints, Floats, Floats]:
        """Machines in order of their site, where each site begins, and their hours by calendar month.

        The hours are those run and those that the level alone would give, shape (machines, 12).
        """
        table, size = self.table, self.table.site.size
        cell = table.machine * 12 + table.month % 12
        run = binned(cell, table.hours, size * 12).reshape(size, 12)
        plain = binned(cell, table.days * self.mean_level[table.machine], size * 12).reshape(size, 12)
        order = np.argsort(table.site, kind="stable")
        begins = np.searchsorted(table.site[order], np.arange(int(table.site.max()) + 1))
        return order, begins.astype(np.int64), run[order], plain[order]


def learn_use(table: UseTable) -> Use:
    """Levels, seasons and their uncertainty from hours by month.

    A fleet without any hours gets level 0 and a flat season.

    Args:
        table: hours by machine and month.

    Raises:
        LengthMismatch: by `UseTable`, where its columns are not of one length.

    Source: McCullagh & Nelder 1989, chapter 6; Winters 1960; Gaver & O'Muircheartaigh 1987.

    Examples:
        Fifty machines run 120 h in each month from April to September and 60 h in each of the others: 90 h on average,
        so that summer is 4/3 of it.

        >>> machine, month = np.repeat(np.arange(50), 12), np.tile(np.arange(600, 612), 50)
        >>> hours = np.where((month % 12 >= 3) & (month % 12 <= 8), 120.0, 60.0)
        >>> use = learn_use(UseTable(machine, month, hours, np.full(600, 30.0), np.zeros(50, int)))
        >>> use.season[0, [0, 6]].round(4).tolist()
        [0.6667, 1.3333]
    """
    mean_level, season = _in_turns(table)
    level = _recent_level(table, season, _last(table))
    return Use(
        level=level,
        season=season,
        level_spread=_level_spread(table, season),
        month_spread=_month_spread(table, mean_level, season),
        table=table,
        mean_level=mean_level,
    )


def _last(table: UseTable) -> int:
    return int(table.month.max()) if table.month.size else 0


def _in_turns(table: UseTable) -> tuple[Floats, Floats]:
    sites = int(table.site.max()) + 1 if table.site.size else 1
    season = np.ones((sites, 12))
    level = np.zeros(table.site.size)
    hours = binned(table.machine, table.hours, table.site.size)
    for _ in range(_TURNS):
        exposed = table.days * season[table.site[table.machine], table.month % 12]
        seen = binned(table.machine, exposed, table.site.size)
        level = np.divide(hours, seen, out=np.zeros_like(hours), where=seen > 0)
        season = _season(table, level)
    return level, season


def _season(table: UseTable, level: Floats) -> Floats:
    """Hours run over hours that the levels alone would give, by site and calendar month."""
    sites = int(table.site.max()) + 1 if table.site.size else 1
    cell = table.site[table.machine] * 12 + table.month % 12
    run = binned(cell, table.hours, sites * 12).reshape(sites, 12)
    plain = binned(cell, table.days * level[table.machine], sites * 12).reshape(sites, 12)
    return _leaning(run, plain, cell.size)


def _leaning(run: Floats, plain: Floats, rows: int) -> Floats:
    """The season of each site, leaning on the fleet's by so many hours of an average machine month."""
    all_run, all_plain = run.sum(axis=0), plain.sum(axis=0)
    fleet = np.divide(all_run, all_plain, out=np.ones(12), where=all_plain > 0)
    lean = SEASON_LEANS * (all_plain.sum() / rows if rows else 0.0)
    own = np.divide(run + lean * fleet, plain + lean, out=np.ones_like(run), where=plain + lean > 0)
    centre = own.mean(axis=1, keepdims=True)
    result: Floats = np.divide(own, centre, out=np.ones_like(own), where=centre > 0)
    return result


def _recent_level(table: UseTable, season: Floats, last: int) -> Floats:
    """Level of each machine at the end of month `last`: recent months count more, few days lean on others."""
    kept = table.month <= last
    machine, month = table.machine[kept], table.month[kept]
    age_days = (last - month) * 30.4
    fade = 0.5 ** (age_days / HALF_LIFE_DAYS)
    exposed = fade * table.days[kept] * season[table.site[machine], month % 12]
    size = table.site.size
    run, seen = binned(machine, fade * table.hours[kept], size), binned(machine, exposed, size)
    sites = season.shape[0]
    site_run, site_seen = binned(table.site, run, sites), binned(table.site, seen, sites)
    total = float(run.sum()) / float(seen.sum()) if seen.sum() > 0 else 0.0
    site_level = (site_run + LEVEL_LEANS * total) / (site_seen + LEVEL_LEANS)
    result: Floats = (run + LEVEL_LEANS * site_level[table.site]) / (seen + LEVEL_LEANS)
    return result


def _level_spread(table: UseTable, season: Floats) -> float:
    """How far levels as of half a year ago missed the half year that followed, on the log scale."""
    if not table.month.size:
        return 0.0
    cut = _last(table) - _TESTED
    earlier, later = table.month <= cut, table.month > cut
    size = table.site.size
    before = binned(table.machine[earlier], table.days[earlier], size)
    exposed = table.days[later] * season[table.site[table.machine[later]], table.month[later] % 12]
    seen = binned(table.machine[later], exposed, size)
    run = binned(table.machine[later], table.hours[later], size)
    level = _recent_level(table, season, cut)
    tested = (before >= 60) & (seen >= 90) & (run > 0) & (level > 0)
    if int(tested.sum()) < 5:
        return 0.5
    miss = np.log(run[tested] / (level[tested] * seen[tested]))
    # from the middle half, so that a few machines laid up do not speak for all
    low, high = np.quantile(miss, (0.25, 0.75))
    return float(high - low) / 1.349


def _month_spread(table: UseTable, level: Floats, season: Floats) -> float:
    """How far months of the whole fleet strayed from level and season, on the log scale."""
    if not table.month.size:
        return 0.0
    expected = table.days * level[table.machine] * season[table.site[table.machine], table.month % 12]
    first = int(table.month.min())
    size = _last(table) - first + 1
    run = binned(table.month - first, table.hours, size)
    plain = binned(table.month - first, expected, size)
    days = binned(table.month - first, table.days, size)
    stated = (plain > 0) & (run > 0) & (days >= 0.25 * days.max())
    if int(stated.sum()) < 13:
        return 0.1
    miss = np.log(run[stated] / plain[stated])
    # twelve seasons and the level were learnt from the same months
    free = max(1.0, float(stated.sum()) - 12.0)
    return float(np.sqrt(((miss - miss.mean()) ** 2).sum() / free))
