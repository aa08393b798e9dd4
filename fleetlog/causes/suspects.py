"""Which units need what: open cases and likely ones, the cause, how sure, why, what to do next."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import date
from typing import Any, ClassVar

import numpy as np
import numpy.typing as npt
import polars as pl

from fleetlog.causes.case import Reason, Suspect
from fleetlog.causes.holds import HoldsFinding, safety_of
from fleetlog.causes.weighing import CASE, WeighedCases, weigh
from fleetlog.errors import UsageError
from fleetlog.faults import FaultFamily, Step
from fleetlog.history import History
from fleetlog.session.finding import Finding, header
from fleetlog.session.fleet import Fleet, selection
from fleetlog.session.safety import CAUTIONS_HEADING, Safety
from fleetlog.session.scope import WHOLE_FLEET, Scope
from fleetlog.settings import Settings
from fleetlog.stats.arrays import Floats, Ints
from fleetlog.stats.posterior import posterior
from fleetlog.stats.repair_order import Choices, Plans, Steps, best_plan, customary_plan
from fleetlog.store import Store


@dataclass(frozen=True, repr=False)
class SuspectsFinding(Finding):
    """Cases of one family, most certain and dearest first.

    Attributes:
        cases: open cases first, then the watch list.
        safety: holds, cautions and the release check that go with the cases.
        currency: ISO 4217 code of the costs.
    """

    question: ClassVar[str] = "suspects"

    as_of: date
    fault: str
    cases: tuple[Suspect, ...]
    safety: Safety = field()
    currency: str
    notes: tuple[str, ...] = ()

    @property
    def frame(self) -> pl.DataFrame:
        """One row a case; the probabilities of the causes in columns `p_<cause>`, then hold and cautions."""
        rows = pl.DataFrame(
            [
                {
                    **{name: getattr(case, name) for name in _COLUMNS},
                    "reasons": "; ".join(
                        f"{reason.evidence} ({reason.weight:+.2f})" for reason in case.reasons
                    ),
                    **{f"p_{cause}": share for cause, share in case.causes.items()},
                }
                for case in self.cases
            ],
            infer_schema_length=None,
        )
        return self.safety.attach(rows) if self.cases else rows

    @property
    def summary(self) -> pl.DataFrame:
        """The table without single probabilities and reasons, and without what stands before and beneath it."""
        return self.frame.select(pl.exclude("^p_.*$", "reasons", "hold", "cautions"))

    def to_dict(self) -> dict[str, Any]:
        """See the interface: machine_id, side, state, since, age_hours, variant, causes, top_cause, ….."""
        rows = [{name: getattr(case, name) for name in _ROW_KEYS} for case in self.cases]
        return header(self, rows, currency=self.currency)


# What is said of a case: columns of the table, and keys of the JSON rows.
_FACTS = (
    "machine_id",
    "side",
    "state",
    "standing",
    "since",
    "site",
    "model",
    "build_year",
    "age_hours",
    "variant",
    "episodes",
)
_COLUMNS = (*_FACTS, "top_cause", "certainty", "next_step", "expected_cost", "custom_cost")
_ROW_KEYS = (*_FACTS, "causes", "top_cause", "next_step", "expected_cost", "reasons", "note")


@dataclass(frozen=True)
class WatchRules:
    """When a side without an open case is put on the watch list. Ours, from memory; none stands in a book.

    Attributes:
        standing: a case is open, which is work, when the chance that its fault stands is at least this: without a
            repair, or after one that probably failed. One without a repair on record that falls below is
            watched and asked about.
        doubt: a repaired case is listed, and its machine kept from use, from this chance on.
        readings: a voltage that wanders, when so many readings of the last year show it.
        episodes: a rising rate, when so many episodes of the last year are more than twice those of the year
            before.
        most: the watch list is cut after so many, the most urgent first.
    """

    standing: float = 0.6
    doubt: float = 0.5
    readings: int = 3
    episodes: int = 3
    most: int = 100


WATCH = WatchRules()

#: While a machine is open, its other side is looked at over this many running hours to come: what would fail
#: within them is better done now, if that costs less. Ours, from memory: two or three years of a rental.
SECOND_SIDE_HOURS = 2000.0


def suspects(fleet: Fleet, scope: Scope = WHOLE_FLEET, rules: WatchRules = WATCH) -> SuspectsFinding:
    """Open cases: which cause, how sure, why, what to do next. And sides that are better watched.

    Args:
        scope: which part of the fleet, as of when. The figures are learnt from the whole fleet all the same.
        rules: what puts a side without an open case on the watch list.

    Raises:
        UsageError: for an unknown machine, or for one that cannot have the fault although its data say so.

    Examples:
        >>> june.where(machines="37").suspects().cases[0].top_cause
        'internal_bushing'
    """
    history, family = fleet.begin(scope)
    impossible = impossible_reports(fleet, family, scope)
    if impossible:
        raise UsageError(impossible)
    weighed = weigh(fleet.store, history, family)
    inside = in_scope(weighed.cases, scope)
    state = weighed.cases["state"]
    doubtful = (state == "answered").to_numpy() & (weighed.standing >= rules.doubt)
    chosen = np.flatnonzero(inside & ((state == "open").to_numpy() | doubtful))
    plan = RepairPlan.of(family, fleet.settings)
    outlook = plan.outlook(weighed, chosen, fleet, history)
    standing = _Standing.of(fleet, history, weighed, scope, rules)
    cases = [_suspect(weighed, plan, outlook, standing, rules, j, int(i)) for j, i in enumerate(chosen)]
    open_cases = sorted((case for case in cases if case.state == "open"), key=_by_certainty)
    watched = sorted((case for case in cases if case.state == "watch"), key=_by_certainty)
    listed, others = standing.watch_list(weighed)
    every = (*open_cases, *[*watched, *listed][: rules.most])
    return SuspectsFinding(
        as_of=history.as_of,
        fault=family.name,
        cases=every,
        safety=safety_of(fleet, history, family, scope, cases, proposing=bool(every)),
        currency=fleet.settings.fleet.currency,
        notes=_notes(weighed, len(open_cases), len(watched) + others, rules),
    )


def holds(fleet: Fleet, scope: Scope = WHOLE_FLEET) -> HoldsFinding:
    """Machines to keep from use: open cases, repairs that probably failed, and words that tell of the danger.

    Raises:
        UsageError: as for `suspects`.

    Examples:
        >>> june.where(machines="37").holds().frame["machine_id"].to_list()
        ['37']
    """
    answer = suspects(fleet, scope)
    notes = (
        () if answer.safety.holds else ("No hold is on record. That says nothing of any machine's state.",)
    )
    return HoldsFinding(answer.as_of, answer.fault, answer.safety, notes)


def workshop_lines(fleet: Fleet) -> tuple[str, ...]:
    """What goes first to whoever works on machines: every family's holds, cautions and release check, each once."""
    if fleet.store.run("history/last_record")["last_at"][0] is None:
        cautions = [f"- {text}" for family in fleet.families.values() for text in family.cautions]
        return (f"{CAUTIONS_HEADING}:", *dict.fromkeys(cautions))
    lines: dict[str, None] = {}
    for fault in fleet.families:
        safety = replace(suspects(fleet, Scope(fault=fault)).safety, cautions=fleet.family(fault).cautions)
        lines.update(dict.fromkeys((*safety.first_lines(), *safety.last_lines())))
    return tuple(lines)


