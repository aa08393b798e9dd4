"""What the month's sheet of two pages says, finished: a part of the month's report, asked alone where that is all."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta

import polars as pl

from fleetlog.causes.costs import CostFinding, costs, costs_by_month, costs_by_site
from fleetlog.causes.suspects import SuspectsFinding, suspects, suspects_then
from fleetlog.faults.model import Texts
from fleetlog.planning.money import MoneyFinding, money_of
from fleetlog.planning.plan import PlanFinding, plan
from fleetlog.reporting.changes import Change, changes
from fleetlog.reporting.months import asked_month
from fleetlog.session.concurrent import concurrent_questions
from fleetlog.session.fleet import Fleet
from fleetlog.session.months import month_start
from fleetlog.session.scope import Scope

#: Months whose money is told.
MONTHS = 12


@dataclass(frozen=True)
class SheetFindings:
    """The findings of the sheet, all as of the month's last day.

    Attributes:
        month: its first day.
        months: month, cost, cost_in_vain (of it, for parts that were sound): the month and the eleven before.
        sites: site, machines, on_hold, open_cases, cost, cost_in_vain (of twelve months), planned_hours; the site with
            most spent first.
        changes: since the last day of the month before.
        loaded: table -> rows on record.
        words: stored value -> what a reader would say.
        paper: "a4" or "letter"; time_zone: of the fleet.
    """

    month: date
    fleet: str
    currency: str
    fault_title: str
    suspects: SuspectsFinding
    changes: tuple[Change, ...]
    plan: PlanFinding
    money: MoneyFinding
    months: pl.DataFrame
    sites: pl.DataFrame
    loaded: Mapping[str, int]
    words: Mapping[str, str]
    texts: Texts
    paper: str
    time_zone: str


def gather_sheet(fleet: Fleet, month: date, fault: str = "neutral-return") -> SheetFindings:
    """The findings of one month's sheet.

    Args:
        month: any day of the month.
        fault: the fault family.

    Raises:
        UsageError: for an unknown family, or a month of which nothing is on record.
    """
    first, last = asked_month(fleet, month)
    scope = Scope(fault=fault, as_of=last)
    with concurrent_questions(fleet) as concurrent:
        before = concurrent(lambda own: suspects_then(own, replace(scope, as_of=first - timedelta(days=1))))
        now = suspects(fleet, scope)
        planned = plan(fleet, scope, known=now)
        year = costs(fleet, now, month_start(first, 1 - MONTHS), last + timedelta(days=1), scope)
        return sheet_of(fleet, scope, first, now, before(), planned, year)


def sheet_of(
    fleet: Fleet,
    scope: Scope,
    month: date,
    now: SuspectsFinding,
    before: SuspectsFinding,
    planned: PlanFinding,
    year: CostFinding,
) -> SheetFindings:
    """The sheet of findings that have been found already.

    Args:
        scope: of the month's last day.
        month: its first day.
        now, before: the suspects of that day, and of the last day of the month before.
        planned, year: the plan of that day, and the money of the twelve months that end with it.
    """
    family = fleet.family(scope.fault)
    words, after = family.words, now.as_of + timedelta(days=1)
    return SheetFindings(
        month=month,
        fleet=fleet.settings.fleet.name or "The fleet",
        currency=fleet.settings.fleet.currency,
        fault_title=family.title,
        suspects=now,
        changes=changes(before, now, words),
        plan=planned,
        money=money_of(year, planned),
        months=costs_by_month(fleet, [month_start(month, -back) for back in reversed(range(MONTHS))], scope),
        sites=_sites(now, planned, year, costs_by_site(fleet, year.first, after, scope)),
        loaded=fleet.store.table_rows(),
        words=words,
        texts=family.texts,
        paper=fleet.settings.fleet.paper,
        time_zone=fleet.settings.fleet.time_zone,
    )


def _sites(
    now: SuspectsFinding, planned: PlanFinding, year: CostFinding, by_site: pl.DataFrame
) -> pl.DataFrame:
    """What stands on each site, and what it cost."""
    open_cases = Counter(case.site for case in now.cases if case.state == "open")
    held = Counter(hold.site for hold in now.safety.holds)
    hours = planned.frame.group_by(pl.col("site").fill_null("")).agg(pl.col("labour_hours").sum())
    planned_hours = dict(hours.rows())
    sound = dict(year.in_vain.group_by("site").agg(pl.col("cost_in_vain").sum()).rows())
    rows = [
        {
            **row,
            "on_hold": held[row["site"]],
            "open_cases": open_cases[row["site"]],
            "cost_in_vain": sound.get(row["site"], 0.0),
            "planned_hours": planned_hours.get(row["site"], 0.0),
        }
        for row in by_site.iter_rows(named=True)
    ]
    return pl.DataFrame(rows, schema=_SITES)


_SITES = {
    "site": pl.String,
    "machines": pl.Int64,
    "on_hold": pl.Int64,
    "open_cases": pl.Int64,
    "cost": pl.Float64,
    "cost_in_vain": pl.Float64,
    "planned_hours": pl.Float64,
}
