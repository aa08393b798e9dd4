"""Job cards: what stands first, that their figures are those of the findings, and that the workbook loads back."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import openpyxl
import pytest
from hollow_lane import HOSTILE, HollowLane

from fleetlog.errors import UsageError
from fleetlog.faults import load_families
from fleetlog.phrasing import said
from fleetlog.reporting.jobcard import LINES, JobCard, job_card
from fleetlog.reporting.jobcard_book import job_card_book
from fleetlog.reporting.jobcard_files import write_job_cards
from fleetlog.session.fleet import Fleet, open_fleet

CLOCK = datetime(2026, 11, 2, 6, 0)
FAMILY = load_families()["neutral-return"]


def card_of(yard: HollowLane, machine: str) -> JobCard:
    assert yard.month.plan is not None
    return job_card(FAMILY, yard.unit(machine), yard.month.plan)


@pytest.fixture(scope="module")
def fleet(hollow_lane: HollowLane, tmp_path_factory: pytest.TempPathFactory) -> Fleet:
    """A fleet of the yard's machine list alone."""
    with open_fleet(tmp_path_factory.mktemp("cards") / "own.duckdb", create=True) as made:
        made.load([hollow_lane.files["machines"]])
        yield made


def test_a_card_says_what_the_findings_say(hollow_lane: HollowLane) -> None:
    card, unit = card_of(hollow_lane, "SK-104"), hollow_lane.unit()
    case = next(one for one in unit.cases if one.state == "open")
    assert card.safety.holds == unit.safety.holds
    assert card.safety.cautions == FAMILY.cautions
    assert card.labour_hours == sum(one.labour_hours or 0 for one in unit.cases if one.state == "open")
    assert next(said(one.title) for one in card.steps) == said(case.next_step)
    assert len(card.past) == LINES
    assert card.past == tuple(sorted(card.past))
    assert hollow_lane.month.plan is not None
    planned = hollow_lane.month.plan.frame.filter(machine_id="SK-104")["week"].to_list()
    assert card.week == (planned[0] if planned else "")


def test_work_behind_an_opening_adds_its_own_hours_only(hollow_lane: HollowLane) -> None:
    opening = FAMILY.openings[0]
    card = card_of(hollow_lane, "SK-104")
    unit = hollow_lane.unit()
    case = replace(next(one for one in unit.cases if one.state == "open"), step=opening.name)
    assert hollow_lane.month.plan is not None
    opened = job_card(FAMILY, replace(unit, cases=(case,)), hollow_lane.month.plan)
    behind = [one for one in FAMILY.steps if one.opening == opening.name]
    assert [one.hours for one in opened.steps[: len(behind) + 1]] == [
        opening.labour_hours,
        *(one.labour_hours - opening.labour_hours for one in sorted(behind, key=lambda one: one.order)),
    ]
    assert all(one.when.startswith("only if") for one in opened.steps[1 : len(behind) + 1])
    assert card.fault_title == FAMILY.title


def test_hold_and_cautions_come_first_on_the_page_and_nothing_runs(
    hollow_lane: HollowLane, fleet: Fleet, tmp_path: Path
) -> None:
    cards = (card_of(hollow_lane, "SK-104"), card_of(hollow_lane, HOSTILE))
    page = write_job_cards(fleet, cards, tmp_path / "cards.html", clock=CLOCK).read_text(encoding="utf-8")
    assert page.index("Hold.") < page.index(FAMILY.texts.cautions_title) < page.index("What happened")
    assert page.index("What happened") < page.index("Steps, in order") < page.index("To fill in")
    assert HOSTILE not in page
    assert page.count('class="card"') == 2
    paper = write_job_cards(fleet, cards, tmp_path / "cards.pdf", clock=CLOCK).read_bytes()
    assert paper.startswith(b"%PDF")
    with pytest.raises(UsageError, match="must end in"):
        write_job_cards(fleet, cards, tmp_path / "cards.docx", clock=CLOCK)


def calculated(path: Path) -> None:
    """Does what a spreadsheet does with our formulas, all of which are IF(cells are empty, "", value)."""
    book = openpyxl.load_workbook(path)

    def value(sheet: str, ref: str) -> object:
        where, _, cell = ref.rpartition("!")
        found = book[where or sheet][cell.replace("$", "")].value
        return formula(where or sheet, found) if isinstance(found, str) and found.startswith("=") else found

    def formula(sheet: str, text: str) -> object:
        if days := re.fullmatch(r'=IF\(COUNT\((\w+)!\$(\w)\$(\d+):\$\w\$(\d+)\)=0,"",MIN\(.*\)\)', text):
            place, letter, first, last = days.groups()
            known = [book[place][f"{letter}{n}"].value for n in range(int(first), int(last) + 1)]
            return min((day for day in known if day is not None), default=None)
        found = re.fullmatch(r'=IF\((?:OR\()?(.+?)=""(?:,(.+?)="")?\)?,"",(.+)\)', text)
        assert found, text
        if any(ref and value(sheet, ref) in (None, "") for ref in found.groups()[:2]):
            return None
        answer = found[3]
        if answer.startswith('"'):
            return answer[1:-1].replace('""', '"')
        return int(answer) if answer.isdigit() else value(sheet, answer)

    done = {
        (sheet.title, cell.coordinate): formula(sheet.title, cell.value)
        for sheet in book
        for row in sheet
        for cell in row
        if isinstance(cell.value, str) and cell.value.startswith("=IF(")
    }
    for (sheet, cell), answer in done.items():
        book[sheet][cell].value = answer
    book.save(path)


def test_the_workbook_loads_back_what_was_filled_in_and_nothing_else(
    hollow_lane: HollowLane, fleet: Fleet, tmp_path: Path
) -> None:
    path = tmp_path / "card.xlsx"
    card = card_of(hollow_lane, "SK-104")
    path.write_bytes(job_card_book(fleet, [card, card_of(hollow_lane, "SK-131")]))
    assert all(file.rows == 0 and not file.refused for file in fleet.load([path]).files)
    book = openpyxl.load_workbook(path)
    lines = book["work_lines"]
    heads = {cell.value: cell.column_letter for cell in lines[1]}
    lines["C2"].value = datetime(2026, 11, 3)
    lines[f"{heads['result']}2"].value = "failed"
    lines[f"{heads['labour_hours']}2"].value = 1.5
    book["measurements"]["F2"].value = 2.31
    book["release_checks"]["B2"].value = datetime(2026, 11, 3, 15, 0)
    book["release_checks"]["D2"].value = "passed"
    book.save(path)
    calculated(path)
    told = {file.kind: file for file in fleet.load([path]).files if file.kind}
    assert {kind: (file.new, file.rejected, file.waiting) for kind, file in told.items()} == dict.fromkeys(
        ("work_orders", "work_lines", "measurements", "release_checks"), (1, 0, 0)
    )
    (row,) = fleet.store.execute(
        "SELECT o.machine_id, l.line_no, l.component, l.action, l.side, l.result, l.labour_hours "
        "FROM work_lines AS l JOIN work_orders AS o USING (work_order_id)"
    )
    first = card.work[0]
    assert row == ("SK-104", 1, first.component, first.action, first.side or None, "failed", 1.5)
    ((side, unit),) = fleet.store.execute("SELECT side, unit FROM measurements")
    assert (side, unit) == (card.sides[0], card.unit)
