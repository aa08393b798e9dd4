"""The kinds of table a yard can hand over: their columns, types, keys and vocabularies.

One place says it; the loader, the schema test, the worksheets and the README's table all read it here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum

from fleetlog.errors import UsageError


class Type(Enum):
    """How a cell's text becomes a value."""

    TEXT = "text"
    DATE = "date"
    PARTIAL_DATE = "partial date"  # YYYY, YYYY-MM or YYYY-MM-DD; the precision is kept
    TIME = "time"  # ISO 8601, stored as UTC
    END_TIME = "end time"  # as TIME, but a bare date means the end of that day
    HOURS = "hours"  # hour-meter hours
    NUMBER = "number"
    COUNT = "count"


@dataclass(frozen=True)
class Column:
    """One column of a kind. `words` is the closed vocabulary, or empty for free text."""

    name: str
    type: Type = Type.TEXT
    required: bool = False
    words: tuple[str, ...] = ()
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True)
class Kind:
    """One kind of table. `key` identifies a row; a known key with other values is a correction."""

    name: str
    columns: tuple[Column, ...]
    key: tuple[str, ...]
    one_of: tuple[tuple[str, ...], ...] = ()  # at least one of these groups must be filled

    def column(self, name: str) -> Column:
        """The column called `name`."""
        return next(column for column in self.columns if column.name == name)

    @property
    def required(self) -> tuple[str, ...]:
        """Names of the columns a file of this kind must have."""
        return tuple(column.name for column in self.columns if column.required)


COMPONENTS = (
    "drive_pump",
    "position_sensor",
    "internal_bushing",
    "wiring",
    "controller",
    "servo",
    "rotating_group",
    "drive_motor",
    "hydraulic_oil",
    "engine",
    "battery",
    "cooling",
    "track",
    "tire",
    "other",
)
ACTIONS = ("inspect", "test", "adjust", "calibrate", "clean", "repair", "replace", "overhaul")
FINDINGS = (
    "worn",
    "broken",
    "damaged",
    "loose",
    "corroded",
    "out_of_adjustment",
    "dirty",
    "blocked",
    "leaking",
    "contaminated",
    "low",
    "no_fault_found",
)
SIDES = ("left", "right")

# Limits that no entry can pass: a typing error is caught here, a merely doubtful value later.
MOST_METER_HOURS = 100_000.0
MOST_MONEY = 10_000_000.0
MOST_LABOUR_HOURS = 10_000.0

_machine = Column("machine_id", required=True)
_side = Column("side", words=SIDES)


def _money(name: str) -> Column:
    return Column(name, Type.NUMBER, low=0.0, high=MOST_MONEY)


def _hours(name: str = "hours", required: bool = False) -> Column:
    return Column(name, Type.HOURS, required, low=0.0, high=MOST_METER_HOURS)


