"""What stands on the month's page, and the tables beside it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import polars as pl

from fleetlog.charts.comparisons import comparison_chart
from fleetlog.charts.fleet import fleet_age_chart
from fleetlog.charts.planning import forecast_chart, forecast_check_chart, plan_chart
from fleetlog.charts.repeats import comeback_chart, mean_cumulative_chart, repair_name
from fleetlog.charts.survival import FEW_FAILURES, group_name, survival_chart
from fleetlog.charts.suspects import suspects_chart
from fleetlog.charts.weibull import probability_chart
from fleetlog.charts.words import capital, said
from fleetlog.findings.base import Reason, Suspect
from fleetlog.findings.forecast_met import ForecastMet
from fleetlog.findings.survival import SurvivalFinding
from fleetlog.reporting.changes import Change, as_frame, changes
from fleetlog.reporting.gathered import MethodText, ReportFindings
from fleetlog.reporting.pictures import Picture, picture
from fleetlog.reporting.tables import Column, Table, table

_DETAILED = 40

#: The method texts behind each section of the page.
SECTION_METHODS: Mapping[str, tuple[str, ...]] = {
    "cases": ("suspects", "confirmation", "episodes", "costs"),
    "plan": ("plan", "replacement", "costs"),
    "life": ("spells", "delayed-entry", "survival", "weibull", "few-failures", "small-groups", "log-rank"),
    "ahead": ("forecast", "weibull", "costs"),
    "met": ("forecast", "as-of"),
    "repairs": ("comeback-rate", "mean-cumulative-count", "small-groups"),
    "money": ("costs", "suspects"),
    "records": ("data-quality", "running-hours"),
}


@dataclass(frozen=True)
class CaseView:
    """A case as the page tells it.

    Attributes:
        page: of the unit, "" if it has none; anchor: of the case on the month's page.
        sure: how sure in a word.
        custom_cost, saving: against replacing the sensor first; None where not known.
        why: reasons in falling strength, each with its strength in a word.
        rest: the other causes that are not negligible, with their probability.
    """

    case: Suspect
    page: str
    anchor: str
    sure: str
    custom_cost: float | None
    saving: float | None
    why: tuple[tuple[str, Reason], ...]
    rest: tuple[tuple[str, float], ...]

    @property
    def reach(self) -> tuple[float, float]:
        """The greatest weight against and the greatest weight for, for bars on one scale."""
        weights = [reason.weight for reason in self.case.reasons]
        return max(0.0, -min(weights, default=0.0)), max(0.0, *weights, 1e-9)


def month_page(
    findings: ReportFindings, pages: Mapping[str, str]
) -> tuple[dict[str, Any], dict[str, pl.DataFrame]]:
    """The context of report.html.j2, and every table by the name of its CSV."""
    words = findings.words
    found = changes(findings.suspects_before, findings.suspects, words)
    frames = month_frames(findings, found)
    views = case_views(findings, pages)
    open_cases = [view for view in views if view.case.state == "open"]
    saving = [view.saving for view in open_cases if view.saving is not None]
    context: dict[str, Any] = {
        "root": "",
        "f": findings,
        "title": f"{findings.fleet}, {findings.month:%B %Y}",
        "month": f"{findings.month:%B %Y}",
        "before": f"{findings.suspects_before.as_of:%B}",
        "changes": found,
        "change_counts": _counted(found),
        "cases": open_cases[:_DETAILED],
        "cases_left": max(0, len(open_cases) - _DETAILED),
        "open_cases": open_cases,
        "jobs": jobs(open_cases),
        "watched": [view for view in views if view.case.state != "open"],
        "pump_work": any(view.case.cautions for view in views),
        "saving": sum(saving) if saving else None,
        "saving_cases": len(saving),
        "expected": _total(findings.cost.cases, "expected_cost"),
        "custom": _total(findings.cost.cases, "custom_cost"),
        "spent": _total(findings.cost.spent, "cost") or 0.0,
        "spent_before": _total(findings.cost.spent_before, "cost") or 0.0,
        "variant_notes": group_notes(findings.survival_by_variant, words),
        "year_notes": group_notes(findings.survival_by_build_year, words),
        "pictures": _pictures(findings),
        "tables": _tables(findings, frames, pages),
        "section_methods": _section_methods(findings.methods),
        "surprises": surprises(findings.met) if findings.met is not None else [],
    }
    return context, frames


def _section_methods(methods: Sequence[MethodText]) -> dict[str, list[MethodText]]:
    known = {method.topic: method for method in methods}
    return {
        section: [known[topic] for topic in topics if topic in known]
        for section, topics in SECTION_METHODS.items()
    }


def month_frames(findings: ReportFindings, found: tuple[Change, ...]) -> dict[str, pl.DataFrame]:
    """Every table of the month's page by the name of its CSV."""
    cost, repeats, status = findings.cost, findings.repeats, findings.status
    extra: dict[str, pl.DataFrame] = {}
    if findings.comparison is not None:
        extra["build_years_compared"] = findings.comparison.frame
    if findings.forecast is not None:
        extra["forecast"] = findings.forecast.totals
        extra["forecast_by_month"] = findings.forecast.by_month
        extra["forecast_units"] = findings.forecast.units.drop("by_month", strict=False)
    if findings.met is not None:
        extra["forecast_met"] = findings.met.frame
        if findings.met.record is not None:
            extra["forecast_record"] = findings.met.record.summary
            extra["forecast_record_by_month"] = findings.met.record.frame
    if findings.plan is not None:
        extra["plan"] = findings.plan.frame
        extra["plan_weeks"] = findings.plan.weeks
        extra["plan_left_out"] = findings.plan.left_out
    return {
        **extra,
        "changes": as_frame(found),
        "suspects": findings.suspects.frame,
        "suspects_before": findings.suspects_before.frame,
        "savings": cost.cases,
        "survival_by_variant": findings.survival_by_variant.summary,
        "survival_by_variant_curve": findings.survival_by_variant.frame,
        "survival_by_build_year": findings.survival_by_build_year.summary,
        "survival_by_build_year_curve": findings.survival_by_build_year.frame,
        "repairs": repeats.by_action,
        "mean_cumulative": repeats.mean_cumulative,
        "repeat_units": repeats.units,
        "spent": cost.spent,
        "spent_before": cost.spent_before,
        "assumptions": cost.assumptions,
        "quality": status.quality,
        "fleet": status.fleet,
        "store": status.frame,
    }


