"""Which units need what: open cases and likely ones, the cause, how sure, why, what to do next."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import date
from typing import Any, ClassVar

import numpy as np
import numpy.typing as npt
import polars as pl

from fleetlog.causes.case import Suspect
from fleetlog.causes.holds import HoldsFinding, safety_of
from fleetlog.causes.repair_plan import CostOutlook, RepairPlan
from fleetlog.causes.rules import SECOND_SIDE_HOURS, WATCH, WatchRules
from fleetlog.causes.watched_sides import WatchedSides, followed_cause
from fleetlog.causes.weighing import WeighedCases, weighed_now
from fleetlog.errors import UsageError
from fleetlog.faults import FaultFamily
from fleetlog.session.finding import Finding, header
from fleetlog.session.fleet import Fleet
from fleetlog.session.safety import CAUTIONS_HEADING, Safety
from fleetlog.session.scope import WHOLE_FLEET, Scope


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
    weighed = weighed_now(fleet, history, family)
    inside = in_scope(weighed.cases, scope)
    under_way = (weighed.cases["state"] == "open").to_numpy()
    chosen = np.flatnonzero(inside & (under_way | (weighed.standing >= rules.doubt)))
    plan = RepairPlan.of(family, fleet.settings)
    outlook = plan.outlook(weighed, chosen, fleet, history)
    standing = WatchedSides.of(fleet, history, weighed, scope, rules)
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


def _suspect(
    weighed: WeighedCases,
    plan: RepairPlan,
    outlook: CostOutlook,
    standing: WatchedSides,
    rules: WatchRules,
    j: int,
    i: int,
) -> Suspect:
    """The case in row i, the j-th of those planned for."""
    row = weighed.cases.row(i, named=True)
    judged, family = weighed.posterior, weighed.layout.family
    stands = float(weighed.standing[i])
    is_open = stands >= rules.standing
    repaired = bool(row["answered"])
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
    tracked = followed_cause(family)
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
    standing: WatchedSides,
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
