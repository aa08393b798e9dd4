"""What a mechanic needs at one machine, as suspects, plan and the machine's story say it: nothing is computed here."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from fleetlog.causes.case import Suspect
from fleetlog.causes.suspects import SuspectsFinding, suspects
from fleetlog.causes.unit import UnitFinding, units
from fleetlog.errors import UsageError
from fleetlog.faults import FaultFamily, Opening, Step
from fleetlog.phrasing import Words, capital, hours, listed, percent, repair_name, said
from fleetlog.planning.plan import PlanFinding, plan
from fleetlog.reporting.month import how_sure, strength
from fleetlog.session.fleet import Fleet
from fleetlog.session.safety import Safety
from fleetlog.session.scope import WHOLE_FLEET, Scope

#: Lines of history, and reasons, on a card.
LINES, REASONS = 5, 4
#: Weeks of the plan whose machines get a card where all are asked for.
WEEKS = 4


@dataclass(frozen=True)
class CardStep:
    """A step on a card.

    Attributes:
        side: "" where the records name none.
        action, component: as a work line says them; "" for an opening.
        hours: of labour, for this side.
        more: whether they come on top of those of the step before: work behind an opening, or on the second side.
        when: "" for what is to be done now; else under which condition, or why it is done in the same visit.
        part, parts_cost: to have ready, and its price; None where nothing is replaced.
    """

    title: str
    side: str
    action: str
    component: str
    hours: float | None
    when: str = ""
    more: bool = False
    tools: tuple[str, ...] = ()
    part: str | None = None
    parts_cost: float | None = None
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class CardCase:
    """Why a side is on the card: what is said of it, how sure, and on what that rests."""

    side: str
    verdict: str
    why: tuple[tuple[str, str], ...]
    note: str


@dataclass(frozen=True)
class JobCard:
    """A machine's card.

    Attributes:
        about: the machine in a line.
        safety: its hold, and the cautions, whatever the step.
        where: where it stands, or since when it is out and when it is due back.
        week: of the plan, as 2026-W28; "" where it has none.
        past: what happened on this fault last, a line each, oldest first.
        earlier: how many repairs and reports came before these.
        labour_hours: expected until all open cases are cured.
        quantity, unit, sides: what is measured for this fault, and where.
        band: from where to where a reading is sound, as this fleet counts it.
        notes: what a reader must know of the records, a sentence each.
    """

    machine_id: str
    about: str
    as_of: date
    fault_title: str
    cautions_title: str
    safety: Safety
    where: str
    week: str
    cases: tuple[CardCase, ...]
    past: tuple[str, ...]
    earlier: int
    steps: tuple[CardStep, ...]
    labour_hours: float | None
    currency: str
    quantity: str
    unit: str
    sides: tuple[str, ...]
    band: tuple[float, float] | None
    notes: tuple[str, ...] = ()

    @property
    def work(self) -> tuple[CardStep, ...]:
        """The steps that a work line can tell."""
        return tuple(step for step in self.steps if step.component)


def job_cards(
    fleet: Fleet, machines: Sequence[str], scope: Scope = WHOLE_FLEET, *, weeks: int = WEEKS
) -> tuple[JobCard, ...]:
    """The cards of machines.

    Args:
        machines: the fleet's own numbers; none: those that the scope names, else every machine of its sites and build
            years on hold, with a case, or with a visit within the plan's first weeks, in the order of the plan, then
            of the cases.
        scope: fault family and as-of day; what stands on a card, its week in the plan too, is the whole fleet's.
        weeks: how many of the plan's weeks get cards where no machine is named.

    Raises:
        UsageError: when there is no such machine, or none that needs a card.
    """
    fleet.begin(scope)  # refuses a site or build year that is not on record
    whole = replace(scope, sites=(), build_years=(), machines=())
    known = suspects(fleet, whole)
    planned = plan(fleet, whole, known=known)
    named = tuple(dict.fromkeys(machines))
    chosen = named or scope.machines or _concerned(known, planned, weeks)
    found = units(fleet, chosen, whole, known=known) if chosen else ()
    if not named:
        found = tuple(one for one in found if _inside(one.machine, scope))
    if not found:
        raise UsageError(
            "No machine is on hold, has a case or a planned visit; name the one to print a card for."
        )
    family = fleet.family(scope.fault)
    return tuple(job_card(family, one, planned) for one in found)


def _inside(machine: Mapping[str, Any], scope: Scope) -> bool:
    """Whether a machine stands at one of the scope's sites and is of one of its build years."""
    return (not scope.sites or machine["site"] in scope.sites) and (
        not scope.build_years or machine["build_year"] in scope.build_years
    )