def _by_certainty(case: Suspect) -> tuple[float, str, str]:
    return (-case.certainty, case.machine_id, case.side)


def in_scope(cases: pl.DataFrame, scope: Scope) -> npt.NDArray[np.bool_]:
    """Which of the rows of sql/cases/list.sql belong to the part of the fleet asked about, shape (N,)."""
    mask = pl.lit(True)
    for column, wanted in (
        ("site", scope.sites),
        ("build_year", scope.build_years),
        ("machine_id", scope.machines),
    ):
        if wanted:
            mask = mask & pl.col(column).is_in(list(wanted)).fill_null(False)
    return cases.select(pl.repeat(True, pl.len()) & mask).to_series().to_numpy()


def impossible_reports(fleet: Fleet, family: FaultFamily, scope: Scope) -> str:
    """One sentence if the scope names a machine that cannot have the fault but reported it; else ""."""
    rows_found = fleet.store.run("checks/impossible_fault").filter(
        (pl.col("fault") == family.name) & pl.col("machine_id").is_in(scope.machines)
    )
    if rows_found.is_empty():
        return ""
    row = rows_found.row(0, named=True)
    return (
        f"Machine {row['machine_id']} has {row['control'] or 'unknown'} drive control and cannot have the "
        f"fault '{family.title}', yet {row['file'] or 'a file'} row {row['row_no']} says so: correct the "
        "machine list or that row."
    )


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


