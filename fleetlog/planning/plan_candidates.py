"""Which parts a plan may choose from, and what not letting each fail is worth, week by week."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import polars as pl

from fleetlog.causes.repair_plan import day_rates
from fleetlog.causes.suspects import SuspectsFinding, suspects
from fleetlog.planning.forecast import hours_to_come
from fleetlog.planning.job_costs import JobCosts, costs_of
from fleetlog.planning.outlook import Outlook, lives_of, outlook_of, weeks_after
from fleetlog.planning.replacement import why_not_ahead
from fleetlog.session.fleet import Fleet
from fleetlog.session.randomness import DRAWS, SEED
from fleetlog.session.scope import Scope
from fleetlog.stats.arrays import Floats, Ints
from fleetlog.stats.renewal_value import Lives, Prices, best_policy, discounted_hours, first_of, renewal_age
from fleetlog.stats.weighted_lives import Law


@dataclass(frozen=True, eq=False)
class Candidates:
    """Sound parts that may be worth replacing ahead, with what they are worth week by week.

    Attributes:
        outlook: over the plan's weeks.
        costs: by component.
        rows: one row a candidate: the columns of the outlook's places, then twin (row of the same part on the other
            side, done in one visit with it; -1 = none), beside_work (its machine has open work, so that it is no
            visit of its own), chance_without.
        worth: what each is worth.
        day_rate: of each candidate's machine.
        why_not: component and variant -> why none of them is a candidate.
        known: cases, holds and cautions of this part of the fleet.
        reserved: labour hours kept back each week for the failures to come, as the forecast has them, shape (weeks,).
        labour_rate: of the shop, an hour.
    """

    outlook: Outlook
    costs: Mapping[str, JobCosts]
    rows: pl.DataFrame
    worth: Worth
    day_rate: Floats
    why_not: Mapping[tuple[str, str], str]
    known: SuspectsFinding
    reserved: Floats
    labour_rate: float


@dataclass(frozen=True, eq=False)
class Worth:
    """What not letting parts fail is worth, seen from the middle of each week, shape (candidates, weeks).

    Attributes:
        value: of not letting it fail, before the job's own cost. Twins count as one opening: the first of them to fail
            is a breakdown after which both are new, so both carry the value of the two together.
        alive: chance that the part still runs then, given that the machine is there.
        there: chance that the machine is there then, discounting counted.
    """

    value: Floats
    alive: Floats
    there: Floats


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

    A place is a candidate when its kind of part is worth replacing ahead at all (as `replacement` finds), and it
    reaches the best age of its own machine within the plan's weeks, or stands beside open work.

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
    chosen, why_not = _chosen(fleet, outlook, costs)
    at_work = {case.machine_id for case in known.cases if case.state == "open"}
    has_case = {(case.machine_id, case.side) for case in known.cases if case.standing is not None}
    places = outlook.places.with_row_index("place").with_columns(
        beside_work=pl.col("machine_id").is_in(list(at_work))
    )
    free = [place not in has_case for place in places.select("machine_id", "side").iter_rows()]
    beside = (places["beside_work"] & places["component"].is_in(list(costs))).to_numpy()
    rows = _with_twins(places.filter(pl.Series((chosen | beside) & np.array(free, dtype=bool))))
    rate = day_rates(fleet, history, rows["machine_id"])
    chance = outlook.failure_chances()[rows["place"].to_numpy().astype(np.int64)].sum(axis=1)
    rows = rows.with_columns(pl.Series("chance_without", chance, dtype=pl.Float64))
    reserved = hours_to_come(fleet, scope, outlook)
    worth = worth_of(outlook, costs, rows, rate)
    return Candidates(
        outlook, costs, rows, worth, rate, why_not, known, reserved, fleet.settings.costs.labour_rate
    )


def _with_twins(rows: pl.DataFrame) -> pl.DataFrame:
    """The candidates with the row of the same kind of part on the machine's other side."""
    numbered = rows.with_row_index("row").with_columns(pl.col("row").cast(pl.Int64))
    pair = (
        numbered.group_by("machine_no", "model_no", maintain_order=True)
        .agg("row")
        .filter(pl.col("row").list.len() == 2)
    )
    twins = pair.select(row=pl.col("row").list.get(0), twin=pl.col("row").list.get(1))
    both = pl.concat([twins, twins.select(row="twin", twin="row")])
    return (
        numbered.join(both, on="row", how="left", maintain_order="left")
        .with_columns(pl.col("twin").fill_null(-1))
        .drop("row")
    )


