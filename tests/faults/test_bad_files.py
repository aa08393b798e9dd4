"""Files that are broken: each is refused or read with a sentence, and no row of it is lost."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from fleetlog.intake import rejected_frame
from fleetlog.intake.scan import LONGEST_LINE
from fleetlog.store import Store

from .conftest import LoadBytes

HEADER = b"machine_id,read_at,hours,source\n"


def stored(store: Store) -> list[tuple[object, ...]]:
    return store.execute("SELECT machine_id, hours, row_no FROM meter_readings ORDER BY row_no")


def told(store: Store) -> list[tuple[int, str]]:
    return [(row["row_no"], row["reason"]) for row in rejected_frame(store).to_dicts()]


# Files without a table in them.


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "is empty (0 bytes); nothing was loaded from it"),
        (b"\n\n  \n", "holds nothing but blank lines"),
        (b"\xef\xbb\xbf", "holds nothing but blank lines"),
        (b"machine_id^read_at^hours\nA^2024-01-01^5\n", "its header begins 'machine_id^read_at^hours'"),
        (b"machine_id read_at hours\nA 2024-01-01 5\n", "has no column of any kind of table"),
        (b"PK\x03\x04\x00\x00\x08\x00" + bytes(range(256)) * 8, "is a damaged archive"),
        (bytes(range(256)) * 8, "NUL bytes"),
        (b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 8, "has no column of any kind of table"),
        (
            b"machine_id,read_at,hours,Hours \nA,2024-01-01,5,6\n",
            "has the column 'hours' 2 times (columns 3, 4); rename or remove all but one.",
        ),
        (b"machine_id,read_at,hours,x,x\nA,2024-01-01,5,,\n", "has the column 'x' 2 times (columns 4, 5)"),
        (b"machine_id,re\0ad_at\nA,2024-01-01\n", "its header cannot be read (the line holds NUL bytes"),
        (b"x" * (2 * LONGEST_LINE) + b"\n", "its header cannot be read (the line is 2,097,152 bytes long"),
    ],
)
def test_files_that_are_refused(content: bytes, said: str, load: LoadBytes, store: Store) -> None:
    result = load(content)
    assert result.refused is not None
    assert said in result.refused
    assert "\n" not in result.refused
    assert result.refused.endswith(".")
    assert result.rows == 0
    assert store.execute("SELECT count(*) FROM source_file") == [(0,)]


@pytest.mark.parametrize("content", [HEADER, HEADER.rstrip(), HEADER + b"\n\n", b"\xef\xbb\xbf" + HEADER])
def test_a_header_alone_is_a_table_without_rows(content: bytes, load: LoadBytes) -> None:
    result = load(content)
    assert (result.kind, result.rows, result.refused) == ("meter_readings", 0, None)


# Separators and encodings.


@pytest.mark.parametrize(
    ("separator", "name"), [(",", "comma"), (";", "semicolon"), ("\t", "tab"), ("|", "bar")]
)
def test_separators(separator: str, name: str, load: LoadBytes, store: Store) -> None:
    rows = ["machine_id,read_at,hours,source", "A,2024-01-01,5,x", "B,2024-01-01,6,"]
    result = load("\r\n".join(row.replace(",", separator) for row in rows).encode())
    assert f"separator {name}" in result.notes
    assert stored(store) == [("A", 5.0, 1), ("B", 6.0, 2)]


def test_a_separator_that_the_file_names_itself(load: LoadBytes, store: Store) -> None:
    load(b"sep=;\nmachine_id;read_at;hours\nA;2024-01-01;5\n")
    assert stored(store) == [("A", 5.0, 1)]


def test_blank_lines_before_and_between(load: LoadBytes, store: Store) -> None:
    assert load(b"\n\n" + HEADER + b"\nA,2024-01-01,5,\n\n\nB,2024-01-01,6,\n\n").waiting == 2


def test_a_heading_over_two_lines(load: LoadBytes, store: Store) -> None:
    result = load(b'machine_id,"read\nat",hours\nA,2024-01-01,5\nB,2024-01-01,"6\0"\nC,2024-01-01,7\n')
    assert (result.waiting, result.rejected) == (2, 1)
    assert stored(store) == [("A", 5.0, 1), ("C", 7.0, 3)]


TEXT = "machine_id,make,site\nÅ1,Börjesson,Hof – Süd\nB2,Dunlin,\n"


@pytest.mark.parametrize(
    ("encoding", "note"),
    [
        ("utf-8", None),
        ("utf-8-sig", None),
        ("utf-16", "encoding UTF-16"),
        ("utf-16-le", "encoding UTF-16"),
        ("utf-16-be", "encoding UTF-16"),
        ("utf-32", "encoding UTF-32"),
        ("cp1252", "encoding Windows-1252 (1 lines are not UTF-8)"),
    ],
)
def test_encodings(encoding: str, note: str | None, load: LoadBytes, store: Store) -> None:
    result = load(TEXT.encode(encoding))
    assert (result.new, result.rejected) == (2, 0)
    assert [n for n in result.notes if n.startswith("encoding")] == ([note] if note else [])
    assert store.execute("SELECT machine_id, make, site FROM machines ORDER BY row_no") == [
        ("Å1", "Börjesson", "Hof – Süd"),
        ("B2", "Dunlin", None),
    ]


def test_one_line_in_another_encoding_does_not_spoil_the_others(load: LoadBytes, store: Store) -> None:
    load("machine_id,make\nA,Börje\n".encode() + "B,Börje\n".encode("latin-1") + "C,Börje\n".encode())
    assert store.execute("SELECT DISTINCT make FROM machines") == [("Börje",)]


@pytest.mark.parametrize("end", [b"\n", b"\r\n", b"\r"])
def test_line_ends(end: bytes, load: LoadBytes, store: Store) -> None:
    load(end.join([b"machine_id,read_at,hours", b"A,2024-01-01,5", b"B,2024-01-01,6", b""]))
    assert stored(store) == [("A", 5.0, 1), ("B", 6.0, 2)]


def test_line_ends_mixed(load: LoadBytes, store: Store) -> None:
    load(b"machine_id,read_at,hours\r\nA,2024-01-01,5\nB,2024-01-01,6\r\nC,2024-01-01,7")
    assert stored(store) == [("A", 5.0, 1), ("B", 6.0, 2), ("C", 7.0, 3)]


# Broken lines: the row is rejected with its number and text, the others load with theirs.


@pytest.mark.parametrize(
    ("line", "said"),
    [
        (b"X,2024-01-01", "the line has 2 cells where the header has 4"),
        (b"X", "the line has 1 cell where the header has 4"),
        (b"X,2024-01-01,5,y,z,z", "the line has 6 cells where the header has 4"),
        (b'X,2024-01-01,5,"un"closed', "the line has a quotation mark without its partner"),
        (b'X,2024-01-01,5,"open', "the line has a quotation mark without its partner"),
        (b'"X,2024-01-01,5,open', "the line has a quotation mark without its partner"),
        (b"X,2024-01-01,5\0,y", "the line holds NUL bytes (binary data); export the file again"),
    ],
)
def test_a_broken_line(line: bytes, said: str, load: LoadBytes, store: Store) -> None:
    result = load(HEADER + b"A,2024-01-01,1,\n" + line + b'\nB,2024-01-01,2,"a ""b"" \nc"\nC,2024-01-01,3,\n')
    assert (result.rows, result.waiting, result.rejected) == (4, 3, 1)
    ((row_no, reason),) = told(store)
    assert row_no == 2
    assert reason.startswith(said)
    assert stored(store) == [("A", 1.0, 1), ("B", 2.0, 3), ("C", 3.0, 4)]
    ((raw,),) = store.execute("SELECT raw FROM rejected_row")
    kept = json.loads(raw)
    assert list(kept) == ["machine_id", "read_at", "hours", "source"]
    assert (kept["machine_id"] or "").strip('"') == "X"


def test_nothing_of_a_broken_line_is_lost(load: LoadBytes, store: Store) -> None:
    load(HEADER + b"X,2024-01-01,5,y,z,last\n")
    ((raw,),) = store.execute("SELECT raw FROM rejected_row")
    assert json.loads(raw)["source"] == "y | z | last"


def test_inch_marks_are_no_quotation_marks(load: LoadBytes, store: Store) -> None:
    load(b'work_order_id,line_no,note\nW,1,replaced 3/4" hose\nW,2,2" and 3" fittings\nW,3,"said ""no"""\n')
    assert store.execute("SELECT note FROM work_lines ORDER BY line_no") == [
        ('replaced 3/4" hose',),
        ('2" and 3" fittings',),
        ('said "no"',),
    ]


