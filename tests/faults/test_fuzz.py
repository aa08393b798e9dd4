"""Files made by chance: no reader raises anything but its sentence, and no row is lost without a word.

`FLEETLOG_FUZZ=2000` makes that many files a reader; without it fewer are made, so that the suite stays quick.
"""

from __future__ import annotations

import csv
import gzip
import io
import json
import os
import zipfile
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

import openpyxl
import polars as pl
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from fleetlog.errors import FleetlogError
from fleetlog.intake import load_paths
from fleetlog.store import Store, open_store
from fleetlog.store.dictionary import KINDS

from .conftest import NOW

FILES = int(os.environ.get("FLEETLOG_FUZZ", "25"))

made_by_chance = settings(
    max_examples=FILES,
    deadline=None,
    derandomize=True,
    database=None,
    phases=(Phase.generate, Phase.shrink),
    suppress_health_check=list(HealthCheck),
)

ROWS = [
    {"machine_id": "A1", "read_at": "2024-01-05T10:30", "hours": "12.5", "source": "telematics"},
    {"machine_id": "A1", "read_at": "2024-01-06", "hours": "13", "source": "manual"},
    {"machine_id": "Å2", "read_at": "2024-01-06T00:00:00+02:00", "hours": "n/a", "source": ""},
    {"machine_id": "B3", "read_at": "31/12/2023", "hours": "1,5", "source": 'the "new" one; see note\nbelow'},
    {"machine_id": "", "read_at": "1899-12-30", "hours": "-7", "source": "x"},
]


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("made")


@pytest.fixture(scope="module")
def store() -> Iterator[Store]:
    with open_store(None) as opened:
        yield opened


def load(store: Store, path: Path, content: bytes, **options: Any) -> int:
    """Loads a file; its counts must add up and agree with the store. How many rows were found in it."""
    path.write_bytes(content)
    before = store.execute("SELECT coalesce(max(file_id), 0) FROM source_file")[0][0]
    try:
        files = load_paths(store, [path], now=NOW, **options).files
    except FleetlogError as error:
        raise AssertionError(f"a sentence that should be a result: {error}") from error
    rows = 0
    for file in files:
        became = (file.new, file.known, file.corrected, file.rejected, file.waiting)
        assert file.rows == sum(became), file
        assert min(became) >= 0, file
        if file.refused:
            assert file.rows == 0, file
            assert file.refused.endswith("."), file
            assert len(file.refused) < 2000, file
        rows += file.rows
    stored = sum(
        store.execute(f"SELECT count(*) FROM {kind} WHERE file_id > $before", {"before": before})[0][0]
        for kind in KINDS
    )
    # A corrected row bears the file that corrected it last, so it may stand for several corrections.
    fresh = sum(file.new + file.waiting for file in files)
    assert fresh <= stored <= fresh + sum(file.corrected for file in files)
    rejected = store.execute("SELECT count(*) FROM rejected_row WHERE file_id > $before", {"before": before})
    assert rejected[0][0] <= sum(file.rejected for file in files)
    assert not store.execute("SELECT 1 FROM duckdb_tables() WHERE temporary AND table_name LIKE 'checked%'")
    return rows


PIECES = st.sampled_from(
    b"\"|'|,|;|\t|\n|\r|\r\n|\0|\xff|\xef\xbb\xbf|\xe2\x82| |<|>|&|{|}|[|]|:|\\|/|-|0|1e999|null|machine_id|hours"
    b"|2024-02-30|PK\x03\x04|\x1f\x8b|]]>|<!DOCTYPE a>|&a;|999999999999999999999999999999".split(b"|")
)


