"""Makes the files of the demo fleet: an invented yard group, six years, every cause known to us alone.

    python demo_data/make_demo.py [--out FOLDER] [--truth FILE.json]

The script lets some two hundred machines live day by day: they are rented, they run, their bushings wear, codes
chatter, the shop does what shops do, and the books are kept the way books are kept. What the yard would know goes
to CSV files; what only the inventor knows goes to --truth. Everything here is made up, and nothing in it is
evidence about real machines.

The same seed gives the same bytes: every machine and every purpose (life, usage, shop, text) has its own random
stream, spawned from one seed, and only plain uniform numbers are taken from it. All other shapes are computed
here, so a new numpy does not shuffle the fleet.
"""

from __future__ import annotations

import argparse
import csv
import json
import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from pathlib import Path
from statistics import NormalDist
from typing import Any, TypeVar

import numpy as np

SEED = 20260630
BOOKS_BEGIN = date(2020, 7, 1)
AS_OF = date(2026, 6, 30)
IMPROVED_FROM = date(2017, 12, 1)  # pumps built from here on carry the improved bushing
HALL_FROM = date(
    2019, 6, 1
)  # machines built from here on carry contactless sensors (invented for this fleet)

# The inventor's laws of nature, in running hours of one side.
ORIGINAL_LIFE = (2.8, 5700.0)  # Weibull shape and scale: the median is 5,000 h
IMPROVED_LIFE = (2.0, 75000.0)
LIFE = {"original": ORIGINAL_LIFE, "improved": IMPROVED_LIFE}
OTHER_CAUSES = {  # cause -> mean running hours of one side between onsets
    "wiring": 36000.0,
    "calibration": 30000.0,
    "position_sensor": 150000.0,
    "servo_or_rotating_group": 110000.0,
    "unknown": 80000.0,
}
BOTH_SIDES = {"wiring": 0.10, "calibration": 0.30}  # chance that the cause takes both sides at once

SITES = ("Alder Cross", "Brindle Fork", "Tolbeck", "Wrenmouth")
EARLY_SITE = "Tolbeck"  # opens pumps earlier ...
EARLY_SINCE = date(2025, 1, 1)  # ... from this day on
LABOUR_RATE = 95.0
SEASON = (0.50, 0.58, 0.85, 1.05, 1.20, 1.22, 1.18, 1.18, 1.15, 1.08, 0.90, 0.62)
NORMAL = NormalDist()
SIDES = ("left", "right")
Row = dict[str, Any]
T = TypeVar("T")

COLUMNS: dict[str, tuple[str, ...]] = {
    "machines": (
        "machine_id", "pin", "serial_number", "make", "model", "machine_type", "build_date", "control", "site",
        "acquired_on", "hours_at_acquisition", "disposed_on", "hours_at_disposal",
    ),
    "components": (
        "machine_id", "component", "side", "variant", "serial_number", "built_on", "fitted_on", "fitted_hours",
        "removed_on", "removed_hours", "removal_reason",
    ),
    "meter_readings": ("machine_id", "read_at", "hours", "source"),
    "meter_changes": ("machine_id", "changed_at", "old_meter_hours", "new_meter_hours"),
    "fault_codes": (
        "machine_id", "seen_at", "hours", "spn", "fmi", "occurrence_count", "code", "description", "status",
        "side", "source",
    ),
    "work_orders": (
        "work_order_id", "machine_id", "opened_at", "closed_at", "hours", "site", "complaint", "cause",
        "correction", "status",
    ),
    "work_lines": (
        "work_order_id", "line_no", "done_at", "component", "side", "action", "result", "finding", "variant",
        "part_number", "quantity", "labour_hours", "labour_cost", "parts_cost", "note",
    ),
    "measurements": ("machine_id", "measured_at", "hours", "quantity", "side", "value", "unit"),
    "rentals": ("machine_id", "out_at", "in_at", "day_rate"),
}  # fmt: skip


class Dice:
    """One stream of uniform numbers and the shapes made from it."""

    def __init__(self, *key: int) -> None:
        self._stream = np.random.Generator(np.random.PCG64(np.random.SeedSequence(SEED, spawn_key=key)))

    def u(self) -> float:
        return float(self._stream.random())

    def between(self, low: float, high: float) -> float:
        return low + (high - low) * self.u()

    def whole(self, low: int, high: int) -> int:
        """A whole number from low to high, both included."""
        return min(high, low + int(self.u() * (high - low + 1)))

    def chance(self, p: float) -> bool:
        return self.u() < p

    def expo(self, mean: float) -> float:
        return -mean * math.log1p(-self.u())

    def normal(self, mean: float, sd: float) -> float:
        return mean + sd * NORMAL.inv_cdf(min(max(self.u(), 1e-12), 1 - 1e-12))

    def pick(self, items: Sequence[T], weights: Sequence[float] | None = None) -> T:
        if weights is None:
            return items[min(len(items) - 1, int(self.u() * len(items)))]
        mark = self.u() * sum(weights)
        for item, weight in zip(items, weights, strict=True):
            mark -= weight
            if mark < 0:
                return item
        return items[-1]

    def life(self, law: tuple[float, float], survived: float = 0.0) -> float:
        """A Weibull life, given that it lasted past `survived` hours."""
        shape, scale = law
        return float(scale * ((survived / scale) ** shape + self.expo(1.0)) ** (1.0 / shape))


# ---------------------------------------------------------------------------------------------------------------
# What the demo is told to contain: units whose story we want on the last page of the report.


@dataclass(frozen=True)
class Onset:
    """A cause that sets in on a given day."""

    on: date
    cause: str
    side: str
    fmi: int
    offset: float = 0.0  # steady offset of the neutral voltage, V
    gap: float = 7.0  # mean running hours between bursts of codes


@dataclass(frozen=True)
class Visit:
    """A visit to the shop on a given day, step by step; `quiet` is how long the codes stay away after it."""

    on: date
    side: str
    steps: tuple[str, ...]
    quiet: float = 0.0
    volts: float | None = None
    complaint: str = ""
    cause: str = ""
    correction: str = ""
    stays_open: bool = False
    finding: str = ""


@dataclass(frozen=True)
class Script:
    """Facts of one unit that are set, not drawn."""

    build: date
    pump_built: date
    acquired: date
    end_hours: float
    rate: float
    machine_type: str = "compact_track_loader"
    make: str = "Marram"
    site: str = "Brindle Fork"
    onsets: tuple[Onset, ...] = ()
    visits: tuple[Visit, ...] = ()
    battery_on: date | None = None

    def sides(self) -> set[str]:
        """The sides whose fate is written down; the other one lives as chance has it."""
        return {x.side for x in (*self.onsets, *self.visits)}

    def busy(self, day: date) -> bool:
        """True in the weeks around an onset: a machine that stands in the yard has no story."""
        return any(o.on - timedelta(days=21) <= day <= o.on + timedelta(days=110) for o in self.onsets)


def _d(text: str) -> date:
    return date.fromisoformat(text)


SCRIPTS: dict[int, Script] = {
    # Two sensors in vain, a calibration that came back: the unit that the demo is built around.
    37: Script(
        _d("2015-05-12"), _d("2015-03-30"), _d("2015-07-02"), 4812.0, 500.0,
        onsets=(Onset(_d("2026-03-05"), "internal_bushing", "left", 7),),
        visits=(
            Visit(_d("2026-03-12"), "left", ("wiring", "volts", "calibrate"), 44.0, 2.07,
                  "LH drive does not return to neutral, code on dash", "out of cal?",
                  "checked harness + conn, ok. calibrated pump, runs good"),
            Visit(_d("2026-04-14"), "left", ("volts", "sensor"), 61.0, 1.84,
                  "same code again LH", "sensor", "raised engine, repl. LH pos sensor, set to 2.0, calibrated"),
            Visit(_d("2026-05-19"), "left", ("volts", "sensor"), 38.0, 2.23,
                  "back in with the same LH neutral code", "new sensor bad out of the box?",
                  "2nd LH sensor fitted, cal ok, test drove 30 min"),
        ),
    ),
    # Out-of-range code and next to no voltage on a young machine: electrical.
    152: Script(
        _d("2021-03-18"), _d("2021-02-01"), _d("2021-04-20"), 3240.0, 580.0, make="Dunlin", site="Wrenmouth",
        onsets=(Onset(_d("2026-06-10"), "wiring", "right", 4, gap=4.0),),
        visits=(
            Visit(_d("2026-06-22"), "right", ("volts",), 0.0, 0.04,
                  "R drive not in neutral, machine locked out", "", "no signal at sensor plug. to be continued",
                  stays_open=True),
        ),
    ),
    # Both sides in the same week, days after a battery was changed.
    117: Script(
        _d("2016-09-20"), _d("2016-07-28"), _d("2016-11-03"), 3910.0, 520.0, "skid_steer_loader", site="Alder Cross",
        onsets=(
            Onset(_d("2026-06-11"), "calibration", "left", 13, 0.24),
            Onset(_d("2026-06-11"), "calibration", "right", 13, -0.19),
        ),
        battery_on=_d("2026-06-09"),
    ),
    # Calibrated a month ago and quiet since.
    84: Script(
        _d("2016-02-16"), _d("2015-12-20"), _d("2016-04-08"), 3390.0, 430.0, "skid_steer_loader", "Dunlin",
        onsets=(Onset(_d("2026-05-11"), "calibration", "right", 13, 0.31),),
        visits=(
            Visit(_d("2026-05-20"), "right", ("wiring", "volts", "calibrate"), 9999.0, 2.31,
                  "RH neutral code since last rental", "out of adjustment, 2.31 V steady",
                  "centered sensor to 2.00, calibrated, ok"),
        ),
    ),
    # Two calibrations, neither held; the cheap steps are used up.
    64: Script(
        _d("2014-08-05"), _d("2014-06-17"), _d("2014-10-01"), 5365.0, 640.0, site="Tolbeck",
        onsets=(Onset(_d("2026-04-13"), "internal_bushing", "left", 7),),
        visits=(
            Visit(_d("2026-04-21"), "left", ("wiring", "volts", "calibrate"), 29.0, 1.88,
                  "l/h drive kicks out, neutral code", "", "wiring ok, calibrated"),
            Visit(_d("2026-05-26"), "left", ("volts", "calibrate"), 17.0, 2.16,
                  "comeback - LH neutral", "", "recalibrated, took 3 tries"),
        ),
    ),
    # Improved bushing, calibration will not take, sensor in vain: look inside.
    189: Script(
        _d("2019-08-14"), _d("2019-06-25"), _d("2019-10-02"), 4480.0, 620.0, make="Tolvane", site="Wrenmouth",
        onsets=(Onset(_d("2026-04-20"), "servo_or_rotating_group", "right", 7),),
        visits=(
            Visit(_d("2026-04-29"), "right", ("wiring", "volts", "calibrate failed"), 3.0, 2.02,
                  "R side slow to stop, neutral fault", "", "harness good, cal fails at step 3"),
            Visit(_d("2026-05-21"), "right", ("sensor",), 22.0, None,
                  "R neutral fault, came back", "sensor?", "replaced R sensor, cal passed 2nd try"),
        ),
    ),
    # A potentiometer that really is worn out: the rare one.
    131: Script(
        _d("2018-05-08"), _d("2018-03-19"), _d("2018-06-27"), 3720.0, 490.0, "skid_steer_loader", "Dunlin",
        "Alder Cross",
        onsets=(Onset(_d("2026-05-27"), "position_sensor", "left", 2, gap=4.0),),
        visits=(
            Visit(_d("2026-06-05"), "left", ("wiring", "volts", "calibrate failed"), 4.0, 4.31,
                  "L drive jerks, neutral code comes and goes", "", "harness ok end to end, signal drops out when tapped"),
        ),
    ),
    # Fresh: nothing done yet.
    96: Script(
        _d("2016-06-07"), _d("2016-04-25"), _d("2016-08-01"), 5905.0, 760.0, site="Tolbeck",
        onsets=(Onset(_d("2026-06-19"), "internal_bushing", "left", 7, gap=5.0),),
    ),
    # The other side went two years ago.
    58: Script(
        _d("2015-09-22"), _d("2015-08-10"), _d("2015-11-16"), 5640.0, 610.0, site="Alder Cross",
        onsets=(
            Onset(_d("2024-03-04"), "internal_bushing", "left", 7),
            Onset(_d("2026-05-13"), "internal_bushing", "right", 7),
        ),
        visits=(
            Visit(_d("2024-03-13"), "left", ("wiring", "volts", "calibrate"), 21.0, 2.19,
                  "LH neutral", "", "calibrated"),
            Visit(_d("2024-04-16"), "left", ("bushing",), 9999.0, None,
                  "LH neutral again", "bushing worn egg shaped", "engine out, split pump, new bushing LH, cal ok",
                  finding="worn"),
            Visit(_d("2026-05-21"), "right", ("wiring", "volts", "calibrate"), 24.0, 1.79,
                  "RH drive does not return to neutral", "", "harness ok, calibrated"),
        ),
    ),
    # Built in 2018, but around a pump from October 2017.
    133: Script(
        _d("2018-02-21"), _d("2017-10-09"), _d("2018-04-05"), 4730.0, 600.0, site="Brindle Fork",
        onsets=(Onset(_d("2026-05-04"), "internal_bushing", "right", 7),),
        visits=(
            Visit(_d("2026-05-14"), "right", ("wiring", "volts", "calibrate"), 36.0, 2.21,
                  "RH neutral code", "new enough, should not be the bushing", "wiring ok, calibrated"),
        ),
    ),
    # No code yet, but the neutral voltage wanders: worth watching.
    29: Script(_d("2014-03-11"), _d("2014-01-20"), _d("2014-05-06"), 6120.0, 560.0, site="Brindle Fork",
               visits=(Visit(_d("2025-11-12"), "left", ("volts only",), 0.0, 2.11), Visit(_d("2026-02-17"), "left", ("volts only",), 0.0, 1.87),
                       Visit(_d("2026-06-02"), "left", ("volts only",), 0.0, 2.16))),
    51: Script(_d("2015-07-14"), _d("2015-06-02"), _d("2015-09-01"), 5480.0, 590.0, "skid_steer_loader", "Dunlin", "Tolbeck",
               visits=(Visit(_d("2026-01-20"), "right", ("volts only",), 0.0, 2.13), Visit(_d("2026-05-27"), "right", ("volts only",), 0.0, 1.90))),
    69: Script(_d("2015-10-20"), _d("2015-08-31"), _d("2015-12-14"), 5830.0, 650.0, site="Wrenmouth",
               visits=(Visit(_d("2025-12-09"), "right", ("volts only",), 0.0, 1.92), Visit(_d("2026-05-12"), "right", ("volts only",), 0.0, 2.14))),
}  # fmt: skip


