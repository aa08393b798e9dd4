"""The demo fleet, opened once for all tests of this folder."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from fleetlog.session.fleet import Fleet, open_fleet


@pytest.fixture(scope="session")
def demo(demo_store: Path) -> Iterator[Fleet]:
    with open_fleet(demo_store) as fleet:
        yield fleet