def case_views(findings: ReportFindings, pages: Mapping[str, str]) -> list[CaseView]:
    """The cases in their order, with what the cost summary knows of each."""
    costs = {(row["machine_id"], row["side"]): row for row in findings.cost.cases.to_dicts()}
    views = []
    for place, case in enumerate(findings.suspects.cases, start=1):
        cost = costs.get((case.machine_id, case.side), {})
        ranked = sorted(case.reasons, key=lambda reason: (-abs(reason.weight), reason.evidence))
        rest = sorted(
            ((cause, share) for cause, share in case.causes.items() if cause != case.top_cause),
            key=lambda pair: -pair[1],
        )
        views.append(
            CaseView(
                case=case,
                page=pages.get(case.machine_id, ""),
                anchor=f"case-{place}",
                sure=how_sure(case.certainty),
                custom_cost=cost.get("custom_cost"),
                saving=cost.get("saving"),
                why=tuple((strength(reason.weight), reason) for reason in ranked),
                rest=tuple((cause, share) for cause, share in rest if share >= 0.03)[:3],
            )
        )
    return views


def jobs(views: Sequence[CaseView]) -> list[tuple[str, list[CaseView]]]:
    """The cases by what to do next, both in the order of the list."""
    steps = dict.fromkeys(view.case.next_step for view in views)
    return [(step, [view for view in views if view.case.next_step == step]) for step in steps]


def how_sure(certainty: float) -> str:
    """A probability in a word."""
    if certainty >= 0.9:
        return "nearly sure"
    if certainty >= 0.75:
        return "likely"
    if certainty >= 0.5:
        return "more likely than not"
    return "an open question"


def strength(weight: float) -> str:
    """How much a piece of evidence says, in a word: its weight is in natural-log odds."""
    size = abs(weight)
    word = "strong" if size >= 1.5 else "clear" if size >= 0.7 else "slight"
    return f"{word}, {'for' if weight >= 0 else 'against'}"


def _counted(found: tuple[Change, ...]) -> list[tuple[str, int, list[Change]]]:
    kinds = dict.fromkeys(change.kind for change in found)
    grouped = [(kind, [change for change in found if change.kind == kind]) for kind in kinds]
    return [(kind, len(group), group) for kind, group in grouped]


def _total(frame: pl.DataFrame, column: str) -> float | None:
    values = frame[column].drop_nulls() if column in frame.columns else pl.Series([], dtype=pl.Float64)
    return float(values.sum()) if len(values) else None


