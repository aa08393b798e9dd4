"""Files that contradict each other: the newest telling holds in any order of loading, and a load can be taken back."""

from __future__ import annotations

import os
import random
from collections.abc import Iterable, Iterator
from datetime import datetime
from itertools import permutations
from pathlib import Path
from typing import Any

import pytest

from fleetlog.errors import UsageError
from fleetlog.intake import LoadResult, load_paths, rejected_frame
from fleetlog.intake.tellings import FileTime
from fleetlog.intake.undo import loads_frame, undo_load
from fleetlog.store import Store, open_store
from fleetlog.store.dictionary import KINDS
from fleetlog.store.statements import named

NOW = datetime(2026, 1, 1)

FILES = {
    "a.csv": "machine_id,site,make\nL1,North,Borst\nL2,North,Borst\nL3,North,Borst\n",
    "b.csv": "machine_id,site,make\nL1,South,Borst\nL2,North,Borst\n",
    "c.csv": "machine_id,make,build_date\nL1,Kern,2017-05\nL4,Kern,2018\n",
    "d.csv": "machine_id,site,make\nL2,North,Borst\nL3,East,\n",
    "e.csv": "machine_id,site,build_date\nL1,West,2016\nL3,West,2019-01-02\nL4,West,2018\n",
    "hours.csv": "machine_id,read_at,hours\nL1,2024-01-01,100\nL2,2024-01-01,200\n",
    "hours late.csv": "machine_id,read_at,hours\nL1,2024-01-01,100\nL1,2024-02-01,150\nL2,2024-01-01,210.5\n",
    "hours between.csv": "machine_id,read_at,hours\nL1,2024-01-01,110\nL2,2024-01-01,200\n",
}
WRITTEN = {"a.csv": 1, "c.csv": 2, "b.csv": 5, "d.csv": 4, "e.csv": 3, "hours.csv": 1, "hours between.csv": 2}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name, text in FILES.items():
        (tmp_path / name).write_text(text)
        os.utime(tmp_path / name, (1.7e9 + 86400 * WRITTEN.get(name, 6),) * 2)
    return tmp_path


@pytest.fixture
def store() -> Iterator[Store]:
    with open_store(None) as opened:
        yield opened


def content(store: Store) -> dict[str, list[tuple[Any, ...]]]:
    return {
        kind.name: store.execute(
            f"SELECT {', '.join(column.name for column in kind.columns)} FROM {kind.name} ORDER BY ALL"
        )
        for kind in KINDS.values()
    }


def loaded(folder: Path, names: Iterable[str], *, undone: Iterable[str] = ()) -> dict[str, Any]:
    """What a store holds after loading files one by one and taking some of them back."""
    with open_store(None) as store:
        numbers = {name: load_paths(store, [folder / name], now=NOW).load_id for name in names}
        for name in undone:
            undo_load(store, numbers[name] or 0)
            sound(store)
        sound(store)
        return content(store)


def sound(store: Store) -> None:
    for check in named("invariants"):
        assert store.run(check.name).is_empty(), check.name


def test_the_latest_telling_holds_in_any_order(folder: Path) -> None:
    expected = loaded(folder, sorted(FILES, key=lambda name: WRITTEN.get(name, 6)))
    assert expected["machines"][0][:8] == ("L1", None, None, "Borst", None, None, "2016", None)
    assert [(row[0], row[8]) for row in expected["machines"]] == [
        *(("L1", "South"), ("L2", "North"), ("L3", "East"), ("L4", "West"))
    ]
    assert [row[2] for row in expected["meter_readings"]] == [100, 150, 210.5]
    draw = random.Random(7)
    for _ in range(4):
        order = draw.sample(sorted(FILES), len(FILES))
        assert loaded(folder, order) == expected, order


def test_a_load_that_is_taken_back_was_never_there(folder: Path) -> None:
    draw = random.Random(11)
    for _ in range(3):
        order = draw.sample(sorted(FILES), len(FILES))
        gone = draw.sample(order, 2)
        left = [name for name in order if name not in gone]
        assert loaded(folder, order, undone=gone) == loaded(folder, left), (order, gone)


