"""The month's report from question to files: asks, draws and writes, the drawing beside the asking."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from fleetlog.session.fleet import Fleet

if TYPE_CHECKING:
    from fleetlog.reporting.findings import ReportFindings


#: What is being done, one after the other, as `write_month` tells it.
STAGES = (
    "weighing the cases and the lives of parts",
    "planning the shop's weeks and forecasting the months ahead",
    "comparing past forecasts with what came, and telling each machine's story",
    "writing pages, PDF and tables",
)


def write_month(
    fleet: Fleet, month: date, fault: str, folder: Path, tell: Callable[[str], None] = lambda stage: None
) -> Path:
    """Writes the report of a month.

    Args:
        month: any day of the month.
        fault: name of the fault family.
        folder: gets the pages, the PDF, the workbook and the tables.
        tell: is told each of `STAGES` as it begins.

    Returns:
        The report's page.

    Raises:
        UsageError: for an unknown family, or a folder that cannot be written.
    """
    from fleetlog.charts.drawer import Drawer

    # The drawing process gets ready while this one still reads its own modules.
    with Drawer() as drawer:
        from fleetlog.reporting.gather import gather
        from fleetlog.reporting.month_pictures import MonthPictures
        from fleetlog.reporting.write import write_report

        pictures = MonthPictures(drawer)
        stages = iter(STAGES)
        tell(next(stages))

        def begin(findings: ReportFindings) -> None:
            tell(next(stages))
            pictures.begin(findings)

        findings = gather(fleet, month, fault, begin=begin)
        tell(next(stages))
        return write_report(findings, folder, clock=clock_of(fleet), pictures=pictures)[0]


def write_month_sheet(fleet: Fleet, month: date, fault: str, folder: Path) -> Path:
    """Writes the month's sheet of two pages alone, with its PDF, the text for a mail, the calendar and the parts.

    Args:
        month: any day of the month.
        fault: name of the fault family.
        folder: gets the files.

    Returns:
        The sheet's page.

    Raises:
        UsageError: for an unknown family, or a folder that cannot be written.
    """
    from fleetlog.reporting.sheet_files import write_sheet
    from fleetlog.reporting.sheet_findings import gather_sheet

    return write_sheet(gather_sheet(fleet, month, fault), folder, clock=clock_of(fleet))[0]


def clock_of(fleet: Fleet) -> datetime:
    """Now, as the fleet's clocks show it."""
    return datetime.now(ZoneInfo(fleet.settings.fleet.time_zone))
