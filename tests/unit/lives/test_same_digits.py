"""Same store, same question: same digits, on one thread or two, and whatever was asked before."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from fleetlog.lives.comparison import compare
from fleetlog.lives.design_change import design_changes
from fleetlog.lives.drivers import drivers
from fleetlog.lives.incidence import incidence
from fleetlog.lives.repeats import repeats
from fleetlog.lives.survival import survival
from fleetlog.lives.trend import trend
from fleetlog.session.fleet import Fleet, open_fleet

QUESTIONS: list[Callable[[Fleet], Any]] = [
    lambda fleet: survival(fleet, by=("variant",), strata=("site",), test="peto-peto"),
    lambda fleet: incidence(fleet, by=("variant",)),
    lambda fleet: compare(fleet, by="build_year", strata=("variant",)),
    lambda fleet: drivers(fleet, factors=("build_year", "site", "side")),
    lambda fleet: drivers(fleet, factors=("site",), clock="gap"),
    lambda fleet: design_changes(fleet, component="internal_bushing"),
    lambda fleet: repeats(fleet, by="site"),
    lambda fleet: trend(fleet),
]


def answers(store: Path, threads: int, *, backwards: bool = False) -> list[Any]:
    with open_fleet(store) as fleet:
        fleet.store.execute(f"SET threads = {threads}")
        order = reversed(QUESTIONS) if backwards else QUESTIONS
        told = [ask(fleet).to_dict() for ask in order]
    return told[::-1] if backwards else told


@pytest.mark.slow
@pytest.mark.parametrize(("threads", "backwards"), [(2, False), (1, True)])
def test_same_digits(demo_store: Path, threads: int, backwards: bool) -> None:
    assert answers(demo_store, threads, backwards=backwards) == answers(demo_store, 1)
