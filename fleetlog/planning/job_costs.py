"""What a job costs when it is planned, and what it costs when the machine breaks down first.

A planned job is one visit for one step. A breakdown is a whole case: looking for the cause, repairs in vain,
the repair itself, and a machine that stands on every visit. It is worked by the steps that are advised, since
that is what a yard that reads this will do; every figure says where it comes from.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl

from fleetlog.belief.weighing import weighed_now
from fleetlog.causes.repair_plan import CaseEffort, RepairPlan
from fleetlog.faults import FaultFamily, Step
from fleetlog.history import History
from fleetlog.planning.outlook import cause_of, cure_of
from fleetlog.session.fleet import Fleet
from fleetlog.session.months import month_start
from fleetlog.stats.arrays import Floats

#: The family's own figures are worth so many cases, or finished jobs, of the fleet.
LEANS = 5.0
#: Rentals of so many years back tell how much machines are out.
UTILISATION_YEARS = 3


@dataclass(frozen=True)
class JobCosts:
    """Figures behind the money of one kind of job.

    Attributes:
        component, cause, step: which job.
        planned_hours, planned_parts, planned_days: labour hours, parts and days of standing of a planned job
            on one side.
        second_hours: labour hours that the other side adds in the same visit.
        breakdown_hours, breakdown_parts, breakdown_days: the same for a whole case.
        call_out: money of a breakdown beside these.
        labour_rate, day_rate: money an hour of labour, and a day of standing that could be out.
        out_share: share of days on which a machine would have been out.
        discount_per_year: of money to come.
        engine_out_hours: saved where the engine is out already.
        sources: figure -> where it comes from.
    """

    component: str
    cause: str
    step: Step
    planned_hours: float
    planned_parts: float
    planned_days: float
    second_hours: float
    breakdown_hours: float
    breakdown_parts: float
    breakdown_days: float
    call_out: float
    labour_rate: float
    day_rate: float
    out_share: float
    discount_per_year: float
    engine_out_hours: float
    sources: dict[str, str]

    @property
    def planned(self) -> float:
        """Money of a planned job on one side, in a week like any other."""
        return float(self.planned_in(self.day_rate, self.out_share))

    @property
    def second(self) -> float:
        """Money that the other side adds in the same visit."""
        return float(self.added(self.second_hours, self.day_rate * self.out_share))

    @property
    def breakdown(self) -> float:
        """Money of a breakdown on one side."""
        return float(self.breakdown_at(self.day_rate))

    def planned_in(self, day_rate: Any, out_share: Any) -> Any:
        """Money of a planned job where a day of standing costs so much, and so likely anything at all."""
        return (
            self.planned_hours * self.labour_rate
            + self.planned_parts
            + self.planned_days * day_rate * out_share
        )

    def breakdown_at(self, day_rate: Any) -> Any:
        """Money of a breakdown where a day of standing costs so much: it comes while the machine is out."""
        return (
            self.breakdown_hours * self.labour_rate
            + self.breakdown_parts
            + self.breakdown_days * day_rate
            + self.call_out
        )

    @property
    def second_days(self) -> float:
        """Days of standing that the other side adds in the same visit."""
        return self._days(self.second_hours)

    def added(self, hours: float, a_day: Any) -> Any:
        """Money of one more side in a visit that takes so many hours longer, where a day of standing costs so much."""
        return hours * self.labour_rate + self.planned_parts + self._days(hours) * a_day

    def _days(self, hours: float) -> float:
        return hours * (self.planned_days / self.planned_hours if self.planned_hours > 0 else 0.0)

    def trace(self) -> list[dict[str, Any]]:
        """Every figure with its unit and source, then the sums made of them: figure, value, unit, source."""
        rows = [
            {
                "component": self.component,
                "figure": words,
                "value": float(getattr(self, name)),
                "unit": unit,
                "source": self.sources.get(name, ""),
            }
            for name, (words, unit) in FIGURES.items()
        ]
        sums = (
            ("planned", "a planned job", "labour x rate + parts + days x day rate x share out"),
            ("second", "the other side in the same visit", "labour x rate + parts + its share of the days"),
            ("breakdown", "a breakdown", "labour x rate + parts + days x day rate + call-out"),
        )
        rows += [
            {
                "component": self.component,
                "figure": f"money of {words}",
                "value": float(getattr(self, name)),
                "unit": "currency",
                "source": formula,
            }
            for name, words, formula in sums
        ]
        return rows

    def changed(self, figure: str, value: float) -> JobCosts:
        """The same with one figure replaced."""
        changes: dict[str, Any] = {figure: value}
        return replace(self, **changes)


FIGURES = {
    "planned_hours": ("labour of a planned job", "labour hours"),
    "second_hours": ("labour that the other side adds", "labour hours"),
    "planned_parts": ("parts of a planned job", "currency"),
    "planned_days": ("standing for a planned job", "days"),
    "breakdown_hours": ("labour of a breakdown, all visits", "labour hours"),
    "breakdown_parts": ("parts of a breakdown, those in vain included", "currency"),
    "breakdown_days": ("standing for a breakdown", "days"),
    "call_out": ("a breakdown beside repair and standing", "currency"),
    "labour_rate": ("an hour of labour", "currency/labour hour"),
    "day_rate": ("a day of standing that could be out", "currency/day"),
    "out_share": ("share of days on which a machine would be out", "share"),
    "discount_per_year": ("discount of money to come", "share/year"),
    "engine_out_hours": ("labour to open the machine and close it again", "labour hours"),
}


def costs_of(fleet: Fleet, history: History, family: FaultFamily, component: str) -> JobCosts | None:
    """What replacing a component costs within one fault family; None where no step replaces it."""
    cause = cause_of(family, component)
    step = cure_of(family, component, cause)
    if step is None:
        return None
    settings = fleet.settings
    sources = {
        "planned_hours": step.sources.get("labour_hours", step.source),
        "planned_parts": step.sources.get("parts_cost", step.source),
        "second_hours": step.sources.get("second_side_labour_hours", step.source),
        "call_out": settings.source("costs", "call_out"),
        "labour_rate": settings.source("costs", "labour_rate"),
        "day_rate": settings.source("costs", "downtime_per_day"),
        "discount_per_year": settings.source("costs", "discount_per_year"),
        "engine_out_hours": settings.source("costs", "engine_out_hours"),
    }
    days, sources["planned_days"] = _planned_days(fleet, step)
    broken, stated = _breakdown(fleet, history, family, cause, step)
    sources |= dict.fromkeys(("breakdown_hours", "breakdown_parts", "breakdown_days"), stated)
    share, sources["out_share"] = mean_out_share(fleet, history)
    return JobCosts(
        component=component,
        cause=cause,
        step=step,
        planned_hours=step.labour_hours,
        planned_parts=step.parts_cost,
        planned_days=days,
        second_hours=step.labour_hours
        if step.second_side_labour_hours is None
        else step.second_side_labour_hours,
        breakdown_hours=broken.labour_hours,
        breakdown_parts=broken.parts,
        breakdown_days=broken.days,
        call_out=settings.costs.call_out,
        labour_rate=settings.costs.labour_rate,
        day_rate=settings.costs.downtime_per_day,
        out_share=share,
        discount_per_year=settings.costs.discount_per_year,
        engine_out_hours=settings.costs.engine_out_hours if step.opens_pump else 0.0,
        sources=sources,
    )


def _planned_days(fleet: Fleet, step: Step) -> tuple[float, str]:
    default = step.labour_hours / fleet.settings.costs.day_hours
    row = fleet.store.run("plan/planned_jobs", component=step.component, action=step.action).row(
        0, named=True
    )
    if not row["jobs"]:
        return default, f"labour hours / costs.day_hours ({fleet.settings.source('costs', 'day_hours')})"
    days = (row["jobs"] * row["shop_days"] + LEANS * default) / (row["jobs"] + LEANS)
    return days, f"{row['jobs']} such orders of the fleet, leaning on labour hours / costs.day_hours"


def _breakdown(
    fleet: Fleet, history: History, family: FaultFamily, cause: str, step: Step
) -> tuple[CaseEffort, str]:
    """What a breakdown takes, and where that comes from: a case worked by the steps that are advised.

    What the yard has spent on past cases is not what it will spend by the advice; of a part that no cause stands
    behind there is no advice, and its step is taken.
    """
    waits = fleet.settings.source("costs", "days_waiting")
    if not cause:
        days = step.labour_hours / fleet.settings.costs.day_hours + fleet.settings.costs.days_waiting
        effort = CaseEffort(step.labour_hours, step.parts_cost, days)
        return effort, f"the step that replaces it, costs.days_waiting ({waits})"
    effort = RepairPlan.of(family, fleet.settings).of_a_case(new_cases(fleet, history, family), cause)
    return effort, f"the advised steps in the order of least expected cost, costs.days_waiting ({waits})"


def new_cases(fleet: Fleet, history: History, family: FaultFamily) -> Floats:
    """How common each cause is among new cases: the fleet's own, leaning on the family's priors, shape (K,)."""
    prior = np.array([one.prior_for("") for one in family.causes])
    share = weighed_now(fleet, history, family).of_case.sum(axis=0) + LEANS * prior / prior.sum()
    result: Floats = share / share.sum()
    return result


# --------------------------------------------------------------------------------------------- utilisation


def out_shares(fleet: Fleet, history: History) -> pl.DataFrame:
    """Share of days on which machines are out, by site and calendar month: site, calendar_month, share.

    A site leans on the fleet by so many machine months; empty where no rental is on record.
    """
    rows = _utilisation(fleet, history)
    if rows.is_empty() or float(rows["out_days"].sum()) <= 0:
        return pl.DataFrame(schema={"site": pl.String, "calendar_month": pl.Int64, "share": pl.Float64})
    fleet_share = pl.col("out_days").sum().over("calendar_month") / pl.col("machine_days").sum().over(
        "calendar_month"
    )
    lean = 30.4 * LEANS
    return rows.select(
        "site",
        "calendar_month",
        ((pl.col("out_days") + lean * fleet_share) / (pl.col("machine_days") + lean))
        .clip(0.0, 1.0)
        .alias("share"),
    )


def mean_out_share(fleet: Fleet, history: History) -> tuple[float, str]:
    """Share of all days on which machines are out, and where that comes from; 1 without any rental."""
    rows = _utilisation(fleet, history)
    out = float(rows["out_days"].sum()) if len(rows) else 0.0
    if out <= 0:
        return 1.0, "no rentals on record: every day of standing is taken to cost"
    return min(1.0, out / float(rows["machine_days"].sum())), (
        f"rentals of the last {UTILISATION_YEARS} years"
    )


def _utilisation(fleet: Fleet, history: History) -> pl.DataFrame:
    months = _past_months(history.as_of, 12 * UTILISATION_YEARS)
    fleet.store.register(
        "calendar_month",
        pl.DataFrame(
            {
                "month": [(first.year - 1970) * 12 + first.month - 1 for first, _ in months],
                "begin_at": [datetime(first.year, first.month, 1) for first, _ in months],
                "end_at": [datetime(after.year, after.month, 1) for _, after in months],
            }
        ),
    )
    return fleet.store.run("plan/utilisation", as_of_end=history.as_of_end)


def _past_months(day: date, count: int) -> list[tuple[date, date]]:
    """The last whole months up to a day, earliest first."""
    after = day + timedelta(days=1)
    return [(month_start(after, -back), month_start(after, 1 - back)) for back in range(count, 0, -1)]


@dataclass(frozen=True)
class Assumption:
    """One figure that a decision rests on.

    Attributes:
        name: by which the saving function knows it.
        words, unit, source: for display.
        now, low, high: value in force, and those to try.
        least, most: what it can be at all.
    """

    name: str
    words: str
    unit: str
    source: str
    now: float
    low: float
    high: float
    least: float = 0.0
    most: float = np.inf


def money_assumptions(costs: JobCosts) -> list[Assumption]:
    """The figures of money with the ranges to try: half and double, labour as the family's range gives it."""
    step = costs.step
    ranges: dict[str, tuple[float, float]] = {
        name: (0.5 * float(getattr(costs, name)), 2.0 * float(getattr(costs, name)))
        for name in (
            "breakdown_hours",
            "breakdown_days",
            "breakdown_parts",
            "call_out",
            "planned_days",
            "planned_parts",
            "day_rate",
            "labour_rate",
        )
    }
    ranges["planned_hours"] = (step.labour_hours_low, step.labour_hours_high)
    ranges["out_share"] = (0.5 * costs.out_share, 1.0)
    ranges["discount_per_year"] = (0.0, 0.15)
    most = {"out_share": 1.0, "discount_per_year": 0.99}
    return [
        Assumption(
            name,
            *FIGURES[name],
            costs.sources.get(name, ""),
            float(getattr(costs, name)),
            low,
            high,
            most=most.get(name, np.inf),
        )
        for name, (low, high) in ranges.items()
    ]


