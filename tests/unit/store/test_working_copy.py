"""A writer works on a working copy: others see all of what it did when it closes, or nothing."""

from __future__ import annotations

import errno
import gc
import os
import stat
from pathlib import Path
from typing import Any

import pytest

import fleetlog
from fleetlog.errors import StoreBusyError, StoreError
from fleetlog.session.fleet import open_fleet
from fleetlog.store import Store, open_store, opening, working_copy


@pytest.fixture
def path(tmp_path: Path) -> Path:
    place = tmp_path / "fleet.duckdb"
    open_store(place, create=True).close()
    return place


def add(store: Store, machine: str) -> None:
    store.execute(
        "INSERT INTO machines (machine_id, file_id, row_no) VALUES ($machine, 1, 1)", {"machine": machine}
    )


def seen(store: Store) -> list[str]:
    return [row[0] for row in store.execute("SELECT machine_id FROM machines ORDER BY machine_id")]


def published(path: Path) -> list[str]:
    with open_store(path) as store:
        return seen(store)


def working_copies(path: Path) -> list[Path]:
    return list(path.parent.glob(f".{path.name}.writer/draft-*"))


def test_visible_when_closed(path: Path) -> None:
    with open_store(path, writable=True) as writer:
        add(writer, "A")
        assert seen(writer) == ["A"]
        assert published(path) == []
    assert published(path) == ["A"]
    assert working_copies(path) == []
    writer.close()  # once more does no harm
    assert published(path) == ["A"]


def test_readers_keep_the_state_that_they_opened(path: Path) -> None:
    """In one process too, where the engine itself would hand out the file that is open already."""
    with open_store(path) as before:
        for machine in "ABC":
            with open_store(path, writable=True) as writer:
                add(writer, machine)
            with open_store(path) as after:
                assert seen(after)[-1] == machine
                assert seen(before) == []
    assert published(path) == ["A", "B", "C"]


@pytest.mark.parametrize("fails", [False, True])
def test_replaced_while_it_is_being_opened(path: Path, monkeypatch: pytest.MonkeyPatch, fails: bool) -> None:
    """The engine opens a file twice; what it makes of two files is thrown away, error or not."""
    attach = opening._attach
    opened = []

    def late(file: Path, *arguments: Any) -> Any:
        connection = attach(file, *arguments)
        if file == path:
            opened.append(file)
            if len(opened) == 1:
                monkeypatch.setattr(opening, "_attach", attach)
                with open_store(path, writable=True) as writer:
                    add(writer, "A")
                monkeypatch.setattr(opening, "_attach", late)
                if fails:
                    connection.close()
                    raise StoreError("half of one and half of another")
        return connection

    monkeypatch.setattr(opening, "_attach", late)
    assert published(path) == ["A"]
    assert len(opened) == 2


def test_a_store_in_the_making_is_not_there_yet(tmp_path: Path) -> None:
    path = tmp_path / "new.duckdb"
    with open_store(path, create=True) as writer:
        add(writer, "A")
        with pytest.raises(StoreError, match="no store at"):
            open_store(path)
        with pytest.raises(StoreBusyError, match="being written to"):
            open_store(path, create=True)
    assert published(path) == ["A"]


def test_an_error_leaves_the_store_as_it_was(path: Path) -> None:
    before = path.read_bytes()
    with pytest.raises(ZeroDivisionError), open_store(path, writable=True) as writer:
        add(writer, "A")
        raise ZeroDivisionError
    with pytest.raises(ZeroDivisionError), open_fleet(path, writable=True) as fleet:
        add(fleet.store, "A")
        raise ZeroDivisionError
    assert path.read_bytes() == before
    assert working_copies(path) == []
    with open_store(path, writable=True) as writer:  # the lock is free
        add(writer, "B")
    assert published(path) == ["B"]


def test_discarded(path: Path) -> None:
    before = path.read_bytes()
    with open_store(path, writable=True) as writer:
        add(writer, "A")
        writer.discard()
    assert path.read_bytes() == before


def test_forgotten(path: Path) -> None:
    """A writer that nobody closed is as good as one that was killed."""
    writer = open_store(path, writable=True)
    add(writer, "A")
    del writer
    gc.collect()
    assert working_copies(path) == []
    assert published(path) == []
    open_store(path, writable=True).close()


