"""One machine's page: its story, its open cases, its next step."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import polars as pl

from fleetlog.causes.unit import UnitFinding
from fleetlog.charts.timeline import timeline
from fleetlog.phrasing import capital, said
from fleetlog.reporting.findings import ReportFindings
from fleetlog.reporting.month import CaseView
from fleetlog.reporting.tables import CellWording, page_table, table_frames
from fleetlog.reporting.timeline import TimelineView, timeline_view
from fleetlog.table_specs import table_specs


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
    wording = CellWording(findings.words, findings.currency)
    folder = f"tables/units/{name}"
    frames = table_frames("unit", unit)
    tables = [
        page_table(spec, unit, frames[spec.name], f"../{folder}", wording)
        for spec in table_specs("unit")
        if spec.columns
    ]
    context: dict[str, Any] = {
        "root": "../",
        "f": findings,
        "unit": unit,
        "title": f"{unit.machine['machine_id']}, {findings.month:%B %Y}",
        "machine": dict(unit.machine),
        "cases": views,
        "careful_work": any(view.case.cautions for view in views),
        "safety": unit.safety,
        "timeline": _timeline(unit, findings),
        "timeline_table": f"../{folder}/history.csv",
        "tables": [table for table in tables if table.rows],
    }
    return context, {f"units/{name}/{table}": frame for table, frame in frames.items()}


def _timeline(unit: UnitFinding, findings: ReportFindings) -> TimelineView:
    story = timeline(unit, findings.words)
    return timeline_view(story, unit.band, f"{capital(said(story.quantity, findings.words))}, {story.unit}")
