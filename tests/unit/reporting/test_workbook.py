"""The workbook: real tables, numbers as numbers, nothing that runs, the same bytes each time."""

from __future__ import annotations

import math
import zipfile
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import openpyxl
import polars as pl
import pytest
from hollow_lane import FORMULA, HollowLane

from fleetlog.errors import UsageError
from fleetlog.reporting.tables import table_frames
from fleetlog.reporting.views import VIEWS
from fleetlog.reporting.workbook import write_workbook
from fleetlog.table_specs import table_specs

CLOCK = datetime(2026, 11, 2, 6, 0)


@pytest.fixture(scope="module")
def book(hollow_lane: HollowLane, tmp_path_factory: pytest.TempPathFactory) -> Path:
    month = hollow_lane.month
    frames = table_frames("month", month)
    return write_workbook(month, frames, tmp_path_factory.mktemp("book") / "tables.xlsx", clock=CLOCK)


def test_every_sheet_is_a_real_table_with_its_head_frozen(book: Path) -> None:
    opened = openpyxl.load_workbook(book)
    assert opened.sheetnames[:4] == ["Holds", "Cases", "Ask", "Changes"]
    names = []
    for sheet in opened:
        (table,) = sheet.tables.values()
        names.append(table.name)
        assert table.autoFilter is not None
        assert sheet.freeze_panes == "B4"
        assert sheet["A1"].value
        heads = [cell.value for cell in sheet[3]]
        assert len({head.casefold() for head in heads if head}) == len([head for head in heads if head])
    assert len(set(names)) == len(names)


@pytest.mark.parametrize(
    ("sheet", "table"),
    [("Savings", "savings"), ("Life by build year", "survival_by_build_year"), ("Spent", "spent")],
)
def test_cells_hold_what_the_table_holds(book: Path, hollow_lane: HollowLane, sheet: str, table: str) -> None:
    month = hollow_lane.month
    frame = table_frames("month", month)[table]
    page = openpyxl.load_workbook(book)[sheet]
    rows = [[cell.value for cell in row] for row in page.iter_rows(min_row=4, max_row=3 + frame.height)]
    for shown, held in zip(rows, frame.rows(), strict=True):
        for one, other in zip(shown, held, strict=True):
            if isinstance(other, float):
                assert math.isclose(one, other, rel_tol=1e-14)
            else:
                assert one == (other or None if other == "" else other)


def test_headings_and_notes_are_those_of_the_page(book: Path, hollow_lane: HollowLane) -> None:
    opened = openpyxl.load_workbook(book)
    month = hollow_lane.month
    frames = table_frames("month", month)
    compared = 0
    for spec in table_specs("month"):
        if spec.sheet and spec.sheet in opened:
            heads = [cell.value for cell in opened[spec.sheet][3]]
            for column in spec.columns:
                if column.page and "{" not in column.title and column.key != "repair":
                    title = column.title[:1].upper() + column.title[1:]
                    assert (title in heads) == (
                        column.key in VIEWS[spec.sheet_view](month, frames[spec.name]).columns
                    )
                    compared += title in heads
    assert compared > 60
    assert (
        opened["Savings"]["A2"].value
        == "Sensor before pump: by the custom of replacing the sensor before the pump is opened"
    )
    assert "empty means that half have not failed yet" in opened["Life by kind"]["A2"].value


def test_numbers_are_numbers_and_dates_are_dates(book: Path, hollow_lane: HollowLane) -> None:
    page = openpyxl.load_workbook(book)["Cases"]
    heads = {cell.value: cell.column - 1 for cell in page[3]}
    row = page[4]
    assert isinstance(row[heads["Age, h"]].value, float | int)
    assert row[heads["Age, h"]].number_format == "#,##0"
    assert row[heads["Since"]].is_date
    assert row[heads["How sure"]].number_format == "0%"
    assert "USD" in row[heads["Expected cost"]].number_format
    case = hollow_lane.month.suspects.cases[0]
    assert row[heads["Chance: internal bushing"]].value == pytest.approx(case.causes["internal_bushing"])


def test_no_cell_is_a_formula_or_a_link(book: Path) -> None:
    found = []
    for sheet in openpyxl.load_workbook(book):
        for row in sheet.iter_rows():
            for cell in row:
                assert cell.data_type != "f", cell
                assert cell.hyperlink is None
                found.append(cell.value)
    assert FORMULA in found
    with zipfile.ZipFile(book) as parts:
        for name in parts.namelist():
            if name.startswith("xl/worksheets/sheet"):
                assert b"<f>" not in parts.read(name)


def test_there_are_native_charts_on_their_tables(book: Path) -> None:
    opened = openpyxl.load_workbook(book)
    with zipfile.ZipFile(book) as parts:
        charts = [name for name in parts.namelist() if name.startswith("xl/charts/chart")]
        drawn = b"".join(parts.read(name) for name in charts).decode()
    assert len(charts) == 4
    for reference in ("Curve by kind", "Repairs", "Ahead by month", "Fleet"):
        assert f"'{reference}'!" in drawn or f"{reference}!" in drawn
    assert [sheet.title for sheet in opened if sheet._charts] == [
        "Life by kind",
        "Repairs",
        "Ahead by month",
        "Fleet",
    ]


def test_the_same_month_gives_the_same_bytes(book: Path, hollow_lane: HollowLane, tmp_path: Path) -> None:
    month = hollow_lane.month
    frames = table_frames("month", month)
    again = write_workbook(month, frames, tmp_path / "again.xlsx", clock=CLOCK)
    assert again.read_bytes() == book.read_bytes()


def test_a_quiet_month_has_the_sheets_that_have_rows(hollow_lane: HollowLane, tmp_path: Path) -> None:
    month = hollow_lane.month
    none = replace(month.suspects, cases=())
    quiet = replace(month, suspects=none, suspects_before=none, forecast=None)
    path = write_workbook(quiet, table_frames("month", quiet), tmp_path / "quiet.xlsx", clock=CLOCK)
    names = openpyxl.load_workbook(path).sheetnames
    assert "Cases" not in names
    assert "Changes" not in names
    assert "Ahead by month" not in names
    assert "Repairs" in names


def test_odd_texts_are_kept_or_marked(hollow_lane: HollowLane, tmp_path: Path) -> None:
    month = hollow_lane.month
    odd = "a\x00b\x1b <&> " + "x" * 40_000
    quality = month.status.quality.with_columns(pl.lit(odd).alias("meaning"))
    changed = replace(month, status=replace(month.status, quality=quality))
    path = write_workbook(changed, table_frames("month", changed), tmp_path / "odd.xlsx", clock=CLOCK)
    page = openpyxl.load_workbook(path)["Records"]
    heads = {cell.value: cell.column - 1 for cell in page[3]}
    shown = page[4][heads["Question"]].value
    assert shown.startswith("a\ufffdb\ufffd <&> xxx")
    assert len(shown) == 32_000


def test_a_place_that_cannot_be_written(hollow_lane: HollowLane, tmp_path: Path) -> None:
    (tmp_path / "taken").write_text("")
    with pytest.raises(UsageError, match="cannot be written"):
        write_workbook(
            hollow_lane.month,
            table_frames("month", hollow_lane.month),
            tmp_path / "taken" / "x.xlsx",
            clock=CLOCK,
        )