@dataclass(frozen=True, eq=False)
class _Standing:
    """The sides of the fleet as they stand today, whether or not they have a case.

    Attributes:
        sides: one row a machine and side, from sql/cases/standing.sql.
        hours, variants: age and variant of each cause's part.
        hazard: which hazard each is at, shape (sides, causes).
    """

    as_of: date
    family: FaultFamily
    rules: WatchRules
    sides: pl.DataFrame
    hours: Floats
    variants: tuple[pl.Series, ...]
    hazard: Ints

    @staticmethod
    def of(
        fleet: Fleet, history: History, weighed: WeighedCases, scope: Scope, rules: WatchRules
    ) -> _Standing:
        family = weighed.layout.family
        parts = fleet.store.run(
            "cases/standing", fault=family.name, as_of_end=history.as_of_end, **selection(scope)
        )
        sides = parts.drop("component", "variant", "age_tenths").unique(["machine_id", "side"], keep="first")
        sides = sides.sort("machine_id", "side").with_row_index("row")
        ages, variants = [], []
        for cause in family.causes:
            followed = parts if family.part(cause.component) else parts.clear()
            own = followed.filter(pl.col("component") == cause.component).unique(["machine_id", "side"])
            joined = sides.join(
                own.select("machine_id", "side", "variant", "age_tenths"),
                on=["machine_id", "side"],
                how="left",
                maintain_order="left",
            )
            hours = joined.select(pl.coalesce("age_tenths", "machine_tenths") / 10)["age_tenths"]
            ages.append(hours.to_numpy().astype(np.float64))
            variants.append(joined["variant"].fill_null(""))
        return _Standing(
            as_of=history.as_of,
            family=family,
            rules=rules,
            sides=sides,
            hours=np.column_stack(ages),
            variants=tuple(variants),
            hazard=np.column_stack([weighed.layout.hazards(k, variants[k]) for k in range(len(variants))]),
        )

    def chance_within(self, weighed: WeighedCases, hours: float) -> Floats:
        """Chance that each cause sets in within so many running hours, shape (sides, causes)."""
        shape, scale = weighed.model.shape[self.hazard], weighed.model.scale_hours[self.hazard]
        now, then = self.hours / scale, (self.hours + hours) / scale
        chance: Floats = -np.expm1(now**shape - then**shape)
        return chance

    def place(self, machine: str, side: str) -> int | None:
        """The row of a machine's side, if it is still watched."""
        rows_found = self.sides.filter((pl.col("machine_id") == machine) & (pl.col("side") == side))
        return int(rows_found["row"][0]) if rows_found.height else None

    def watch_list(self, weighed: WeighedCases) -> tuple[list[Suspect], int]:
        """Sides without a case under way that show a wandering voltage or more and more episodes.

        Returns:
            The most urgent of them, and how many there are.
        """
        family, rules = self.family, self.rules
        voltage = family.voltage
        wanders = (
            ((pl.col("readings") >= rules.readings) & (pl.col("high") - pl.col("low") > voltage.wander))
            if voltage
            else pl.lit(False)
        )
        signs = self.sides.select(
            free=~pl.col("under_way"),
            wanders=pl.when(wanders).then(True).otherwise(False),
            rises=(pl.col("recent_episodes") >= rules.episodes)
            & (pl.col("recent_episodes") > 2 * pl.col("earlier_episodes")),
        )
        drifting, rising = signs["wanders"].to_numpy(), signs["rises"].to_numpy()
        rows = np.flatnonzero(signs["free"].to_numpy() & (drifting | rising))
        total = rows.size
        recent = self.sides["recent_episodes"].fill_null(0).to_numpy()
        rows = rows[np.lexsort((rows, -recent[rows], ~drifting[rows]))][: rules.most]
        log_age = np.log(np.maximum(self.hours[rows], 1.0))
        prior = weighed.model.log_hazard(self.hazard[rows], log_age)
        seen = np.flatnonzero(drifting[rows])
        table = weighed.layout.tables.get("voltage")
        pieces = np.zeros((seen.size, prior.shape[1]))
        if table is not None and voltage is not None:
            evidence = family.evidence_table("voltage")
            assert evidence is not None
            pieces += weighed.model.log_outcome[table, evidence.outcomes.index("wanders")]
        judged = posterior(prior, pieces, seen)
        listed = []
        for j, i in enumerate(rows):
            row = self.sides.row(int(i), named=True)
            reasons = [Reason(self._stated(int(i)), float(judged.prior_weight[j]))]
            notes = ["No fault is on record now."]
            if drifting[i]:
                unit = voltage.unit if voltage else ""
                quantity = voltage.quantity.replace("_", " ") if voltage else "voltage"
                span = f"{row['low']:.2f} to {row['high']:.2f} {unit}"
                text = f"{quantity} wanders from visit to visit ({span})"
                reasons.append(Reason(text, float(judged.weight[np.searchsorted(seen, j)])))
                notes.append(f"{row['readings']} readings of the last year wander.")
            if rising[i]:
                before = f"{row['earlier_episodes']} in the one before"
                notes.append(f"{row['recent_episodes']} episodes in the last year, {before}.")
            tracked = _followed_cause(family)
            listed.append(
                Suspect(
                    machine_id=row["machine_id"],
                    side=row["side"],
                    state="watch",
                    since=row["first_reading_at"].date() if drifting[i] else self.as_of,
                    age_hours=float(self.hours[i, tracked]),
                    variant=self.variants[tracked][int(i)] or "unknown",
                    causes={name: float(judged.probability[j, k]) for k, name in enumerate(weighed.causes)},
                    top_cause=weighed.causes[int(judged.top[j])],
                    next_step=f"Watch; at the next service: {_first_look(family)}",
                    expected_cost=None,
                    reasons=tuple(reasons),
                    site=row["site"] or "",
                    model=row["model"] or "",
                    build_year=row["build_year"],
                    note=" ".join(notes),
                    cautions=bool(family.cautions),
                )
            )
        return listed, total

    def _stated(self, i: int) -> str:
        part = self.family.causes[0].component.replace("_", " ") or "machine"
        return f"{self.variants[0][i]} {part} with {self.hours[i, 0]:,.0f} h".strip()


