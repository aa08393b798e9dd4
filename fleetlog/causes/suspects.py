"""Which units need what: open cases and likely ones, the cause, how sure, why, what to do next."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import date
from typing import Any, ClassVar

import numpy as np
import numpy.typing as npt
import polars as pl

from fleetlog.belief.weighing import WeighedCases, weighed_now
from fleetlog.causes.batches import batch_notes
from fleetlog.causes.case import Suspect
from fleetlog.causes.holds import HoldsFinding, safety_of
from fleetlog.causes.repair_plan import CostOutlook, Deed, RepairPlan
from fleetlog.causes.rules import ASK_DAYS, ASK_HOURS, MOST_QUESTIONS, SECOND_SIDE_HOURS, WATCH, WatchRules
from fleetlog.causes.watched_sides import WatchedSides, first_look, followed_cause, said_within
from fleetlog.errors import UsageError
from fleetlog.faults import FaultFamily
from fleetlog.phrasing import money
from fleetlog.session.finding import Finding, header
from fleetlog.session.fleet import Fleet
from fleetlog.session.safety import CAUTIONS_HEADING, Safety
from fleetlog.session.scope import WHOLE_FLEET, Scope
from fleetlog.stats.arrays import Floats


@dataclass(frozen=True, repr=False)
class SuspectsFinding(Finding):
    """Cases of one family, those first whose waiting costs most.

    Attributes:
        cases: open cases first, then the watch list.
        asks: the missing records that would change the advice most: machine_id, side, ask, saving (expected, of
            knowing), standing.
        safety: holds, cautions and the release check that go with the cases.
        currency: ISO 4217 code of the costs.
    """

    question: ClassVar[str] = "suspects"
    answers = ("currency", "asks")

    as_of: date
    fault: str
    cases: tuple[Suspect, ...]
    safety: Safety = field()
    currency: str
    notes: tuple[str, ...] = ()

    @property
    def asks(self) -> pl.DataFrame:
        """What to ask whom, the dearest doubt first."""
        doubts = sorted(
            (case for case in self.cases if case.ask), key=lambda case: (-case.ask_saving, case.machine_id)
        )
        return pl.DataFrame(
            [
                {
                    "machine_id": case.machine_id,
                    "side": case.side,
                    "ask": case.ask,
                    "saving": case.ask_saving,
                    "standing": case.standing,
                }
                for case in doubts[:MOST_QUESTIONS]
            ],
            schema={
                "machine_id": pl.String,
                "side": pl.String,
                "ask": pl.String,
                "saving": pl.Float64,
                "standing": pl.Float64,
            },
        )

    @property
    def held_asks(self) -> pl.DataFrame:
        """The questions for a file that travels alone: hold and cautions in every row."""
        return self.safety.attach(self.asks)

    @property
    def remarks(self) -> tuple[str, ...]:
        """The questions as sentences."""
        return tuple(
            f"Ask about {f'{machine} {side}'.rstrip()}: {ask} "
            f"Knowing is expected to save {money(saving, self.currency)}."
            for machine, side, ask, saving, _ in self.asks.rows()
        )

    @property
    def frame(self) -> pl.DataFrame:
        """One row a case; the probabilities of the causes in columns `p_<cause>`, then hold and cautions.

        Of a side without a fault there is no likeliest cause: what a fault would be is told in its note.
        """
        rows = pl.DataFrame(
            [
                {
                    **case.told(_COLUMNS),
                    "reasons": "; ".join(
                        f"{reason.evidence} ({reason.weight:+.2f})" for reason in case.reasons if case.faulty
                    ),
                    **{f"p_{cause}": share if case.faulty else None for cause, share in case.causes.items()},
                }
                for case in self.cases
            ],
            infer_schema_length=None,
        )
        return self.safety.attach(rows) if self.cases else rows

    @property
    def summary(self) -> pl.DataFrame:
        """The table without single probabilities and sentences, and without what stands before and beneath it."""
        return self.frame.select(pl.exclude("^p_.*$", "reasons", *_SENTENCES, "hold", "cautions"))

    def to_dict(self) -> dict[str, Any]:
        """See the interface: machine_id, side, state, since, age_hours, variant, causes, top_cause, ….."""
        rows = [case.told(CASE_KEYS) for case in self.cases]
        return header(self, rows, currency=self.currency, asks=self.asks)


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
_ANSWER = (
    "top_cause",
    "certainty",
    "next_step",
    "expected_cost",
    "waiting_per_day",
    "custom_cost",
    "labour_hours",
)
_SENTENCES = ("note", "ask", "ask_saving")
_COLUMNS = (*_FACTS, *_ANSWER, *_SENTENCES)
CASE_KEYS = (*_FACTS, "causes", *_ANSWER, "reasons", *_SENTENCES)


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
    return _suspects(fleet, scope, rules, told=True)


def suspects_then(fleet: Fleet, scope: Scope) -> SuspectsFinding:
    """The cases of an earlier day to hold today's against: as `suspects`, without the notes, which take their time and
    which nobody reads any more."""
    return _suspects(fleet, scope, WATCH, told=False)


def _suspects(fleet: Fleet, scope: Scope, rules: WatchRules, *, told: bool) -> SuspectsFinding:
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
    open_cases = sorted((case for case in cases if case.state == "open"), key=_by_waiting)
    watched = sorted((case for case in cases if case.state == "watch"), key=_by_waiting)
    listed, others = standing.watch_list(weighed, {(case.machine_id, case.side) for case in cases})
    every = (*open_cases, *[*watched, *listed][: rules.most])
    return SuspectsFinding(
        as_of=history.as_of,
        fault=family.name,
        cases=every,
        safety=safety_of(fleet, history, family, scope, cases, proposing=bool(every)),
        currency=fleet.settings.fleet.currency,
        notes=(
            *_notes(weighed, len(open_cases), len(watched) + others, rules),
            *standing.learning(),
            *batch_notes(fleet, weighed),
        )
        if told
        else (),
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


def _by_waiting(case: Suspect) -> tuple[float, float, str, str]:
    return (-case.waiting_per_day, -(case.standing or 0.0), case.machine_id, case.side)


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
    text = _proposal(family, plan.deeds[first] if first >= 0 else None, judged.probability[i])
    step = plan.deeds[first].name if first >= 0 else ""
    if first < 0:
        left = outlook.choices.free[j, : plan.cures].any()
        note = (
            "What is left is not likely enough to help for what it costs."
            if left
            else "All steps were in vain."
        )
    elif together is not None:
        text = f"{text}, on both sides at once"
        note = "The other side has an open case, too: one visit for both costs less than two."
    elif is_open and row["side"]:
        note = _other_side(weighed, plan, outlook, standing, row, j, first)
    if not is_open and not repaired:
        text, step = f"Ask what was done since {row['last_at']:%Y-%m-%d} and write it down", ""
        note = _asked(weighed, i)
    elif repaired:
        if not is_open:
            look = first_look(family)
            text, step = f"See whether the repair holds: {said_within(look)}", look.name
        note = f"Repaired, but the fault is likely still there (chance {stands:.0%}). {note}".rstrip()
    tracked = followed_cause(family)
    waiting = stands * float(outlook.day_rate[j])
    ask = _question(weighed, i, row, family, repaired=repaired)
    # Work on a machine that was repaired is wasted, and a fault left alone costs its days: knowing spares the lesser.
    ask_saving = min((1.0 - stands) * cost, waiting * ASK_DAYS)
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
        waiting_per_day=waiting,
        labour_hours=float(outlook.labour_hours[j]),
        opens=is_open and any(one.look == first for one in plan.steps.openings),
        ask=ask if ask_saving >= ASK_HOURS * plan.settings.costs.labour_rate else "",
        ask_saving=ask_saving,
        step=step,
    )


def _question(
    weighed: WeighedCases, i: int, row: dict[str, Any], family: FaultFamily, *, repaired: bool
) -> str:
    """The record that would settle whether the fault of the case in row i still stands."""
    if repaired:
        look = said_within(first_look(family))
        return f"Did the last repair hold? Have somebody {look}, and enter the result."
    order = weighed.blank_order[i]
    if order is not None:
        return f"What was done on order {order}? Enter its lines, or that nothing was done."
    if weighed.quiet_hours[i] > 0:
        return f"What was done since {row['last_at']:%Y-%m-%d}? Enter the order, or that nothing was done."
    return ""


def _proposal(family: FaultFamily, deed: Deed | None, probability: Floats) -> str:
    """What to do next, in words; of an opening also what to look for, the likeliest first."""
    if deed is None:
        return family.service.title
    if deed.step is not None:
        return deed.title
    causes = [cause.name for cause in family.causes]
    reached = sorted(family.reached_by(deed.name), key=lambda name: -probability[causes.index(name)])
    titles = [family.cause(name).title for name in reached]
    looked_for = ", ".join(title[:1].lower() + title[1:] for title in titles)
    return f"{deed.title}. Look for: {looked_for}" if looked_for else deed.title


def _asked(weighed: WeighedCases, i: int) -> str:
    """Why a case without a repair on record is probably over, and what would settle it."""
    quiet, blank = weighed.quiet_hours[i], int(weighed.blank_orders[i])
    orders = f" and {blank} order{'s' if blank > 1 else ''} closed since" if blank else ""
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
    first: int,
) -> str:
    """A sentence when the other side, which has no case, is better done in the same opening; else ""."""
    family, cures = weighed.layout.family, plan.steps.cure
    opening = next((one for one in plan.steps.openings if one.look == first), None)
    others = [side for side in family.sides if side != row["side"]]
    place = standing.place(row["machine_id"], others[0]) if others else None
    if opening is None or place is None or standing.sides["under_way"][place]:
        return ""
    chance = standing.chance_within(weighed, SECOND_SIDE_HOURS)[place]
    # What the other side most likely needs of what can be done while it is open.
    job = max(opening.together or opening.jobs, key=lambda s: float(chance @ cures[s]))
    alone = float(outlook.choices.cost[j, first] + outlook.choices.cost[j, job])
    added = float(outlook.second_cost[j, job])
    if float(chance @ cures[job]) * alone <= added:
        return ""
    likely = float(1.0 - np.prod(1.0 - chance * (cures[job] > 0.5)))
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
