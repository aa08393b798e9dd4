"""The month's report on paper: it says what the page says, can be read by a screen reader, and runs nothing."""

from __future__ import annotations

import io
import json
import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime
from importlib import resources as packages
from pathlib import Path
from typing import Any

import jinja2
import pypdf
import pytest
import typst
from hollow_lane import HollowLane
from hypothesis import given, settings
from hypothesis import strategies as st
from pictures import Write

from fleetlog.reporting.pdf import columns, typeset, write_pdf
from fleetlog.reporting.pdf.tree import texts, tree_of
from fleetlog.reporting.tables import Table, TableCell
from fleetlog.table_specs import TableColumn

CLOCK = datetime(2026, 11, 2, 6, 0)
Written = tuple[Path, list[Path]]

HOSTILE = (
    '#import "x"',
    "<script>alert(1)</script>",
    "*_$",
    "$x^2$ _it_ *bold*",
    '#read("/etc/passwd")',
    "#panic()",
    "@now <now>",
    "\\#sys.inputs.report",
    "`raw` ```x```",
    "= Heading",
    "// gone /* gone */",
    "https://example.org/x",
    "[a](b) {{ 7*7 }} {% x %}",
    "a~b--c---d...e",
    "Ελλ Ж éßł",
)


def reader(content: bytes | Path) -> pypdf.PdfReader:
    return pypdf.PdfReader(io.BytesIO(content) if isinstance(content, bytes) else content)


def squeezed(text: str) -> str:
    """Without what setting may change: white space and the places where a long word may break."""
    return re.sub(r"[\s\u200b\u00a0\u00ad]+", "", text)


def told(pdf: pypdf.PdfReader) -> str:
    """The text of all pages, without white space and without the line at the foot."""
    pages = (re.sub(r"\n[^\n]*\n?Page \d+ of \d+\s*$", "", page.extract_text()) for page in pdf.pages)
    return squeezed("".join(pages))


def outline(pdf: pypdf.PdfReader) -> list[tuple[int, str]]:
    def walk(items: list[Any], depth: int) -> Iterator[tuple[int, str]]:
        for item in items:
            if isinstance(item, list):
                yield from walk(item, depth + 1)
            else:
                yield depth, str(item.title)

    return list(walk(pdf.outline, 1))


def elements(pdf: pypdf.PdfReader) -> list[str]:
    """The kinds of the elements in the structure of the file."""
    found: list[str] = []
    waiting = [pdf.trailer["/Root"]["/StructTreeRoot"]["/K"]]
    while waiting:
        node = waiting.pop().get_object()
        if isinstance(node, pypdf.generic.ArrayObject):
            waiting += list(node)
        elif isinstance(node, pypdf.generic.DictionaryObject):
            if "/S" in node:
                found.append(str(node["/S"]))
            if "/K" in node:
                waiting.append(node["/K"])
    return found


def resources(pdf: pypdf.PdfReader, kind: str) -> Iterator[Any]:
    """Fonts or pictures of all pages, those of drawings on the pages, too."""
    seen: set[int] = set()
    waiting = [page["/Resources"] for page in pdf.pages]
    while waiting:
        place = waiting.pop().get_object()
        for one in place.get("/XObject", {}).get_object().values() if "/XObject" in place else ():
            if one.idnum not in seen:
                seen.add(one.idnum)
                drawn = one.get_object()
                if kind == "/XObject":
                    yield drawn
                if "/Resources" in drawn:
                    waiting.append(drawn["/Resources"])
        if kind == "/Font" and "/Font" in place:
            for one in place["/Font"].get_object().values():
                if one.idnum not in seen:
                    seen.add(one.idnum)
                    yield one.get_object()


def set_page(body: str, **values: Any) -> tuple[bytes, dict[str, Any]]:
    """A page of our own, set: the file, and the data that it was set from."""
    page = jinja2.Environment(autoescape=True).from_string(f"<body><main>{body}</main></body>").render(values)
    report = {
        "title": "A page",
        "running": "A page",
        "author": "fleetlog",
        "keywords": [],
        "paper": "a4",
        "body": tree_of(page),
        "pictures": {},
    }
    return typeset.typeset(report, {}, CLOCK), report


@pytest.fixture(scope="module")
def report(written: Written) -> pypdf.PdfReader:
    return reader(written[0] / "report.pdf")


