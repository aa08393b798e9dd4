"""Every table of a month's report, each declared once: in the order of the workbook's sheets."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import polars as pl

from fleetlog.charts.survival import curve_rows
from fleetlog.phrasing import NO_WORDS, capital, group_name, repair_name
from fleetlog.reporting.findings import ReportFindings
from fleetlog.reporting.tables import Column, TableSpec, Wording

_STEPS = 400
_MOST_LIKELY = 15


def month_frames(findings: ReportFindings) -> dict[str, pl.DataFrame]:
    """Every table that the findings have, by the name of its CSV."""
    frames = {spec.name: spec.frame(findings) for spec in TABLES}
    return {name: frame for name, frame in frames.items() if frame is not None}


def wording_of(findings: ReportFindings, pages: Mapping[str, str] = NO_WORDS) -> Wording:
    """How the tables of a month are worded."""
    texts = findings.texts
    figures = {
        "window": f"{findings.repeats.window_hours:,.0f} h",
        "custom": capital(texts.custom),
        "custom_step": texts.custom_step,
    }
    return Wording(findings.words, findings.currency, figures, pages)


def _enough_for_a_shape(findings: ReportFindings, rows: pl.DataFrame) -> pl.DataFrame:
    """The lives without the shapes that rest on a prior; the CSV has them, with the note that says so."""
    if not rows.width or findings.survival_by_variant is None:
        return rows
    enough = pl.col("failures") >= findings.survival_by_variant.minimum_failures
    return rows.with_columns(pl.when(enough).then(pl.col("weibull_shape")).alias("weibull_shape"))


def _with_repair(findings: ReportFindings, rows: pl.DataFrame) -> pl.DataFrame:
    """The repairs with their names in front."""
    names = [
        capital(repair_name(row["action"], row["component"] or "", findings.words)) for row in rows.to_dicts()
    ]
    return rows.select(pl.Series("repair", names, dtype=pl.String), pl.all())


def _likeliest(_: Any, rows: pl.DataFrame) -> pl.DataFrame:
    return rows.head(_MOST_LIKELY)


def _newest_month_first(_: Any, rows: pl.DataFrame) -> pl.DataFrame:
    return rows.sort("until", descending=True, maintain_order=True)


def _corners(findings: ReportFindings, _: pl.DataFrame) -> pl.DataFrame:
    """Curves as corner points: a column of ages and a column a group, so that a spreadsheet draws steps."""
    finding = findings.survival_by_variant
    assert finding is not None
    rows: list[dict[str, Any]] = []
    for group in finding.groups:
        before, name = 1.0, group_name(group.group, findings.words)
        for row in curve_rows(finding, group, name, _STEPS):
            for share in (before, row["survival"]):
                rows.append({"group": name, "age": row["hours"], "still_working": share})
            before = row["survival"]
    return pl.DataFrame(rows, schema={"group": pl.String, "age": pl.Float64, "still_working": pl.Float64})


_UNIT = (Column("machine_id", "Unit", "unit"), Column("side", "Side", "word"))
_SITE = Column("site", "Site")
_PART = Column("component", "Part", "value")
_CAUSE = Column("cause", "Cause", "word")
_AGE = Column("age_hours", "Age", "hours")
_EXPECTED = Column("expected", "Failures expected", "number")
_CAME = Column("came", "Found failed", "count")
_HELD = Column("held", "In the range", "yesno")
_LABOUR = Column("labour_hours", "Labour", "labour")
_COST = Column("cost", "Cost", "money")
_CUSTOM = Column("custom_cost", "{custom}", "money", "by the custom of {custom_step}")
_RANGE_80 = (
    Column("lower_80", "at least", "count", "in 8 of 10 cases it is between these two"),
    Column("upper_80", "at most", "count"),
)
_RANGE_95 = (
    Column("lower", "at least (95%)", "count", page=False),
    Column("upper", "at most (95%)", "count", page=False),
)


def _interval(kind: str) -> tuple[Column, Column]:
    return (
        Column("lower", "at least", kind, "lower end of the 95% interval"),
        Column("upper", "at most", kind, "upper end of the 95% interval"),
    )


_FORECAST = (
    Column("parts", "Parts expected", "number", page=False),
    Column("labour_hours_upper", "Labour at most", "labour", page=False),
)
_LIVES = (
    Column("spells", "Parts watched", "count"),
    Column("failures", "Failed", "count"),
    Column("b10_hours", "A tenth failed by", "hours"),
    Column("median_hours", "Half failed by", "hours", "– means that half have not failed yet"),
    Column("median_lower", "at least", "hours", "lower end of the 95% interval of that age"),
    Column("median_upper", "at most", "hours", "upper end; – where the record does not reach it"),
    Column(
        "weibull_shape",
        "Shape",
        "ratio",
        "Weibull shape: above 1, parts wear out with age; – where too few have failed to say",
    ),
    Column("from_hours", "Watched from", "hours", page=False),
    Column("weibull_scale_hours", "Weibull scale", "hours", page=False),
)

TABLES = (
    TableSpec(
        "suspects",
        "All cases, open and watched",
        "suspects.frame",
        (
            *_UNIT,
            Column("state", "State", "word"),
            Column("since", "Since", "date"),
            _SITE,
            Column("age_hours", "Age of the part", "hours"),
            Column("variant", "Kind of part", "value"),
            Column("top_cause", "Likeliest cause", "word"),
            Column("certainty", "How sure", "percent"),
            Column("next_step", "Next step", "sentence"),
            Column("expected_cost", "Expected cost", "money"),
            replace(_CUSTOM, page=False),
            Column("p_*", "Chance: *", "percent", page=False),
        ),
        "Cases",
    ),
    TableSpec(
        "changes",
        "What changed since last month",
        "changes_frame",
        (*_UNIT, Column("change", "Change", "word"), Column("before", "Last month"), Column("now", "Now")),
        "Changes",
    ),
    TableSpec("suspects_before", rows="suspects_before.frame"),
    TableSpec(
        "savings",
        "Cost of each open case until it is cured",
        "cost.cases",
        (
            *_UNIT,
            Column("expected_cost", "By the steps proposed", "money"),
            _CUSTOM,
            Column("saving", "Saved", "money"),
        ),
        "Savings",
    ),
    TableSpec(
        "plan",
        "Jobs by week",
        "plan.frame",
        (
            Column("week", "Week"),
            Column("monday", "From Monday", "date"),
            *_UNIT,
            Column("action", "Job", "value"),
            Column("reason", "Why", "value"),
            _LABOUR,
            _COST,
            Column("saving", "Saves", "money", "against waiting until the part fails"),
            Column(
                "chance_without", "Chance to fail", "percent", "in the weeks of the plan, if nothing is done"
            ),
            _SITE,
            Column("component", "Part", page=False),
            Column("age_hours", "Age", "hours", page=False),
        ),
        "Plan",
    ),
    TableSpec("plan_weeks", rows="plan.weeks"),
    TableSpec(
        "plan_left_out",
        "Jobs without a week",
        "plan.left_out",
        (
            *_UNIT,
            _PART,
            _AGE,
            Column("chance_without", "Chance to fail", "percent"),
            Column("best_saving", "Would save", "money"),
            Column("why", "Why not", "sentence"),
        ),
    ),
    TableSpec(
        "survival_by_variant",
        "How long each kind of part lasts",
        "survival_by_variant.summary",
        (Column("variant", "Variant", "word"), *_LIVES),
        "Life by kind",
        on_page=_enough_for_a_shape,
    ),
    TableSpec(
        "survival_by_build_year",
        "How long parts last, by build year",
        "survival_by_build_year.summary",
        (Column("build_year", "Build year", "word"), *_LIVES),
        "Life by build year",
        on_page=_enough_for_a_shape,
    ),
    TableSpec("survival_by_build_year_curve", rows="survival_by_build_year.frame"),
    TableSpec("build_years_compared", rows="comparison.frame"),
    TableSpec(
        "repairs",
        "How often the fault came back after each repair",
        "repeats.by_action",
        (
            Column("repair", "Repair"),
            Column("attempts", "Times done", "count"),
            Column("comebacks", "Came back", "count", "within {window} of running"),
            Column("censored", "Not yet known", "count", "not yet run {window} since the repair"),
            Column("comeback_rate", "Share that comes back", "percent"),
            *_interval("percent"),
            Column("median_hours_to_comeback", "Half of those back by", "hours"),
            Column("labour_hours", "Labour each", "labour"),
            Column("cost", "Cost each", "money"),
        ),
        "Repairs",
        on_page=_with_repair,
        on_sheet=_with_repair,
    ),
    TableSpec(
        "repeat_units",
        "Units with more faults than their peers",
        "repeats.units",
        (
            _UNIT[0],
            Column("episodes", "Faults", "count"),
            Column("expected", "Expected", "number", "of a machine with the same running hours"),
            Column("ratio", "Times as many", "number", "pulled toward 1 where the record is short"),
            *_interval("number"),
            Column("running_hours", "Running hours", "whole"),
        ),
        "Units above peers",
    ),
    TableSpec(
        "forecast_by_month",
        "What to expect, by month",
        "forecast.by_month",
        (_EXPECTED, *_RANGE_80, *_RANGE_95, *_FORECAST, _LABOUR, _COST),
        "Ahead by month",
    ),
    TableSpec(
        "forecast",
        "What to expect, by cause",
        "forecast.totals",
        (
            _PART,
            _CAUSE,
            Column("expected", "Expected", "number"),
            *_RANGE_80,
            Column("parts_to_hold", "Parts to hold", "count", "enough in 19 of 20 cases"),
            _LABOUR,
            _COST,
            *_RANGE_95,
            *_FORECAST,
        ),
        "Ahead by cause",
    ),
    TableSpec(
        "forecast_units",
        "Parts most likely to fail in these months",
        "forecast.units",
        (
            *_UNIT,
            _PART,
            Column("variant", "Kind", "value"),
            _SITE,
            _AGE,
            Column("hours_a_month", "Runs a month", "hours"),
            Column("chance", "Chance to fail", "percent"),
        ),
        on_page=_likeliest,
    ),
    TableSpec(
        "forecast_met",
        "Forecast against what came, by cause",
        "verification.frame",
        (
            _PART,
            _CAUSE,
            _EXPECTED,
            *_RANGE_80,
            Column("came", "Found failed", "count", "– where failures of the cause are not followed"),
            _HELD,
            Column("parts", "Parts expected", "number"),
            Column("parts_used", "Parts used", "number", "whether or not the part taken out had failed"),
            Column("labour_hours", "Labour expected", "labour"),
            Column("labour_hours_spent", "Labour spent", "labour", "on the step that mends the cause"),
            *_RANGE_95,
            _FORECAST[1],
        ),
        "Forecast and came",
    ),
    TableSpec(
        "forecast_record",
        "How past forecasts did, by part",
        "verification.record.summary",
        (
            _PART,
            Column("forecasts", "Months", "count"),
            Column("held", "In the range", "count", "months whose 80% range held what came"),
            Column("held_share", "Share", "percent"),
            *_interval("percent"),
            Column(
                "chance_80",
                "By the forecast",
                "percent",
                "the chance that the ranges really had: whole counts cannot hold exactly 80%",
            ),
            _EXPECTED,
            _CAME,
            Column("held_95_share", "Share in the 95% range", "percent", page=False),
        ),
        "Forecast record",
    ),
    TableSpec(
        "forecast_record_by_month",
        "Past forecasts month by month",
        "verification.record.frame",
        (
            Column("until", "Month"),
            _PART,
            _EXPECTED,
            *_RANGE_80,
            _CAME,
            _HELD,
            *_RANGE_95,
            Column("held_95", "In the 95% range", "yesno", page=False),
            Column("chance_80", "By the forecast", "percent", page=False),
        ),
        "Forecast record by month",
        on_page=_newest_month_first,
    ),
    TableSpec(
        "mean_cumulative",
        "Faults per machine by running hours",
        "repeats.mean_cumulative",
        (
            Column("hours", "Running hours", "whole"),
            Column("count", "Faults per machine", "ratio"),
            *_interval("ratio"),
            Column("at_risk", "Machines watched", "count"),
        ),
        "Faults by hours",
    ),
    TableSpec(
        "spent",
        "Spent on this fault this month",
        "cost.spent",
        (
            Column("repair", "Work"),
            Column("jobs", "Jobs", "count"),
            _LABOUR,
            Column("labour_cost", "Labour", "money"),
            Column("parts_cost", "Parts", "money"),
            Column("cost", "Together", "money"),
        ),
        "Spent",
        on_page=_with_repair,
    ),
    TableSpec("spent_before", rows="cost.spent_before"),
    TableSpec(
        "assumptions",
        "Figures behind the money",
        "cost.assumptions",
        (
            Column("figure", "Figure", "word"),
            Column("value", "Value", "number"),
            Column("unit", "Unit"),
            Column("source", "Where it comes from"),
        ),
        "Figures",
    ),
    TableSpec(
        "quality",
        "What is wrong with the records",
        "status.quality",
        (
            Column("meaning", "Question", "sentence"),
            Column("count", "Found", "count"),
            Column("of", "Of", "count"),
        ),
        "Records",
    ),
    TableSpec(
        "fleet",
        "Machines by build year",
        "status.fleet",
        (Column("running_hours", "Running hours, mean", "whole"),),
        "Fleet",
    ),
    TableSpec("store", rows="status.frame"),
    TableSpec(
        "survival_by_variant_curve",
        "Share still working by age, in steps, for the chart",
        "survival_by_variant.frame",
        (Column("age", "Age", "labour"), Column("still_working", "Still working", "percent")),
        "Curve by kind",
        on_sheet=_corners,
    ),
)
