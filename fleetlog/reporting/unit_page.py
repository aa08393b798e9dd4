"""One machine's page: its story, its open cases, its next step."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import polars as pl

from fleetlog.causes.unit import UnitFinding
from fleetlog.charts.timeline import VOLTAGE, timeline
from fleetlog.phrasing import capital, said
from fleetlog.reporting.gathered import ReportFindings
from fleetlog.reporting.month import CaseView
from fleetlog.reporting.tables import Column, Table, table
from fleetlog.reporting.timeline import TimelineView, timeline_view

_WHEN = [Column("at", "When", "time"), Column("hours", "Running hours", "number")]
_DAY = [Column("at", "When", "date"), Column("hours", "Running hours", "number")]
_SIDE = Column("side", "Side", "word")


def unit_page(
    unit: UnitFinding, findings: ReportFindings, name: str, views: Sequence[CaseView]
) -> tuple[dict[str, Any], dict[str, pl.DataFrame]]:
    """The context of unit.html.j2, and the unit's tables by the name of their CSVs.

    Args:
        unit: the machine's story.
        findings: the month it belongs to: its cases, words and costs.
        name: file name of the unit, without ending.
        views: its cases.
    """
    machine = str(unit.machine["machine_id"])
    unit = in_zone(unit, findings.time_zone)
    frames = {
        f"units/{name}/history": unit.frame,
        f"units/{name}/reports": unit.reports,
        f"units/{name}/repairs": unit.attempts,
        f"units/{name}/work": unit.work,
        f"units/{name}/measurements": unit.measurements,
        f"units/{name}/components": unit.components,
        f"units/{name}/readings": unit.readings,
        f"units/{name}/rentals": unit.rentals,
    }
    context: dict[str, Any] = {
        "root": "../",
        "f": findings,
        "unit": unit,
        "title": f"{machine}, {findings.month:%B %Y}",
        "machine": dict(unit.machine),
        "cases": views,
        "pump_work": any(view.case.cautions for view in views),
        "timeline": _timeline(unit, findings),
        "timeline_table": f"../tables/units/{name}/history.csv",
        "tables": _tables(unit, findings, name),
    }
    return context, frames


def in_zone(unit: UnitFinding, zone: str) -> UnitFinding:
    """The same story with its times as the yard's clocks showed them."""
    told: dict[str, Any] = {}
    for name in ("readings", "reports", "attempts", "work", "measurements", "components", "rentals"):
        frame: pl.DataFrame = getattr(unit, name)
        told[name] = frame.with_columns(
            pl.col(column).dt.replace_time_zone("UTC").dt.convert_time_zone(zone).dt.replace_time_zone(None)
            for column, kind in frame.schema.items()
            if kind == pl.Datetime
        )
    return replace(unit, **told)


def _timeline(unit: UnitFinding, findings: ReportFindings) -> TimelineView:
    quantity, band = VOLTAGE, None
    if findings.voltage is not None:
        quantity, low, high = findings.voltage
        band = (low, high)
    story = timeline(unit, findings.words, quantity)
    return timeline_view(story, band, f"{capital(said(quantity, findings.words))}, {story.unit}")


def _tables(unit: UnitFinding, findings: ReportFindings, name: str) -> list[Table]:
    """The tables that have rows, newest first."""

    def made(key: str, caption: str, frame: pl.DataFrame, columns: list[Column]) -> Table:
        return table(
            key,
            caption,
            frame,
            columns,
            f"../tables/units/{name}/{key}.csv",
            words=findings.words,
            currency=findings.currency,
        )

    def newest(frame: pl.DataFrame, by: str = "at") -> pl.DataFrame:
        return frame.sort(by, descending=True, nulls_last=True, maintain_order=True)

    tables = [
        made(
            "repairs",
            "Repair steps, and whether they held",
            newest(unit.attempts),
            [
                *_DAY,
                _SIDE,
                Column("step", "Step", "word"),
                Column("finding", "Found", "word"),
                Column("outcome", "Outcome", "word"),
                Column(
                    "held_hours", "Held for, h", "hours", "running hours until the code was back, or so far"
                ),
                Column("work_order_id", "Work order"),
            ],
        ),
        made(
            "reports",
            "Fault reports",
            newest(unit.reports),
            [
                *_WHEN,
                _SIDE,
                Column("spn", "SPN", "text", "number of the signal (SAE J1939)"),
                Column("fmi", "FMI", "text", "how the signal fails (SAE J1939)"),
                Column("code", "Code"),
                Column("description", "What it says"),
                Column("episode", "Fault no.", "text", "reports close together count as one fault"),
            ],
        ),
        made(
            "components",
            "Parts and their lives",
            newest(unit.components, "fitted_at"),
            [
                Column("component", "Part", "word"),
                _SIDE,
                Column("variant", "Kind", "value"),
                Column("fitted_at", "Fitted", "date"),
                Column("age_hours", "Age, h", "hours"),
                Column("ended_at", "Until", "date"),
                Column("end_reason", "Why", "word"),
                Column("inferred", "Inferred", "yesno", "not on record: follows from the build date"),
            ],
        ),
        made(
            "measurements",
            "Measured values",
            newest(unit.measurements),
            [
                *_WHEN,
                _SIDE,
                Column("quantity", "What", "word"),
                Column("value", "Value", "text"),
                Column("unit", "Unit"),
            ],
        ),
        made(
            "work",
            "All work on the machine",
            newest(unit.work),
            [
                *_DAY,
                Column("work_order_id", "Work order"),
                Column("component", "Part", "word"),
                _SIDE,
                Column("action", "Action", "word"),
                Column("finding", "Found", "word"),
                Column("labour_hours", "Labour, h", "number"),
                Column("parts_cost", "Parts", "money"),
                Column("note", "Note"),
            ],
        ),
        made(
            "readings",
            "Meter readings set aside",
            newest(unit.readings.filter(~pl.col("kept"))),
            [
                Column("at", "When", "time"),
                Column("meter_hours", "Meter said, h", "number"),
                Column("source", "From", "word"),
                Column("reason", "Why set aside", "word"),
            ],
        ),
        made(
            "rentals",
            "Rentals",
            newest(unit.rentals, "out_at"),
            [
                Column("out_at", "Out", "time"),
                Column("in_at", "Back", "time"),
                Column("day_rate", "Day rate", "money"),
            ],
        ),
    ]
    return [made for made in tables if made.rows]
