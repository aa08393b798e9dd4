"""Which units need what: open cases and likely ones, the cause, how sure, why, what to do next."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import polars as pl

from fleetlog.errors import UsageError
from fleetlog.faults import FaultFamily, Step
from fleetlog.findings.base import WHOLE_FLEET, Reason, Scope, Suspect, header
from fleetlog.findings.fleet import Fleet, selection
from fleetlog.findings.weighing import CASE, WeighedCases, weigh
from fleetlog.settings import Settings
from fleetlog.stats.repair_order import RepairOrder, best_order, cost_of_order

if TYPE_CHECKING:
    import altair as alt


@dataclass(frozen=True)
class SuspectsFinding:
    """Cases of one family, most certain and dearest first.

    Attributes:
        cases: open cases first, then the watch list.
        cautions: sentences to show wherever a step opens the pump.
        currency: ISO 4217 code of the costs.
    """

    as_of: date
    fault: str
    cases: tuple[Suspect, ...]
    cautions: tuple[str, ...]
    currency: str
    notes: tuple[str, ...] = ()

    @property
    def frame(self) -> pl.DataFrame:
        """One row a case; the probabilities of the causes in columns `p_<cause>`."""
        return pl.DataFrame(
            [
                {
                    "machine_id": case.machine_id,
                    "side": case.side,
                    "state": case.state,
                    "since": case.since,
                    "site": case.site,
                    "model": case.model,
                    "build_year": case.build_year,
                    "age_hours": case.age_hours,
                    "variant": case.variant,
                    "episodes": case.episodes,
                    "top_cause": case.top_cause,
                    "certainty": case.certainty,
                    "next_step": case.next_step,
                    "expected_cost": case.expected_cost,
                    "custom_cost": case.custom_cost,
                    "reasons": "; ".join(
                        f"{reason.evidence} ({reason.weight:+.2f})" for reason in case.reasons
                    ),
                    **{f"p_{cause}": share for cause, share in case.causes.items()},
                }
                for case in self.cases
            ],
            infer_schema_length=None,
        )

    def to_dict(self) -> dict[str, Any]:
        """See the interface: machine_id, side, state, since, age_hours, variant, causes, top_cause, ….."""
        rows = [
            {
                "machine_id": case.machine_id,
                "side": case.side,
                "state": case.state,
                "since": case.since,
                "site": case.site,
                "model": case.model,
                "build_year": case.build_year,
                "age_hours": case.age_hours,
                "variant": case.variant,
                "episodes": case.episodes,
                "causes": dict(case.causes),
                "top_cause": case.top_cause,
                "next_step": case.next_step,
                "expected_cost": case.expected_cost,
                "reasons": [
                    {"evidence": reason.evidence, "weight": reason.weight} for reason in case.reasons
                ],
                "note": case.note,
            }
            for case in self.cases
        ]
        opens_pump = any(case.cautions for case in self.cases)
        return header(self, rows, currency=self.currency, cautions=list(self.cautions) if opens_pump else [])

    def chart(self) -> alt.TopLevelMixin:
        """The probability of each cause, one bar a case."""
        from fleetlog.charts import suspects_chart

        return suspects_chart(self)


# A case that was answered, but not by what cures its likely cause, stays on the watch list above this.
WATCH_ABOVE = 0.5


def suspects(fleet: Fleet, scope: Scope = WHOLE_FLEET) -> SuspectsFinding:
    """Open cases, and repaired ones whose repair does not cure what is most likely wrong.

    Args:
        fleet: whom to ask.
        scope: which part of the fleet, as of when.

    Raises:
        UsageError: for an unknown machine, or for one that cannot have the fault although its data say so.
    """
    history, family = fleet.begin(scope)
    impossible = impossible_reports(fleet, family, scope)
    if impossible:
        raise UsageError(impossible)
    weighed = weigh_cases(fleet, family, scope, ["open", "answered"])
    plan = RepairPlan.of(family, fleet.settings)
    best = plan.best(weighed, fleet)
    custom = plan.sensor_first(weighed, fleet)
    uncured = plan.uncured_by_last_step(weighed)
    cases = []
    for i, row in enumerate(weighed.cases.iter_rows(named=True)):
        if row["state"] == "answered" and uncured[i] < WATCH_ABOVE:
            continue
        cases.append(_suspect(family, weighed, plan, best, custom, i, row))
    cases.sort(key=lambda case: (case.state != "open", -case.certainty, case.machine_id, case.side))
    return SuspectsFinding(
        as_of=history.as_of,
        fault=family.name,
        cases=tuple(cases),
        cautions=family.cautions,
        currency=fleet.settings.fleet.currency,
        notes=_notes(family, cases),
    )


def weigh_cases(fleet: Fleet, family: FaultFamily, scope: Scope, states: list[str]) -> WeighedCases:
    """The cases of a scope in these states, with the probability of each cause."""
    return weigh(
        family,
        fleet.store.run("cases/list", fault=family.name, states=states, **selection(scope)),
        fleet.store.run("cases/parts", fault=family.name),
        fleet.store.run("cases/evidence", fault=family.name),
    )


def impossible_reports(fleet: Fleet, family: FaultFamily, scope: Scope) -> str:
    """One sentence if the scope names a machine that cannot have the fault but reported it; else ""."""
    found = fleet.store.run("checks/impossible_fault").filter(
        (pl.col("fault") == family.name) & pl.col("machine_id").is_in(scope.machines)
    )
    if found.is_empty():
        return ""
    row = found.row(0, named=True)
    return (
        f"Machine {row['machine_id']} has {row['control'] or 'unknown'} drive control and cannot have the "
        f"fault '{family.title}', yet {row['file'] or 'a file'} row {row['row_no']} says so: correct the "
        "machine list or that row."
    )


@dataclass(frozen=True)
class RepairPlan:
    """The cures of a family as the arrays that the decision works on.

    An inspection that leads to a repair counts with it: looking is paid always, repairing only if a fault
    is found.

    Attributes:
        names: of the cures.
        cure: chance to cure, shape (cures, causes).
        cost: in the fleet's currency, shape (cures, causes).
        last_resort: cost of replacing everything when all was in vain.
    """

    family: FaultFamily
    names: tuple[str, ...]
    cure: npt.NDArray[np.float64]
    cost: npt.NDArray[np.float64]
    last_resort: float

    @staticmethod
    def of(family: FaultFamily, settings: Settings) -> RepairPlan:
        """The family's cures at this fleet's costs."""
        causes = [cause.name for cause in family.causes]
        cures = [step for step in family.steps if step.kind == "cure"]
        cost = np.zeros((len(cures), len(causes)))
        for s, step in enumerate(cures):
            price = step_cost(step, settings)
            if not step.after:
                cost[s] = price
                continue
            looking = step_cost(family.step(step.after), settings)
            # Looked at first: only a cause that shows is then repaired.
            cost[s] = [looking + (price if step.cures.get(cause, 0.0) > 0.5 else 0.0) for cause in causes]
        return RepairPlan(
            family=family,
            names=tuple(step.name for step in cures),
            cure=np.array([[step.cures.get(cause, 0.0) for cause in causes] for step in cures]),
            cost=cost,
            last_resort=float(cost.max()),
        )

    def best(self, weighed: WeighedCases, fleet: Fleet) -> RepairOrder:
        """The order of least expected cost for every case, among the cures not yet tried in it."""
        return best_order(
            weighed.posterior.probability,
            self.cure,
            self.cost,
            allowed=self.untried(weighed, fleet),
            last_resort=self.last_resort,
        )

    def untried(self, weighed: WeighedCases, fleet: Fleet) -> npt.NDArray[np.bool_]:
        """Which cures a case has not seen yet, shape (cases, cures)."""
        done = weighed.cases.select("case_id", *CASE).join(
            fleet.store.run("cases/steps", fault=self.family.name), on=CASE
        )
        allowed = np.ones((len(weighed.cases), len(self.names)), dtype=bool)
        for s, name in enumerate(self.names):
            allowed[done.filter(pl.col("step") == name)["case_id"].to_numpy(), s] = False
        return allowed

    def sensor_first(self, weighed: WeighedCases, fleet: Fleet) -> npt.NDArray[np.float64]:
        """What custom costs: every cure in the family's customary order, whatever the evidence says."""
        return cost_of_order(
            weighed.posterior.probability,
            self.cure,
            self.cost,
            list(range(len(self.names))),
            last_resort=self.last_resort,
        )

    def uncured_by_last_step(self, weighed: WeighedCases) -> npt.NDArray[np.float64]:
        """Chance that the last cure tried does not reach what is wrong, given how long it has held so far."""
        uncured = np.zeros(len(weighed.cases))
        for i, step in enumerate(weighed.cases["last_step"]):
            if step in self.names:
                chances = self.cure[self.names.index(step)]
                uncured[i] = float(weighed.posterior.probability[i] @ (1.0 - chances))
        return uncured


