"""What to do about a case and what it costs: the best order of steps, and the customary one."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import product
from math import prod

import numpy as np
import polars as pl

from fleetlog.belief.case_records import CASE
from fleetlog.belief.weighing import WeighedCases
from fleetlog.causes.rules import WATCH
from fleetlog.faults import FaultFamily, Opening, Step
from fleetlog.history import History
from fleetlog.session.fleet import Fleet
from fleetlog.settings import Settings
from fleetlog.stats.arrays import Floats, Ints
from fleetlog.stats.repair_order import (
    Choices,
    Flags,
    Inside,
    Plans,
    Rail,
    Steps,
    best_plan,
    customary_plan,
    expected_sum,
)
from fleetlog.store import Store


@dataclass(frozen=True)
class Deed:
    """Something that a plan can take: a step, a step once more, or an opening.

    Attributes:
        step: None for an opening.
        again: once more, after it was in vain.
        found_by: of a cure that waits for a look, the deeper look that called for it; "" = that look itself.
        opening: of an opening, itself; of a step, the one it is done in.
        labour_hours: without those of the opening.
        second_hours: what the other side adds in the same visit.
    """

    step: Step | None
    again: bool
    opening: Opening | None
    labour_hours: float
    second_hours: float
    found_by: str = ""

    @staticmethod
    def of(step: Step, family: FaultFamily, *, again: bool = False, found_by: str = "") -> Deed:
        """A step of a family."""
        opening = next((one for one in _openings(family) if one.name == step.opening), None)
        own = step.labour_hours - (opening.labour_hours if opening else 0.0)
        second = step.labour_hours if step.second_side_labour_hours is None else step.second_side_labour_hours
        return Deed(step, again, opening, max(own, 0.0), second, found_by)

    @property
    def name(self) -> str:
        """Of the step or opening."""
        return self.step.name if self.step else self.opening.name if self.opening else ""

    @property
    def title(self) -> str:
        """What is done, in words."""
        title = self.step.title if self.step else self.opening.title if self.opening else ""
        return f"{title}, once more" if self.again else title

    @property
    def shared_hours(self) -> float:
        """Labour of the opening that it is done in."""
        return self.opening.labour_hours if self.step and self.opening else 0.0


@dataclass(frozen=True)
class CaseEffort:
    """What a whole case takes: labour hours, money for parts, and days that the machine stands."""

    labour_hours: float
    parts: float
    days: float


@dataclass(frozen=True, eq=False)
class RepairPlan:
    """The steps of a family as the arrays that the decision works on.

    Looks are the inspections whose result the family weighs, the one with a table of its own and the one that
    measures the family's voltage, those that a guard rail asks for, and the openings.

    Attributes:
        deeds: the cures, those that help again, then the looks and the openings, in the order of their numbers in
            `steps`.
        labour, parts: hours and money of each deed on one side, of cures without their opening.
        second_labour: hours that the other side adds in the same visit.
        custom: numbers of the deeds in the customary order, each once.
    """

    family: FaultFamily
    settings: Settings
    deeds: tuple[Deed, ...]
    steps: Steps
    labour: Floats
    parts: Floats
    second_labour: Floats
    custom: tuple[int, ...]

    @staticmethod
    def of(family: FaultFamily, settings: Settings) -> RepairPlan:
        """The family's steps, their chances and outcomes as the family gives them."""
        causes = [cause.name for cause in family.causes]
        steps = [step for step in family.steps if step.kind == "cure"]
        cures = [Deed.of(step, family) for step in steps]
        cures += [Deed.of(step, family, again=True) for step in steps if step.helps_again]
        cures += [
            Deed.of(step, family, found_by=look)
            for step in steps
            if step.after and step.after_result
            for look in _deeper(family, step.after)
        ]
        tables = _looks(family)
        looks = [Deed.of(family.step(name), family) for name in tables]
        openings = [Deed(None, False, opening, opening.labour_hours, 0.0) for opening in _openings(family)]
        deeds = (*cures, *looks, *openings)
        parts = np.array([deed.step.parts_cost if deed.step else 0.0 for deed in deeds])
        inside = [_inside(family, deed.name, cures) for deed in openings]
        return RepairPlan(
            family=family,
            settings=settings,
            deeds=deeds,
            steps=Steps(
                cure=np.array([[_chance(deed, cause) for cause in causes] for deed in cures]),
                looks=(*(table for table, _ in tables.values()), *(table for table, _ in inside)),
                rails=_rails(deeds, {name: words for name, (_, words) in tables.items()}),
                openings=tuple(
                    Inside(
                        look=len(cures) + len(looks) + i,
                        jobs=tuple(s for s, one in enumerate(cures) if one.opening == deed.opening),
                        together=inside[i][1],
                    )
                    for i, deed in enumerate(openings)
                ),
            ),
            labour=np.array([deed.labour_hours for deed in deeds]),
            parts=parts,
            second_labour=np.array([deed.second_hours for deed in deeds]),
            custom=tuple(
                sorted(
                    (number for number, deed in enumerate(deeds) if not deed.again),
                    key=lambda number: _place(deeds[number], family),
                )
            ),
        )

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the steps and openings, by number."""
        return tuple(deed.name for deed in self.deeds)

    @property
    def cures(self) -> int:
        """How many of the deeds cure."""
        return int(self.steps.cure.shape[0])

    def price(self, labour: Floats, parts: Floats, day_rate: Floats) -> Floats:
        """Labour, parts and the machine standing, shape (N, deeds)."""
        costs = self.settings.costs
        hourly = costs.labour_rate + day_rate[:, None] / costs.day_hours
        priced: Floats = labour * hourly + parts
        return priced

    def choices(self, weighed: WeighedCases, chosen: Ints, store: Store, day_rate: Floats) -> Choices:
        """What has not been done yet in each of the chosen cases, and which rails its record satisfies.

        A fault that is more likely a new one than the old one that a repair has missed starts afresh.
        """
        afresh = weighed.uncured[chosen] < 0.5
        place = pl.DataFrame({"case_id": chosen, "place": np.arange(chosen.size)})
        done = (
            weighed.cases.select("case_id", *CASE)
            .join(store.run("cases/steps", fault=self.family.name), on=CASE)
            .select("case_id", "step", "visits")
            .join(place, on="case_id")
        )
        seen = weighed.evidence.select("case_id", step="evidence", outcome="outcome").join(
            place, on="case_id"
        )

        def marked(rows: pl.DataFrame) -> Flags:
            marks = np.zeros(chosen.size, dtype=bool)
            marks[rows["place"].to_numpy()] = True
            return marks & ~afresh

        taken = np.zeros((chosen.size, len(self.deeds)), dtype=bool)
        for number, deed in enumerate(self.deeds):
            if deed.step is None:
                continue  # whoever opens it once more looks once more
            names = [deed.name, *_deeper(self.family, deed.name)]
            taken[:, number] = marked(
                done.filter(pl.col("step").is_in(names), pl.col("visits") > int(deed.again))
            )
            if deed.found_by:
                # The first repair answered the first look, if that called for one.
                looked = marked(done.filter(pl.col("step") == deed.found_by))
                twice = marked(done.filter(pl.col("step") == deed.name, pl.col("visits") > 1))
                called = marked(seen.filter(_showed(deed.step.after, deed.step)))
                taken[:, number] &= looked & (twice | ~called)
            if number >= self.cures:
                names += ["voltage"] if self._shows_voltage(deed.name) else []
                taken[:, number] |= marked(seen.filter(pl.col("step").is_in(names)))
        met = np.zeros((chosen.size, len(self.steps.rails)), dtype=bool)
        for r, rail in enumerate(self.steps.rails):
            waits = self.deeds[rail.step].step
            for before, wanted in rail.any_of:
                known = taken[:, before]
                if wanted and waits is not None and waits.kind == "cure":
                    showed = (pl.col("step") == self.names[before]) & (
                        pl.col("outcome") == waits.after_result
                    )
                    known = marked(seen.filter(showed))
                met[:, r] |= known
        return replace(self.untouched(day_rate), free=~taken, met=met)

    def untouched(self, day_rate: Floats) -> Choices:
        """Cases in which nothing has been done yet, one a day rate."""
        cost = self.price(self.labour, self.parts, day_rate)
        whole = self.price(self.labour + [deed.shared_hours for deed in self.deeds], self.parts, day_rate)
        service = self.family.service
        last_resort = whole[:, : self.cures].max(axis=1) + service.fee + service.wait_days * day_rate
        free = np.ones(cost.shape, dtype=bool)
        return Choices(cost, free, np.zeros((len(cost), len(self.steps.rails)), dtype=bool), last_resort)

    def of_a_case(self, share: Floats, cause: str, *, custom: bool = False, first: str = "") -> CaseEffort:
        """What a case of a cause takes when it is worked from its first report until cured.

        Args:
            share: how common each cause is among new cases, shape (K,).
            cause: the one that is behind it, as only the steps find out.
            custom: whether by custom; else by the best plan.
            first: a step that is done at the first report, whatever must come before it; the rest by custom.
        """
        settings = self.settings
        untouched = self.untouched(np.array([settings.costs.downtime_per_day]))
        ahead = self._at_once(first) if first else ()
        met = np.array([[rail.step in ahead for rail in self.steps.rails]], dtype=bool)
        asked = share[None, :], self.steps, replace(untouched, met=met)
        order = (*ahead, *(number for number in self.custom if number not in ahead))
        plans = customary_plan(*asked, order) if custom or first else best_plan(*asked)
        true = np.array([[float(one.name == cause) for one in self.family.causes]])

        def expected(amount: Floats, at_the_end: float) -> float:
            return float(expected_sum(true, self.steps, plans, amount, at_the_end)[0])

        # the last resort is the dearest cure with all that belongs to it, and the maker's service
        shared = np.array([deed.shared_hours for deed in self.deeds])
        whole = self.price(self.labour + shared, self.parts, np.array([settings.costs.downtime_per_day]))
        last, service = int(whole[0, : self.cures].argmax()), self.family.service
        hours = expected(self.labour, float(self.labour[last] + shared[last]))
        # looks are made at the visit of the cure that follows them; jobs of one opening share its visit
        comes = np.array(
            [deed.step is None or (deed.step.kind == "cure" and deed.opening is None) for deed in self.deeds]
        )
        visits = max(expected(comes.astype(np.float64), 1.0), 1.0)
        called = expected(np.zeros(len(self.deeds)), 1.0)
        days = hours / settings.costs.day_hours + visits * settings.costs.days_waiting
        parts = expected(self.parts, float(self.parts[last])) + called * service.fee
        return CaseEffort(hours, parts, days + called * service.wait_days)

    def _at_once(self, step: str) -> tuple[int, ...]:
        """The deeds of somebody who does this step at once: the opening that it needs, and the step."""
        first = next(number for number, deed in enumerate(self.deeds) if deed.name == step and not deed.again)
        opening = self.deeds[first].opening
        opens = [n for n, deed in enumerate(self.deeds) if deed.step is None and deed.opening == opening]
        return (*opens, first)

    def _shows_voltage(self, name: str) -> bool:
        return name == _voltage_look(self.family)

    def outlook(self, weighed: WeighedCases, chosen: Ints, fleet: Fleet, history: History) -> CostOutlook:
        """The best plan and the customary one for each of the chosen cases."""
        day_rate = day_rates(fleet, history, weighed.cases["machine_id"][chosen])
        choices = self.choices(weighed, chosen, fleet.store, day_rate)
        p = weighed.posterior.probability[chosen]
        best = best_plan(p, self.steps, choices)
        custom = customary_plan(p, self.steps, choices, self.custom)
        second = self.price(self.second_labour, self.parts, day_rate)
        cases = weighed.cases[chosen].with_columns(standing=pl.Series(weighed.standing[chosen]))
        hours = expected_sum(p, self.steps, best, np.broadcast_to(self.labour, choices.cost.shape))
        pairs = _pairs(cases, best, choices, second)
        return CostOutlook(best, custom, choices, second, pairs, day_rate, hours)


def _openings(family: FaultFamily) -> list[Opening]:
    """The family's openings; one costs no more than the quickest of its steps, should a fleet be quicker."""
    quickest = {
        one.name: min(step.labour_hours for step in family.steps if step.opening == one.name)
        for one in family.openings
    }
    return [replace(one, labour_hours=min(one.labour_hours, quickest[one.name])) for one in family.openings]