def _concerned(known: SuspectsFinding, planned: PlanFinding, weeks: int) -> tuple[str, ...]:
    first = set(planned.weeks["week"].head(weeks))
    soon = [row["machine_id"] for row in planned.frame.iter_rows(named=True) if row["week"] in first]
    held = [hold.machine_id for hold in known.safety.holds]
    return tuple(dict.fromkeys([*soon, *(case.machine_id for case in known.cases), *held]))


def job_card(family: FaultFamily, unit: UnitFinding, planned: PlanFinding) -> JobCard:
    """The card of a machine whose story is known, with what the plan does on it."""
    machine, words = unit.machine, family.words
    name = str(machine["machine_id"])
    visits = [row for row in planned.frame.iter_rows(named=True) if row["machine_id"] == name]
    past, earlier = _past(unit, words)
    steps = tuple(_steps(family, unit.cases, visits, words))
    open_hours = [case.labour_hours for case in unit.cases if case.state == "open" and case.labour_hours]
    signal = family.voltage
    return JobCard(
        machine_id=name,
        about=_about(machine),
        as_of=unit.as_of,
        fault_title=family.title,
        cautions_title=family.texts.cautions_title,
        safety=replace(unit.safety, cautions=family.cautions),
        where=_where(unit, visits),
        week=str(visits[0]["week"]) if visits else "",
        cases=tuple(_case(case, words) for case in unit.cases),
        past=past,
        earlier=earlier,
        steps=steps,
        labour_hours=sum(open_hours) if open_hours else None,
        currency=unit.currency,
        quantity=unit.quantity,
        unit=signal.unit if signal else "",
        sides=family.sides,
        band=unit.band,
        notes=unit.notes,
    )


def _about(machine: Mapping[str, Any]) -> str:
    what = " ".join(str(machine[key]) for key in ("make", "model") if machine[key])
    run = machine["running_hours"]
    told = [
        what or "make unknown",
        f"built {machine['build_date']}" if machine["build_date"] else "",
        f"serial number {machine['serial_number']}" if machine["serial_number"] else "",
        "running hours unknown" if run is None else f"{run:,.0f} running hours",
    ]
    estimated = (
        " (carried on from the last reading)" if run is not None and machine["hours_estimated"] else ""
    )
    return ", ".join(text for text in told if text) + estimated


def _where(unit: UnitFinding, visits: Sequence[Mapping[str, Any]]) -> str:
    site = str(unit.machine["site"] or "site unknown")
    row = visits[0] if visits else None
    if row is not None and row["on_rent_since"]:
        back = f", {row['due_back_is']} back {row['due_back']}" if row["due_back"] else ""
        return f"{site}, on rent since {row['on_rent_since']}{back}"
    held = unit.safety.holds[0] if unit.safety.holds else None
    return f"{site}, {held.rental}" if held is not None and held.rental else site


def _case(case: Suspect, words: Words) -> CardCase:
    ranked = sorted(case.reasons, key=lambda reason: (-abs(reason.weight), reason.evidence))
    if case.faulty:
        cause = capital(said(case.top_cause, words))
        sure = f"{how_sure(case.certainty)} ({percent(case.certainty)})"
        verdict = f"{cause}: {sure}. Chance that the fault stands now: {percent(case.standing)}"
    else:
        verdict = "No fault on record; watch"
    return CardCase(
        side=case.side,
        verdict=verdict,
        why=tuple((strength(reason.weight), reason.evidence) for reason in ranked[:REASONS]),
        note=case.note,
    )


# ---------------------------------------------------------------------------------------------- what happened


def _past(unit: UnitFinding, words: Words) -> tuple[tuple[str, ...], int]:
    """The last repairs and the last report, a line each, and how many came before."""
    repairs = [(row["at"], _repair(row, words)) for row in unit.attempts.iter_rows(named=True)]
    begun = unit.reports.unique(["side", "episode"], keep="first", maintain_order=True)
    reports = [(row["at"], _report(row)) for row in begun.iter_rows(named=True)]
    last = unit.reports.tail(1).rows(named=True)
    latest = [(row["at"], _report(row)) for row in last]
    room = LINES - len(latest)
    kept = repairs[-room:]
    spare = (
        [line for line in reports if line not in latest][-(room - len(kept)) :] if room > len(kept) else []
    )
    lines = sorted([*kept, *spare, *latest])
    every = {*repairs, *reports, *latest}
    return tuple(text for _, text in lines), len(every) - len(set(lines))


