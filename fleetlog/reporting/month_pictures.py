"""The pictures of the month's page: which there are, what each is drawn from, and when it is begun."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Any

import altair as alt

from fleetlog.charts.comparisons import comparison_chart
from fleetlog.charts.drawer import Drawer
from fleetlog.charts.fleet import fleet_age_chart
from fleetlog.charts.planning import forecast_chart, forecast_check_chart, plan_chart
from fleetlog.charts.repeats import comeback_chart, mean_cumulative_chart
from fleetlog.charts.survival import survival_chart
from fleetlog.charts.suspects import suspects_chart
from fleetlog.charts.weibull import probability_chart
from fleetlog.reporting.findings import ReportFindings
from fleetlog.reporting.pictures import Picture, Sketch, sketch


@dataclass(frozen=True)
class Subject:
    """What a picture is drawn from.

    Attributes:
        name: as the page's template calls it; mark: short, for ids inside the SVG.
        draw: the chart of a finding; finding: that one.
        table: the CSV beside the page.
    """

    name: str
    mark: str
    draw: Callable[..., alt.TopLevelMixin]
    finding: Any
    table: str


def subjects(findings: ReportFindings) -> Iterator[Subject]:
    """Every picture that the findings at hand allow."""
    # The notes of a finding stand once under its section, not in each of its pictures.
    repeats = replace(findings.repeats, notes=())
    yield Subject("suspects", "s", suspects_chart, findings.suspects, "suspects")
    if findings.plan is not None and not findings.plan.frame.is_empty():
        yield Subject("plan", "l", plan_chart, replace(findings.plan, notes=()), "plan")
    if findings.survival_by_variant is not None:
        by_variant = replace(findings.survival_by_variant, notes=())
        yield Subject("by_variant", "v", survival_chart, by_variant, "survival_by_variant_curve")
        yield Subject("paper", "p", probability_chart, by_variant, "survival_by_variant_curve")
    if findings.comparison is not None:
        compared = replace(findings.comparison, notes=())
        yield Subject("comparison", "c", comparison_chart, compared, "build_years_compared")
    if findings.survival_by_build_year is not None:
        by_year = replace(findings.survival_by_build_year, notes=())
        yield Subject("by_year", "y", survival_chart, by_year, "survival_by_build_year_curve")
    if findings.forecast is not None:
        coming = replace(findings.forecast, notes=())
        yield Subject("forecast", "a", forecast_chart, coming, "forecast_by_month")
    if findings.verification is not None and findings.verification.record is not None:
        record = replace(findings.verification.record, notes=())
        yield Subject("record", "k", forecast_check_chart, record, "forecast_record_by_month")
    yield Subject("repairs", "r", comeback_chart, repeats, "repairs")
    yield Subject("cumulative", "m", mean_cumulative_chart, repeats, "mean_cumulative")
    yield Subject("fleet", "f", fleet_age_chart, findings.status, "fleet")


class MonthPictures:
    """The pictures of a month, each begun as soon as its finding is there.

    Args:
        drawer: who draws them, beside whatever else is done.
    """

    def __init__(self, drawer: Drawer) -> None:
        self._drawer = drawer
        self._begun: dict[str, Sketch] = {}

    def begin(self, findings: ReportFindings) -> None:
        """Begin the pictures that are not begun yet."""
        # Tests hold the charts to the grammar; holding every part to it again would take half of the time.
        with alt.utils.schemapi.debug_mode(False):
            for subject in subjects(findings):
                if subject.name not in self._begun:
                    self._begun[subject.name] = self._sketch(subject, findings)

    def finished(self) -> dict[str, Picture]:
        """Every picture begun, by the name that the page's template calls it."""
        return {name: begun.finished() for name, begun in self._begun.items()}

    def _sketch(self, subject: Subject, findings: ReportFindings) -> Sketch:
        return sketch(
            lambda width: subject.draw(subject.finding, width=width, words=findings.words),
            f"tables/{subject.table}.csv",
            subject.mark,
            self._drawer,
        )
