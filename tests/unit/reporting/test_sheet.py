"""The month on two pages: its figures are the report's, it names no internals, and says what to load where it is empty."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import datetime
from html.parser import HTMLParser
from pathlib import Path

import polars as pl
import pytest
from hollow_lane import HOSTILE, HollowLane

from fleetlog.reporting.mail import mail_of
from fleetlog.reporting.sheet import lacking, sheet_page, year_picture
from fleetlog.reporting.sheet_files import write_sheet
from fleetlog.reporting.sheet_findings import MONTHS, SheetFindings

CLOCK = datetime(2026, 11, 2, 6, 0)
#: Words of the annex.
INTERNALS = ("converge", "seed", "lower_80", "log odds", "natural-log", "posterior", "hazard", "p = ")


@pytest.fixture(scope="module")
def sheet(hollow_lane: HollowLane) -> SheetFindings:
    assert hollow_lane.month.sheet is not None
    return hollow_lane.month.sheet


class _Words(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.text: list[str] = []
        self._away = 0

    def handle_starttag(self, tag: str, attrs: object) -> None:
        self._away += tag in ("style", "script")

    def handle_endtag(self, tag: str) -> None:
        self._away -= tag in ("style", "script")

    def handle_data(self, data: str) -> None:
        if not self._away:
            self.text.append(data)


def words_of(page: Path) -> str:
    reader = _Words()
    reader.feed(page.read_text(encoding="utf-8"))
    return " ".join(" ".join(reader.text).split())


def test_its_files_say_the_same_and_open_alone(sheet: SheetFindings, tmp_path: Path) -> None:
    files = {path.name: path for path in write_sheet(sheet, tmp_path, clock=CLOCK)}
    assert list(files) == ["sheet.html", "sheet.pdf", "summary.txt", "plan.ics", "parts_to_order.csv"]
    page, mail = words_of(files["sheet.html"]), files["summary.txt"].read_text(encoding="utf-8")
    assert page.index("Hold.") < page.index("What needs doing") < page.index("Money")
    assert HOSTILE not in files["sheet.html"].read_text(encoding="utf-8")
    for word in INTERNALS:
        assert word not in page.lower(), word
        assert word not in mail.lower(), word
    for _, amount in sheet_page(sheet, annex=False)["spend"]:
        assert " ".join(amount.split()) in page
        assert " ".join(amount.split()) in " ".join(mail.split())
    assert all(len(line) <= 78 for line in mail.splitlines())
    assert not re.findall(r'(?:src|href)="http', files["sheet.html"].read_text(encoding="utf-8"))
    pages = re.findall(rb"/Type\s*/Page\b", files["sheet.pdf"].read_bytes())
    assert len(pages) <= 2


def test_its_money_is_the_reports(hollow_lane: HollowLane, sheet: SheetFindings) -> None:
    month = hollow_lane.month
    assert month.money is not None
    assert sheet.money.spent_in_all == month.money.spent_in_all
    assert sheet.months.height == MONTHS
    assert sheet.months["cost"].sum() == pytest.approx(month.money.spent_in_all)
    assert sheet.months["cost_in_vain"].sum() == pytest.approx(month.money.spent_in_vain)
    assert sheet.months["cost"][-1] == pytest.approx(month.cost.spent["cost"].sum())
    assert sheet.sites["cost"].sum() == pytest.approx(month.money.spent_in_all)
    assert sheet.sites["on_hold"].sum() == len(month.suspects.safety.holds)
    open_cases = [case for case in month.suspects.cases if case.state == "open"]
    assert sheet.sites["open_cases"].sum() == len(open_cases)
    assert sheet.changes == month.changes


def test_the_picture_tells_every_month_in_words_too(sheet: SheetFindings) -> None:
    drawn = str(year_picture(sheet))
    assert drawn.count("<rect") == sum(
        (row["cost"] > 0) + (row["cost_in_vain"] > 0) for row in sheet.months.to_dicts()
    )
    assert drawn.count(f"{sheet.month:%B %Y}") == 1


def test_what_is_not_there_is_one_sentence_that_says_what_to_load(
    sheet: SheetFindings, tmp_path: Path
) -> None:
    bare = replace(
        sheet,
        loaded={},
        changes=(),
        months=sheet.months.with_columns(cost=pl.lit(0.0), cost_in_vain=pl.lit(0.0)),
        money=replace(sheet.money, spent_in_all=0.0, in_vain=sheet.money.in_vain.clear()),
        plan=replace(
            sheet.plan, frame=sheet.plan.frame.clear(), parts=sheet.plan.parts.clear(), cost_ahead=0.0
        ),
        suspects=replace(sheet.suspects, cases=(), safety=replace(sheet.suspects.safety, holds=())),
    )
    (page, *_) = write_sheet(bare, tmp_path, clock=CLOCK)
    words = words_of(page)
    assert all(text in words for text in lacking(bare))
    assert len(lacking(bare)) == 4
    assert "<svg xmlns" not in page.read_text(encoding="utf-8")
    assert "Nothing on record needs work. That may only mean that something was not loaded." in words
    assert " ".join(mail_of(bare).split()).count("Load ") == 4
    assert not lacking(replace(sheet, loaded=dict.fromkeys(sheet.loaded, 1)))
