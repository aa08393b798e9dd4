"""The invented month, loaded by path: the tests are no package."""

from __future__ import annotations

import importlib.util
import sys
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from types import ModuleType

import pytest
from pictures import DrawnOnce, Write

from fleetlog.reporting import ReportFindings

CLOCK = datetime(2026, 11, 2, 6, 0)


@pytest.fixture(scope="session")
def months() -> ModuleType:
    name = "report_months"
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name("months.py"))
        assert spec is not None
        assert spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module
        spec.loader.exec_module(module)
    return sys.modules[name]


@pytest.fixture(scope="session")
def write() -> Iterator[Write]:
    """`write(findings, folder)`: a report whose pictures are drawn only where no report had them before."""
    from fleetlog.reporting import write_report
    from fleetlog.reporting.month_pictures import MonthPictures

    def written(findings: ReportFindings, folder: Path, clock: datetime = CLOCK) -> list[Path]:
        return write_report(findings, folder, clock=clock, pictures=MonthPictures(drawer))

    with DrawnOnce() as drawer:
        yield written


@pytest.fixture(scope="session")
def written(
    months: ModuleType, write: Write, tmp_path_factory: pytest.TempPathFactory
) -> tuple[Path, list[Path]]:
    """The invented month's report: its folder and its files."""
    folder = tmp_path_factory.mktemp("report")
    return folder, write(months.month(), folder)