# ---------------------------------------------------------------------------------------------------------------
# The machine and its parts.


@dataclass
class Bushing:
    """One bushing's life; hours are the machine's true running hours."""

    variant: str
    fitted_on: date
    fitted_hours: float
    life: float
    observed_from: float = 0.0  # true machine hours at which the books on this machine begin
    ended_on: date | None = None
    ended_hours: float | None = None
    outcome: str = ""
    onset_hours: float | None = None


@dataclass
class Case:
    """A cause at work on one side, from onset to cure."""

    cause: str
    side: str
    onset_on: date
    onset_hours: float
    fmi: int
    offset: float
    gap: float
    shared: bool = False
    scripted: bool = False
    wording: int = 0
    count_at_visit: int = 0
    codes_left: int | None = None  # a passing disturbance leaves this many bursts
    next_burst: float = 0.0
    quiet_until: float = 0.0
    first_code_on: date | None = None
    visit_on: date | None = None
    visits: int = 0
    wiring_checked: bool = False
    calibrations: int = 0
    sensors: int = 0
    count: int = 0
    cured_on: date | None = None
    cured_by: str = ""
    attempts: list[Row] = field(default_factory=list)


@dataclass
class Machine:
    """One unit: what it is, what state it is in, and what the books say of it."""

    unit: int
    index: int
    make: str
    model: str
    machine_type: str
    build: date
    precision: str
    control: str
    site: str
    pump_built: date
    acquired: date
    acquired_hours: float
    disposed: date | None
    rate: float
    start: date
    hours: float
    script: Script | None = None
    sensor_kind: str = "potentiometer"
    telematics_gap: tuple[date, date] | None = None
    bushings: dict[str, Bushing] = field(default_factory=dict)
    past: list[Bushing] = field(default_factory=list)
    visited: list[date] = field(default_factory=list)
    sides_of: dict[int, str] = field(default_factory=dict)
    cases: dict[str, list[Case]] = field(default_factory=dict)
    closed_cases: list[Case] = field(default_factory=list)
    next_other: dict[str, float] = field(default_factory=dict)
    centre: dict[str, float] = field(default_factory=dict)
    curve: dict[date, float] = field(default_factory=dict)
    meter_zero: float = 0.0
    disposed_hours: float | None = None

    @property
    def name(self) -> str:
        return str(self.unit)

    def shown(self, hours: float) -> float:
        """What the hour meter shows at these true running hours."""
        return round(hours - self.meter_zero, 1)


MODELS = {
    ("Marram", "skid_steer_loader"): ("Moor 18", "Moor 22"),
    ("Marram", "compact_track_loader"): ("Fen 24", "Fen 29"),
    ("Dunlin", "skid_steer_loader"): ("Wader W1", "Wader W2"),
    ("Dunlin", "compact_track_loader"): ("Wader B2", "Wader B3"),
    ("Tolvane", "skid_steer_loader"): ("Nimm 5",),
    ("Tolvane", "compact_track_loader"): ("Nimm 7r",),
}
# One pair of the makers' own SPNs and one pair of text codes a make; the numbers and letters are invented.
SPNS = {"Marram": (521731, 521732), "Dunlin": (523054, 523055), "Tolvane": (522410, 522411)}
TEXT_CODES = {"Marram": ("DN-L7", "DN-R7"), "Dunlin": ("", ""), "Tolvane": ("TV61-LH", "TV61-RH")}

METER_SWAPS = {  # unit -> (day, hours on the new meter, whether somebody wrote it down)
    33: (_d("2022-03-14"), 0.0, True),
    104: (_d("2023-09-05"), 0.0, True),
    146: (_d("2024-06-18"), 212.4, True),
    71: (_d("2021-05-11"), 0.0, False),
}


# Share of the machines that are sold within the six years, by build year (the ends stand for what lies beyond).
SOLD = {2014: 0.50, 2015: 0.30, 2016: 0.30, 2017: 0.20, 2018: 0.20, 2019: 0.07}

# Units that the mess below needs on the yard: they are not sold.
KEPT = frozenset({27, 39, 46, 48, 52, 57, 66, 72, 77, 88, 90, 93, 101, 109, 110, 121, 125, 140})


def make_machines() -> list[Machine]:
    """The fleet: 120 units already there when the books begin, the others bought later."""
    units = [n for n in range(11, 400) if n % 19 != 4][:208]
    machines = []
    for index, unit in enumerate(units):
        d = Dice(1, unit)
        if index < 120:
            acquired = date(2013, 2, 1) + timedelta(days=int(2690 * (index / 119) ** 1.1) + d.whole(0, 20))
            used = d.chance(0.25)
        else:
            acquired = date(2020, 7, 10) + timedelta(days=int(2050 * ((index - 120) / 87)) + d.whole(0, 16))
            used = d.chance(0.62)
        rate = 400 + 800 * d.u() ** 1.4
        if used:
            years = d.between(2.5, 7.0)
            build = max(
                acquired - timedelta(days=int(years * 365)),
                date(2012, 1, 15) + timedelta(days=d.whole(0, 200)),
            )
        else:
            build = acquired - timedelta(days=d.whole(25, 150))
        build = max(build, date(2012, 1, 9))
        while build.weekday() > 4:
            build += timedelta(days=1)
        pump_built = build - timedelta(days=d.whole(9, 110))
        machine_type = d.pick(("skid_steer_loader", "compact_track_loader"), (0.42, 0.58))
        make = d.pick(("Marram", "Dunlin", "Tolvane"), (0.45, 0.35, 0.20))
        manual = d.chance(0.18 if build.year <= 2015 else 0.08 if build.year <= 2019 else 0.03)
        site = d.pick(SITES, (0.24, 0.23, 0.35, 0.18))
        precision = d.pick(("day", "month", "year"), (0.55, 0.30, 0.15))
        if precision == "year" and build.year in (2017, 2018):
            precision = "month"
        start = max(acquired, BOOKS_BEGIN)
        before = (acquired - build).days / 365.25
        acquired_hours = (
            round(rate * d.between(0.55, 1.0) * before, 1) if used else round(d.between(0.6, 9.0), 1)
        )
        hours = acquired_hours + max(0.0, (start - acquired).days / 365.25) * rate * d.between(0.32, 0.62)
        sell = d.u() < SOLD[max(2014, min(build.year, 2019))]
        disposed = None
        first = max(start + timedelta(days=400), date(2020, 11, 2))
        if sell and first < date(2026, 5, 1):
            disposed = first + timedelta(days=int(d.u() * (date(2026, 5, 1) - first).days))
        script = SCRIPTS.get(unit)
        if unit in METER_SWAPS or unit in KEPT:
            disposed = None
        if script:
            make, machine_type, site, rate = script.make, script.machine_type, script.site, script.rate
            build, pump_built, acquired, manual, disposed = (
                script.build,
                script.pump_built,
                script.acquired,
                False,
                None,
            )
            start, acquired_hours, precision = max(acquired, BOOKS_BEGIN), round(2 + 5 * d.u(), 1), "day"
            hours = 0.0
        machine = Machine(
            unit, index, make, d.pick(MODELS[(make, machine_type)]), machine_type, build, precision,
            "manual" if manual else "electronic_joystick", site, pump_built, acquired, acquired_hours, disposed,
            rate, start, hours, script,
        )  # fmt: skip
        machine.sensor_kind = "hall_effect" if build >= HALL_FROM else "potentiometer"
        if d.chance(0.06):
            gap = start + timedelta(days=d.whole(60, 900))
            machine.telematics_gap = (gap, gap + timedelta(days=d.whole(70, 190)))
        machines.append(machine)
    return machines


# ---------------------------------------------------------------------------------------------------------------
# What a cause looks like from outside.

FMI_HABIT: dict[str, tuple[tuple[int, ...], tuple[float, ...]]] = {
    "internal_bushing": ((7, 2, 13), (0.74, 0.14, 0.12)),
    "calibration": ((13, 7, 2), (0.66, 0.29, 0.05)),
    "wiring": ((4, 3, 5, 6, 2), (0.28, 0.20, 0.20, 0.07, 0.25)),
    "position_sensor": ((2, 3, 4, 5, 7), (0.36, 0.20, 0.20, 0.14, 0.10)),
    "servo_or_rotating_group": ((7, 2, 13), (0.86, 0.04, 0.10)),
    "unknown": ((7, 2, 13), (0.50, 0.30, 0.20)),
}


def neutral_volts(machine: Machine, side: str, d: Dice) -> float:
    """The sensor's neutral voltage as a mechanic would read it, given what is wrong on that side."""
    value = d.normal(machine.centre[side], 0.012)
    bushing = machine.bushings[side]
    wear = (machine.hours - bushing.fitted_hours) / bushing.life
    if wear > 0.80:
        value += d.normal(0.0, 0.10 * min(1.0, (wear - 0.80) / 0.20))
    for case in machine.cases[side]:
        if case.cause == "internal_bushing":
            value += d.normal(0.0, 0.17)
        elif case.cause == "calibration":
            value += case.offset
        elif case.cause == "servo_or_rotating_group":
            value += d.normal(0.0, 0.03)
        elif case.cause in ("wiring", "position_sensor"):
            if case.fmi in (4, 5, 6):
                value = d.between(0.01, 0.13)
            elif case.fmi == 3:
                value = d.between(4.71, 4.98)
            else:
                value = d.between(0.5, 4.4)
    return round(min(max(value, 0.0), 5.0), 2)


