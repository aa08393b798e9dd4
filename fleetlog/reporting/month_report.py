"""The month's report from question to files: asks, draws and writes, the drawing beside the asking."""

from __future__ import annotations

from datetime import UTC, date, datetime
from pathlib import Path

from fleetlog.charts.drawer import Drawer
from fleetlog.session.fleet import Fleet


def write_month(fleet: Fleet, month: date, fault: str, folder: Path) -> Path:
    """Writes the report of a month.

    Args:
        month: any day of the month.
        fault: name of the fault family.
        folder: gets the pages, the PDF, the workbook and the tables.

    Returns:
        The report's page.

    Raises:
        UsageError: for an unknown family, or a folder that cannot be written.
    """
    # The drawing process gets ready while this one still reads its own modules.
    with Drawer() as drawer:
        from fleetlog.reporting.gather import gather
        from fleetlog.reporting.month_pictures import MonthPictures
        from fleetlog.reporting.write import write_report

        pictures = MonthPictures(drawer)
        findings = gather(fleet, month, fault, begin=pictures.begin)
        return write_report(findings, folder, clock=datetime.now(UTC), pictures=pictures)[0]
