"""Writes the month's report: one page, a page a unit, and the tables that every number came from."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import Any

import jinja2
import polars as pl
from markdown_it import MarkdownIt
from markupsafe import Markup

from fleetlog import resources
from fleetlog.charts.drawer import Drawer
from fleetlog.phrasing import capital, hours, listed, money, number, percent, plural, printable, said
from fleetlog.reporting.files import safe_names, write_csv, write_text
from fleetlog.reporting.findings import ReportFindings
from fleetlog.reporting.month import CaseView, case_views, month_page, surprise_of
from fleetlog.reporting.month_pictures import MonthPictures
from fleetlog.reporting.pdf import write_pdf
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
        The files written: report.html first, then report.pdf, units/*.html, tables.xlsx, tables/**/*.csv.

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
        units.append(write_text(folder / pages[machine], _render("unit.html.j2", context, clock)))
    # The month's page comes last: its pictures are drawn meanwhile.
    month = table_frames("month", findings)
    context = month_page(findings, month, pages, pictures.finished())
    page = write_text(folder / "report.html", _render("report.html.j2", context, clock))
    # The typesetter works beside the tables: it lets go of Python's lock.
    with ThreadPoolExecutor(1) as pool:
        paper = pool.submit(
            write_pdf,
            context,
            lambda printed: _render("report.html.j2", printed, clock),
            folder / PDF,
            clock=clock,
            paper=findings.paper,
        )
        book = write_workbook(findings, month, folder / WORKBOOK, clock=clock)
        tables = month | tables
        sheets = [write_csv(frame, folder / "tables" / f"{name}.csv") for name, frame in tables.items()]
    return [page, paper.result(), *units, book, *sheets]


def _render(template: str, context: Mapping[str, Any], clock: datetime) -> str:
    return printable(_environment().get_template(template).render(context, clock=clock))


@cache
def _environment() -> jinja2.Environment:
    root = resources.folder("reports")
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(root / "pages"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    script = (root / "scripts" / "tables.js").read_text(encoding="utf-8").strip()
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    environment.globals |= {
        "style": Markup((root / "styles" / "page.css").read_text(encoding="utf-8").strip()),
        "script": Markup(script),
        "script_hash": f"sha256-{digest}",
        "said": said,
        "plural": plural,
        "surprise_of": surprise_of,
        "listed": listed,
    }
    environment.filters |= {
        "hours": hours,
        "percent": percent,
        "money": money,
        "number": number,
        "capital": capital,
        "markdown": _markdown,
    }
    return environment


def _markdown(text: str) -> Markup:
    """Markdown as HTML, two heading levels down; HTML inside it is shown, not run."""
    parser = MarkdownIt("commonmark", {"html": False}).enable("table")
    tokens = parser.parse(text)
    for token in tokens:
        if token.type in ("heading_open", "heading_close"):
            token.tag = f"h{min(6, int(token.tag[1]) + 2)}"
    return Markup(parser.renderer.render(tokens, parser.options, {}))
