"""One writer at a time, in the order of asking, and never barred by a dead one."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from fleetlog.errors import StoreBusyError
from fleetlog.store.lock import WriterLock

HOLD = """
import sys
from pathlib import Path
from fleetlog.store.lock import WriterLock
lock = WriterLock(Path("s"), Path(sys.argv[1]))
lock.acquire()
print("held", flush=True)
sys.stdin.read()
"""


def lock(folder: Path) -> WriterLock:
    return WriterLock(Path("fleet.duckdb"), folder)


def holder(folder: Path) -> subprocess.Popen[str]:
    process = subprocess.Popen(
        [sys.executable, "-c", HOLD, str(folder)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "held\n"
    return process


def test_names_the_process(tmp_path: Path) -> None:
    with holder(tmp_path) as process:
        with pytest.raises(StoreBusyError) as error:
            lock(tmp_path).acquire()
        process.communicate()
    assert str(error.value) == (
        f"The store fleet.duckdb is being written to by process {process.pid}; try again when it has finished, "
        "or queue behind it with --wait SECONDS."
    )
    assert error.value.exit_code == 3
    lock(tmp_path).acquire()


def test_waits_and_gives_up(tmp_path: Path) -> None:
    first, second = lock(tmp_path), lock(tmp_path)
    first.acquire()
    told: list[str] = []
    with pytest.raises(StoreBusyError, match=f"process {os.getpid()} after 0.2 seconds; try again later"):
        second.acquire(0.2, told.append)
    assert told == [f"Waiting for process {os.getpid()}, which is writing to the store fleet.duckdb."]
    first.release()
    second.acquire()
    second.release()
    second.release()  # once more does no harm


def test_waits_and_gets_it(tmp_path: Path) -> None:
    first, second = lock(tmp_path), lock(tmp_path)
    first.acquire()
    threading.Timer(0.3, first.release).start()
    second.acquire(60)
    with pytest.raises(StoreBusyError):
        first.acquire()
    second.release()


def test_a_killed_holder_blocks_nobody(tmp_path: Path) -> None:
    with holder(tmp_path) as process:
        process.send_signal(signal.SIGKILL)
        process.wait()
    lock(tmp_path).acquire()


def test_who_comes_back_at_once_does_not_overtake(tmp_path: Path) -> None:
    """A writer that lets go and asks again without a pause must let the one pass that waits."""
    busy, patient = lock(tmp_path), lock(tmp_path)
    busy.acquire()
    queued, served = threading.Event(), threading.Event()

    def wait_in_line() -> None:
        patient.acquire(60, lambda _: queued.set())
        served.set()
        patient.release()

    thread = threading.Thread(target=wait_in_line)
    thread.start()
    assert queued.wait(30)
    busy.release()
    busy.acquire(60)
    assert served.is_set()
    busy.release()
    thread.join()


def test_who_does_not_wait_goes_behind_those_who_do(tmp_path: Path) -> None:
    first, second = lock(tmp_path), lock(tmp_path)
    first.acquire()
    queued = threading.Event()
    thread = threading.Thread(target=lambda: second.acquire(60, lambda _: queued.set()))
    thread.start()
    assert queued.wait(30)
    with pytest.raises(StoreBusyError, match="being written to"):
        lock(tmp_path).acquire()
    first.release()
    thread.join()
    second.release()


def test_a_holder_on_another_machine_is_named_with_it(tmp_path: Path) -> None:
    first = lock(tmp_path)
    first.acquire()
    (tmp_path / "writer").write_text("17 office")
    with pytest.raises(StoreBusyError, match="by process 17 on office;"):
        lock(tmp_path).acquire()


def test_a_holder_that_has_not_said_its_name_yet(tmp_path: Path) -> None:
    first = lock(tmp_path)
    first.acquire()
    (tmp_path / "writer").write_text("")
    with pytest.raises(StoreBusyError, match="by another process;"):
        lock(tmp_path).acquire()


FORK = """
import os, signal, sys
from pathlib import Path
from fleetlog.store.lock import WriterLock
first, second = (WriterLock(Path("s"), Path(sys.argv[1])) for _ in range(2))
first.acquire()
child = os.fork()
if child == 0:
    signal.pause()
try:
    first.release()
    second.acquire()
    print("held again")
finally:
    os.kill(child, signal.SIGKILL)
"""


def test_a_forked_child_does_not_keep_it(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-c", FORK, str(tmp_path)], capture_output=True, text=True, check=False
    )
    assert done.stdout == "held again\n", done.stderr
