from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

import openpyxl
import polars as pl
import pytest

from fleetlog.errors import UsageError
from fleetlog.intake import PlainSettings, load_paths
from fleetlog.intake.worksheet import FIRST_SHEET, LAST_ROW, LISTS_SHEET, USUAL, write_worksheet
from fleetlog.store import Store, open_store
from fleetlog.store.dictionary import ACTIONS, COMPONENTS, KINDS

MACHINES = """machine_id,site,disposed_on
028,North,
L-1,South,
=9+9,North,
OLD,North,2020-01-01
"""


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    machines = tmp_path / "machines.csv"
    machines.write_text(MACHINES, encoding="utf-8")
    with open_store(None) as opened:
        assert load_paths(opened, [machines]).files[0].new == 4
        yield opened


def filled(path: Path, rows: dict[str, list[dict[str, Any]]]) -> None:
    """Fills in a workbook as a person would: values under headings, saved again."""
    book = openpyxl.load_workbook(path)
    for sheet, values in rows.items():
        places = {cell.value: cell.column for cell in book[sheet][1]}
        for number, row in enumerate(values, start=2):
            for name, value in row.items():
                book[sheet].cell(number, places[name]).value = value
    book.save(path)


def validations(sheet: Any) -> dict[str, Any]:
    """Heading -> the rule of its column."""
    heads = {cell.column_letter: cell.value for cell in sheet[1]}
    found = {}
    for rule in sheet.data_validations.dataValidation:
        area = str(rule.sqref)
        letters = "".join(c for c in area.split(":")[0] if c.isalpha())
        assert area == f"{letters}2:{letters}{LAST_ROW + 1}"
        found[heads[letters]] = rule
    return found


def words(book: Any, source: str) -> list[str]:
    """The words of a list's range."""
    sheet, _, area = source.lstrip("=").partition("!")
    return [row[0].value for row in book[sheet][area.replace("$", "")]]


def test_a_filled_worksheet_loads_as_it_is(store: Store, tmp_path: Path) -> None:
    path = tmp_path / "shop.xlsx"
    write_worksheet(store, path)
    filled(
        path,
        {
            "work_orders": [
                {
                    "work_order_id": "W1",
                    "machine_id": "028",
                    "opened_at": datetime(2026, 3, 4, 14, 30),
                    "closed_at": datetime(2026, 3, 5),
                    "hours": 1234.5,
                    "complaint": "'=RH neutral code",
                    "status": "closed",
                }
            ],
            "work_lines": [
                {
                    "work_order_id": "W1",
                    "line_no": 1,
                    "component": "internal_bushing",
                    "side": "right",
                    "action": "replace",
                    "finding": "worn",
                    "labour_hours": 13.5,
                    "note": "took all day",
                },
                {"work_order_id": "W1", "line_no": 2, "component": "drive_pump", "action": "calibrate"},
            ],
            "measurements": [
                {
                    "machine_id": "L-1",
                    "measured_at": datetime(2026, 3, 5),
                    "quantity": "sensor_neutral_voltage",
                    "side": "left",
                    "value": 2.03,
                    "unit": "V",
                }
            ],
        },
    )
    results = load_paths(store, [path], now=datetime(2026, 6, 1)).files
    loaded = {result.kind: (result.new, result.rejected) for result in results if result.kind}
    written = {"work_orders": (1, 0), "work_lines": (2, 0), "measurements": (1, 0)}
    assert loaded == {**written, "release_checks": (0, 0)}
    assert not any(result.refused for result in results)
    order = store.execute("SELECT machine_id, opened_at, closed_at, hours, status FROM work_orders")
    assert order == [
        ("028", datetime(2026, 3, 4, 14, 30), datetime(2026, 3, 5, 23, 59, 59), 1234.5, "closed")
    ]
    line = store.execute(
        "SELECT component, side, action, finding, labour_hours FROM work_lines WHERE line_no = 1"
    )
    assert line == [("internal_bushing", "right", "replace", "worn", 13.5)]
    assert store.execute("SELECT machine_id, value FROM measurements") == [("L-1", 2.03)]


def test_an_empty_worksheet_loads_nothing_and_is_no_error(store: Store, tmp_path: Path) -> None:
    path = tmp_path / "empty.xlsx"
    write_worksheet(store, path)
    results = load_paths(store, [path]).files
    assert not any(result.refused for result in results), results
    assert sum(result.rows for result in results) == 0


def test_sheets_headings_notes_and_frozen_header(store: Store, tmp_path: Path) -> None:
    path = tmp_path / "shop.xlsx"
    write_worksheet(store, path)
    book = openpyxl.load_workbook(path)
    assert book.sheetnames == [FIRST_SHEET, *USUAL, LISTS_SHEET]
    assert book[LISTS_SHEET].sheet_state == "hidden"
    for kind in USUAL:
        sheet = book[kind]
        assert [cell.value for cell in sheet[1]] == [column.name for column in KINDS[kind].columns]
        assert str(sheet.freeze_panes).endswith("2")
        for cell, column in zip(sheet[1], KINDS[kind].columns, strict=True):
            assert cell.comment is not None
            assert ("Must be filled in." in cell.comment.text) is column.required
    hours = next(cell for cell in book["work_orders"][1] if cell.value == "hours")
    assert "hour-meter hours" in hours.comment.text
    told = [cell.value for row in book[FIRST_SHEET].iter_rows() for cell in row if cell.value]
    assert any("fleetlog load" in line for line in told)
    assert all(len([cell for cell in row if cell.value]) <= 1 for row in book[FIRST_SHEET].iter_rows())


