"""One machine's whole story."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from typing import Any, ClassVar

import polars as pl

from fleetlog.belief.weighing import weighed_now
from fleetlog.causes.case import Suspect
from fleetlog.causes.course import course_of
from fleetlog.causes.holds import safety_of
from fleetlog.causes.suspects import CASE_KEYS, SuspectsFinding, impossible_reports, suspects
from fleetlog.session.finding import Finding, header
from fleetlog.session.fleet import Fleet
from fleetlog.session.safety import Safety
from fleetlog.session.scope import WHOLE_FLEET, Scope


@dataclass(frozen=True, repr=False)
class UnitFinding(Finding):
    """What is known of one machine. Times are those of the fleet's clocks and carry their zone; hours are running
    hours of the machine. Tables are in the order of time.

    Attributes:
        machine: the row of the machine list, with running_hours and hours_estimated as of the date.
        readings: at, hours, meter_hours, source, kept, reason (why a reading was set aside).
        reports: fault reports of the family: at, hours, side, spn, fmi, code, description, episode (1 = first of
            that side).
        attempts: repair attempts of the family: at, hours, side, step, component, finding, outcome,
            held_hours, work_order_id.
        orders: all work orders, those without a line too: at (opened), hours, work_order_id, closed_at, status, lines
            (how many are on record), complaint, cause, correction.
        work: all work lines: at, hours, work_order_id, component, side, action, result, finding, labour_hours,
            parts_cost, note.
        measurements: at, hours, side, quantity, value, unit.
        components: spells: component, side, variant, fitted_at, age_hours, ended, end_reason, inferred.
        rentals: out_at, in_at, day_rate.
        cases: the unit's open or watched cases.
        currency: ISO 4217 code of the costs.
        standing: how likely a fault stood on each side, by what was on record then and the figures learnt now: at,
            hours, side, standing (null: not heard of); from a side's first report on, the last row as of the date.
        quantity, band: the measurement that the family follows, and from where to where a reading is sound.
        time_zone: of the fleet, an IANA name.
    """

    question: ClassVar[str] = "unit"

    as_of: date
    fault: str
    machine: Mapping[str, Any]
    readings: pl.DataFrame
    reports: pl.DataFrame
    attempts: pl.DataFrame
    orders: pl.DataFrame
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
    time_zone: str = "UTC"
    standing: pl.DataFrame = field(default_factory=pl.DataFrame)

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
                self.orders.select(
                    "at",
                    "hours",
                    pl.lit("").alias("side"),
                    pl.lit("work order").alias("what"),
                    _order_told().alias("detail"),
                ),
                self.work.select(
                    "at",
                    "hours",
                    "side",
                    pl.concat_str("action", "component", separator=" ", ignore_nulls=True).alias("what"),
                    pl.concat_str("result", "finding", "note", separator="; ", ignore_nulls=True).alias(
                        "detail"
                    ),
                ),
                self.measurements.select(
                    "at",
                    "hours",
                    "side",
                    pl.col("quantity").alias("what"),
                    pl.format("{} {}", "value", "unit").alias("detail"),
                ),
            ]
        ).sort("at", maintain_order=True)

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
            orders=self.orders,
            attempts=self.attempts,
            set_aside=self.readings.filter(~pl.col("kept")),
            time_zone=self.time_zone,
            standing=self.standing,
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
    zone = fleet.settings.fleet.time_zone
    tables = {
        table: _by_machine(_local(fleet.store.run(f"unit/{table}", **asked), zone), machines)
        for table in _TABLES
    }
    listed = {
        row["machine_id"]: row for row in _local(fleet.store.run("unit/machine", **asked), zone).to_dicts()
    }
    cannot = fleet.store.run("checks/impossible_fault").filter(pl.col("fault") == family.name)
    doubtful = set(cannot["machine_id"])
    believed = _by_machine(
        _local(course_of(fleet, history, weighed_now(fleet, history, family), machines), zone), machines
    )
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
                time_zone=zone,
                standing=believed[name].clear() if impossible else believed[name],
            )
        )
    return tuple(stories)


_TABLES = ("readings", "reports", "attempts", "orders", "work", "measurements", "components", "rentals")


def _local(rows: pl.DataFrame, zone: str) -> pl.DataFrame:
    """The rows with their times, stored as UTC, as the fleet's clocks showed them.

    Lists of parts and machines know days only; such a day is stored as its midnight, and stays that day.
    """

    def told(column: str) -> pl.Expr:
        moment = pl.col(column)
        local = moment.dt.replace_time_zone("UTC").dt.convert_time_zone(zone)
        if column not in _DAYS_TOO:
            return local
        day = moment.dt.replace_time_zone(zone, ambiguous="earliest", non_existent="null")
        return (
            pl.when(moment == moment.dt.truncate("1d"))
            .then(pl.coalesce(day, local))
            .otherwise(local)
            .alias(column)
        )

    return rows.with_columns(told(column) for column, kind in rows.schema.items() if kind == pl.Datetime)


_DAYS_TOO = ("fitted_at", "ended_at", "record_begins", "record_ends")


def _order_told() -> pl.Expr:
    """A work order as a sentence: its number, how it ended, what is on record of it, and its three texts."""
    closed = pl.when(pl.col("closed_at").is_not_null()).then(
        pl.format(", closed {}", pl.col("closed_at").dt.strftime("%Y-%m-%d"))
    )
    state = closed.otherwise(pl.format(", {}", "status"))
    bare = pl.when(pl.col("lines") == 0).then(pl.lit("no line on record"))
    texts = [
        bare,
        pl.col("complaint"),
        pl.concat_str(pl.lit("cause: "), "cause"),
        pl.concat_str(pl.lit("correction: "), "correction"),
    ]
    told = pl.concat_str(texts, separator="; ", ignore_nulls=True)
    head = pl.format("order {}{}", "work_order_id", state)
    return pl.when(told == "").then(head).otherwise(pl.format("{}: {}", head, told))


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
