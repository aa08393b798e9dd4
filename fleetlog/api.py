"""The Python interface: one method a question, the same answers that the command line prints."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from types import TracebackType

from fleetlog.findings.base import Scope
from fleetlog.findings.fleet import Fleet, open_fleet
from fleetlog.findings.repeats import RepeatsFinding, repeats
from fleetlog.findings.status import StatusFinding, status
from fleetlog.findings.survival import SurvivalFinding, survival
from fleetlog.findings.suspects import SuspectsFinding, suspects
from fleetlog.findings.unit import UnitFinding, unit

DEFAULT_FAULT = "neutral-return"


class OpenFleet:
    """A store, open for questions.

    Attributes:
        fleet: what the functions of `fleetlog.findings` take.
    """

    fleet: Fleet

    def __init__(self, path: Path | str) -> None:
        self.fleet = open_fleet(path)

    def __enter__(self) -> OpenFleet:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Lets the store go."""
        self.fleet.close()

    def survival(
        self,
        *,
        component: str = "internal_bushing",
        cause: str | None = None,
        by: tuple[str, ...] = (),
        fault: str = DEFAULT_FAULT,
        as_of: date | None = None,
        sites: tuple[str, ...] = (),
        build_years: tuple[int, ...] = (),
        machines: tuple[str, ...] = (),
    ) -> SurvivalFinding:
        """How long parts live, by running hours. See `fleetlog.findings.survival.survival`."""
        scope = Scope(fault, as_of, sites, build_years, machines)
        return survival(self.fleet, scope, component=component, cause=cause, by=by)

    def repeats(
        self,
        *,
        window_hours: float | None = None,
        component: str | None = None,
        fault: str = DEFAULT_FAULT,
        as_of: date | None = None,
        sites: tuple[str, ...] = (),
        build_years: tuple[int, ...] = (),
        machines: tuple[str, ...] = (),
    ) -> RepeatsFinding:
        """Which repairs hold. See `fleetlog.findings.repeats.repeats`."""
        scope = Scope(fault, as_of, sites, build_years, machines)
        return repeats(self.fleet, scope, window_hours=window_hours, component=component)

    def suspects(
        self,
        *,
        fault: str = DEFAULT_FAULT,
        as_of: date | None = None,
        sites: tuple[str, ...] = (),
        build_years: tuple[int, ...] = (),
        machines: tuple[str, ...] = (),
    ) -> SuspectsFinding:
        """Open and doubtful cases. See `fleetlog.findings.suspects.suspects`."""
        return suspects(self.fleet, Scope(fault, as_of, sites, build_years, machines))

    def unit(self, machine: str, *, fault: str = DEFAULT_FAULT, as_of: date | None = None) -> UnitFinding:
        """One machine's whole story. See `fleetlog.findings.unit.unit`."""
        return unit(self.fleet, machine, Scope(fault, as_of))

    def status(self, *, fault: str = DEFAULT_FAULT, as_of: date | None = None) -> StatusFinding:
        """What the store holds. See `fleetlog.findings.status.status`."""
        return status(self.fleet, Scope(fault, as_of))
