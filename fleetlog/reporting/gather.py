"""Asks a fleet everything that a month's report says."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Any

from fleetlog.causes.costs import CostFinding, costs
from fleetlog.causes.suspects import SuspectsFinding, suspects, suspects_then
from fleetlog.causes.unit import units
from fleetlog.faults import FaultFamily
from fleetlog.lives.comparison import compare
from fleetlog.lives.repeats import repeats
from fleetlog.lives.survival import survival
from fleetlog.methods import topics
from fleetlog.planning.forecast import forecast_of
from fleetlog.planning.forecast_check import days_to_ask, look_back
from fleetlog.planning.forecast_verification import (
    RECORD_DRAWS,
    Expected,
    expected_of,
    record_length,
    verification,
)
from fleetlog.planning.money import money_of
from fleetlog.planning.outlook import outlook_of
from fleetlog.planning.plan import plan
from fleetlog.reporting.findings import CostSummary, MethodText, ReportFindings
from fleetlog.reporting.months import asked_month
from fleetlog.reporting.sheet_findings import sheet_of
from fleetlog.session.concurrent import concurrent_questions
from fleetlog.session.fleet import Fleet
from fleetlog.session.months import month_start
from fleetlog.session.scope import Scope
from fleetlog.session.status import status

#: Pages for so many units at most, those of the first cases; the others stand in the tables.
MOST_UNITS = 200
#: Months that a yard orders parts and plans shop hours for, and months back whose money is told.
_MONTHS, _SPENT_MONTHS = 6, 12


def gather(
    fleet: Fleet,
    month: date,
    fault: str = "neutral-return",
    *,
    begin: Callable[[ReportFindings], None] = lambda findings: None,
) -> ReportFindings:
    """The findings of one month, each as of its last day.

    Args:
        month: any day of the month.
        fault: the fault family.
        begin: is handed what is there already, each time there is more of it, so that pictures can be begun.

    Raises:
        UsageError: for an unknown family, or a month of which nothing is on record.
    """
    first, last = asked_month(fleet, month)
    family = fleet.family(fault)
    eve = Scope(fault=fault, as_of=first - timedelta(days=1))
    scope = Scope(fault=fault, as_of=last)
    days = days_to_ask(fleet, scope, forecasts=record_length(fleet))
    with concurrent_questions(fleet) as concurrent:
        record = concurrent(lambda own: look_back(own, scope, days[:-1], draws=RECORD_DRAWS))
        before = concurrent(lambda own: _before(own, eve, first, forecast=bool(days)))
        now = suspects(fleet, scope)
        spent = costs(fleet, now, first, last + timedelta(days=1), scope)
        concerned = tuple(dict.fromkeys(case.machine_id for case in now.cases))
        findings = ReportFindings(
            month=first,
            fleet=fleet.settings.fleet.name or "The fleet",
            currency=fleet.settings.fleet.currency,
            fault_title=family.title,
            status=status(fleet, scope),
            suspects=now,
            **_lives(fleet, scope, family),
            repeats=repeats(fleet, scope),
            cautions=family.cautions,
            methods=tuple(MethodText(one.name, one.title, one.summary, one.body) for one in topics()),
            words=family.words,
            texts=family.texts,
            paper=fleet.settings.fleet.paper,
            suspects_before=before().suspects,
            cost=CostSummary(spent.spent, before().costs.spent, spent.cases, spent.assumptions),
        )
        begin(findings)
        outlook = outlook_of(fleet, scope, months=_MONTHS)
        planned = plan(fleet, scope, known=now, outlook=outlook)
        after = last + timedelta(days=1)
        year = costs(fleet, now, month_start(after, -_SPENT_MONTHS), after, scope)
        findings = replace(
            findings,
            forecast=forecast_of(fleet, scope, outlook, safety=now.safety),
            plan=planned,
            money=money_of(year, planned),
            sheet=sheet_of(fleet, scope, first, now, before().suspects, planned, year),
        )
        begin(findings)
        expected = before().expected
        past = (*record(), expected.for_record) if expected else ()
        return replace(
            findings,
            units=units(fleet, concerned[:MOST_UNITS], scope, known=now),
            verification=verification(fleet, scope, expected, past) if expected else None,
        )


@dataclass(frozen=True)
class _Before:
    """What the last day of the month before knew, and what it expected of the month."""

    suspects: SuspectsFinding
    costs: CostFinding
    expected: Expected | None


def _before(fleet: Fleet, scope: Scope, month: date, *, forecast: bool) -> _Before:
    expected = expected_of(fleet, scope) if forecast else None
    known = suspects_then(fleet, scope)
    last_month = month_start(month, -1)
    return _Before(known, costs(fleet, known, last_month, month, scope), expected)


def _lives(fleet: Fleet, scope: Scope, family: FaultFamily) -> dict[str, Any]:
    """How long the part lasts that the family's first cause with a followed part sits in."""
    parts = [part.component for part in family.parts]
    component = next((cause.component for cause in family.causes if cause.component in parts), "")
    component = component or next(iter(parts), "")
    if not component:
        return {"survival_by_variant": None, "survival_by_build_year": None}
    return {
        "survival_by_variant": survival(fleet, scope, component=component, by=("variant",)),
        "survival_by_build_year": survival(fleet, scope, component=component, by=("build_year",)),
        "comparison": compare(fleet, scope, component=component, by="build_year"),
    }