def test_broken_lines_far_into_a_long_file(load: LoadBytes, store: Store) -> None:
    """Past the size that the engine reads at a time; every number is that of the line."""
    lines = [b"A%d,2024-01-01,%d,plain" % (i, i % 1000) for i in range(200_000)]
    lines[150_000] = b"broken,2024-01-01"
    lines[180_000] = b'A180000,2024-01-01,1,"a note\nover two lines"'
    result = load(HEADER + b"\n".join(lines) + b"\n")
    assert (result.rows, result.waiting, result.rejected) == (200_000, 199_999, 1)
    assert told(store)[0][0] == 150_001
    wrong = "SELECT count(*) FROM meter_readings WHERE machine_id <> 'A' || (row_no - 1)"
    assert store.execute(wrong) == [(0,)]


@pytest.mark.parametrize("size", [LONGEST_LINE + 1, 3 * LONGEST_LINE + 17])
def test_a_line_too_long(size: int, load: LoadBytes, store: Store) -> None:
    result = load(HEADER + b"A,2024-01-01,1,\n" + b"x" * size + b"\nB,2024-01-01,2,\n")
    assert (result.rows, result.waiting, result.rejected) == (3, 2, 1)
    assert told(store) == [
        (
            2,
            f"the line is {size:,} bytes long, the most is {LONGEST_LINE:,}; "
            "look for a missing quotation mark or line break",
        )
    ]
    assert stored(store) == [("A", 1.0, 1), ("B", 2.0, 3)]


