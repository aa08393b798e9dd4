"""Copies are whole and verified; a restore keeps what it replaces."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from fleetlog.errors import StoreError, UsageError
from fleetlog.store import open_store
from fleetlog.store.copies import backup, restore
from fleetlog.store.integrity import broken_invariants


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
        opened.execute("DELETE FROM machines WHERE machine_id = 'A'")
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
    assert sorted(path.name for path in tmp_path.iterdir()) == ["copy.duckdb", "fleet.duckdb"]


def test_backup_over_itself(store: Path) -> None:
    with pytest.raises(UsageError, match="overwrite the store itself"):
        backup(store, store)


def test_restore_from_something_else(store: Path, tmp_path: Path) -> None:
    other = tmp_path / "notes.txt"
    other.write_text("not a store at all, only words", encoding="utf-8")
    with pytest.raises(StoreError, match="is not a fleetlog store"):
        restore(store, other)
    assert machines(store) == ["A", "B"]


def test_restore_while_the_store_is_used(store: Path, tmp_path: Path) -> None:
    copy = tmp_path / "copy.duckdb"
    backup(store, copy)
    script = (
        "import sys\nfrom fleetlog.store import open_store\n"
        "store = open_store(sys.argv[1], writable=True)\nprint('open', flush=True)\nsys.stdin.read()\n"
    )
    with subprocess.Popen(
        [sys.executable, "-c", script, str(store)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as other:
        assert other.stdout is not None
        assert other.stdin is not None
        other.stdout.readline()
        try:
            for act in (lambda: restore(store, copy), lambda: backup(store, tmp_path / "second.duckdb")):
                with pytest.raises(StoreError, match="in use by another program"):
                    act()
        finally:
            other.stdin.close()
    assert machines(store) == ["A", "B"]
