from __future__ import annotations

import sys
from collections.abc import Iterator
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
    """Stores as commands that ask find them: each opened once, and no question worked out twice.

    So what a test pays for is what the command makes of the answer. That a store opens as it should, and that
    the same question has the same answer, other tests see to. Nobody may write to a store that is shared here.
    """

    def __init__(self) -> None:
        self._fleets: dict[Path, Fleet | None] = {}
        self._answers: dict[tuple[object, ...], Any] = {}

    def share(self, store: Path) -> None:
        self._fleets.setdefault(store, None)

    def open(self, path: Path | None, **how: Any) -> AbstractContextManager[Fleet]:
        if path not in self._fleets or how:
            return open_fleet(path, **how)
        fleet = self._fleets[path] = self._fleets[path] or open_fleet(path)
        return nullcontext(fleet)

    def load(self, place: Place) -> Any:
        """What stands at a place; of a question one that remembers."""
        asked = _LOAD(place)

        def ask(fleet: Fleet, scope: Any, **options: Any) -> Any:
            if not any(fleet is shared for shared in self._fleets.values()):
                return asked(fleet, scope, **options)
            question = (fleet.store.path, asked, scope, repr(sorted(options.items())))
            if question not in self._answers:
                self._answers[question] = asked(fleet, scope, **options)
            return self._answers[question]

        return ask if place in _ASKS else asked

    def close(self) -> None:
        for fleet in filter(None, self._fleets.values()):
            fleet.close()


@pytest.fixture(scope="module")
def asked_once() -> Iterator[AskedOnce]:
    once = AskedOnce()
    yield once
    once.close()


@pytest.fixture
def fleetlog(
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    asked_once: AskedOnce,
    request: pytest.FixtureRequest,
) -> Command:
    """`fleetlog("status", store=path)` -> exit code, standard output and standard error."""
    if "demo_store" in request.fixturenames:
        asked_once.share(request.getfixturevalue("demo_store"))

    def call(*arguments: str, store: Path | None = None) -> Done:
        head = ["--store", str(store)] if store else []
        with monkeypatch.context() as patch:
            patch.setattr(typer.main, "get_command", _commands)
            patch.setattr(sys, "argv", ["fleetlog", *head, *map(str, arguments)])
            if arguments and arguments[0] in _ASKING:
                patch.setattr(session, "open_fleet", asked_once.open)
                patch.setattr(Place, "load", lambda place: asked_once.load(place))
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
