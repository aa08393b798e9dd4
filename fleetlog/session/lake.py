"""A fleet whose tables lie in a lake and whose history and risk tables a cluster makes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from fleetlog.engines.session import require
from fleetlog.errors import UsageError
from fleetlog.history import History
from fleetlog.session.fleet import Fleet, settings_of
from fleetlog.settings import Settings, families_for


@dataclass
class LakeFleet(Fleet):
    """What findings are asked of, in place of a store's fleet. Make one with `open_lake`."""

    def history(self, as_of: date | None = None) -> History:
        """The history as of a day (None: the last day on record), kept until another is asked."""
        if self._history is None or (as_of != self._asked and as_of != self._history.as_of):
            from fleetlog.engines.history import build_on_spark
            from fleetlog.engines.spark import SparkStore

            assert isinstance(self.store, SparkStore)
            self._history = build_on_spark(self.store, self.families, self.settings, as_of)
            self._asked = as_of
        return self._history

    def load(self, paths: Sequence[Path], **_: Any) -> Any:
        """A lake is not loaded into.

        Raises:
            UsageError: always.
        """
        raise UsageError(
            "A lake is only read; load files into a store, and write the lake from it with "
            "'fleetlog export tables --out DIR'."
        )


def open_lake(
    lake: str,
    master: str | None = None,
    *,
    store_path: Path | None = None,
    settings: Settings | None = None,
) -> LakeFleet:
    """Opens a lake for questions.

    Args:
        lake: folder or URL of one Parquet file or folder a kind; the cluster must reach it by the same name.
        master: the cluster, see `fleetlog.engines.session.connect`.
        store_path: a place beside which fleetlog.toml may lie; the store itself is not opened.
        settings: what is in force; None reads fleetlog.toml there.

    Raises:
        UsageError: when the extra fleetlog[spark] is not installed.
        EngineError: when there is no Java, or the cluster cannot be reached.
        InputFileError: when the lake lacks a table or a column.
        SettingsError: when the settings or a fault family do not read.
    """
    require()
    from fleetlog.engines.spark import open_lake_store

    in_force = settings if settings is not None else settings_of(store_path)
    families = families_for(in_force)
    return LakeFleet(open_lake_store(lake, master), in_force, families)