def _first_look(family: FaultFamily) -> str:
    """What a watched side is looked over by: the measuring step, else the first inspection."""
    looks = [step for step in family.steps if step.kind != "cure"]
    measuring = [step for step in looks if family.evidence_table(step.name) is None]
    title = (measuring or looks or list(family.steps))[0].title
    return title[:1].lower() + title[1:]


def _suspect(
    weighed: WeighedCases,
    plan: RepairPlan,
    outlook: CostOutlook,
    standing: _Standing,
    rules: WatchRules,
    j: int,
    i: int,
) -> Suspect:
    """The case in row i, the j-th of those planned for."""
    row = weighed.cases.row(i, named=True)
    judged, family = weighed.posterior, weighed.layout.family
    stands = float(weighed.standing[i])
    is_open = stands >= rules.standing
    repaired = row["state"] == "answered"
    first = int(outlook.best.first[j])
    cost, custom, note = float(outlook.best.cost[j]), float(outlook.custom.cost[j]), ""
    together = outlook.pairs.get(j)
    if together is not None:
        first, _, cost = together
    step = family.step(plan.names[first]) if first >= 0 else None
    text = step.title if step else "All steps were in vain: call in the maker's service"
    if together is not None:
        text = f"{text}, on both sides at once"
        note = "The other side has an open case, too: one visit for both costs less than two."
    elif step is not None and step.opens_pump and is_open and row["side"]:
        note = _other_side(weighed, plan, outlook, standing, row, j, first)
    if not is_open and not repaired:
        text = f"Ask what was done since {row['last_at']:%Y-%m-%d} and write it down"
        note = _asked(weighed, i)
    elif repaired:
        note = f"Repaired, but the fault is likely still there (chance {stands:.0%}). {note}".rstrip()
    tracked = _followed_cause(family)
    return Suspect(
        machine_id=row["machine_id"],
        side=row["side"],
        state="open" if is_open else "watch",
        since=row["first_at"].date(),
        age_hours=float(weighed.age_hours[i, tracked]),
        variant=weighed.variants[tracked][i] or "unknown",
        causes={name: float(judged.probability[i, k]) for k, name in enumerate(weighed.causes)},
        top_cause=weighed.causes[int(judged.top[i])],
        next_step=text,
        expected_cost=cost,
        reasons=weighed.reasons(i),
        site=row["site"] or "",
        model=row["model"] or "",
        build_year=row["build_year"],
        episodes=row["episodes"],
        last_report=row["last_at"],
        first_sign=row["first_at"],
        on_hold=True,
        standing=stands,
        repaired=repaired,
        cautions=bool(family.cautions),
        custom_cost=custom,
        note=note,
    )


