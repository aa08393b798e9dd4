"""Ctrl-C at any moment, and what a killed process left: one sentence, the store whole, nothing left over."""

from __future__ import annotations

import os
import random
import shutil
import signal
import time
from pathlib import Path

import pytest
from forks import Forks

from fleetlog.resources import folder
from fleetlog.store import open_store
from fleetlog.store.integrity import broken_invariants
from fleetlog.temporary import temporary_folder

# Says when it begins, so that the signal falls into the work; the temporary folder is the test's own.
CALL = """
import sys, tempfile
tempfile.tempdir = sys.argv[1]
sys.argv = ["fleetlog", *sys.argv[2:]]
from fleetlog.cli import run
print("ready", flush=True)
run()
"""


def call(forks: Forks, temporary: Path, *arguments: object, after: float, sign: int) -> tuple[int, str]:
    process = forks.start(CALL, temporary, *arguments)
    assert process.stdout.readline() == "ready\n"
    time.sleep(after)
    process.send_signal(sign)
    _, err = process.communicate()
    return process.returncode, err


@pytest.fixture
def places(tmp_path: Path, demo_store: Path) -> tuple[Path, Path]:
    (tmp_path / "tmp").mkdir()
    (tmp_path / "yard").mkdir()
    for name in ("fleetlog.duckdb", "fleetlog.toml"):
        shutil.copy(demo_store.parent / name, tmp_path / "yard" / name)
    return tmp_path / "tmp", tmp_path / "yard" / "fleetlog.duckdb"


COMMANDS = {
    "load": lambda yard: ["load", str(folder("demo_data"))],
    "history": lambda yard: ["history", "--rebuild"],
    "suspects": lambda yard: ["suspects", "--as-of", "2025-06-30", "--out", yard / "suspects.xlsx"],
    "query": lambda yard: ["query", "SELECT count(*) FROM range(10000000000) AS a, range(100) AS b"],
    "export": lambda yard: ["export", "rentals", "--out", yard / "rentals.xlsx"],
    "backup": lambda yard: ["backup", yard / "copy.duckdb"],
}


@pytest.mark.parametrize("what", COMMANDS)
def test_an_interrupted_command_says_so_and_leaves_nothing(
    what: str, forks: Forks, places: tuple[Path, Path]
) -> None:
    temporary, store = places
    chance = random.Random(what)
    stopped = 0
    for _ in range(5):
        before, names = store.read_bytes(), {path.name for path in store.parent.iterdir()}
        arguments = ["--store", store, *COMMANDS[what](store.parent)]
        code, err = call(forks, temporary, *arguments, after=chance.uniform(0, 1.2), sign=signal.SIGINT)
        assert code in (0, 130), err
        if code == 130:
            stopped += 1
            assert err.strip().splitlines()[-1].startswith("fleetlog: Stopped; the store "), err
            assert "Traceback" not in err
            if "is as it was" in err:
                assert store.read_bytes() == before
            left = {path.name for path in store.parent.iterdir()} - names - {".fleetlog.duckdb.writer"}
            assert not left
        assert not list(temporary.iterdir())
        for made in ("suspects.xlsx", "rentals.xlsx", "copy.duckdb"):
            (store.parent / made).unlink(missing_ok=True)
        assert not list(store.parent.glob(".fleetlog.duckdb.writer/draft-*"))
    assert stopped, "no interruption met the command at work"
    with open_store(store) as opened:
        assert broken_invariants(opened) == []


def test_what_a_killed_process_left_goes_with_the_next(forks: Forks, places: tuple[Path, Path]) -> None:
    temporary, store = places
    code = "import sys, time\nfrom pathlib import Path\nfrom fleetlog.temporary import temporary_folder\n"
    code += "with temporary_folder(Path(sys.argv[1])) as f:\n (f / 'x').touch()\n print('held', flush=True)\n"
    code += " time.sleep(60)\n"
    processes = [forks.start(code, temporary) for _ in range(2)]
    for process in processes:
        assert process.stdout.readline() == "held\n"
    processes[0].send_signal(signal.SIGKILL)
    processes[0].communicate()
    (temporary / "somebody-elses").mkdir()
    for path in temporary.iterdir():
        os.utime(path, (0, 0))
    assert len(list(temporary.glob("fleetlog-*"))) == 2
    with temporary_folder(temporary) as mine:
        assert mine.is_dir()
        assert len(list(temporary.glob("fleetlog-*"))) == 2  # mine, and that of the one that lives
    processes[1].send_signal(signal.SIGKILL)
    processes[1].communicate()
    assert {path.name.partition("-")[0] for path in temporary.iterdir()} == {"fleetlog", "somebody"}
    spill = store.parent / f".{store.name}.spill-{os.uname().nodename}-{processes[0].pid}-1"
    spill.mkdir()
    open_store(store).close()
    assert not spill.exists()
