"""Runs the command line in this process, as its entry point would."""

from __future__ import annotations

import sys
from functools import cache
from pathlib import Path

import pytest
import typer.main

sys.path.insert(0, str(Path(__file__).parent))

from calls import Command, Done

from fleetlog.cli.main import run

# A program builds its commands once; this process calls many of them.
_commands = cache(typer.main.get_command)


@pytest.fixture
def fleetlog(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Command:
    """`fleetlog("status", store=path)` -> exit code, standard output and standard error."""

    def call(*arguments: str, store: Path | None = None) -> Done:
        head = ["--store", str(store)] if store else []
        monkeypatch.setattr(typer.main, "get_command", _commands)
        monkeypatch.setattr(sys, "argv", ["fleetlog", *head, *map(str, arguments)])
        capsys.readouterr()
        code = 0
        try:
            run()
        except SystemExit as left:
            code = int(left.code or 0)
        printed = capsys.readouterr()
        assert "Traceback" not in printed.out + printed.err
        return Done(code, printed.out, printed.err)

    return call
