"""What a user can get wrong before a cluster is there: one sentence, and what to do."""

from __future__ import annotations

import importlib.util
import socket
import sys
from pathlib import Path

import pytest

from fleetlog.cli.main import run


def told(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], *arguments: str
) -> tuple[int, str]:
    monkeypatch.setattr(sys, "argv", ["fleetlog", *arguments])
    with pytest.raises(SystemExit) as left:
        run()
    printed = capsys.readouterr()
    assert not printed.out
    assert "Traceback" not in printed.err
    assert printed.err.count("\n") == 1
    return int(left.value.code or 0), printed.err


def test_the_extra_is_missing(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    there = importlib.util.find_spec

    def without(name: str, package: str | None = None) -> object:
        return None if name in ("pyspark", "sqlglot") else there(name, package)

    monkeypatch.setattr(importlib.util, "find_spec", without)
    code, said = told(monkeypatch, capsys, "survival", "--engine", "spark", "--lake", "lake")
    assert code == 2
    assert said.endswith(
        "The engine spark needs pyspark and sqlglot; install with: pip install 'fleetlog[spark]'\n"
    )


@pytest.mark.parametrize("home", ["", "/nowhere/java"])
def test_java_is_missing(
    home: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.setenv("JAVA_HOME", home)
    code, said = told(monkeypatch, capsys, "survival", "--engine", "spark", "--lake", "lake")
    assert code == 3
    assert "apt-get install default-jre-headless" in said
    assert home in said


@pytest.mark.parametrize("scheme", ["spark", "sc"])
def test_nobody_listens(
    scheme: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    with socket.socket() as held:
        held.bind(("127.0.0.1", 0))  # bound and not listened on: a connection is refused
        master = f"{scheme}://127.0.0.1:{held.getsockname()[1]}"
        code, said = told(
            monkeypatch, capsys, "trend", "--engine", "spark", "--lake", "lake", "--master", master
        )
    assert code == 3
    assert f"The Spark cluster at {master} cannot be reached (Connection refused)" in said


@pytest.mark.parametrize("master", ["somewhere", "http://host:7077", "spark://host:port"])
def test_no_address(master: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    code, said = told(monkeypatch, capsys, "trend", "--engine", "spark", "--lake", "lake", "--master", master)
    assert code == 2
    assert master in said


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (("--engine", "spark"), "name its folder with --lake"),
        (("--engine", "lake"), "name its folder with --lake"),
        (("--engine", "lake", "--lake", "nowhere"), "There is no folder nowhere"),
        (("--lake", "lake"), "belongs to --engine lake or spark"),
        (("--engine", "lake", "--lake", "lake", "--master", "local"), "belongs to --engine spark"),
        (("--master", "local"), "belongs to --engine spark"),
    ],
)
def test_options_that_do_not_fit(
    arguments: tuple[str, ...],
    sentence: str,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    code, said = told(monkeypatch, capsys, "survival", *arguments)
    assert code == 2
    assert sentence in said
