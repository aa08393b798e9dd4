"""Fleets that leave statistics little to go by: every question answers with limits, or refuses in one sentence."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from small_fleet import MACHINE, code, fleet_of, reading
from trade import SINCE_2017_TOML

from fleetlog.errors import UsageError
from fleetlog.lives.comparison import compare
from fleetlog.lives.drivers import drivers
from fleetlog.lives.incidence import incidence
from fleetlog.lives.survival import survival
from fleetlog.lives.trend import trend
from fleetlog.planning.replacement import replacement
from fleetlog.questions import question as declared
from fleetlog.session.finding import Finding, plain
from fleetlog.session.fleet import Fleet

QUESTIONS: dict[str, Callable[[Fleet], Finding]] = {
    "survival": lambda fleet: survival(fleet, by="site"),
    "survival by books": lambda fleet: survival(fleet, by="site", endings="recorded"),
    "survival of all": lambda fleet: survival(fleet),
    "survival otherwise": lambda fleet: survival(
        fleet, by=("site", "side"), interval="log", test="peto-peto"
    ),
    "compare": lambda fleet: compare(fleet, by="site"),
    "compare otherwise": lambda fleet: compare(fleet, by="site", strata=(), test="gehan", cause="worn"),
    "drivers": lambda fleet: drivers(fleet, factors="site"),
    "drivers of lives": lambda fleet: drivers(fleet, factors="site", scale="time"),
    "drivers of all recurrences": lambda fleet: drivers(fleet, factors="site", clock="total"),
    "incidence": lambda fleet: incidence(fleet, by="site"),
    "incidence of all": lambda fleet: incidence(fleet),
    "trend": lambda fleet: trend(fleet),
    "trend by site": lambda fleet: trend(fleet, by="site"),
    "replacement": lambda fleet: replacement(fleet),
}


def yard(folder: Path, machines: int, failing: Callable[[int], bool], *, sites: bool = False) -> Fleet:
    """Machines of some 10 hours a day from new; the left bushing of those that fail is found worn on 1 July."""
    tables: dict[str, list[dict[str, Any]]] = {
        kind: [] for kind in ("machines", "meter_readings", "fault_codes", "work_orders", "work_lines")
    }
    for number in range(machines):
        name = f"M{number:04d}"
        site = f"S{number:04d}" if sites else "North"
        new = {"machine_id": name, "site": site, "build_date": "2020-01-01", "hours_at_acquisition": "0"}
        tables["machines"].append({**MACHINE, **new})
        tables["meter_readings"] += [
            reading("2020-01-01T00:00", 0, name),
            reading(
                "2020-12-01T00:00", 3350 + (number if sites else 0), name
            ),  # each at a pace of its own, or not
        ]
        if failing(number):
            tables["fault_codes"].append(code("2020-06-20T08:00", machine=name))
            tables["work_orders"].append(
                {"work_order_id": name, "machine_id": name, "opened_at": "2020-06-25"}
            )
            tables["work_lines"].append(
                {"work_order_id": name, "line_no": 1, "component": "internal_bushing", "action": "replace",
                 "side": "left", "finding": "worn", "done_at": "2020-07-01T00:00"}
            )  # fmt: skip
    return fleet_of(folder, {kind: rows for kind, rows in tables.items() if rows}, SINCE_2017_TOML)


FLEETS: dict[str, Callable[[Path], Fleet]] = {
    "one machine": lambda folder: yard(folder, 1, lambda number: True),
    "one machine that never failed": lambda folder: yard(folder, 1, lambda number: False),
    "no failures": lambda folder: yard(folder, 12, lambda number: False),
    "all failures at one age": lambda folder: yard(folder, 12, lambda number: True),
    "thirty groups of one": lambda folder: yard(folder, 30, lambda number: number % 3 == 0, sites=True),
    "a thousand groups of one": lambda folder: yard(folder, 1000, lambda number: number % 3 == 0, sites=True),
}


MANY = "a thousand groups of one"
PARAMETERS = [pytest.param(name, marks=pytest.mark.slow) if name == MANY else name for name in FLEETS]


@pytest.fixture(scope="module", params=PARAMETERS)
def fleet(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Fleet]:
    with FLEETS[request.param](tmp_path_factory.mktemp("yard")) as made:
        yield made


def assert_one_sentence(error: UsageError) -> None:
    said = str(error)
    assert said.endswith(".")
    assert "\n" not in said
    assert len(said) < 400


@pytest.mark.parametrize("question", QUESTIONS)
def test_an_answer_or_one_sentence(fleet: Fleet, question: str) -> None:
    try:
        found = QUESTIONS[question](fleet)
    except UsageError as error:
        assert_one_sentence(error)
        return
    told = json.dumps(plain(found.to_dict()), allow_nan=False)
    assert len(told) > 50
    if question.startswith("survival"):
        for row in found.to_dict()["rows"]:
            assert row["failures"] > 0 or row["median_ci"] == [None, None]


@pytest.mark.parametrize("fleet", [name for name in FLEETS if name != MANY], indirect=True)
def test_recurrences_since_the_last_are_explained_or_refused(fleet: Fleet) -> None:
    """Not of a thousand sites: three hundred coefficients with a failure each take minutes."""
    try:
        found = drivers(fleet, factors="site", clock="gap")
    except UsageError as error:
        assert_one_sentence(error)
        return
    assert len(json.dumps(plain(found.to_dict()), allow_nan=False)) > 50


@pytest.mark.parametrize("fleet", [name for name in FLEETS if name != MANY], indirect=True)
@pytest.mark.parametrize("question", ["survival", "compare", "drivers", "incidence", "trend by site"])
def test_a_picture_or_one_sentence(fleet: Fleet, question: str) -> None:
    try:
        found = QUESTIONS[question](fleet)
    except UsageError as error:
        assert_one_sentence(error)
        return
    pictures = declared(found.question).charts
    assert pictures
    for picture in pictures:
        try:
            drawn = found.chart(picture.name).to_dict()
        except UsageError as error:
            assert_one_sentence(error)
        else:
            assert drawn["$schema"]
