"""Writes reports/sample/: the demo fleet's report of June 2026, made at a fixed time.

Run it when the report or the demo fleet changes, and look at what changed: python tests/docs/rebuild_sample.py
"""

from __future__ import annotations

import shutil
import tempfile
from datetime import UTC, date, datetime
from pathlib import Path

from fleetlog.reporting.findings import ReportFindings
from fleetlog.reporting.gather import gather
from fleetlog.reporting.write import WORKBOOK, write_report
from fleetlog.resources import folder
from fleetlog.session.fleet import open_fleet

SAMPLE = Path(__file__).parents[2] / "reports" / "sample"
CLOCK = datetime(2026, 7, 1, 12, 0, tzinfo=UTC)
MONTH = date(2026, 6, 1)


def gathered() -> ReportFindings:
    """What the demo fleet's month comes to."""
    with tempfile.TemporaryDirectory() as place:
        shutil.copy(folder("demo_data") / "fleetlog.toml", Path(place) / "fleetlog.toml")
        with open_fleet(Path(place) / "fleetlog.duckdb", create=True) as fleet:
            fleet.load(sorted(folder("demo_data").glob("*.csv")))
            return gather(fleet, MONTH)


def write_sample(findings: ReportFindings, target: Path) -> None:
    """The report into a folder. The workbook is left out: it says what the tables beside it say."""
    write_report(findings, target, clock=CLOCK)
    (target / WORKBOOK).unlink()


if __name__ == "__main__":
    if SAMPLE.exists():
        shutil.rmtree(SAMPLE)
    write_sample(gathered(), SAMPLE)