def test_three_that_contradict_each_other(folder: Path) -> None:
    """Told alike by the oldest and the newest, otherwise by the one between."""
    for order in permutations(("hours.csv", "hours between.csv", "hours late.csv")):
        rows = loaded(folder, order)["meter_readings"]
        assert [(row[0], row[2]) for row in rows] == [("L1", 100), ("L1", 150), ("L2", 210.5)], order


def test_an_older_telling_changes_nothing_and_is_said_to(folder: Path, store: Store) -> None:
    load_paths(store, [folder / "b.csv"], now=NOW)
    before = content(store)
    (result,) = load_paths(store, [folder / "a.csv"], now=NOW).files
    assert (result.new, result.known, result.corrected, result.older) == (1, 2, 0, 1)
    assert "rows that a newer file tells otherwise, which stays: 1" in result.notes
    assert content(store)["machines"][:2] == before["machines"]
    (again,) = load_paths(store, [folder / "a.csv"], now=NOW, newest=True).files
    assert (again.corrected, again.overwritten, dict(again.changes)) == (1, 1, {"site": 1})


def test_of_which_moment_a_file_tells() -> None:
    late = datetime(2026, 5, 1)
    for name, told in {
        "yard/machines_2024-03.csv": datetime(2024, 3, 31, 23, 59, 59),
        "yard.zip › in/export-20240229.csv › sheet": datetime(2024, 2, 29, 23, 59, 59),
        "machines.csv": late,
        "unit 2019123456.csv": late,
        "plan_2027-01.csv": late,
    }.items():
        assert FileTime.of(name, late).told_at == told


def test_undo_takes_rejected_rows_along_and_opens_what_it_settled(store: Store, tmp_path: Path) -> None:
    def load(text: str, name: str) -> LoadResult:
        (tmp_path / name).write_text(text)
        return load_paths(store, [tmp_path / name], now=NOW)

    load("machine_id,read_at,hours\nL1,soon,5\nL1,2024-01-01,4\n", "bad.csv")
    fixed = load("machine_id,read_at,hours,reject_id\nL1,2024-01-02,5,1\nL1,later,6,\n", "fixed.csv")
    assert rejected_frame(store)["value"].to_list() == ["later"]
    done = undo_load(store, fixed.load_id or 0)
    assert (done.removed, done.restored, done.kept) == (1, 0, 0)
    assert rejected_frame(store)["value"].to_list() == ["soon"]
    assert loads_frame(store)["undone_at"].is_null().to_list() == [True, False]
    # Its file can be loaded again; what was taken back cannot be taken back again.
    assert load(tmp_path.joinpath("fixed.csv").read_text(), "fixed.csv").files[0].waiting == 1
    with pytest.raises(UsageError, match="was taken back already"):
        undo_load(store, fixed.load_id or 0)
    with pytest.raises(UsageError, match="There is no load 9"):
        undo_load(store, 9)
    sound(store)


def test_undo_is_all_or_nothing(folder: Path, store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    load_paths(store, [folder / "a.csv"], now=NOW)
    second = load_paths(store, [folder / "b.csv"], now=NOW)
    before = {table: store.execute(f"FROM {table} ORDER BY ALL") for table in store.tables()}

    def fail(*_: object) -> None:
        raise RuntimeError

    with monkeypatch.context() as patch:
        patch.setattr("fleetlog.intake.undo._change_log", fail)
        with pytest.raises(RuntimeError):
            undo_load(store, second.load_id or 0)
    assert {table: store.execute(f"FROM {table} ORDER BY ALL") for table in store.tables()} == before
    assert store.execute("SELECT count(*) FROM change_log") == [(1,)]
    assert undo_load(store, second.load_id or 0).restored == 1
    assert store.execute("SELECT count(*) FROM change_log") == [(0,)]