def test_it_says_what_the_page_says(written: Written, report: pypdf.PdfReader) -> None:
    said = told(report)
    tree = tree_of((written[0] / "report.html").read_text(encoding="utf-8"))
    pieces = [squeezed(text) for text in texts(tree)]
    assert len(pieces) > 500
    assert [piece for piece in pieces if piece not in said] == []


def test_every_picture_of_the_page_is_there_and_none_is_made_of_dots(
    written: Written, report: pypdf.PdfReader
) -> None:
    page = (written[0] / "report.html").read_text(encoding="utf-8")
    assert elements(report).count("/Figure") == page.count('<figure class="chart">') > 5
    assert [drawn for drawn in resources(report, "/XObject") if drawn["/Subtype"] == "/Image"] == []


def test_the_page_links_to_it(written: Written) -> None:
    assert 'href="report.pdf"' in (written[0] / "report.html").read_text(encoding="utf-8")
    assert written[0] / "report.pdf" in written[1]


def test_every_font_is_inside(report: pypdf.PdfReader) -> None:
    names = set()
    for font in resources(report, "/Font"):
        (descendant,) = font["/DescendantFonts"]
        descriptor = descendant.get_object()["/FontDescriptor"]
        assert {"/FontFile2", "/FontFile3"} & set(descriptor), font["/BaseFont"]
        names.add(str(descriptor["/FontName"]).partition("+")[2].partition("-")[0])
    assert names == {"SourceSansPro", "DejaVuSansMono"}


def test_it_names_title_author_language_and_the_time_of_making(report: pypdf.PdfReader) -> None:
    known = report.metadata
    assert known is not None
    assert known.title == "Hollow Lane Yard & Sons, October 2026: Drive does not return to neutral"
    assert known.author == "fleetlog"
    assert str(known["/CreationDate"]).startswith("D:20261102060000")
    assert report.trailer["/Root"]["/Lang"] == "en"
    assert report.trailer["/Root"]["/ViewerPreferences"]["/DisplayDocTitle"]


def test_it_is_tagged_as_the_standard_for_accessible_pdf_asks(report: pypdf.PdfReader) -> None:
    root = report.trailer["/Root"]
    assert root["/MarkInfo"]["/Marked"]
    assert b"<pdfuaid:part>1</pdfuaid:part>" in root["/Metadata"].get_object().get_data()
    kinds = set(elements(report))
    assert {
        "/H1",
        "/H2",
        "/H3",
        "/P",
        "/L",
        "/LI",
        "/Table",
        "/TR",
        "/TH",
        "/TD",
        "/Figure",
        "/Link",
    } <= kinds


def test_the_bookmarks_are_the_headings(written: Written, report: pypdf.PdfReader) -> None:
    page = (written[0] / "report.html").read_text(encoding="utf-8")
    headings = [
        (int(level), squeezed("".join(texts(tree_of(f"<body>{text}</body>")))))
        for level, text in re.findall(r"<h([123])\b[^>]*>(.*?)</h\1>", page, flags=re.S)
    ]
    marks = [(depth, squeezed(title)) for depth, title in outline(report)]
    assert marks[0][1].startswith(headings[0][1])
    assert [depth for depth, _ in marks] == [level for level, _ in headings]
    assert all(mark.startswith(heading) for (_, mark), (_, heading) in zip(marks, headings, strict=True))


def test_pages_are_a4_and_numbered(report: pypdf.PdfReader) -> None:
    for number, page in enumerate(report.pages, start=1):
        assert [round(float(edge)) for edge in page.mediabox] == [0, 0, 595, 842]
        assert f"Page {number} of {len(report.pages)}" in page.extract_text()


def test_the_first_page_answers(report: pypdf.PdfReader) -> None:
    first = squeezed(report.pages[0].extract_text())
    for asked in (
        "What needs doing",
        "What it saves",
        "Since ",
        "does not say that a machine is fit for work",
    ):
        assert squeezed(asked) in first


def test_cautions_stand_where_work_on_a_pump_is_advised(
    hollow_lane: HollowLane, report: pypdf.PdfReader
) -> None:
    said = told(report)
    for caution in hollow_lane.month.cautions:
        assert squeezed(caution) in said