def _pictures(findings: ReportFindings) -> dict[str, Picture]:
    words = findings.words
    # The notes of a finding stand once under its section, not in each of its pictures.
    by_variant = replace(findings.survival_by_variant, notes=())
    by_year = replace(findings.survival_by_build_year, notes=())
    repeats = replace(findings.repeats, notes=())
    extra: dict[str, Picture] = {}
    if findings.comparison is not None:
        comparison = replace(findings.comparison, notes=())
        extra["comparison"] = picture(
            lambda width: comparison_chart(comparison, width=width, words=words),
            "tables/build_years_compared.csv",
            "c",
        )
    if findings.forecast is not None:
        ahead = replace(findings.forecast, notes=())
        extra["forecast"] = picture(
            lambda width: forecast_chart(ahead, width=width, words=words),
            "tables/forecast_by_month.csv",
            "a",
        )
    if findings.met is not None and findings.met.record is not None:
        record = replace(findings.met.record, notes=())
        extra["record"] = picture(
            lambda width: forecast_check_chart(record, width=width, words=words),
            "tables/forecast_record_by_month.csv",
            "k",
        )
    if findings.plan is not None and not findings.plan.frame.is_empty():
        planned = replace(findings.plan, notes=())
        extra["plan"] = picture(
            lambda width: plan_chart(planned, width=width, words=words), "tables/plan.csv", "l"
        )
    return {
        **extra,
        "suspects": picture(
            lambda width: suspects_chart(findings.suspects, width=width, words=words),
            "tables/suspects.csv",
            "s",
        ),
        "by_variant": picture(
            lambda width: survival_chart(by_variant, width=width, words=words),
            "tables/survival_by_variant_curve.csv",
            "v",
        ),
        "paper": picture(
            lambda width: probability_chart(by_variant, width=width, words=words),
            "tables/survival_by_variant_curve.csv",
            "p",
        ),
        "by_year": picture(
            lambda width: survival_chart(by_year, width=width, words=words),
            "tables/survival_by_build_year_curve.csv",
            "y",
        ),
        "repairs": picture(
            lambda width: comeback_chart(repeats, width=width, words=words),
            "tables/repairs.csv",
            "r",
        ),
        "cumulative": picture(
            lambda width: mean_cumulative_chart(repeats, width=width, words=words),
            "tables/mean_cumulative.csv",
            "m",
        ),
        "fleet": picture(
            lambda width: fleet_age_chart(findings.status, width=width, words=words),
            "tables/fleet.csv",
            "f",
        ),
    }


def surprises(met: ForecastMet) -> list[dict[str, Any]]:
    """Rows of a month's forecast that what came lies outside of: failures beyond the 80% range, or more parts
    used than were to be held. The row of all together stands only where no single one does."""
    rows = met.frame.to_dicts()
    found = [row for row in rows[:-1] if _strayed(row)]
    return found or [row for row in rows[-1:] if row["held"] is False]


def _strayed(row: Mapping[str, Any]) -> bool:
    used, held = row["parts_used"], row["parts_to_hold"]
    return row["held"] is False or (used is not None and held is not None and used > held)


def _met_tables(met: ForecastMet, made: Callable[..., Table]) -> dict[str, Table]:
    """The month's forecast beside what came, and the record of past forecasts."""
    ends = [
        Column("lower_80", "at least", "count", "in 8 of 10 cases it is between these two"),
        Column("upper_80", "at most", "count"),
    ]
    tables = {
        "forecast_met": made(
            "forecast_met",
            "Forecast against what came, by cause",
            [
                Column("component", "Part", "value"),
                Column("cause", "Cause", "word"),
                Column("expected", "Failures expected", "number"),
                *ends,
                Column("came", "Found failed", "count", "– where failures of the cause are not followed"),
                Column("held", "In the range", "yesno"),
                Column("parts", "Parts expected", "number"),
                Column("parts_used", "Parts used", "number", "whether or not the part taken out had failed"),
                Column("labour_hours", "Labour expected, h", "number"),
                Column("labour_hours_spent", "Labour spent, h", "number", "on the step that mends the cause"),
            ],
        )
    }
    if met.record is not None:
        tables["forecast_record"] = made(
            "forecast_record",
            "How past forecasts did, by part",
            [
                Column("component", "Part", "value"),
                Column("forecasts", "Months", "count"),
                Column("held", "In the range", "count", "months whose 80% range held what came"),
                Column("held_share", "Share", "percent"),
                Column("lower", "at least", "percent", "lower end of the 95% interval"),
                Column("upper", "at most", "percent", "upper end of the 95% interval"),
                Column(
                    "chance_80",
                    "By the forecast",
                    "percent",
                    "the chance that the ranges really had: whole counts cannot hold exactly 80%",
                ),
                Column("expected", "Failures expected", "number"),
                Column("came", "Found failed", "count"),
            ],
        )
        tables["forecast_record_by_month"] = made(
            "forecast_record_by_month",
            "Past forecasts month by month",
            [
                Column("until", "Month"),
                Column("component", "Part", "value"),
                Column("expected", "Failures expected", "number"),
                *ends,
                Column("came", "Found failed", "count"),
                Column("held", "In the range", "yesno"),
            ],
            met.record.frame.sort("until", descending=True, maintain_order=True),
        )
    return tables


