"""Many read while one writes, and writers queue: nobody fails, nobody sees half a load, nobody is lost.

The unit is the whole command: what one `load` brings, what is read from its notes and the history made of it
become visible together, by one rename.
"""

from __future__ import annotations

import os
import re
import signal
import subprocess
import time
from pathlib import Path

import pytest
from forks import COMMAND, Forks, Process

from fleetlog.session.fleet import open_fleet
from fleetlog.store import open_store
from fleetlog.store.copies import backup
from fleetlog.store.integrity import broken_invariants

READINGS_A_MACHINE = 3
MACHINES_A_LOAD = 40
LOADS = 5
READERS = 3

# The files are loaded machines first, so a state between two files has machines without readings; the notes
# are read after that, so one between data and suggestions has orders without suggestions; the history last.
# Every load brings all of them at once: the four counts are always in the same proportion.
QUESTION = """
    SELECT (SELECT count(*) FROM machines), (SELECT count(*) FROM meter_readings),
           (SELECT count(*) FROM work_orders), (SELECT count(DISTINCT work_order_id) FROM suggestion)
"""

# Opens the store again and again, as separate commands would, and asks two questions each time: an open store
# must not change under its reader either.
READER = """
import sys, time
from pathlib import Path
from fleetlog.store import open_store
store, question, stop = Path(sys.argv[1]), sys.argv[2], Path(sys.argv[3])
print("ready", flush=True)
while True:
    last = stop.exists()
    with open_store(store) as opened:
        first = opened.execute(question)
        kept = opened.execute("SELECT count(DISTINCT machine_id) FROM history.machine")
        assert opened.execute(question) == first
    print(*first[0], *kept[0], flush=True)
    if last:
        break
    time.sleep(0.02)  # leaves the cores to the writer
"""

WRITER = """
import sys
from pathlib import Path
from fleetlog.session.fleet import open_fleet
for folder in sys.argv[2:]:
    with open_fleet(Path(sys.argv[1]), create=True, wait=120) as fleet:
        result = fleet.load([Path(folder)])
        assert not any(file.refused for file in result.files), result
"""


def write_load(folder: Path, number: int, machines: int = MACHINES_A_LOAD) -> Path:
    """Machines, their readings and orders with a note that suggests something; all new."""
    folder.mkdir()
    names = [f"L{number}M{i}" for i in range(machines)]
    (folder / "1_machines.csv").write_text("machine_id\n" + "".join(f"{name}\n" for name in names))
    readings = "".join(
        f"{name},2024-0{month}-01T00:00,{month * 100}\n"
        for name in names
        for month in range(1, READINGS_A_MACHINE + 1)
    )
    (folder / "2_readings.csv").write_text("machine_id,read_at,hours\n" + readings)
    orders = "".join(f"W{name},{name},2024-02-01,replaced position sensor left\n" for name in names)
    (folder / "3_orders.csv").write_text("work_order_id,machine_id,opened_at,correction\n" + orders)
    return folder


def fleetlog(forks: Forks, store: Path, *arguments: str) -> Process:
    """A command, running."""
    return forks.start(COMMAND, "--store", store, *arguments)


def ended(process: Process) -> subprocess.CompletedProcess[str]:
    """The process at its end, and all that it still said."""
    out, err = process.communicate()
    return subprocess.CompletedProcess([], process.wait(), out, err)


@pytest.fixture
def store(tmp_path: Path) -> Path:
    """A store with one load."""
    path = tmp_path / "fleet.duckdb"
    first = write_load(tmp_path / "first", 0)
    with open_fleet(path, create=True) as fleet:
        fleet.load([first])
    return path


