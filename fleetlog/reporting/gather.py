"""Asks a fleet everything that a month's report tells."""

from __future__ import annotations

import calendar
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import replace
from datetime import date, timedelta

from fleetlog.faults import FaultFamily
from fleetlog.findings.base import Scope
from fleetlog.findings.comparison import compare
from fleetlog.findings.costs import costs
from fleetlog.findings.fleet import Fleet
from fleetlog.findings.forecast import of_outlook
from fleetlog.findings.forecast_check import PastForecast, days_to_ask, look_back
from fleetlog.findings.forecast_met import RECORD_DRAWS, expected_of, met, record_length
from fleetlog.findings.outlook import look_ahead
from fleetlog.findings.plan import plan
from fleetlog.findings.repeats import repeats
from fleetlog.findings.status import status
from fleetlog.findings.survival import survival
from fleetlog.findings.suspects import suspects
from fleetlog.findings.unit import units
from fleetlog.methods import topics
from fleetlog.reporting.gathered import CostSummary, MethodText, ReportFindings

#: Pages for so many units at most, those of the first cases; the others stand in the tables.
MOST_UNITS = 200
#: Months that a yard orders parts and plans shop hours for.
_AHEAD = 6


def gather(
    fleet: Fleet,
    month: date,
    fault: str = "neutral-return",
    *,
    early: Callable[[ReportFindings], None] | None = None,
) -> ReportFindings:
    """The findings of one month, each as of its last day.

    Args:
        fleet: whom to ask.
        month: any day of the month.
        fault: the fault family.
        early: is handed all but the units and the look back as soon as it is there, so that pictures can be
            begun.
    """
    first = month.replace(day=1)
    last = month.replace(day=calendar.monthrange(month.year, month.month)[1])
    eve = first - timedelta(days=1)
    family = fleet.family(fault)
    then, scope = Scope(fault=fault, as_of=eve), Scope(fault=fault, as_of=last)
    days = days_to_ask(fleet, scope, forecasts=record_length(fleet))
    with _looking_back(fleet, scope, days[:-1]) as looked_back:
        # Each day's history is built once: first all that is asked of the eve, then all of the month's end.
        expected = expected_of(fleet, then) if days else None
        earlier = suspects(fleet, then)
        spent_before = costs(fleet, earlier, eve.replace(day=1), first, then)
        now = suspects(fleet, scope)
        money = costs(fleet, now, first, last + timedelta(days=1), scope)
        component = _followed(family)
        ahead = look_ahead(fleet, scope, months=_AHEAD)
        concerned = tuple(dict.fromkeys(case.machine_id for case in now.cases))
        found = ReportFindings(
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
            forecast=of_outlook(fleet, scope, ahead),
            plan=plan(fleet, scope, known=now, outlook=ahead),
            cost=CostSummary(money.spent, spent_before.spent, money.cases, money.assumptions),
            cautions=family.cautions,
            methods=tuple(MethodText(one.name, one.title, one.summary, one.body) for one in topics()),
            words=_words(family),
            voltage=_sound_range(family),
            time_zone=fleet.settings.fleet.time_zone,
            paper=fleet.settings.fleet.paper,
        )
        if early is not None:
            early(found)
        return replace(
            found,
            units=units(fleet, concerned[:MOST_UNITS], scope, known=now),
            met=met(fleet, scope, expected, (*looked_back(), expected.for_record())) if expected else None,
        )


@contextmanager
def _looking_back(
    fleet: Fleet, scope: Scope, days: Sequence[date]
) -> Iterator[Callable[[], tuple[PastForecast, ...]]]:
    """The forecasts of past days, made beside the rest of the report; call what this gives to have them.

    A store that is being written to, or that lies in memory, has one connection only: there they are made at
    the end.
    """
    store = fleet.store
    if store.path is None or store.writable or not days:
        yield lambda: look_back(fleet, scope, days, draws=RECORD_DRAWS)
        return
    with ThreadPoolExecutor(1) as pool:
        work = pool.submit(look_back, fleet, scope, days, draws=RECORD_DRAWS)
        yield work.result


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