def _plan_tables(unit: list[Column], made: Callable[..., Table]) -> dict[str, Table]:
    """The jobs with their weeks, and those without one."""
    return {
        "plan": made(
            "plan",
            "Jobs by week",
            [
                Column("week", "Week"),
                Column("monday", "From Monday", "date"),
                *unit,
                Column("action", "Job", "value"),
                Column("reason", "Why", "value"),
                Column("labour_hours", "Labour, h", "number"),
                Column("cost", "Cost", "money"),
                Column("saving", "Saves", "money", "against waiting until the part fails"),
                Column(
                    "chance_without",
                    "Chance to fail",
                    "percent",
                    "in the weeks of the plan, if nothing is done",
                ),
                Column("site", "Site"),
            ],
        ),
        "plan_left_out": made(
            "plan_left_out",
            "Jobs without a week",
            [
                *unit,
                Column("component", "Part", "value"),
                Column("age_hours", "Age, h", "hours"),
                Column("chance_without", "Chance to fail", "percent"),
                Column("best_saving", "Would save", "money"),
                Column("why", "Why not", "sentence"),
            ],
        ),
    }


def _told_shapes(summary: pl.DataFrame) -> pl.DataFrame:
    """The summary without the shapes that rest on a prior; the CSV has them, with the note that says so."""
    if not summary.width:
        return summary
    enough = pl.col("failures") >= FEW_FAILURES
    return summary.with_columns(pl.when(enough).then(pl.col("weibull_shape")).alias("weibull_shape"))


def group_notes(finding: SurvivalFinding, words: Mapping[str, str]) -> list[tuple[str, str]]:
    """What a reader must know of single curves: the group and its note."""
    return [(capital(group_name(group, words)), group.note) for group in finding.groups if group.note]


def _survival_columns(finding: SurvivalFinding, words: Mapping[str, str]) -> list[Column]:
    split = [Column(column, capital(said(column, words)), "word") for column in finding.by]
    return [
        *split,
        Column("spells", "Parts watched", "count"),
        Column("failures", "Failed", "count"),
        Column("b10_hours", "A tenth failed by, h", "hours"),
        Column("median_hours", "Half failed by, h", "hours", "– means that half have not failed yet"),
        Column("median_lower", "at least, h", "hours", "lower end of the 95% interval of that age"),
        Column("median_upper", "at most, h", "hours", "upper end; – where the record does not reach it"),
        Column(
            "weibull_shape",
            "Shape",
            "number",
            "Weibull shape: above 1, parts wear out with age; – where too few have failed to say",
        ),
    ]


