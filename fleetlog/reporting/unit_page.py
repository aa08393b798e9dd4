"""One machine's page: its story, its open cases, its next step."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import polars as pl

from fleetlog.causes.unit import UnitFinding
from fleetlog.charts.timeline import timeline
from fleetlog.phrasing import capital, said
from fleetlog.reporting.findings import ReportFindings
from fleetlog.reporting.month import CaseView
from fleetlog.reporting.tables import Column, TableSpec, View, Wording, page_table
from fleetlog.reporting.timeline import TimelineView, timeline_view


def _newest(by: str = "at") -> View:
    return lambda _, rows: rows.sort(by, descending=True, nulls_last=True, maintain_order=True)


def _set_aside(_: Any, rows: pl.DataFrame) -> pl.DataFrame:
    return rows.filter(~pl.col("kept")).sort("at", descending=True, nulls_last=True, maintain_order=True)


_HOURS = Column("hours", "Running hours", "number")
_WHEN = (Column("at", "When", "time"), _HOURS)
_DAY = (Column("at", "When", "date"), _HOURS)
_SIDE = Column("side", "Side", "word")
_PART = Column("component", "Part", "word")
_FOUND = Column("finding", "Found", "word")
_ORDER = Column("work_order_id", "Work order")

TABLES = (
    TableSpec("history", rows="frame"),
    TableSpec(
        "repairs",
        "Repair steps, and whether they held",
        "attempts",
        (
            *_DAY,
            _SIDE,
            Column("step", "Step", "word"),
            _FOUND,
            Column("outcome", "Outcome", "word"),
            Column("held_hours", "Held for", "hours", "running hours until the code was back, or so far"),
            _ORDER,
        ),
        on_page=_newest(),
    ),
    TableSpec(
        "reports",
        "Fault reports",
        "reports",
        (
            *_WHEN,
            _SIDE,
            Column("spn", "SPN", "text", "number of the signal (SAE J1939)"),
            Column("fmi", "FMI", "text", "how the signal fails (SAE J1939)"),
            Column("code", "Code"),
            Column("description", "What it says"),
            Column("episode", "Fault no.", "text", "reports close together count as one fault"),
        ),
        on_page=_newest(),
    ),
    TableSpec(
        "components",
        "Parts and their lives",
        "components",
        (
            _PART,
            _SIDE,
            Column("variant", "Kind", "value"),
            Column("fitted_at", "Fitted", "date"),
            Column("age_hours", "Age", "hours"),
            Column("ended_at", "Until", "date"),
            Column("end_reason", "Why", "word"),
            Column("inferred", "Inferred", "yesno", "not on record: follows from the build date"),
        ),
        on_page=_newest("fitted_at"),
    ),
    TableSpec(
        "measurements",
        "Measured values",
        "measurements",
        (*_WHEN, _SIDE, Column("quantity", "What", "word"), Column("value", "Value"), Column("unit", "Unit")),
        on_page=_newest(),
    ),
    TableSpec(
        "work",
        "All work on the machine",
        "work",
        (
            *_DAY,
            _ORDER,
            _PART,
            _SIDE,
            Column("action", "Action", "word"),
            _FOUND,
            Column("labour_hours", "Labour", "labour"),
            Column("parts_cost", "Parts", "money"),
            Column("note", "Note"),
        ),
        on_page=_newest(),
    ),
    TableSpec(
        "readings",
        "Meter readings set aside",
        "readings",
        (
            Column("at", "When", "time"),
            Column("meter_hours", "Meter said", "labour"),
            Column("source", "From", "word"),
            Column("reason", "Why set aside", "word"),
        ),
        on_page=_set_aside,
    ),
    TableSpec(
        "rentals",
        "Rentals",
        "rentals",
        (
            Column("out_at", "Out", "time"),
            Column("in_at", "Back", "time"),
            Column("day_rate", "Day rate", "money"),
        ),
        on_page=_newest("out_at"),
    ),
)


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
    unit = in_zone(unit, findings.time_zone)
    wording = Wording(findings.words, findings.currency)
    folder = f"tables/units/{name}"
    frames = {spec.name: frame for spec in TABLES if (frame := spec.frame(unit)) is not None}
    tables = [
        page_table(spec, unit, frames[spec.name], f"../{folder}", wording) for spec in TABLES if spec.columns
    ]
    context: dict[str, Any] = {
        "root": "../",
        "f": findings,
        "unit": unit,
        "title": f"{unit.machine['machine_id']}, {findings.month:%B %Y}",
        "machine": dict(unit.machine),
        "cases": views,
        "careful_work": any(view.case.cautions for view in views),
        "timeline": _timeline(unit, findings),
        "timeline_table": f"../{folder}/history.csv",
        "tables": [table for table in tables if table.rows],
    }
    return context, {f"units/{name}/{table}": frame for table, frame in frames.items()}


def in_zone(unit: UnitFinding, zone: str) -> UnitFinding:
    """The same story with its times as the yard's clocks showed them."""
    local: dict[str, Any] = {}
    for name in ("readings", "reports", "attempts", "work", "measurements", "components", "rentals"):
        frame: pl.DataFrame = getattr(unit, name)
        local[name] = frame.with_columns(
            pl.col(column).dt.replace_time_zone("UTC").dt.convert_time_zone(zone).dt.replace_time_zone(None)
            for column, kind in frame.schema.items()
            if kind == pl.Datetime
        )
    return replace(unit, **local)


def _timeline(unit: UnitFinding, findings: ReportFindings) -> TimelineView:
    story = timeline(unit, findings.words)
    return timeline_view(story, unit.band, f"{capital(said(story.quantity, findings.words))}, {story.unit}")
