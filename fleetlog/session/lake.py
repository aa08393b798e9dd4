"""A fleet whose tables lie in a lake: asked in place on this machine, or by a cluster that makes its history."""

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
from fleetlog.settings import FILE_NAME, Settings, families_for, load_settings
from fleetlog.store.in_place import open_in_place


@dataclass
class LakeFleet(Fleet):
    """What findings are asked of, in place of a store's fleet. Make one with `open_lake`."""

    def load(self, paths: Sequence[Path], **_: Any) -> Any:
        """A lake is not loaded into.

        Raises:
            UsageError: always.
        """
        raise UsageError(
            "A lake is only read; load files into a store, and write the lake from it with "
            "'fleetlog export tables --out DIR'."
        )


@dataclass
class ClusterFleet(LakeFleet):
    """One whose history a cluster makes. Make one with `open_cluster`."""

    def history(self, as_of: date | None = None) -> History:
        """The history as of a day (None: the last day on record), kept until another is asked."""
        if self._history is None or (as_of != self._asked and as_of != self._history.as_of):
            from fleetlog.engines.history import build_on_spark
            from fleetlog.engines.spark import SparkStore

            assert isinstance(self.store, SparkStore)
            self._history = build_on_spark(self.store, self.families, self.settings, as_of)
            self._asked = as_of
        return self._history


def open_lake(
    lake: Path | str, *, store_path: Path | None = None, settings: Settings | None = None
) -> LakeFleet:
    """Opens a lake for questions that this machine answers over its files, where they lie.

    Args:
        lake: folder of one Parquet file or folder a kind.
        store_path: a place beside which fleetlog.toml may lie where the lake has none; the store itself is not
            opened.
        settings: what is in force; None reads fleetlog.toml in the lake, else there.

    Raises:
        UsageError: when there is no such folder.
        InputFileError: when the lake lacks a table or a column, or a value is none.
        SettingsError: when the settings or a fault family do not read.
    """
    if "://" in str(lake):
        raise UsageError(f"{lake} is no folder of this machine; mount it, or let a cluster read it (spark).")
    in_force = settings if settings is not None else _settings_of(str(lake), store_path)
    return LakeFleet(open_in_place(Path(lake), in_force.fleet.time_zone), in_force, families_for(in_force))


def open_cluster(
    lake: str,
    master: str | None = None,
    *,
    store_path: Path | None = None,
    settings: Settings | None = None,
) -> ClusterFleet:
    """Opens a lake for questions whose history and risk tables a cluster makes.

    Args:
        lake: folder or URL of one Parquet file or folder a kind; the cluster must reach it by the same name.
        master: the cluster, see `fleetlog.engines.session.connect`.
        store_path, settings: as in `open_lake`.

    Raises:
        UsageError: when the extra fleetlog[spark] is not installed.
        EngineError: when there is no Java, or the cluster cannot be reached.
        InputFileError: when the lake lacks a table or a column.
        SettingsError: when the settings or a fault family do not read.
    """
    require()
    from fleetlog.engines.spark import open_lake_store

    in_force = settings if settings is not None else _settings_of(lake, store_path)
    families = families_for(in_force)
    return ClusterFleet(open_lake_store(lake, master, in_force.fleet.time_zone), in_force, families)


def _settings_of(lake: str, store_path: Path | None) -> Settings:
    """The settings in the lake's own folder, else those beside a store, else the defaults."""
    own = Path(lake) / FILE_NAME
    if "://" not in lake and own.is_file():
        return load_settings(own)
    return settings_of(store_path)
