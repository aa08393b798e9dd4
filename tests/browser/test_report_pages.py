"""The report in a real browser: quiet, complete, usable by keyboard, on a phone, at night and on paper."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any
from urllib.parse import unquote, urlsplit

import pytest
from hollow_lane import HOSTILE, HollowLane

SIZES = {"desk": (1280, 800), "tablet": (768, 1024), "phone": (360, 740)}

# Contrast of every piece of text with what lies behind it (WCAG 2.2, 1.4.3): text below the required ratio.
TOO_FAINT = """
(() => {
  const parse = (text) => {
    const found = text.match(/rgba?\\(([^)]+)\\)/);
    if (!found) {
      const s = text.match(/color\\(srgb ([\\d.]+) ([\\d.]+) ([\\d.]+)(?: \\/ ([\\d.]+))?\\)/);
      return s ? [s[1] * 255, s[2] * 255, s[3] * 255, s[4] === undefined ? 1 : +s[4]] : null;
    }
    const [r, g, b, a] = found[1].split(/[ ,\\/]+/).filter(Boolean).map(Number);
    return [r, g, b, a === undefined ? 1 : a];
  };
  const luminance = ([r, g, b]) => {
    const linear = (c) => ((c /= 255) <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4);
    return 0.2126 * linear(r) + 0.7152 * linear(g) + 0.0722 * linear(b);
  };
  // Text in a picture may stand on a mark: the last one drawn before it that its middle lies in.
  const mark = (element) => {
    const box = element.getBoundingClientRect();
    const [x, y] = [box.left + box.width / 2, box.top + box.height / 2];
    let found = null;
    for (const drawn of element.closest("svg").querySelectorAll("path, rect")) {
      if (!(element.compareDocumentPosition(drawn) & Node.DOCUMENT_POSITION_PRECEDING)) break;
      const style = getComputedStyle(drawn), colour = parse(style.fill);
      if (!colour || colour[3] < 1 || style.fillOpacity < 1 || style.opacity < 1) continue;
      const own = new DOMPoint(x, y).matrixTransform(drawn.getScreenCTM().inverse());
      if (drawn.isPointInFill(own)) found = colour;
    }
    return found;
  };
  const behind = (element) => {
    const under = element.closest("svg") ? mark(element) : null;
    if (under) return under;
    for (let at = element; at; at = at.parentElement) {
      const colour = parse(getComputedStyle(at).backgroundColor);
      if (colour && colour[3] === 1) return colour;
    }
    return [255, 255, 255, 1];
  };
  const faint = [];
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walker.nextNode()) {
    const text = walker.currentNode.textContent.trim();
    const element = walker.currentNode.parentElement;
    if (!text || ["SCRIPT", "STYLE"].includes(element.tagName)) continue;
    const box = element.getBoundingClientRect();
    if (!box.width || !box.height || box.right < 0) continue;
    const style = getComputedStyle(element);
    const colour = parse(element.closest("svg") ? style.fill : style.color);
    if (!colour) continue;
    const [light, dark] = [luminance(colour), luminance(behind(element))].sort((a, b) => b - a);
    const ratio = (light + 0.05) / (dark + 0.05);
    const size = parseFloat(style.fontSize), bold = parseInt(style.fontWeight) >= 600;
    const drawn = element.closest("svg") !== null;
    const needed = size >= 24 || (bold && size >= 18.66) || (drawn && bold) ? 3 : 4.5;
    if (ratio < needed) faint.push(`${text.slice(0, 40)}: ${ratio.toFixed(2)}`);
  }
  return faint;
})()
"""


def every_page(report: Path) -> list[Path]:
    return [report / "report.html", *sorted((report / "units").glob("*.html"))]


def test_pages_are_quiet_and_fetch_nothing(page: Any, report: Path) -> None:
    for path in every_page(report):
        page.open(path)
        page.settle()
        assert page.problems == [], path
        assert page.requests == [path.resolve().as_uri()]


def test_the_page_opens_within_a_second(page: Any, report: Path) -> None:
    page.open(report / "report.html")
    timing = page.run("performance.getEntriesByType('navigation')[0].loadEventEnd")
    assert 0 < timing < 1000


def test_links_lead_somewhere(page: Any, report: Path) -> None:
    for path in every_page(report):
        page.open(path)
        for link in page.run("[...document.links].map((link) => link.href)"):
            parts = urlsplit(link)
            assert parts.scheme == "file"
            assert Path(unquote(parts.path)).is_file(), link
        missing = page.run(
            "[...document.querySelectorAll('a[href^=\"#\"]')].map((link) => link.hash.slice(1))"
            ".filter((id) => !document.getElementById(id))"
        )
        assert missing == []


def test_a_unit_opens_by_clicking_its_name_and_leads_back(page: Any, report: Path) -> None:
    page.open(report / "report.html")
    name = page.run("document.querySelector('.tickets .unit a').textContent")
    page.run("document.querySelector('.tickets .unit a').click()")
    page.wait_for("location.pathname.includes('/units/')")
    assert page.run("document.querySelector('h1').textContent") == name
    page.run("document.querySelector('.top a').click()")
    page.wait_for("location.pathname.endsWith('/report.html')")


def test_a_machine_named_like_a_script_is_shown_and_not_run(
    page: Any, report: Path, hollow_lane: HollowLane
) -> None:
    page.open(report / "report.html")
    page.settle()
    assert page.problems == []
    shown = page.run("[...document.querySelectorAll('.tickets .unit')].map((unit) => unit.textContent)")
    assert HOSTILE in shown
    assert page.run("document.scripts.length") == 1


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("dark", [False, True], ids=["day", "night"])
def test_nothing_sticks_out_and_every_word_can_be_read(
    page: Any, report: Path, size: str, dark: bool
) -> None:
    width, height = SIZES[size]
    page.look(width, height, dark=dark, mobile=size == "phone")
    for path in every_page(report)[:3]:
        page.open(path)
        page.run("document.querySelectorAll('details').forEach((part) => { part.open = true })")
        page.settle()
        assert page.run("document.documentElement.scrollWidth") <= width, path
        assert page.run(TOO_FAINT) == [], path


@pytest.mark.parametrize("dark", [False, True], ids=["day", "night"])
def test_the_sheet_fits_a_phone_and_a_desk_and_fetches_nothing(page: Any, report: Path, dark: bool) -> None:
    for width, height in SIZES.values():
        page.look(width, height, dark=dark, mobile=width < 500)
        page.open(report / "sheet.html")
        page.settle()
        assert page.problems == []
        assert page.requests == [(report / "sheet.html").resolve().as_uri()]
        assert page.run("document.documentElement.scrollWidth") <= width
        assert page.run(TOO_FAINT) == []
    smallest = page.run(
        "Math.min(...[...document.querySelectorAll('.year text')].map((text) =>"
        " parseFloat(text.getAttribute('font-size')) * text.closest('svg').getBoundingClientRect().width / 360))"
    )
    assert smallest >= 9.5


@pytest.mark.parametrize("width", [400, 1280])
def test_the_sheets_headings_keep_their_distance_without_a_picture(
    page: Any, report: Path, width: int
) -> None:
    """A fleet that spent nothing has no picture of twelve months between its cards and the next heading."""
    page.look(width, 900, mobile=width < 500)
    page.open(report / "sheet.html")
    page.settle()
    gap = (
        "document.querySelector('#sites-h').getBoundingClientRect().top"
        " - Math.max(...[...document.querySelectorAll('.answers > section, .year')].map("
        "(one) => one.getBoundingClientRect().bottom))"
    )
    assert page.run(gap) >= 12
    page.run("document.querySelector('.year').remove()")
    page.settle()
    assert page.run(gap) >= 12


def test_text_in_pictures_is_large_enough_on_a_phone(page: Any, report: Path) -> None:
    page.look(360, 740, mobile=True)
    for path in every_page(report)[:2]:
        page.open(path)
        sizes = page.run(
            "[...document.querySelectorAll('.narrow svg text, svg.line text')].map((text) => {"
            " const scale = text.closest('svg').getBoundingClientRect().width"
            " / (text.closest('svg').viewBox.baseVal.width || text.closest('svg').getBoundingClientRect().width);"
            " return scale * parseFloat(getComputedStyle(text).fontSize); })"
        )
        assert sizes
        assert min(sizes) >= 9.5, path


def test_each_picture_is_shown_once_with_its_marks(page: Any, report: Path) -> None:
    for width in (1280, 360):
        page.look(width, 800, mobile=width == 360)
        for path in every_page(report)[:1]:
            page.open(path)
            shown = page.run(
                "[...document.querySelectorAll('figure')].map((figure) =>"
                " [...figure.querySelectorAll('svg')].filter((svg) => svg.getBoundingClientRect().width > 0)"
                " .map((svg) => [svg.getAttribute('aria-label').length,"
                " svg.querySelectorAll('path, line, text').length]))"
            )
            assert shown
            for pictures in shown:
                assert len(pictures) == 1
                ((said, marks),) = pictures
                assert said > 20
                assert marks > 10


def test_a_unit_shows_its_story_as_marks_that_speak(page: Any, report: Path, hollow_lane: HollowLane) -> None:
    unit = hollow_lane.unit()
    for width in (1280, 360):
        page.look(width, 800, mobile=width == 360)
        page.open(report / "units" / "SK-104.html")
        marks = page.run(
            "[...document.querySelectorAll('.timeline .mark')].map((mark) => {"
            " const box = mark.querySelector('path').getBoundingClientRect();"
            " return [mark.querySelector('title').textContent, box.left, box.right]; })"
        )
        set_aside = unit.readings.filter(~unit.readings["kept"]).height
        assert set_aside > 0
        assert len(marks) == (
            unit.reports.height + unit.attempts.height + unit.measurements.height + set_aside
        )
        assert all(0 <= left < right - 5 and right <= width for _, left, right in marks)
        assert {
            f"{row['at']:%Y-%m-%d}, {row['hours']:,.0f} h: {row['description']} (SPN {row['spn']} FMI {row['fmi']})"
            for row in unit.reports.to_dicts()
        } <= {told for told, *_ in marks}


def column(page: Any, table: str, place: int) -> list[str]:
    """The shown cells of one column."""
    cells: list[str] = page.run(
        f"[...document.querySelectorAll('#{table} tbody tr:not([hidden])')]"
        f".map((row) => row.cells[{place}].textContent)"
    )
    return cells


def head(page: Any, table: str, label: str) -> int:
    """The place of a column by its heading."""
    heads = page.run(f"[...document.querySelectorAll('#{table} th')].map((cell) => cell.textContent.trim())")
    place: int = heads.index(label)
    return place


def test_sorting_by_a_heading(page: Any, report: Path) -> None:
    page.open(report / "report.html")
    table = "table-repairs-t"
    place = head(page, table, "Times done")
    before = column(page, table, place)
    press = f"document.querySelectorAll('#{table} th button')[{place}].click()"
    page.run(press)
    rising = column(page, table, place)
    assert rising == sorted(before, key=int)
    assert (
        page.run(f"document.querySelectorAll('#{table} th')[{place}].getAttribute('aria-sort')")
        == "ascending"
    )
    page.run(press)
    assert column(page, table, place) == rising[::-1]
    assert page.run(f"document.querySelectorAll('#{table} th[aria-sort]').length") == 1


def test_what_is_missing_sorts_last_both_ways(page: Any, report: Path, hollow_lane: HollowLane) -> None:
    page.open(report / "report.html")
    table = "table-suspects-t"
    place = head(page, table, "Expected cost")
    costs = [case.expected_cost for case in hollow_lane.month.suspects.cases]
    known = sorted(cost for cost in costs if cost is not None)
    assert 2 < len(known) < len(costs)
    missing = ["–"] * (len(costs) - len(known))
    press = f"document.querySelectorAll('#{table} th button')[{place}].click()"
    for expected in (known, known[::-1]):
        page.run(press)
        shown = [cell.replace("\u00a0", " ") for cell in column(page, table, place)]
        assert shown == [f"USD {cost:,.0f}" for cost in expected] + missing


def test_money_sorts_by_amount_and_not_by_letters(page: Any, report: Path) -> None:
    page.open(report / "report.html")
    table = "table-repairs-t"
    place = head(page, table, "Cost each")
    page.run(f"document.querySelectorAll('#{table} th button')[{place}].click()")
    amounts = [int(re.sub(r"\D", "", cell)) for cell in column(page, table, place)]
    assert amounts == sorted(amounts)


def test_finding_rows(page: Any, report: Path) -> None:
    page.open(report / "report.html")
    table = "table-suspects-t"
    rows = page.run(f"[...document.querySelectorAll('#{table} tbody tr')].map((row) => row.textContent)")
    total = len(rows)
    tools = "document.querySelector('[data-for=\"table-suspects-t\"]')"

    def look_for(words: str) -> tuple[int, str]:
        page.run(
            f"{tools}.querySelector('input').value = {words!r};"
            f"{tools}.querySelector('input').dispatchEvent(new Event('input'))"
        )
        return len(column(page, table, 0)), page.run(f"{tools}.querySelector('[role=status]').textContent")

    both = sum("left" in row.lower() and "bushing" in row for row in rows)
    one = sum("bushing" in row for row in rows)
    assert 0 < both < one <= total
    assert look_for("bushing left") == (both, f"{both} of {total} rows")
    assert look_for("<script>") == (1, f"1 of {total} rows")
    assert look_for("no such thing") == (0, f"0 of {total} rows")
    assert look_for("") == (total, "")


def test_every_table_sorts_and_filters(page: Any, report: Path) -> None:
    for path in every_page(report)[:2]:
        page.open(path)
        bare = page.run(
            "[...document.querySelectorAll('table')].filter((table) => table.tBodies[0].rows.length > 1)"
            ".filter((table) => table.querySelectorAll('th button').length !== table.querySelectorAll('th').length"
            ' || !document.querySelector(`[data-for="${table.id}"] input`)).map((table) => table.id)'
        )
        assert bare == []


def test_sorting_on_a_phone_by_the_list_of_columns(page: Any, report: Path) -> None:
    page.look(360, 740, mobile=True)
    page.open(report / "report.html")
    assert page.run("document.getElementById('table-repairs').open") is False
    page.run("document.getElementById('table-repairs').open = true")
    order = "document.querySelector('[data-for=\"table-repairs-t\"] select')"
    assert page.run(f"getComputedStyle({order}.parentElement).display") != "none"
    place = head(page, "table-repairs-t", "Times done")
    page.run(f"{order}.value = '{place} down'; {order}.dispatchEvent(new Event('change'))")
    counts = [int(cell) for cell in column(page, "table-repairs-t", place)]
    assert counts == sorted(counts, reverse=True)
    page.run(f"{order}.value = ''; {order}.dispatchEvent(new Event('change'))")
    assert [int(cell) for cell in column(page, "table-repairs-t", place)] != counts


def test_a_folded_table_opens_when_a_link_leads_to_it(page: Any, report: Path) -> None:
    page.look(360, 740, mobile=True)
    page.open(report / "report.html")
    page.run("document.querySelector('a[href=\"#table-changes\"]').click()")
    page.wait_for("document.getElementById('table-changes').open")


def test_keyboard_alone_is_enough(page: Any, report: Path) -> None:
    page.open(report / "report.html")
    page.press("Tab", 9)
    assert page.run("document.activeElement.className") == "skip"
    assert page.run("document.activeElement.getBoundingClientRect().left >= 0")
    page.press("Enter", 13, "\r")
    page.wait_for("location.hash === '#content'")
    page.run("document.querySelector('#table-repairs-t th button').focus()")
    page.press("Enter", 13, "\r")
    assert page.run("document.querySelector('#table-repairs-t th').getAttribute('aria-sort')") == "ascending"
    assert page.run("getComputedStyle(document.activeElement).outlineStyle") == "solid"


def test_what_is_pressed_is_large_enough_to_hit(page: Any, report: Path) -> None:
    """WCAG 2.2, 2.5.8: 24 by 24 pixels for what is not part of a sentence."""
    page.look(360, 740, mobile=True)
    page.open(report / "report.html")
    page.run("document.querySelectorAll('details').forEach((part) => { part.open = true })")
    small = page.run(
        "[...document.querySelectorAll('nav a, summary, input, select, th button')]"
        ".map((part) => [part.textContent.trim(), part.getBoundingClientRect()])"
        ".filter(([, box]) => box.width > 0 && box.left >= 0 && (box.width < 24 || box.height < 24))"
        ".map(([text, box]) => `${text} ${box.width}x${box.height}`)"
    )
    assert small == []


def test_everything_can_be_read_without_scripts(page: Any, report: Path) -> None:
    page.call("Emulation.setScriptExecutionDisabled", value=True)
    page.open(report / "report.html")
    assert page.run("document.querySelectorAll('th button').length") == 0
    hidden = page.run(
        "[...document.querySelectorAll('main table, main article')]"
        ".filter((part) => part.getBoundingClientRect().height === 0).length"
    )
    assert hidden == 0


def test_on_paper(page: Any, report: Path) -> None:
    page.look(794, 1123, paper=True)
    page.open(report / "report.html")
    gone = page.run(
        "['nav', '.tools', '.skip'].filter((part) =>"
        " getComputedStyle(document.querySelector(part)).display !== 'none')"
    )
    assert gone == []
    assert page.run("document.documentElement.scrollWidth") <= 794
    assert page.run(TOO_FAINT) == []
    paper = page.pdf()
    assert paper.startswith(b"%PDF")
    assert 3 <= len(re.findall(rb"/Type\s*/Page\b(?!s)", paper)) <= 24


def test_night_changes_the_page_and_paper_does_not(page: Any, report: Path) -> None:
    path = report / "report.html"
    ground = "getComputedStyle(document.documentElement).backgroundColor"
    page.open(path)
    day = page.run(ground)
    page.look(1280, 800, dark=True)
    assert page.run(ground) != day
    page.look(1280, 800, dark=True, paper=True)
    assert (
        page.run("getComputedStyle(document.documentElement).getPropertyValue('--ink').trim()") == "#1c2430"
    )


@pytest.mark.parametrize(
    ("dark", "size"),
    [
        pytest.param(False, "desk", id="day-desk"),
        pytest.param(True, "phone", id="night-phone"),
        # each of the two lights and of the two sizes is among those above
        pytest.param(True, "desk", id="night-desk", marks=pytest.mark.slow),
        pytest.param(False, "phone", id="day-phone", marks=pytest.mark.slow),
    ],
)
def test_an_accessibility_engine_finds_nothing(page: Any, report: Path, size: str, dark: bool) -> None:
    """The engine axe, as its Python package ships it, with every rule of WCAG 2.2 A and AA and its good practices."""
    engine = axe_script()
    width, height = SIZES[size]
    page.look(width, height, dark=dark, mobile=size == "phone")
    page.call("Page.setBypassCSP", enabled=True)
    for path in every_page(report)[:2]:
        page.open(path)
        page.run("document.querySelectorAll('details').forEach((part) => { part.open = true })")
        page.settle()
        page.run(engine + ";undefined")
        found = page.run(
            "axe.run(document, {runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice']})"
            ".then((told) => [told.passes.length, told.violations.map((rule) =>"
            " `${rule.id}: ${rule.nodes.slice(0, 3).map((node) => node.html.slice(0, 120)).join(' | ')}`)])"
        )
        passed, broken = found
        assert broken == [], path
        assert passed > 20


def axe_script() -> str:
    import axe_playwright_python

    (script,) = Path(axe_playwright_python.__file__).parent.glob("**/axe.min.js")
    return script.read_text(encoding="utf-8")
