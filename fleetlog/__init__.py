"""fleetlog: service history and failure analytics for yards that keep compact loaders.

`fleetlog.open(path)` opens a store; the fleet it returns answers the questions that the command line asks,
and `fleet.where(...)` restricts them to a part of it. What stands in `__all__` is public, with the attributes
of the results; everything else may change.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from fleetlog.errors import (
    EngineError,
    FleetlogError,
    InputFileError,
    SettingsError,
    StoreBusyError,
    StoreError,
    UsageError,
)

if TYPE_CHECKING:
    from pathlib import Path

    from fleetlog.api import FleetPart, OpenFleet
    from fleetlog.belief.reason import Reason
    from fleetlog.causes.backtest import BacktestFinding
    from fleetlog.causes.case import Suspect
    from fleetlog.causes.suspects import SuspectsFinding
    from fleetlog.causes.unit import UnitFinding
    from fleetlog.intake import LoadResult
    from fleetlog.lives.comparison import ComparisonFinding
    from fleetlog.lives.drivers import Clock, DriversFinding, Scale, Ties
    from fleetlog.lives.fleet_figures import FleetFiguresFinding
    from fleetlog.lives.incidence import IncidenceFinding
    from fleetlog.lives.repeats import RepeatsFinding
    from fleetlog.lives.splits import Weighting
    from fleetlog.lives.survival import SurvivalFinding, SurvivalGroup
    from fleetlog.lives.trend import TrendFinding
    from fleetlog.methods import Topic
    from fleetlog.planning.forecast import ForecastFinding
    from fleetlog.planning.forecast_check import ForecastCheck
    from fleetlog.planning.plan import PlanFinding
    from fleetlog.planning.plan_hours import ShopHoursFinding
    from fleetlog.planning.policies import PolicyFinding
    from fleetlog.planning.replacement import ReplacementFinding
    from fleetlog.reporting.jobcard import CardCase, CardStep, JobCard
    from fleetlog.session.finding import Finding
    from fleetlog.session.scope import Columns
    from fleetlog.session.status import StatusFinding
    from fleetlog.settings import Settings
    from fleetlog.stats.product_limit import Interval

#: Where the public names stand that are looked up when they are first asked for, so that importing is quick.
_PLACES = {
    "fleetlog.api": ("FleetPart", "OpenFleet"),
    "fleetlog.causes.backtest": ("BacktestFinding",),
    "fleetlog.belief.reason": ("Reason",),
    "fleetlog.causes.case": ("Suspect",),
    "fleetlog.causes.suspects": ("SuspectsFinding",),
    "fleetlog.causes.unit": ("UnitFinding",),
    "fleetlog.intake": ("LoadResult",),
    "fleetlog.lives.comparison": ("ComparisonFinding",),
    "fleetlog.lives.drivers": ("Clock", "DriversFinding", "Scale", "Ties"),
    "fleetlog.lives.fleet_figures": ("FleetFiguresFinding",),
    "fleetlog.lives.incidence": ("IncidenceFinding",),
    "fleetlog.lives.repeats": ("RepeatsFinding",),
    "fleetlog.lives.splits": ("Weighting",),
    "fleetlog.lives.survival": ("SurvivalFinding", "SurvivalGroup"),
    "fleetlog.lives.trend": ("TrendFinding",),
    "fleetlog.methods": ("Topic",),
    "fleetlog.planning.forecast": ("ForecastFinding",),
    "fleetlog.planning.forecast_check": ("ForecastCheck",),
    "fleetlog.planning.plan": ("PlanFinding",),
    "fleetlog.planning.plan_hours": ("ShopHoursFinding",),
    "fleetlog.planning.policies": ("PolicyFinding",),
    "fleetlog.planning.replacement": ("ReplacementFinding",),
    "fleetlog.reporting.jobcard": ("CardCase", "CardStep", "JobCard"),
    "fleetlog.session.finding": ("Finding",),
    "fleetlog.session.scope": ("Columns",),
    "fleetlog.session.status": ("StatusFinding",),
    "fleetlog.settings": ("Settings",),
    "fleetlog.stats.product_limit": ("Interval",),
}
_HOME = {name: module for module, names in _PLACES.items() for name in names}

__all__ = [
    "BacktestFinding",
    "CardCase",
    "CardStep",
    "Clock",
    "Columns",
    "ComparisonFinding",
    "DriversFinding",
    "EngineError",
    "Finding",
    "FleetFiguresFinding",
    "FleetPart",
    "FleetlogError",
    "ForecastCheck",
    "ForecastFinding",
    "IncidenceFinding",
    "InputFileError",
    "Interval",
    "JobCard",
    "LoadResult",
    "OpenFleet",
    "PlanFinding",
    "PolicyFinding",
    "Reason",
    "RepeatsFinding",
    "ReplacementFinding",
    "Scale",
    "Settings",
    "SettingsError",
    "ShopHoursFinding",
    "StatusFinding",
    "StoreBusyError",
    "StoreError",
    "SurvivalFinding",
    "SurvivalGroup",
    "Suspect",
    "SuspectsFinding",
    "Ties",
    "Topic",
    "TrendFinding",
    "UnitFinding",
    "UsageError",
    "Weighting",
    "__version__",
    "open",
    "open_lake",
]


def __getattr__(name: str) -> Any:
    """A public name, imported when it is first asked for."""
    if name == "__version__":
        from importlib.metadata import version

        return version("fleetlog")
    if name in _HOME:
        return getattr(import_module(_HOME[name]), name)
    raise AttributeError(f"fleetlog has no {name}")


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


def open_lake(folder: Path | str) -> OpenFleet:
    """Opens the Parquet files of a lake for questions, where they lie; see `fleetlog.open`.

    Args:
        folder: holds a file `<table>.parquet` or a folder `<table>` for each table that a yard loads.

    Raises:
        UsageError: there is no such folder.
        InputFileError: a table or a required column is missing, or a value is none.
        SettingsError: fleetlog.toml in it, or a fault family, does not read.
    """
    from fleetlog.api import OpenFleet
    from fleetlog.session.lake import open_lake as of_files

    return OpenFleet.over(of_files(folder))