def test_lists_to_choose_from(store: Store, tmp_path: Path) -> None:
    path = tmp_path / "shop.xlsx"
    settings = PlainSettings(words={"component": ["seat_belt"], "quantity": ["case_pressure_reading"]})
    write_worksheet(store, path, settings=settings)
    book = openpyxl.load_workbook(path)
    lines = validations(book["work_lines"])
    assert words(book, lines["component"].formula1) == [*COMPONENTS, "seat_belt"]
    assert words(book, lines["action"].formula1) == list(ACTIONS)
    assert lines["component"].showErrorMessage
    orders = validations(book["work_orders"])
    assert sorted(words(book, orders["machine_id"].formula1)) == ["028", "=9+9", "L-1"]
    assert not orders["machine_id"].showErrorMessage  # a machine bought since may be written
    assert words(book, orders["site"].formula1) == ["North", "South"]
    assert lines["work_order_id"].formula1 == f"work_orders!$A$2:$A${LAST_ROW + 1}"
    measured = validations(book["measurements"])
    assert "case_pressure_reading" in words(book, measured["quantity"].formula1)


def test_dates_and_numbers_are_held_to_their_limits(store: Store, tmp_path: Path) -> None:
    path = tmp_path / "shop.xlsx"
    write_worksheet(store, path, kinds=["work_orders", "fault_codes"])
    book = openpyxl.load_workbook(path)
    orders = validations(book["work_orders"])
    assert orders["opened_at"].type == "date"
    assert (orders["hours"].type, float(orders["hours"].formula2)) == ("decimal", 100_000.0)
    codes = validations(book["fault_codes"])
    assert (codes["fmi"].type, float(codes["fmi"].formula2)) == ("whole", 31.0)


def test_nothing_in_it_is_a_formula(store: Store, tmp_path: Path) -> None:
    path = tmp_path / "shop.xlsx"
    write_worksheet(store, path)
    book = openpyxl.load_workbook(path)
    for sheet in book:
        for row in sheet.iter_rows():
            assert all(cell.data_type != "f" for cell in row)


def test_open_orders_come_along_and_are_known_when_sent_back(store: Store, tmp_path: Path) -> None:
    orders = tmp_path / "orders.csv"
    orders.write_text(
        "work_order_id,machine_id,opened_at,closed_at,status\n"
        "W1,028,2026-03-04T22:30:15-05:00,,open\nW2,L-1,2026-03-01,2026-03-02,closed\n"
        "W3,L-1,2026-07-01T10:00,,\nW4,L-1,2026-03-01,,cancelled\n",
        encoding="utf-8",
    )
    settings = PlainSettings(time_zone="America/Denver")
    load_paths(store, [orders], settings=settings, now=datetime(2026, 8, 1))
    path = tmp_path / "shop.xlsx"
    write_worksheet(store, path, kinds=["work_orders"], settings=settings, open_orders=True)
    sheet = openpyxl.load_workbook(path)["work_orders"]
    assert [row[0].value for row in sheet.iter_rows(min_row=2)] == ["W1", "W3"]
    assert sheet["C2"].value == datetime(2026, 3, 4, 20, 30, 15)
    results = load_paths(store, [path], settings=settings, now=datetime(2026, 8, 1)).files
    (result,) = [result for result in results if result.kind]
    assert (result.known, result.new, result.corrected) == (2, 0, 0)
    filled(path, {"work_orders": [{"closed_at": datetime(2026, 3, 6), "status": "closed"}]})
    results = load_paths(store, [path], settings=settings, now=datetime(2026, 8, 1)).files
    (result,) = [result for result in results if result.kind]
    assert (result.known, result.corrected) == (1, 1)


def test_frames_do_as_well_as_a_store(tmp_path: Path) -> None:
    path = tmp_path / "shop.xlsx"
    frames = {
        "machines": pl.DataFrame({"machine_id": ["B", "A", "B", None]}),
        "measurements": pl.DataFrame({"machine_id": ["A"], "value": [2.0]}),
    }
    write_worksheet(frames, path)
    book = openpyxl.load_workbook(path)
    assert words(book, validations(book["measurements"])["machine_id"].formula1) == ["B", "A"]
    assert [cell.value for cell in book["measurements"][2]][:1] == ["A"]
    write_worksheet({}, path)
    assert "machine_id" not in validations(openpyxl.load_workbook(path)["work_orders"])


def test_the_same_content_gives_the_same_file(store: Store, tmp_path: Path) -> None:
    for name in ("a.xlsx", "b.xlsx"):
        write_worksheet(store, tmp_path / name)
    assert (tmp_path / "a.xlsx").read_bytes() == (tmp_path / "b.xlsx").read_bytes()


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_can_be_a_sheet(kind: str, store: Store, tmp_path: Path) -> None:
    path = tmp_path / "one.xlsx"
    write_worksheet(store, path, kinds=[kind])
    assert not any(result.refused for result in load_paths(store, [path]).files)


def test_mistakes_are_told_in_one_sentence(store: Store, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="'work_order' is no kind of table"):
        write_worksheet(store, tmp_path / "x.xlsx", kinds=["work_order"])
    with pytest.raises(UsageError, match=r"must end in \.xlsx"):
        write_worksheet(store, tmp_path / "x.csv")
    with pytest.raises(UsageError, match="at least one kind"):
        write_worksheet(store, tmp_path / "x.xlsx", kinds=[])
    with pytest.raises(UsageError, match="cannot be written"):
        write_worksheet(store, tmp_path / "no" / "x.xlsx")
    with pytest.raises(UsageError, match="'machine' is no kind of table"):
        write_worksheet({"machine": pl.DataFrame()}, tmp_path / "x.xlsx")
