"""What stands on the month's page, and the tables beside it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import polars as pl

from fleetlog.causes.case import Reason, Suspect
from fleetlog.charts.survival import FEW_FAILURES
from fleetlog.lives.survival import SurvivalFinding
from fleetlog.phrasing import capital, group_name, repair_name, said
from fleetlog.reporting.ahead import met_tables, plan_tables, surprises
from fleetlog.reporting.changes import Change, as_frame, changes
from fleetlog.reporting.gathered import MethodText, ReportFindings
from fleetlog.reporting.pictures import Picture
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
    findings: ReportFindings, pages: Mapping[str, str], pictures: Mapping[str, Picture]
) -> tuple[dict[str, Any], dict[str, pl.DataFrame]]:
    """The context of report.html.j2, and every table by the name of its CSV.

    Args:
        findings: the month.
        pages: machine -> path of its page.
        pictures: as `month_pictures` names them.
    """
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
        "unpaged": len({view.case.machine_id for view in views} - set(pages)),
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
        "pictures": pictures,
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


def _told_shapes(summary: pl.DataFrame) -> pl.DataFrame:
    """The summary without the shapes that rest on a prior; the CSV has them, with the note that says so."""
    if not summary.width:
        return summary
    enough = pl.col("failures") >= FEW_FAILURES
    return summary.with_columns(pl.when(enough).then(pl.col("weibull_shape")).alias("weibull_shape"))


def group_notes(finding: SurvivalFinding, words: Mapping[str, str]) -> list[tuple[str, str]]:
    """What a reader must know of single curves: the group and its note."""
    return [(capital(group_name(group.group, words)), group.note) for group in finding.groups if group.note]


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
        ahead |= met_tables(findings.met, made)
    if findings.plan is not None:
        ahead |= plan_tables(unit, made)
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
