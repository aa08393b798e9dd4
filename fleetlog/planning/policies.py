"""What if? Ways of dealing with a fault side by side over the coming months: money, failures, days down.

Every draw takes laws, use and season as in the forecast, lets parts fail on all machines, and plays each
policy out on the same failures: the same part fails at the same hours under every policy that has not
replaced it. Each complaint is then worked through step by step, every step curing its cause with the family's
chance. What the parts left in would still cost later is added, so that work done ahead is not judged by its
price alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import ClassVar

import numpy as np
import numpy.typing as npt
import polars as pl

from fleetlog.errors import UsageError
from fleetlog.faults import FaultFamily, Step
from fleetlog.planning.forecast import check_numbers
from fleetlog.planning.job_costs import JobCosts, costs_of
from fleetlog.planning.outlook import Outlook, in_threads, outlook_of
from fleetlog.planning.plan_visits import ShopLimits
from fleetlog.questions import proposal
from fleetlog.session.finding import Finding
from fleetlog.session.fleet import Fleet
from fleetlog.session.randomness import DRAWS, SEED
from fleetlog.session.scope import WHOLE_FLEET, Columns, Scope, columns_of
from fleetlog.settings import Settings
from fleetlog.stats.arrays import Floats, Ints
from fleetlog.stats.renewal_value import Lives, Prices, discounted_hours, waiting_rate

POLICIES = ("wait", "by_custom", "on_suspicion", "older_design_ahead")
WORDS = {
    "wait": "wait, then the surest repair",
    "by_custom": "wait, then by custom",
    "on_suspicion": "replace on suspicion, both sides in one visit",
    "older_design_ahead": "replace all of the older design ahead",
}
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
            which its total is least).
        component: whose failures are played out.
        months, seed, draws: of the simulation.
        currency: of the money.
    """

    question: ClassVar[str] = "policies"
    answers = ("component", "months", "seed", "draws", "currency")

    as_of: date
    fault: str
    component: str
    frame: pl.DataFrame
    months: int
    seed: int
    draws: int
    currency: str
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class _Repair:
    """How complaints of the component are worked through: steps in order.

    Attributes:
        hours, parts: of each step.
        cures: chance that it ends a complaint of this cause.
    """

    hours: Floats
    parts: Floats
    cures: Floats


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
    outlook = outlook_of(fleet, scope, months=months, draws=draws, seed=seed, component=chosen)
    costs = costs_of(fleet, outlook.history, family, chosen)
    if costs is None or outlook.family.part(chosen) is None:
        known = ", ".join(part.component for part in family.parts)
        instead = f"take one of {known}" if known else "that family follows no part's lives"
        raise UsageError(f"No policy can be compared for {chosen or family.name!r}; {instead}.")
    game = _Game.of(fleet, outlook, costs)
    results = np.stack(in_threads(lambda draw: game.play(policies, draw), draws))
    return PolicyFinding(
        as_of=outlook.history.as_of,
        fault=family.name,
        component=chosen,
        frame=_frame(policies, results),
        months=months,
        seed=seed,
        draws=draws,
        currency=fleet.settings.fleet.currency,
        notes=(
            f"{draws} draws of {months} months, seed {seed}; ranges hold 80% of them. Every policy meets the "
            "same failures, so differences are sharper than the ranges of each.",
            "Money later: what the parts left in at the end are expected to cost more than new ones, over "
            "the machines' remaining time; savings and the best policy are judged with it.",
            "Complaints of other causes are left out: they come under every policy alike.",
        ),
    )


def _by_custom(family: FaultFamily, cause: str, costs: JobCosts) -> _Repair:
    """Every cure in the family's customary order; the looks come first, once."""
    looks = [step for step in family.steps if step.kind != "cure"]
    cures = [step for step in sorted(family.steps, key=lambda step: step.order) if step.kind == "cure"]
    tried = [step for step in cures if not step.after or step.cures.get(cause, 0.0) >= 0.5]
    if not cause or not tried:
        tried = [costs.step]
    return _repair(tried, cause, looks)


