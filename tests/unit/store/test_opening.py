"""A store opens, or says in one sentence why not and stays untouched."""

from __future__ import annotations

import hashlib
import subprocess
import sys
from pathlib import Path

import duckdb
import pytest

from fleetlog.errors import StoreError
from fleetlog.store import open_store
from fleetlog.store.statements import numbered


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


def test_held_by_another_process(store: Path) -> None:
    script = (
        "import sys\nfrom fleetlog.store import open_store\n"
        "store = open_store(sys.argv[1], writable=True)\nprint('open', flush=True)\nsys.stdin.read()\n"
    )
    with subprocess.Popen(
        [sys.executable, "-c", script, str(store)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as other:
        assert other.stdout is not None
        assert other.stdin is not None
        assert other.stdout.readline() == "open\n"
        try:
            assert "in use by another program" in refused(store)
        finally:
            other.stdin.close()


def test_older_version_is_migrated(tmp_path: Path) -> None:
    path = tmp_path / "old.duckdb"
    steps = numbered("schema")
    with duckdb.connect(str(path)) as connection:
        for step in steps[:5]:
            connection.execute(step.text)
        connection.execute("INSERT INTO store_info VALUES ('format', 'fleetlog'), ('layout', '5')")
    with open_store(path) as store:
        assert store.execute("SELECT value FROM store_info WHERE key = 'layout'") == [(str(len(steps)),)]
        assert "rentals" in store.tables()


def test_transaction_is_all_or_nothing(store: Path) -> None:
    with open_store(store, writable=True) as opened:
        with pytest.raises(ZeroDivisionError), opened.transaction():
            opened.execute("INSERT INTO store_info VALUES ('a', 'b')")
            raise ZeroDivisionError
        assert opened.execute("SELECT count(*) FROM store_info") == [(2,)]
