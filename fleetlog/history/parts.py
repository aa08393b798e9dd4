"""Builds the parts of a history: of all machines or of some, and from where nothing before changed."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property

import polars as pl

from fleetlog.history.build_spec import BuildSpec
from fleetlog.history.steps import DOUBTFUL, RAISED, SET_ASIDE, BuildStep, run_step, steps
from fleetlog.store import Store
from fleetlog.store.derived import CHOSEN, RESUMED, DerivedSchema
from fleetlog.store.statements import statement

#: Readings worked off at a time, so that memory stays bounded whatever the fleet.
READINGS_AT_A_TIME = 10_000_000

# Made for all machines before the others: when a site's records begin shows only over all of its machines.
_BEFOREHAND = ("record", "site_record")

# Of the running hours, what the later steps read.
_READ_LATER = ("machine", "clock")

# Tables of the running hours since a machine's reading of resuming, once it shows what to set aside of them.
_MADE_SINCE = ("machine", "reading", "unsteady_machine", SET_ASIDE, RAISED)

# What tells of running hours at one instant and of nothing else that happened before or after it.
_IN_TIME = {"meter_readings": "read_at", "fault_codes": "seen_at", "measurements": "measured_at"}

# The temporary table of earlier readings by way of which that reading could be passed by.
_CONTRADICTING = "contradicting_reading"


@dataclass(frozen=True)
class Builder:
    """Builds a history into a schema.

    Attributes:
        store: an open store.
        schema: where the finished tables go.
        spec: by what, and as of when, it is made.
        progress: hears how many of how many machines are done.
    """

    store: Store
    schema: DerivedSchema
    spec: BuildSpec
    progress: Callable[[int, int], None] | None = None

    def build_all(self) -> int:
        """Builds it for all machines into an empty schema; returns how many they are."""
        self.schema.clear()
        self.schema.activate()
        machines = self.store.select("SELECT machine_id FROM machines ORDER BY machine_id")
        self._choose(machines)
        self._records(fresh=True)
        self._in_parts(machines, self._steps(), fresh=True, progress=self.progress)
        return machines.height

    def build_some(self, touched: pl.DataFrame, last_file: int, previous_end: datetime) -> int:
        """Builds it again for some machines, and leaves the others' part as it stands.

        Args:
            touched: machine_id, of machines whose part may no longer hold.
            last_file: the last file that the materialised history has seen.
            previous_end: the first instant beyond what it was built for.

        Returns:
            How many machines were built: those, and those whose site has other first records now.
        """
        self.schema.activate()
        self._choose(touched)
        moved = self._records(fresh=False)
        resumed = self._resume(touched.join(moved, on="machine_id", how="anti"), last_file, previous_end)
        machines = pl.concat([touched, moved]).unique().sort("machine_id")
        hours = [step for step in self._steps() if step.of_hours]
        later = [step for step in self._steps() if not step.of_hours]
        self._in_parts(machines.join(resumed, on="machine_id", how="anti"), hours)
        self._in_parts(machines, later, also=_READ_LATER, progress=self.progress)
        return machines.height

    def _steps(self) -> list[BuildStep]:
        return [step for step in steps() if step.table not in _BEFOREHAND]

    @cached_property
    def _own_tables(self) -> Mapping[str, Sequence[str]]:
        return self.store.tables()

    def _choose(self, machines: pl.DataFrame) -> None:
        self.store.register(CHOSEN, machines.select("machine_id"))

    def _run(self, step: BuildStep) -> list[str]:
        return run_step(self.store, step, self.spec.parameters)

    def _records(self, *, fresh: bool) -> pl.DataFrame:
        """Over which time the chosen machines and all sites have records.

        Returns:
            machine_id, of machines whose observation begins elsewhere now, because their site's does.
        """
        record, site_record = (step for step in steps() if step.table in _BEFOREHAND)
        try:
            self.schema.restrict(self._own_tables)
            self._run(record)
            self.schema.insert(record.table, fresh=fresh)
        finally:
            self.schema.lift_restriction(self._own_tables)
        moved = pl.DataFrame(schema={"machine_id": pl.String})
        if not fresh:
            self.store.create("site_record_now", site_record.statement, temporary=True)
            moved = self.store.run("refresh/moved_site")
            self.schema.drop_temporary(["site_record_now"])
        self._run(site_record)
        self.schema.insert(site_record.table, per_machine=False)
        return moved

    def _in_parts(
        self,
        machines: pl.DataFrame,
        some: list[BuildStep],
        *,
        also: Iterable[str] = (),
        fresh: bool = False,
        progress: Callable[[int, int], None] | None = None,
    ) -> None:
        """Runs some steps for some machines, so many at a time that memory holds them.

        Args:
            machines: machine_id, in order.
            some: the steps.
            also: tables of the schema that the steps read.
            fresh: the schema holds nothing of these machines.
            progress: hears how many of how many machines are done.
        """
        parts = list(machines.iter_slices(self._machines_at_a_time()))
        if fresh and not parts:
            parts = [machines]  # nobody is listed yet, but every table must be there
        done = 0
        for part in parts:
            self._choose(part)
            try:
                self.schema.restrict(self._own_tables)
                self.schema.copy_chosen(also)
                self._build_part(some, fresh=fresh, whole=fresh and len(parts) == 1)
            finally:
                self.schema.lift_restriction(self._own_tables)
                self.schema.drop_temporary(also)
            done += part.height
            if progress:
                progress(done, machines.height)

    def _build_part(self, some: list[BuildStep], *, fresh: bool, whole: bool) -> None:
        """Runs the steps for the chosen machines, and moves into the schema what is to stay.

        Args:
            some: the steps.
            fresh: the schema holds nothing of these machines.
            whole: nor of any other, so that what is to stay is made right there.
        """
        made = []
        for step in some:
            if whole and step.stays:
                self.schema.create(step.table, step.statement, self.spec.parameters)
            else:
                made += self._run(step)
        intermediate = {RAISED, *(step.table for step in some if step.intermediate)}
        for table in made:
            if table in intermediate:
                self.schema.drop_temporary([table])
            else:
                self.schema.insert(table, fresh=fresh)

    def _machines_at_a_time(self) -> int:
        size = self.store.run("refresh/machines_by_size").row(0, named=True)
        return max(1, int(size["machines"]) * READINGS_AT_A_TIME // max(1, int(size["readings"])))

    def _resume(self, touched: pl.DataFrame, last_file: int, previous_end: datetime) -> pl.DataFrame:
        """Takes up the running hours again from where nothing before changed: the usual month.

        Args:
            touched: machine_id, of machines to look at.
            last_file, previous_end: as for `build_some`.

        Returns:
            machine_id, in order, of the machines whose running hours are done by that.
        """
        self._choose(touched)
        resumed = self.store.run(
            "refresh/resumable", last_file=last_file, previous_end=previous_end, **self.spec.fixed
        )
        if resumed.is_empty():
            return resumed.select("machine_id")
        hours = {step.table: step for step in self._steps() if step.of_hours}
        try:
            self._resume_from(resumed)
            self._run_since(hours)
            refused = self.store.run("refresh/not_resumable", **self.spec.fixed)
            resumed = resumed.join(refused, on="machine_id", how="anti")
            self._resume_from(resumed)
            self.schema.restrict_temporary(_MADE_SINCE)
            self._resume_hours(hours)
        finally:
            self.schema.lift_restriction(self._own_tables)
            self.schema.drop_temporary([name for name, step in hours.items() if not step.statement.is_view])
            self.schema.drop_temporary([SET_ASIDE, RAISED, _CONTRADICTING])
        return resumed.select("machine_id")

    def _resume_from(self, resumed: pl.DataFrame) -> None:
        self._choose(resumed)
        self.store.register(RESUMED, resumed)
        self.schema.restrict(self._own_tables)
        for table, column in _IN_TIME.items():
            self.schema.restrict_in_time(table, column)

    def _run_since(self, hours: Mapping[str, BuildStep]) -> None:
        """Takes the readings since those resumed from, and finds which of them to set aside."""
        for table in ("machine", "statement", "reading"):
            self._run(hours[table])
        self.store.create("reading", statement("refresh/reading_since"), temporary=True)
        self.store.register(
            _CONTRADICTING, self.store.run("refresh/contradicting_reading", **self.spec.fixed)
        )
        self._run(hours["unsteady_machine"])
        self._run(hours[DOUBTFUL])

    def _resume_hours(self, hours: Mapping[str, BuildStep]) -> None:
        """Replaces the end of the resumed machines' running hours, and what rests on it.

        Args:
            hours: the steps of the running hours by their tables; `_MADE_SINCE` are made.
        """
        self._run(hours["running_hours"])
        self.schema.extend("running_hours", "at_seconds")
        self.schema.copy_ends("running_hours", "at_seconds")
        self._run(hours["usage"])
        self._run(hours["running_hours"])  # the end alone, for the instants that lie in it
        self._run(hours["instant"])
        self.schema.trim("instant", "at_seconds")
        self._run(hours["questionable_statement"])
        self.schema.trim("questionable_statement", "at_seconds")
        for table in ("bracket", "clock", "refused_reading"):
            self._run(hours[table])
        self.schema.insert("clock", since="EPOCH(moment)")
        self.schema.insert("refused_reading", since="at_seconds")
        self.schema.insert(SET_ASIDE, since="at_seconds")
        for table in ("usage", "machine"):
            self.schema.insert(table)