def _tables(
    findings: ReportFindings, frames: Mapping[str, pl.DataFrame], pages: Mapping[str, str]
) -> dict[str, Table]:
    words, currency = findings.words, findings.currency

    def made(name: str, caption: str, columns: list[Column], frame: pl.DataFrame | None = None) -> Table:
        return table(
            name.replace("_", "-"),
            caption,
            frames[name] if frame is None else frame,
            columns,
            f"tables/{name}.csv",
            words=words,
            currency=currency,
            links=lambda machine: pages.get(machine, ""),
        )

    def repairs(frame: pl.DataFrame) -> pl.DataFrame:
        named = [
            capital(repair_name(row["action"], row["component"] or "", words)) for row in frame.to_dicts()
        ]
        return frame.with_columns(pl.Series("repair", named, dtype=pl.String))

    unit = [Column("machine_id", "Unit", "unit"), Column("side", "Side", "word")]
    window = f"{findings.repeats.window_hours:,.0f} h"
    costs = [
        Column("repair", "Work"),
        Column("jobs", "Jobs", "count"),
        Column("labour_hours", "Labour, h", "number"),
        Column("labour_cost", "Labour", "money"),
        Column("parts_cost", "Parts", "money"),
        Column("cost", "Together", "money"),
    ]
    ahead = {}
    if findings.forecast is not None:
        ahead = {
            "forecast": made(
                "forecast",
                "What to expect, by cause",
                [
                    Column("component", "Part", "value"),
                    Column("cause", "Cause", "word"),
                    Column("expected", "Expected", "number"),
                    Column("lower_80", "at least", "count", "in 8 of 10 cases it is between these two"),
                    Column("upper_80", "at most", "count"),
                    Column("parts_to_hold", "Parts to hold", "count", "enough in 19 of 20 cases"),
                    Column("labour_hours", "Labour, h", "number"),
                    Column("cost", "Cost", "money"),
                ],
            ),
            "forecast_units": made(
                "forecast_units",
                "Parts most likely to fail in these months",
                [
                    Column("machine_id", "Unit", "unit"),
                    Column("side", "Side", "word"),
                    Column("component", "Part", "value"),
                    Column("variant", "Kind", "value"),
                    Column("site", "Site"),
                    Column("age_hours", "Age, h", "hours"),
                    Column("hours_a_month", "Runs a month, h", "hours"),
                    Column("chance", "Chance to fail", "percent"),
                ],
                frames["forecast_units"].head(15),
            ),
        }
    if findings.met is not None:
        ahead |= _met_tables(findings.met, made)
    if findings.plan is not None:
        ahead |= _plan_tables(unit, made)
    return {
        **ahead,
        "changes": made(
            "changes",
            "What changed since last month",
            [*unit, Column("change", "Change", "word"), Column("before", "Last month"), Column("now", "Now")],
        ),
        "suspects": made(
            "suspects",
            "All cases, open and watched",
            [
                *unit,
                Column("state", "State", "word"),
                Column("since", "Since", "date"),
                Column("site", "Site"),
                Column("age_hours", "Age of the part, h", "hours"),
                Column("variant", "Kind of part", "value"),
                Column("top_cause", "Likeliest cause", "word"),
                Column("certainty", "How sure", "percent"),
                Column("next_step", "Next step", "sentence"),
                Column("expected_cost", "Expected cost", "money"),
            ],
        ),
        "by_variant": made(
            "survival_by_variant",
            "How long each kind of part lasts",
            _survival_columns(findings.survival_by_variant, words),
            _told_shapes(frames["survival_by_variant"]),
        ),
        "by_year": made(
            "survival_by_build_year",
            "How long parts last, by build year",
            _survival_columns(findings.survival_by_build_year, words),
            _told_shapes(frames["survival_by_build_year"]),
        ),
        "repairs": made(
            "repairs",
            "How often the fault came back after each repair",
            [
                Column("repair", "Repair"),
                Column("attempts", "Times done", "count"),
                Column("comebacks", "Came back", "count", f"within {window} of running"),
                Column("censored", "Not yet known", "count", f"not yet run {window} since the repair"),
                Column("comeback_rate", "Share that comes back", "percent"),
                Column("lower", "at least", "percent", "lower end of the 95% interval"),
                Column("upper", "at most", "percent", "upper end of the 95% interval"),
                Column("median_hours_to_comeback", "Half of those back by, h", "hours"),
                Column("labour_hours", "Labour each, h", "number"),
                Column("cost", "Cost each", "money"),
            ],
            repairs(frames["repairs"]),
        ),
        "repeat_units": made(
            "repeat_units",
            "Units with more faults than their peers",
            [
                Column("machine_id", "Unit", "unit"),
                Column("episodes", "Faults", "count"),
                Column("expected", "Expected", "number", "of a machine with the same running hours"),
                Column("ratio", "Times as many", "number", "pulled toward 1 where the record is short"),
                Column("lower", "at least", "number", "lower end of the 95% interval"),
                Column("upper", "at most", "number", "upper end of the 95% interval"),
                Column("running_hours", "Running hours", "hours"),
            ],
        ),
        "savings": made(
            "savings",
            "Cost of each open case until it is cured",
            [
                *unit,
                Column("expected_cost", "By the steps proposed", "money"),
                Column("custom_cost", "Sensor first", "money", "by the custom of replacing the sensor first"),
                Column("saving", "Saved", "money"),
            ],
        ),
        "spent": made("spent", "Spent on this fault this month", costs, repairs(frames["spent"])),
        "assumptions": made(
            "assumptions",
            "Figures behind the money",
            [
                Column("figure", "Figure", "word"),
                Column("value", "Value", "number"),
                Column("unit", "Unit"),
                Column("source", "Where it comes from"),
            ],
        ),
        "quality": made(
            "quality",
            "What is wrong with the records",
            [
                Column("meaning", "Question", "sentence"),
                Column("count", "Found", "count"),
                Column("of", "Of", "count"),
            ],
        ),
    }