@pytest.mark.slow
def test_readers_while_loads_run(store: Path, tmp_path: Path, forks: Forks) -> None:
    stop = tmp_path / "stop"
    readers = [forks.start(READER, store, QUESTION, stop) for _ in range(READERS)]
    try:
        for reader in readers:
            assert reader.stdout.readline() == "ready\n"
        folders = [str(write_load(tmp_path / f"load{i}", i)) for i in range(1, LOADS)]
        loading = forks.run(WRITER, store, *folders)
        assert loading.returncode == 0, loading.stderr
    finally:
        stop.touch()
        results = [ended(reader) for reader in readers]
    during = set()
    for result in results:
        assert result.returncode == 0, result.stderr
        states = [tuple(map(int, line.split())) for line in result.stdout.splitlines()]
        machines = [state[0] for state in states]
        for state in states:
            whole = state[0]
            assert whole % MACHINES_A_LOAD == 0
            assert state == (whole, whole * READINGS_A_MACHINE, whole, whole, whole)
        assert machines == sorted(machines)  # never back in time
        assert machines[-1] == LOADS * MACHINES_A_LOAD
        during |= set(machines)
    assert len(during) > 2, "no reader asked while the loads ran"


@pytest.mark.slow
def test_commands_while_a_writer_is_at_work(store: Path, tmp_path: Path, forks: Forks) -> None:
    """Whoever only reads is served what is published: query, status, check, backup."""
    with open_fleet(store, writable=True) as fleet:
        fleet.load([write_load(tmp_path / "second", 1)])
        count = ["query", "SELECT count(*) AS machines FROM machines", "--format", "csv"]
        for command in (count, ["status"], ["check"], ["backup", str(tmp_path / "copy.duckdb")]):
            done = ended(fleetlog(forks, store, *command))
            assert done.returncode == 0, done.stderr
            if command is count:
                assert done.stdout == f"machines\n{MACHINES_A_LOAD}\n"
    with open_store(tmp_path / "copy.duckdb") as copy:
        assert copy.execute("SELECT count(*) FROM machines") == [(MACHINES_A_LOAD,)]
    with open_store(store) as after:
        assert after.execute("SELECT count(*) FROM machines") == [(2 * MACHINES_A_LOAD,)]


@pytest.mark.slow
def test_backups_while_loads_run(store: Path, tmp_path: Path, forks: Forks) -> None:
    """Each copy is of one published state, all of its tables."""
    folders = [str(write_load(tmp_path / f"load{i}", i)) for i in range(1, 5)]
    loading = forks.start(WRITER, store, *folders)
    copy = tmp_path / "copy.duckdb"
    taken = 0
    while loading.poll() is None or not taken:
        backup(store, copy)
        taken += 1
        with open_store(copy) as opened:
            machines, readings, orders, told = opened.execute(QUESTION)[0]
            kept = opened.execute("SELECT count(DISTINCT machine_id) FROM history.machine")[0][0]
        assert machines % MACHINES_A_LOAD == 0
        assert (readings, orders, told, kept) == (
            machines * READINGS_A_MACHINE,
            machines,
            machines,
            machines,
        )
    assert ended(loading).returncode == 0


@pytest.mark.slow
def test_writers_queue_in_order(store: Path, tmp_path: Path, forks: Forks) -> None:
    """Two that wait both load, the first to ask first; one that does not wait is told who writes."""
    folders = [write_load(tmp_path / f"load{i}", i) for i in (1, 2)]
    holder = open_store(store, writable=True)
    waiting = []
    for folder in folders:
        process = fleetlog(forks, store, "load", str(folder), "--wait", "120")
        said = process.stderr.readline()  # it is in the queue when it says so
        assert said == f"Waiting for process {os.getpid()}, which is writing to the store {store}.\n"
        waiting.append(process)
    refused = ended(fleetlog(forks, store, "load", str(folders[0])))
    assert refused.returncode == 3
    assert refused.stdout == ""
    assert refused.stderr == (
        f"fleetlog: The store {store} is being written to by process {os.getpid()}; try again when it has "
        "finished, or queue behind it with --wait SECONDS.\n"
    )
    holder.close()
    for process in waiting:
        done = ended(process)
        assert done.returncode == 0, done.stderr
    with open_store(store) as after:
        assert after.execute(QUESTION)[0][0] == 3 * MACHINES_A_LOAD
        order = after.execute("SELECT path FROM source_file WHERE kind = 'machines' ORDER BY file_id")
    assert [Path(row[0]).parent.name for row in order] == ["first", "load1", "load2"]


