"""One machine's whole story."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from typing import Any, ClassVar

import polars as pl

from fleetlog.causes.case import Suspect
from fleetlog.causes.holds import safety_of
from fleetlog.causes.suspects import CASE_KEYS, SuspectsFinding, impossible_reports, suspects
from fleetlog.session.finding import Finding, header
from fleetlog.session.fleet import Fleet
from fleetlog.session.safety import Safety
from fleetlog.session.scope import WHOLE_FLEET, Scope


@dataclass(frozen=True, repr=False)
class UnitFinding(Finding):
    """What is known of one machine. Times are UTC; hours are running hours of the machine.

    Attributes:
        machine: the row of the machine list, with running_hours and hours_estimated as of the date.
        readings: at, hours, meter_hours, source, kept, reason (why a reading was set aside).
        reports: fault reports of the family: at, hours, side, spn, fmi, code, description, episode (1 = first of
            that side).
        attempts: repair attempts of the family: at, hours, side, step, component, finding, outcome,
            held_hours, work_order_id.
        work: all work lines: at, hours, work_order_id, component, side, action, finding, labour_hours,
            parts_cost, note.
        measurements: at, hours, side, quantity, value, unit.
        components: spells: component, side, variant, fitted_at, age_hours, ended, end_reason, inferred.
        rentals: out_at, in_at, day_rate.
        cases: the unit's open or watched cases.
        currency: ISO 4217 code of the costs.
        quantity, band: the measurement that the family follows, and from where to where a reading is sound.
    """

    question: ClassVar[str] = "unit"

    as_of: date
    fault: str
    machine: Mapping[str, Any]
    readings: pl.DataFrame
    reports: pl.DataFrame
    attempts: pl.DataFrame
    work: pl.DataFrame
    measurements: pl.DataFrame
    components: pl.DataFrame
    rentals: pl.DataFrame
    cases: tuple[Suspect, ...]
    safety: Safety = field()
    currency: str
    notes: tuple[str, ...] = ()
    quantity: str = ""
    band: tuple[float, float] | None = None

    @property
    def frame(self) -> pl.DataFrame:
        """Everything that happened, in order: at, hours, side, what, detail."""
        return pl.concat(
            [
                self.reports.select(
                    "at",
                    "hours",
                    "side",
                    pl.lit("fault report").alias("what"),
                    pl.col("description").alias("detail"),
                ),
                self.work.select(
                    "at",
                    "hours",
                    "side",
                    pl.concat_str("action", "component", separator=" ", ignore_nulls=True).alias("what"),
                    pl.concat_str("finding", "note", separator="; ", ignore_nulls=True).alias("detail"),
                ),
                self.measurements.select(
                    "at",
                    "hours",
                    "side",
                    pl.col("quantity").alias("what"),
                    pl.format("{} {}", "value", "unit").alias("detail"),
                ),
            ]
        ).sort("at", "what", maintain_order=True)

    @property
    def held_frame(self) -> pl.DataFrame:
        """The same for a file that travels alone: with the hold on the machine, and the cautions, in every row."""
        name = str(self.machine["machine_id"])
        return self.safety.attach(self.frame.select(pl.lit(name).alias("machine_id"), pl.all()))

    def to_dict(self) -> dict[str, Any]:
        """The machine, its timeline as rows, and its tables by name."""
        return header(
            self,
            self.frame,
            currency=self.currency,
            machine=self.machine,
            components=self.components,
            attempts=self.attempts,
            set_aside=self.readings.filter(~pl.col("kept")),
            cases=[case.told(CASE_KEYS) for case in self.cases],
        )


def unit(fleet: Fleet, scope: Scope, machine_id: str, *, known: SuspectsFinding | None = None) -> UnitFinding:
    """One machine's whole story.

    Args:
        scope: fault family and as-of date; its filters are not used.
        machine_id: the fleet's own number.
        known: the suspects of the whole fleet at that date, where they have been found already.

    Raises:
        UsageError: when there is no such machine.

    Examples:
        >>> [case.side for case in june.unit("37").cases]
        ['left']
    """
    (answer,) = units(fleet, (machine_id,), scope, known=known)
    return answer


def units(
    fleet: Fleet,
    machines: Sequence[str],
    scope: Scope = WHOLE_FLEET,
    *,
    known: SuspectsFinding | None = None,
) -> tuple[UnitFinding, ...]:
    """The whole stories of several machines, in the order asked; each question is put to the store once.

    Args:
        machines: the fleet's own numbers, each once.
        scope: fault family and as-of date; its filters are not used.
        known: the suspects of the whole fleet at that date, where they have been found already.

    Raises:
        UsageError: when there is no such machine.
    """
    if not machines:
        return ()
    chosen = replace(scope, machines=tuple(machines), sites=(), build_years=())
    history, family = fleet.begin(chosen)
    asked: dict[str, Any] = {
        "machines": list(machines),
        "fault": family.name,
        "as_of_end": history.as_of_end,
    }
    tables = {table: _by_machine(fleet.store.run(f"unit/{table}", **asked), machines) for table in _TABLES}
    listed = {row["machine_id"]: row for row in fleet.store.run("unit/machine", **asked).to_dicts()}
    cannot = fleet.store.run("checks/impossible_fault").filter(pl.col("fault") == family.name)
    doubtful = set(cannot["machine_id"])
    signal = family.voltage
    stories = []
    for name in machines:
        one = replace(chosen, machines=(name,))
        impossible = impossible_reports(fleet, family, one) if name in doubtful else ""
        judged = None if impossible else known or suspects(fleet, one)
        safety = judged.safety if judged else safety_of(fleet, history, family, one, (), proposing=False)
        cases = tuple(case for case in judged.cases if case.machine_id == name) if judged else ()
        stories.append(
            UnitFinding(
                as_of=history.as_of,
                fault=family.name,
                machine=listed[name],
                **{table: tables[table][name] for table in _TABLES},
                cases=cases,
                safety=safety.only(name),
                currency=fleet.settings.fleet.currency,
                notes=(*((impossible,) if impossible else ()), *_hours_note(listed[name])),
                quantity=signal.quantity if signal else "",
                band=(signal.target - signal.tolerance, signal.target + signal.tolerance) if signal else None,
            )
        )
    return tuple(stories)


_TABLES = ("readings", "reports", "attempts", "work", "measurements", "components", "rentals")


def _by_machine(rows: pl.DataFrame, machines: Sequence[str]) -> dict[str, pl.DataFrame]:
    """The rows of each machine, without its name."""
    none = rows.head(0).drop("machine_id")
    parts = rows.partition_by("machine_id", as_dict=True, include_key=False, maintain_order=True)
    return {name: parts.get((name,), none) for name in machines}


def _hours_note(machine: Mapping[str, Any]) -> tuple[str, ...]:
    if machine["running_hours"] is None:
        return ("No believable hour-meter reading: running hours are not known.",)
    if machine["hours_estimated"]:
        return ("Running hours are carried on from the last reading at the machine's own recent rate.",)
    return ()
