"""Files load by a profile: columns and words changed before the checks, the text as it stood kept."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from fleetlog.intake import FileResult, load_paths, write_rejects
from fleetlog.intake.profiles import Profile
from fleetlog.store import Store, open_store

LOG = Profile(
    "log.toml",
    "work_lines",
    {"WO": "work_order_id", "Line": "line_no", "Part": "component", "Hand": "side", "Job": "action"},
    ("Tech",),
    {
        "component": {"Pos Sensor": "position_sensor", "pump": "drive_pump"},
        "side": {"L.H.": "left", "R.H.": "right", "n/a": ""},
        "action": {"R+R": "replace", "Cal": "calibrate"},
    },
)
TEXT = """WO,Line,Part,Hand,Job,Tech
A1,1,Pos Sensor,L.H.,R+R,Bo
A1,2,PUMP,N/A,cal,Bo
A1,3,Pump,R.H.,Wobble,Bo
"""


@pytest.fixture
def store() -> Iterator[Store]:
    with open_store(None) as opened:
        yield opened


def load(store: Store, path: Path, *profiles: Profile) -> FileResult:
    (result,) = load_paths(store, [path], profiles=profiles).files
    return result


def written(folder: Path, text: str, name: str = "log.csv") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def test_columns_and_words_become_those_of_the_store(store: Store, tmp_path: Path) -> None:
    result = load(store, written(tmp_path, TEXT), LOG)
    assert (result.kind, result.rows, result.waiting, result.rejected) == ("work_lines", 3, 2, 1)
    assert "mapping profile log.toml" in result.notes
    assert not any("not used" in note for note in result.notes)
    rows = store.execute("SELECT line_no, component, side, action FROM work_lines ORDER BY line_no")
    assert rows == [(1, "position_sensor", "left", "replace"), (2, "drive_pump", None, "calibrate")]


def test_a_rejected_row_keeps_its_text(store: Store, tmp_path: Path) -> None:
    load(store, written(tmp_path, TEXT), LOG)
    ((column, value, raw),) = store.execute("SELECT column_name, value, raw FROM rejected_row")
    assert (column, value) == ("action", "Wobble")
    assert json.loads(raw) == {
        "work_order_id": "A1",
        "line_no": "3",
        "component": "Pump",
        "side": "R.H.",
        "action": "Wobble",
        "Tech": "Bo",
    }


def test_corrected_rows_are_read_with_the_words_of_their_source(store: Store, tmp_path: Path) -> None:
    load(store, written(tmp_path, TEXT), LOG)
    fix = tmp_path / "fix.csv"
    write_rejects(store, fix)
    fix.write_text(fix.read_text(encoding="utf-8-sig").replace("Wobble", "Cal", 1), encoding="utf-8")
    result = load(store, fix, LOG)
    assert (result.rejected, result.waiting) == (0, 1)
    rows = store.execute("SELECT component, side, action FROM work_lines WHERE line_no = 3")
    assert rows == [("drive_pump", "right", "calibrate")]
    assert store.execute("SELECT count(*) FROM rejected_row WHERE resolved_by IS NULL") == [(0,)]


def test_a_corrected_profile_reads_the_same_file_anew(store: Store, tmp_path: Path) -> None:
    path = written(tmp_path, TEXT)
    load(store, path, LOG)
    known = load(store, path, LOG)
    assert (known.known, known.rejected) == (2, 1)
    better = replace(
        LOG, words={**LOG.words, "action": {"R+R": "replace", "Cal": "adjust", "Wobble": "test"}}
    )
    result = load(store, path, better)
    assert (result.known, result.corrected, result.waiting, result.rejected) == (1, 1, 1, 0)
    assert store.execute("SELECT count(*) FROM rejected_row WHERE resolved_by IS NULL") == [(0,)]
    assert load(store, path, better).known == 3


def test_a_file_in_the_dictionary_s_own_names_needs_no_profile(store: Store, tmp_path: Path) -> None:
    path = written(tmp_path, "work_order_id,line_no,action\nA1,1,R+R\n")
    result = load(store, path, LOG)
    assert result.rejected == 1
    only_words = Profile("words.toml", "work_lines", words={"action": {"R+R": "replace"}})
    result = load(store, path, only_words)
    assert (result.rejected, result.waiting) == (0, 1)


def test_each_file_finds_its_profile(store: Store, tmp_path: Path) -> None:
    meters = Profile("m.toml", "meter_readings", {"Unit": "machine_id", "On": "read_at", "Meter": "hours"})
    written(tmp_path, TEXT, "a.csv")
    written(tmp_path, "Unit,On,Meter\nL1,2024-01-01,10\n", "b.csv")
    written(tmp_path, "machine_id\nL1\n", "c.csv")
    results = load_paths(store, [tmp_path], profiles=[meters, LOG]).files
    assert [(r.kind, r.refused) for r in results] == [
        ("work_lines", None),
        ("meter_readings", None),
        ("machines", None),
    ]


def test_two_profiles_that_fit_alike_are_asked_about(store: Store, tmp_path: Path) -> None:
    other = replace(LOG, name="other.toml", words={})
    result = load(store, written(tmp_path, TEXT), LOG, other)
    assert result.refused is not None
    assert "fits the mapping profiles log.toml and other.toml; name one with --profile" in result.refused
    twin = replace(LOG, name="twin.toml")
    assert load(store, written(tmp_path, TEXT), LOG, twin).refused is None


def test_a_profile_that_nearly_fits_is_told(store: Store, tmp_path: Path) -> None:
    result = load(store, written(tmp_path, TEXT.replace("Line", "Row")), LOG)
    assert result.refused is not None
    assert "does not fit the mapping profile log.toml: it lacks the column line_no" in result.refused
    assert "there called 'Line'" in result.refused


def test_two_headings_for_one_column_are_told(store: Store, tmp_path: Path) -> None:
    twice = replace(LOG, columns={**LOG.columns, "Tech": "action"}, ignored=())
    result = load(store, written(tmp_path, TEXT), twice)
    assert result.refused is not None
    assert "'Job' and 'Tech', which both stand for action" in result.refused


def test_fits() -> None:
    assert LOG.fits(["wo", "LINE", "x"])
    assert LOG.fits(["work_order_id", "line_no"])
    assert not LOG.fits(["WO"])
    assert LOG.lacks(["WO"]) == ("line_no",)
    assert LOG.columns_in(["WO", "work_order_id", "note", "Tech"]) == ("work_order_id", None, "note", None)


def test_words_are_bound_and_never_run(store: Store, tmp_path: Path) -> None:
    nasty = "'); DROP TABLE machines; --"
    path = written(tmp_path, f'WO,Line,Job\nA1,1,"{nasty}"\n')
    profile = Profile("n.toml", "work_lines", {"WO": "work_order_id", "Line": "line_no", "Job": "action"})
    profile = replace(profile, words={"action": {nasty: "test"}})
    assert load(store, path, profile).waiting == 1
    assert store.execute("SELECT action FROM work_lines") == [("test",)]
    assert "machines" in store.tables()