def _surest(family: FaultFamily, cause: str, costs: JobCosts) -> _Repair:
    """Look, calibrate where the family does, then the step that cures this cause; custom for the rest."""
    looks = [step for step in family.steps if step.kind != "cure"]
    quick = [
        step
        for step in family.steps
        if step.kind == "cure" and not step.opens_pump and not step.after and step.labour_hours <= 1.0
    ]
    rest = [step for step in family.steps if step.opens_pump and step.name != costs.step.name]
    return _repair([*quick, costs.step, *rest], cause, looks)


def _repair(steps: Sequence[Step], cause: str, looks: Sequence[Step]) -> _Repair:
    hours = np.array([step.labour_hours for step in steps], dtype=np.float64)
    hours[0] += sum(step.labour_hours for step in looks)
    cures = np.array([step.cures.get(cause, 0.0) for step in steps], dtype=np.float64)
    cures[-1] = 1.0  # the last resort ends it, whatever it takes
    return _Repair(hours, np.array([step.parts_cost for step in steps], dtype=np.float64), cures)


@dataclass(frozen=True, eq=False)
class _Game:
    """One part of the fleet, ready to be played.

    Attributes:
        pair: for each place the row of the other side of its machine, -1 without.
        old: whether a place holds a part of another variant than a replacement brings.
        done_in: month in which each old place is done when all are, the likeliest to fail first; inf: none.
        new_model: number of the law that a replacement brings.
    """

    outlook: Outlook
    costs: JobCosts
    settings: Settings
    custom: _Repair
    surest: _Repair
    pair: Ints
    old: npt.NDArray[np.bool_]
    done_in: Floats
    new_model: int

    @staticmethod
    def of(fleet: Fleet, outlook: Outlook, costs: JobCosts) -> _Game:
        """The game of this outlook at these costs."""
        family = outlook.family
        places = outlook.places
        fresh = family.fresh_variant(costs.component)
        old = (places["variant"] != fresh).to_numpy() if len(places) else np.zeros(0, dtype=bool)
        new_model = next(
            number
            for number, model in enumerate(outlook.models)
            if (model.component, model.variant) == (costs.component, fresh)
        )
        machine = outlook.machine_no
        pair = np.full(machine.size, -1, dtype=np.int64)
        order = np.argsort(machine, kind="stable")
        same = machine[order][1:] == machine[order][:-1]
        pair[order[1:][same]], pair[order[:-1][same]] = order[:-1][same], order[1:][same]
        return _Game(
            outlook=outlook,
            costs=costs,
            settings=fleet.settings,
            custom=_by_custom(family, costs.cause, costs),
            surest=_surest(family, costs.cause, costs),
            pair=pair,
            old=old,
            done_in=_programme(fleet, outlook, costs, old, pair),
            new_model=new_model,
        )

    def play(self, policies: Sequence[str], draw: int) -> Floats:
        """One draw, shape (policies, 7).

        Cost, failures, jobs ahead, labour hours, parts, days down, and cost later, by policy.
        """
        outlook = self.outlook
        months = len(outlook.periods)
        season = outlook.season_days(draw)[outlook.use.table.site[outlook.machine_no]]
        run = outlook.level(draw)[outlook.machine_no][:, None] * season
        edges = np.concatenate((np.zeros((run.shape[0], 1)), np.cumsum(run, axis=1)), axis=1)
        rng = np.random.default_rng([outlook.seed, draw, 7])
        # one number decides when a part fails, another when its successor does: the same for every policy
        luck, again = rng.standard_exponential((2, run.shape[0]))
        stays = rng.random((run.shape[0], 1))
        chance = rng.random((run.shape[0], 16))
        fails_at = self._fails_at(draw, luck)
        left = np.asarray(outlook.staying[outlook.places["age_class"].to_numpy()] < stays)
        gone = np.where(left.any(axis=1), left.argmax(axis=1), months)
        end = np.take_along_axis(edges, gone[:, None], axis=1)[:, 0]
        there = gone == months
        case = {policy: self._case_cost(policy) for policy in policies}
        later = {
            cost: np.where(there, self._later_cost(draw, edges[:, -1], cost), 0.0)
            for cost in set(case.values())
        }
        return np.stack(
            [
                self._outcome(policy, draw, fails_at, again, end, edges, chance, later[case[policy]])
                for policy in policies
            ]
        )

    def _steps(self, policy: str) -> _Repair:
        return self.custom if policy == "by_custom" else self.surest

    def _case_cost(self, policy: str) -> float:
        """Expected money of one complaint under a policy."""
        repair, costs = self._steps(policy), self.costs
        tried = np.concatenate(([1.0], np.cumprod(1.0 - repair.cures[:-1])))
        hours = float((tried * repair.hours).sum())
        days = hours / self.settings.costs.day_hours + float(tried.sum()) * self.settings.costs.days_waiting
        parts = float((tried * repair.parts).sum())
        return hours * costs.labour_rate + parts + days * costs.day_rate + costs.call_out

    def _later_cost(self, draw: int, run: Floats, breakdown: float) -> Floats:
        """What each part, if it is still in at the end, will cost more than a new one from then on."""
        outlook, costs = self.outlook, self.costs
        laws = np.array([model.draws[draw] for model in outlook.models])[outlook.model_no]
        fresh = outlook.models[self.new_model].at(draw)
        leave = outlook.leave_rate[outlook.places["age_class"].to_numpy()]
        a_year = np.maximum(outlook.use.level[outlook.machine_no] * 365.25, 50.0)
        leaving = (leave - np.log1p(-costs.discount_per_year)) / a_year
        prices = Prices.of(costs.planned, breakdown, leaving)
        next_rate = waiting_rate(Lives.of(*(np.full(run.size, x) for x in fresh)), prices)
        hours = discounted_hours(Lives.of(laws[:, 0], laws[:, 1]), outlook.age_hours + run, np.inf, leaving)
        cost: Floats = breakdown * (1.0 - leaving * hours) - next_rate * hours
        return np.where(self.old, cost, 0.0)

    def _fails_at(self, draw: int, luck: Floats) -> Floats:
        """Hours from now until each part fails, given the age it has reached."""
        laws = np.array([model.draws[draw] for model in self.outlook.models])[self.outlook.model_no]
        shape, scale = laws[:, 0], laws[:, 1]
        age = self.outlook.age_hours
        result: Floats = scale * ((age / scale) ** shape + luck) ** (1.0 / shape) - age
        return result

    def _outcome(
        self,
        policy: str,
        draw: int,
        fails_at: Floats,
        again: Floats,
        end: Floats,
        edges: Floats,
        chance: Floats,
        later_cost: Floats,
    ) -> Floats:
        law = self.outlook.models[self.new_model].at(draw)
        new_life = law.scale_hours * again ** (1.0 / law.shape)
        renewed_at = np.full(fails_at.size, np.inf)
        if policy == "older_design_ahead":
            month = np.minimum(np.where(np.isfinite(self.done_in), self.done_in, 0), edges.shape[1] - 1)
            hours = np.take_along_axis(edges, month.astype(np.int64)[:, None], axis=1)[:, 0]
            renewed_at = np.where(np.isfinite(self.done_in) & (hours < end), hours, np.inf)
        first = (fails_at < end) & (fails_at < renewed_at)
        second_side = np.zeros(fails_at.size, dtype=bool)
        if policy == "on_suspicion":
            other = np.where(self.pair >= 0, self.pair, 0)
            has = (self.pair >= 0) & self.old
            opened = np.where(has & first[other], fails_at[other], np.inf)
            second_side = has & (opened < np.where(first, fails_at, np.inf)) & (opened < end)
            renewed_at = np.where(second_side, opened, renewed_at)
            first &= ~second_side
        preventive = np.isfinite(renewed_at) & ~first & ~second_side
        started = np.where(first, fails_at, np.where(np.isfinite(renewed_at), renewed_at, np.inf))
        later = started + new_life < end
        bill = self._bill(policy, first, later, preventive, second_side, chance)
        still_in = ~(first | preventive | second_side)
        return np.append(bill, float(later_cost[still_in].sum()))

    def _bill(
        self,
        policy: str,
        first: npt.NDArray[np.bool_],
        later: npt.NDArray[np.bool_],
        preventive: npt.NDArray[np.bool_],
        second_side: npt.NDArray[np.bool_],
        chance: Floats,
    ) -> Floats:
        costs = self.costs
        repair = self._steps(policy)
        hours, parts, visits = _worked_through(repair, chance[:, :8])
        hours_2, parts_2, visits_2 = _worked_through(repair, chance[:, 8:])
        labour = float(hours[first].sum() + hours_2[later].sum())
        spent = float(parts[first].sum() + parts_2[later].sum())
        stops = float(visits[first].sum() + visits_2[later].sum())
        failures = float(first.sum() + later.sum())
        days = labour / self.settings.costs.day_hours + stops * self.settings.costs.days_waiting
        money = labour * costs.labour_rate + spent + days * costs.day_rate + failures * costs.call_out
        # work ahead: machines are in once, both sides together where both are due
        both = preventive & (self.pair >= 0) & preventive[np.where(self.pair >= 0, self.pair, 0)]
        pairs, singles = 0.5 * float(both.sum()), float((preventive & ~both).sum())
        seconds = pairs + float(second_side.sum())
        planned_labour = (pairs + singles) * costs.planned_hours + seconds * costs.second_hours
        planned_days = (pairs + singles) * costs.planned_days
        done = float(preventive.sum() + second_side.sum())
        planned_parts = done * costs.planned_parts
        money += (
            planned_labour * costs.labour_rate
            + planned_parts
            + planned_days * costs.day_rate * costs.out_share
        )
        return np.array(
            [money, failures, done, labour + planned_labour, spent + planned_parts, days + planned_days]
        )


