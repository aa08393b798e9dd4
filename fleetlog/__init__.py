"""fleetlog: service history and failure analytics for yards that keep compact loaders.

`fleetlog.open(path)` opens a store; the fleet it returns answers the questions that the command line asks.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

    from fleetlog.api import OpenFleet

__all__ = ["open"]


def open(
    path: Path | str = "fleetlog.duckdb",
    *,
    writable: bool = False,
    create: bool = False,
    wait: float = 0.0,
) -> OpenFleet:
    """Opens the store at `path` for questions; use it in a `with` statement, or close it.

    Args:
        path: the store's file.
        writable: open it for loading too; others see what was loaded when it is closed.
        create: make the store when there is none (implies `writable`).
        wait: for how many seconds to queue behind others who write; 0 asks once.

    Raises:
        StoreBusyError: another process writes to it (`writable` or `create` only).
        StoreError: no store there, or it is damaged or of another version.
        SettingsError: fleetlog.toml beside it, or a fault family, does not read.
    """
    from fleetlog.api import OpenFleet

    return OpenFleet(path, writable=writable, create=create, wait=wait)