def _voltage_look(family: FaultFamily) -> str:
    """The inspection that measures the family's voltage: the one without a table of its own; "" if none does."""
    untold = [s.name for s in family.steps if s.kind != "cure" and family.evidence_table(s.name) is None]
    measured = family.voltage is not None and family.evidence_table("voltage") is not None
    return untold[0] if measured and len(untold) == 1 else ""


def _looks(family: FaultFamily) -> dict[str, tuple[Floats, tuple[str, ...]]]:
    """Inspections -> the chance of each outcome by cause, shape (outcomes, K), and the outcomes' words."""
    asked = {name for step in family.steps for name in (*step.only_after, *step.only_after_any)}
    found = {}
    for step in family.steps:
        if step.kind == "cure":
            continue
        table = family.evidence_table("voltage" if step.name == _voltage_look(family) else step.name)
        if table is not None:
            chance = [[table.probability(o, cause.name) for cause in family.causes] for o in table.outcomes]
            found[step.name] = np.array(chance), table.outcomes
        elif step.name in asked:
            found[step.name] = np.ones((1, len(family.causes))), ("",)  # tells nothing, and must be done
    return found


def _inside(family: FaultFamily, opening: str, cures: list[Deed]) -> tuple[Floats, tuple[int, ...]]:
    """What is seen through an opening: which of its jobs are called for, by cause, and the numbers of those jobs.

    A job shows that it is called for as often as its table says, else as often as its findings are right. Jobs
    that no finding calls for show nothing.
    """
    wrong = family.comeback.mislabelled
    called, numbers = [], []
    for s, deed in enumerate(cures):
        step = deed.step
        if step is None or step.opening != opening or deed.again or not step.confirms:
            continue
        table, own = family.evidence_table(step.name), set(step.confirms.values())
        called.append(
            [
                table.probability("failed", c.name) if table else 1.0 - wrong if c.name in own else wrong
                for c in family.causes
            ]
        )
        numbers.append(s)
    rows = [
        [
            prod((chance[k] if yes else 1.0 - chance[k]) for yes, chance in zip(seen, called, strict=True))
            for k in range(len(family.causes))
        ]
        for seen in product((True, False), repeat=len(called))
    ]
    return np.array(rows), tuple(numbers)


