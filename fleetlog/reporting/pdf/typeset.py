"""Sets the month's page as a PDF: tagged, with its fonts inside, the same bytes for the same report."""

from __future__ import annotations

import json
import re
import textwrap
from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import UTC, datetime
from importlib import resources as packages
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import typst
from markupsafe import Markup, escape

from fleetlog import resources
from fleetlog.reporting.files import write_bytes
from fleetlog.reporting.pdf.columns import TEXT_WIDTH, broken
from fleetlog.reporting.pdf.tree import tree_of
from fleetlog.temporary import temporary_folder

if TYPE_CHECKING:  # the sheet, which has neither, need not wait for them
    from fleetlog.reporting.pictures import Picture
    from fleetlog.reporting.tables import Table

#: Rows of a table on paper; the page shows more, the CSV all.
MOST_ROWS = 100
#: Paper as a setting names it -> as the typesetter does.
PAPERS = {"a4": "a4", "letter": "us-letter"}
_HIGHEST = 580.0  # points: what a page has for a picture beside its title and notes
_FONT_PACKAGE = "font_source_sans_pro"
_FACES = ("Regular", "It", "Semibold", "Bold")
_Standard = Literal["ua-1"]
_NOT_ACCESSIBLE = "PDF/UA-1 error"
_SIZE = re.compile(r'<svg[^>]*? width="([\d.]+)" height="([\d.]+)"')
_FAMILY = re.compile(r'font-family="[^"]*"')


def write_pdf(
    context: Mapping[str, Any],
    render: Callable[[Mapping[str, Any]], str],
    path: Path,
    *,
    clock: datetime,
    paper: str = "a4",
) -> Path:
    """Write the month's report as a PDF.

    The text is that of the page: `render` is asked for the page once more, with fewer rows, and what it says
    is set. So whatever the page gains, the PDF gains.

    Args:
        context: of the month's page: at least title, f, pictures and tables.
        render: context -> the page as HTML.
        path: of the file.
        clock: the time of making; without a zone it is taken as UTC.
        paper: a key of PAPERS.

    Raises:
        UsageError: when the file cannot be written.
    """
    pictures: dict[str, dict[str, Any]] = {}
    printed = {
        **context,
        "pictures": {name: _placed(name, one, pictures) for name, one in context["pictures"].items()},
        "tables": {name: _shortened(one) for name, one in context["tables"].items()},
    }
    findings = context["f"]
    report = {
        "title": f"{context['title']}: {findings.fault_title}",
        "running": broken(textwrap.shorten(context["title"], 110, placeholder=" …"), 40),
        "author": "fleetlog",
        "keywords": [findings.fleet, findings.fault_title],
        "paper": PAPERS[paper],
        "body": tree_of(render(printed)),
        "pictures": {name: {key: one[key] for key in ("width", "height")} for name, one in pictures.items()},
    }
    drawn = {f"picture-{name}": one["svg"] for name, one in pictures.items()}
    return write_bytes(path, typeset(report, drawn, clock))


def typeset(report: Mapping[str, Any], drawn: Mapping[str, str], clock: datetime) -> bytes:
    """The PDF of a report given as plain values.

    Everything goes to the typesetter as data, never as part of its program: a text that looks like its
    language is set as text. It finds no file and no address, and no fonts but the packages' own, unless a
    text has letters that none of them has: then the computer's fonts are asked, too, and embedded.

    Args:
        report: as reports/print/report.typ reads it.
        drawn: "picture-" and name -> SVG.
        clock: the time of making.
    """
    moment = clock if clock.tzinfo is not None else clock.replace(tzinfo=UTC)
    inputs = {"report": json.dumps(report, ensure_ascii=False, sort_keys=True), **drawn}
    program = (resources.folder("reports") / "print" / "report.typ").read_bytes()

    def made(standards: list[_Standard], system_fonts: bool) -> bytes:
        # The typesetter reads a font when it first needs it, so the folder stays until all is set.
        with temporary_folder() as folder:
            _copy_fonts(Path(folder))
            compiler = typst.Compiler(
                program,
                root=folder,
                font_paths=typst.Fonts(system_fonts, True, [folder]),
                sys_inputs=inputs,
                package_path=folder,
                package_cache_path=folder,
            )
            done = compiler.compile(
                format="pdf", pdf_standards=[*standards], timestamp=int(moment.timestamp())
            )
        assert isinstance(done, bytes)
        return done

    # The standard for accessible PDF forbids a letter that no font can show. The computer's fonts may have
    # it. If none has, a box stands in its place, and the file, tagged as ever, no longer claims the standard.
    for system_fonts in (False, True):
        try:
            return made(["ua-1"], system_fonts)
        except typst.TypstError as problem:
            if not problem.message.startswith(_NOT_ACCESSIBLE):
                raise
    return made([], True)


def _copy_fonts(folder: Path) -> None:
    """The four faces in use. The font package holds each of them twice, in two formats, in any order."""
    for name in _FACES:
        file = f"SourceSansPro-{name}.ttf"
        (folder / file).write_bytes((packages.files(_FONT_PACKAGE) / "files" / file).read_bytes())


def _placed(name: str, one: Picture, pictures: dict[str, dict[str, Any]]) -> Picture:
    """The picture as an image of the page, at a size for paper."""
    from fleetlog.reporting.pictures import WIDE

    svg = _FAMILY.sub('font-family="Source Sans Pro"', one.drawn)
    size = _SIZE.search(svg)
    width, height = (float(size[1]), float(size[2])) if size else (0.0, 0.0)
    if not width * height:
        return replace(one, wide=Markup(""), narrow=Markup(""))  # a picture of nothing: its title says so
    scale = min(TEXT_WIDTH / WIDE, TEXT_WIDTH / width, _HIGHEST / height)
    pictures[name] = {"svg": svg, "width": round(width * scale, 2), "height": round(height * scale, 2)}
    image = Markup(f'<img src="{escape(name)}" alt="{escape(one.alt)}">')
    return replace(one, wide=image, narrow=Markup(""))


def _shortened(one: Table) -> Table:
    rows = one.rows[:MOST_ROWS]
    return replace(one, rows=rows, hidden=one.hidden + len(one.rows) - len(rows))
