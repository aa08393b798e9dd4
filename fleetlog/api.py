"""The Python interface: one method a question, the same answers that the command line prints."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from pathlib import Path
from types import TracebackType

from fleetlog.causes.backtest import BacktestFinding, backtest
from fleetlog.causes.suspects import SuspectsFinding, suspects
from fleetlog.causes.unit import UnitFinding, unit
from fleetlog.intake import LoadResult
from fleetlog.lives.comparison import ComparisonFinding, compare
from fleetlog.lives.drivers import DriversFinding, drivers
from fleetlog.lives.incidence import IncidenceFinding, incidence
from fleetlog.lives.repeats import RepeatsFinding, repeats
from fleetlog.lives.survival import SurvivalFinding, survival
from fleetlog.lives.trend import TrendFinding, trend
from fleetlog.planning.forecast import ForecastFinding, forecast
from fleetlog.planning.plan import PlanFinding, plan
from fleetlog.session.fleet import Fleet, open_fleet
from fleetlog.session.scope import Scope
from fleetlog.session.status import StatusFinding, status

DEFAULT_FAULT = "neutral-return"


class OpenFleet:
    """A store, open for questions.

    Attributes:
        fleet: what the functions of `fleetlog.findings` take.
    """

    fleet: Fleet

    def __init__(
        self, path: Path | str, *, writable: bool = False, create: bool = False, wait: float = 0.0
    ) -> None:
        self.fleet = open_fleet(path, writable=writable, create=create, wait=wait)

    def __enter__(self) -> OpenFleet:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if kind is None:
            self.close()
        else:
            self.discard()

    def close(self) -> None:
        """Lets the store go; what was loaded becomes visible to others, all at once.

        Raises:
            StoreError: when that fails; the store is as it was then.
        """
        self.fleet.close()

    def discard(self) -> None:
        """Lets the store go and drops what was loaded since it was opened."""
        self.fleet.discard()

    def load(
        self,
        paths: Sequence[Path | str],
        *,
        kind: str | None = None,
        date_order: str | None = None,
        machine: str | None = None,
        machine_from: str | None = None,
        check_only: bool = False,
    ) -> LoadResult:
        """Loads files and folders into a store opened with `writable` or `create`.

        Arguments and errors are those of `fleetlog.intake.load_paths`.
        """
        return self.fleet.load(
            [Path(path) for path in paths],
            kind=kind,
            date_order=date_order,
            machine=machine,
            machine_from=machine_from,
            check_only=check_only,
        )

    def survival(
        self,
        *,
        component: str = "internal_bushing",
        cause: str | None = None,
        by: tuple[str, ...] = (),
        interval: str = "log-log",
        test: str = "log-rank",
        strata: tuple[str, ...] = (),
        fault: str = DEFAULT_FAULT,
        as_of: date | None = None,
        sites: tuple[str, ...] = (),
        build_years: tuple[int, ...] = (),
        machines: tuple[str, ...] = (),
    ) -> SurvivalFinding:
        """How long parts live, by running hours. See `fleetlog.lives.survival.survival`."""
        return survival(
            self.fleet,
            Scope(fault, as_of, sites, build_years, machines),
            component=component,
            cause=cause,
            by=by,
            interval=interval,
            test=test,
            strata=strata,
        )

    def incidence(
        self,
        *,
        component: str = "internal_bushing",
        by: tuple[str, ...] = (),
        fault: str = DEFAULT_FAULT,
        as_of: date | None = None,
        sites: tuple[str, ...] = (),
        build_years: tuple[int, ...] = (),
        machines: tuple[str, ...] = (),
    ) -> IncidenceFinding:
        """In what ways lives end. See `fleetlog.lives.incidence.incidence`."""
        scope = Scope(fault, as_of, sites, build_years, machines)
        return incidence(self.fleet, scope, component=component, by=by)

    def compare(
        self,
        *,
        component: str = "internal_bushing",
        cause: str | None = None,
        by: str = "build_year",
        strata: tuple[str, ...] = (),
        test: str = "log-rank",
        fault: str = DEFAULT_FAULT,
        as_of: date | None = None,
        sites: tuple[str, ...] = (),
        build_years: tuple[int, ...] = (),
        machines: tuple[str, ...] = (),
    ) -> ComparisonFinding:
        """Which groups fail more than expected. See `fleetlog.lives.comparison.compare`."""
        scope = Scope(fault, as_of, sites, build_years, machines)
        return compare(self.fleet, scope, component=component, cause=cause, by=by, strata=strata, test=test)

    def drivers(
        self,
        *,
        component: str = "internal_bushing",
        factors: tuple[str, ...] = ("variant", "site"),
        strata: tuple[str, ...] = (),
        clock: str = "lives",
        ties: str = "efron",
        fault: str = DEFAULT_FAULT,
        as_of: date | None = None,
        sites: tuple[str, ...] = (),
        build_years: tuple[int, ...] = (),
        machines: tuple[str, ...] = (),
    ) -> DriversFinding:
        """What multiplies the risk. See `fleetlog.lives.drivers.drivers`."""
        scope = Scope(fault, as_of, sites, build_years, machines)
        return drivers(
            self.fleet, scope, component=component, factors=factors, strata=strata, clock=clock, ties=ties
        )

    def trend(
        self,
        *,
        fault: str = DEFAULT_FAULT,
        as_of: date | None = None,
        sites: tuple[str, ...] = (),
        build_years: tuple[int, ...] = (),
        machines: tuple[str, ...] = (),
    ) -> TrendFinding:
        """Whether the fault comes ever faster. See `fleetlog.lives.trend.trend`."""
        return trend(self.fleet, Scope(fault, as_of, sites, build_years, machines))

    def repeats(
        self,
        *,
        window_hours: float | None = None,
        component: str | None = None,
        by: str = "",
        fault: str = DEFAULT_FAULT,
        as_of: date | None = None,
        sites: tuple[str, ...] = (),
        build_years: tuple[int, ...] = (),
        machines: tuple[str, ...] = (),
    ) -> RepeatsFinding:
        """Which repairs hold. See `fleetlog.lives.repeats.repeats`."""
        scope = Scope(fault, as_of, sites, build_years, machines)
        return repeats(self.fleet, scope, window_hours=window_hours, component=component, by=by)

    def suspects(
        self,
        *,
        fault: str = DEFAULT_FAULT,
        as_of: date | None = None,
        sites: tuple[str, ...] = (),
        build_years: tuple[int, ...] = (),
        machines: tuple[str, ...] = (),
    ) -> SuspectsFinding:
        """Open and doubtful cases. See `fleetlog.causes.suspects.suspects`."""
        return suspects(self.fleet, Scope(fault, as_of, sites, build_years, machines))

    def unit(self, machine: str, *, fault: str = DEFAULT_FAULT, as_of: date | None = None) -> UnitFinding:
        """One machine's whole story. See `fleetlog.causes.unit.unit`."""
        return unit(self.fleet, machine, Scope(fault, as_of))

    def forecast(
        self, *, months: int = 12, fault: str = DEFAULT_FAULT, as_of: date | None = None
    ) -> ForecastFinding:
        """What will fail over the coming months. See `fleetlog.planning.forecast.forecast`."""
        return forecast(self.fleet, Scope(fault, as_of), months=months)

    def plan(
        self,
        *,
        weeks: int = 26,
        shop_hours: float | None = None,
        fault: str = DEFAULT_FAULT,
        as_of: date | None = None,
    ) -> PlanFinding:
        """Which preventive repairs to do when. See `fleetlog.planning.plan.plan`."""
        return plan(self.fleet, Scope(fault, as_of), weeks=weeks, shop_hours=shop_hours)

    def backtest(
        self, *, months: int = 24, fault: str = DEFAULT_FAULT, as_of: date | None = None
    ) -> BacktestFinding:
        """How good past suspicions were. See `fleetlog.causes.backtest.backtest`."""
        return backtest(self.fleet, Scope(fault, as_of), months=months)

    def status(self, *, fault: str = DEFAULT_FAULT, as_of: date | None = None) -> StatusFinding:
        """What the store holds. See `fleetlog.session.status.status`."""
        return status(self.fleet, Scope(fault, as_of))