def _showed(look: str, cure: Step) -> pl.Expr:
    """Evidence of a look that calls for a cure."""
    return (pl.col("step") == look) & (pl.col("outcome") == cure.after_result)


def _chance(deed: Deed, cause: str) -> float:
    """Chance that a cure ends the fault."""
    if deed.step is None:
        return 0.0
    return deed.step.cures.get(cause, 0.0) * (deed.step.helps_again if deed.again else 1.0)


def _deeper(family: FaultFamily, look: str) -> list[str]:
    """The looks that repeat this one more thoroughly."""
    return [step.name for step in family.steps if step.deeper_than == look]


def _rails(deeds: tuple[Deed, ...], words: dict[str, tuple[str, ...]]) -> tuple[Rail, ...]:
    """What must come before each deed: the family's rails, and the order that follows from its other keys."""
    number = {deed.name: n for n, deed in reversed(list(enumerate(deeds)))}  # of several of a name the first
    rails = []
    for n, deed in enumerate(deeds):
        step = deed.step
        if step is None:
            continue
        rails += [Rail(n, ((number[name], ()),)) for name in step.only_after]
        if step.only_after_any:
            rails.append(Rail(n, tuple((number[name], ()) for name in step.only_after_any)))
        look = deed.found_by or step.after
        if look in words:
            shown = tuple(o for o, word in enumerate(words[look]) if word == step.after_result)
            rails.append(Rail(n, ((number[look], shown),)))
        if step.deeper_than in words:
            nothing = tuple(o for o, word in enumerate(words[step.deeper_than]) if word != "failed")
            in_vain = [
                (m, ()) for m, one in enumerate(deeds) if one.step and one.step.after == step.deeper_than
            ]
            rails.append(Rail(n, ((number[step.deeper_than], nothing), *in_vain)))
        if deed.again:
            rails.append(Rail(n, ((number[step.name], ()),)))
    return tuple(rails)


