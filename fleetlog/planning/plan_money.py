"""What a plan costs, what it avoids, and when it is paid back.

A job ahead of failure is paid in its week. What it avoids comes bit by bit: the breakdowns that the old part would have
brought, less those that the new one will. Both sides of a machine are one opening, before and after. Only the first
failure of each is counted, so what comes after is left to the saving.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from fleetlog.planning.outlook import lives_of
from fleetlog.planning.plan_candidates import Candidates
from fleetlog.stats.arrays import Floats
from fleetlog.stats.renewal_value import first_of

#: So far ahead it is looked whether a plan is paid back.
MOST_MONTHS = 120
#: What is avoided is stated over so many years.
AVOIDED_YEARS = 3


@dataclass(frozen=True)
class JobAhead:
    """A part, or both sides of one, done ahead: rows of the candidates, and week by number."""

    candidates: tuple[int, ...]
    week: int


@dataclass(frozen=True, eq=False)
class PlanMoney:
    """Money of a plan, in the fleet's currency.

    Attributes:
        cost_open: expected cost of the open work and the looks at doubtful repairs that have a week.
        cost_ahead: cost of the jobs ahead of failure and of those beside open work, which is all that the plan spends
            of its own accord.
        cost_avoided: breakdowns that these jobs avoid within three years, those that the new parts bring taken off.
        payback_months: months from the as-of day until what is avoided exceeds `cost_ahead`; None: not within ten
            years, or nothing is spent.
        payback: month (number of months from the as-of day), avoided (expected until its end).
    """

    cost_open: float
    cost_ahead: float
    cost_avoided: float
    payback_months: int | None
    payback: pl.DataFrame


def plan_money(
    candidates: Candidates, jobs: Sequence[JobAhead], rows: pl.DataFrame, *, open_kinds: Sequence[str]
) -> PlanMoney:
    """The money of a plan.

    Args:
        candidates: that it chose from.
        jobs: what is done of them.
        rows: of the plan.
        open_kinds: the reasons of rows that are work on what is open or in doubt.
    """
    is_open = pl.col("reason").is_in(list(open_kinds))
    cost_ahead = float(rows.filter(~is_open)["cost"].sum())
    avoided = avoided_by_month(candidates, jobs)
    paid = np.flatnonzero(avoided >= cost_ahead)
    return PlanMoney(
        cost_open=float(rows.filter(is_open)["cost"].sum()),
        cost_ahead=cost_ahead,
        cost_avoided=float(avoided[12 * AVOIDED_YEARS - 1]),
        payback_months=int(paid[0]) + 1 if cost_ahead > 0 and paid.size else None,
        payback=pl.DataFrame({"month": np.arange(1, MOST_MONTHS + 1), "avoided": avoided}),
    )


def avoided_by_month(candidates: Candidates, jobs: Sequence[JobAhead]) -> Floats:
    """Expected money of the breakdowns avoided until the end of each month from the as-of day, shape (MOST_MONTHS,)."""
    outlook = candidates.outlook
    total = np.zeros(MOST_MONTHS)
    years = np.arange(MOST_MONTHS + 1) / 12
    columns = candidates.rows.select("place", "component", "machine_no", "age_class").rows()
    for job in jobs:
        place, component, machine, age_class = columns[job.candidates[0]]
        cost, sides = candidates.costs[component], len(job.candidates)
        fresh = outlook.family.fresh_variant(component)
        old = outlook.models[int(outlook.model_no[place])].law
        new = next(one for one in outlook.models if (one.component, one.variant) == (component, fresh)).law
        first = outlook.periods[job.week].first
        begin = ((first - outlook.history.as_of).days + 3.5) / 365.25
        a_year = float(outlook.use.level[machine]) * 365.25
        age = float(np.mean([outlook.age_hours[columns[one][0]] for one in job.candidates])) + begin * a_year
        run = np.maximum(years - begin, 0.0) * a_year
        fails = []
        for law, now in ((old, age), (new, 0.0)):
            lives = first_of(lives_of([law]), sides)
            fails.append(-np.expm1(lives.cumulative(np.array([now])) - lives.cumulative(now + run)))
        breakdown = float(cost.breakdown_at(candidates.day_rate[job.candidates[0]])) + cost.second * (
            sides - 1
        )
        there = np.exp(-outlook.leave_rate[age_class] * (years[1:] - 1 / 24))
        total += np.cumsum(np.diff(fails[0] - fails[1]) * there) * breakdown
    return total