def test_a_cell_as_long_as_a_line_may_be(load: LoadBytes, store: Store) -> None:
    note = b"n" * (LONGEST_LINE - 100)
    assert load(b"work_order_id,line_no,note\nW,1," + note + b"\n").waiting == 1
    assert store.execute("SELECT length(note) FROM work_lines") == [(len(note),)]


MEASURED = """
import resource, sys
from datetime import datetime
from fleetlog.intake import load_paths
from fleetlog.store import open_store
with open_store(None) as store:
    load_paths(store, [sys.argv[2]], now=datetime(2026, 6, 1))
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    (result,) = load_paths(store, [sys.argv[1]], now=datetime(2026, 6, 1)).files
    print(result.rows, result.waiting, result.rejected)
    print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before)
"""


def test_a_line_of_100_megabytes_takes_no_more_memory_than_a_short_one(tmp_path: Path) -> None:
    path, small = tmp_path / "long.csv", tmp_path / "short.csv"
    small.write_bytes(HEADER + b"A,2023-01-01,1\nB,2023-01-01,2,\n")
    with path.open("wb") as file:
        file.write(HEADER + b"A,2024-01-01,1,\nX,2024-01-01,1,")
        for _ in range(100):
            file.write(b"y" * 1_000_000)
        file.write(b"\nB,2024-01-01,2,\n")
    run = subprocess.run(
        [sys.executable, "-c", MEASURED, str(path), str(small)], capture_output=True, text=True, check=True
    )
    counts, grown = run.stdout.splitlines()
    assert counts == "3 2 1"
    in_bytes = int(grown) * (1 if sys.platform == "darwin" else 1024)
    assert in_bytes < 64_000_000


# The yard's own mistakes.


def test_an_unknown_machine_waits(load: LoadBytes, store: Store) -> None:
    assert load(HEADER + b"NOBODY,2024-01-01,5,\n").waiting == 1


def test_a_fault_code_on_a_machine_with_manual_control_is_kept(load: LoadBytes, store: Store) -> None:
    """Whether the code can be true is a question to the history, not to the file: nothing is dropped here."""
    load(b"machine_id,control\nM1,manual\n")
    result = load(b"machine_id,seen_at,spn,fmi\nM1,2024-01-01,520210,7\n")
    assert (result.new, result.rejected) == (1, 0)