def paper(
    hollow_lane: HollowLane, path: Path, clock: datetime = CLOCK, size: str = "a4", **changes: Any
) -> bytes:
    """The PDF of a page with the tables given and without pictures: quick to set."""
    template = jinja2.Environment(autoescape=True).from_string(
        "<body><main><section><h1>{{ title }}</h1>{% for t in tables.values() %}<p>{{ t.rows | length }} of "
        "{{ t.rows | length + t.hidden }}</p>{% endfor %}</section></main></body>"
    )
    given = {"title": "A month", "f": hollow_lane.month, "pictures": {}, "tables": {}, **changes}
    return write_pdf(given, template.render, path, clock=clock, paper=size).read_bytes()


def test_the_same_report_has_the_same_bytes_and_only_the_clock_differs(
    hollow_lane: HollowLane, tmp_path: Path
) -> None:
    first = paper(hollow_lane, tmp_path / "one.pdf")
    assert first == paper(hollow_lane, tmp_path / "two.pdf")
    later = paper(hollow_lane, tmp_path / "three.pdf", datetime(2026, 11, 3, 7, 30))
    assert later != first
    assert told(reader(first)) == told(reader(later))


def test_letter_paper(hollow_lane: HollowLane, tmp_path: Path) -> None:
    page = reader(paper(hollow_lane, tmp_path / "letter.pdf", size="letter")).pages[0]
    assert [round(float(edge)) for edge in page.mediabox] == [0, 0, 612, 792]


def test_a_long_table_is_shortened_and_says_so(hollow_lane: HollowLane, tmp_path: Path) -> None:
    rows = tuple((TableCell(f"unit {place}", str(place)),) for place in range(450))
    long = Table("long", "Long", (TableColumn("unit", "Unit"),), rows, "tables/long.csv", hidden=9_550)
    said = told(reader(paper(hollow_lane, tmp_path / "long.pdf", tables={"long": long})))
    assert f"{typeset.MOST_ROWS}of10000" in said


def test_what_users_write_is_shown_and_not_run(hollow_lane: HollowLane, tmp_path: Path) -> None:
    body = (
        '<h1>{{ all[0] }}</h1><section id="now"><h2 id="now-h">Now</h2></section>'
        '{% for one in all %}<p>{{ one }}</p><h3>{{ one }}</h3><ul class="tickets"><li>{{ one }}</li></ul>'
        "<pre>{{ one }}</pre><p><code>{{ one }}</code> <strong>{{ one }}</strong></p>{% endfor %}"
        "<table><thead><tr>{% for one in all[:4] %}<th>{{ one }}</th>{% endfor %}</tr></thead>"
        "<tbody>{% for one in all %}<tr><td>{{ one }}</td><td>{{ one }}</td><td>1</td><td>2</td></tr>"
        "{% endfor %}</tbody></table>"
    )
    content, _ = set_page(body, all=HOSTILE)
    said = told(reader(content))
    for one in HOSTILE:
        assert said.count(squeezed(one)) >= 8, one
    assert b"/JavaScript" not in content
    assert b"/URI" not in content  # an address is shown; a click on it leads nowhere


def test_a_hostile_machine_in_a_whole_report(hollow_lane: HollowLane, write: Write, tmp_path: Path) -> None:
    month = hollow_lane.month
    name = '#import "x" *_$ <script>'
    case = month.suspects.cases[0]
    cases = (replace(case, machine_id=name, site=name), *month.suspects.cases[1:])
    hostile = replace(
        month,
        fleet=name,
        suspects=replace(month.suspects, cases=cases),
        methods=(),
    )
    write(hostile, tmp_path)
    pdf = reader(tmp_path / "report.pdf")
    assert told(pdf).count(squeezed(name)) >= 4
    assert pdf.metadata is not None
    assert name in str(pdf.metadata.title)


