"""The report of an invented yard's month, written once, and others written quickly."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

import pytest
from hollow_lane import HollowLane
from pictures import DrawnOnce, Write

from fleetlog.reporting.findings import ReportFindings

CLOCK = datetime(2026, 11, 2, 6, 0)


@pytest.fixture(scope="session")
def write() -> Iterator[Write]:
    """`write(findings, folder)`: a report whose pictures are drawn only where no report had them before."""
    from fleetlog.reporting.month_pictures import MonthPictures
    from fleetlog.reporting.write import write_report

    def written(findings: ReportFindings, folder: Path, clock: datetime = CLOCK) -> list[Path]:
        return write_report(findings, folder, clock=clock, pictures=MonthPictures(drawer))

    with DrawnOnce() as drawer:
        yield written


@pytest.fixture(scope="session")
def written(
    hollow_lane: HollowLane, write: Write, tmp_path_factory: pytest.TempPathFactory
) -> tuple[Path, list[Path]]:
    """The month's report: its folder and its files."""
    folder = tmp_path_factory.mktemp("report")
    return folder, write(hollow_lane.month, folder)
