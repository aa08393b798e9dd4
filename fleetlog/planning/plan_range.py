"""How uncertain the saving of a plan is: the visits chosen, valued again by the laws of life of every draw."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl

from fleetlog.planning.open_work import OpenWork
from fleetlog.planning.outlook import in_threads
from fleetlog.planning.plan_candidates import Candidates, worth_of
from fleetlog.planning.plan_visits import Offers, visits_of
from fleetlog.stats.schedule import Schedule

#: Range of the saving, from so many draws at most: an 80% range is no surer for more.
LEVEL, MOST_DRAWS = 0.80, 100


def units_of(candidates: Candidates, offers: Offers, solution: Schedule) -> list[list[tuple[int, int]]]:
    """Of each chosen visit the jobs: row of a candidate and of its twin, -1 without."""
    twin = candidates.rows["twin"].to_list()
    return [
        [(one, twin[one]) for one in visit if one >= 0 and (twin[one] < 0 or one < twin[one])]
        for visit in offers.members[solution.chosen].tolist()
    ]


def saving_range(
    candidates: Candidates, offers: Offers, solution: Schedule, first: OpenWork
) -> tuple[float, float]:
    """80% range of what the chosen visits, and the jobs beside open work, save: over the draws of the laws of life.

    Only the parts that are done are valued, each in its own week.
    """
    weeks = offers.week[solution.chosen]
    units = units_of(candidates, offers, solution)
    week_of = {
        row: int(week) for week, visit in zip(weeks, units, strict=True) for pair in visit for row in pair
    }
    week_of |= {row: job.week for job in first.beside for row in job.candidates}
    done = np.array(sorted(row for row in week_of if row >= 0), dtype=np.int64)
    if not done.size:
        return 0.0, 0.0
    number = {row: new for new, row in enumerate(done.tolist())} | {-1: -1}
    rows = candidates.rows[done].with_columns(
        twin=pl.Series([number[row] for row in candidates.rows["twin"][done]])
    )
    mine = replace(candidates, rows=rows, day_rate=candidates.day_rate[done])
    week = np.array([week_of[row] for row in done.tolist()], dtype=np.int64)
    beside = [
        replace(job, candidates=tuple(number[row] for row in job.candidates), week=0) for job in first.beside
    ]
    # of each machine the one week in which it comes
    comes = np.zeros(len(candidates.outlook.machines), dtype=np.int64)
    comes[rows["machine_no"].to_numpy()] = week
    out_share = np.take_along_axis(offers.out_share, comes[:, None], axis=1)
    already_out = np.take_along_axis(offers.already_out, comes[:, None], axis=1)
    kinds: dict[tuple[tuple[str, bool], ...], list[list[tuple[int, int]]]] = {}
    component = rows["component"].to_list()
    for visit in units:
        pairs = [(number[one], number[other]) for one, other in visit]
        kinds.setdefault(tuple((component[one], other >= 0) for one, other in pairs), []).append(pairs)
    stacked = [np.array(pairs, dtype=np.int64) for pairs in kinds.values()]

    def saved(draw: int) -> float:
        worth = worth_of(mine.outlook, mine.costs, rows, mine.day_rate, draw, week)
        visits = sum(float(visits_of(mine, worth, one, out_share, already_out)[3].sum()) for one in stacked)
        return visits + sum(job.saving(worth) for job in beside)

    drawn = in_threads(saved, min(mine.outlook.draw_count, MOST_DRAWS))
    low, high = np.quantile(drawn, (0.5 - LEVEL / 2, 0.5 + LEVEL / 2))
    return float(low), float(high)