def test_only_the_packages_fonts_are_looked_at(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[bool] = []
    fonts = typst.Fonts

    def watched(system: bool, embedded: bool, paths: list[str]) -> typst.Fonts:
        asked.append(system)
        return fonts(system, embedded, paths)

    monkeypatch.setattr(typst, "Fonts", watched)
    set_page("<h1>Żółw – Ärger · Ωμέγα Жук ≤ ± × ² ³ § →</h1><p>{{ one }}</p>", one="plain")
    assert asked == [False]


def test_letters_that_no_font_has_do_not_stop_the_report() -> None:
    content, _ = set_page("<h1>Head</h1><p>before {{ one }} after</p>", one="\U0001f69c\ue123")
    pdf = reader(content)
    assert squeezed("before") in told(pdf)
    assert squeezed("after") in told(pdf)
    assert pdf.trailer["/Root"]["/MarkInfo"]["/Marked"]


def test_headings_of_a_table_come_again_on_each_page() -> None:
    body = (
        "<h1>Head</h1><details class='sheet'><summary><h2>Table</h2></summary><table><thead><tr><th>Colour</th>"
        "<th>Number</th></tr></thead><tbody>{% for one in range(150) %}<tr><td>blue</td><td class='r'>{{ one }}"
        "</td></tr>{% endfor %}</tbody></table></details>"
    )
    content, _ = set_page(body)
    pdf = reader(content)
    assert len(pdf.pages) > 2
    for page in pdf.pages:
        assert re.search(r"Colour\s+Number", page.extract_text())
    assert elements(pdf).count("/TH") == 2


def test_links_within_the_page_lead_to_the_page_that_they_name() -> None:
    filling = "<p>line</p>" * 120
    body = f'<h1>Head</h1><p><a href="#far">there</a></p>{filling}<section id="far"><h2>Far</h2></section>'
    content, _ = set_page(body)
    pdf = reader(content)
    found = re.search(r"there \(p\.\s(\d+)\)", pdf.pages[0].extract_text())
    assert found
    assert "Far" in pdf.pages[int(found[1]) - 1].extract_text()


def test_a_tree_holds_what_a_reader_gets() -> None:
    tree = tree_of(
        "<html><head><title>no</title></head><body><a class='skip' href='#m'>no</a><script>no()</script>\n"
        "<main id='m'>\n <p> one\n  <b>two </b> three&amp;<br> four </p>\n<div class='tools'>no<p>no</p></div>"
        "<pre>a\n  b\n</pre><p><a href='units/x.html'>five</a> <a href='#s'>six</a></p>"
        "<section id='s'><h2>Seven</h2></section></main></body></html>"
    )
    assert list(texts(tree)) == ["one ", "two ", "three&", "four", "a\n  b", "five", " ", "six", "Seven"]
    (main,) = (node for node in tree if isinstance(node, dict))
    links = main["kids"][2]["kids"]
    assert links[0]["file"] == "units/x.html"
    assert links[2]["to"] == main["kids"][3]["kids"][0]["place"] == "s"


WORDS = st.text(st.characters(codec="ascii", categories=("L", "N", "P")), min_size=1, max_size=60)
CELLS = st.lists(WORDS, max_size=6).map(" ".join)


@settings(max_examples=60, deadline=None)
@given(
    st.integers(1, 12).flatmap(
        lambda count: st.lists(st.lists(CELLS, min_size=count, max_size=count), min_size=1, max_size=5)
    )
)
def test_columns_fill_the_page_and_every_word_fits_its_column(rows: list[list[str]]) -> None:
    head = [f"Col {place}" for place in range(len(rows[0]))]
    size, widths, letters = columns.fitted(head, rows, [False] * len(head))
    assert sum(widths) == pytest.approx(columns.TEXT_WIDTH, abs=0.2)
    for row in rows:
        for text, width, longest in zip(row, widths, letters, strict=True):
            for piece in re.split(r"[ \u200b]|(?<=[A-Za-z]-)(?=[A-Za-z])", columns.broken(text, longest)):
                fits = columns.wide(piece) * size <= width - 2 * columns.CELL_PADDING + 0.05
                assert fits or len(piece) <= 2, (piece, width)


def test_widths_are_those_of_the_font() -> None:
    """The typesetter's own measure of a few words against the estimate behind the columns."""
    words = ["Replacing", "2026-06-30", "USD 12,480", "Worn bushing inside the pump", "WAMQ@%"]
    program = (
        '#set text(font: "Source Sans Pro", size: 100pt, kerning: false, ligatures: false)\n'
        '#context [#metadata(sys.inputs.words.split("|").map(word => measure(word).width / 1pt)) <widths>]'
    )
    source = packages.files("font_source_sans_pro") / "files"
    compiler = typst.Compiler(
        program.encode(),
        font_paths=typst.Fonts(False, True, [str(source)]),
        sys_inputs={"words": "|".join(words)},
    )
    (measured,) = json.loads(compiler.query("<widths>", field="value"))
    assert measured == pytest.approx([100 * columns.wide(word) for word in words], rel=0.01)
