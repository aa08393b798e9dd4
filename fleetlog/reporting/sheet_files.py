"""The month's sheet as files: the page, the paper, the text for a mail, and what goes with them."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

from markupsafe import Markup

from fleetlog.reporting.calendar import plan_calendar
from fleetlog.reporting.files import write_bytes, write_csv, write_text
from fleetlog.reporting.mail import mail_text
from fleetlog.reporting.pages import render
from fleetlog.reporting.pdf.tree import tree_of
from fleetlog.reporting.pdf.typeset import PAPERS, typeset
from fleetlog.reporting.sheet import sheet_page, year_picture
from fleetlog.reporting.sheet_findings import SheetFindings

PAGE, PAPER, MAIL, CALENDAR, PARTS = (
    "sheet.html",
    "sheet.pdf",
    "summary.txt",
    "plan.ics",
    "parts_to_order.csv",
)
#: On paper, as in reports/styles/page.css by day.
_PRINTED = {"ink": "#525c69", "rule": "#d3d8de", "cost": "#0b5563", "vain": "#8a2a08"}
_SCALE = 0.9  # points a pixel of the picture


def write_sheet(sheet: SheetFindings, folder: Path, *, clock: datetime, annex: bool = False) -> list[Path]:
    """Writes the sheet into a folder: page first, then PDF, summary.txt, plan.ics, and its parts to order.

    Args:
        folder: made if missing.
        clock: the time to print as the time of making, in the fleet's zone.
        annex: whether the report lies in the same folder, which then holds the tables, too.

    Raises:
        UsageError: when the folder cannot be written.
    """
    context = sheet_page(sheet, annex=annex)
    page = write_text(folder / PAGE, render("sheet.html.j2", context, clock))
    image = Markup('<img src="year" alt="{}">').format(context["year_alt"])
    report = {
        "title": context["title"],
        "running": context["title"],
        "author": "fleetlog",
        "keywords": [sheet.fleet, sheet.fault_title],
        "paper": PAPERS[sheet.paper],
        "body": tree_of(render("sheet.html.j2", {**context, "year": image}, clock)),
        "pictures": {"year": {"width": 360 * _SCALE, "height": 170 * _SCALE}},
    }
    drawn = {"picture-year": str(year_picture(sheet, _PRINTED))}
    files = [page, write_bytes(folder / PAPER, typeset(report, drawn, clock))]
    files.append(write_text(folder / MAIL, mail_text(sheet, context)))
    files.append(write_text(folder / CALENDAR, plan_calendar(sheet.plan)))
    if not annex:
        files.append(write_csv(sheet.plan.parts, folder / PARTS))
    return files
