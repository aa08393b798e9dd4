from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, nullcontext
from functools import cache
from pathlib import Path
from typing import Any

import pytest
import typer.main

sys.path.insert(0, str(Path(__file__).parent))

from calls import Command, Done

import fleetlog.session.fleet as session
from fleetlog.cli.main import run
from fleetlog.questions import QUESTIONS, Place
from fleetlog.session.fleet import Fleet, open_fleet

# A program builds its commands once; this process calls many of them.
_commands = cache(typer.main.get_command)

_LOAD = Place.load
_ASKS = {question.ask for question in QUESTIONS.values()}
_ASKING = {*QUESTIONS, "chart", "export"}
"""Commands that do nothing with a store but ask it."""


class AskedOnce:
    """The demo fleet as commands that ask find it: opened once, and no question worked out twice.

    So what a test pays for is what the command makes of the answer. That a store opens as it should, and that
    the same question has the same answer, other tests see to.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._fleet: Fleet | None = None
        self._answers: dict[tuple[object, ...], Any] = {}

    def open(self, path: Path | None, **how: Any) -> AbstractContextManager[Fleet]:
        if path != self.path or how:
            return open_fleet(path, **how)
        self._fleet = self._fleet or open_fleet(path)
        return nullcontext(self._fleet)

    def load(self, place: Place) -> Any:
        asked = _LOAD(place)
        return self._remembering(place, asked) if place in _ASKS else asked

    def _remembering(self, place: Place, asked: Callable[..., Any]) -> Callable[..., Any]:
        def ask(fleet: Fleet, scope: Any, **options: Any) -> Any:
            if fleet is not self._fleet:
                return asked(fleet, scope, **options)
            question = (place, scope, repr(sorted(options.items())))
            if question not in self._answers:
                self._answers[question] = asked(fleet, scope, **options)
            return self._answers[question]

        return ask

    def close(self) -> None:
        if self._fleet is not None:
            self._fleet.close()


@pytest.fixture(scope="session")
def asked_once(demo_store: Path) -> Iterator[AskedOnce]:
    once = AskedOnce(demo_store)
    yield once
    once.close()


@pytest.fixture
def fleetlog(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], request: pytest.FixtureRequest
) -> Command:
    """`fleetlog("status", store=path)` -> exit code, standard output and standard error."""

    def call(*arguments: str, store: Path | None = None) -> Done:
        head = ["--store", str(store)] if store else []
        with monkeypatch.context() as patch:
            patch.setattr(typer.main, "get_command", _commands)
            patch.setattr(sys, "argv", ["fleetlog", *head, *map(str, arguments)])
            if "demo_store" in request.fixturenames and arguments and arguments[0] in _ASKING:
                once = request.getfixturevalue("asked_once")
                patch.setattr(session, "open_fleet", once.open)
                patch.setattr(Place, "load", lambda place: once.load(place))
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
