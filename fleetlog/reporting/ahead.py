"""Tables of the shop's plan and of the last forecast beside what came, and what of it is worth a line."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from fleetlog.planning.forecast_verification import ForecastVerification
from fleetlog.reporting.tables import Column, Table


def surprises(met: ForecastVerification) -> list[dict[str, Any]]:
    """Rows of a month's forecast that what came lies outside of: failures beyond the 80% range, or more parts
    used than were to be held. The row of all together stands only where no single one does."""
    rows = met.frame.to_dicts()
    found = [row for row in rows[:-1] if _strayed(row)]
    return found or [row for row in rows[-1:] if row["held"] is False]


def _strayed(row: Mapping[str, Any]) -> bool:
    used, held = row["parts_used"], row["parts_to_hold"]
    return row["held"] is False or (used is not None and held is not None and used > held)


def met_tables(met: ForecastVerification, made: Callable[..., Table]) -> dict[str, Table]:
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


def plan_tables(unit: list[Column], made: Callable[..., Table]) -> dict[str, Table]:
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