def test_what_a_killed_writer_left_is_removed(path: Path) -> None:
    left_over = path.with_name(f".{path.name}.writer") / "draft-killed"
    left_over.mkdir()
    (left_over / path.name).write_bytes(b"half a copy")
    with open_store(path, writable=True) as writer:
        assert not left_over.exists()
        add(writer, "A")
    assert published(path) == ["A"]


def test_a_link_stays_a_link(path: Path, tmp_path: Path) -> None:
    folder = tmp_path / "elsewhere"
    folder.mkdir()
    link = folder / "link.duckdb"
    link.symlink_to(path)
    with open_store(link, writable=True) as writer:
        add(writer, "A")
        with pytest.raises(StoreBusyError):  # one lock, whatever the name
            open_store(path, writable=True)
    assert link.is_symlink()
    assert published(path) == published(link) == ["A"]
    assert [one.name for one in folder.iterdir()] == ["link.duckdb"]


def test_the_permissions_stay(path: Path) -> None:
    path.chmod(0o640)
    with open_store(path, writable=True) as writer:
        add(writer, "A")
    assert stat.S_IMODE(path.stat().st_mode) == 0o640


@pytest.mark.parametrize("call", ["copy_file_range", "fsync", "replace"])
def test_no_room(path: Path, monkeypatch: pytest.MonkeyPatch, call: str) -> None:
    """The disk is full when the store is copied, flushed or replaced: one sentence, nothing changed."""

    def full(*_: object) -> int:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    before = path.read_bytes()
    with monkeypatch.context() as patch:
        patch.setattr(os, call, full)
        if call == "copy_file_range":  # and the plain way of copying fails as well
            patch.setattr(working_copy.shutil, "copyfile", full)
        with pytest.raises(StoreError) as error, open_store(path, writable=True) as writer:
            add(writer, "A")
    assert "No space left on device) and is as it was; " in str(error.value)
    assert "\n" not in str(error.value)
    assert path.read_bytes() == before
    assert working_copies(path) == []
    open_store(path, writable=True).close()


def test_a_file_system_that_does_not_know_the_call(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def unknown(*_: object) -> int:
        raise OSError(errno.EXDEV, os.strerror(errno.EXDEV))

    for attempt in (unknown, lambda *_: 0):
        monkeypatch.setattr(os, "copy_file_range", attempt)
        target = path.with_name(f"{attempt.__name__}.copy")
        working_copy.copy_file(path, target)
        assert target.read_bytes() == path.read_bytes()


def test_flushed_before_and_after_the_rename(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A power cut leaves the old store or the new one: the file first, then the name, then the folder."""
    did: list[str] = []
    settle, replace = working_copy.settle, os.replace

    def watched_settle(what: Path) -> None:
        did.append(f"settle {what.name}")
        settle(what)

    def watched_replace(old: Path, new: Path) -> None:
        did.append(f"replace {new.name}")
        replace(old, new)

    monkeypatch.setattr(working_copy, "settle", watched_settle)
    monkeypatch.setattr(os, "replace", watched_replace)
    open_store(path, writable=True).close()
    assert did == [f"settle {path.name}", f"replace {path.name}", f"settle {path.parent.name}"]


def test_a_folder_that_may_not_be_written(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object, **__: object) -> int:
        raise OSError(errno.EROFS, os.strerror(errno.EROFS))

    with monkeypatch.context() as patch:
        patch.setattr(os, "open", refuse)
        with pytest.raises(StoreError, match=r"folder .* cannot be written \(Read-only file system\)"):
            open_store(path, writable=True)
    assert published(path) == []


def test_in_memory_needs_no_working_copy() -> None:
    with open_store(None) as store:
        add(store, "A")
        assert seen(store) == ["A"]


def test_from_python(tmp_path: Path) -> None:
    path = tmp_path / "fleet.duckdb"
    machines = tmp_path / "machines.csv"
    machines.write_text("machine_id\nA\nB\n")
    with fleetlog.open(path, create=True) as fleet:
        result = fleet.load([machines])
        assert result.files[0].new == 2
        with pytest.raises(StoreBusyError):
            fleetlog.open(path, create=True)
    with fleetlog.open(path, writable=True, wait=5) as fleet:
        assert fleet.load([str(machines)]).files[0].known == 2
    assert published(path) == ["A", "B"]
    with pytest.raises(ZeroDivisionError), fleetlog.open(path, writable=True) as fleet:
        machines.write_text("machine_id\nC\n")
        fleet.load([machines])
        raise ZeroDivisionError
    assert published(path) == ["A", "B"]
