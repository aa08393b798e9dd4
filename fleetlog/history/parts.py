"""Builds the parts of a history: of all machines or of some, and from where nothing before changed."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

import polars as pl

from fleetlog.history.recipe import Recipe
from fleetlog.history.steps import DOUBTFUL, RAISED, SET_ASIDE, Step, steps, take
from fleetlog.store import Store
from fleetlog.store.shelf import CHOSEN, RESUMED, Shelf
from fleetlog.store.statements import statement

#: Readings worked off at a time, so that memory stays bounded whatever the fleet.
READINGS_AT_A_TIME = 10_000_000

# Made for all machines before the others: when a site's records begin shows only over all of its machines.
_BEFOREHAND = ("record", "site_record")

# Of the running hours, what the later steps read.
_READ_LATER = ("machine", "clock")

# Tables of the running hours since a machine's reading of resuming, once it shows what to set aside of them.
_TAKEN_SINCE = ("machine", "reading", "unsteady_machine", SET_ASIDE, RAISED)

# What tells of running hours at one instant and of nothing else that happened before or after it.
_IN_TIME = {"meter_readings": "read_at", "fault_codes": "seen_at", "measurements": "measured_at"}

# The temporary table of earlier readings by way of which that reading could be passed by.
_STANDING_OUT = "standing_out"


@dataclass(frozen=True)
class Builder:
    """Builds a history onto a shelf.

    Attributes:
        store: an open store.
        shelf: where the finished tables go.
        recipe: by what, and as of when, it is made.
        progress: hears how many of how many machines are done.
    """

    store: Store
    shelf: Shelf
    recipe: Recipe
    progress: Callable[[int, int], None] | None = None

    def build_all(self) -> int:
        """Builds it for all machines on an empty shelf; returns how many they are."""
        self.shelf.clear()
        self.shelf.show()
        machines = self.store.select("SELECT machine_id FROM machines ORDER BY machine_id")
        self._choose(machines)
        self._records(fresh=True)
        self._in_parts(machines, self._steps(), fresh=True, progress=self.progress)
        return machines.height

    def build_some(self, touched: pl.DataFrame, last_file: int, kept_end: datetime) -> int:
        """Builds it again for some machines, and leaves the others' part as it stands.

        Args:
            touched: machine_id, of machines whose part may no longer hold.
            last_file: the last file that the kept history has seen.
            kept_end: the first instant beyond what it was built for.

        Returns:
            How many machines were built: those, and those whose site has other first records now.
        """
        self.shelf.show()
        self._choose(touched)
        moved = self._records(fresh=False)
        resumed = self._resume(touched.join(moved, on="machine_id", how="anti"), last_file, kept_end)
        machines = pl.concat([touched, moved]).unique().sort("machine_id")
        hours = [step for step in self._steps() if step.of_hours]
        later = [step for step in self._steps() if not step.of_hours]
        self._in_parts(machines.join(resumed, on="machine_id", how="anti"), hours)
        self._in_parts(machines, later, also=_READ_LATER, progress=self.progress)
        return machines.height

    def _steps(self) -> list[Step]:
        return [step for step in steps() if step.table not in _BEFOREHAND]

    def _choose(self, machines: pl.DataFrame) -> None:
        self.store.register(CHOSEN, machines.select("machine_id"))

    def _take(self, step: Step) -> list[str]:
        return take(self.store, step, self.recipe.parameters)

    def _records(self, *, fresh: bool) -> pl.DataFrame:
        """Over which time the chosen machines and all sites have records.

        Returns:
            machine_id, of machines whose observation begins elsewhere now, because their site's does.
        """
        record, site_record = (step for step in steps() if step.table in _BEFOREHAND)
        narrowed = self.store.tables()
        try:
            self.shelf.narrow(narrowed)
            self._take(record)
            self.shelf.put(record.table, fresh=fresh)
        finally:
            self.shelf.widen(narrowed)
        moved = pl.DataFrame(schema={"machine_id": pl.String})
        if not fresh:
            self.store.create("site_record_now", site_record.statement, temporary=True)
            moved = self.store.run("refresh/moved_site")
            self.shelf.drop(["site_record_now"])
        self._take(site_record)
        self.shelf.put(site_record.table, per_machine=False)
        return moved

    def _in_parts(
        self,
        machines: pl.DataFrame,
        some: list[Step],
        *,
        also: Iterable[str] = (),
        fresh: bool = False,
        progress: Callable[[int, int], None] | None = None,
    ) -> None:
        """Takes some steps for some machines, so many at a time that memory holds them.

        Args:
            machines: machine_id, in order.
            some: the steps.
            also: tables of the shelf that the steps read.
            fresh: nothing stands on the shelf of these machines.
            progress: hears how many of how many machines are done.
        """
        parts = list(machines.iter_slices(self._machines_at_a_time()))
        if fresh and not parts:
            parts = [machines]  # nobody is listed yet, but every table must be there
        narrowed = self.store.tables()
        done = 0
        for part in parts:
            self._choose(part)
            try:
                self.shelf.narrow(narrowed)
                self.shelf.hold_own(also)
                self._build_part(some, fresh=fresh)
            finally:
                self.shelf.widen(narrowed)
                self.shelf.drop(also)
            done += part.height
            if progress:
                progress(done, machines.height)

    def _build_part(self, some: list[Step], *, fresh: bool) -> None:
        """Takes the steps for the chosen machines, and puts on the shelf what is to stay."""
        made = [table for step in some for table in self._take(step)]
        passing = {RAISED, *(step.table for step in some if step.passing)}
        for table in made:
            if table in passing:
                self.shelf.drop([table])
            else:
                self.shelf.put(table, fresh=fresh)

    def _machines_at_a_time(self) -> int:
        size = self.store.run("refresh/machines_by_size").row(0, named=True)
        return max(1, int(size["machines"]) * READINGS_AT_A_TIME // max(1, int(size["readings"])))

    def _resume(self, touched: pl.DataFrame, last_file: int, kept_end: datetime) -> pl.DataFrame:
        """Takes up the running hours again from where nothing before changed: the usual month.

        Args:
            touched: machine_id, of machines to look at.
            last_file, kept_end: as for `build_some`.

        Returns:
            machine_id, in order, of the machines whose running hours are done by that.
        """
        self._choose(touched)
        resumed = self.store.run(
            "refresh/resumable", last_file=last_file, kept_end=kept_end, **self.recipe.fixed
        )
        if resumed.is_empty():
            return resumed.select("machine_id")
        narrowed = self.store.tables()
        hours = {step.table: step for step in self._steps() if step.of_hours}
        try:
            self._resume_from(resumed, narrowed)
            self._take_since(hours)
            refused = self.store.run("refresh/not_resumable", **self.recipe.fixed)
            resumed = resumed.join(refused, on="machine_id", how="anti")
            self._resume_from(resumed, narrowed)
            self.shelf.keep_chosen(_TAKEN_SINCE)
            self._take_up(hours)
        finally:
            self.shelf.widen(narrowed)
            self.shelf.drop([name for name, step in hours.items() if not step.statement.is_view])
            self.shelf.drop([SET_ASIDE, RAISED, _STANDING_OUT])
        return resumed.select("machine_id")

    def _resume_from(self, resumed: pl.DataFrame, narrowed: Mapping[str, Sequence[str]]) -> None:
        self._choose(resumed)
        self.store.register(RESUMED, resumed)
        self.shelf.narrow(narrowed)
        for table, column in _IN_TIME.items():
            self.shelf.narrow_in_time(table, column)

    def _take_since(self, hours: Mapping[str, Step]) -> None:
        """Takes the readings since those resumed from, and finds which of them to set aside."""
        for table in ("machine", "statement", "reading"):
            self._take(hours[table])
        self.store.create("reading", statement("refresh/reading_since"), temporary=True)
        self.store.register(_STANDING_OUT, self.store.run("refresh/standing_out", **self.recipe.fixed))
        self._take(hours["unsteady_machine"])
        self._take(hours[DOUBTFUL])

    def _take_up(self, hours: Mapping[str, Step]) -> None:
        """Replaces the end of the resumed machines' running hours, and what rests on it.

        Args:
            hours: the steps of the running hours by their tables; `_TAKEN_SINCE` are taken.
        """
        self._take(hours["running_hours"])
        self.shelf.prolong("running_hours", "at_seconds")
        self.shelf.hold_ends("running_hours", "at_seconds")
        self._take(hours["usage"])
        self._take(hours["running_hours"])  # the end alone, for the instants that lie in it
        self._take(hours["instant"])
        self.shelf.trim("instant", "at_seconds")
        self._take(hours["questionable_statement"])
        self.shelf.trim("questionable_statement", "at_seconds")
        for table in ("bracket", "clock", "refused_reading"):
            self._take(hours[table])
        self.shelf.put("clock", since="EPOCH(moment)")
        self.shelf.put("refused_reading", since="at_seconds")
        self.shelf.put(SET_ASIDE, since="at_seconds")
        for table in ("usage", "machine"):
            self.shelf.put(table)
