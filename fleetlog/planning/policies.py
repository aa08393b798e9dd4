"""What if? Ways of dealing with a fault side by side over the coming months: money, failures, days down.

Every draw takes laws, use and season as in the forecast, lets parts fail on all machines, and plays each policy out on
the same failures: the same part fails at the same hours under every policy that has not replaced it, and what stands
failed now fails at once. A case costs what it is expected to take when worked as the policy has it: by the advice, by
the custom that the family spells out, or by the repair at the first report; complaints of the family's other causes
come as often under every policy and are worked the same way. What the parts left in would still cost later is added, so
that work done ahead is not judged by its price alone.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import ClassVar

import numpy as np
import numpy.typing as npt
import polars as pl

from fleetlog.causes.repair_plan import CaseEffort, RepairPlan
from fleetlog.causes.suspects import suspects
from fleetlog.errors import UsageError
from fleetlog.faults import FaultFamily
from fleetlog.planning.comparators import POLICIES, words_of
from fleetlog.planning.forecast import check_numbers, others_to_come
from fleetlog.planning.job_costs import JobCosts, costs_of, new_cases
from fleetlog.planning.outlook import Outlook, in_threads, lives_of, outlook_of
from fleetlog.planning.plan_visits import ShopLimits
from fleetlog.questions import proposal
from fleetlog.session.finding import Finding
from fleetlog.session.fleet import Fleet
from fleetlog.session.randomness import DRAWS, SEED
from fleetlog.session.safety import Safety
from fleetlog.session.scope import WHOLE_FLEET, Columns, Scope, columns_of
from fleetlog.stats.arrays import Floats, Ints
from fleetlog.stats.renewal_value import Prices, discounted_hours, first_of, waiting_rate

#: Range of the table.
LEVEL = 0.80


@dataclass(frozen=True, repr=False)
class PolicyFinding(Finding):
    """Policies compared.

    Attributes:
        frame: one row a policy: policy, description, cost, failures, jobs_ahead, labour_hours, parts_cost,
            downtime_days, later_cost (means over the draws), each of cost, failures and downtime_days with
            lower and upper (80%), total_cost (cost and later_cost), saving (of the total, against the first),
            saving_lower, saving_upper (of the differences draw by draw), chance_best (share of draws in
            which its total is least), other_complaints (of other causes, the same under every policy; their cost
            is in `cost`, they are not in `failures`), case_cost (money of one case of the component).
        component: whose failures are played out.
        custom: the steps of the custom in the order in which they are taken.
        months, seed, draws: of the simulation.
        currency: of the money.
        safety: holds, and the cautions for the work that is named.
    """

    question: ClassVar[str] = "policies"
    answers = ("component", "custom", "months", "seed", "draws", "currency")

    as_of: date
    fault: str
    component: str
    custom: tuple[str, ...]
    frame: pl.DataFrame
    months: int
    seed: int
    draws: int
    currency: str
    notes: tuple[str, ...] = ()
    safety: Safety | None = None

    @property
    def summary(self) -> pl.DataFrame:
        """The table without what stands before and beneath it."""
        return self.frame.drop("hold", "cautions", strict=False)


def compare_policies(
    fleet: Fleet,
    scope: Scope = WHOLE_FLEET,
    *,
    component: str | None = None,
    policies: Columns = POLICIES,
    months: int = 12,
    draws: int = DRAWS,
    seed: int = SEED,
) -> PolicyFinding:
    """Money, failures and days down of several policies over the coming months, by simulation.

    Args:
        component: whose failures to play out; None: the part that the family's questions are about.
        policies: out of POLICIES; "all" is every one.
        months: how far ahead.
        draws, seed: of the simulation.

    Raises:
        UsageError: for an unknown policy or component, or impossible numbers.

    Examples:
        >>> june.policies(policies=("wait", "by_custom"), draws=20).frame["policy"].to_list()
        ['wait', 'by_custom']
    """
    check_numbers(months, draws)
    policies = POLICIES if policies == "all" or tuple(policies) == ("all",) else columns_of(policies)
    for policy in policies:
        if policy not in POLICIES:
            raise UsageError(f"There is no policy {policy!r}; {proposal(policy, POLICIES)}")
    family = fleet.family(scope.fault)
    chosen = component or family.leading_component or ""
    outlook = outlook_of(fleet, scope, months=months, draws=draws, seed=seed)
    costs = costs_of(fleet, outlook.history, family, chosen)
    if costs is None or outlook.family.part(chosen) is None:
        known = ", ".join(part.component for part in family.parts)
        instead = f"take one of {known}" if known else "that family follows no part's lives"
        raise UsageError(f"No policy can be compared for {chosen or family.name!r}; {instead}.")
    plan = RepairPlan.of(family, fleet.settings)
    game = _Game.of(fleet, scope, outlook, costs, plan)
    results = np.stack(in_threads(lambda draw: game.play(policies, draw), draws))
    order = dict.fromkeys(plan.deeds[number].title for number in plan.custom)
    safety = replace(suspects(fleet, scope).safety, cautions=family.cautions)
    return PolicyFinding(
        as_of=outlook.history.as_of,
        fault=family.name,
        component=chosen,
        custom=tuple(order),
        frame=safety.attach(_frame(policies, results, game)),
        months=months,
        seed=seed,
        draws=draws,
        currency=fleet.settings.fleet.currency,
        notes=(
            f"{draws} draws of {months} months, seed {seed}; ranges hold 80% of them. Every policy meets the "
            "same failures, so differences are sharper than the ranges of each.",
            "Money later: what the parts left in at the end are expected to cost more than new ones, over "
            "the machines' remaining time; savings and the best policy are judged with it.",
            "Every case costs what it is expected to take. Complaints of other causes are counted in the money; they "
            "come as often under every policy.",
            f"By custom every step is taken once, in this order, on the side that complains: {'; '.join(order)}. Under "
            "the other policies the other side is done in the same visit where that pays.",
        ),
        safety=safety,
    )


@dataclass(frozen=True, eq=False)
class _Game:
    """One part of the fleet, ready to be played.

    Attributes:
        places: rows of the outlook's places that are played.
        pair: for each place the row of the other side of its machine, -1 without.
        old: whether a place holds a part of another variant than a replacement brings.
        second_pays: whether the part is worth renewing at the price of the second side.
        done_in: month in which each old place is done when all are, the likeliest to fail first; inf: none.
        new_model: number of the law that a replacement brings.
        efforts: policy -> what a case of the component takes.
        others: what the complaints of each other cause take, by policy; their numbers are drawn as in the forecast.
        other_counts: their expected number in each draw, shape (draws, causes).
    """

    outlook: Outlook
    costs: JobCosts
    family: FaultFamily
    day_hours: float
    places: Ints
    pair: Ints
    old: npt.NDArray[np.bool_]
    second_pays: npt.NDArray[np.bool_]
    done_in: Floats
    new_model: int
    efforts: Mapping[str, CaseEffort]
    others: Mapping[str, tuple[CaseEffort, ...]]
    other_counts: Floats

    @staticmethod
    def of(fleet: Fleet, scope: Scope, outlook: Outlook, costs: JobCosts, plan: RepairPlan) -> _Game:
        """The game of this outlook at these costs."""
        family = outlook.family
        rows = np.flatnonzero((outlook.places["component"] == costs.component).to_numpy())
        fresh = family.fresh_variant(costs.component)
        old = (outlook.places["variant"] != fresh).to_numpy()[rows]
        new_model = next(
            number
            for number, model in enumerate(outlook.models)
            if (model.component, model.variant) == (costs.component, fresh)
        )
        machine = outlook.machine_no[rows]
        pair = np.full(machine.size, -1, dtype=np.int64)
        order = np.argsort(machine, kind="stable")
        same = machine[order][1:] == machine[order][:-1]
        pair[order[1:][same]], pair[order[:-1][same]] = order[:-1][same], order[1:][same]
        share = new_cases(fleet, outlook.history, family)
        counts = others_to_come(fleet, scope, outlook, costs.component)
        ways: dict[str, dict[str, object]] = {
            "wait": {},
            "by_custom": {"custom": True},
            "on_suspicion": {"first": costs.step.name},
            "older_design_ahead": {},
        }
        own = CaseEffort(costs.breakdown_hours, costs.breakdown_parts, costs.breakdown_days)

        def effort(cause: str, how: dict[str, object]) -> CaseEffort:
            return plan.of_a_case(share, cause, **how) if cause else own  # type: ignore[arg-type]

        game = _Game(
            outlook=outlook,
            costs=costs,
            family=family,
            day_hours=fleet.settings.costs.day_hours,
            places=rows,
            pair=pair,
            old=old,
            second_pays=np.zeros(rows.size, dtype=bool),
            done_in=_programme(fleet, outlook, costs, rows, old),
            new_model=new_model,
            efforts={policy: effort(costs.cause, how) if how else own for policy, how in ways.items()},
            others={policy: tuple(effort(cause, how) for cause in counts) for policy, how in ways.items()},
            other_counts=np.array(list(counts.values())).reshape(len(counts), -1).T,
        )
        left_in = game.later_cost(None, np.zeros(rows.size), costs.breakdown, 1)
        return replace(game, second_pays=(pair >= 0) & (left_in > costs.second))

    def money(self, effort: CaseEffort) -> float:
        """Money of one case."""
        costs = self.costs
        return (
            effort.labour_hours * costs.labour_rate
            + effort.parts
            + effort.days * costs.day_rate
            + costs.call_out
        )

    def play(self, policies: Sequence[str], draw: int) -> Floats:
        """One draw, shape (policies, 8).

        Cost, failures, jobs ahead, labour hours, parts, days down, and cost later, by policy; complaints of others.
        """
        outlook = self.outlook
        months = len(outlook.periods)
        machine = outlook.machine_no[self.places]
        season = outlook.season_days(draw)[outlook.use.table.site[machine]]
        run = outlook.level(draw)[machine][:, None] * season
        edges = np.concatenate((np.zeros((run.shape[0], 1)), np.cumsum(run, axis=1)), axis=1)
        rng = np.random.default_rng([outlook.seed, draw, 7])
        # one number decides when a part fails, another when its successor does: the same for every policy
        luck, again = rng.standard_exponential((2, run.shape[0]))
        stays = rng.random((run.shape[0], 1))
        stands = rng.random(run.shape[0]) < outlook.standing[self.places]
        other = rng.poisson(self.other_counts[draw])
        fails_at = np.where(stands, 0.0, self._fails_at(draw, luck))
        left = np.asarray(outlook.staying[outlook.places["age_class"].to_numpy()[self.places]] < stays)
        gone = np.where(left.any(axis=1), left.argmax(axis=1), months)
        end = np.take_along_axis(edges, gone[:, None], axis=1)[:, 0]
        end = np.where(stands, np.maximum(end, 1e-9), end)  # what stands failed now is worked now
        there = gone == months
        later = {
            (cost, sides): np.where(there, self.later_cost(draw, edges[:, -1], cost, sides), 0.0)
            for cost in {self.money(self.efforts[policy]) for policy in policies}
            for sides in (1, 2)
        }
        return np.stack(
            [self._outcome(policy, draw, fails_at, again, end, edges, other, later) for policy in policies]
        )

    def later_cost(self, draw: int | None, run: Floats, breakdown: float, sides: int) -> Floats:
        """What each part, if it is still in after these hours, will cost more than a new one from then on.

        Of two sides that are one opening, the share of each: the first to fail is a breakdown after which both are new.
        """
        outlook, costs = self.outlook, self.costs
        laws = lives_of([model.at(draw) for model in outlook.models], outlook.model_no[self.places])
        fresh = outlook.models[self.new_model].at(draw)
        leave = outlook.leave_rate[outlook.places["age_class"].to_numpy()[self.places]]
        a_year = np.maximum(outlook.use.level[outlook.machine_no[self.places]] * 365.25, 50.0)
        leaving = (leave - np.log1p(-costs.discount_per_year)) / a_year
        second = costs.second * (sides - 1)
        prices = Prices.of(costs.planned + second, breakdown + second, leaving)
        next_rate = waiting_rate(
            first_of(lives_of([fresh], np.zeros(run.size, dtype=np.int64)), sides), prices
        )
        age = outlook.age_hours[self.places] + run
        lives = first_of(laws, sides)
        hours = discounted_hours(lives, age, np.inf, leaving)
        cost: Floats = (prices.failure * (1.0 - leaving * hours) - next_rate * hours) / sides
        return cost

    def _fails_at(self, draw: int, luck: Floats) -> Floats:
        """Hours from now until each part fails, given the age it has reached."""
        laws = lives_of([model.at(draw) for model in self.outlook.models], self.outlook.model_no[self.places])
        age = self.outlook.age_hours[self.places]
        result: Floats = laws.age_at(laws.cumulative(age) + luck) - age
        return result

    def _outcome(
        self,
        policy: str,
        draw: int,
        fails_at: Floats,
        again: Floats,
        end: Floats,
        edges: Floats,
        other: Ints,
        later_cost: Mapping[tuple[float, int], Floats],
    ) -> Floats:
        law = self.outlook.models[self.new_model].at(draw)
        new_life = law.age_at(again)
        ahead_at = np.full(fails_at.size, np.inf)
        if policy == "older_design_ahead":
            month = np.minimum(np.where(np.isfinite(self.done_in), self.done_in, 0), edges.shape[1] - 1)
            hours = np.take_along_axis(edges, month.astype(np.int64)[:, None], axis=1)[:, 0]
            ahead_at = np.where(np.isfinite(self.done_in) & (hours < end), hours, np.inf)
        failed = (fails_at < end) & (fails_at < ahead_at)
        second = np.zeros(fails_at.size, dtype=bool)
        opened = np.full(fails_at.size, np.inf)
        if policy != "by_custom":
            # two sides are one opening: the first to fail opens it, of two that stand failed the first in order
            partner = np.where(self.pair >= 0, self.pair, 0)
            opened = np.where((self.pair >= 0) & failed[partner], fails_at[partner], np.inf)
            mine = np.where(failed, fails_at, ahead_at)
            tie = failed & (opened == fails_at) & (self.pair < np.arange(fails_at.size))
            second = (self.second_pays & (opened < np.minimum(mine, end))) | tie
        together = second & failed & (opened == fails_at)
        cases = failed & ~second
        preventive = np.isfinite(ahead_at) & ~failed & ~second
        renewed = np.where(second, opened, np.where(failed, fails_at, ahead_at))
        later = renewed + new_life < end
        bill = self._bill(policy, cases, later, preventive, second, other)
        bill[1] += together.sum()
        still_in = ~(cases | preventive | second)
        cost = self.money(self.efforts[policy])
        both_in = still_in & (self.pair >= 0) & still_in[self.pair] & (policy != "by_custom")
        to_come = np.where(both_in, later_cost[cost, 2], later_cost[cost, 1])[still_in]
        return np.append(bill, (float(to_come.sum()), float(other.sum())))

    def _bill(
        self,
        policy: str,
        cases: npt.NDArray[np.bool_],
        later: npt.NDArray[np.bool_],
        preventive: npt.NDArray[np.bool_],
        second: npt.NDArray[np.bool_],
        other: Ints,
    ) -> Floats:
        """Money, failures, jobs ahead, labour hours, parts and days down."""
        costs = self.costs
        failures = float(cases.sum() + later.sum())
        worked = [(failures, self.efforts[policy]), *zip(other.tolist(), self.others[policy], strict=True)]
        labour = sum(number * one.labour_hours for number, one in worked)
        spent = sum(number * one.parts for number, one in worked)
        days = sum(number * one.days for number, one in worked)
        money = sum(number * self.money(one) for number, one in worked)
        # work ahead: machines are in once, both sides together where both are due
        both = preventive & (self.pair >= 0) & preventive[np.where(self.pair >= 0, self.pair, 0)]
        pairs, singles = 0.5 * float(both.sum()), float((preventive & ~both).sum())
        seconds = pairs + float(second.sum())
        planned_labour = (pairs + singles) * costs.planned_hours + seconds * costs.second_hours
        done = float(preventive.sum() + second.sum())
        money += (pairs + singles) * costs.planned + seconds * costs.second
        planned_days = (pairs + singles) * costs.planned_days + seconds * costs.second_days
        return np.array(
            [
                money,
                failures,
                done,
                labour + planned_labour,
                spent + done * costs.planned_parts,
                days + planned_days,
            ]
        )


def _programme(
    fleet: Fleet, outlook: Outlook, costs: JobCosts, places: Ints, old: npt.NDArray[np.bool_]
) -> Floats:
    """Month in which each old part is replaced when all are, as the shop's hours allow; inf: not in time."""
    limits = ShopLimits.of(fleet, None)
    visit = costs.planned_hours + costs.second_hours
    by_hours = min(limits.hours, limits.pump_hours if costs.step.opens_pump else np.inf) / max(visit, 1e-9)
    a_week = min(by_hours, limits.engine_out_jobs if costs.step.opens_pump else np.inf)
    done = np.full(old.size, np.inf)
    if not old.any() or a_week <= 0:
        return done
    machine = outlook.machine_no[places]
    chance = outlook.failure_chances()[places].sum(axis=1)
    rows = np.flatnonzero(old)
    numbers, place = np.unique(machine[rows], return_inverse=True)
    urgency = np.bincount(place, weights=chance[rows])
    rank = np.empty(numbers.size)
    rank[np.lexsort((numbers, -urgency))] = np.arange(numbers.size)
    days = np.cumsum([period.days for period in outlook.periods])
    at_day = limits.lead_days + (rank + 1) / a_week * 7.0
    month = np.searchsorted(days, at_day).astype(np.float64)
    done[rows] = np.where(month < days.size, month, np.inf)[place]
    return done


