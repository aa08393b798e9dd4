"""What the store holds, over which time, how complete and how clean."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import ClassVar

import polars as pl

from fleetlog.faults.design_changes import ChangeRow, change_rows
from fleetlog.session.finding import Finding
from fleetlog.session.fleet import Fleet
from fleetlog.session.scope import WHOLE_FLEET, Scope
from fleetlog.store.dictionary import KINDS
from fleetlog.store.statements import named

_WHOSE = tuple(map(ChangeRow._fields.index, ("component", "make", "model", "serial_pattern")))


@dataclass(frozen=True, repr=False)
class StatusFinding(Finding):
    """The state of a store.

    Attributes:
        tables: table -> rows.
        quality: one row a question of sql/checks/: check, count, of, meaning.
        fleet: one row a build year: build_year, machines, electronic, running_hours.
        notes: design changes of the settings that fit no machine.
    """

    question: ClassVar[str] = "status"
    answers = ("machines", "tables", "rejected", "waiting", "first", "last", "quality")

    as_of: date
    fault: str
    machines: int
    tables: Mapping[str, int]
    rejected: int
    waiting: int
    first: date | None
    last: date | None
    quality: pl.DataFrame
    fleet: pl.DataFrame
    notes: tuple[str, ...] = ()

    @property
    def frame(self) -> pl.DataFrame:
        """One row a table, what was refused or waits, and a row a quality question: topic, count, of."""
        rows = {**self.tables, "rejected": self.rejected, "waiting": self.waiting}
        return pl.concat(
            [
                pl.DataFrame(
                    [{"topic": name, "count": count, "of": None} for name, count in rows.items()],
                    schema={"topic": pl.String, "count": pl.Int64, "of": pl.Int64},
                ),
                self.quality.select(pl.col("check").alias("topic"), "count", "of"),
            ]
        )


def status(fleet: Fleet, scope: Scope = WHOLE_FLEET) -> StatusFinding:
    """What the store holds and how far it can be trusted.

    Args:
        scope: fault family and as-of date; its filters are not used.

    Examples:
        >>> june.status().tables["machines"] == june.table("machines").height
        True
    """
    history, family = fleet.begin(scope)
    store = fleet.store
    stored = store.table_rows()
    tables = {kind: stored[kind] for kind in KINDS}
    ends = store.run("history/last_record").row(0, named=True)
    return StatusFinding(
        as_of=history.as_of,
        fault=family.name,
        machines=tables["machines"],
        tables=tables,
        rejected=store.run("fleet/rejected_count")["rows"][0],
        waiting=store.run("fleet/waiting_count")["rows"][0],
        first=ends["first_at"].date() if ends["first_at"] else None,
        last=ends["last_at"].date() if ends["last_at"] else None,
        quality=_quality(fleet, tables, history.as_of_end),
        fleet=store.run("fleet/fleet_by_build_year", as_of_end=history.as_of_end),
        notes=_unmatched_changes(fleet),
    )


def _unmatched_changes(fleet: Fleet) -> tuple[str, ...]:
    """A sentence for each design change of the settings that speaks of no machine on the list."""
    unmatched = set(fleet.store.run("fleet/unmatched_design_changes").iter_rows())
    return tuple(
        f"design_changes[{number}] in {fleet.settings.file} fits no machine on the list:"
        f" {' '.join(filter(None, (change.make, change.model, change.serial_from)))};"
        " compare it with the machines' make, model and serial numbers."
        for number, change in enumerate(fleet.settings.design_changes, start=1)
        if tuple(change_rows([change], ())[0][key] for key in _WHOSE) in unmatched
    )


def _quality(fleet: Fleet, tables: Mapping[str, int], as_of_end: datetime) -> pl.DataFrame:
    """Every question of sql/checks/: how many rows it finds, out of how many."""
    store = fleet.store
    sizes = {**tables, **dict(store.run("fleet/history_rows", as_of_end=as_of_end).iter_rows())}
    rows = [
        {
            "check": check.name.removeprefix("checks/"),
            "count": store.run(check.name, as_of_end=as_of_end).height,
            "of": sizes[check.header["unit"]],
            "meaning": check.header["purpose"],
        }
        for check in named("checks")
    ]
    return pl.DataFrame(
        rows, schema={"check": pl.String, "count": pl.Int64, "of": pl.Int64, "meaning": pl.String}
    )
