"""Other forms than CSV: spreadsheets, Parquet, JSON, archives. Their rows go through the same checks."""

from __future__ import annotations

import gzip
import io
import json
import zipfile
from collections.abc import Callable
from datetime import date, datetime, time
from pathlib import Path
from typing import Any

import openpyxl
import polars as pl
import pytest

from fleetlog.intake import FileResult, load_paths, rejected_frame
from fleetlog.intake.packed import FREE
from fleetlog.store import Store

from .conftest import NOW, Load, balanced

LoadAll = Callable[..., tuple[FileResult, ...]]


@pytest.fixture
def load_all(store: Store, tmp_path: Path) -> LoadAll:
    """Writes bytes to a file and loads it; what became of each of its tables."""

    def write_and_load(content: bytes, name: str, **options: Any) -> tuple[FileResult, ...]:
        path = tmp_path / name
        path.write_bytes(content)
        files = load_paths(store, [path], now=NOW, **options).files
        assert all(balanced(file) for file in files), files
        return files

    return write_and_load


def workbook(**sheets: list[list[Any]]) -> openpyxl.Workbook:
    book = openpyxl.Workbook()
    book.remove(book.worksheets[0])
    for name, rows in sheets.items():
        sheet = book.create_sheet(name)
        for row in rows:
            sheet.append(row)
    return book


def saved(book: openpyxl.Workbook) -> bytes:
    buffer = io.BytesIO()
    book.save(buffer)
    return buffer.getvalue()