def test_every_writing_command_says_that_the_store_is_busy(store: Path, tmp_path: Path, forks: Forks) -> None:
    copy = tmp_path / "copy.duckdb"
    backup(store, copy)
    before = store.read_bytes()
    with open_store(store, writable=True) as holder:
        for command in (
            ["load", str(tmp_path / "first")],
            ["load", "--check-only", str(tmp_path / "first")],
            ["suggestions", "--accept", "1"],
            ["suggestions", "--decline", "1", "--wait", "0.1"],
            ["restore", str(copy)],
        ):
            refused = ended(fleetlog(forks, store, *command))
            assert refused.returncode == 3, (command, refused)
            last = refused.stderr.splitlines()[-1]
            assert re.fullmatch(rf"fleetlog: The store .* written to by process {os.getpid()}\b.*\.", last)
        holder.discard()
    assert store.read_bytes() == before


def open_states(store: Path) -> list[tuple[int, ...]]:
    with open_store(store) as opened:
        return opened.execute(QUESTION)


def test_check_only_changes_nothing(store: Path, tmp_path: Path, forks: Forks) -> None:
    before = store.read_bytes()
    folder = str(write_load(tmp_path / "second", 1))
    done = ended(fleetlog(forks, store, "load", "--check-only", folder))
    assert done.returncode == 0, done.stderr
    assert store.read_bytes() == before
    none = tmp_path / "none.duckdb"
    assert ended(fleetlog(forks, none, "load", "--check-only", folder)).returncode == 0
    assert not none.exists()


HANGS = """
import sys, time
from pathlib import Path
from fleetlog.session.fleet import open_fleet
with open_fleet(Path(sys.argv[1]), writable=True) as fleet:
    fleet.load([Path(sys.argv[2])])
    print("loaded", flush=True)
    time.sleep(600)
"""


@pytest.mark.slow
@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGTERM, signal.SIGINT])
def test_a_stopped_writer_blocks_nobody_and_leaves_nothing(
    store: Path, tmp_path: Path, forks: Forks, how: signal.Signals
) -> None:
    before = store.read_bytes()
    folder = write_load(tmp_path / "second", 1)
    process = forks.start(HANGS, store, folder)
    assert process.stdout.readline() == "loaded\n"
    process.send_signal(how)
    process.communicate()
    assert store.read_bytes() == before
    with open_store(store) as opened:
        assert broken_invariants(opened) == []
    done = ended(fleetlog(forks, store, "load", str(folder)))
    assert done.returncode == 0, done.stderr
    assert open_states(store)[0][0] == 2 * MACHINES_A_LOAD
    assert list(tmp_path.glob(".fleet.duckdb.writer/draft-*")) == []


@pytest.mark.slow
def test_many_writers_at_once(tmp_path: Path, forks: Forks) -> None:
    """Four that begin together, on a store that is not there yet: all load, none is lost."""
    store = tmp_path / "fleet.duckdb"
    writers = [
        fleetlog(forks, store, "load", str(write_load(tmp_path / f"load{i}", i)), "--wait", "240")
        for i in range(4)
    ]
    for writer in writers:
        done = ended(writer)
        assert done.returncode == 0, done.stderr
    machines = 4 * MACHINES_A_LOAD
    assert open_states(store) == [(machines, machines * READINGS_A_MACHINE, machines, machines)]


def test_the_wait_ends(store: Path, forks: Forks) -> None:
    began = time.monotonic()
    with open_store(store, writable=True):
        refused = ended(fleetlog(forks, store, "suggestions", "--accept", "1", "--wait", "0.5"))
    assert refused.returncode == 3
    assert time.monotonic() - began >= 0.5
    assert f"was still being written to by process {os.getpid()} after 0.5 seconds; " in refused.stderr
