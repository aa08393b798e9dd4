"""A store from elsewhere: what a file that somebody sent can make a command do, which is to refuse it."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import duckdb
import pytest
from calls import Command

from fleetlog.cli.terminal import shown
from fleetlog.errors import StoreError, UsageError
from fleetlog.store import open_store
from fleetlog.store.copies import backup, restore
from fleetlog.store.question import ask

VIEW = (
    "CREATE TABLE gone AS FROM machines; DROP TABLE machines; "
    "CREATE VIEW machines AS SELECT content AS machine_id, gone.* EXCLUDE (machine_id) "
    "FROM read_text('{secret}'), gone"
)
HOSTILE = {
    "view": VIEW,
    "view of the book": "ALTER TABLE store_info RENAME TO old; CREATE VIEW store_info AS FROM old",
    "view beside": "CREATE VIEW more AS SELECT * FROM read_text('{secret}')",
    "view in the history": "CREATE VIEW history.more AS SELECT 1",
    "macro": "CREATE MACRO upper(x) AS (SELECT content FROM read_text('{secret}'))",
    "table macro": "CREATE MACRO machine() AS TABLE SELECT * FROM read_text('{secret}')",
    "schema": "CREATE SCHEMA other",
    "sequence": "CREATE SEQUENCE s",
    "type": "CREATE TYPE mood AS ENUM ('a')",
    "index": "CREATE INDEX i ON machines (site)",
    "default": "ALTER TABLE machines ALTER site SET DEFAULT 'here'",
    "more columns": "ALTER TABLE machines ADD COLUMN evil VARCHAR",
    "other type": "ALTER TABLE machines ALTER hours_at_acquisition TYPE VARCHAR",
    "missing table": "DROP TABLE rentals",
    "more tables": "CREATE TABLE notes (x VARCHAR)",
    "generated": "CREATE TABLE history.g (a INTEGER, b INTEGER GENERATED ALWAYS AS (a + 1))",
    "check": "CREATE TABLE history.g (a INTEGER CHECK (a > 0))",
}


@pytest.fixture
def secret(tmp_path: Path) -> Path:
    path = tmp_path / "secret.txt"
    path.write_text("do not tell", encoding="utf-8")
    return path


@pytest.fixture
def store(demo_store: Path, tmp_path: Path) -> Path:
    return Path(shutil.copy(demo_store, tmp_path / "sent.duckdb"))


@pytest.mark.parametrize("what", HOSTILE)
def test_a_store_that_holds_more_than_tables_is_refused(what: str, store: Path, secret: Path) -> None:
    with duckdb.connect(str(store)) as foreign:
        foreign.execute(HOSTILE[what].format(secret=secret))
    before = store.read_bytes()
    for writable in (False, True):
        with pytest.raises(StoreError, match="is not a store as fleetlog makes it") as refused:
            open_store(store, writable=writable)
        assert "do not tell" not in str(refused.value)
    assert store.read_bytes() == before


def test_no_command_takes_a_view_for_a_table(
    fleetlog: Command, store: Path, secret: Path, tmp_path: Path
) -> None:
    with duckdb.connect(str(store)) as foreign:
        foreign.execute(VIEW.format(secret=secret))
    for call in (
        ("check",),
        ("status",),
        ("suspects",),
        ("query", "SELECT machine_id FROM machines"),
        ("export", "machines", "--out", str(tmp_path / "machines.csv")),
        ("export", "tables", "--out", str(tmp_path / "lake")),
        ("backup", str(tmp_path / "copy.duckdb")),
        ("worksheet", str(tmp_path / "sheet.xlsx")),
        ("load", str(secret)),
    ):
        done = fleetlog(*call, store=store)
        assert done.code == 3, call
        assert "is not a store as fleetlog makes it" in done.err
        assert "do not tell" not in done.out + done.err
    done = fleetlog("restore", str(store), store=tmp_path / "mine.duckdb")
    assert done.code == 3
    left = {path.name for path in tmp_path.iterdir()}
    assert left == {"secret.txt", "sent.duckdb", ".sent.duckdb.writer"}  # the lock, which stays


def test_a_reader_reaches_nothing_outside(store: Path, secret: Path, tmp_path: Path) -> None:
    with open_store(store) as opened:
        for sql in (
            f"SELECT content FROM read_text('{secret}')",
            f"FROM '{tmp_path}/*.txt'",
            "SELECT * FROM glob('/*')",
            "SELECT * FROM read_csv('http://127.0.0.1:9/x.csv')",
        ):
            with pytest.raises(UsageError, match=r"does not understand"):
                ask(opened, sql, sealed=False)
        for sql in (
            f"ATTACH '{tmp_path}/other.duckdb'",
            f"COPY machines TO '{tmp_path}/machines.csv'",
            "SET enable_external_access = true",
            "SET allowed_directories = ['/']",
            "INSTALL httpfs",
            "LOAD '/tmp/evil.duckdb_extension'",
        ):
            with pytest.raises(duckdb.Error):
                opened.execute(sql)


def test_variables_of_the_program_are_no_tables(store: Path) -> None:
    path = [1, 2, 3]  # noqa: F841
    with open_store(store) as opened, pytest.raises(UsageError):
        ask(opened, "FROM path")


def test_the_lock_follows_no_link(store: Path, tmp_path: Path) -> None:
    aim = tmp_path / "aim"
    aim.mkdir()
    folder = store.with_name(f".{store.name}.writer")
    folder.symlink_to(aim)
    with pytest.raises(StoreError, match="is a link"):
        open_store(store, writable=True)
    assert not list(aim.iterdir())
    folder.unlink()
    folder.mkdir()
    victim = tmp_path / "victim"
    victim.write_text("mine", encoding="utf-8")
    (folder / "writer").symlink_to(victim)
    with pytest.raises(StoreError, match="cannot be changed"):
        open_store(store, writable=True)
    assert victim.read_text(encoding="utf-8") == "mine"


def test_the_lock_keeps_its_access(store: Path) -> None:
    open_store(store, writable=True).close()
    folder = store.with_name(f".{store.name}.writer")
    for path, mode in ((folder, 0o750), (folder / "writer", 0o600), (folder / "queue", 0o640)):
        path.chmod(mode)
    open_store(store, writable=True).close()
    assert [oct(p.stat().st_mode & 0o7777) for p in (folder, folder / "writer", folder / "queue")] == [
        "0o750",
        "0o600",
        "0o640",
    ]


def test_copies_keep_the_access(store: Path, tmp_path: Path) -> None:
    store.chmod(0o640)
    copy = tmp_path / "copy.duckdb"
    backup(store, copy)
    assert copy.stat().st_mode & 0o777 == 0o640
    copy.chmod(0o604)
    restore(store, copy)
    assert store.stat().st_mode & 0o777 == 0o640
    restore(tmp_path / "new.duckdb", copy)
    assert (tmp_path / "new.duckdb").stat().st_mode & 0o777 == 0o604


def test_a_read_only_store_is_not_replaced(store: Path, demo_store: Path) -> None:
    store.chmod(0o444)
    before = store.read_bytes()
    with pytest.raises(StoreError, match="is read-only"):
        open_store(store, writable=True)
    with pytest.raises(StoreError, match="is read-only"):
        restore(store, demo_store)
    assert store.read_bytes() == before
    with open_store(store) as opened:
        assert opened.table_rows()["machines"] == 205


def test_a_pipe_is_no_store(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.duckdb")
    with pytest.raises(StoreError, match="is no file"):
        open_store(tmp_path / "pipe.duckdb")


def test_control_characters_are_shown_and_not_sent(fleetlog: Command, tmp_path: Path) -> None:
    name = "\x1b]0;title\x07\x1b[31m7\x9b1m\u202e"
    (tmp_path / "machines.csv").write_text(f'machine_id,site\n"{name}",x\n', encoding="utf-8")
    store = tmp_path / "s.duckdb"
    assert fleetlog("load", str(tmp_path / "machines.csv"), store=store).code == 0
    for call in (
        ("query", "FROM machines"),
        ("unit", name),
        ("status",),
        ("query", "FROM machines", "--format", "markdown"),
    ):
        done = fleetlog(*call, store=store)
        assert not set("\x1b\x07\x9b\u202e") & set(done.out + done.err), call
    assert "\\x1b]0;title\\x07\\x1b[31m7\\x9b1m\\u202e" in fleetlog("query", "FROM machines", store=store).out
    assert shown("a\tb\r\nc\n") == "a\tb\nc\n"
