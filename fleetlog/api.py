"""The Python interface: one method a question, the same answers that the command line prints."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING

import polars as pl

from fleetlog.asking import Ask, day_of, names_of
from fleetlog.causes.backtest import backtest
from fleetlog.causes.suspects import holds, suspects
from fleetlog.causes.unit import unit
from fleetlog.errors import UsageError
from fleetlog.intake import LoadResult
from fleetlog.intake.undo import Undone, loads_frame
from fleetlog.lives.comparison import compare
from fleetlog.lives.design_change import design_changes
from fleetlog.lives.drivers import drivers
from fleetlog.lives.fleet_figures import fleet_figures
from fleetlog.lives.incidence import incidence
from fleetlog.lives.observed import observed_lives
from fleetlog.lives.repeats import repeats
from fleetlog.lives.survival import survival
from fleetlog.lives.trend import trend
from fleetlog.methods import Topic, topic
from fleetlog.planning.forecast import forecast
from fleetlog.planning.forecast_check import check_forecasts
from fleetlog.planning.money import money
from fleetlog.planning.plan import plan
from fleetlog.planning.plan_hours import compare_shop_hours
from fleetlog.planning.policies import compare_policies
from fleetlog.planning.replacement import replacement
from fleetlog.questions import exports, proposal
from fleetlog.session.fleet import Fleet, open_fleet
from fleetlog.session.scope import DEFAULT_FAULT, Scope
from fleetlog.session.status import status
from fleetlog.settings import Settings
from fleetlog.store.outward import history_table, loaded_table
from fleetlog.tables import neat, write_table

if TYPE_CHECKING:
    from fleetlog.reporting.jobcard import JobCard


class FleetPart:
    """A fleet, or a part of it, as of a day: what questions are asked of. `OpenFleet.where` makes one.

    Each question takes the options of its command, checked, and gives the command's answer: a result with
    `frame` (polars), `to_dict()`, `chart()`, `save()`, `notes` and `warnings`.

    Examples:
        >>> import fleetlog
        >>> with fleetlog.open(demo_store) as fleet:
        ...     june = fleet.where(as_of="2026-06-30", sites="Tolbeck")
        ...     june.survival(by="variant").by
        ('variant',)
    """

    def __init__(self, fleet: Fleet, scope: Scope) -> None:
        self._fleet = fleet
        self._scope = scope
        self._closed = False

    def parts(self) -> tuple[Fleet, Scope]:
        """The fleet that the functions of the rooms take, and which part of it is asked about.

        Raises:
            UsageError: the fleet is closed.
        """
        if self._closed:
            raise UsageError("This fleet is closed; open it again with fleetlog.open(...) to ask more.")
        return self._fleet, self._scope

    def where(
        self,
        *,
        fault: str | None = None,
        as_of: date | str | None = None,
        sites: str | Sequence[str] | None = None,
        build_years: int | Sequence[int] | None = None,
        machines: str | Sequence[str] | None = None,
    ) -> FleetPart:
        """The part of the fleet to which questions are restricted; what is left out stays as it is.

        Args:
            fault: name of the fault family.
            as_of: the last day that counts, as a date or as text ("2026-06-30").
            sites, build_years, machines: one or several to keep.

        Raises:
            UsageError: for a day that does not read, an unknown family, machine, site or build year.

        Examples:
            >>> june.where(sites="Tolbeck").status().as_of
            datetime.date(2026, 6, 30)
        """
        fleet, scope = self.parts()
        chosen = replace(
            scope,
            fault=fault if fault is not None else scope.fault,
            as_of=day_of(as_of) if as_of is not None else scope.as_of,
            sites=names_of("sites", sites) if sites is not None else scope.sites,
            build_years=names_of("build_years", build_years)
            if build_years is not None
            else scope.build_years,
            machines=names_of("machines", machines) if machines is not None else scope.machines,
        )
        fleet.begin(chosen)
        return _Part(self, chosen)

    survival = Ask(survival)
    incidence = Ask(incidence)
    compare = Ask(compare)
    drivers = Ask(drivers)
    design_changes = Ask(design_changes)
    repeats = Ask(repeats)
    trend = Ask(trend)
    suspects = Ask(suspects)
    holds = Ask(holds)
    unit = Ask(unit)
    forecast = Ask(forecast)
    forecast_check = Ask(check_forecasts)
    replacement = Ask(replacement)
    plan = Ask(plan)
    money = Ask(money)
    shop_hours = Ask(compare_shop_hours)
    policies = Ask(compare_policies)
    figures = Ask(fleet_figures)
    backtest = Ask(backtest)
    status = Ask(status)
    lives = Ask(observed_lives)

    @property
    def settings(self) -> Settings:
        """Costs, windows and zone in force."""
        return self.parts()[0].settings

    def sql(self, statement: str) -> pl.DataFrame:
        """The answer to one SELECT on the store's tables and those of its history; it changes nothing.

        Raises:
            UsageError: it is not one SELECT, or the store refuses it.

        Examples:
            >>> june.sql("SELECT count(*) AS machines FROM machines").rows()
            [(205,)]
        """
        from fleetlog.store.question import ask

        fleet, scope = self.parts()
        fleet.history(scope.as_of)
        return ask(fleet.store, statement, sealed=False)

    def table(self, name: str, component: str | None = None) -> pl.DataFrame:
        """A table that a yard loads, one of the history, or the table of an answer, as `fleetlog export`.

        Times of tables carry their zone (UTC), running hours are in hours; a table that a yard loads has the
        columns of the data dictionary, in the order of its key, so that a file of it loads back.

        Args:
            name: of the table.
            component: the part whose lives are followed, where the answer is about one.

        Raises:
            UsageError: there is none of that name.

        Examples:
            >>> june.table("spell").select("machine_id", "failed").columns
            ['machine_id', 'failed']
        """
        fleet, scope = self.parts()
        answers = exports()
        if name in answers:
            asked, frame = answers[name]
            options = dict(frame.export_options)
            if component is not None and "component" in asked.by_name:
                options["component"] = component
            rows: pl.DataFrame = getattr(asked.ask.load()(fleet, scope, **options), frame.whole or frame.name)
            return rows
        tables = fleet.store.tables()
        history = () if name in tables else fleet.history(scope.as_of).tables
        if name not in tables and name not in history:
            raise UsageError(
                f"There is no table or answer {name!r}; {proposal(name, [*answers, *tables, *history])}"
            )
        return (loaded_table if name in tables else history_table)(fleet.store, name)

    def export(self, name: str, path: Path | str) -> Path:
        """Writes a table or an answer's table to a file, by its ending (`fleetlog.tables`).

        Returns:
            The file.

        Raises:
            UsageError: there is none of that name, for another ending, or where it cannot be written.

        Examples:
            >>> june.export("suspects", folder / "suspects.csv").name
            'suspects.csv'
        """
        rows = self.table(name)
        write_table(neat(rows) if name in exports() else rows, Path(path))
        return Path(path)

    def report(self, folder: Path | str, month: date | str | None = None) -> Path:
        """Writes the monthly report of the whole fleet.

        Args:
            folder: gets the pages, the PDF, the workbook and the tables.
            month: any day of the month, or "2026-06"; None: the month of the last day that counts.

        Returns:
            The report's page.

        Raises:
            UsageError: for a month that does not read, or a folder that cannot be written.
        """
        from fleetlog.reporting.month_report import write_month

        fleet, scope = self.parts()
        text = f"{month}-01" if isinstance(month, str) and len(month) == 7 else month
        day = day_of(text) or scope.as_of or fleet.last_day()
        return write_month(fleet, day, scope.fault, Path(folder))

    def job_cards(self, machines: str | Sequence[str] | None = None) -> tuple[JobCard, ...]:
        """The job cards of machines, as values to show in a program of your own.

        Args:
            machines: one or several; None: those of this part, else every machine of it on hold, with a case, or with
                a visit in the plan's next four weeks. A week on a card is that of the whole fleet's plan.

        Raises:
            UsageError: there is no such machine, or none that needs a card.

        Examples:
            >>> (card,) = june.job_cards("37")
            >>> card.machine_id, card.steps[0].title != ""
            ('37', True)
        """
        from fleetlog.reporting.jobcard import job_cards

        fleet, scope = self.parts()
        return job_cards(fleet, names_of("machines", () if machines is None else machines), scope)

    def save_job_cards(self, path: Path | str, machines: str | Sequence[str] | None = None) -> Path:
        """Writes job cards as `fleetlog jobcard`: a page (.html), paper (.pdf) or a workbook that loads back (.xlsx).

        Args:
            path: the file; its ending says which.
            machines: as in `job_cards`.

        Returns:
            The file.

        Raises:
            UsageError: there is no such machine, or none that needs a card, for another ending, or where the file
                cannot be written.

        Examples:
            >>> june.save_job_cards(folder / "37.html", "37").name
            '37.html'
        """
        from fleetlog.reporting.jobcard_files import check_ending, write_job_cards
        from fleetlog.reporting.month_report import clock_of

        check_ending(Path(path))
        fleet, _ = self.parts()
        return write_job_cards(fleet, self.job_cards(machines), Path(path), clock=clock_of(fleet))

    def explain(self, name: str) -> Topic:
        """How a number is computed: formula, assumptions, when not to trust it, source.

        Raises:
            UsageError: there is no such topic; the nearest is proposed.

        Examples:
            >>> june.explain("weibull").title
            'Life distribution (Weibull)'
        """
        return topic(name)

    def __repr__(self) -> str:
        if self._closed:
            return f"<{type(self).__name__}, closed>"
        fleet, scope = self.parts()
        day = f", as of {scope.as_of}" if scope.as_of else ""
        names = (("sites", scope.sites), ("build years", scope.build_years), ("machines", scope.machines))
        kept = "".join(f", {name} {', '.join(map(str, values))}" for name, values in names if values)
        return f"<{type(self).__name__} of {fleet.store.path or 'a store in memory'}{day}{kept}>"


class _Part(FleetPart):
    """A part of an open fleet, closed when the whole is."""

    def __init__(self, whole: FleetPart, scope: Scope) -> None:
        super().__init__(whole.parts()[0], scope)
        self._whole = whole

    def parts(self) -> tuple[Fleet, Scope]:
        """The fleet, and this part of it."""
        return self._whole.parts()[0], self._scope


class OpenFleet(FleetPart):
    """A store, open for questions. Use it in a `with` statement, or close it."""

    def __init__(
        self, path: Path | str, *, writable: bool = False, create: bool = False, wait: float = 0.0
    ) -> None:
        fleet = open_fleet(path, writable=writable, create=create, wait=wait)
        super().__init__(fleet, Scope(DEFAULT_FAULT))

    @classmethod
    def over(cls, fleet: Fleet) -> OpenFleet:
        """A fleet that is open already, of a lake for instance.

        Examples:
            >>> fleetlog.OpenFleet.over(june.parts()[0]).status().as_of
            datetime.date(2026, 6, 30)
        """
        made = cls.__new__(cls)
        FleetPart.__init__(made, fleet, Scope(DEFAULT_FAULT))
        return made

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
        if not self._closed:
            self._closed = True
            self._fleet.close()

    def discard(self) -> None:
        """Lets the store go and drops what was loaded since it was opened."""
        if not self._closed:
            self._closed = True
            self._fleet.discard()

    def load(
        self,
        paths: Sequence[Path | str] | Path | str,
        *,
        kind: str | None = None,
        date_order: str | None = None,
        machine: str | None = None,
        machine_from: str | None = None,
        check_only: bool = False,
        newest: bool = False,
    ) -> LoadResult:
        """Loads files and folders into a store opened with `writable` or `create`.

        Nobody is asked: `overwritten` and `changes` of the result's files tell what was overwritten, `load_id` by which
        number `undo` takes it back. Arguments and errors are those of `fleetlog.intake.load_paths`.

        Examples:
            >>> _ = (folder / "machines.csv").write_text("machine_id,build_date\\n1,2016\\n")
            >>> with fleetlog.open(folder / "new.duckdb", create=True) as new:
            ...     new.load(folder / "machines.csv").files[0].new
            1
        """
        fleet, _ = self.parts()
        many = [paths] if isinstance(paths, (str, Path)) else list(paths)
        return fleet.load(
            [Path(path) for path in many],
            kind=kind,
            date_order=date_order,
            machine=machine,
            machine_from=machine_from,
            check_only=check_only,
            newest=newest,
        )

    def loads(self) -> pl.DataFrame:
        """The loads in order, as `fleetlog.intake.undo.loads_frame` gives them.

        Examples:
            >>> _ = (folder / "list.csv").write_text("machine_id\\n1\\n")
            >>> with fleetlog.open(folder / "listed.duckdb", create=True) as new:
            ...     _ = new.load(folder / "list.csv")
            ...     new.loads()["files"].to_list()
            ['list.csv']
        """
        fleet, _ = self.parts()
        return loads_frame(fleet.store)

    def undo(self, load_id: int) -> Undone:
        """Takes a load back out of a store opened with `writable`: its rows go, what it corrected is as before.

        Arguments and errors are those of `fleetlog.intake.undo.undo_load`.

        Examples:
            >>> _ = (folder / "wrong.csv").write_text("machine_id,build_date\\n1,2061\\n2,2017\\n")
            >>> with fleetlog.open(folder / "other.duckdb", create=True) as new:
            ...     number = new.load(folder / "wrong.csv").load_id
            ...     new.undo(number).removed
            1
        """
        fleet, _ = self.parts()
        return fleet.undo(load_id)