def _chosen(
    fleet: Fleet, outlook: Outlook, costs: Mapping[str, JobCosts]
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
        leaving = (leave[mine] - np.log1p(-cost.discount_per_year)) / a_year[mine]
        size = int(mine.sum())
        # two sides of one machine are one opening, now and when the first of them fails
        sides = np.bincount(outlook.machine_no[mine])[outlook.machine_no[mine]]
        second = cost.second * (sides - 1)
        prices = Prices.of(cost.planned + second, cost.breakdown + second, leaving)
        rate = best_policy(first_of(_same(_successor(outlook, model.component), size), sides), prices)[1]
        ages = renewal_age(first_of(_same(model.law, size), sides), prices, rate)
        no = why_not_ahead(model, cost, float(np.median(ages)), minimum)
        if no:
            why_not[model.component, model.variant] = no
            continue
        chosen[mine] = outlook.age_hours[mine] + coming[mine] >= ages
    return chosen, why_not


def _successor(outlook: Outlook, component: str) -> Law:
    variant = outlook.family.fresh_variant(component)
    model = next(one for one in outlook.models if (one.component, one.variant) == (component, variant))
    return model.law


def _same(law: Law, size: int) -> Lives:
    return lives_of([law], np.zeros(size, dtype=np.int64))


def _hours_a_year(outlook: Outlook) -> Floats:
    """Running hours a year of each place, the season taken out: the plan may lie in winter."""
    result: Floats = np.maximum(outlook.use.level[outlook.machine_no] * 365.25, 50.0)
    return result


def worth_of(
    outlook: Outlook,
    costs: Mapping[str, JobCosts],
    rows: pl.DataFrame,
    rate: Floats,
    draw: int | None = None,
    week: Ints | None = None,
) -> Worth:
    """Value, survival and presence of each candidate at the middle of each week.

    Args:
        outlook: over the plan's weeks.
        costs: by component.
        rows: the candidates, as in `Candidates`.
        rate: what a day costs each machine.
        draw: whose laws; None: the point estimate.
        week: of each candidate the only week to look at, by number; None: every week.
    """
    places = rows["place"].to_numpy().astype(np.int64)
    twin = rows["twin"].to_numpy()
    hours = outlook.hours_ahead()[places]
    run = np.cumsum(hours, axis=1) - 0.5 * hours
    number = np.arange(hours.shape[1])[None, :] if week is None else week[:, None]
    run = run if week is None else np.take_along_axis(run, number, axis=1)
    leave = outlook.leave_rate[rows["age_class"].to_numpy()]
    a_year = _hours_a_year(outlook)[places]
    years = np.broadcast_to((number + 0.5) * 7 / 365.25, run.shape)
    value, alive, there = (np.zeros(run.shape) for _ in range(3))
    component = rows["component"].to_numpy()
    now = outlook.age_hours[places]
    mean_age = np.where(twin >= 0, 0.5 * (now + now[twin]), now)
    for name, cost in costs.items():
        mine = np.flatnonzero(component == name)
        if not mine.size:
            continue
        discount = -float(np.log1p(-cost.discount_per_year))
        sides = np.where(twin[mine] >= 0, 2, 1)
        second = cost.second * (sides - 1)
        breakdown = cost.breakdown_at(rate[mine]) + second
        planned = cost.planned_in(rate[mine], cost.out_share) + second
        leaving = (leave[mine] + discount) / a_year[mine]
        prices = Prices.of(planned, breakdown, leaving)
        fresh = outlook.family.fresh_variant(name)
        successor = next(one for one in outlook.models if (one.component, one.variant) == (name, fresh)).at(
            draw
        )
        next_rate = best_policy(first_of(_same(successor, mine.size), sides), prices)[1]
        laws = [one.at(draw) for one in outlook.models]
        single = lives_of(laws, rows["model_no"].to_numpy()[mine].astype(np.int64)).columns()
        lives = first_of(single, sides[:, None])
        age = mean_age[mine][:, None] + run[mine]
        left = discounted_hours(lives, age, np.inf, leaving[:, None])
        # failing costs the breakdown; not failing puts off what the new parts cost in the long run
        value[mine] = breakdown[:, None] * (1.0 - leaving[:, None] * left) - next_rate[:, None] * left
        own = now[mine][:, None]
        alive[mine] = np.exp(single.cumulative(own) - single.cumulative(own + run[mine]))
        there[mine] = np.exp(-(leave[mine][:, None] + discount) * years[mine])
    return Worth(value, alive * (1.0 - outlook.standing[places])[:, None], there)
