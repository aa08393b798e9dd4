"""What a fault cost over the past months and what of it went into sound parts; what the plan costs and avoids."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any, ClassVar

import polars as pl

from fleetlog.causes.costs import CostFinding, costs
from fleetlog.causes.suspects import suspects
from fleetlog.errors import UsageError
from fleetlog.planning.open_work import DOUBTFUL, OPEN
from fleetlog.planning.plan import PlanFinding, plan
from fleetlog.planning.plan_money import AVOIDED_YEARS
from fleetlog.session.finding import Finding
from fleetlog.session.fleet import Fleet
from fleetlog.session.months import month_start
from fleetlog.session.randomness import DRAWS, SEED
from fleetlog.session.scope import WHOLE_FLEET, Scope

MOST_MONTHS = 120


@dataclass(frozen=True, repr=False)
class MoneyFinding(Finding):
    """Money of a fault, in the fleet's currency: what is gone, and what the plan does about it.

    Attributes:
        frame: about ("spent", "planned", "avoided" or "saved"), item, count (jobs, parts or failures), labour_hours,
            cost, lower, upper (80% range, where there is one).
        in_vain: parts replaced and how many of them were sound, by site and component, as in `CostFinding`.
        spent: the work done, by action and component, as in `CostFinding`.
        payback: month (number of months from the as-of day), avoided (money until its end), cost (of what the plan
            does of its own accord).
        spent_from: the first day whose work counts as spent.
        spent_in_all, spent_in_vain: sums.
        plan_cost, plan_avoids, plan_saving: all the work planned; breakdowns avoided within three years; the saving
            over the machines' remaining time.
        payback_months: months until what is avoided exceeds the cost of the work ahead of failure; None: not within
            ten years, or nothing is spent.
    """

    question: ClassVar[str] = "money"
    answers = (
        "in_vain", "spent", "payback", "spent_from", "spent_in_all", "spent_in_vain", "plan_cost", "plan_avoids",
        "plan_saving", "payback_months", "currency",
    )  # fmt: skip

    as_of: date
    fault: str
    frame: pl.DataFrame
    in_vain: pl.DataFrame
    spent: pl.DataFrame
    payback: pl.DataFrame
    spent_from: date
    spent_in_all: float
    spent_in_vain: float
    plan_cost: float
    plan_avoids: float
    plan_saving: float
    payback_months: int | None
    currency: str
    notes: tuple[str, ...] = ()


def money(
    fleet: Fleet,
    scope: Scope = WHOLE_FLEET,
    *,
    months: int = 12,
    weeks: int = 26,
    draws: int = DRAWS,
    seed: int = SEED,
) -> MoneyFinding:
    """What the fault cost in the past months, what went into sound parts, and what the plan costs, avoids and saves.

    Args:
        months: how many months back, up to the as-of day.
        weeks, draws, seed: of the plan.

    Raises:
        UsageError: for an impossible number of months, or as for `plan`.

    Examples:
        >>> found = june.money(weeks=8, draws=20)
        >>> 0 < found.spent_in_vain < found.spent_in_all
        True
    """
    if not 1 <= months <= MOST_MONTHS:
        raise UsageError(f"Money is told of 1 to {MOST_MONTHS} months back, not {months}; change --months.")
    history, _ = fleet.begin(scope)
    known = suspects(fleet, scope)
    after = history.as_of + timedelta(days=1)
    spent = costs(fleet, known, months_before(after, months), after, scope)
    planned = plan(fleet, scope, weeks=weeks, draws=draws, seed=seed, known=known)
    return money_of(spent, planned)


def months_before(after: date, months: int) -> date:
    """The day so many months before another; the last of its month where that month is shorter."""
    first = month_start(after, -months)
    last = month_start(first, 1) - timedelta(days=1)
    return first.replace(day=min(after.day, last.day))


def money_of(spent: CostFinding, planned: PlanFinding) -> MoneyFinding:
    """The money of what was spent and of a plan that have been found already."""
    told = _Statement(spent, planned)
    return MoneyFinding(
        as_of=planned.as_of,
        fault=planned.fault,
        frame=told.frame(),
        in_vain=spent.in_vain,
        spent=spent.spent,
        payback=planned.payback.with_columns(cost=pl.lit(planned.cost_ahead)),
        spent_from=spent.first,
        spent_in_all=spent.spent_in_all,
        spent_in_vain=spent.spent_in_vain,
        plan_cost=planned.cost_open + planned.cost_ahead,
        plan_avoids=planned.cost_avoided,
        plan_saving=planned.saving,
        payback_months=planned.payback_months,
        currency=spent.currency,
        notes=(*spent.notes, *told.notes()),
    )


class _Statement:
    """The rows of the statement, in the order in which they are read."""

    def __init__(self, spent: CostFinding, planned: PlanFinding) -> None:
        self._spent = spent
        self._plan = planned

    def frame(self) -> pl.DataFrame:
        spent, planned = self._spent, self._plan
        done = spent.spent
        there = pl.col("reason").is_in([OPEN, DOUBTFUL])
        opened, ahead = planned.frame.filter(there), planned.frame.filter(~there)
        rows = [
            _row(
                "spent", "on this fault", _sum(done, "jobs"), _sum(done, "labour_hours"), spent.spent_in_all
            ),
            _row(
                "spent",
                "of it, on parts that were sound",
                _sum(spent.in_vain, "in_vain"),
                None,
                spent.spent_in_vain,
            ),
            _row(
                "planned",
                "open cases and doubtful repairs",
                opened.height,
                _sum(opened, "labour_hours"),
                planned.cost_open,
            ),
            _row(
                "planned",
                "parts ahead of failure",
                ahead.height,
                _sum(ahead, "labour_hours"),
                planned.cost_ahead,
            ),
            _row(
                "planned",
                "the plan in all",
                planned.frame.height,
                _sum(planned.frame, "labour_hours"),
                planned.cost_open + planned.cost_ahead,
            ),
            _row(
                "avoided",
                f"breakdowns within {AVOIDED_YEARS} years",
                planned.failures_avoided,
                None,
                planned.cost_avoided,
            ),
            {
                **_row("saved", "by the work ahead, against waiting", None, None, planned.saving),
                "lower": planned.saving_lower,
                "upper": planned.saving_upper,
            },
        ]
        return pl.DataFrame(rows, schema=_FRAME)

    def notes(self) -> tuple[str, ...]:
        planned = self._plan
        if planned.cost_ahead <= 0:
            paid = "The plan spends nothing of its own accord: all of its work stands open already."
        elif planned.payback_months is None:
            paid = "What the plan spends ahead of failure is not paid back within ten years by breakdowns avoided."
        else:
            paid = (
                f"What the plan spends ahead of failure is paid back by breakdowns avoided after "
                f"{planned.payback_months} months."
            )
        return (paid, f"The plan's saving is against the policy: {planned.against}.")


def _sum(rows: pl.DataFrame, column: str) -> float:
    return float(rows[column].sum())


def _row(
    about: str, item: str, count: float | None, labour_hours: float | None, cost: float
) -> dict[str, Any]:
    return {"about": about, "item": item, "count": count, "labour_hours": labour_hours, "cost": cost}


_FRAME: dict[str, Any] = {
    "about": pl.String,
    "item": pl.String,
    "count": pl.Float64,
    "labour_hours": pl.Float64,
    "cost": pl.Float64,
    "lower": pl.Float64,
    "upper": pl.Float64,
}
