"""fleetlog: service history and failure analytics for yards that keep compact loaders.

`fleetlog.open(path)` opens a store; the fleet it returns answers the questions that the command line asks.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

    from fleetlog.api import OpenFleet

__all__ = ["open"]


def open(path: Path | str = "fleetlog.duckdb") -> OpenFleet:
    """Opens the store at `path` for questions; use it in a `with` statement, or close it.

    Raises:
        StoreError: no store there, or it is busy, damaged or of another version.
        SettingsError: fleetlog.toml beside it, or a fault family, does not read.
    """
    from fleetlog.api import OpenFleet

    return OpenFleet(path)
