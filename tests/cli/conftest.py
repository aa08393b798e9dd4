"""Runs the command line in this process, as its entry point would."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from calls import Command, Done

from fleetlog.cli.main import run


@pytest.fixture
def fleetlog(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Command:
    """`fleetlog("status", store=path)` -> exit code, standard output and standard error."""

    def call(*arguments: str, store: Path | None = None) -> Done:
        head = ["--store", str(store)] if store else []
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
