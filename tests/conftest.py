"""Fixtures for the whole suite."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from fleetlog.api import FleetPart
from fleetlog.resources import folder
from fleetlog.session.fleet import Fleet, open_fleet
from fleetlog.session.scope import Scope


@pytest.fixture(scope="session")
def demo_store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with the demo fleet, its settings beside it. Read it, do not write it."""
    place = tmp_path_factory.mktemp("demo")
    shutil.copy(folder("demo_data") / "fleetlog.toml", place / "fleetlog.toml")
    store = place / "fleetlog.duckdb"
    with open_fleet(store, create=True) as fleet:
        fleet.load(sorted(folder("demo_data").glob("*.csv")))
    return store


@pytest.fixture
def demo(demo_store: Path) -> Iterator[Fleet]:
    """The demo fleet, open for questions."""
    with open_fleet(demo_store) as fleet:
        yield fleet


@pytest.fixture
def demo_part(demo: Fleet) -> FleetPart:
    """The demo fleet as Python asks it."""
    return FleetPart(demo, Scope())
