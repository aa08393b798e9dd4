"""Copies are whole and verified; a restore keeps what it replaces."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from fleetlog.errors import StoreBusyError, StoreError, UsageError
from fleetlog.store import open_store
from fleetlog.store.copies import backup, restore
from fleetlog.store.integrity import broken_invariants

from .foreign import leave_a_log

LESS = (
    "DELETE FROM machines WHERE machine_id = '{}'; "
    "UPDATE source_file SET rows_read = rows_read - 1, rows_new = rows_new - 1"
)
"""One machine less, in the table and in the book of loads."""


@pytest.fixture
def store(tmp_path: Path) -> Path:
    path = tmp_path / "fleet.duckdb"
    with open_store(path, create=True) as opened:
        opened.execute(
            "INSERT INTO source_file VALUES (1, 'a.csv', 'machines', 'x', 9, now(), 2, 2, 0, 0, 0, 0)"
        )
        opened.execute("INSERT INTO machines (machine_id, file_id, row_no) VALUES ('A', 1, 1), ('B', 1, 2)")
    return path


def machines(path: Path) -> list[str]:
    with open_store(path) as opened:
        assert broken_invariants(opened) == []
        return [row[0] for row in opened.execute("SELECT machine_id FROM machines ORDER BY machine_id")]


def test_there_and_back(store: Path, tmp_path: Path) -> None:
    copy = tmp_path / "copy.duckdb"
    backup(store, copy)
    with open_store(store, writable=True) as opened:
        opened.execute(LESS.format("A"))
    aside = restore(store, copy)
    assert machines(store) == ["A", "B"]
    assert aside is not None
    assert machines(aside) == ["B"]
    assert restore(store, copy) != aside  # the first one is not overwritten


def test_restore_where_nothing_is(store: Path, tmp_path: Path) -> None:
    copy, fresh = tmp_path / "copy.duckdb", tmp_path / "fresh.duckdb"
    backup(store, copy)
    assert restore(fresh, copy) is None
    assert machines(fresh) == ["A", "B"]


def test_restore_over_a_damaged_store(store: Path, tmp_path: Path) -> None:
    copy = tmp_path / "copy.duckdb"
    backup(store, copy)
    store.write_bytes(store.read_bytes()[:5000])
    restore(store, copy)
    assert machines(store) == ["A", "B"]


def test_a_failed_backup_leaves_the_older_copy(store: Path, tmp_path: Path) -> None:
    copy = tmp_path / "copy.duckdb"
    backup(store, copy)
    with open_store(store, writable=True) as opened:
        opened.execute(
            "INSERT INTO machines (machine_id, file_id, row_no) VALUES ('A', 1, 3)"
        )  # a broken key
    before = copy.read_bytes()
    with pytest.raises(StoreError, match="not whole"):
        backup(store, copy)
    assert copy.read_bytes() == before
    assert sorted(path.name for path in tmp_path.glob("[!.]*")) == ["copy.duckdb", "fleet.duckdb"]


def test_backup_over_itself(store: Path) -> None:
    with pytest.raises(UsageError, match="overwrite the store itself"):
        backup(store, store)


def test_restore_from_something_else(store: Path, tmp_path: Path) -> None:
    other = tmp_path / "notes.txt"
    other.write_text("not a store at all, only words", encoding="utf-8")
    with pytest.raises(StoreError, match="is not a fleetlog store"):
        restore(store, other)
    assert machines(store) == ["A", "B"]


def test_while_somebody_writes(store: Path, tmp_path: Path) -> None:
    """A backup takes what is published; a restore waits its turn, or is refused."""
    copy = tmp_path / "copy.duckdb"
    with open_store(store, writable=True) as writer:
        writer.execute("DELETE FROM machines; UPDATE source_file SET rows_read = 0, rows_new = 0")
        backup(store, copy)
        assert machines(copy) == ["A", "B"]
        with pytest.raises(StoreBusyError, match=f"being written to by process {os.getpid()};"):
            restore(store, copy)
    assert machines(store) == []
    aside = restore(store, copy)
    assert machines(store) == ["A", "B"]
    assert aside is not None
    assert machines(aside) == []


def test_restore_under_a_reader(store: Path, tmp_path: Path) -> None:
    copy = tmp_path / "copy.duckdb"
    backup(store, copy)
    with open_store(store, writable=True) as opened:
        opened.execute(LESS.format("A"))
    with open_store(store) as reader:
        restore(store, copy)
        assert reader.execute("SELECT machine_id FROM machines") == [("B",)]
        assert machines(store) == ["A", "B"]


def test_restore_takes_the_log_aside_too(store: Path, tmp_path: Path) -> None:
    """What a foreign program left in the log belongs to the old store, not to the restored one."""
    copy = tmp_path / "copy.duckdb"
    backup(store, copy)
    leave_a_log(store, LESS.format("B"))
    aside = restore(store, copy)
    assert machines(store) == ["A", "B"]
    assert aside is not None
    assert machines(aside) == ["A"]


def test_backup_of_a_store_with_a_log(store: Path, tmp_path: Path) -> None:
    leave_a_log(store, LESS.format("B"))
    backup(store, tmp_path / "copy.duckdb")
    assert machines(tmp_path / "copy.duckdb") == ["A"]


def test_backup_to_no_folder(store: Path) -> None:
    with pytest.raises(UsageError, match="cannot be written: Not a directory"):
        backup(store, store / "copy.duckdb")
    assert machines(store) == ["A", "B"]
