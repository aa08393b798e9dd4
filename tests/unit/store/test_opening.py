"""A store opens, or says in one sentence why not and stays untouched."""

from __future__ import annotations

import errno
import hashlib
import os
from pathlib import Path

import duckdb
import pytest

from fleetlog.errors import StoreBusyError, StoreError
from fleetlog.store import open_store
from fleetlog.store.engine import in_bytes
from fleetlog.store.statements import numbered
from fleetlog.store.working_copy import log_of

from .foreign import held_for_writing, leave_a_log


def digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


@pytest.fixture
def store(tmp_path: Path) -> Path:
    path = tmp_path / "fleet.duckdb"
    open_store(path, create=True).close()
    return path


def refused(path: Path) -> str:
    before = digest(path) if path.is_file() else ""
    with pytest.raises(StoreError) as error:
        open_store(path, writable=True)
    assert error.value.exit_code == 3
    assert "\n" not in str(error.value)
    assert (digest(path) if path.is_file() else "") == before
    return str(error.value)


def test_missing(tmp_path: Path) -> None:
    assert "no store at" in refused(tmp_path / "none.duckdb")


def test_missing_folder(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match=r"folder .* does not exist"):
        open_store(tmp_path / "nowhere" / "fleet.duckdb", create=True)


def test_folder(tmp_path: Path) -> None:
    assert "is a folder" in refused(tmp_path)


@pytest.mark.parametrize("content", [b"", b"machine_id,hours\n1,2\n", b"\x00" * 4096])
def test_no_database(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "readings.csv"
    path.write_bytes(content)
    assert "is not a fleetlog store" in refused(path)


def test_other_database(tmp_path: Path) -> None:
    path = tmp_path / "other.duckdb"
    with duckdb.connect(str(path)) as connection:
        connection.execute("CREATE TABLE t (a INTEGER)")
    assert "not a fleetlog store" in refused(path)


def test_newer_version(store: Path) -> None:
    with duckdb.connect(str(store)) as connection:
        connection.execute("UPDATE store_info SET value = '9999' WHERE key = 'layout'")
    assert "newer fleetlog" in refused(store)


def test_damaged(store: Path) -> None:
    content = bytearray(store.read_bytes())
    content[4096:12288] = b"\xff" * 8192
    store.write_bytes(bytes(content))
    assert "restore it from a copy" in refused(store)


def test_held_by_a_foreign_program(store: Path) -> None:
    """One that knows nothing of our lock and has the file itself open for writing."""
    with held_for_writing(store):
        assert "in use by another program" in refused(store)
        with pytest.raises(StoreBusyError, match="in use by another program"):
            open_store(store)


def test_changed_by_a_foreign_program_meanwhile(store: Path) -> None:
    writer = open_store(store, writable=True)
    writer.execute("INSERT INTO machines (machine_id, file_id, row_no) VALUES ('ours', 1, 1)")
    with duckdb.connect(str(store)) as foreign:
        foreign.execute("INSERT INTO machines (machine_id, file_id, row_no) VALUES ('theirs', 1, 1)")
    with pytest.raises(StoreError, match="changed by another program meanwhile"):
        writer.close()
    with open_store(store) as reader:
        assert reader.execute("SELECT machine_id FROM machines") == [("theirs",)]


def test_a_log_left_by_a_foreign_program(store: Path) -> None:
    """What the log holds is seen by readers, and kept by the next writer."""
    leave_a_log(store, "INSERT INTO machines (machine_id, file_id, row_no) VALUES ('theirs', 1, 1)")
    with open_store(store) as reader:
        assert reader.execute("SELECT machine_id FROM machines") == [("theirs",)]
    with open_store(store, writable=True) as writer:
        writer.execute("INSERT INTO machines (machine_id, file_id, row_no) VALUES ('ours', 1, 1)")
    with open_store(store) as reader:
        assert reader.execute("SELECT machine_id FROM machines ORDER BY 1") == [("ours",), ("theirs",)]
    assert not log_of(store).exists()


@pytest.fixture
def old(tmp_path: Path) -> Path:
    """A store of an early version with one machine."""
    path = tmp_path / "old.duckdb"
    steps = numbered("schema")
    with duckdb.connect(str(path)) as connection:
        for step in steps[:5]:
            connection.execute(step.text)
        connection.execute("INSERT INTO store_info VALUES ('format', 'fleetlog'), ('layout', '5')")
        connection.execute("INSERT INTO machines (machine_id, file_id, row_no) VALUES ('A', 1, 1)")
    return path


def assert_newest(path: Path) -> None:
    with open_store(path) as store:
        newest = str(len(numbered("schema")))
        assert store.execute("SELECT value FROM store_info WHERE key = 'layout'") == [(newest,)]
        assert store.execute("SELECT machine_id FROM machines") == [("A",)]
        assert "rentals" in store.tables()


def test_older_version_is_migrated(old: Path) -> None:
    before = digest(old)
    assert_newest(old)
    migrated = digest(old)
    assert migrated != before
    assert_newest(old)
    assert digest(old) == migrated


def test_older_version_is_read_while_somebody_writes(old: Path) -> None:
    """Readers of an old store wait for nobody: they migrate it for themselves."""
    before = digest(old)
    writer = open_store(old, writable=True)
    assert_newest(old)
    assert digest(old) == before
    writer.close()
    assert_newest(old)


def test_older_version_where_nothing_can_be_written(old: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise OSError(errno.EROFS, os.strerror(errno.EROFS))

    before = digest(old)
    monkeypatch.setattr(Path, "mkdir", refuse)
    assert_newest(old)
    assert digest(old) == before


def test_transaction_is_all_or_nothing(store: Path) -> None:
    with open_store(store, writable=True) as opened:
        with pytest.raises(ZeroDivisionError), opened.transaction():
            opened.execute("INSERT INTO store_info VALUES ('a', 'b')")
            raise ZeroDivisionError
        assert opened.execute("SELECT count(*) FROM store_info") == [(2,)]


def test_a_store_leaves_memory_to_other_programs(tmp_path: Path) -> None:
    asked = "SELECT current_setting('memory_limit')"
    usual = in_bytes(str(duckdb.connect().execute(asked).fetchall()[0][0]))
    path = tmp_path / "fleet.duckdb"
    open_store(path, create=True).close()
    for writable in (False, True):
        with open_store(path, writable=writable) as store:
            held = in_bytes(str(store.execute(asked)[0][0]))
        assert held <= max(usual / 3.2, 4 << 30) * 1.01
        assert held >= min(usual, 4 << 30) * 0.99