SIDE_WORDS = {"left": ("left", "LH", "L", "l/h", "L side"), "right": ("right", "RH", "R", "r/h", "R side")}
COMPLAINTS = (
    "{S} drive does not return to neutral", "code on dash, {S} drive", "{S} neutral fault, drive locks out",
    "cust: drive kicks out, {S} not in neutral", "won't move, neutral code {S}", "stops after turning, {S} neutral code",
    "{S} drive neutral code off and on", "creeps then shuts drive off, {S}", "neutral code {S} since yesterday",
)  # fmt: skip
AGAIN = (
    "same code again {S}", "back in, {S} neutral", "comeback - {S} not in neutral", "{S} neutral code back",
    "again {S} drive neutral, see last WO", "cust unhappy, {S} code back", "{S} neutral fault came back on rent",
)  # fmt: skip
SERVICE_WORDS = ("500 h service", "service due", "PM service", "service 500", "oil + filters", "PM")


# ---------------------------------------------------------------------------------------------------------------
# The yard: machine after machine, day after day.


class Yard:
    """Runs the world and keeps the books."""

    def __init__(self) -> None:
        self.books: dict[str, list[Row]] = {name: [] for name in COLUMNS}
        self.orders: list[Row] = []
        self.code_minutes: set[tuple[int, str, datetime]] = set()
        self.code_log: list[tuple[int, str, float, date]] = []
        self.planted: Row = {}
        self.machines: list[Machine] = []

    # -- life before the books -----------------------------------------------------------------------------

    def furnish(self, m: Machine, d: Dice) -> None:
        """Fits the parts of the machine and lives through the hours that the books do not cover."""
        entered = m.hours
        pump_built, pump_fitted, pump_hours = m.pump_built, m.build, 0.0
        ambiguous = date(2017, 12, 1) <= m.build <= date(2018, 4, 30)
        new_pump = (
            m.script is None and m.control != "manual" and m.start == BOOKS_BEGIN
            and m.build < date(2017, 1, 1) and entered > 2500 and d.chance(0.10)
        )  # fmt: skip
        serial = f"P{d.whole(100000, 999999)}"
        if new_pump:
            pump_fitted = date(2018, 6, 1) + timedelta(days=d.whole(0, 700))
            pump_built = max(date(2017, 12, 11), pump_fitted - timedelta(days=d.whole(40, 300)))
            pump_hours = round(entered * (pump_fitted - m.build).days / (m.start - m.build).days, 1)
            self.books["components"].append({
                "machine_id": m.name, "component": "drive_pump", "serial_number": serial,
                "built_on": m.pump_built, "fitted_on": m.build, "fitted_hours": 0,
                "removed_on": pump_fitted, "removed_hours": pump_hours, "removal_reason": "noisy, replaced",
            })  # fmt: skip
            serial = f"P{d.whole(100000, 999999)}"
        if new_pump or (ambiguous and m.control != "manual") or (m.control != "manual" and d.chance(0.05)):
            self.books["components"].append({
                "machine_id": m.name, "component": "drive_pump", "serial_number": serial,
                "built_on": pump_built, "fitted_on": pump_fitted, "fitted_hours": pump_hours,
            })  # fmt: skip
        if m.control == "manual":
            return
        m.pump_built = pump_built
        written = m.script.sides() if m.script else ()
        for side in SIDES:
            m.cases[side] = []
            m.centre[side] = d.normal(2.0, 0.022)
            variant = "improved" if pump_built >= IMPROVED_FROM else "original"
            bushing = Bushing(variant, pump_fitted, pump_hours, d.life(LIFE[variant]), entered)
            if side in written:  # what happens on this side is written down: it lasts till then
                bushing.life = d.life(LIFE[variant], m.script.end_hours * 1.02)
            while bushing.fitted_hours + bushing.life + 100 < entered:
                # It wore out before the books begin and was replaced by the part sold on that day.
                hours = round(bushing.fitted_hours + bushing.life + d.between(10, 90), 1)
                share = (hours - pump_hours) / (entered - pump_hours)
                fitted = pump_fitted + timedelta(days=int(share * (m.start - pump_fitted).days))
                variant = "improved" if fitted >= IMPROVED_FROM else "original"
                bushing = Bushing(variant, fitted, hours, d.life(LIFE[variant]), entered)
                lost = self.planted.setdefault("undocumented_bushings", [])
                if m.acquired >= BOOKS_BEGIN and len(lost) < 2 and m.name not in [x[0] for x in lost]:
                    lost.append([m.name, side, fitted.isoformat(), hours])  # not in the seller's papers
                else:
                    self.books["components"].append({
                        "machine_id": m.name, "component": "internal_bushing", "side": side,
                        "variant": variant, "fitted_on": fitted, "fitted_hours": hours,
                    })  # fmt: skip
            m.bushings[side] = bushing
        if m.script is None:
            for cause, mean in OTHER_CAUSES.items():
                both = BOTH_SIDES.get(cause, 0.0)
                for side in SIDES:
                    m.next_other[f"{cause}/{side}"] = entered + d.expo(mean / (1 - both))
                if both:
                    m.next_other[f"{cause}/both"] = entered + d.expo(mean / (2 * both))

    # -- one machine's six years ------------------------------------------------------------------------------

    def live(self, m: Machine, keep: bool = True) -> None:
        """Runs one machine from the day its books begin to its sale or the month of the report."""
        usage, shop, words = Dice(2, m.unit), Dice(3, m.unit), Dice(4, m.unit)
        codes = Dice(5, m.unit)
        m.curve, m.meter_zero = {}, 0.0
        day, status, until = m.start, "yard", m.start
        per_day = m.rate / 196.0
        rental: Row | None = None
        next_service = (int(m.hours / 500) + 1) * 500 + usage.between(-60, 60)
        next_wear = {
            "running_gear": m.hours + usage.between(150, 1300),
            "battery": m.hours + usage.between(300, 2600),
            "cooling": m.hours + usage.between(100, 900),
            "other": m.hours + usage.between(100, 1400),
        }
        next_noise = m.hours + usage.expo(420)
        next_check = m.start + timedelta(days=usage.whole(60, 420))
        next_reading = date(m.start.year, m.start.month, 1)
        pending: list[Row] = []
        if m.start > BOOKS_BEGIN:
            self.read(m, m.start, words, "inspection")
        base_rate = {"skid_steer_loader": 235, "compact_track_loader": 310}[m.machine_type]
        while day <= AS_OF:
            for order in [p for p in pending if p["closed"] <= day]:
                pending.remove(order)
                self.finish(m, order, day)
                status, until = "yard", day + timedelta(days=usage.whole(0, 4))
            if m.disposed and day >= m.disposed and not pending:
                if rental:
                    rental["in_at"] = day
                    rental = None
                break
            if m.unit in METER_SWAPS and day == METER_SWAPS[m.unit][0]:
                self.swap_meter(m, day)
            if day >= next_reading:
                gap = m.telematics_gap and m.telematics_gap[0] <= day <= m.telematics_gap[1]
                if m.control != "manual" and not gap and not words.chance(0.015):
                    self.read(m, day, words, "telematics")
                elif words.chance(0.7):
                    self.read(m, day, words, "manual")
                next_reading = date(day.year + (day.month == 12), day.month % 12 + 1, 1)
            if pending:
                m.curve[day] = m.hours
                day += timedelta(days=1)
                continue
            # What the day brings.
            weekday = day.weekday() < 5
            season = SEASON[day.month - 1]
            if (
                status == "yard"
                and day >= until
                and weekday
                and usage.chance(0.85 if m.script and m.script.busy(day) else min(0.9, 0.20 * season))
            ):
                length = usage.pick(
                    (usage.whole(3, 7), usage.whole(8, 30), usage.whole(31, 100)), (0.34, 0.44, 0.22)
                )
                status, until = "rent", day + timedelta(days=length)
                factor = 1.0 if length < 8 else 0.8 if length < 31 else 0.62
                rental = {"machine_id": m.name, "out_at": day, "in_at": None,
                          "day_rate": 5 * round(base_rate * factor * (1 + 0.03 * (day.year - 2020)) / 5)}  # fmt: skip
                if keep:
                    self.books["rentals"].append(rental)
            elif status == "rent" and day >= until:
                status, until = "yard", day + timedelta(days=usage.whole(0, 3))
                if rental:
                    rental["in_at"] = day
                rental = None
            ran = 0.0
            if status == "rent":
                works = 1.0 if weekday else 0.35 if day.weekday() == 5 else 0.05
                if usage.chance(works):
                    ran = min(12.0, per_day * (0.3 + 1.4 * usage.u()) * (0.75 + 0.25 * season))
            before = m.hours
            m.hours += ran
            m.curve[day] = m.hours
            if ran and m.control != "manual":
                self.faults(m, day, before, codes, shop, keep)
            if ran and m.hours >= next_noise:
                next_noise = m.hours + usage.expo(460)
                self.other_code(m, day, codes)
            # Who goes to the shop today?
            order = None
            if m.script and self.visit_due(m, day):
                order = self.scripted_visit(m, day, shop, words)
            elif m.script and m.script.battery_on == day:
                order = self.plain_order(m, day, "battery", shop, words)
            elif m.control != "manual":
                due = [
                    c
                    for side in SIDES
                    for c in m.cases[side]
                    if c.visit_on and c.visit_on <= day and c.quiet_until <= m.hours and not c.scripted
                ]
                if due and weekday:
                    order = self.neutral_visit(m, day, shop, words)
            if order is None and status == "yard" and weekday:
                if m.hours >= next_service:
                    next_service += 500
                    order = self.plain_order(m, day, "service", shop, words)
                else:
                    for kind, at in next_wear.items():
                        if m.hours >= at:
                            order = self.plain_order(m, day, kind, shop, words)
                            next_wear[kind] = m.hours + shop.between(0.7, 1.3) * {
                                "running_gear": 1350 if m.machine_type == "compact_track_loader" else 950,
                                "battery": 2400, "cooling": 1250, "other": 1300}[kind]  # fmt: skip
                            break
                if order is None and self.worth_opening(m, day) and shop.chance(0.05):
                    order = self.preventive_order(m, day, shop, words)
                if order is None and day >= next_check:
                    next_check = day + timedelta(days=shop.whole(300, 460))
                    if m.control != "manual" and shop.chance(0.75):
                        order = self.yearly_check(m, day, shop, words)
            if order is not None:
                if status == "rent" and rental:
                    rental["in_at"] = day
                    rental = None
                status = "shop"
                pending.append(order)
                if keep:
                    self.orders.append(order)
                if order["closed"] <= day:
                    pending.remove(order)
                    self.finish(m, order, day)
                    status, until = "yard", day + timedelta(days=1)
            day += timedelta(days=1)
        if m.disposed and day <= AS_OF:
            m.disposed, m.disposed_hours = day, m.hours
            self.read(m, day, words, "inspection")
        else:
            m.disposed = None

    def faults(self, m: Machine, day: date, before: float, codes: Dice, shop: Dice, keep: bool) -> None:
        """Lets causes set in and active ones set codes."""
        for side in SIDES:
            bushing = m.bushings[side]
            age = m.hours - bushing.fitted_hours
            if age >= bushing.life and bushing.onset_hours is None:
                bushing.onset_hours = bushing.fitted_hours + bushing.life
                self.start_case(m, "internal_bushing", side, day)
        for key, at in list(m.next_other.items()):
            if m.hours >= at:
                cause, side = key.split("/")
                sides = SIDES if side == "both" else (side,)
                mean = OTHER_CAUSES[cause]
                both = BOTH_SIDES.get(cause, 0.0)
                life = Dice(6, m.unit, len(key), int(m.hours))
                m.next_other[key] = m.hours + life.expo(
                    mean / (2 * both) if side == "both" else mean / (1 - both)
                )
                for one in sides:
                    if not m.cases[one]:
                        case = self.start_case(m, cause, one, day)
                        case.shared = side == "both"
        if m.script:
            for onset in m.script.onsets:
                if onset.on <= day and not any(
                    c.cause == onset.cause and c.side == onset.side and c.onset_on >= onset.on
                    for c in m.cases[onset.side] + m.closed_cases
                ):
                    case = self.start_case(m, onset.cause, onset.side, day)
                    case.fmi, case.offset, case.gap, case.scripted = onset.fmi, onset.offset, onset.gap, True
                    if onset.cause == "internal_bushing":
                        bushing = m.bushings[onset.side]
                        bushing.life, bushing.onset_hours = m.hours - bushing.fitted_hours, m.hours
        for side in SIDES:
            for case in m.cases[side]:
                if case.codes_left == 0:
                    continue
                if case.next_burst < case.quiet_until:
                    case.next_burst = case.quiet_until
                while case.next_burst <= m.hours and case.codes_left != 0:
                    at = max(case.next_burst, before)
                    self.burst(m, case, day, at, before, codes)
                    case.next_burst = at + codes.expo(case.gap) + 0.4
                    if case.codes_left is not None:
                        case.codes_left -= 1
                    if case.visit_on is None and not case.scripted:
                        if case.cause == "unknown" and shop.chance(0.4):
                            continue
                        case.visit_on = day + timedelta(days=2 + int(shop.expo(9 if case.visits == 0 else 6)))
                if case.codes_left == 0 and case.visit_on is None:
                    self.cure(m, case, day, "went away by itself")

    def start_case(self, m: Machine, cause: str, side: str, day: date) -> Case:
        d = Dice(10, m.unit, SIDES.index(side), day.toordinal())
        fmis, weights = FMI_HABIT[cause]
        offset = d.between(0.16, 0.42) * (1 if d.chance(0.5) else -1)
        case = Case(cause, side, day, m.hours, d.pick(fmis, weights), offset, d.between(5.0, 14.0))
        case.next_burst = m.hours + d.expo(4.0)
        case.wording = d.whole(0, 4)
        if cause == "unknown":
            case.codes_left = d.whole(1, 4)
        m.cases[side].append(case)
        return case

    def burst(self, m: Machine, case: Case, day: date, at: float, before: float, d: Dice) -> None:
        """A handful of codes within an hour or so."""
        clock = datetime(day.year, day.month, day.day, 7) + timedelta(
            minutes=int(60 * min(9.0, max(0.0, at - before) + d.between(0.0, 1.5)))
        )
        number = SIDES.index(case.side)
        for _ in range(d.pick((1, 2, 3), (0.62, 0.27, 0.11))):
            while (m.unit, case.side, clock) in self.code_minutes:
                clock += timedelta(minutes=1)
            self.code_minutes.add((m.unit, case.side, clock))
            case.count += 1
            self.code_log.append((m.unit, case.side, round(at, 1), day))
            if case.first_code_on is None:
                case.first_code_on = day
            fmis, weights = FMI_HABIT[case.cause]
            fmi = case.fmi if d.chance(0.88) else d.pick(fmis, weights)
            side_word = case.side.capitalize()
            wordings = (
                f"{side_word} drive does not return to neutral",
                f"{side_word} drive does not return to neutral",
                f"{side_word.upper()} DRIVE DOES NOT RETURN TO NEUTRAL",
                f"{side_word} drive not in neutral",
                f"{side_word[0]} drive does not return to neutral",
            )
            text = wordings[case.wording if d.chance(0.9) else 0]
            code_only = m.make == "Tolvane" and m.build.year < 2018
            with_code = m.make != "Dunlin" and (code_only or d.chance(0.75))
            self.books["fault_codes"].append({
                "machine_id": m.name, "seen_at": clock,
                "hours": m.shown(at) if d.chance(0.88) else None,
                "spn": None if code_only else SPNS[m.make][number], "fmi": None if code_only else fmi,
                "occurrence_count": case.count if d.chance(0.8) else None,
                "code": TEXT_CODES[m.make][number] if with_code else None,
                "description": text, "status": "active" if d.chance(0.8) else "stored",
                "side": case.side if d.chance(0.12) else None, "source": "telematics",
            })  # fmt: skip
            clock += timedelta(minutes=d.whole(2, 40))
            at += 0.1

    def other_code(self, m: Machine, day: date, d: Dice) -> None:
        """Codes that have nothing to do with the drive (public SAE J1939 numbers, from memory)."""
        spn, fmi, text = d.pick(
            ((110, 16, "Coolant temperature high"), (168, 18, "Battery voltage low"), (111, 18, "Coolant level low"),
             (97, 31, "Water in fuel"), (1638, 16, "Hydraulic oil temperature high"), (100, 18, "Engine oil pressure low"),
             (639, 9, "Network message missing"), (3719, 16, "Particulate filter load high")),
            (0.18, 0.22, 0.12, 0.10, 0.12, 0.06, 0.08, 0.12),
        )  # fmt: skip
        clock = datetime(day.year, day.month, day.day, d.whole(7, 16), d.whole(0, 59))
        if m.control == "manual":
            return
        self.books["fault_codes"].append({
            "machine_id": m.name, "seen_at": clock, "hours": m.shown(m.hours) if d.chance(0.85) else None,
            "spn": spn, "fmi": fmi, "occurrence_count": d.whole(1, 6) if d.chance(0.7) else None,
            "description": text, "status": d.pick(("active", "stored"), (0.6, 0.4)), "source": "telematics",
        })  # fmt: skip

    def read(self, m: Machine, day: date, words: Dice, source: str) -> None:
        if day > AS_OF:
            return
        clock = datetime(
            day.year, day.month, day.day, 5 if source == "telematics" else 7 + int(words.u() * 9)
        )
        value = m.shown(m.hours)
        if source == "manual":
            value = float(round(value))
        self.books["meter_readings"].append(
            {"machine_id": m.name, "read_at": clock, "hours": value, "source": source}
        )

    def swap_meter(self, m: Machine, day: date) -> None:
        _, new, recorded = METER_SWAPS[m.unit]
        old = m.shown(m.hours)
        m.meter_zero = m.hours - new
        if recorded:
            self.books["meter_changes"].append({
                "machine_id": m.name, "changed_at": day, "old_meter_hours": old, "new_meter_hours": new,
            })  # fmt: skip

    # -- the shop ------------------------------------------------------------------------------------------------

    def order(self, m: Machine, day: date, days: int, **texts: str) -> Row:
        return {
            "machine": m, "opened": day, "closed": _workday(day + timedelta(days=days)), "hours": m.shown(m.hours),
            "true_hours": m.hours, "site": m.site, "complaint": texts.get("complaint", ""),
            "cause": texts.get("cause", ""), "correction": texts.get("correction", ""),
            "lines": [], "effects": [], "measured": set(), "kind": texts.get("kind", "other"), "status": "",
        }  # fmt: skip

    def plain_order(self, m: Machine, day: date, kind: str, shop: Dice, words: Dice) -> Row:
        """Ordinary work that has nothing to do with the neutral fault."""
        belts = m.machine_type == "compact_track_loader"
        if kind == "service":
            order = self.order(m, day, shop.whole(0, 1), complaint=words.pick(SERVICE_WORDS), kind=kind)
            order["lines"].append(
                _line("engine", "", "inspect", shop.between(1.5, 3.2), shop.between(95, 210), "passed")
            )
            if shop.chance(0.3):
                order["lines"].append(
                    _line("hydraulic_oil", "", "replace", shop.between(0.6, 1.2), shop.between(140, 320))
                )
        elif kind == "running_gear":
            part = "track" if belts else "tire"
            order = self.order(
                m,
                day,
                shop.whole(0, 2),
                complaint=words.pick(
                    (f"{part}s worn", f"new {part}s", f"{part}s bald" if not belts else "track torn")
                ),
                kind=kind,
            )
            order["lines"].append(
                _line(
                    part,
                    "",
                    "replace",
                    shop.between(2.0, 4.5),
                    shop.between(2100, 3200) if belts else shop.between(780, 1400),
                    "",
                    "worn",
                    quantity=2 if belts else 4,
                )
            )
        elif kind == "battery":
            order = self.order(
                m,
                day,
                0,
                complaint=words.pick(("won't crank", "dead battery", "slow crank", "jump started twice")),
                correction="new battery",
                kind=kind,
            )
            order["lines"].append(
                _line("battery", "", "replace", shop.between(0.4, 0.9), shop.between(145, 215), "", "worn")
            )
        elif kind == "cooling":
            order = self.order(
                m,
                day,
                shop.whole(0, 1),
                complaint=words.pick(("runs hot", "overheats on rent", "temp light")),
                correction=words.pick(("blew out rad", "cleaned cooler", "rad + cooler cleaned")),
                kind=kind,
            )
            order["lines"].append(
                _line(
                    "cooling",
                    "",
                    "clean",
                    shop.between(0.8, 2.2),
                    0.0,
                    "passed",
                    "dirty" if words.chance(0.3) else "",
                )
            )
        else:
            part, what, price = shop.pick((("other", "bucket pins loose", 160), ("other", "door glass broken", 310), ("drive_motor", "drive motor leaks", 640), ("engine", "hard start", 120), ("other", "work light out", 45), ("other", "seat switch", 85), ("controller", "joystick dead band, update", 0)), (0.24, 0.15, 0.10, 0.16, 0.16, 0.14, 0.05))  # fmt: skip
            order = self.order(m, day, shop.whole(0, 3), complaint=what, kind=kind)
            side = shop.pick(SIDES) if part == "drive_motor" else ""
            order["lines"].append(
                _line(
                    part,
                    side,
                    "repair" if price else "adjust",
                    shop.between(0.7, 5.0),
                    price * shop.between(0.8, 1.25),
                )
            )
        return order

    def worth_opening(self, m: Machine, day: date) -> bool:
        """One site opens old pumps in winter, before they ask for it."""
        return (
            m.site == EARLY_SITE
            and day >= EARLY_SINCE
            and day.month in (1, 2, 11, 12)
            and m.control != "manual"
            and m.script is None
            and not any(m.cases[side] for side in SIDES)
            and any(b.variant == "original" and m.hours - b.fitted_hours > 4300 for b in m.bushings.values())
        )

    def preventive_order(self, m: Machine, day: date, shop: Dice, words: Dice) -> Row:
        """Bushings replaced ahead; what the mechanic finds decides whether that was a failure."""
        order = self.order(
            m, day, shop.whole(3, 6), kind="preventive", complaint="pump bushings before season"
        )
        order["correction"] = words.pick(("both bushings while idle", "bushings done ahead, cal ok"))
        for place, side in enumerate(s for s in SIDES if m.bushings[s].variant == "original"):
            b = m.bushings[side]
            worn = (m.hours - b.fitted_hours) / b.life > 0.88
            hours = shop.between(12.0, 15.0) if place == 0 else shop.between(1.0, 2.2)
            found = "worn" if worn else "no_fault_found"
            order["lines"].append(
                _line("internal_bushing", side, "replace", hours, 4.60, "", found, "improved", "BU-0460")
            )
            why = "worn, found when opened" if worn else "sound, replaced"
            order["effects"].append(("bushing", side, why))
        order["lines"].append(_line("hydraulic_oil", "", "replace", 0.6, shop.between(120, 260)))
        order["lines"].append(_line("drive_pump", "", "calibrate", shop.between(0.8, 1.3), 0.0, "passed"))
        return order

    def yearly_check(self, m: Machine, day: date, shop: Dice, words: Dice) -> Row:
        """The annual check: where the shop has a meter at hand, the neutral voltages are written down."""
        order = self.order(
            m,
            day,
            0,
            complaint=words.pick(("annual check", "yearly insp", "annual inspection")),
            kind="check",
        )
        order["lines"].append(_line("other", "", "inspect", shop.between(1.0, 1.8), 0.0, "passed"))
        if shop.chance(0.55):
            for side in SIDES:
                self.measure(m, day, side, neutral_volts(m, side, shop))
        return order

    def measure(self, m: Machine, day: date, side: str, value: float) -> None:
        self.books["measurements"].append({
            "machine_id": m.name, "measured_at": day, "hours": m.shown(m.hours),
            "quantity": "sensor_neutral_voltage", "side": side, "value": f"{value:.2f}", "unit": "V",
        })  # fmt: skip

    def neutral_visit(self, m: Machine, day: date, shop: Dice, words: Dice) -> Row:
        """The shop meets the neutral fault and works its way by custom."""
        sick = [
            c
            for side in SIDES
            for c in m.cases[side]
            if c.first_code_on and not c.scripted and c.quiet_until <= m.hours
        ]
        first = all(c.visits == 0 for c in sick)
        side_words = (
            words.pick(SIDE_WORDS[sick[0].side])
            if len({c.side for c in sick}) == 1
            else words.pick(("L+R", "both", "LH + RH"))
        )
        order = self.order(
            m,
            day,
            0,
            complaint=words.pick(COMPLAINTS if first else AGAIN).format(S=side_words),
            kind="neutral",
        )
        done: list[str] = []
        cured: set[int] = set()
        for case in sick:
            if id(case) in cured:
                continue
            case.visits += 1
            case.visit_on = None
            self.work_on(m, day, case, order, shop, done, cured)
            if case.shared and any(e[1] is case and e[0] == "cure" for e in order["effects"]):
                for other in sick:
                    if other is not case and other.shared and other.cause == case.cause == "wiring":
                        order["effects"].append(("cure", other, "harness"))
                        cured.add(id(other))
                        other.visit_on, other.visits = None, other.visits + 1
        for case in sick:
            if case.cause == "unknown":  # it has gone by itself when the machine comes out again
                order["effects"].append(("cure", case, "nothing"))
        order["correction"], order["cause"] = self.words_for(done, words)
        labour = sum(line["labour_hours"] or 0.0 for line in order["lines"])
        wait = shop.whole(0, 2) if labour < 5 else shop.whole(1, 4) if labour < 10 else shop.whole(3, 9)
        order["closed"] = _workday(day + timedelta(days=int(labour / 7) + wait))
        return order

    def work_on(
        self, m: Machine, day: date, case: Case, order: Row, shop: Dice, done: list[str], cured: set[int]
    ) -> None:
        side, cause, lines, effects = case.side, case.cause, order["lines"], order["effects"]
        early = m.site == EARLY_SITE and day >= EARLY_SINCE
        bushing = m.bushings[side]
        age = m.hours - bushing.fitted_hours
        # Wiring rules itself out by looking, so it comes first.
        if shop.chance((0.85 if case.visits == 1 else 0.6) if not case.wiring_checked else 0.3):
            case.wiring_checked = True
            looked = "wiring" not in done
            if cause == "wiring" and shop.chance(0.74):
                finding = shop.pick(("damaged", "corroded", "loose", "broken"), (0.4, 0.3, 0.18, 0.12))
                done.append(f"harness {finding}")
                action = shop.pick(("repair", "replace"), (0.75, 0.25))
                lines.append(
                    _line(
                        "wiring",
                        side,
                        action,
                        shop.between(1.2, 3.5),
                        shop.between(40, 120),
                        "",
                        finding if shop.chance(0.9) else "",
                        part="H-" + str(shop.whole(2100, 2900)),
                    )
                )
                effects.append(("cure", case, "harness"))
                self.attempt(m, case, order, "wiring")
                return
            if looked:
                done.append("wiring")
                lines.append(
                    _line(
                        "wiring",
                        side,
                        "inspect",
                        shop.between(0.6, 1.5),
                        0.0,
                        "passed",
                        "no_fault_found" if shop.chance(0.6) else "",
                    )
                )
        if side not in order["measured"] and shop.chance(0.72):
            order["measured"].add(side)
            value = neutral_volts(m, side, shop)
            self.measure(m, day, side, value)
            done.append(f"volts {value:.2f}")
            if shop.chance(0.45):
                lines.append(
                    _line(
                        "position_sensor",
                        side,
                        "test",
                        0.5,
                        0.0,
                        "passed" if abs(value - 2.0) <= 0.1 else "failed",
                    )
                )
        # What next? The older the custom, the longer the pump stays shut.
        susceptible = bushing.variant == "original" and age > 3000
        if early and case.visits == 1 and susceptible and shop.chance(0.45):
            step = "bushing"
        elif case.calibrations == 0 and shop.chance(0.9):
            step = "calibrate"
        elif early and shop.chance(0.85 if susceptible else 0.5):
            step = "bushing"
        elif case.sensors == 0 and shop.chance(0.72 if day.year < 2025 else 0.62):
            step = "sensor"
        elif case.calibrations < 2 and shop.chance(0.45):
            step = "calibrate"
        elif case.sensors == 1 and shop.chance(0.16):
            step = "sensor"
        else:
            step = "bushing"
        if step == "calibrate":
            held = self.calibrate(m, case, order, shop, done)
            if held or case.visits < 2 or shop.chance(0.5):
                return
            step = "sensor" if case.sensors == 0 and not early else "bushing"
        if step == "sensor":
            self.replace_sensor(m, day, case, order, shop, done)
        elif step == "bushing":
            self.open_pump(m, day, case, order, shop, done, cured)

    def attempt(self, m: Machine, case: Case, order: Row, what: str) -> None:
        case.attempts.append(
            {"order": order, "action": what, "machine": m, "side": case.side, "cause": case.cause}
        )

    def calibrate(self, m: Machine, case: Case, order: Row, shop: Dice, done: list[str]) -> bool:
        """True when the calibration was accepted; whether it holds is another matter."""
        case.calibrations += 1
        cause, lines, effects = case.cause, order["lines"], order["effects"]
        self.attempt(m, case, order, "calibrate")
        fails = {"internal_bushing": 0.28, "calibration": 0.02, "unknown": 0.02}.get(cause, 0.5)
        if shop.chance(fails):
            done.append("cal failed")
            lines.append(_line("drive_pump", case.side, "calibrate", shop.between(0.8, 1.6), 0.0, "failed"))
            effects.append(("quiet", case, shop.expo(3.0)))
            return False
        done.append("cal")
        lines.append(
            _line(
                "drive_pump",
                case.side,
                "calibrate",
                shop.between(0.7, 1.3),
                0.0,
                "passed" if shop.chance(0.9) else "",
                "out_of_adjustment" if cause == "calibration" and shop.chance(0.6) else "",
            )
        )
        if cause == "calibration" and shop.chance(0.94):
            effects.append(("cure", case, "calibration"))
        elif cause == "unknown":
            effects.append(("cure", case, "nothing"))
        elif cause == "internal_bushing":
            effects.append(
                ("quiet", case, 3.0 + shop.expo(30.0) if shop.chance(0.93) else shop.between(100.0, 320.0))
            )
        else:
            effects.append(("quiet", case, 1.0 + shop.expo(18.0)))
        return True

    def replace_sensor(
        self, m: Machine, day: date, case: Case, order: Row, shop: Dice, done: list[str]
    ) -> None:
        case.sensors += 1
        cause, lines, effects = case.cause, order["lines"], order["effects"]
        self.attempt(m, case, order, "sensor")
        done.append("sensor")
        good = cause == "position_sensor"
        finding = (
            shop.pick(("broken", "worn", ""), (0.5, 0.35, 0.15))
            if good
            else shop.pick(("no_fault_found", "", "worn"), (0.42, 0.54, 0.04))
        )
        kind = "hall_effect" if m.sensor_kind == "hall_effect" or day.year >= 2023 else "potentiometer"
        lines.append(
            _line(
                "position_sensor",
                case.side,
                "replace",
                shop.between(5.0, 7.6),
                182.40 if day.year < 2024 else 196.90,
                "",
                finding,
                kind if shop.chance(0.6) else "",
                "SN-4410" if kind == "potentiometer" else "SN-4432",
            )
        )
        lines.append(_line("drive_pump", case.side, "calibrate", shop.between(0.6, 1.1), 0.0, "passed"))
        if good or cause == "unknown":
            effects.append(("cure", case, "sensor"))
        elif cause == "calibration":
            effects.append(("cure", case, "calibration"))
        elif cause == "wiring" and shop.chance(0.3):
            effects.append(("cure", case, "connector disturbed"))
        elif cause == "internal_bushing":
            effects.append(("quiet", case, min(150.0, 20.0 + shop.expo(45.0))))
        else:
            effects.append(("quiet", case, 4.0 + shop.expo(30.0)))

    def open_pump(
        self, m: Machine, day: date, case: Case, order: Row, shop: Dice, done: list[str], cured: set[int]
    ) -> None:
        """Engine out, pump split: the long job."""
        side, cause, lines, effects = case.side, case.cause, order["lines"], order["effects"]
        early = m.site == EARLY_SITE and day >= EARLY_SINCE
        self.attempt(m, case, order, "bushing")
        other = SIDES[1 - SIDES.index(side)]
        both = (
            shop.chance(0.8 if early else 0.55 if day.year >= 2024 else 0.32)
            and m.bushings[other].variant == "original"
            and m.script is None
        )
        whole = m.script is None and shop.chance(0.5 if cause == "servo_or_rotating_group" else 0.05)
        worn = cause == "internal_bushing"
        finding = shop.pick(("worn", "broken", ""), (0.82, 0.09, 0.09)) if worn else "no_fault_found"
        if whole:
            done.append("pump")
            if worn or shop.chance(0.5):
                lines.append(
                    _line(
                        "internal_bushing",
                        side,
                        "inspect",
                        0.5,
                        0.0,
                        "failed" if worn else "passed",
                        "worn" if worn else "no_fault_found",
                    )
                )
            lines.append(
                _line(
                    "drive_pump",
                    "",
                    "replace",
                    shop.between(13.0, 17.0),
                    shop.between(2600, 3300),
                    "",
                    "worn" if worn else "damaged",
                    part="PX-880",
                )
            )
            for one in SIDES:
                effects.append(
                    (
                        "bushing",
                        one,
                        "pump replaced, worn"
                        if any(c.cause == "internal_bushing" for c in m.cases[one])
                        else "pump replaced",
                    )
                )
                for sick in m.cases[one]:
                    effects.append(("cure", sick, "pump"))
                    cured.add(id(sick))
        else:
            done.append(f"bushing {finding or 'done'}")
            lines.append(
                _line(
                    "internal_bushing",
                    side,
                    "replace",
                    shop.between(12.0, 15.0),
                    4.60,
                    "",
                    finding,
                    "improved" if shop.chance(0.7) else "",
                    "BU-0460",
                )
            )
            effects.append(("bushing", side, "worn, by code" if worn else "sound, replaced"))
            if (
                cause in ("internal_bushing", "calibration", "unknown")
                or (cause == "position_sensor" and shop.chance(0.7))
                or (cause == "wiring" and shop.chance(0.5))
            ):
                effects.append(("cure", case, "bushing job"))
                cured.add(id(case))
                if cause == "position_sensor":
                    lines.append(
                        _line("position_sensor", side, "replace", 0.5, 196.90, "", "broken", "", "SN-4432")
                    )
            elif cause == "servo_or_rotating_group":
                part = shop.pick(("servo", "rotating_group"))
                done.append(part)
                lines.append(
                    _line(
                        part,
                        side,
                        shop.pick(("repair", "overhaul", "replace")),
                        shop.between(2.0, 5.0),
                        shop.between(180, 900),
                        "",
                        shop.pick(("worn", "damaged")),
                    )
                )
                effects.append(("cure", case, part))
                cured.add(id(case))
            else:
                effects.append(("quiet", case, 5.0 + shop.expo(30.0)))
            if both:
                sister = m.bushings[other]
                wear = (m.hours - sister.fitted_hours) / sister.life
                sick_other = [c for c in m.cases[other] if c.cause == "internal_bushing"]
                found = bool(sick_other) or wear > 0.88
                done.append("other side too")
                lines.append(
                    _line(
                        "internal_bushing",
                        other,
                        "replace",
                        shop.between(1.0, 2.2),
                        4.60,
                        "",
                        "worn" if found else "no_fault_found",
                        "improved" if shop.chance(0.7) else "",
                        "BU-0460",
                    )
                )
                effects.append(
                    (
                        "bushing",
                        other,
                        "worn, by code"
                        if sick_other
                        else "worn, found when opened"
                        if found
                        else "sound, replaced",
                    )
                )
                for sick in sick_other:
                    effects.append(("cure", sick, "bushing job"))
                    cured.add(id(sick))
        lines.append(_line("hydraulic_oil", "", "replace", shop.between(0.4, 0.8), shop.between(120, 260)))
        lines.append(
            _line(
                "drive_pump",
                "" if both or whole else side,
                "calibrate",
                shop.between(0.8, 1.3),
                0.0,
                "passed",
            )
        )

    def words_for(self, done: list[str], words: Dice) -> tuple[str, str]:
        """Correction and cause in workshop language."""
        text, cause = [], ""
        for step in done:
            if step == "wiring":
                text.append(
                    words.pick(
                        (
                            "checked wiring, ok",
                            "harness ok",
                            "wiring + plugs good",
                            "looked over harness nfg found",
                            "conn. clean + tight",
                        )
                    )
                )
            elif step.startswith("harness"):
                what = step.split()[1]
                cause = words.pick(
                    {
                        "damaged": ("harness chafed", "wire rubbed thru at frame"),
                        "corroded": ("corroded plug", "green conn."),
                        "loose": ("loose pin", "plug not seated"),
                        "broken": ("broken wire", "wire broken inside insul."),
                    }[what]
                )
                text.append(
                    words.pick(
                        (
                            "repaired harness",
                            "fixed wire, loomed + tied up",
                            "new pigtail",
                            "repl conn + greased",
                        )
                    )
                )
            elif step.startswith("volts"):
                text.append(
                    words.pick(("{v} V at sensor", "sensor reads {v}", "neutral {v}V")).format(
                        v=step.split()[1]
                    )
                )
            elif step == "cal":
                text.append(
                    words.pick(
                        (
                            "calibrated",
                            "cal ok",
                            "recal pump, ok",
                            "ran calibration, passed",
                            "centered + calibrated",
                        )
                    )
                )
            elif step == "cal failed":
                text.append(words.pick(("cal fails", "won't calibrate", "calibration failed x2")))
            elif step == "sensor":
                cause = cause or words.pick(("sensor", "bad sensor?", "pos sensor", ""))
                text.append(
                    words.pick(
                        (
                            "repl sensor",
                            "new pos. sensor + cal",
                            "R&R sensor, engine raised",
                            "replaced sensor, cal ok",
                        )
                    )
                )
            elif step.startswith("bushing"):
                what = step.split()[1]
                cause = {
                    "worn": words.pick(("bushing worn", "bushing egg shaped", "play in bushing")),
                    "broken": "bushing broken",
                    "no_fault_found": "",
                    "done": "",
                }[what] or cause
                text.append(
                    words.pick(
                        (
                            "engine out, split pump, new bushing",
                            "R&R pump, repl bushing, new oil",
                            "pump apart, bushing repl, cal ok",
                        )
                    )
                )
            elif step == "other side too":
                text.append(words.pick(("did other side too", "both sides done", "other bushing while open")))
            elif step == "pump":
                cause = words.pick(("pump worn", "pump scored", "pump"))
                text.append(words.pick(("new pump", "replaced drive pump compl.")))
            elif step in ("servo", "rotating_group"):
                cause = {
                    "servo": words.pick(("servo sticking", "servo piston scored")),
                    "rotating_group": words.pick(("slippers worn", "valve plate scored")),
                }[step]
                text.append(words.pick(("repaired on bench", "parts repl.", "rebuilt")))
        return ", ".join(text), cause

    def visit_due(self, m: Machine, day: date) -> bool:
        """True when the next visit of the story is due: not before its day, nor before the codes are back."""
        assert m.script
        if len(m.visited) == len(m.script.visits) or day < m.script.visits[len(m.visited)].on:
            return False
        visit = m.script.visits[len(m.visited)]
        if visit.steps == ("volts only",):
            return True
        return any(c.scripted and c.count > c.count_at_visit for c in m.cases[visit.side])

    def scripted_visit(self, m: Machine, day: date, shop: Dice, words: Dice) -> Row:
        assert m.script
        visit = m.script.visits[len(m.visited)]
        m.visited.append(day)
        if visit.steps == ("volts only",):
            order = self.order(m, day, 0, complaint="check over, drive feels lazy to stop", kind="check")
            order["lines"].append(
                _line(
                    "position_sensor",
                    visit.side,
                    "test",
                    0.5,
                    0.0,
                    "failed" if abs((visit.volts or 2.0) - 2.0) > 0.1 else "passed",
                )
            )
            assert visit.volts is not None
            self.measure(m, day, visit.side, visit.volts)
            other = SIDES[1 - SIDES.index(visit.side)]
            self.measure(m, day, other, round(shop.normal(2.0, 0.02), 2))
            return order
        case = next(c for c in m.cases[visit.side] if c.scripted)
        case.visits, case.count_at_visit = case.visits + 1, case.count
        order = self.order(
            m,
            day,
            1,
            complaint=visit.complaint,
            cause=visit.cause,
            correction=visit.correction,
            kind="neutral",
        )
        lines, effects, side = order["lines"], order["effects"], visit.side
        for step in visit.steps:
            if step == "wiring":
                case.wiring_checked = True
                lines.append(
                    _line("wiring", side, "inspect", shop.between(0.7, 1.4), 0.0, "passed", "no_fault_found")
                )
            elif step == "volts":
                assert visit.volts is not None
                self.measure(m, day, side, visit.volts)
                lines.append(
                    _line(
                        "position_sensor",
                        side,
                        "test",
                        0.5,
                        0.0,
                        "passed" if abs(visit.volts - 2.0) <= 0.1 else "failed",
                    )
                )
            elif step.startswith("calibrate"):
                case.calibrations += 1
                self.attempt(m, case, order, "calibrate")
                failed = step.endswith("failed")
                lines.append(
                    _line(
                        "drive_pump",
                        side,
                        "calibrate",
                        shop.between(0.8, 1.4),
                        0.0,
                        "failed" if failed else "passed",
                    )
                )
            elif step == "sensor":
                case.sensors += 1
                self.attempt(m, case, order, "sensor")
                lines.append(
                    _line(
                        "position_sensor",
                        side,
                        "replace",
                        shop.between(5.6, 7.4),
                        196.90,
                        "",
                        "no_fault_found" if case.sensors == 1 else "",
                        "hall_effect",
                        "SN-4432",
                    )
                )
                lines.append(_line("drive_pump", side, "calibrate", shop.between(0.6, 1.1), 0.0, "passed"))
                order["closed"] = day + timedelta(days=2)
            elif step == "bushing":
                self.attempt(m, case, order, "bushing")
                lines.append(
                    _line(
                        "internal_bushing",
                        side,
                        "replace",
                        13.5,
                        4.60,
                        "",
                        visit.finding,
                        "improved",
                        "BU-0460",
                    )
                )
                lines.append(_line("hydraulic_oil", "", "replace", 0.6, 188.0))
                lines.append(_line("drive_pump", side, "calibrate", 1.1, 0.0, "passed"))
                effects.append(("bushing", side, "worn, by code"))
                order["closed"] = day + timedelta(days=6)
        if visit.stays_open:
            order["closed"] = AS_OF + timedelta(days=30)
        elif visit.quiet > 5000:
            effects.append(("cure", case, visit.steps[-1]))
        else:
            effects.append(("quiet", case, visit.quiet))
        return order

    def finish(self, m: Machine, order: Row, day: date) -> None:
        """The work is done: what it cures, it cures; what it does not, it keeps quiet for a while."""
        if order["kind"] == "neutral":
            m.hours += 0.3  # test drive
            m.curve[day] = m.hours
        order["true_hours_out"] = m.hours
        for effect in order["effects"]:
            if effect[0] == "quiet":
                effect[1].quiet_until = m.hours + effect[2]
                effect[1].next_burst = effect[1].quiet_until
            elif effect[0] == "cure":
                if effect[1].cured_on is None:
                    self.cure(m, effect[1], day, effect[2])
            else:
                _, side, why = effect
                old = m.bushings[side]
                old.ended_on, old.ended_hours, old.outcome = day, m.hours, why
                m.sides_of[id(old)] = side
                m.past.append(old)
                life = Dice(7, m.unit, SIDES.index(side), int(m.hours))
                m.bushings[side] = Bushing("improved", day, m.hours, life.life(IMPROVED_LIFE), m.hours)
                if why.startswith("pump"):
                    m.centre[side] = life.normal(2.0, 0.02)

    def cure(self, m: Machine, case: Case, day: date, how: str) -> None:
        case.cured_on, case.cured_by = day, how
        m.cases[case.side].remove(case)
        m.closed_cases.append(case)
        m.centre[case.side] = Dice(8, m.unit, int(m.hours)).normal(2.0, 0.02)

    # -- everything ----------------------------------------------------------------------------------------------

    def run(self) -> None:
        self.machines = make_machines()
        for m in self.machines:
            if m.script:
                m.hours = rehearse(m)
            self.furnish(m, Dice(9, m.unit))
            self.live(m)
        self.write_books()
        Mess(self).plant()

    def write_books(self) -> None:
        """Turns what happened into the rows that the office kept."""
        for m in self.machines:
            build = {"day": m.build.isoformat(), "month": f"{m.build:%Y-%m}", "year": f"{m.build:%Y}"}[
                m.precision
            ]
            d = Dice(11, m.unit)
            letters = "ABCDEFGHJKLMNPRSTUVWXYZ0123456789"
            tail = "".join(d.pick(letters) for _ in range(5))
            self.books["machines"].append({
                "machine_id": m.name, "pin": f"XX{m.make[:1]}{tail}{m.build:%y}{d.whole(100000, 999999)}" if d.chance(0.9) else None,
                "serial_number": f"{d.whole(1000000, 9999999)}" if d.chance(0.85) else None,
                "make": m.make, "model": m.model, "machine_type": m.machine_type, "build_date": build,
                "control": m.control, "site": m.site, "acquired_on": m.acquired,
                "hours_at_acquisition": m.acquired_hours, "disposed_on": m.disposed,
                "hours_at_disposal": m.shown(m.disposed_hours) if m.disposed_hours is not None and m.disposed else None,
            })  # fmt: skip
        numbered = sorted(
            enumerate(self.orders), key=lambda pair: (pair[1]["opened"], pair[1]["machine"].unit, pair[0])
        )
        for number, (_, order) in enumerate(numbered, 10001):
            order["id"] = f"W{number}"
            d = Dice(12, number)
            done = order["closed"] <= AS_OF
            bare = order["kind"] == "other" and d.chance(0.02)
            self.books["work_orders"].append({
                "work_order_id": order["id"], "machine_id": order["machine"].name, "opened_at": order["opened"],
                "closed_at": order["closed"] if done and not d.chance(0.01) else None,
                "hours": None if d.chance(0.05) else order["hours"], "site": order["site"],
                "complaint": order["complaint"], "cause": order["cause"] if done else "",
                "correction": order["correction"] if done or order["machine"].script else "",
                "status": "closed" if done else "open",
            })  # fmt: skip
            if bare:
                self.planted.setdefault("orders_without_lines", []).append(order["id"])
                continue
            lines = (
                order["lines"] if done else [x for x in order["lines"] if x["action"] in ("inspect", "test")]
            )
            span = (min(order["closed"], AS_OF) - order["opened"]).days
            for place, line in enumerate(lines, 1):
                at = order["opened"] + timedelta(days=span * place // max(1, len(lines)))
                order.setdefault("written", []).append(line)
                line.update(work_order_id=order["id"], line_no=place, done_at=None if d.chance(0.08) else at)
                if d.chance(0.03):
                    line["labour_cost"] = None
                if line["parts_cost"] is not None and d.chance(0.02):
                    line["parts_cost"] = None
                if line["action"] == "inspect" and order["kind"] == "service" and d.chance(0.1):
                    line["note"] = d.pick(("next at 500", "greased", "air filter next time", "tighten belt"))
                self.books["work_lines"].append(line)


class Mess:
    """What real yards hand over beside the facts. Everything planted is noted in `yard.planted`."""

    def __init__(self, yard: Yard) -> None:
        self.yard = yard
        self.books = yard.books
        self.note = yard.planted
        self.by_unit = {m.unit: m for m in yard.machines}

    def plant(self) -> None:
        self.note["meter_changes"] = [[str(u), *map(str, v[:2])] for u, v in METER_SWAPS.items() if v[2]]
        self.note["meter_change_not_written_down"] = [
            [str(u), *map(str, v[:2])] for u, v in METER_SWAPS.items() if not v[2]
        ]
        self.typing_errors()
        self.orders_and_lines()
        self.codes()
        self.rows_to_reject()
        self.strangers()
        self.repetitions()
        self.sort()

    def reading(self, unit: object, day: date, hours: object, source: str = "manual", hour: int = 12) -> Row:
        row = {
            "machine_id": str(unit),
            "read_at": datetime(day.year, day.month, day.day, hour),
            "hours": hours,
            "source": source,
        }
        self.books["meter_readings"].append(row)
        return row

    def typing_errors(self) -> None:
        """Readings as tired people type them; each stands on a day with no other reading by hand."""
        at = {
            27: _d("2022-08-10"),
            52: _d("2023-04-19"),
            88: _d("2024-02-07"),
            109: _d("2023-10-11"),
            140: _d("2025-05-21"),
        }
        shown = {u: self.by_unit[u].shown(self.by_unit[u].curve[d]) for u, d in at.items()}
        whole = str(int(shown[27]))
        swapped = whole[0] + whole[2] + whole[1] + whole[3:]
        wrong = {
            27: ("digits swapped", float(swapped)),
            52: ("decimal lost", float(int(round(shown[52] * 10)))),
            88: ("last year's value", round(self.by_unit[88].curve[_d("2023-02-07")], 0)),
            109: ("reading of unit 110", round(self.by_unit[110].curve[at[109]], 1)),
            140: ("digits swapped", float(str(int(shown[140]))[:2] + str(int(shown[140]))[2:][::-1])),
        }
        for unit, (what, value) in wrong.items():
            self.reading(unit, at[unit], value)
            self.note.setdefault("typing_errors", []).append(
                [str(unit), at[unit].isoformat(), what, value, shown[unit]]
            )
        # A telematics box that lost its memory for one night.
        self.reading(66, _d("2024-09-14"), 0.0, "telematics", 5)
        self.note["typing_errors"].append(
            [
                "66",
                "2024-09-14",
                "telematics sent zero",
                0.0,
                self.by_unit[66].shown(self.by_unit[66].curve[_d("2024-09-14")]),
            ]
        )
        for unit, what in ((77, "decimal lost"), (121, "one digit too few")):
            row = next(
                r
                for r in self.books["work_orders"]
                if r["machine_id"] == str(unit)
                and r["hours"]
                and r["opened_at"] > _d("2023-06-01")
                and r["hours"] > 1000
            )
            right = row["hours"]
            row["hours"] = float(int(round(right * 10))) if what == "decimal lost" else float(int(right / 10))
            self.note.setdefault("typing_errors_in_orders", []).append(
                [row["work_order_id"], str(unit), what, row["hours"], right]
            )

    def orders_and_lines(self) -> None:
        yard, lines = self.yard, self.books["work_lines"]
        neutral = [
            o
            for o in yard.orders
            if o["kind"] == "neutral" and o["closed"] <= AS_OF and not o["machine"].script
        ]
        # Two visits for the neutral fault of which only the head was kept.
        for order in [o for o in neutral if o["machine"].site == "Wrenmouth" and o["opened"].year == 2022][
            :2
        ]:
            self.books["work_lines"] = [
                x for x in self.books["work_lines"] if x["work_order_id"] != order["id"]
            ]
            order["written"] = []
            self.note["orders_without_lines"].append(order["id"])
        lines = self.books["work_lines"]
        # Jobs whose side nobody wrote down.
        singles = [x for x in lines if x["component"] == "internal_bushing" and x["action"] == "replace" and x["finding"] == "worn"
                   and sum(1 for y in lines if y["work_order_id"] == x["work_order_id"] and y["component"] == "internal_bushing") == 1]  # fmt: skip
        sensors = [x for x in lines if x["component"] == "position_sensor" and x["action"] == "replace"]
        scripted = {o["id"] for o in yard.orders if o["machine"].script}
        chosen = [x for x in singles if x["work_order_id"] not in scripted][5:40:20] + [
            x for x in sensors if x["work_order_id"] not in scripted
        ][7:8]
        for line in chosen:
            self.note.setdefault("replaced_without_side", []).append(
                [line["work_order_id"], line["line_no"], line["component"], line["side"]]
            )
            line["side"] = ""
        # Cancelled before anybody touched the machine.
        for unit, day in ((110, _d("2023-05-09")), (125, _d("2025-09-16"))):
            number = f"W{90000 + unit}"
            self.books["work_orders"].append({
                "work_order_id": number, "machine_id": str(unit), "opened_at": day, "closed_at": day,
                "hours": None, "site": self.by_unit[unit].site, "complaint": "neutral code? opened by mistake, wrong unit",
                "cause": "", "correction": "", "status": "cancelled",
            })  # fmt: skip
            self.note.setdefault("cancelled_orders", []).append(number)
        # Lines whose order is on a sheet that was not handed over.
        for place, (part, action, labour, cost) in enumerate(
            (
                ("engine", "inspect", 2.0, 120.0),
                ("hydraulic_oil", "replace", 0.8, 210.0),
                ("battery", "replace", 0.5, 169.0),
            ),
            1,
        ):
            self.books["work_lines"].append(
                {
                    **_line(part, "", action, labour, cost),
                    "work_order_id": "W99017",
                    "line_no": place,
                    "done_at": _d("2026-06-29"),
                }
            )
        self.note["lines_without_order"] = ["W99017", 3]
        # A new pump that stands in the list of parts and in a work order.
        pump = next(
            o
            for o in yard.orders
            if any(x["component"] == "drive_pump" and x["action"] == "replace" for x in o.get("written", []))
        )
        m = pump["machine"]
        built = max(m.pump_built, m.build)
        for row in (
            {"serial_number": "P771204", "built_on": m.pump_built, "fitted_on": built if m.pump_built > m.build else m.build, "fitted_hours": 0,
             "removed_on": pump["closed"], "removed_hours": m.shown(pump["true_hours_out"]), "removal_reason": "worn"},
            {"serial_number": "P884417", "built_on": pump["closed"] - timedelta(days=71), "fitted_on": pump["closed"],
             "fitted_hours": m.shown(pump["true_hours_out"])},
        ):  # fmt: skip
            if not (
                "removed_on" in row
                and any(
                    r["machine_id"] == m.name and r["component"] == "drive_pump"
                    for r in self.books["components"]
                )
            ):
                self.books["components"].append({"machine_id": m.name, "component": "drive_pump", **row})
        self.note["pump_told_twice"] = [m.name, pump["id"], pump["closed"].isoformat()]
        # One value written in millivolts.
        row = next(
            r
            for r in self.books["measurements"]
            if r["measured_at"] > _d("2023-03-01") and int(r["machine_id"]) not in SCRIPTS
        )
        row["value"], row["unit"] = str(int(round(float(row["value"]) * 1000))), "mV"
        self.note["millivolts"] = [row["machine_id"], row["measured_at"].isoformat(), row["side"]]

    def codes(self) -> None:
        # A controller update after which a few machines sent the fault without saying which side.
        rows = [r for r in self.books["fault_codes"] if r["description"] and "rive" in r["description"].lower() and "eutral" in r["description"].lower()
                and r["seen_at"].year == 2024 and int(r["machine_id"]) not in SCRIPTS]  # fmt: skip
        for row in rows[10:130:12]:
            self.note.setdefault("codes_without_side", []).append(
                [row["machine_id"], row["seen_at"].isoformat()]
            )
            row.update(
                spn=None, fmi=None, side=None, code="DN-7", description="Drive does not return to neutral"
            )
        manual = next(
            m
            for m in self.yard.machines
            if m.control == "manual" and m.make == "Marram" and m.start < _d("2024-08-01") and not m.disposed
        )
        day = _d("2024-08-22")
        self.books["fault_codes"].append({
            "machine_id": manual.name, "seen_at": datetime(2024, 8, 22, 10, 41), "hours": manual.shown(manual.curve[day]),
            "spn": 521731, "fmi": 7, "occurrence_count": 1, "code": "DN-L7",
            "description": "Left drive does not return to neutral", "status": "active", "source": "manual",
        })  # fmt: skip
        self.note["code_on_manual_machine"] = [manual.name, "2024-08-22T10:41"]

    def rows_to_reject(self) -> None:
        bad = (
            (39, _d("2023-06-21"), "n/a", "hours are no number"),
            (57, _d("2021-11-17"), -12.5, "hours are negative"),
            (90, date(2062, 3, 1), 5120.0, "the date lies in the future"),
            (101, _d("2022-05-04"), "45l2,3o", "hours are no number"),
        )
        for unit, day, hours, why in bad:
            self.reading(unit, day, hours)
            self.note.setdefault("rejected_rows", []).append(
                ["meter_readings", str(unit), day.isoformat(), why]
            )
        self.books["meter_readings"].append(
            {"machine_id": "72", "read_at": "2023-02-30T12:00", "hours": 2210.0, "source": "manual"}
        )
        self.note["rejected_rows"].append(["meter_readings", "72", "2023-02-30", "there is no such day"])
        order = next(
            o
            for o in self.yard.orders
            if o["opened"] > _d("2022-02-01") and o["kind"] == "other" and o.get("written")
        )
        count = len(order["written"])
        self.books["work_lines"].append(
            {
                **_line("other", "", "jiggle", 0.3, 0.0),
                "work_order_id": order["id"],
                "line_no": count + 1,
                "done_at": order["closed"],
            }
        )
        self.note["rejected_rows"].append(
            ["work_lines", order["id"], str(count + 1), "unknown action jiggle"]
        )
        self.books["fault_codes"].append({
            "machine_id": "46", "seen_at": datetime(2023, 7, 6, 9, 15), "hours": None, "description": "Dash light, no number taken", "status": "active", "source": "manual",
        })  # fmt: skip
        self.note["rejected_rows"].append(
            ["fault_codes", "46", "2023-07-06", "neither SPN and FMI nor a code"]
        )

    def strangers(self) -> None:
        """Unit 460 came in the week of the report; the office has not listed it yet."""
        for month, hours in ((4, 12.4), (5, 61.0), (6, 118.8)):
            self.reading(460, date(2026, month, 1), hours, "telematics", 5)
        self.note["unit_not_listed"] = ["460", 3]

    def repetitions(self) -> None:
        for name, places in (
            ("meter_readings", (701, 2204, 4017)),
            ("fault_codes", (120, 640)),
            ("rentals", (333,)),
            ("work_orders", (402,)),
            ("measurements", (77,)),
        ):
            rows = self.books[name]
            for place in places:
                rows.append(dict(rows[place]))
                self.note.setdefault("exact_duplicates", []).append(
                    [name, rows[place].get("machine_id"), rows[place].get("work_order_id")]
                )
        # The same reading handed over twice: the second one is the right one.
        unit, day = 93, _d("2023-12-06")
        right = self.by_unit[unit].shown(self.by_unit[unit].curve[day])
        self.reading(unit, day, round(right + 40, 1))
        self.reading(unit, day, right)
        self.note["corrected_reading"] = [str(unit), day.isoformat(), round(right + 40, 1), right]

    def sort(self) -> None:
        """Files in the order in which an office would export them; sorting is stable, so corrections stay last."""
        keys = {
            "components": ("fitted_on",), "meter_readings": ("read_at",), "meter_changes": ("changed_at",),
            "fault_codes": ("seen_at",), "work_orders": ("work_order_id",), "work_lines": ("work_order_id", "line_no"),
            "measurements": ("measured_at",), "rentals": ("out_at",),
        }  # fmt: skip
        for name, columns in keys.items():
            self.books[name].sort(key=lambda row, columns=columns: tuple(_sortable(row[c]) for c in columns))


def rehearse(m: Machine) -> float:
    """The hours at which a scripted unit must begin to end about where its story wants it.

    How much a machine runs depends a little on when it stands in the shop, so a few tries are made and the
    nearest is taken.
    """
    assert m.script
    if m.acquired >= BOOKS_BEGIN:
        return m.acquired_hours
    start, tries = m.script.end_hours - 6 * m.rate, []
    for _ in range(8):
        rehearsal = next(x for x in make_machines() if x.unit == m.unit)
        rehearsal.hours = start
        stage = Yard()
        stage.furnish(rehearsal, Dice(9, m.unit))
        stage.live(rehearsal, keep=False)
        miss = m.script.end_hours - rehearsal.hours
        tries.append((abs(miss), start))
        if abs(miss) < 10:
            break
        start = round(start + miss, 1)
    return min(tries)[1]


def _workday(day: date) -> date:
    """That day, or the Monday after."""
    return day + timedelta(days=max(0, 7 - day.weekday())) if day.weekday() > 4 else day


def _sortable(value: object) -> str:
    if isinstance(value, datetime):
        return value.isoformat(timespec="minutes")
    if isinstance(value, int):
        return f"{value:06d}"
    return str(value)


def _text(value: object, column: str) -> str:
    """How a value stands in the file."""
    if value is None:
        return ""
    if isinstance(value, datetime):
        return value.isoformat(timespec="minutes")
    if isinstance(value, float):
        text = f"{value:.2f}"
        if column.endswith("_cost"):
            return text
        return text[:-1] if text.endswith("0") else text
    return str(value)


def write_csv(yard: Yard, folder: Path) -> None:
    """Writes the nine files; a rental that began and ended on one day before the shop took the machine is dropped."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, columns in COLUMNS.items():
        with (folder / f"{name}.csv").open("w", encoding="utf-8", newline="") as file:
            writer = csv.writer(file, lineterminator="\n")
            writer.writerow(columns)
            for row in yard.books[name]:
                if name == "rentals" and row["in_at"] == row["out_at"]:
                    continue
                writer.writerow([_text(row.get(column), column) for column in columns])


# ---------------------------------------------------------------------------------------------------------------
# The truth, for comparison.


def product_limit(spells: Sequence[tuple[float, float, bool]], at: float) -> float:
    """Share surviving `at`, from (entry, exit, failed) with delayed entry."""
    share = 1.0
    for age in sorted({x for _, x, failed in spells if failed and x <= at}):
        exposed = sum(1 for entry, leave, _ in spells if entry < age <= leave)
        share *= 1 - sum(1 for _, leave, failed in spells if failed and leave == age) / exposed
    return share


def truth(yard: Yard) -> Row:
    """What really happened: bushing lives, cases with their cause, and how every attempt fared."""
    spells, cases, attempts = [], [], []
    codes: dict[tuple[int, str], list[float]] = {}
    for unit, side, hours, _ in yard.code_log:
        codes.setdefault((unit, side), []).append(hours)
    for m in yard.machines:
        if m.control == "manual":
            continue
        now = [(s, b, "sold" if m.disposed else "running") for s, b in m.bushings.items()]
        before = [
            (s, b, b.outcome)
            for b in m.past
            for s in SIDES
            if b in m.past and b is not None and _side_of(m, b) == s
        ]
        for side, b, outcome in before + now:
            spells.append({
                "machine_id": m.name, "side": side, "variant": b.variant, "fitted_on": b.fitted_on.isoformat(),
                "entry_age": round(b.observed_from - b.fitted_hours, 1),
                "exit_age": round((b.ended_hours if b.ended_hours is not None else m.hours) - b.fitted_hours, 1),
                "exit_on": b.ended_on.isoformat() if b.ended_on else None, "outcome": outcome,
                "onset_age": round(b.onset_hours - b.fitted_hours, 1) if b.onset_hours is not None else None,
                "life": round(b.life, 1),
            })  # fmt: skip
        for c in m.closed_cases + [c for side in SIDES for c in m.cases[side]]:
            cases.append({
                "machine_id": m.name, "side": c.side, "cause": c.cause, "both_sides": c.shared, "fmi": c.fmi,
                "onset_on": c.onset_on.isoformat(), "onset_hours": round(c.onset_hours, 1),
                "first_code_on": c.first_code_on.isoformat() if c.first_code_on else None, "codes": c.count,
                "visits": c.visits, "calibrations": c.calibrations, "sensors": c.sensors,
                "cured_on": c.cured_on.isoformat() if c.cured_on else None, "cured_by": c.cured_by,
                "open": c.cured_on is None and m.disposed is None and c.first_code_on is not None,
                "site": m.site, "variant": _variant_at(m, c),
            })  # fmt: skip
            for place, a in enumerate(c.attempts, 1):
                order = a["order"]
                if "true_hours_out" not in order or order["closed"] > AS_OF:
                    continue
                out = order["true_hours_out"]
                later = [h for h in codes.get((m.unit, c.side), []) if h > out]
                attempts.append({
                    "machine_id": m.name, "side": c.side, "cause": c.cause, "action": a["action"],
                    "work_order_id": order["id"], "closed_on": order["closed"].isoformat(),
                    "comeback_hours": round(min(later) - out, 1) if later else None,
                    "watched_hours": round(m.hours - out, 1), "site": m.site,
                    "cured": c.cured_on is not None and c.cured_on == order["closed"],
                    "recorded": bool(order.get("written")),
                    "last_step": not any(b["order"] is order for b in c.attempts[place:]),
                })  # fmt: skip
    facts = {"planted": yard.planted, "spells": spells, "cases": cases, "attempts": attempts}
    return {"seed": SEED, "as_of": AS_OF.isoformat(), "summary": summary(yard, facts), **facts}


FAILED = ("worn, by code", "worn, found when opened", "pump replaced, worn")


def summary(yard: Yard, facts: Row) -> Row:
    """The figures that the README tells; its tests compare the two."""
    cases, attempts = facts["cases"], facts["attempts"]
    original = [s for s in facts["spells"] if s["variant"] == "original"]
    watched = [(s["entry_age"], s["exit_age"], s["outcome"] in FAILED) for s in original]
    sensors = [a for a in attempts if a["action"] == "sensor" and a["recorded"]]
    vain = [a for a in sensors if a["cause"] != "position_sensor"]
    vain_orders = {(a["work_order_id"], a["side"]) for a in vain}
    vain_lines = [
        line
        for order in yard.orders
        for line in order["lines"]
        if line["component"] == "position_sensor"
        and line["action"] == "replace"
        and any(order["id"] == w and line["side"] in (side, "") for w, side in vain_orders)
    ]
    calibrated = [a for a in attempts if a["action"] == "calibrate" and a["last_step"] and a["recorded"]]
    worn = [a for a in calibrated if a["cause"] == "internal_bushing"]
    lost = [a for a in calibrated if a["cause"] == "calibration"]

    def back(rows: list[Row], within: float) -> int:
        return sum(a["comeback_hours"] is not None and a["comeback_hours"] <= within for a in rows)

    def custom(rows: list[Row]) -> Row:
        return {
            "cases": len(rows),
            "visits": round(sum(c["visits"] for c in rows) / len(rows), 1),
            "sensors": sum(c["sensors"] for c in rows),
        }

    def count(rows: list[Row], key: str) -> Row:
        return {value: sum(r[key] == value for r in rows) for value in sorted({r[key] for r in rows})}

    mended = [c for c in cases if c["cause"] == "internal_bushing" and c["cured_on"]]
    closed = [c for c in cases if c["cured_on"] and c["visits"] and c["onset_on"] >= EARLY_SINCE.isoformat()]
    late = [c for c in mended if c["onset_on"] >= EARLY_SINCE.isoformat()]
    shape, scale = ORIGINAL_LIFE
    return {
        "machines": len(yard.machines),
        "on_the_yard": sum(m.disposed is None for m in yard.machines),
        "manual": sum(m.control == "manual" for m in yard.machines),
        "original_at_first": len({s["machine_id"] for s in original}),
        "original_lives": len(original),
        "original_failed": sum(failed for *_, failed in watched),
        "original_failed_by_side": count([s for s in original if s["outcome"] in FAILED], "side"),
        "improved_failed": sum(
            s["variant"] == "improved" and s["outcome"] in FAILED for s in facts["spells"]
        ),
        "failed_by_5000_law": round(100 * (1 - math.exp(-((5000 / scale) ** shape)))),
        "failed_by_5000_seen": round(100 * (1 - product_limit(watched, 5000))),
        "cases": count(cases, "cause"),
        "sensors_replaced": len(sensors),
        "sensors_in_vain": len(vain),
        "sensors_in_vain_on_bushings": sum(a["cause"] == "internal_bushing" for a in vain),
        "sensors_in_vain_labour_hours": round(sum(x["labour_hours"] for x in vain_lines)),
        "twice_in_vain": sorted({c["machine_id"] for c in cases if c["sensors"] > 1}, key=int),
        "calibrated_worn": [len(worn), back(worn, 100)],
        "calibrated_lost": [len(lost), back(lost, 100)],
        "early_site_all_causes": custom([c for c in closed if c["site"] == EARLY_SITE]),
        "other_sites_all_causes": custom([c for c in closed if c["site"] != EARLY_SITE]),
        "early_site": custom([c for c in late if c["site"] == EARLY_SITE]),
        "other_sites": custom([c for c in late if c["site"] != EARLY_SITE]),
        "before": custom([c for c in mended if c not in late]),
        "open": [[c["machine_id"], c["side"], c["cause"]] for c in cases if c["open"]],
    }


def _side_of(m: Machine, bushing: Bushing) -> str:
    return m.sides_of[id(bushing)]


def _variant_at(m: Machine, case: Case) -> str:
    for b in m.past:
        if (
            _side_of(m, b) == case.side
            and b.ended_hours is not None
            and b.fitted_hours <= case.onset_hours <= b.ended_hours
        ):
            return b.variant
    return m.bushings[case.side].variant


def main(arguments: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description="Make the files of the demo fleet.")
    parser.add_argument(
        "--out", type=Path, default=Path(__file__).resolve().parent, help="folder for the CSV files"
    )
    parser.add_argument("--truth", type=Path, help="write what really happened to this JSON file")
    options = parser.parse_args(arguments)
    yard = Yard()
    yard.run()
    write_csv(yard, options.out)
    if options.truth:
        options.truth.write_text(json.dumps(truth(yard), indent=1, default=str) + "\n", encoding="utf-8")


def _line(component: str, side: str, action: str, labour: float, parts: float, result: str = "", finding: str = "",
          variant: str = "", part: str = "", quantity: int = 1) -> Row:  # fmt: skip
    labour = round(labour * 4) / 4 if labour > 2 else round(labour, 1)
    return {
        "component": component, "side": side, "action": action, "result": result, "finding": finding,
        "variant": variant, "part_number": part, "quantity": quantity if parts else None, "labour_hours": labour,
        "labour_cost": round(labour * LABOUR_RATE, 2), "parts_cost": round(parts, 2) if parts else None, "note": "",
    }  # fmt: skip


if __name__ == "__main__":
    main()
