"""Writes the month's report: one page, a page a unit, and the tables that every number came from."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from datetime import datetime
from pathlib import Path

import polars as pl

from fleetlog.charts.drawer import Drawer
from fleetlog.reporting.files import safe_names, write_csv, write_text
from fleetlog.reporting.findings import ReportFindings
from fleetlog.reporting.month import CaseView, case_views, month_page
from fleetlog.reporting.month_pictures import MonthPictures
from fleetlog.reporting.pages import render
from fleetlog.reporting.pdf import write_pdf
from fleetlog.reporting.sheet_files import write_sheet
from fleetlog.reporting.tables import table_frames
from fleetlog.reporting.unit_page import unit_page
from fleetlog.reporting.workbook import write_workbook

WORKBOOK = "tables.xlsx"
PDF = "report.pdf"


def write_report(
    findings: ReportFindings, folder: Path, *, clock: datetime, pictures: MonthPictures | None = None
) -> list[Path]:
    """Write the report of a month into `folder`.

    Args:
        findings: everything it says, finished; nothing is computed here but how to say it.
        folder: made if missing; files of an earlier report of the same name are overwritten.
        clock: the time to print as the time of making; the only thing that may differ between two runs.
        pictures: those of this month, where they have been begun already.

    Returns:
        The files written: report.html first, then report.pdf, units/*.html, tables.xlsx, the sheet of two pages and
        what goes with it, tables/**/*.csv.

    Raises:
        UsageError: when the folder cannot be written.
    """
    if pictures is None:
        with Drawer() as drawer:
            return write_report(findings, folder, clock=clock, pictures=MonthPictures(drawer))
    pictures.begin(findings)
    names = safe_names(
        [str(unit.machine["machine_id"]) for unit in findings.units]
        + [case.machine_id for case in findings.suspects.cases]
    )
    paged = {str(unit.machine["machine_id"]) for unit in findings.units}
    pages = {machine: f"units/{name}.html" for machine, name in names.items() if machine in paged}
    tables: dict[str, pl.DataFrame] = {}
    units: list[Path] = []
    cases: dict[str, list[CaseView]] = {}
    for view in case_views(findings, {}):
        cases.setdefault(view.case.machine_id, []).append(view)
    for unit in findings.units:
        machine = str(unit.machine["machine_id"])
        context, frames = unit_page(unit, findings, names[machine], cases.get(machine, []))
        tables |= frames
        units.append(write_text(folder / pages[machine], render("unit.html.j2", context, clock)))
    # The month's page comes last: its pictures are drawn meanwhile.
    month = table_frames("month", findings)
    context = month_page(findings, month, pages, pictures.finished())
    page = write_text(folder / "report.html", render("report.html.j2", context, clock))
    # The typesetter works beside the tables: it lets go of Python's lock.
    with ThreadPoolExecutor(1) as pool:
        paper = pool.submit(
            write_pdf,
            context,
            lambda printed: render("report.html.j2", printed, clock),
            folder / PDF,
            clock=clock,
            paper=findings.paper,
        )
        book = write_workbook(findings, month, folder / WORKBOOK, clock=clock)
        tables = month | tables
        brief = write_sheet(findings.sheet, folder, clock=clock, annex=True) if findings.sheet else []
        sheets = [write_csv(frame, folder / "tables" / f"{name}.csv") for name, frame in tables.items()]
    return [page, paper.result(), *units, book, *brief, *sheets]