KINDS: Mapping[str, Kind] = {
    kind.name: kind
    for kind in (
        Kind(
            "machines",
            (
                _machine,
                Column("pin"),
                Column("serial_number"),
                Column("make"),
                Column("model"),
                Column("machine_type"),
                Column("build_date", Type.PARTIAL_DATE),
                Column("control", words=("electronic_joystick", "manual", "unknown")),
                Column("site"),
                Column("owner"),
                Column("acquired_on", Type.DATE),
                _hours("hours_at_acquisition"),
                Column("disposed_on", Type.DATE),
                _hours("hours_at_disposal"),
            ),
            ("machine_id",),
        ),
        Kind(
            "components",
            (
                _machine,
                Column("component", required=True, words=COMPONENTS),
                _side,
                Column("variant"),
                Column("serial_number"),
                Column("built_on", Type.PARTIAL_DATE),
                Column("fitted_on", Type.DATE, required=True),
                _hours("fitted_hours"),
                Column("removed_on", Type.DATE),
                _hours("removed_hours"),
                Column("removal_reason"),
            ),
            ("machine_id", "component", "side", "fitted_on"),
        ),
        Kind(
            "meter_readings",
            (_machine, Column("read_at", Type.TIME, True), _hours(required=True), Column("source")),
            ("machine_id", "read_at", "source"),
        ),
        Kind(
            "meter_changes",
            (
                _machine,
                Column("changed_at", Type.TIME, True),
                _hours("old_meter_hours", True),
                _hours("new_meter_hours", True),
            ),
            ("machine_id", "changed_at"),
        ),
        Kind(
            "fault_codes",
            (
                _machine,
                Column("seen_at", Type.TIME, True),
                _hours(),
                Column("spn", Type.COUNT, low=0, high=524287),
                Column("fmi", Type.COUNT, low=0, high=31),
                Column("occurrence_count", Type.COUNT, low=0, high=127),
                Column("code"),
                Column("description"),
                Column("status", words=("active", "stored")),
                _side,
                Column("source"),
            ),
            ("machine_id", "seen_at", "spn", "fmi", "code", "side"),
            one_of=(("spn", "fmi"), ("code",), ("spn", "description")),
        ),
        Kind(
            "work_orders",
            (
                Column("work_order_id", required=True),
                _machine,
                Column("opened_at", Type.TIME, True),
                Column("closed_at", Type.END_TIME),
                _hours(),
                Column("site"),
                Column("complaint"),
                Column("cause"),
                Column("correction"),
                Column("status", words=("open", "closed", "cancelled")),
            ),
            ("work_order_id",),
        ),
        Kind(
            "work_lines",
            (
                Column("work_order_id", required=True),
                Column("line_no", Type.COUNT, True, low=0, high=1_000_000),
                Column("done_at", Type.END_TIME),
                Column("component", words=COMPONENTS),
                _side,
                Column("action", words=ACTIONS),
                Column("result", words=("passed", "failed")),
                Column("finding", words=FINDINGS),
                Column("variant"),
                Column("part_number"),
                Column("quantity", Type.NUMBER, low=0.0, high=1_000_000.0),
                Column("labour_hours", Type.NUMBER, low=0.0, high=MOST_LABOUR_HOURS),
                _money("labour_cost"),
                _money("parts_cost"),
                Column("note"),
            ),
            ("work_order_id", "line_no"),
        ),
        Kind(
            "measurements",
            (
                _machine,
                Column("measured_at", Type.TIME, True),
                _hours(),
                Column("quantity", required=True),
                _side,
                Column("value", Type.NUMBER, True),
                Column("unit", required=True),
            ),
            ("machine_id", "measured_at", "quantity", "side"),
        ),
        Kind(
            "rentals",
            (_machine, Column("out_at", Type.TIME, True), Column("in_at", Type.END_TIME), _money("day_rate")),
            ("machine_id", "out_at"),
        ),
        Kind(
            "release_checks",
            (
                _machine,
                Column("checked_at", Type.TIME, True),
                Column("item", required=True),
                Column("result", required=True, words=("passed", "failed")),
                Column("checked_by"),
                Column("note"),
            ),
            ("machine_id", "checked_at", "item"),
        ),
    )
}

STORED_AS = {
    Type.TEXT: "VARCHAR",
    Type.DATE: "DATE",
    Type.PARTIAL_DATE: "VARCHAR",
    Type.TIME: "TIMESTAMP",
    Type.END_TIME: "TIMESTAMP",
    Type.HOURS: "DOUBLE",
    Type.NUMBER: "DOUBLE",
    Type.COUNT: "BIGINT",
}
"""The store's column type for each type of the dictionary."""


def kind_named(name: str) -> Kind:
    """The kind of table of that name.

    Raises:
        UsageError: where there is none.
    """
    if name not in KINDS:
        raise UsageError(f"'{name}' is no kind of table; write one of {', '.join(KINDS)}.")
    return KINDS[name]