class TestWorkbooks:
    """Every sheet, its header found, merged cells filled, dates as they are meant."""

    def test_all_sheets(self, load_all: LoadAll, store: Store) -> None:
        book = workbook(
            Machines=[["Machine ID", "Build date"], ["A1", 2016], [2002, "2017-12"]],
            Notes=[["How to fill this in"], ["one line a machine"]],
            Readings=[
                ["machine_id", "read_at", "hours"],
                ["A1", datetime(2024, 1, 5, 10, 30), 12.5],
                [2002, "x", 3],
            ],
            Blank=[],
        )
        book.create_sheet("Lists")["A1"] = "machine_id"
        book["Lists"].sheet_state = "hidden"
        files = load_all(saved(book), "yard.xlsx")
        assert [(f.path.split(" › ")[1], f.kind, f.rows, f.new, f.rejected) for f in files] == [
            ("Machines", "machines", 2, 2, 0),
            ("Notes", None, 0, 0, 0),
            ("Readings", "meter_readings", 2, 1, 1),
            ("Blank", None, 0, 0, 0),
            ("Lists", None, 0, 0, 0),
        ]
        assert [f.notes[-1] for f in files if f.kind is None] == [
            "passed over: no table",
            "passed over: an empty sheet",
            "passed over: a hidden sheet",
        ]
        assert store.execute("SELECT machine_id, build_date FROM machines ORDER BY row_no") == [
            ("A1", "2016"),
            ("2002", "2017-12"),
        ]
        assert store.execute("SELECT read_at, hours FROM meter_readings") == [
            (datetime(2024, 1, 5, 10, 30), 12.5)
        ]
        again = load_all(saved(book), "yard.xlsx")
        assert sum(f.new for f in again) == 0

    def test_a_header_below_a_title_and_beside_a_margin(self, load_all: LoadAll, store: Store) -> None:
        book = workbook(Log=[])
        sheet = book["Log"]
        sheet["C2"] = "Workshop log 2024"
        for column, text in zip("CDE", ["Work order ID", "Machine ID", "Opened at"], strict=True):
            sheet[f"{column}5"] = text
        for column, value in zip("CDE", ["W1", "A1", date(2024, 3, 1)], strict=True):
            sheet[f"{column}6"] = value
        sheet["D9"] = "no order"
        (result,) = load_all(saved(book), "log.xlsx")
        assert (result.kind, result.waiting, result.rejected) == ("work_orders", 1, 1)
        assert "header in row 5" in result.notes
        assert store.execute("SELECT work_order_id, opened_at, row_no FROM work_orders") == [
            ("W1", datetime(2024, 3, 1), 1)
        ]
        assert rejected_frame(store)["row_no"].to_list() == [4]

    def test_two_header_rows_with_merged_cells(self, load_all: LoadAll, store: Store) -> None:
        """A group stands over its columns; a heading may reach down over both rows."""
        book = workbook(
            Log=[
                ["machine_id", "Meter", None, "read", None],
                [None, "hours", "source", "at", "by"],
                ["A1", 12, "manual", datetime(2024, 1, 5, 8), "Kim"],
            ]
        )
        sheet = book["Log"]
        sheet.merge_cells("A1:A2")
        sheet.merge_cells("B1:C1")
        sheet.merge_cells("D1:E1")
        (result,) = load_all(saved(book), "log.xlsx")
        # "Meter hours" is no column and "hours" is; "read at" is one and "at" is not: rows are taken as a whole.
        assert result.refused is not None
        assert "looks like" in result.refused or "lacks" in result.refused
        sheet["D2"] = "read_at"
        (result,) = load_all(saved(book), "log.xlsx")
        assert (result.kind, result.waiting) == ("meter_readings", 1)
        assert store.execute("SELECT machine_id, hours, source FROM meter_readings") == [
            ("A1", 12.0, "manual")
        ]

    def test_groups_that_make_the_headings(self, load_all: LoadAll, store: Store) -> None:
        book = workbook(
            Log=[
                ["Machine", "Read", "Old meter", "New meter"],
                ["ID", None, "hours", "hours"],
                ["A1", datetime(2024, 1, 5), 900, 0],
            ]
        )
        book["Log"]["B1"], book["Log"]["B2"] = "Changed", "at"
        (result,) = load_all(saved(book), "log.xlsx")
        assert (result.kind, result.waiting) == ("meter_changes", 1)
        found = store.execute("SELECT machine_id, old_meter_hours, new_meter_hours FROM meter_changes")
        assert found == [("A1", 900.0, 0.0)]

    def test_merged_cells_hold_for_every_row_they_span(self, load_all: LoadAll, store: Store) -> None:
        book = workbook(
            Lines=[
                [None, "work_order_id", "line_no", "action"],
                [None, "W1", 1, "inspect"],
                [None, None, 2, "replace"],
                [None, None, 3, "calibrate"],
                [None, "W2", 1, "inspect"],
                [None, None, 2, "test"],
            ]
        )
        book["Lines"].merge_cells("B2:B4")
        (result,) = load_all(saved(book), "lines.xlsx")
        assert "merged cells filled downwards" in result.notes
        # The last row is not merged with the one above: an empty cell stays empty.
        assert (result.waiting, result.rejected) == (4, 1)
        assert store.execute("SELECT work_order_id, line_no FROM work_lines ORDER BY row_no") == [
            ("W1", 1),
            ("W1", 2),
            ("W1", 3),
            ("W2", 1),
        ]

    @pytest.mark.parametrize("epoch", [1900, 1904])
    def test_dates_as_they_are_meant(self, epoch: int, load_all: LoadAll, store: Store) -> None:
        """Cells formatted as dates, serial numbers that lost the format, and text; a date is a whole day."""
        book = workbook(
            Rentals=[
                ["machine_id", "out_at", "in_at", "day_rate"],
                ["A", date(2024, 1, 5), date(2024, 1, 7), 240],
                ["B", datetime(2024, 1, 5, 7, 30), datetime(2024, 1, 7, 16), 240],
                [
                    "C",
                    45296 - (1462 if epoch == 1904 else 0),
                    45298.5 - (1462 if epoch == 1904 else 0),
                    "240",
                ],
                ["D", "2024-01-05", "07/31/2024", None],
                ["E", time(7, 30), None, None],
            ]
        )
        if epoch == 1904:
            book.epoch = openpyxl.utils.datetime.CALENDAR_MAC_1904
        (result,) = load_all(saved(book), "rentals.xlsx")
        assert (result.waiting, result.rejected) == (4, 1)
        assert store.execute("SELECT machine_id, out_at, in_at FROM rentals ORDER BY row_no") == [
            ("A", datetime(2024, 1, 5), datetime(2024, 1, 7, 23, 59, 59)),
            ("B", datetime(2024, 1, 5, 7, 30), datetime(2024, 1, 7, 16)),
            ("C", datetime(2024, 1, 5), datetime(2024, 1, 7, 12)),
            ("D", datetime(2024, 1, 5), datetime(2024, 7, 31, 23, 59, 59)),
        ]

    def test_numbers_stored_as_text_and_long_ones(self, load_all: LoadAll, store: Store) -> None:
        book = workbook(
            M=[
                ["machine_id", "serial_number", "pin", "hours_at_acquisition"],
                [14, 12345678901234, "007", "1.250,5"],
            ]
        )
        load_all(saved(book), "m.xlsx")
        found = store.execute("SELECT machine_id, serial_number, pin, hours_at_acquisition FROM machines")
        assert found == [("14", "12345678901234", "007", 1250.5)]

    def test_a_formula_gives_its_last_value_or_says_so_and_a_guarded_one_is_text(
        self, load_all: LoadAll, store: Store
    ) -> None:
        book = workbook(M=[["machine_id", "make"], ["A", "=1+1"], ["B", "'=1+1"]])
        load_all(saved(book), "m.xlsx")
        assert store.execute("SELECT make FROM machines ORDER BY row_no") == [("=1+1",)]
        (reason,) = rejected_frame(store)["reason"]
        assert reason.startswith("make is a formula whose value was not saved")

    @pytest.mark.parametrize(
        ("content", "said"),
        [
            (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\0" * 600, "cannot be read as a spreadsheet"),
            (b"PK\x03\x04" + b"x" * 100, "is a damaged archive"),
            (
                saved(workbook(Only=[["How to"], ["fill in"]])),
                "has no sheet with the columns of any kind of table",
            ),
            (
                saved(workbook(Only=[["machine_id", "hours"], ["A", 5]])),
                "looks like meter_readings but lacks",
            ),
        ],
    )
    def test_workbooks_that_are_refused(self, content: bytes, said: str, load_all: LoadAll) -> None:
        (result,) = load_all(content, "bad.xlsx")
        assert result.refused is not None
        assert said in result.refused
        assert result.refused.endswith(".")

    def test_a_workbook_that_would_fill_the_memory(self, load_all: LoadAll) -> None:
        buffer = io.BytesIO()
        with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
            archive.writestr("xl/workbook.xml", "<workbook/>")
            with archive.open("xl/worksheets/sheet1.xml", "w", force_zip64=True) as part:
                for _ in range(80):
                    part.write(b"<row/>" * 175_000)
        (result,) = load_all(buffer.getvalue(), "bomb.xlsx")
        assert result.refused is not None
        assert "the most for a workbook is 629,145,600" in result.refused

    def test_entities_in_a_workbook_are_not_expanded(self, load_all: LoadAll, store: Store) -> None:
        content = saved(workbook(M=[["machine_id"], ["A"]]))
        buffer = io.BytesIO()
        with zipfile.ZipFile(io.BytesIO(content)) as old, zipfile.ZipFile(buffer, "w") as new:
            for name in old.namelist():
                text = old.read(name)
                if name == "xl/workbook.xml":
                    text = b'<!DOCTYPE x [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;">]>' + text
                new.writestr(name, text)
        (result,) = load_all(buffer.getvalue(), "entities.xlsx")
        assert balanced(result)


class TestParquet:
    """Typed columns become text and go through the same checks."""

    def test_types(self, load_all: LoadAll, store: Store) -> None:
        frame = pl.DataFrame(
            {
                "Machine ID": ["A", "B", None],
                "read_at": [datetime(2024, 1, 5, 10, 30), datetime(2024, 1, 6), datetime(2024, 1, 7)],
                "hours": [12.5, float("nan"), 3.0],
                "tags": [["x"], [], None],
            },
            schema_overrides={"read_at": pl.Datetime(time_zone="Europe/Oslo")},
        )
        buffer = io.BytesIO()
        frame.write_parquet(buffer)
        (result,) = load_all(buffer.getvalue(), "readings.parquet")
        assert (result.kind, result.waiting, result.rejected) == ("meter_readings", 1, 2)
        assert "columns not used: tags" in result.notes
        assert store.execute("SELECT machine_id, read_at, hours, row_no FROM meter_readings") == [
            ("A", datetime(2024, 1, 5, 10, 30), 12.5, 1)
        ]
        assert rejected_frame(store)["row_no"].to_list() == [2, 3]

    def test_damaged(self, load_all: LoadAll) -> None:
        (result,) = load_all(b"PAR1" + b"\0" * 100 + b"PAR1", "bad.parquet")
        assert result.refused is not None
        assert "is no readable Parquet file" in result.refused


class TestJson:
    """One object a line, or a list of objects."""

    ROWS = (
        {"machine_id": "A", "read_at": "2024-01-05T10:30", "hours": 12.5},
        {"hours": 3, "machine_id": 7, "read_at": "2024-01-06", "extra": {"x": [1]}},
        {"machine_id": "B", "hours": None, "read_at": "2024-01-06"},
    )

    @pytest.mark.parametrize("form", ["lines", "list", "utf-16", "spaced"])
    def test_rows(self, form: str, load_all: LoadAll, store: Store) -> None:
        content = {
            "lines": "\n".join(map(json.dumps, self.ROWS)).encode(),
            "list": json.dumps(self.ROWS, indent=1).encode(),
            "utf-16": "\n".join(map(json.dumps, self.ROWS)).encode("utf-16"),
            "spaced": b"\n" + b"\r\n\r\n".join(json.dumps(row).encode() for row in self.ROWS) + b"\n",
        }[form]
        (result,) = load_all(content, "rows.jsonl")
        assert (result.kind, result.rows, result.waiting, result.rejected) == ("meter_readings", 3, 2, 1)
        assert "columns not used: extra" in result.notes
        assert store.execute("SELECT machine_id, hours FROM meter_readings ORDER BY row_no") == [
            ("A", 12.5),
            ("7", 3.0),
        ]

    def test_broken_lines_are_kept_with_their_text(self, load_all: LoadAll, store: Store) -> None:
        lines = [
            json.dumps(self.ROWS[0]),
            '{"machine_id": "B", ',
            "[1, 2]",
            "text",
            json.dumps(self.ROWS[1]),
            "{}",
        ]
        (result,) = load_all("\n".join(lines).encode(), "rows.jsonl")
        assert (result.rows, result.waiting, result.rejected) == (5, 2, 3)
        rows = store.execute("SELECT row_no, reason, raw FROM rejected_row ORDER BY reject_id")
        assert [row[0] for row in rows] == [2, 3, 4]
        assert rows[0][1].startswith("the line is no JSON object; write one such as")
        assert json.loads(rows[0][2])["line"] == lines[1]

    def test_keys_with_signs_of_their_own(self, load_all: LoadAll, store: Store) -> None:
        row = {"machine_id": "A", "a/b~c.$[0]": "x", "": "y", 'q"uote': 1}
        (result,) = load_all(json.dumps(row).encode(), "rows.jsonl")
        assert result.new == 1
        assert 'columns not used: a/b~c.$[0], column 3 (no name), q"uote' in result.notes

    @pytest.mark.parametrize(
        ("content", "said"),
        [
            (b"[]", "holds no JSON objects with fields"),
            (b"{}", "holds no JSON objects with fields"),
            (b"[1, 2, 3]", "holds no JSON objects with fields"),
            (b"[{]", "is no readable JSON"),
            (b"{", "holds no JSON objects with fields"),
            (b'{"a": 1}', "has no column of any kind of table"),
            (b"[" * 100_000, "is no readable JSON"),
        ],
    )
    def test_refused(self, content: bytes, said: str, load_all: LoadAll) -> None:
        (result,) = load_all(content, "bad.json")
        assert result.refused is not None
        assert said in result.refused


MACHINES = b"machine_id,site\nA,North\nB,\n"


def zipped(members: dict[str, bytes], **options: Any) -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in members.items():
            archive.writestr(zipfile.ZipInfo(name) if options.get("info") else name, content)
    return buffer.getvalue()


class TestArchives:
    """gzip and zip, unpacked within bounds; nothing is written under a name that an archive gives."""

    def test_gzip(self, load: Load, load_all: LoadAll) -> None:
        (result,) = load_all(gzip.compress(MACHINES), "machines.csv.gz")
        assert (result.kind, result.new) == ("machines", 2)
        assert load(MACHINES.decode(), name="machines.csv").notes[0] == "loaded before"

    def test_zip(self, load_all: LoadAll, tmp_path: Path) -> None:
        content = zipped(
            {
                "b/readings.csv": b"machine_id,read_at,hours\nA,2024-01-01,5\n",
                "a/machines.csv": MACHINES,
                "README.md": b"# hello",
                "__MACOSX/a.csv": b"x",
                "inner.zip": zipped({"a.csv": MACHINES}),
                "bad.csv": b"",
            }
        )
        files = {f.path.split(" › ")[1]: f for f in load_all(content, "yard.zip")}
        assert list(files) == ["README.md", "a/machines.csv", "b/readings.csv", "bad.csv", "inner.zip"]
        assert files["a/machines.csv"].new == 2
        assert files["b/readings.csv"].new == 1
        assert files["README.md"].notes == ("passed over: no table",)
        assert "is empty (0 bytes)" in str(files["bad.csv"].refused)
        assert "is an archive inside an archive" in str(files["inner.zip"].refused)
        assert sorted(path.name for path in tmp_path.iterdir()) == ["yard.zip"]

    @pytest.mark.parametrize(
        "name", ["../evil.csv", "/etc/evil.csv", "a/../../evil.csv", "C:/evil.csv", "a\\..\\evil.csv"]
    )
    def test_names_that_lead_out(self, name: str, load_all: LoadAll, tmp_path: Path) -> None:
        files = load_all(zipped({"machines.csv": MACHINES, name: MACHINES}), "tricks.zip")
        assert len(files) == 1
        assert "which leads out of the archive; nothing of it was read" in str(files[0].refused)
        assert sorted(path.name for path in tmp_path.iterdir()) == ["tricks.zip"]

    def test_a_member_without_a_name(self, load_all: LoadAll) -> None:
        """A name ends with its first zero byte."""
        content = zipped({"machines.csv": MACHINES, "evil.csv": MACHINES}).replace(b"evil.csv", b"\0vil.csv")
        (result,) = load_all(content, "nameless.zip")
        assert "leads out of the archive" in str(result.refused)

    def test_links(self, load_all: LoadAll) -> None:
        buffer = io.BytesIO()
        with zipfile.ZipFile(buffer, "w") as archive:
            link = zipfile.ZipInfo("link.csv")
            link.external_attr = 0o120777 << 16
            archive.writestr(link, "/etc/passwd")
        (result,) = load_all(buffer.getvalue(), "link.zip")
        assert "leads out of the archive" in str(result.refused)

    @pytest.mark.parametrize("form", ["gzip", "zip"])
    def test_bombs(self, form: str, load_all: LoadAll) -> None:
        size = FREE + (64 << 20)
        zeros = b"0" * size
        content = gzip.compress(zeros) if form == "gzip" else zipped({"bomb.csv": zeros})
        (result,) = load_all(content, f"bomb.{form}")
        assert "no table does that, so it was left alone." in str(result.refused)

    def test_damage(self, load_all: LoadAll) -> None:
        whole = gzip.compress(MACHINES * 1000)
        (result,) = load_all(whole[: len(whole) // 2], "half.csv.gz")
        assert "cannot be unpacked" in str(result.refused)
        content = bytearray(zipped({"a.csv": MACHINES, "b.csv": MACHINES * 50}))
        content[40] ^= 0xFF
        first, second = load_all(bytes(content), "damaged.zip")
        assert "cannot be unpacked" in str(first.refused)
        assert second.refused is None
        (result,) = load_all(content[:60], "half.zip")
        assert "is a damaged archive" in str(result.refused)

    def test_a_password(self, load_all: LoadAll) -> None:
        content = bytearray(zipped({"a.csv": MACHINES}))
        content[6] |= 1
        content[content.rindex(b"PK\x01\x02") + 8] |= 1
        (result,) = load_all(bytes(content), "locked.zip")
        assert "is locked with a password" in str(result.refused)


def test_a_folder_holds_all_forms(store: Store, tmp_path: Path) -> None:
    (tmp_path / "1.csv").write_bytes(MACHINES)
    (tmp_path / "2.csv.gz").write_bytes(gzip.compress(MACHINES + b"C,\n"))
    (tmp_path / "3.xlsx").write_bytes(saved(workbook(M=[["machine_id"], ["D"]])))
    pl.DataFrame({"machine_id": ["E"]}).write_parquet(tmp_path / "4.parquet")
    (tmp_path / "5.jsonl").write_text('{"machine_id": "F"}\n')
    (tmp_path / "6.zip").write_bytes(zipped({"m.csv": b"machine_id\nG\n"}))
    result = load_paths(store, [tmp_path], now=NOW)
    assert [file.new for file in result.files] == [2, 1, 1, 1, 1, 1]
    assert not store.execute(
        "SELECT table_name FROM duckdb_tables() WHERE temporary AND table_name NOT LIKE 'reject%'"
    )
