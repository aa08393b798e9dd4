"""Readers, row checks and rejected rows: from outside files to the store."""

from fleetlog.intake.contract import (
    FileResult,
    IntakeSettings,
    LoadResult,
    PlainSettings,
    Progress,
    ProgressCallback,
)
from fleetlog.intake.load import load_paths
from fleetlog.intake.rejects import rejected_frame, waiting_frame, write_rejects

__all__ = [
    "FileResult",
    "IntakeSettings",
    "LoadResult",
    "PlainSettings",
    "Progress",
    "ProgressCallback",
    "load_paths",
    "rejected_frame",
    "waiting_frame",
    "write_rejects",
]
