"""The demo fleet in a store of its own, loaded once for all tests of this folder."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from fleetlog.intake import load_paths
from fleetlog.resources import folder
from fleetlog.session.fleet import Fleet, intake_settings, open_fleet
from fleetlog.settings import load_settings


@pytest.fixture(scope="session")
def demo_path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("planning") / "demo.duckdb"
    settings = load_settings(folder("demo_data") / "fleetlog.toml")
    with open_fleet(path, settings=settings, create=True) as fleet:
        load_paths(fleet.store, [folder("demo_data")], settings=intake_settings(settings))
    return path


@pytest.fixture(scope="session")
def demo(demo_path: Path) -> Iterator[Fleet]:
    settings = load_settings(folder("demo_data") / "fleetlog.toml")
    with open_fleet(demo_path, settings=settings) as fleet:
        yield fleet
