"""Which parts a plan may choose from, and what not letting each fail is worth, week by week."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import polars as pl

from fleetlog.causes.repair_plan import day_rates
from fleetlog.causes.suspects import SuspectsFinding, suspects
from fleetlog.planning.job_costs import JobCosts, costs_of
from fleetlog.planning.outlook import Outlook, outlook_of, weeks_after
from fleetlog.planning.replacement import why_not_ahead
from fleetlog.session.fleet import Fleet
from fleetlog.session.randomness import DRAWS, SEED
from fleetlog.session.safety import Safety
from fleetlog.session.scope import Scope
from fleetlog.stats.arrays import Floats, Ints
from fleetlog.stats.renewal_value import Lives, Prices, best_policy, discounted_hours, renewal_age

#: An open case counts as this part's when its cause is at least so sure.
_SURE = 0.5


@dataclass(frozen=True, eq=False)
class Candidates:
    """Places whose part may be worth replacing ahead, with what they are worth week by week.

    Attributes:
        outlook: over the plan's weeks.
        costs: by component.
        rows: one row a candidate: the columns of the outlook's places, then open_chance (of its open case to
            be this part's; 0 = no such case), case_saving, chance_without.
        value: of not letting it fail, before the job's own cost, seen from today, shape (candidates, weeks).
        alive: chance that the part still runs then, given that the machine is there, (candidates, weeks).
        there: chance that the machine is there then, discounting counted, (candidates, weeks).
        day_rate: of each candidate's machine.
        why_not: component and variant -> why none of them is a candidate.
        safety: holds and cautions of this part of the fleet.
    """

    outlook: Outlook
    costs: Mapping[str, JobCosts]
    rows: pl.DataFrame
    value: Floats
    alive: Floats
    there: Floats
    day_rate: Floats
    why_not: Mapping[tuple[str, str], str]
    safety: Safety


def gather(
    fleet: Fleet,
    scope: Scope,
    *,
    weeks: int,
    draws: int = DRAWS,
    seed: int = SEED,
    known: SuspectsFinding | None = None,
    outlook: Outlook | None = None,
) -> Candidates:
    """The places that a plan may choose from.

    A place is a candidate when its kind of part is worth replacing ahead at all (as `replacement` finds), and
    it reaches the best age of its own machine within the plan's weeks; or when an open case is most likely
    this part's.

    Args:
        fleet, scope: whom to ask about what, as of when.
        weeks: how many lie ahead.
        draws, seed: of the outlook's bootstrap.
        known, outlook: the suspects and an outlook of this scope, where they have been found already.
    """
    history = fleet.history(scope.as_of)
    coming = weeks_after(history.as_of, weeks)
    if outlook is None:
        outlook = outlook_of(fleet, scope, coming, draws=draws, seed=seed)
    else:
        outlook = replace(outlook, periods=coming)
    family = outlook.family
    costs = {
        component: costs_of_part
        for component in dict.fromkeys(model.component for model in outlook.models)
        if (costs_of_part := costs_of(fleet, history, family, component)) is not None
    }
    known = known if known is not None else suspects(fleet, scope)
    open_cases = _open_cases(fleet, known)
    chosen, why_not = _chosen(fleet, outlook, costs, open_cases)
    rows = outlook.places.with_row_index("place").filter(pl.Series(chosen))
    rows = rows.join(open_cases, on=["machine_id", "side", "component"], how="left", maintain_order="left")
    rows = rows.with_columns(pl.col("open_chance", "case_saving").fill_null(0.0))
    places = rows["place"].to_numpy().astype(np.int64)
    rate = day_rates(fleet, history, rows["machine_id"])
    worth = _worth(outlook, costs, rows, places, rate)
    return Candidates(outlook, costs, *worth, why_not, known.safety)


def _open_cases(fleet: Fleet, known: SuspectsFinding) -> pl.DataFrame:
    """Open cases most likely of a followed part: the chance that its fault stands now, what the case may save."""
    family = fleet.family(known.fault)
    components = {cause.name: cause.component for cause in family.causes}
    return pl.DataFrame(
        [
            {
                "machine_id": case.machine_id,
                "side": case.side,
                "component": components[case.top_cause],
                "open_chance": (1.0 if case.standing is None else case.standing) * case.certainty,
                "case_saving": max((case.custom_cost or 0.0) - (case.expected_cost or 0.0), 0.0),
            }
            for case in known.cases
            if case.state == "open" and case.certainty >= _SURE
        ],
        schema={
            "machine_id": pl.String,
            "side": pl.String,
            "component": pl.String,
            "open_chance": pl.Float64,
            "case_saving": pl.Float64,
        },
    ).unique(["machine_id", "side", "component"], keep="first", maintain_order=True)


def _chosen(
    fleet: Fleet, outlook: Outlook, costs: Mapping[str, JobCosts], open_cases: pl.DataFrame
) -> tuple[npt.NDArray[np.bool_], dict[tuple[str, str], str]]:
    """Which places are candidates, and why whole kinds of parts are not."""
    chosen = np.zeros(len(outlook.places), dtype=bool)
    why_not: dict[tuple[str, str], str] = {}
    minimum = fleet.settings.survival.minimum_failures
    coming = outlook.hours_ahead().sum(axis=1)
    a_year = _hours_a_year(outlook)
    leave = outlook.leave_rate[outlook.places["age_class"].to_numpy()]
    for number, model in enumerate(outlook.models):
        mine = outlook.model_no == number
        if not mine.any() or model.component not in costs:
            continue
        cost = costs[model.component]
        # two sides in one visit share it; whether they do is for the schedule to say
        shared = 0.5 * (cost.planned + cost.second)
        leaving = (leave[mine] - np.log1p(-cost.discount_per_year)) / a_year[mine]
        prices = Prices.of(shared, cost.breakdown, leaving)
        size = int(mine.sum())
        following = _successor(outlook, model.component)
        rate = best_policy(_same(following, size), prices)[1]
        ages = renewal_age(_same(model.law, size), prices, rate)
        no = why_not_ahead(model, cost, float(np.median(ages)), minimum)
        if no:
            why_not[model.component, model.variant] = no
            continue
        chosen[mine] = outlook.age_hours[mine] + coming[mine] >= ages
    key = pl.concat_str("machine_id", "side", "component", separator="\x1f")
    opened = set(open_cases.select(key.alias("key"))["key"])
    has_step = outlook.places["component"].is_in(list(costs))
    with_case = outlook.places.select(key.is_in(list(opened)).alias("is"))["is"] & has_step
    return chosen | with_case.to_numpy(), why_not


def _successor(outlook: Outlook, component: str) -> tuple[float, float]:
    variant = outlook.family.fresh_variant(component)
    model = next(one for one in outlook.models if (one.component, one.variant) == (component, variant))
    return model.law


def _same(law: tuple[float, float], size: int) -> Lives:
    return Lives.of(np.full(size, law[0]), np.full(size, law[1]))


def _hours_a_year(outlook: Outlook) -> Floats:
    """Running hours a year of each place, the season taken out: the plan may lie in winter."""
    result: Floats = np.maximum(outlook.use.level[outlook.machine_no] * 365.25, 50.0)
    return result


def _worth(
    outlook: Outlook,
    costs: Mapping[str, JobCosts],
    rows: pl.DataFrame,
    places: Ints,
    rate: Floats,
) -> tuple[pl.DataFrame, Floats, Floats, Floats, Floats]:
    """Value, survival and presence of each candidate at the middle of each week."""
    weeks = len(outlook.periods)
    hours = outlook.hours_ahead()[places]
    run = np.cumsum(hours, axis=1) - 0.5 * hours
    leave = outlook.leave_rate[rows["age_class"].to_numpy()]
    a_year = _hours_a_year(outlook)[places]
    years = (np.arange(weeks) + 0.5) * 7 / 365.25
    value, alive, there = (np.zeros((places.size, weeks)) for _ in range(3))
    component = rows["component"].to_numpy()
    for name, cost in costs.items():
        mine = np.flatnonzero(component == name)
        if not mine.size:
            continue
        discount = -float(np.log1p(-cost.discount_per_year))
        breakdown = cost.breakdown_at(rate[mine])
        planned = cost.planned_in(rate[mine], cost.out_share)
        leaving = (leave[mine] + discount) / a_year[mine]
        prices = Prices.of(planned, breakdown, leaving)
        next_rate = best_policy(_same(_successor(outlook, name), mine.size), prices)[1]
        law = [outlook.models[int(number)].law for number in rows["model_no"].to_numpy()[mine]]
        lives = Lives.of([[one.shape] for one in law], [[one.scale_hours] for one in law])
        now = outlook.age_hours[places[mine]][:, None]
        age = now + run[mine]
        left = discounted_hours(lives, age, np.inf, leaving[:, None])
        # failing costs the breakdown; not failing puts off what the new part costs in the long run
        value[mine] = breakdown[:, None] * (1.0 - leaving[:, None] * left) - next_rate[:, None] * left
        alive[mine] = np.exp(lives.cumulative(now) - lives.cumulative(age))
        there[mine] = np.exp(-(leave[mine][:, None] + discount) * years)
    chance = outlook.failure_chances()[places].sum(axis=1)
    opened = rows["open_chance"].to_numpy()
    case = opened > 0
    # what custom would still waste on an open case melts away while it waits: by then it has been spent
    case_days = np.array([costs[name].case_days for name in component], dtype=np.float64)
    planned_now = np.array([costs[name].planned for name in component], dtype=np.float64)
    waited = (np.arange(weeks) + 0.5) * 7.0
    worth_of_case = (
        rows["case_saving"].to_numpy()[:, None] * np.exp(-waited / case_days[:, None]) + planned_now[:, None]
    )
    value = np.where(case[:, None], worth_of_case, value)
    alive = np.where(case[:, None], 1.0, alive)
    there = np.where(case[:, None], 1.0, there)
    rows = rows.with_columns(
        pl.Series("chance_without", np.where(case, np.maximum(opened, chance), chance), dtype=pl.Float64)
    )
    return rows, value, alive, there, rate
