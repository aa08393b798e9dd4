"""What to do about a case and what it costs: the best order of steps, and the customary one."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from fleetlog.causes.rules import WATCH
from fleetlog.causes.weighing import CASE, WeighedCases
from fleetlog.faults import FaultFamily, Step
from fleetlog.history import History
from fleetlog.session.fleet import Fleet
from fleetlog.settings import Settings
from fleetlog.stats.arrays import Floats, Ints
from fleetlog.stats.repair_order import Choices, Plans, Steps, best_plan, customary_plan
from fleetlog.store import Store


@dataclass(frozen=True, eq=False)
class RepairPlan:
    """The steps of a family as the arrays that the decision works on.

    Looks are the inspections whose result the family weighs: the one with a table of its own, and the one
    that measures the family's voltage.

    Attributes:
        names: the cures, then the looks, in the order of their numbers in `steps`.
        labour, parts: hours and money of each step on one side.
        second_labour: hours that the other side adds while the machine is open for it.
        custom: numbers of the steps in the customary order.
    """

    family: FaultFamily
    settings: Settings
    names: tuple[str, ...]
    steps: Steps
    labour: Floats
    parts: Floats
    second_labour: Floats
    custom: tuple[int, ...]

    @staticmethod
    def of(family: FaultFamily, settings: Settings) -> RepairPlan:
        """The family's steps, their chances and outcomes as the family gives them."""
        causes = [cause.name for cause in family.causes]
        cures = [step for step in family.steps if step.kind == "cure"]
        tables = {step.name: family.evidence_table(step.name) for step in family.steps if step.kind != "cure"}
        untold = [name for name, table in tables.items() if table is None]
        if family.voltage is not None and len(untold) == 1:
            tables[untold[0]] = family.evidence_table("voltage")
        looks = {name: table for name, table in tables.items() if table is not None}
        shown = [
            np.array([[table.probability(outcome, cause) for cause in causes] for outcome in table.outcomes])
            for table in looks.values()
        ]
        needs: list[tuple[int, tuple[int, ...]] | None] = []
        for step in cures:
            table = looks.get(step.after)
            if table is None:
                needs.append(None)
                continue
            wanted = [o for o, word in enumerate(table.outcomes) if step.after_result in ("", word)]
            needs.append((list(looks).index(step.after), tuple(wanted)))
        ordered = (*cures, *(family.step(name) for name in looks))
        names = tuple(step.name for step in ordered)
        by_custom = sorted(ordered, key=lambda step: step.order)
        return RepairPlan(
            family=family,
            settings=settings,
            names=names,
            steps=Steps(
                cure=np.array([[step.cures.get(cause, 0.0) for cause in causes] for step in cures]),
                looks=tuple(shown),
                needs=tuple(needs),
            ),
            labour=np.array([step.labour_hours for step in ordered]),
            parts=np.array([step.parts_cost for step in ordered]),
            second_labour=np.array(
                [
                    step.labour_hours
                    if step.second_side_labour_hours is None
                    else step.second_side_labour_hours
                    for step in ordered
                ]
            ),
            custom=tuple(names.index(step.name) for step in by_custom),
        )

    @property
    def cures(self) -> tuple[str, ...]:
        """Names of the cures."""
        return self.names[: self.steps.cure.shape[0]]

    def price(self, labour: Floats, parts: Floats, day_rate: Floats) -> Floats:
        """Labour, parts and the machine standing, shape (N, steps)."""
        costs = self.settings.costs
        hourly = costs.labour_rate + day_rate[:, None] / costs.day_hours
        priced: Floats = labour * hourly + parts
        return priced

    def choices(self, weighed: WeighedCases, chosen: Ints, store: Store, day_rate: Floats) -> Choices:
        """What has not been done yet in each of the chosen cases.

        A fault that is more likely a new one than the old one that a repair has missed starts afresh.
        """
        cost = self.price(self.labour, self.parts, day_rate)
        afresh = weighed.uncured[chosen] < 0.5
        place = pl.DataFrame({"case_id": chosen, "place": np.arange(chosen.size)})
        done = (
            weighed.cases.select("case_id", *CASE)
            .join(store.run("cases/steps", fault=self.family.name), on=CASE)
            .select("case_id", "step")
        )
        seen = weighed.evidence.select("case_id", step="evidence", outcome="outcome")
        voltage = [name for name in self.names if self._shows_voltage(name)]
        looked = pl.concat(
            [done, seen.select("case_id", "step")]
            + [
                seen.filter(pl.col("step") == "voltage").select("case_id", step=pl.lit(name))
                for name in voltage
            ]
        ).join(place, on="case_id")
        undone = np.ones((chosen.size, len(self.names)), dtype=bool)
        for number, name in enumerate(self.names):
            known = looked if number >= len(self.cures) else done.join(place, on="case_id")
            undone[known.filter(pl.col("step") == name)["place"].to_numpy(), number] = False
        undone |= afresh[:, None]
        untried, to_look = undone[:, : len(self.cures)], undone[:, len(self.cures) :]
        ready, waiting = untried.copy(), np.zeros_like(untried)
        for s, need in enumerate(self.steps.needs):
            if need is None:
                continue
            step = self.family.step(self.cures[s])
            opened = np.zeros(chosen.size, dtype=bool)
            showed = seen.filter(
                (pl.col("step") == step.after)
                & (pl.lit(not step.after_result) | (pl.col("outcome") == step.after_result))
            ).join(place, on="case_id")
            opened[showed["place"].to_numpy()] = True
            ready[:, s] &= opened & ~afresh
            waiting[:, s] = untried[:, s] & to_look[:, need[0]]
        return Choices(cost, ready, waiting, to_look, cost[:, : len(self.cures)].max(axis=1))

    def _shows_voltage(self, name: str) -> bool:
        return self.family.step(name).kind != "cure" and self.family.evidence_table(name) is None

    def outlook(self, weighed: WeighedCases, chosen: Ints, fleet: Fleet, history: History) -> CostOutlook:
        """The best plan and the customary one for each of the chosen cases."""
        day_rate = day_rates(fleet, history, weighed.cases["machine_id"][chosen])
        choices = self.choices(weighed, chosen, fleet.store, day_rate)
        p = weighed.posterior.probability[chosen]
        best = best_plan(p, self.steps, choices)
        custom = customary_plan(p, self.steps, choices, self.custom)
        second = self.price(self.second_labour, self.parts, day_rate)
        cases = weighed.cases[chosen].with_columns(standing=pl.Series(weighed.standing[chosen]))
        pairs = self._pairs(cases, best, choices, second)
        return CostOutlook(best, custom, choices, second, pairs)

    def _pairs(
        self, cases: pl.DataFrame, best: Plans, choices: Choices, second: Floats
    ) -> dict[int, tuple[int, int, float]]:
        """Cases that stand on both sides of one machine and cost least when both are done in one opening.

        Decided where one side's plan opens the machine: then each step that opens it is weighed as one job
        on both sides, each side going on by its own best plan where it was in vain, against the two apart.
        """
        rows_found: dict[int, tuple[int, int, float]] = {}
        opens = [s for s, name in enumerate(self.cures) if self.family.step(name).opens_pump]
        ours = cases.with_row_index("place").filter(pl.col("standing") >= WATCH.standing)
        for places in ours.group_by("machine_id", maintain_order=True).agg("place")["place"].to_list():
            if len(places) != 2 or not {int(best.first[place]) for place in places} & set(opens):
                continue
            one, two = places
            apart = float(best.cost[one] + best.cost[two])
            joint = [
                (float(choices.cost[one, s] + second[two, s] + best.after[one, s] + best.after[two, s]), s)
                for s in opens
                if choices.ready[one, s] and choices.ready[two, s]
            ]
            if joint and min(joint)[0] < apart:
                cost, s = min(joint)
                # What each side takes of the joint cost is in proportion to what it would cost alone.
                for mine, other in ((one, two), (two, one)):
                    rows_found[mine] = (s, other, cost * float(best.cost[mine]) / apart)
        return rows_found


@dataclass(frozen=True, eq=False)
class CostOutlook:
    """What to do about the chosen cases and what it costs.

    Attributes:
        best, custom: the plan of least cost, and what custom would do.
        choices: what can be done.
        second_cost: of each step on the second side of a machine open for it, shape (N, steps).
        pairs: row -> (cure, row of the other side, this side's share of the cost), where both sides are done
            at once.
    """

    best: Plans
    custom: Plans
    choices: Choices
    second_cost: Floats
    pairs: dict[int, tuple[int, int, float]]


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