def _place(deed: Deed, family: FaultFamily) -> float:
    """Where a deed stands in the custom: an opening just before the first step done in it."""
    if deed.step is not None:
        return deed.step.order
    return min(step.order for step in family.steps if step.opening == deed.name) - 0.5


def _pairs(
    cases: pl.DataFrame, best: Plans, choices: Choices, second: Floats
) -> dict[int, tuple[int, int, float]]:
    """Cases that stand on both sides of one machine and cost least when both get the same step in one visit.

    Each step that may be taken now on both is weighed as one job on both sides, each side going on by its own
    best plan where it was in vain, against the two apart.
    """
    rows_found: dict[int, tuple[int, int, float]] = {}
    ours = cases.with_row_index("place").filter(pl.col("standing") >= WATCH.standing)
    for places in ours.group_by("machine_id", maintain_order=True).agg("place")["place"].to_list():
        if len(places) != 2:
            continue
        one, two = places
        joint = choices.cost[one] + second[two] + best.after[one] + best.after[two]
        s, apart = int(joint.argmin()), float(best.cost[one] + best.cost[two])
        if joint[s] < apart * (1.0 - 1e-12):
            # What each side takes of the joint cost is in proportion to what it would cost alone.
            for mine, other in ((one, two), (two, one)):
                rows_found[mine] = (s, other, float(joint[s]) * float(best.cost[mine]) / apart)
    return rows_found


