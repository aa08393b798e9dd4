"""A Chromium, and the invented yard's report to show it.

Where continuous integration runs (CI is set) a missing browser fails. On a machine of yours without one these
tests are passed over, and say how to get it: the README's test command must not need root rights.
"""

from __future__ import annotations

import importlib.util
import os
import sys
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
from hollow_lane import HollowLane

CLOCK = datetime(2026, 11, 2, 6, 0)


def _load(name: str, path: Path) -> ModuleType:
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(name, path)
        assert spec is not None
        assert spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module
        spec.loader.exec_module(module)
    return sys.modules[name]


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    """The running Chromium."""
    chromium = _load("fleetlog_test_chromium", Path(__file__).with_name("chromium.py"))
    try:
        chromium.program()
    except chromium.BrowserMissing as missing:
        if os.environ.get("CI"):
            pytest.fail(str(missing), pytrace=False)
        pytest.skip(str(missing))
    with chromium.browser() as running:
        yield running


@pytest.fixture
def page(browser: Any) -> Iterator[Any]:
    """A fresh tab, as wide as a desk."""
    tab = browser.page()
    tab.look(1280, 800)
    yield tab
    tab.close()


@pytest.fixture(scope="session")
def report(hollow_lane: HollowLane, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of the invented yard's report."""
    from fleetlog.reporting.write import write_report

    folder = tmp_path_factory.mktemp("report")
    write_report(hollow_lane.month, folder, clock=CLOCK)
    return folder
