"""Everything that a month's report says, finished: the report itself only arranges and words it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from functools import cached_property

import polars as pl

from fleetlog.causes.suspects import SuspectsFinding
from fleetlog.causes.unit import UnitFinding
from fleetlog.faults.model import Texts
from fleetlog.lives.comparison import ComparisonFinding
from fleetlog.lives.repeats import RepeatsFinding
from fleetlog.lives.survival import SurvivalFinding
from fleetlog.planning.forecast import ForecastFinding
from fleetlog.planning.forecast_verification import ForecastVerification
from fleetlog.planning.money import MoneyFinding
from fleetlog.planning.plan import PlanFinding
from fleetlog.reporting.changes import Change, as_frame, changes
from fleetlog.reporting.sheet_findings import SheetFindings
from fleetlog.session.status import StatusFinding


@dataclass(frozen=True)
class CostSummary:
    """Money of the month, in the fleet's currency.

    Attributes:
        spent: this month's work on the fault: action, component, jobs, labour_hours, labour_cost, parts_cost,
            cost.
        spent_before: the same of the month before.
        cases: what each open case is expected to cost until it is cured, by the steps proposed and by the
            custom of the trade: machine_id, side, expected_cost, custom_cost, saving.
        assumptions: the figures behind it: figure, value, unit, source.
    """

    spent: pl.DataFrame
    spent_before: pl.DataFrame
    cases: pl.DataFrame
    assumptions: pl.DataFrame


@dataclass(frozen=True)
class MethodText:
    """How a number is computed.

    Attributes:
        topic: what `fleetlog explain` calls it.
        text: Markdown.
    """

    topic: str
    title: str
    summary: str
    text: str


@dataclass(frozen=True)
class ReportFindings:
    """The findings of one month, all as of its last day.

    Attributes:
        month: any day of it.
        fleet: the fleet's name.
        currency: ISO 4217 code.
        fault_title: the fault in words, as a noun: "drive that does not return to neutral".
        suspects_before: as of the last day of the month before.
        comparison: build years against what their ages let expect, if compared.
        forecast: the coming months, if forecast.
        verification: last month's forecast against what came, if the records reach back for one.
        plan: the coming weeks in the shop, if planned.
        money: what a year cost, and what the plan costs and avoids, if planned.
        sheet: the same month on two pages, if planned.
        units: the machines to give a page each, those of `suspects` at least.
        words: stored value -> what a reader would say.
        paper: of the printed report, "a4" or "letter".
        survival_by_variant, survival_by_build_year: of the part that the family's first cause sits in; None
            where the family follows none.
        texts: what the fault family says of the work.
    """

    month: date
    fleet: str
    currency: str
    fault_title: str
    status: StatusFinding
    suspects: SuspectsFinding
    suspects_before: SuspectsFinding
    survival_by_variant: SurvivalFinding | None
    survival_by_build_year: SurvivalFinding | None
    repeats: RepeatsFinding
    cost: CostSummary
    cautions: tuple[str, ...]
    methods: tuple[MethodText, ...]
    comparison: ComparisonFinding | None = None
    forecast: ForecastFinding | None = None
    verification: ForecastVerification | None = None
    plan: PlanFinding | None = None
    money: MoneyFinding | None = None
    sheet: SheetFindings | None = None
    units: tuple[UnitFinding, ...] = ()
    words: Mapping[str, str] = field(default_factory=dict)
    texts: Texts = field(default_factory=Texts)
    paper: str = "a4"

    @cached_property
    def changes(self) -> tuple[Change, ...]:
        """What changed between the suspects of the two months, the gravest kind first."""
        return changes(self.suspects_before, self.suspects, self.words)

    @property
    def changes_frame(self) -> pl.DataFrame:
        """The changes as a table."""
        return as_frame(self.changes)