@dataclass(frozen=True, eq=False)
class CostOutlook:
    """What to do about the chosen cases and what it costs.

    Attributes:
        best, custom: the plan of least cost, and what custom would do.
        choices: what can be done.
        second_cost: of each deed on the second side of a machine in the same visit, shape (N, deeds).
        pairs: row -> (deed, row of the other side, this side's share of the cost), where both sides are done
            at once.
        day_rate: what a day of standing costs each machine, shape (N,).
        labour_hours: expected labour until cured, by the best plan, shape (N,).
    """

    best: Plans
    custom: Plans
    choices: Choices
    second_cost: Floats
    pairs: dict[int, tuple[int, int, float]]
    day_rate: Floats
    labour_hours: Floats


def day_rates(fleet: Fleet, history: History, machines: pl.Series) -> Floats:
    """What a day of standing costs each machine: as the settings say, else what it was rented out for."""
    default = fleet.settings.costs.downtime_per_day
    if "costs.downtime_per_day" in fleet.settings.given:
        return np.full(len(machines), default)
    rates = fleet.store.run("cases/day_rates", as_of_end=history.as_of_end)
    joined = machines.to_frame("machine_id").join(rates, on="machine_id", how="left", maintain_order="left")
    return joined["day_rate"].fill_null(default).to_numpy().astype(np.float64)


def step_cost(step: Step, settings: Settings) -> float:
    """Labour, parts and the machine standing, for one side, in the fleet's currency."""
    costs = settings.costs
    standing = step.labour_hours / costs.day_hours * costs.downtime_per_day
    return step.labour_hours * costs.labour_rate + step.parts_cost + standing