def _worked_through(repair: _Repair, chance: Floats) -> tuple[Floats, Floats, Floats]:
    """Labour hours, parts and visits of each complaint, step by step until one cures."""
    open_still = np.ones(chance.shape[0], dtype=bool)
    hours, parts, visits = (np.zeros(chance.shape[0]) for _ in range(3))
    last = repair.cures.size - 1
    for step in range(repair.cures.size):
        hours += open_still * repair.hours[step]
        parts += open_still * repair.parts[step]
        visits += open_still
        cured = chance[:, min(step, chance.shape[1] - 1)] < repair.cures[step]
        open_still &= ~cured if step < last else np.zeros_like(open_still)
    return hours, parts, visits


def _programme(
    fleet: Fleet, outlook: Outlook, costs: JobCosts, old: npt.NDArray[np.bool_], pair: Ints
) -> Floats:
    """Month in which each old part is replaced when all are, as the shop's hours allow; inf: not in time."""
    limits = ShopLimits.of(fleet, None)
    visit = costs.planned_hours + costs.second_hours
    by_hours = min(limits.hours, limits.pump_hours if costs.step.opens_pump else np.inf) / max(visit, 1e-9)
    a_week = min(by_hours, limits.engine_out_jobs if costs.step.opens_pump else np.inf)
    done = np.full(old.size, np.inf)
    if not old.any() or a_week <= 0:
        return done
    machine = outlook.machine_no
    chance = outlook.failure_chances().sum(axis=1)
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


def _frame(policies: Sequence[str], results: Floats) -> pl.DataFrame:
    """Means and ranges over the draws, results of shape (draws, policies, 7)."""
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
            "description": WORDS[policy],
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
        }
        for p, policy in enumerate(policies)
    ]
    numbers = [name for name in rows[0] if name not in ("policy", "description")] if rows else []
    return pl.DataFrame(rows).with_columns(pl.col(numbers).cast(pl.Float64)) if rows else pl.DataFrame()
