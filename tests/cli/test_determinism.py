"""Same store, settings and as-of give the same digits, on one thread or two, in whatever order rows came."""

from __future__ import annotations

import csv
import random
import shutil
from pathlib import Path

import pytest

from fleetlog.causes.suspects import suspects
from fleetlog.intake import load_paths
from fleetlog.lives.repeats import repeats
from fleetlog.lives.survival import survival
from fleetlog.planning.forecast import forecast
from fleetlog.planning.plan import plan
from fleetlog.planning.replacement import replacement
from fleetlog.resources import folder
from fleetlog.session.fleet import Fleet, intake_settings, open_fleet
from fleetlog.session.scope import Scope


def answers(fleet: Fleet) -> list[object]:
    scope = Scope()
    return [
        survival(fleet, scope, by=("variant", "side")).to_dict(),
        repeats(fleet, scope).to_dict(),
        suspects(fleet, scope).to_dict(),
    ]


@pytest.mark.parametrize("threads", [pytest.param(1, marks=pytest.mark.slow), 2])
def test_threads(demo_store: Path, threads: int) -> None:
    with open_fleet(demo_store) as fleet:
        expected = answers(fleet)
    with open_fleet(demo_store) as fleet:
        fleet.store.execute(f"SET threads = {threads}")
        assert answers(fleet) == expected


@pytest.mark.slow
def test_looks_ahead_on_any_threads(demo_store: Path) -> None:
    found = []
    for threads in (1, 2):
        with open_fleet(demo_store) as fleet:
            fleet.store.execute(f"SET threads = {threads}")
            found.append(
                (
                    forecast(fleet, months=3, draws=20).to_dict(),
                    replacement(fleet, component="internal_bushing", draws=20).to_dict(),
                    plan(fleet, weeks=6, draws=20).to_dict(),
                )
            )
    assert found[0] == found[1]


@pytest.mark.slow
def test_order_of_rows(demo_store: Path, tmp_path: Path) -> None:
    files = tmp_path / "files"
    files.mkdir()
    # A planted correction makes the order of these two files matter, as it must: the last one wins.
    keep_order = {"meter_readings"}
    for source in folder("demo_data").glob("*.csv"):
        with source.open(newline="", encoding="utf-8") as file:
            head, *rows = list(csv.reader(file))
        if source.stem not in keep_order:
            random.Random(7).shuffle(rows)
        with (files / source.name).open("w", newline="", encoding="utf-8") as file:
            csv.writer(file).writerows([head, *rows])
    shutil.copy(folder("demo_data") / "fleetlog.toml", tmp_path / "fleetlog.toml")
    with open_fleet(demo_store) as fleet:
        expected = answers(fleet)
    with open_fleet(tmp_path / "fleetlog.duckdb", create=True) as fleet:
        load_paths(fleet.store, [files], settings=intake_settings(fleet.settings))
        assert answers(fleet) == expected