def _frame(policies: Sequence[str], results: Floats, game: _Game) -> pl.DataFrame:
    """Means and ranges over the draws, results of shape (draws, policies, 8)."""
    tails = (0.5 - LEVEL / 2, 0.5 + LEVEL / 2)
    low, high = np.quantile(results, tails, axis=0)
    mean = results.mean(axis=0)
    total = results[:, :, 0] + results[:, :, 6]
    saving = total[:, :1] - total
    save_low, save_high = np.quantile(saving, tails, axis=0)
    cheapest = total <= total.min(axis=1, keepdims=True) + 1e-9
    rows = [
        {
            "policy": policy,
            "description": words_of(policy, game.family),
            "cost": mean[p, 0],
            "cost_lower": low[p, 0],
            "cost_upper": high[p, 0],
            "failures": mean[p, 1],
            "failures_lower": low[p, 1],
            "failures_upper": high[p, 1],
            "jobs_ahead": mean[p, 2],
            "labour_hours": mean[p, 3],
            "parts_cost": mean[p, 4],
            "downtime_days": mean[p, 5],
            "downtime_days_lower": low[p, 5],
            "downtime_days_upper": high[p, 5],
            "later_cost": mean[p, 6],
            "total_cost": total[:, p].mean(),
            "saving": saving[:, p].mean(),
            "saving_lower": save_low[p],
            "saving_upper": save_high[p],
            "chance_best": cheapest[:, p].mean(),
            "other_complaints": mean[p, 7],
            "case_cost": game.money(game.efforts[policy]),
        }
        for p, policy in enumerate(policies)
    ]
    numbers = [name for name in rows[0] if name not in ("policy", "description")] if rows else []
    return pl.DataFrame(rows).with_columns(pl.col(numbers).cast(pl.Float64)) if rows else pl.DataFrame()