@st.composite
def changed(draw: st.DrawFn, content: bytes) -> bytes:
    """A good file with a few changes: bytes flipped, pieces taken out, doubled, moved, put in."""
    made = bytearray(content)
    for _ in range(draw(st.integers(1, 6))):
        at = draw(st.integers(0, max(len(made) - 1, 0)))
        length = draw(st.integers(0, min(64, len(made) - at)))
        match draw(st.sampled_from(["flip", "cut", "double", "insert", "end", "set"])):
            case "flip" if made:
                made[at] ^= 1 << draw(st.integers(0, 7))
            case "set" if made:
                made[at] = draw(st.integers(0, 255))
            case "cut":
                del made[at : at + length]
            case "double":
                made[at:at] = made[at : at + length]
            case "insert":
                made[at:at] = draw(PIECES)
            case _:
                del made[at:]
                made += draw(st.sampled_from([b"", content[: len(content) // 2]]))
    return bytes(made)


def as_csv(delimiter: str = ",") -> bytes:
    buffer = io.StringIO()
    writer = csv.DictWriter(buffer, list(ROWS[0]), delimiter=delimiter, lineterminator="\n")
    writer.writeheader()
    writer.writerows(ROWS)
    return buffer.getvalue().encode()


def as_workbook() -> bytes:
    book = openpyxl.Workbook()
    sheet = book.worksheets[0]
    sheet.append(["Readings"])
    sheet.append(list(ROWS[0]))
    for row in ROWS:
        sheet.append(list(row.values()))
    sheet.append(["A1", datetime(2024, 3, 1), 5, None])
    sheet.merge_cells("A9:A11")
    buffer = io.BytesIO()
    book.save(buffer)
    return buffer.getvalue()


def as_parquet() -> bytes:
    buffer = io.BytesIO()
    pl.DataFrame(ROWS).write_parquet(buffer)
    return buffer.getvalue()


def as_zip(method: int = zipfile.ZIP_STORED) -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", method) as archive:
        archive.writestr("readings.csv", as_csv())
        archive.writestr("more/machines.csv", "machine_id\nA1\n")
    return buffer.getvalue()


def stored_workbook() -> bytes:
    """The workbook unpacked and packed again without compression, so that changes reach its XML."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(as_workbook())) as old, zipfile.ZipFile(buffer, "w") as new:
        for name in old.namelist():
            new.writestr(name, old.read(name))
    return buffer.getvalue()


DOCUMENT = (
    b'<?xml version="1.0" encoding="UTF-8"?><Fleet xmlns="http://standards.iso.org/iso/15143/-3">'
    b"<Links><rel>self</rel><href>1</href></Links><Equipment><EquipmentHeader><OEMName>Marram</OEMName>"
    b"<EquipmentID>A1</EquipmentID><PIN>MRM00M2XJ4N002014</PIN></EquipmentHeader>"
    b'<CumulativeOperatingHours datetime="2024-05-31T21:42:00Z"><Hour>PT3H2M</Hour></CumulativeOperatingHours>'
    b'<FaultCode datetime="2024-05-31T21:42:00Z"><CodeIdentifier>SPN 100 FMI 1</CodeIdentifier>'
    b"<CodeDescription>Oil</CodeDescription></FaultCode></Equipment></Fleet>"
)

JSON_DOCUMENT = json.dumps(
    {
        "Equipment": [
            {
                "EquipmentHeader": {"EquipmentID": "A1", "SerialNumber": None},
                "CumulativeOperatingHours": {"datetime": "2024-05-31T21:42:00Z", "Hour": 12.5},
                "FaultCode": [{"datetime": "2024-05-31T21:42:00Z", "CodeIdentifier": "100-1"}],
            }
        ]
    }
).encode()

GOOD = {
    "csv": as_csv(),
    "semicolons.csv": as_csv(";"),
    "utf16.csv": as_csv().decode().encode("utf-16"),
    "jsonl": "\n".join(json.dumps(row) for row in ROWS).encode(),
    "json": json.dumps(ROWS).encode(),
    "parquet": as_parquet(),
    "xlsx": as_workbook(),
    "stored.xlsx": stored_workbook(),
    "zip": as_zip(),
    "deflated.zip": as_zip(zipfile.ZIP_DEFLATED),
    "csv.gz": gzip.compress(as_csv(), mtime=0),
    "xml": DOCUMENT,
    "feed.json": JSON_DOCUMENT,
}


@pytest.mark.parametrize("form", GOOD)
def test_the_good_files_load(form: str, store: Store, place: Path) -> None:
    assert load(store, place / f"good.{form}", GOOD[form], date_order="day") > 0


@pytest.mark.slow
@pytest.mark.parametrize("form", GOOD)
def test_changed_files(form: str, store: Store, place: Path) -> None:
    @made_by_chance
    @given(changed(GOOD[form]))
    def run(content: bytes) -> None:
        load(store, place / f"changed.{form}", content)

    run()


CELL = st.one_of(
    st.sampled_from(
        ["", "A1", "12.5", "12,5", "2024-01-05", "05/06/2024", "n/a", '"', '""', "a,b", "x;y", "\n", " "]
    ),
    st.text(st.characters(codec="utf-8", exclude_characters="\0"), max_size=12),
)


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["meter_readings", "fault_codes", "work_lines"])
def test_every_row_that_goes_in_comes_out(kind: str, store: Store, place: Path) -> None:
    """Well-formed CSV of any cells: as many rows are found as were written, blank ones aside."""
    columns = [column.name for column in KINDS[kind].columns]

    @made_by_chance
    @given(
        st.lists(st.lists(CELL, min_size=len(columns), max_size=len(columns)), max_size=8),
        st.sampled_from(",;\t|"),
    )
    def run(rows: list[list[str]], delimiter: str) -> None:
        buffer = io.StringIO()
        writer = csv.writer(buffer, delimiter=delimiter, lineterminator="\n")
        writer.writerow(columns)
        writer.writerows(rows)
        filled = [row for row in rows if any(cell.strip(" \t\r\n\u00a0\u202f\ufeff") for cell in row)]
        found = load(store, place / "rows.csv", buffer.getvalue().encode("utf-8"), date_order="day")
        assert found == len(filled)

    run()


@pytest.mark.slow
def test_every_object_that_goes_in_comes_out(store: Store, place: Path) -> None:
    value = st.one_of(
        CELL, st.none(), st.booleans(), st.integers(), st.floats(), st.lists(st.integers(), max_size=2)
    )
    row = st.dictionaries(
        st.sampled_from(["machine_id", "read_at", "hours", "source", "other"]), value, min_size=1
    )

    @made_by_chance
    @given(st.lists(row, min_size=1, max_size=8))
    def run(rows: list[dict[str, Any]]) -> None:
        rows = [{"machine_id": "A", "read_at": "2024-01-01", "hours": 1}, *rows]
        text = "\n".join(json.dumps(row, ensure_ascii=False, allow_nan=False) for row in rows if _finite(row))
        blank = sum(all(_blank(cell) for cell in row.values()) for row in rows if _finite(row))
        found = load(store, place / "rows.jsonl", text.encode("utf-8"), date_order="day")
        assert found == len(text.split("\n")) - blank

    run()


def _finite(row: dict[str, Any]) -> bool:
    return all(cell == cell and abs(cell) != float("inf") for cell in row.values() if isinstance(cell, float))


def _blank(cell: Any) -> bool:
    return cell is None or (isinstance(cell, str) and not cell.strip(" \t\r\n\u00a0\u202f\ufeff"))
