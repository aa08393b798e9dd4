"""Asks a fleet everything that a month's report tells."""

from __future__ import annotations

import calendar
from datetime import date, timedelta

from fleetlog.faults import FaultFamily
from fleetlog.findings.base import Scope
from fleetlog.findings.comparison import compare
from fleetlog.findings.costs import costs
from fleetlog.findings.fleet import Fleet
from fleetlog.findings.forecast import forecast
from fleetlog.findings.repeats import repeats
from fleetlog.findings.status import status
from fleetlog.findings.survival import survival
from fleetlog.findings.suspects import suspects
from fleetlog.findings.unit import unit
from fleetlog.methods import topics
from fleetlog.reporting.gathered import CostSummary, MethodText, ReportFindings

#: Months that a yard orders parts and plans shop hours for.
_AHEAD = 6


def gather(fleet: Fleet, month: date, fault: str = "neutral-return") -> ReportFindings:
    """The findings of one month, each as of its last day.

    Args:
        fleet: whom to ask.
        month: any day of the month.
        fault: the fault family.
    """
    first = month.replace(day=1)
    last = month.replace(day=calendar.monthrange(month.year, month.month)[1])
    family = fleet.family(fault)
    before_last = first - timedelta(days=1)
    earlier = suspects(fleet, Scope(fault=fault, as_of=before_last))
    spent_before = costs(
        fleet, earlier, before_last.replace(day=1), first, Scope(fault=fault, as_of=before_last)
    )
    scope = Scope(fault=fault, as_of=last)
    now = suspects(fleet, scope)
    money = costs(fleet, now, first, last + timedelta(days=1), scope)
    component = _followed(family)
    concerned = dict.fromkeys(case.machine_id for case in now.cases)
    return ReportFindings(
        month=first,
        fleet=fleet.settings.fleet.name or "The fleet",
        currency=fleet.settings.fleet.currency,
        fault_title=family.title,
        status=status(fleet, scope),
        suspects=now,
        suspects_before=earlier,
        survival_by_variant=survival(fleet, scope, component=component, by=("variant",)),
        survival_by_build_year=survival(fleet, scope, component=component, by=("build_year",)),
        repeats=repeats(fleet, scope),
        comparison=compare(fleet, scope, component=component, by="build_year"),
        forecast=forecast(fleet, scope, months=_AHEAD),
        cost=CostSummary(money.spent, spent_before.spent, money.cases, money.assumptions),
        cautions=family.cautions,
        methods=tuple(MethodText(one.name, one.title, one.summary, one.body) for one in topics()),
        units=tuple(unit(fleet, machine, scope, known=now) for machine in concerned),
        words=_words(family),
        voltage=_sound_range(family),
        time_zone=fleet.settings.fleet.time_zone,
        paper=fleet.settings.fleet.paper,
    )


def _followed(family: FaultFamily) -> str:
    """The part that the family's first cause sits in and whose lives are followed."""
    for cause in family.causes:
        if family.part(cause.component):
            return cause.component
    return family.parts[0].component


def _words(family: FaultFamily) -> dict[str, str]:
    return {
        **{cause.name: cause.title for cause in family.causes},
        **{step.name: step.title for step in family.steps},
    }


def _sound_range(family: FaultFamily) -> tuple[str, float, float] | None:
    voltage = family.voltage
    if voltage is None:
        return None
    return voltage.quantity, voltage.target - voltage.tolerance, voltage.target + voltage.tolerance
