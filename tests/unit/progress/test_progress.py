from __future__ import annotations

import io
from pathlib import Path

import pytest
from rich.console import Console

from fleetlog.cli.progress import LONGEST_NAME, bars, load_progress, short_name, wants_bars
from fleetlog.intake import Progress, load_paths
from fleetlog.store import open_store


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


@pytest.fixture(autouse=True)
def a_capable_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TERM", "xterm-256color")
    monkeypatch.setenv("COLUMNS", "160")


def files(folder: Path) -> list[Path]:
    paths = []
    for number in range(3):
        path = folder / f"machines{number}.csv"
        path.write_text(f"machine_id\nL{number}\n", encoding="utf-8")
        paths.append(path)
    return paths


def test_a_pipe_sees_nothing(tmp_path: Path) -> None:
    stream = io.StringIO()
    with open_store(None) as store, load_progress(stream) as callback:
        assert callback is None
        load_paths(store, files(tmp_path), progress=callback)
    assert stream.getvalue() == ""


def test_a_terminal_sees_files_bytes_and_rows(tmp_path: Path) -> None:
    stream = Terminal()
    console = Console(file=stream, force_terminal=True, width=160)
    with open_store(None) as store, bars(console) as callback:
        result = load_paths(store, files(tmp_path), progress=callback)
    assert sum(file.new for file in result.files) == 3
    drawn = stream.getvalue()
    assert "3/3 files" in drawn
    assert "42/42 bytes" in drawn
    assert "3 rows" in drawn
    assert drawn.endswith("\x1b[2K") or "\x1b[1A\x1b[2K" in drawn  # the bars are taken away at the end


def test_the_callback_of_a_terminal_draws() -> None:
    stream = Terminal()
    with load_progress(stream) as callback:
        assert callback is not None
        callback(Progress("a.csv", 0, 1, 0, 0, 0))
        callback(Progress("", 1, 1, 0, 0, 12345))
    assert "12,345 rows" in stream.getvalue()


def test_an_error_leaves_no_bars() -> None:
    stream = Terminal()
    with pytest.raises(RuntimeError), load_progress(stream):
        raise RuntimeError
    assert stream.getvalue().rstrip().endswith("\x1b[2K")


@pytest.mark.parametrize(("term", "expected"), [("xterm", True), ("dumb", False), ("", False)])
def test_what_counts_as_a_terminal(term: str, expected: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TERM", term)
    assert wants_bars(Terminal()) is expected
    closed = io.StringIO()
    closed.close()
    assert wants_bars(closed) is False


def test_names_are_one_short_line() -> None:
    assert short_name("/a/b/readings.csv") == "readings.csv"
    assert short_name("a\x1b[2J\n[red]b.csv") == "a?[2J?[red]b.csv"
    long = short_name("x" * 40 + "2026.csv")
    assert len(long) == LONGEST_NAME - 1
    assert long.endswith("2026.csv")
    assert short_name("") == ""


def test_markup_in_a_name_is_shown_as_it_stands() -> None:
    stream = Terminal()
    with bars(Console(file=stream, force_terminal=True, width=160)) as callback:
        callback(Progress("[bold]x.csv", 0, 1, 0, 10, 0))
    assert "[bold]x.csv" in stream.getvalue()