def step_cost(step: Step, settings: Settings) -> float:
    """Labour, parts and the machine standing, for one side, in the fleet's currency."""
    costs = settings.costs
    standing = step.labour_hours / costs.day_hours * costs.downtime_per_day
    return step.labour_hours * costs.labour_rate + step.parts_cost + standing


def _suspect(
    family: FaultFamily,
    weighed: WeighedCases,
    plan: RepairPlan,
    best: RepairOrder,
    custom: npt.NDArray[np.float64],
    i: int,
    row: dict[str, Any],
) -> Suspect:
    judged = weighed.posterior
    first = int(best.order[i, 0])
    step = family.step(plan.names[first]) if first >= 0 else family.steps[-1]
    mine = weighed.evidence.with_columns(pl.Series("weight", judged.weight)).filter(pl.col("case_id") == i)
    reasons = [Reason(weighed.prior_wording[i], float(judged.prior_weight[i]))]
    reasons += [Reason(text, weight) for text, weight in mine.select("wording", "weight").iter_rows()]
    top = weighed.causes[int(judged.top[i])]
    tracked = _followed_cause(family)
    looked = mine.filter(pl.col("evidence") == step.after).height > 0 if step.after else True
    next_step = step.title if looked else f"{family.step(step.after).title}; if a fault shows: {step.title}"
    return Suspect(
        machine_id=row["machine_id"],
        side=row["side"],
        state="open" if row["state"] == "open" else "watch",
        since=row["first_at"].date(),
        age_hours=float(weighed.ages[i, tracked]),
        variant=weighed.variants[i][tracked] or "unknown",
        causes={name: float(judged.probability[i, k]) for k, name in enumerate(weighed.causes)},
        top_cause=top,
        next_step=next_step if row["state"] == "open" else f"Watch; if it returns: {next_step}",
        expected_cost=float(best.cost[i]),
        reasons=tuple(reasons),
        site=row["site"] or "",
        model=row["model"] or "",
        build_year=row["build_year"],
        episodes=row["episodes"],
        last_report=row["last_at"],
        cautions=step.cautions or step.opens_pump,
        custom_cost=float(custom[i]),
    )


def _followed_cause(family: FaultFamily) -> int:
    """The first cause whose part's lives are followed: its age is the one shown."""
    for k, cause in enumerate(family.causes):
        if family.part(cause.component):
            return k
    return 0


def _notes(family: FaultFamily, cases: list[Suspect]) -> tuple[str, ...]:
    if not cases:
        return (f"No open or doubtful case of '{family.title}'.",)
    return (
        "Probabilities come from the family's own figures (see 'fleetlog faults' and 'fleetlog explain "
        "suspects'); they tell where to look first and prove nothing: follow the maker's diagnosis before "
        "parts are ordered.",
    )
