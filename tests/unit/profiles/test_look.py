"""From a file of unknown columns to a profile that loads it, in every form that can be read."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from pathlib import Path

import openpyxl
import polars as pl
import pytest

from fleetlog.intake import load_paths
from fleetlog.intake.profiles import read_profile, write_profile
from fleetlog.intake.profiles.look import looks, propose_for
from fleetlog.store import Store, open_store

HEADER = ["Job No", "Line", "Part", "L/R", "Task"]
ROWS = [
    ["J1", "1", "Pos Sensor", "LH", "R&R"],
    ["J1", "2", "Pump", "RH", "Cal"],
    ["J2", "1", "Pump", "-", "Cal"],
]


@pytest.fixture
def store() -> Iterator[Store]:
    with open_store(None) as opened:
        yield opened


def as_csv(path: Path) -> Path:
    path = path.with_suffix(".csv")
    path.write_text("\n".join(";".join(row) for row in [HEADER, *ROWS]) + "\n", encoding="utf-8")
    return path


def as_workbook(path: Path) -> Path:
    path = path.with_suffix(".xlsx")
    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.append(["Workshop log"])
    sheet.append([])
    for row in [HEADER, *ROWS]:
        sheet.append(row)
    book.create_sheet("about").append(["nothing"])
    book.save(path)
    return path


def as_parquet(path: Path) -> Path:
    path = path.with_suffix(".parquet")
    pl.DataFrame(ROWS, schema=HEADER, orient="row").write_parquet(path)
    return path


def as_json(path: Path) -> Path:
    path = path.with_suffix(".json")
    path.write_text(
        "\n".join(json.dumps(dict(zip(HEADER, row, strict=True))) for row in ROWS), encoding="utf-8"
    )
    return path


@pytest.mark.parametrize("made", [as_csv, as_workbook, as_parquet, as_json])
def test_a_proposal_loads_the_file(made: Callable[[Path], Path], store: Store, tmp_path: Path) -> None:
    path = made(tmp_path / "log")
    assert any(result.refused for result in load_paths(store, [path]).files)
    ((where, proposal),) = propose_for(store, path)
    assert where.startswith(str(path))
    assert (proposal.kind, proposal.missing) == ("work_lines", ())
    assert proposal.sample[0] == tuple(ROWS[0])
    assert {(m.column, m.text): (m.word, m.count) for m in proposal.words} == {
        ("component", "Pump"): ("drive_pump", 2),
        ("component", "Pos Sensor"): ("position_sensor", 1),
        ("side", "LH"): ("left", 1),
        ("side", "RH"): ("right", 1),
        ("side", "-"): ("", 1),
        ("action", "Cal"): ("calibrate", 2),
        ("action", "R&R"): ("replace", 1),
    }
    profile = tmp_path / "p.toml"
    write_profile(proposal, profile)
    results = load_paths(store, [path], profiles=[read_profile(profile)]).files
    assert sum(result.waiting for result in results) == 3
    assert not any(result.refused or result.rejected for result in results)
    assert propose_for(store, path, profiles=[read_profile(profile)]) == []


def test_words_beyond_the_sample_are_found(store: Store, tmp_path: Path) -> None:
    path = tmp_path / "long.csv"
    lines = ["Job No,Line,Task", *(f"J1,{n},Cal" for n in range(2000)), "J2,1,R&R"]
    path.write_text("\n".join(lines), encoding="utf-8")
    ((_, proposal),) = propose_for(store, path)
    assert {match.text: match.count for match in proposal.words} == {"Cal": 2000, "R&R": 1}


def test_of_a_long_file_only_the_beginning_is_looked_at(
    store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("fleetlog.intake.profiles.look.MOST_BYTES", 1000)
    path = tmp_path / "long.csv"
    lines = ["Job No,Line,Task", *(f"J1,{n},Cal" for n in range(2000)), "J2,1,R&R"]
    path.write_text("\n".join(lines), encoding="utf-8")
    (look,) = looks(store, path)
    assert look.header == ("Job No", "Line", "Task")
    assert len(look.rows) == look.words["task"]["Cal"] < 200
    assert look.rows[-1][2] == "Cal"  # no line is cut in two


def test_known_columns_need_no_proposal(store: Store, tmp_path: Path) -> None:
    path = tmp_path / "m.csv"
    path.write_text("machine_id,site\nA,B\n", encoding="utf-8")
    assert propose_for(store, path) == []


@pytest.mark.parametrize(
    "content", [b"", b"\n\n", b"\xff\xfe\x00", b"PK\x03\x04junk", b"{", b"<a/>", b"\x1f\x8bx"]
)
def test_what_is_no_table_gives_none(content: bytes, store: Store, tmp_path: Path) -> None:
    path = tmp_path / "odd"
    path.write_bytes(content)
    assert list(looks(store, path)) == []
    assert propose_for(store, path) == []
    assert propose_for(store, tmp_path / "not there") == []


def test_the_order_of_day_and_month_stands_in_the_profile(store: Store, tmp_path: Path) -> None:
    data = tmp_path / "m.csv"
    data.write_text("Unit,On,Meter\nL1,05/06/2024,10\n", encoding="utf-8")
    profile = tmp_path / "p.toml"
    text = 'kind = "meter_readings"\n%s[columns]\nUnit = "machine_id"\nOn = "read_at"\nMeter = "hours"\n'
    profile.write_text(text % "", encoding="utf-8")
    (asked,) = load_paths(store, [data], profiles=[read_profile(profile)]).files
    assert asked.refused is not None
    profile.write_text(text % 'date_order = "day"\n', encoding="utf-8")
    (result,) = load_paths(store, [data], profiles=[read_profile(profile)]).files
    assert result.waiting == 1
    assert store.execute("SELECT strftime(read_at, '%Y-%m-%d') FROM meter_readings") == [("2024-06-05",)]