def _asked(weighed: WeighedCases, i: int) -> str:
    """Why a case without a repair on record is probably over, and what would settle it."""
    quiet, blank = weighed.quiet_hours[i], int(weighed.blank_orders[i])
    orders = f" and {blank} order{'s' if blank > 1 else ''} of unknown content" if blank else ""
    return (
        f"No repair is on record, but {quiet:,.0f} running hours without a report{orders} make one likely: the "
        f"fault still stands with chance {weighed.standing[i]:.0%}."
    )


def _other_side(
    weighed: WeighedCases,
    plan: RepairPlan,
    outlook: CostOutlook,
    standing: _Standing,
    row: dict[str, Any],
    j: int,
    cure: int,
) -> str:
    """A sentence when the other side, which has no case, is better done in the same opening; else ""."""
    family = weighed.layout.family
    others = [side for side in family.sides if side != row["side"]]
    place = standing.place(row["machine_id"], others[0]) if others else None
    if place is None or standing.sides["under_way"][place]:
        return ""
    chance = standing.chance_within(weighed, SECOND_SIDE_HOURS)[place]
    saved = float(chance @ plan.steps.cure[cure]) * float(outlook.choices.cost[j, cure])
    added = float(outlook.second_cost[j, cure])
    if saved <= added:
        return ""
    likely = float(1.0 - np.prod(1.0 - chance * (plan.steps.cure[cure] > 0.5)))
    currency = plan.settings.fleet.currency
    return (
        f"While it is open, do the {others[0]} side too: it adds {added:,.0f} {currency}, and within "
        f"{SECOND_SIDE_HOURS:,.0f} h that side would need the same with chance {likely:.0%}."
    )


def _followed_cause(family: FaultFamily) -> int:
    """The first cause whose part's lives are followed: its age is the one shown."""
    for k, cause in enumerate(family.causes):
        if family.part(cause.component):
            return k
    return 0


def _notes(weighed: WeighedCases, open_cases: int, watched: int, rules: WatchRules) -> tuple[str, ...]:
    family = weighed.layout.family
    if not open_cases and not watched:
        return (f"No open or doubtful case of '{family.title}'.",)
    fit = weighed.fit
    notes = [
        "Probabilities tell where to look first and prove nothing: follow the maker's diagnosis before parts "
        "are ordered."
    ]
    if fit is not None:
        ended = "converged" if fit.converged else "stopped before it converged"
        notes.append(
            f"Their figures start from the family's own and were learnt from {weighed.cases.height:,} cases "
            f"of this fleet ({ended} after {fit.steps} rounds); see 'fleetlog explain suspects'."
        )
    if watched > rules.most:
        notes.append(f"The watch list shows the first {rules.most} of {watched:,}.")
    return tuple(notes)
