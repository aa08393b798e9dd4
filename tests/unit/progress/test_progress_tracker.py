"""Progress inside one file: it moves while the file is read and stored, and never goes back."""

from __future__ import annotations

import os
import pty
import re
import subprocess
import sys
import threading
import zipfile
from datetime import datetime, timedelta
from itertools import pairwise
from pathlib import Path

import pytest

from fleetlog.intake import Progress, load_paths
from fleetlog.intake.progress import STAGES, ProgressTracker
from fleetlog.store import open_store
from fleetlog.store.engine import memory_limit, statement_progress

ROWS = 400_000


def readings(path: Path, rows: int = ROWS, comma: bool = False) -> Path:
    """A file of readings; with decimal commas it must be read twice."""
    sign, between = (",", ";") if comma else (".", ",")
    head = between.join(("machine_id", "read_at", "hours"))
    with path.open("w", encoding="utf-8") as file:
        file.write(head + "\n")
        for i in range(rows):
            at = (datetime(2015, 1, 1) + timedelta(minutes=i // 50)).isoformat()
            file.write(between.join((f"M{i % 50}", at + "Z", f"{i // 5000}{sign}5")) + "\n")
    return path


def followed(paths: list[Path], store_path: Path) -> list[Progress]:
    heard: list[Progress] = []
    with open_store(store_path, create=True) as store:
        result = load_paths(store, paths, progress=heard.append)
    assert not result.refused
    return heard


@pytest.mark.parametrize("comma", [False, True], ids=["read once", "read twice"])
def test_it_moves_inside_a_file(tmp_path: Path, comma: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("fleetlog.intake.progress._EVERY", 0.005)
    path = readings(tmp_path / "readings.csv", comma=comma)
    heard = followed([path], tmp_path / "fleet.duckdb")
    size = path.stat().st_size
    within = {one.bytes_done for one in heard if 0 < one.bytes_done < size}
    assert len(within) > len(STAGES)
    done = [one.bytes_done for one in heard]
    assert done == sorted(done)
    assert (done[0], done[-1]) == (0, size)
    # The engine's own count moves the long stages, not only their beginnings.
    assert len({one.bytes_done for one in heard if one.stage == "reading"}) > 2
    assert list(dict.fromkeys(one.stage for one in heard if one.stage)) == list(STAGES)


def test_members_of_an_archive_share_its_bytes(tmp_path: Path) -> None:
    whole = tmp_path / "all.zip"
    with zipfile.ZipFile(whole, "w") as archive:
        for number in range(4):
            archive.write(readings(tmp_path / f"{number}.csv", 1000 + number), f"{number}.csv")
    heard = followed([whole], tmp_path / "fleet.duckdb")
    begins = [one.bytes_done / one.bytes for one in heard if one.stage == "looking"]
    firsts = [begins[0]] + [b for a, b in pairwise(begins) if b - a > 0.1]
    assert len(firsts) == 4
    assert firsts == sorted(firsts)


def test_what_a_late_answer_says_of_an_earlier_stage_is_dropped() -> None:
    heard: list[Progress] = []
    course = ProgressTracker(heard.append, [1000])
    course.file(0, "a.csv", 0)
    course.part(1.0)
    course.stage("reading")
    course.share(0.5, "reading")
    course.stage("storing")
    before = heard[-1].bytes_done
    course.share(1.0, "reading")
    assert heard[-1].bytes_done == before
    course.share(0.1, "storing")
    course.share(0.05, "storing")
    assert heard[-1].bytes_done > before
    assert [one.bytes_done for one in heard] == sorted(one.bytes_done for one in heard)
    course.end(7)
    assert (heard[-1].bytes_done, heard[-1].files_done, heard[-1].rows_done) == (1000, 1, 7)


def test_nobody_listens_nothing_runs_beside(tmp_path: Path) -> None:
    with open_store(None) as store, ProgressTracker(None, [1]).watch(store):
        assert not [one for one in threading.enumerate() if one.name == "load-progress"]


def test_the_thread_ends_with_an_error(tmp_path: Path) -> None:
    with open_store(None) as store:
        with pytest.raises(RuntimeError), ProgressTracker(lambda _: None, [1]).watch(store):
            raise RuntimeError
        assert not [one for one in threading.enumerate() if one.name == "load-progress"]
        with statement_progress(store) as asked:
            assert asked() is None


def test_memory_is_bounded_for_a_while(tmp_path: Path) -> None:
    asked = "SELECT current_setting('memory_limit')"
    with open_store(tmp_path / "fleet.duckdb", create=True) as store:
        store.execute("SET memory_limit = '2 GiB'")
        with memory_limit(store, 1 << 30):
            assert store.execute(asked) == [("1.0 GiB",)]
        assert store.execute(asked) == [("2.0 GiB",)]
        with memory_limit(store, 8 << 30):
            assert store.execute(asked) == [("2.0 GiB",)]


def run_on_a_terminal(arguments: list[str]) -> tuple[int, str, str]:
    """Runs fleetlog with a pseudo-terminal for standard error: exit code, standard output, what was drawn."""
    ours, theirs = pty.openpty()
    environment = {**os.environ, "TERM": "xterm-256color", "COLUMNS": "160"}
    process = subprocess.Popen(
        [sys.executable, "-m", "fleetlog", *arguments],
        stdout=subprocess.PIPE,
        stderr=theirs,
        env=environment,
        text=True,
    )
    os.close(theirs)
    drawn = bytearray()

    def read() -> None:
        while True:
            try:
                piece = os.read(ours, 65536)
            except OSError:  # the other end is closed
                return
            if not piece:
                return
            drawn.extend(piece)

    thread = threading.Thread(target=read)
    thread.start()
    out, _ = process.communicate()
    thread.join()
    os.close(ours)
    return process.returncode, out, drawn.decode("utf-8", "replace")


@pytest.mark.slow
def test_on_a_terminal_the_bar_moves_and_in_a_pipe_nothing_is_said(tmp_path: Path) -> None:
    path = readings(tmp_path / "readings.csv")
    listed = tmp_path / "machines.csv"
    listed.write_text("machine_id\n" + "\n".join(f"M{i}" for i in range(50)) + "\n", encoding="utf-8")
    arguments = ["load", str(listed), str(path)]
    code, out, drawn = run_on_a_terminal(["--store", str(tmp_path / "a.duckdb"), *arguments])
    assert code == 0, drawn[-500:]
    assert "meter_readings" in out
    shown = re.findall(r"([\d.]+)/([\d.]+) MB", drawn)
    assert len({done for done, _ in shown}) > 3, "the bar stood still"
    assert any(0 < float(done) < float(whole) for done, whole in shown)
    assert "reading readings.csv" in drawn
    assert "storing readings.csv" in drawn
    assert re.search(r"\d:\d\d", drawn), "no time left"
    piped = subprocess.run(
        [sys.executable, "-m", "fleetlog", "--store", str(tmp_path / "b.duckdb"), *arguments],
        capture_output=True,
        text=True,
    )
    assert piped.returncode == 0
    assert "\x1b" not in piped.stderr
    assert "reading readings.csv" not in piped.stderr