def sensitivity(
    assumptions: Sequence[Assumption], saving: Callable[[str, Floats], Floats]
) -> list[dict[str, Any]]:
    """How a saving answers to each assumption, and at which value of it the saving turns to nothing.

    Args:
        assumptions: what to vary, one at a time.
        saving: name of an assumption and values of it -> money saved at each; positive = worth doing.

    Returns:
        One row an assumption, the one that moves the saving most first: figure, unit, source, value, low,
        high, saving_low, saving, saving_high, turns_at (None: at no value within a twentieth and twenty
        times the one in force).
    """
    rows = []
    for one in assumptions:
        low, here, high = saving(one.name, np.array([one.low, one.now, one.high]))
        rows.append(
            {
                "figure": one.words,
                "unit": one.unit,
                "source": one.source,
                "value": one.now,
                "low": one.low,
                "high": one.high,
                "saving_low": float(low),
                "saving": float(here),
                "saving_high": float(high),
                "turns_at": turning_point(one, saving),
            }
        )
    return sorted(rows, key=lambda row: -abs(float(row["saving_high"]) - float(row["saving_low"])))


def turning_point(one: Assumption, saving: Callable[[str, Floats], Floats]) -> float | None:
    """The value nearest to the one in force at which the saving changes sign, None if it does not."""
    if one.now <= 0:
        return None
    steps = np.linspace(0.0, np.log(20.0), 61)
    crossings = []
    for direction in (-1.0, 1.0):
        values = one.now * np.exp(direction * steps)
        values = values[(values >= one.least) & (values <= one.most)]
        crossing = _crossing(values, saving(one.name, values))
        # zoom in: each turn narrows the bracket twentyfold
        for _ in range(8):
            if crossing is None:
                break
            values = np.linspace(*crossing, 21)
            crossing = _crossing(values, saving(one.name, values))
        if crossing is not None:
            crossings.append(0.5 * (crossing[0] + crossing[1]))
    return min(crossings, key=lambda value: abs(np.log(value / one.now))) if crossings else None


def _crossing(values: Floats, savings: Floats) -> tuple[float, float] | None:
    """The first two neighbours between which the sign differs from that of the first value."""
    changed = np.flatnonzero(np.sign(savings) != np.sign(savings[0])) if savings.size else np.zeros(0, int)
    if not changed.size:
        return None
    at = int(changed[0])
    return float(values[at - 1]), float(values[at])
