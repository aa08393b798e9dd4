"""Workbooks are read apart: stray cells, failed formulas, durations, and those that would take too much."""

from __future__ import annotations

import resource
import zipfile
from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import openpyxl
import pytest

from fleetlog.intake import load_paths, rejected_frame
from fleetlog.intake import workbook as module
from fleetlog.store import Store

from .conftest import NOW

Fill = Callable[[Any], None]
HEADER = ["machine_id", "read_at", "hours"]


@pytest.fixture
def book(tmp_path: Path) -> Callable[[Fill], Path]:
    def write(fill: Fill) -> Path:
        made = openpyxl.Workbook()
        made.active.append(HEADER)  # type: ignore[union-attr]
        made.active.append(["A", date(2023, 1, 1), 1250])  # type: ignore[union-attr]
        fill(made.active)
        made.save(tmp_path / "book.xlsx")
        return tmp_path / "book.xlsx"

    return write


@pytest.mark.parametrize("place", ["XFD1048576", "XFD1", "A1048576"])
def test_a_stray_cell_is_passed_over(place: str, book: Callable[[Fill], Path], store: Store) -> None:
    path = book(lambda sheet: sheet.__setitem__(place, "x"))
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    children = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss  # of other tests in this process
    (result,) = load_paths(store, [path], now=NOW).files
    assert (result.refused, result.rows, result.waiting) == (None, 1, 1)
    assert any(note.startswith("cells far from the table passed over") for note in result.notes)
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 200_000  # kB
    assert resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss <= max(children, 500_000)


def test_a_workbook_that_takes_too_much_is_refused(
    book: Callable[[Fill], Path], store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = book(lambda sheet: None)
    with monkeypatch.context() as patch:
        patch.setattr(module, "MEMORY", 20 << 20)
        patch.setattr(module, "MEMORY_TIMES", 0)
        (result,) = load_paths(store, [path], now=NOW).files
    assert result.refused is not None
    assert "cannot be read as a spreadsheet" in result.refused
    with monkeypatch.context() as patch:
        patch.setattr(module, "SECONDS", 0.001)
        patch.setattr(module, "SPEED", 1 << 40)
        (result,) = load_paths(store, [path], now=NOW).files
    assert result.refused is not None
    assert "seconds to read and was left alone" in result.refused
    assert load_paths(store, [path], now=NOW).files[0].waiting == 1


def test_a_formula_that_gives_an_empty_text_is_an_empty_cell(
    book: Callable[[Fill], Path], store: Store
) -> None:
    path = book(
        lambda sheet: sheet.__setitem__("D1", "source") or sheet.__setitem__("D2", '=IF(TRUE,"","x")')
    )
    (result,) = load_paths(store, [path], now=NOW).files
    assert result.rejected == 1  # as written, its value was never worked out
    plain = path.with_name("saved.xlsx")
    with zipfile.ZipFile(path) as archive, zipfile.ZipFile(plain, "w") as out:
        for name in archive.namelist():
            text = archive.read(name)
            if name.endswith("sheet1.xml"):
                assert b'<c r="D2">' in text
                text = text.replace(b'<c r="D2">', b'<c r="D2" t="str">')
            out.writestr(name, text)
    (result,) = load_paths(store, [plain], now=NOW).files
    assert (result.rejected, result.waiting) == (0, 1)


def test_formulas_without_a_value_and_durations(book: Callable[[Fill], Path], store: Store) -> None:
    def fill(sheet: Any) -> None:
        for day, value in enumerate(
            ("#REF!", "=1+1", timedelta(hours=1250, minutes=30), timedelta(hours=48)), 2
        ):
            sheet.append(["A", date(2023, 1, day), value])
        sheet["C3"].data_type = "e"
        for cell in ("C5", "C6"):
            sheet[cell].number_format = "[h]:mm"

    (result,) = load_paths(store, [book(fill)], now=NOW).files
    assert (result.rows, result.rejected) == (5, 2)
    assert [reason.partition(";")[0] for reason in rejected_frame(store)["reason"]] == [
        "hours '#REF!' is the error of a formula in the spreadsheet",
        "hours is a formula whose value was not saved",
    ]
    assert store.execute("SELECT hours FROM meter_readings ORDER BY row_no") == [(1250,), (1250.5,), (48,)]