def _repair(row: Mapping[str, Any], words: Words) -> str:
    outcome = {
        "came_back": f"came back after {hours(row['held_hours'])}",
        "held": "held",
        "followed": f"quiet for {hours(row['held_hours'])} so far",
    }.get(row["outcome"], said(row["outcome"] or ""))
    finding = said(row["finding"] or "")
    found = f", {finding if finding.endswith('found') else f'found {finding}'}" if finding else ""
    return f"{_at(row)}: {said(row['step'], words)}{found}; {outcome}".rstrip("; ")


def _report(row: Mapping[str, Any]) -> str:
    code = f"SPN {row['spn']} FMI {row['fmi']}" if row["spn"] is not None else row["code"] or ""
    what = ", ".join(text for text in (row["description"], code) if text)
    return f"{_at(row)}: reported: {what or 'the fault'}"


def _at(row: Mapping[str, Any]) -> str:
    run = "" if row["hours"] is None else f"{row['hours']:,.0f}\u00a0h"
    return ", ".join(text for text in (f"{row['at']:%Y-%m-%d}", run, row["side"] or "") if text)


# ---------------------------------------------------------------------------------------------- what to do


def _steps(
    family: FaultFamily, cases: Sequence[Suspect], visits: Sequence[Mapping[str, Any]], words: Words
) -> Iterator[CardStep]:
    """The next step of every case, what may follow behind an opening, then what the plan adds to the visit."""
    done: dict[str, str] = {}
    for case in cases:
        again = done.setdefault(case.step, case.side) != case.side and bool(case.step)
        yield from _next(family, case, second=again)
    own = {(case.side, case.next_step) for case in cases}
    for row in visits:
        if (row["side"], row["action"]) in own:
            continue
        step = next((one for one in family.steps if f"{one.action} {one.component}" == row["action"]), None)
        yield CardStep(
            title=capital(repair_name(step.action, step.component, words)) if step else row["action"],
            side=row["side"],
            action=step.action if step else "",
            component=step.component if step else "",
            hours=row["labour_hours"],
            when=str(row["reason"]),
            tools=step.tools if step else (),
            part=row["part"],
            parts_cost=row["parts_cost"],
            notes=step.notes if step else (),
        )


def _next(family: FaultFamily, case: Suspect, *, second: bool) -> Iterator[CardStep]:
    opening = next((one for one in family.openings if one.name == case.step), None)
    step = next((one for one in family.steps if one.name == case.step), None)
    if opening is not None:
        yield _opened(opening, case, second=second)
        for job in sorted(
            (one for one in family.steps if one.opening == opening.name), key=lambda one: one.order
        ):
            yield _behind(opening, job, case)
    elif step is not None:
        yield _job(step, case.next_step, case.side, second=second)
        if step.kind != "cure":
            cures = [one for one in family.steps if one.after == step.name]
            for cure in cures:
                yield _job(cure, cure.title, case.side, when=f"only if it {_showed(cure)}")
    else:
        yield CardStep(case.next_step, case.side, "", "", None)


def _showed(cure: Step) -> str:
    return "fails" if cure.after_result == "failed" else "passes"


def _opened(opening: Opening, case: Suspect, *, second: bool) -> CardStep:
    return CardStep(
        case.next_step,
        case.side,
        "",
        "",
        0.0 if second else opening.labour_hours,
        more=second,
        tools=opening.tools,
    )


def _behind(opening: Opening, job: Step, case: Suspect) -> CardStep:
    called = listed([said(finding) for finding in dict.fromkeys(job.confirms)], "or")
    part = said(job.component)
    when = f"only if the {part} is found {called}" if called else "only if nothing else will do"
    # Its title tells the whole way there, which the opening has told already.
    title = f"{capital(job.action)} the {part}"
    return _job(job, title, case.side, when=when, less=opening.labour_hours)


def _job(
    step: Step, title: str, side: str, *, when: str = "", less: float = 0.0, second: bool = False
) -> CardStep:
    own = max(step.labour_hours - less, 0.0)
    if second and step.second_side_labour_hours is not None:
        own = step.second_side_labour_hours
    replaces = step.action == "replace"
    return CardStep(
        title=title,
        side=side,
        action=step.action,
        component=step.component,
        hours=own,
        when=when,
        more=second or less > 0,
        tools=step.tools,
        part=step.component if replaces else None,
        parts_cost=step.parts_cost if step.parts_cost else None,
        notes=step.notes,
    )
