"""Makes the files of the demo fleet: an invented yard group, six years, every cause known to us alone.

    python demo_data/make_demo.py [--out FOLDER] [--truth FILE.json]

The script lets some two hundred machines live day by day: they are rented, they run, their bushings wear,
codes chatter, the shop does what shops do, and the books are kept the way books are kept. What the yard
would know goes to CSV files; what only the inventor knows goes to --truth. Everything here is made up, and
nothing in it is evidence about real machines.

The same seed gives the same bytes: every machine and every purpose (life, usage, shop, text) has its own
random stream, spawned from one seed, and only plain uniform numbers are taken from it. All other shapes are
computed here, so a new numpy does not shuffle the fleet.
"""

from __future__ import annotations

import argparse
import csv
import json
import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from functools import partial
from pathlib import Path
from statistics import NormalDist
from typing import Any, TypeVar

import numpy as np

SEED = 20260630
BOOKS_BEGIN = date(2020, 7, 1)
AS_OF = date(2026, 6, 30)
IMPROVED_FROM = date(2017, 12, 1)  # pumps built from here on carry the improved bushing
HALL_FROM = date(2019, 6, 1)  # machines built from here on carry contactless sensors (invented)

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
PLAY_SHOWS = 0.88  # share of its life from which a mechanic calls a bushing worn
SEASON = (0.50, 0.58, 0.85, 1.05, 1.20, 1.22, 1.18, 1.18, 1.15, 1.08, 0.90, 0.62)
NORMAL = NormalDist()
SIDES = ("left", "right")
Row = dict[str, Any]
T = TypeVar("T")

COLUMNS = {
    "machines": "machine_id pin serial_number make model machine_type build_date control site acquired_on"
    " hours_at_acquisition disposed_on hours_at_disposal",
    "components": "machine_id component side variant serial_number built_on fitted_on fitted_hours removed_on"
    " removed_hours removal_reason",
    "meter_readings": "machine_id read_at hours source",
    "meter_changes": "machine_id changed_at old_meter_hours new_meter_hours",
    "fault_codes": "machine_id seen_at hours spn fmi occurrence_count code description status side source",
    "work_orders": "work_order_id machine_id opened_at closed_at hours site complaint cause"
    " correction status",
    "work_lines": "work_order_id line_no done_at component side action result finding variant part_number"
    " quantity labour_hours labour_cost parts_cost note",
    "measurements": "machine_id measured_at hours quantity side value unit",
    "rentals": "machine_id out_at in_at day_rate",
}


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


# --------------------------------------------------------------------------------------------------
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
    quiet: float | None = 0.0  # running hours without codes; None: cured
    volts: float = 2.0
    complaint: str = ""
    cause: str = ""
    correction: str = ""
    stays_open: bool = False


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
        return {x.side for x in self.onsets} | {x.side for x in self.visits}

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
                  "same code again LH", "sensor",
                  "raised engine, repl. LH pos sensor, set to 2.0, calibrated"),
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
                  "R drive not in neutral, machine locked out", "",
                  "no signal at sensor plug. to be continued",
                  stays_open=True),
        ),
    ),
    # Both sides in the same week, days after a battery was changed.
    117: Script(
        _d("2016-09-20"), _d("2016-07-28"), _d("2016-11-03"), 3910.0, 520.0, "skid_steer_loader",
        site="Alder Cross",
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
            Visit(_d("2026-05-20"), "right", ("wiring", "volts", "calibrate"), None, 2.31,
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
            Visit(_d("2026-05-21"), "right", ("sensor",), 22.0, 2.0,
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
                  "L drive jerks, neutral code comes and goes", "",
                  "harness ok end to end, signal drops out when tapped"),
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
            Visit(_d("2024-04-16"), "left", ("bushing",), None, 2.0,
                  "LH neutral again", "bushing worn egg shaped",
                  "engine out, split pump, new bushing LH, cal ok"),
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
    29: Script(
        _d("2014-03-11"), _d("2014-01-20"), _d("2014-05-06"), 6120.0, 560.0, site="Brindle Fork",
        visits=(
            Visit(_d("2025-11-12"), "left", ("volts only",), 0.0, 2.11),
            Visit(_d("2026-02-17"), "left", ("volts only",), 0.0, 1.87),
            Visit(_d("2026-06-02"), "left", ("volts only",), 0.0, 2.16),
        ),
    ),
    51: Script(
        _d("2015-07-14"), _d("2015-06-02"), _d("2015-09-01"), 5480.0, 590.0, "skid_steer_loader", "Dunlin",
        "Tolbeck",
        visits=(
            Visit(_d("2026-01-20"), "right", ("volts only",), 0.0, 2.13),
            Visit(_d("2026-05-27"), "right", ("volts only",), 0.0, 1.90),
        ),
    ),
    69: Script(
        _d("2015-10-20"), _d("2015-08-31"), _d("2015-12-14"), 5830.0, 650.0, site="Wrenmouth",
        visits=(
            Visit(_d("2025-12-09"), "right", ("volts only",), 0.0, 1.92),
            Visit(_d("2026-05-12"), "right", ("volts only",), 0.0, 2.14),
        ),
    ),
}  # fmt: skip


# --------------------------------------------------------------------------------------------------
# The machine and its parts.


@dataclass
class Bushing:
    """One bushing's life; hours are the machine's true running hours."""

    side: str
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

    def due(self, day: date, hours: float) -> bool:
        """True when somebody brings the machine in for it today."""
        waiting = self.visit_on is not None and self.visit_on <= day
        return waiting and self.quiet_until <= hours and not self.scripted


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
    visited: int = 0  # visits of the script that are over
    onsets_seen: list[Onset] = field(default_factory=list)
    cases: dict[str, list[Case]] = field(default_factory=dict)
    closed_cases: list[Case] = field(default_factory=list)
    next_other: dict[tuple[str, str], float] = field(default_factory=dict)
    centre: dict[str, float] = field(default_factory=dict)
    curve: dict[date, float] = field(default_factory=dict)
    meter_zero: float = 0.0
    disposed_hours: float | None = None
    service_at: float = 0.0
    wear_at: dict[str, float] = field(default_factory=dict)
    check_on: date = BOOKS_BEGIN
    reading_on: date = BOOKS_BEGIN

    @property
    def name(self) -> str:
        return str(self.unit)

    def shown(self, hours: float) -> float:
        """What the hour meter shows at these true running hours."""
        return round(hours - self.meter_zero, 1)

    def wear(self, side: str) -> float:
        """How far the bushing is through its life; at 1 it sets codes."""
        bushing = self.bushings[side]
        return (self.hours - bushing.fitted_hours) / bushing.life

    def variant_before(self, side: str, day: date) -> str:
        """The generation of the bushing that ended on that day."""
        return next((b.variant for b in self.past if b.side == side and b.ended_on == day), "")

    def let_chance(self, day: date) -> float:
        """Chance that somebody rents the machine today when it stands ready."""
        if self.script and self.script.busy(day):
            return 0.85
        return min(0.9, 0.20 * SEASON[day.month - 1])


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
WORDINGS = (
    "{Side} drive does not return to neutral",
    "{Side} drive does not return to neutral",
    "{SIDE} DRIVE DOES NOT RETURN TO NEUTRAL",
    "{Side} drive not in neutral",
    "{S} drive does not return to neutral",
)
TEXT_CODES = {"Marram": ("DN-L7", "DN-R7"), "Dunlin": ("", ""), "Tolvane": ("TV61-LH", "TV61-RH")}

METER_SWAPS = {  # unit -> (day, hours on the new meter, whether somebody wrote it down)
    33: (_d("2022-03-14"), 0.0, True),
    104: (_d("2023-09-05"), 0.0, True),
    146: (_d("2024-06-18"), 212.4, True),
    71: (_d("2021-05-11"), 0.0, False),
}


# Share of the machines sold within the six years, by build year; the ends stand for what lies beyond.
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
            "manual" if manual else "electronic_joystick", site, pump_built, acquired, acquired_hours,
            disposed,            rate, start, hours, script,
        )  # fmt: skip
        machine.sensor_kind = "hall_effect" if build >= HALL_FROM else "potentiometer"
        if d.chance(0.06):
            gap = start + timedelta(days=d.whole(60, 900))
            machine.telematics_gap = (gap, gap + timedelta(days=d.whole(70, 190)))
        machines.append(machine)
    return machines


# --------------------------------------------------------------------------------------------------
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
    wear = machine.wear(side)
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


# --------------------------------------------------------------------------------------------------
# The shop.


@dataclass
class Order:
    """A visit to the shop: what is written down (lines) and what it does to the machine (effects)."""

    machine: Machine
    opened: date
    closed: date
    hours: float  # on the meter
    complaint: str
    kind: str = "other"
    cause: str = ""
    correction: str = ""
    lines: list[Row] = field(default_factory=list)
    written: list[Row] = field(default_factory=list)
    effects: list[tuple[str, Any, Any]] = field(default_factory=list)
    done: list[str] = field(default_factory=list)
    measured: set[str] = field(default_factory=set)
    cured: set[int] = field(default_factory=set)
    number: str = ""
    hours_out: float | None = None  # true machine hours when it left the shop

    def line(
        self, component: str, side: str, action: str, labour: float, parts: float = 0.0, **more: Any
    ) -> None:
        self.lines.append(work_line(component, side, action, labour, parts, **more))

    def quiet(self, case: Case, hours: float) -> None:
        """The codes of this case stay away for so many running hours."""
        self.effects.append(("quiet", case, hours))

    def cure(self, case: Case, how: str) -> None:
        self.effects.append(("cure", case, how))
        self.cured.add(id(case))

    def renew(self, side: str, why: str) -> None:
        """The bushing of that side ends its life here, for this reason."""
        self.effects.append(("bushing", side, why))

    def tells_worn(self, side: str) -> bool:
        """True when the office's lines say that this side's bushing was worn."""
        return any(
            line["component"] == "internal_bushing"
            and line["side"] == side
            and line["finding"] in ("worn", "broken")
            for line in self.written
        )

    def attempt(self, case: Case, action: str) -> None:
        case.attempts.append({"order": self, "action": action})


def work_line(
    component: str,
    side: str,
    action: str,
    labour: float,
    parts: float = 0.0,
    result: str = "",
    finding: str = "",
    variant: str = "",
    part: str = "",
    quantity: int = 1,
) -> Row:
    """One line of a work order; hours as a shop notes them, the longer the rounder."""
    labour = round(labour * 4) / 4 if labour > 2 else round(labour, 1)
    return {
        "component": component, "side": side, "action": action, "result": result, "finding": finding,
        "variant": variant, "part_number": part, "quantity": quantity if parts else None,
        "labour_hours": labour, "labour_cost": round(labour * LABOUR_RATE, 2),
        "parts_cost": round(parts, 2) if parts else None, "note": "",
    }  # fmt: skip


SIDE_WORDS = {"left": ("left", "LH", "L", "l/h", "L side"), "right": ("right", "RH", "R", "r/h", "R side")}
COMPLAINTS = (
    "{S} drive does not return to neutral",
    "code on dash, {S} drive",
    "{S} neutral fault, drive locks out",
    "cust: drive kicks out, {S} not in neutral",
    "won't move, neutral code {S}",
    "stops after turning, {S} neutral code",
    "{S} drive neutral code off and on",
    "creeps then shuts drive off, {S}",
    "neutral code {S} since yesterday",
)
AGAIN = (
    "same code again {S}",
    "back in, {S} neutral",
    "comeback - {S} not in neutral",
    "{S} neutral code back",
    "again {S} drive neutral, see last WO",
    "cust unhappy, {S} code back",
    "{S} neutral fault came back on rent",
)
# What the mechanic writes into the correction for a step, and into the cause.
CORRECTION = {
    "wiring": (
        "checked wiring, ok", "harness ok", "wiring + plugs good", "looked over harness nfg found",
        "conn. clean + tight",
    ),
    "harness": (
        "repaired harness", "fixed wire, loomed + tied up", "new pigtail", "repl conn + greased",
    ),
    "volts": ("{v} V at sensor", "sensor reads {v}", "neutral {v}V"),
    "cal": ("calibrated", "cal ok", "recal pump, ok", "ran calibration, passed", "centered + calibrated"),
    "cal failed": ("cal fails", "won't calibrate", "calibration failed x2"),
    "sensor": (
        "repl sensor", "new pos. sensor + cal", "R&R sensor, engine raised", "replaced sensor, cal ok",
    ),
    "bushing": (
        "engine out, split pump, new bushing", "R&R pump, repl bushing, new oil",
        "pump apart, bushing repl, cal ok",
    ),
    "other side too": ("did other side too", "both sides done", "other bushing while open"),
    "pump": ("new pump", "replaced drive pump compl."),
    "servo": ("repaired on bench", "parts repl.", "rebuilt"),
    "rotating_group": ("repaired on bench", "parts repl.", "rebuilt"),
}  # fmt: skip
CAUSE = {
    "harness damaged": ("harness chafed", "wire rubbed thru at frame"),
    "harness corroded": ("corroded plug", "green conn."),
    "harness loose": ("loose pin", "plug not seated"),
    "harness broken": ("broken wire", "wire broken inside insul."),
    "sensor": ("sensor", "bad sensor?", "pos sensor", ""),
    "bushing worn": ("bushing worn", "bushing egg shaped", "play in bushing"),
    "pump": ("pump worn", "pump scored", "pump"),
    "servo": ("servo sticking", "servo piston scored"),
    "rotating_group": ("slippers worn", "valve plate scored"),
}


def words_for(done: list[str], d: Dice) -> tuple[str, str]:
    """Correction and cause in workshop language; `done` holds steps, some with what came out of them."""
    texts, cause = [], ""
    for step in done:
        name, _, outcome = step.partition(" ")
        key = step if step in CORRECTION else name
        if step in CAUSE and not (key == "sensor" and cause):
            cause = d.pick(CAUSE[step])
        if step == "bushing broken":
            cause = "bushing broken"
        texts.append(d.pick(CORRECTION[key]).format(v=outcome))
    return ", ".join(texts), cause


class Shop:
    """What the shop does with one machine."""

    def __init__(self, yard: Yard, machine: Machine) -> None:
        self.yard = yard
        self.m = machine
        self.dice = Dice(3, machine.unit)
        self.words = Dice(4, machine.unit)

    def order(self, day: date, days: int, complaint: str, kind: str) -> Order:
        return Order(
            self.m, day, workday(day + timedelta(days=days)), self.m.shown(self.m.hours), complaint, kind
        )

    # -- ordinary work

    def service(self, day: date) -> Order:
        d = self.dice
        texts = ("500 h service", "service due", "PM service", "service 500", "oil + filters", "PM")
        order = self.order(day, d.whole(0, 1), self.words.pick(texts), "service")
        order.line("engine", "", "inspect", d.between(1.5, 3.2), d.between(95, 210), result="passed")
        if d.chance(0.3):
            order.line("hydraulic_oil", "", "replace", d.between(0.6, 1.2), d.between(140, 320))
        return order

    def running_gear(self, day: date) -> Order:
        d, belts = self.dice, self.m.machine_type == "compact_track_loader"
        part, pieces = ("track", 2) if belts else ("tire", 4)
        texts = (f"{part}s worn", f"new {part}s", "track torn" if belts else "tires bald")
        order = self.order(day, d.whole(0, 2), self.words.pick(texts), "running_gear")
        labour = d.between(2.0, 4.5)
        price = d.between(2100, 3200) if belts else d.between(780, 1400)
        order.line(part, "", "replace", labour, price, finding="worn", quantity=pieces)
        return order

    def battery(self, day: date) -> Order:
        d = self.dice
        texts = ("won't crank", "dead battery", "slow crank", "jump started twice")
        order = self.order(day, 0, self.words.pick(texts), "battery")
        order.correction = "new battery"
        order.line("battery", "", "replace", d.between(0.4, 0.9), d.between(145, 215), finding="worn")
        return order

    def cooling(self, day: date) -> Order:
        d, words = self.dice, self.words
        days = d.whole(0, 1)
        order = self.order(day, days, words.pick(("runs hot", "overheats on rent", "temp light")), "cooling")
        order.correction = words.pick(("blew out rad", "cleaned cooler", "rad + cooler cleaned"))
        labour = d.between(0.8, 2.2)
        order.line(
            "cooling", "", "clean", labour, result="passed", finding="dirty" if words.chance(0.3) else ""
        )
        return order

    def other(self, day: date) -> Order:
        d = self.dice
        jobs = (
            ("other", "bucket pins loose", 160), ("other", "door glass broken", 310),
            ("drive_motor", "drive motor leaks", 640), ("engine", "hard start", 120),
            ("other", "work light out", 45), ("other", "seat switch", 85),
            ("controller", "joystick dead band, update", 0),
        )  # fmt: skip
        part, what, price = d.pick(jobs, (0.24, 0.15, 0.10, 0.16, 0.16, 0.14, 0.05))
        order = self.order(day, d.whole(0, 3), what, "other")
        side = d.pick(SIDES) if part == "drive_motor" else ""
        labour = d.between(0.7, 5.0)
        order.line(part, side, "repair" if price else "adjust", labour, price * d.between(0.8, 1.25))
        return order

    def yearly_check(self, day: date) -> Order:
        """Where the shop has a meter at hand, the neutral voltages are written down."""
        texts = ("annual check", "yearly insp", "annual inspection")
        order = self.order(day, 0, self.words.pick(texts), "check")
        order.line("other", "", "inspect", self.dice.between(1.0, 1.8), result="passed")
        if self.dice.chance(0.55):
            for side in SIDES:
                self.measure(day, side, neutral_volts(self.m, side, self.dice))
        return order

    def measure(self, day: date, side: str, value: float) -> None:
        self.yard.books["measurements"].append({
            "machine_id": self.m.name, "measured_at": day, "hours": self.m.shown(self.m.hours),
            "quantity": "sensor_neutral_voltage", "side": side, "value": f"{value:.2f}", "unit": "V",
        })  # fmt: skip

    # -- bushings ahead of time

    def opens_early(self, day: date) -> bool:
        return self.m.site == EARLY_SITE and day >= EARLY_SINCE

    def worth_opening(self, day: date) -> bool:
        """One site opens old pumps in winter, before they ask for it."""
        m = self.m
        return (
            self.opens_early(day)
            and day.month in (1, 2, 11, 12)
            and m.control != "manual"
            and m.script is None
            and not any(m.cases[side] for side in SIDES)
            and any(b.variant == "original" and m.hours - b.fitted_hours > 4300 for b in m.bushings.values())
        )

    def preventive(self, day: date) -> Order:
        """Bushings replaced ahead; what the mechanic finds decides whether that was a failure."""
        m, d = self.m, self.dice
        order = self.order(day, d.whole(3, 6), "pump bushings before season", "preventive")
        order.correction = self.words.pick(("both bushings while idle", "bushings done ahead, cal ok"))
        for place, side in enumerate(s for s in SIDES if m.bushings[s].variant == "original"):
            worn = m.wear(side) > PLAY_SHOWS
            labour = d.between(12.0, 15.0) if place == 0 else d.between(1.0, 2.2)
            self.new_bushing(order, side, labour, "worn" if worn else "no_fault_found", "improved")
            order.renew(side, "worn, found when opened" if worn else "sound, replaced")
        order.line("hydraulic_oil", "", "replace", 0.6, d.between(120, 260))
        order.line("drive_pump", "", "calibrate", d.between(0.8, 1.3), result="passed")
        return order

    @staticmethod
    def new_bushing(order: Order, side: str, labour: float, finding: str, variant: str) -> None:
        order.line(
            "internal_bushing",
            side,
            "replace",
            labour,
            4.60,
            finding=finding,
            variant=variant,
            part="BU-0460",
        )

    # -- the neutral fault, by custom

    def neutral_visit(self, day: date) -> Order:
        """The shop meets the neutral fault and works its way from the cheap steps to the dear ones."""
        d, words = self.dice, self.words
        sick = [
            case
            for side in SIDES
            for case in self.m.cases[side]
            if case.first_code_on and not case.scripted and case.quiet_until <= self.m.hours
        ]
        one_side = len({case.side for case in sick}) == 1
        side_words = words.pick(SIDE_WORDS[sick[0].side] if one_side else ("L+R", "both", "LH + RH"))
        first = all(case.visits == 0 for case in sick)
        complaint = words.pick(COMPLAINTS if first else AGAIN).format(S=side_words)
        order = self.order(day, 0, complaint, "neutral")
        for case in sick:
            if id(case) in order.cured:
                continue
            case.visits += 1
            case.visit_on = None
            self.work_on(day, case, order)
            if case.shared and case.cause == "wiring" and id(case) in order.cured:
                for other in sick:  # one ground, one supply: what cures this side cures the other
                    if other is not case and other.shared and other.cause == "wiring":
                        order.cure(other, "harness")
                        other.visit_on, other.visits = None, other.visits + 1
        for case in sick:
            if case.cause == "unknown":  # it has gone by itself when the machine comes out again
                order.cure(case, "nothing")
        order.correction, order.cause = words_for(order.done, words)
        labour = sum(line["labour_hours"] for line in order.lines)
        wait = d.whole(0, 2) if labour < 5 else d.whole(1, 4) if labour < 10 else d.whole(3, 9)
        order.closed = workday(day + timedelta(days=int(labour / 7) + wait))
        return order

    def work_on(self, day: date, case: Case, order: Order) -> None:
        d = self.dice
        if self.look_at_wiring(case, order):
            return
        if case.side not in order.measured and d.chance(0.72):
            order.measured.add(case.side)
            value = neutral_volts(self.m, case.side, d)
            self.measure(day, case.side, value)
            order.done.append(f"volts {value:.2f}")
            if d.chance(0.45):
                order.line("position_sensor", case.side, "test", 0.5, result=verdict(value))
        step = self.next_step(day, case)
        if step == "calibrate":
            accepted = self.calibrate(case, order)
            if accepted or case.visits < 2 or d.chance(0.5):
                return
            step = "sensor" if case.sensors == 0 and not self.opens_early(day) else "bushing"
        if step == "sensor":
            self.replace_sensor(day, case, order)
        else:
            self.open_pump(day, case, order)

    def next_step(self, day: date, case: Case) -> str:
        """By custom the pump stays shut as long as anything else can be tried."""
        d, early = self.dice, self.opens_early(day)
        bushing = self.m.bushings[case.side]
        susceptible = bushing.variant == "original" and self.m.hours - bushing.fitted_hours > 3000
        if early and case.visits == 1 and susceptible and d.chance(0.45):
            return "bushing"
        if case.calibrations == 0 and d.chance(0.9):
            return "calibrate"
        if early and d.chance(0.85 if susceptible else 0.5):
            return "bushing"
        if case.sensors == 0 and d.chance(0.72 if day.year < 2025 else 0.62):
            return "sensor"
        if case.calibrations < 2 and d.chance(0.45):
            return "calibrate"
        if case.sensors == 1 and d.chance(0.16):
            return "sensor"
        return "bushing"

    def look_at_wiring(self, case: Case, order: Order) -> bool:
        """Wiring rules itself out by looking, so it comes first. True when that was it."""
        d = self.dice
        if not d.chance(0.3 if case.wiring_checked else 0.85 if case.visits == 1 else 0.6):
            return False
        case.wiring_checked = True
        if case.cause == "wiring" and d.chance(0.74):
            finding = d.pick(("damaged", "corroded", "loose", "broken"), (0.4, 0.3, 0.18, 0.12))
            order.done.append(f"harness {finding}")
            action = d.pick(("repair", "replace"), (0.75, 0.25))
            labour, parts = d.between(1.2, 3.5), d.between(40, 120)
            noted = finding if d.chance(0.9) else ""
            number = f"H-{d.whole(2100, 2900)}"
            order.line("wiring", case.side, action, labour, parts, finding=noted, part=number)
            order.cure(case, "harness")
            order.attempt(case, "wiring")
            return True
        if "wiring" not in order.done:
            order.done.append("wiring")
            labour = d.between(0.6, 1.5)
            noted = "no_fault_found" if d.chance(0.6) else ""
            order.line("wiring", case.side, "inspect", labour, result="passed", finding=noted)
        return False

    def calibrate(self, case: Case, order: Order) -> bool:
        """True when the calibration was accepted; whether it holds is another matter."""
        d, cause = self.dice, case.cause
        case.calibrations += 1
        order.attempt(case, "calibrate")
        refused = {"internal_bushing": 0.28, "calibration": 0.02, "unknown": 0.02}.get(cause, 0.5)
        if d.chance(refused):
            order.done.append("cal failed")
            order.line("drive_pump", case.side, "calibrate", d.between(0.8, 1.6), result="failed")
            order.quiet(case, d.expo(3.0))
            return False
        order.done.append("cal")
        labour = d.between(0.7, 1.3)
        result = "passed" if d.chance(0.9) else ""
        noted = "out_of_adjustment" if cause == "calibration" and d.chance(0.6) else ""
        order.line("drive_pump", case.side, "calibrate", labour, result=result, finding=noted)
        if cause == "calibration" and d.chance(0.94):
            order.cure(case, "calibration")
        elif cause == "unknown":
            order.cure(case, "nothing")
        elif cause == "internal_bushing":
            order.quiet(case, 3.0 + d.expo(30.0) if d.chance(0.93) else d.between(100.0, 320.0))
        else:
            order.quiet(case, 1.0 + d.expo(18.0))
        return True

    def replace_sensor(self, day: date, case: Case, order: Order) -> None:
        """The engine is raised to get at it; a calibration always goes with it."""
        d, cause = self.dice, case.cause
        case.sensors += 1
        order.attempt(case, "sensor")
        order.done.append("sensor")
        if cause == "position_sensor":
            noted = d.pick(("broken", "worn", ""), (0.5, 0.35, 0.15))
        else:
            noted = d.pick(("no_fault_found", "", "worn"), (0.42, 0.54, 0.04))
        hall = self.m.sensor_kind == "hall_effect" or day.year >= 2023
        kind, number = ("hall_effect", "SN-4432") if hall else ("potentiometer", "SN-4410")
        labour = d.between(5.0, 7.6)
        price = 182.40 if day.year < 2024 else 196.90
        shown = kind if d.chance(0.6) else ""
        order.line(
            "position_sensor", case.side, "replace", labour, price, finding=noted, variant=shown, part=number
        )
        order.line("drive_pump", case.side, "calibrate", d.between(0.6, 1.1), result="passed")
        if cause in ("position_sensor", "unknown"):
            order.cure(case, "sensor")
        elif cause == "calibration":
            order.cure(case, "calibration")
        elif cause == "wiring" and d.chance(0.3):
            order.cure(case, "connector disturbed")
        elif cause == "internal_bushing":
            order.quiet(case, min(150.0, 20.0 + d.expo(45.0)))
        else:
            order.quiet(case, 4.0 + d.expo(30.0))

    def open_pump(self, day: date, case: Case, order: Order) -> None:
        """Engine out, pump split: the long job."""
        m, d, side, cause = self.m, self.dice, case.side, case.cause
        order.attempt(case, "bushing")
        other = SIDES[1 - SIDES.index(side)]
        willing = d.chance(0.8 if self.opens_early(day) else 0.55 if day.year >= 2024 else 0.32)
        both = willing and m.bushings[other].variant == "original" and m.script is None
        whole = m.script is None and d.chance(0.5 if cause == "servo_or_rotating_group" else 0.05)
        worn = cause == "internal_bushing"
        finding = d.pick(("worn", "broken", ""), (0.82, 0.09, 0.09)) if worn else "no_fault_found"
        if whole:
            self.new_pump(case, order)
        else:
            order.done.append(f"bushing {finding or 'done'}")
            labour = d.between(12.0, 15.0)
            self.new_bushing(order, side, labour, finding, "improved" if d.chance(0.7) else "")
            order.renew(side, "worn, by code" if worn else "sound, replaced")
            self.what_else_it_cures(case, order)
            if both:
                self.other_side_too(other, order)
        order.line("hydraulic_oil", "", "replace", d.between(0.4, 0.8), d.between(120, 260))
        calibrated = "" if both or whole else side
        order.line("drive_pump", calibrated, "calibrate", d.between(0.8, 1.3), result="passed")

    def new_pump(self, case: Case, order: Order) -> None:
        d, worn = self.dice, case.cause == "internal_bushing"
        order.done.append("pump")
        if worn or d.chance(0.5):
            result, noted = ("failed", "worn") if worn else ("passed", "no_fault_found")
            order.line("internal_bushing", case.side, "inspect", 0.5, result=result, finding=noted)
        labour, price = d.between(13.0, 17.0), d.between(2600, 3300)
        noted = "worn" if worn else "damaged"
        order.line("drive_pump", "", "replace", labour, price, finding=noted, part="PX-880")
        for side in SIDES:
            gone = any(sick.cause == "internal_bushing" for sick in self.m.cases[side])
            order.renew(side, "pump replaced, worn" if gone else "pump replaced")
            for sick in self.m.cases[side]:
                order.cure(sick, "pump")

    def what_else_it_cures(self, case: Case, order: Order) -> None:
        """A pump that has been apart is put together and calibrated with care."""
        d, cause = self.dice, case.cause
        if (
            cause in ("internal_bushing", "calibration", "unknown")
            or (cause == "position_sensor" and d.chance(0.7))
            or (cause == "wiring" and d.chance(0.5))
        ):
            order.cure(case, "bushing job")
            if cause == "position_sensor":
                more = {"finding": "broken", "part": "SN-4432"}
                order.line("position_sensor", case.side, "replace", 0.5, 196.90, **more)
        elif cause == "servo_or_rotating_group":
            part = d.pick(("servo", "rotating_group"))
            order.done.append(part)
            action = d.pick(("repair", "overhaul", "replace"))
            labour, price = d.between(2.0, 5.0), d.between(180, 900)
            order.line(part, case.side, action, labour, price, finding=d.pick(("worn", "damaged")))
            order.cure(case, part)
        else:
            order.quiet(case, 5.0 + d.expo(30.0))

    def other_side_too(self, side: str, order: Order) -> None:
        """With the pump out, the second bushing costs little more."""
        d = self.dice
        sick = [case for case in self.m.cases[side] if case.cause == "internal_bushing"]
        found = bool(sick) or self.m.wear(side) > PLAY_SHOWS
        order.done.append("other side too")
        labour = d.between(1.0, 2.2)
        variant = "improved" if d.chance(0.7) else ""
        self.new_bushing(order, side, labour, "worn" if found else "no_fault_found", variant)
        if sick:
            order.renew(side, "worn, by code")
        else:
            order.renew(side, "worn, found when opened" if found else "sound, replaced")
        for case in sick:
            order.cure(case, "bushing job")

    # -- visits that are part of a story

    def story_due(self, day: date) -> bool:
        """True when the next visit of the story is due: not before its day, nor before the codes are back."""
        m = self.m
        if m.script is None or m.visited == len(m.script.visits):
            return False
        visit = m.script.visits[m.visited]
        if day < visit.on or visit.steps == ("volts only",):
            return day >= visit.on
        return any(case.scripted and case.count > case.count_at_visit for case in m.cases[visit.side])

    def story_visit(self, day: date) -> Order:
        m, d = self.m, self.dice
        assert m.script is not None
        visit = m.script.visits[m.visited]
        m.visited += 1
        if visit.steps == ("volts only",):
            order = self.order(day, 0, "check over, drive feels lazy to stop", "check")
            order.line("position_sensor", visit.side, "test", 0.5, result=verdict(visit.volts))
            self.measure(day, visit.side, visit.volts)
            self.measure(day, SIDES[1 - SIDES.index(visit.side)], round(d.normal(2.0, 0.02), 2))
            return order
        case = next(case for case in m.cases[visit.side] if case.scripted)
        case.visits, case.count_at_visit = case.visits + 1, case.count
        order = self.order(day, 1, visit.complaint, "neutral")
        order.cause, order.correction = visit.cause, visit.correction
        for step in visit.steps:
            self.story_step(day, visit, step, case, order)
        if visit.stays_open:
            order.closed = AS_OF + timedelta(days=30)
        elif visit.quiet is None:
            order.cure(case, visit.steps[-1])
        else:
            order.quiet(case, visit.quiet)
        return order

    def story_step(self, day: date, visit: Visit, step: str, case: Case, order: Order) -> None:
        d, side = self.dice, visit.side
        if step == "wiring":
            labour = d.between(0.7, 1.4)
            order.line("wiring", side, "inspect", labour, result="passed", finding="no_fault_found")
        elif step == "volts":
            self.measure(day, side, visit.volts)
            order.line("position_sensor", side, "test", 0.5, result=verdict(visit.volts))
        elif step.startswith("calibrate"):
            case.calibrations += 1
            order.attempt(case, "calibrate")
            result = "failed" if step.endswith("failed") else "passed"
            order.line("drive_pump", side, "calibrate", d.between(0.8, 1.4), result=result)
        elif step == "sensor":
            case.sensors += 1
            order.attempt(case, "sensor")
            more = {"finding": "no_fault_found" if case.sensors == 1 else "", "variant": "hall_effect"}
            labour = d.between(5.6, 7.4)
            order.line("position_sensor", side, "replace", labour, 196.90, part="SN-4432", **more)
            order.line("drive_pump", side, "calibrate", d.between(0.6, 1.1), result="passed")
            order.closed = day + timedelta(days=2)
        elif step == "bushing":
            order.attempt(case, "bushing")
            self.new_bushing(order, side, 13.5, "worn", "improved")
            order.line("hydraulic_oil", "", "replace", 0.6, 188.0)
            order.line("drive_pump", side, "calibrate", 1.1, result="passed")
            order.renew(side, "worn, by code")
            order.closed = day + timedelta(days=6)


def verdict(volts: float) -> str:
    """A neutral voltage passes within 0.1 V of 2.0 V."""
    return "passed" if abs(volts - 2.0) <= 0.1 else "failed"


def workday(day: date) -> date:
    """That day, or the Monday after."""
    return day + timedelta(days=max(0, 7 - day.weekday())) if day.weekday() > 4 else day


# --------------------------------------------------------------------------------------------------
# The yard: machine after machine, day after day.

WEAR_AND_TEAR = {  # ordinary work -> running hours to the first, at least and at most; hours between two
    "running_gear": (150, 1300, {"skid_steer_loader": 950, "compact_track_loader": 1350}),
    "battery": (300, 2600, {"skid_steer_loader": 2400, "compact_track_loader": 2400}),
    "cooling": (100, 900, {"skid_steer_loader": 1250, "compact_track_loader": 1250}),
    "other": (100, 1400, {"skid_steer_loader": 1300, "compact_track_loader": 1300}),
}
DAY_RATE = {"skid_steer_loader": 235, "compact_track_loader": 310}
OTHER_CODES = (  # public SAE J1939 numbers, from memory; nothing to do with the drive
    (110, 16, "Coolant temperature high"),
    (168, 18, "Battery voltage low"),
    (111, 18, "Coolant level low"),
    (97, 31, "Water in fuel"),
    (1638, 16, "Hydraulic oil temperature high"),
    (100, 18, "Engine oil pressure low"),
    (639, 9, "Network message missing"),
    (3719, 16, "Particulate filter load high"),
)


class Yard:
    """Runs the world and keeps the books."""

    def __init__(self) -> None:
        self.books: dict[str, list[Row]] = {name: [] for name in COLUMNS}
        self.orders: list[Order] = []
        self.code_minutes: set[tuple[int, str, datetime]] = set()
        self.code_log: list[tuple[int, str, float]] = []
        self.planted: Row = {}
        self.machines: list[Machine] = []

    def run(self) -> None:
        """Lives through the six years and writes the books, mess included."""
        self.machines = make_machines()
        for m in self.machines:
            if m.script:
                m.hours = rehearse(m)
            self.furnish(m)
            self.live(m)
        self.write_books()
        Mess(self).plant()

    # -- life before the books

    def furnish(self, m: Machine) -> None:
        """Fits the parts of the machine and lives through the hours that the books do not cover."""
        d, entered = Dice(9, m.unit), m.hours
        pump_built, pump_fitted, pump_hours = m.pump_built, m.build, 0.0
        joystick = m.control != "manual"
        old_hand = m.start == BOOKS_BEGIN and m.build < date(2017, 1, 1) and entered > 2500
        new_pump = m.script is None and joystick and old_hand and d.chance(0.10)
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
        # The yard knows the pump wherever the machine's build date would leave its generation in doubt.
        in_doubt = joystick and IMPROVED_FROM <= m.build <= date(2018, 4, 30)
        if new_pump or in_doubt or (joystick and d.chance(0.05)):
            self.books["components"].append({
                "machine_id": m.name, "component": "drive_pump", "serial_number": serial,
                "built_on": pump_built, "fitted_on": pump_fitted, "fitted_hours": pump_hours,
            })  # fmt: skip
        if not joystick:
            return
        m.pump_built = pump_built
        for side in SIDES:
            m.cases[side] = []
            m.centre[side] = d.normal(2.0, 0.022)
            self.first_bushing(m, side, pump_fitted, pump_hours, d)
        if m.script is None:
            for cause, mean in OTHER_CAUSES.items():
                both = BOTH_SIDES.get(cause, 0.0)
                for side in SIDES:
                    m.next_other[cause, side] = entered + d.expo(mean / (1 - both))
                if both:
                    m.next_other[cause, "both"] = entered + d.expo(mean / (2 * both))

    def first_bushing(self, m: Machine, side: str, fitted: date, hours: float, d: Dice) -> None:
        """The bushing that is in the pump when the books begin, after as many lives as it took."""
        variant, entered = "improved" if m.pump_built >= IMPROVED_FROM else "original", m.hours
        bushing = Bushing(side, variant, fitted, hours, d.life(LIFE[variant]), entered)
        if m.script and side in m.script.sides():  # its fate is written down: it lasts till then
            bushing.life = d.life(LIFE[variant], m.script.end_hours * 1.02)
        while bushing.fitted_hours + bushing.life + 100 < entered:
            # It wore out before the books begin and was replaced by the part sold on that day.
            done = round(bushing.fitted_hours + bushing.life + d.between(10, 90), 1)
            share = (done - hours) / (entered - hours)
            day = fitted + timedelta(days=int(share * (m.start - fitted).days))
            variant = "improved" if day >= IMPROVED_FROM else "original"
            bushing = Bushing(side, variant, day, done, d.life(LIFE[variant]), entered)
            lost = self.planted.setdefault("undocumented_bushings", [])
            if m.acquired >= BOOKS_BEGIN and len(lost) < 2 and m.name not in [x[0] for x in lost]:
                lost.append([m.name, side, day.isoformat(), done])  # not in the seller's papers
            else:
                self.books["components"].append({
                    "machine_id": m.name, "component": "internal_bushing", "side": side,
                    "variant": variant, "fitted_on": day, "fitted_hours": done,
                })  # fmt: skip
        m.bushings[side] = bushing

    # -- one machine's six years

    def live(self, m: Machine, keep: bool = True) -> None:
        """Runs one machine from the day its books begin to its sale or the month of the report."""
        usage, codes, shop = Dice(2, m.unit), Dice(5, m.unit), Shop(self, m)
        m.service_at = (int(m.hours / 500) + 1) * 500 + usage.between(-60, 60)
        for kind, (least, most, _) in WEAR_AND_TEAR.items():
            m.wear_at[kind] = m.hours + usage.between(least, most)
        other_code_at = m.hours + usage.expo(420)
        m.check_on = m.start + timedelta(days=usage.whole(60, 420))
        m.reading_on = date(m.start.year, m.start.month, 1)
        if m.start > BOOKS_BEGIN:
            self.read(m, m.start, shop.words, "inspection")
        day, in_shop, rental = m.start, None, None
        free_on = m.start  # not let before
        while day <= AS_OF:
            if in_shop and in_shop.closed <= day:
                self.finish(m, in_shop, day)
                in_shop, free_on = None, day + timedelta(days=usage.whole(0, 4))
            if m.disposed and day >= m.disposed and not in_shop:
                break
            if m.unit in METER_SWAPS and day == METER_SWAPS[m.unit][0]:
                self.swap_meter(m, day)
            if day >= m.reading_on:
                self.monthly_reading(m, day, shop.words)
            if in_shop:
                m.curve[day] = m.hours
                day += timedelta(days=1)
                continue
            if rental is None and day >= free_on and day.weekday() < 5 and usage.chance(m.let_chance(day)):
                rental = self.let(m, day, usage)
                if keep:
                    self.books["rentals"].append(rental)
            elif rental and day >= rental["due"]:
                free_on, rental["in_at"] = day + timedelta(days=usage.whole(0, 3)), day
                rental = None
            before = m.hours
            if rental:
                m.hours += self.hours_run(m, day, usage)
            m.curve[day] = m.hours
            if m.hours > before:
                if m.control != "manual":
                    self.causes(m, day)
                    self.codes(m, day, before, codes, shop.dice)
                if m.hours >= other_code_at:
                    other_code_at = m.hours + usage.expo(460)
                    self.other_code(m, day, codes)
            in_shop = self.to_the_shop(m, day, shop, standing=rental is None)
            if in_shop:
                if rental:
                    rental["in_at"], rental = day, None
                if keep:
                    self.orders.append(in_shop)
                if in_shop.closed <= day:
                    self.finish(m, in_shop, day)
                    in_shop, free_on = None, day + timedelta(days=1)
            day += timedelta(days=1)
        if m.disposed and day <= AS_OF:
            if rental:
                rental["in_at"] = day
            m.disposed, m.disposed_hours = day, m.hours
            self.read(m, day, shop.words, "inspection")
        else:
            m.disposed = None

    def let(self, m: Machine, day: date, d: Dice) -> Row:
        """A rental; the longer, the less a day."""
        length = d.pick((d.whole(3, 7), d.whole(8, 30), d.whole(31, 100)), (0.34, 0.44, 0.22))
        factor = 1.0 if length < 8 else 0.8 if length < 31 else 0.62
        rate = 5 * round(DAY_RATE[m.machine_type] * factor * (1 + 0.03 * (day.year - 2020)) / 5)
        return {
            "machine_id": m.name,
            "out_at": day,
            "in_at": None,
            "day_rate": rate,
            "due": day + timedelta(days=length),
        }

    def hours_run(self, m: Machine, day: date, d: Dice) -> float:
        works = 1.0 if day.weekday() < 5 else 0.35 if day.weekday() == 5 else 0.05
        if not d.chance(works):
            return 0.0
        return min(12.0, m.rate / 196.0 * (0.3 + 1.4 * d.u()) * (0.75 + 0.25 * SEASON[day.month - 1]))

    def to_the_shop(self, m: Machine, day: date, shop: Shop, standing: bool) -> Order | None:
        """The order that is opened today, if any: the story's, the fault's, or work on a free day."""
        working_day = day.weekday() < 5
        if shop.story_due(day):
            return shop.story_visit(day)
        if m.script and m.script.battery_on == day:
            return shop.battery(day)
        if working_day and any(case.due(day, m.hours) for side in m.cases for case in m.cases[side]):
            return shop.neutral_visit(day)
        if not (standing and working_day):
            return None
        if m.hours >= m.service_at:
            m.service_at += 500
            return shop.service(day)
        for kind, at in m.wear_at.items():
            if m.hours >= at:
                order: Order = getattr(shop, kind)(day)
                m.wear_at[kind] = (
                    m.hours + shop.dice.between(0.7, 1.3) * WEAR_AND_TEAR[kind][2][m.machine_type]
                )
                return order
        if shop.worth_opening(day) and shop.dice.chance(0.05):
            return shop.preventive(day)
        if day >= m.check_on:
            m.check_on = day + timedelta(days=shop.dice.whole(300, 460))
            if m.control != "manual" and shop.dice.chance(0.75):
                return shop.yearly_check(day)
        return None

    def causes(self, m: Machine, day: date) -> None:
        """Lets causes set in."""
        for side, bushing in m.bushings.items():
            if m.hours - bushing.fitted_hours >= bushing.life and bushing.onset_hours is None:
                bushing.onset_hours = bushing.fitted_hours + bushing.life
                self.start_case(m, "internal_bushing", side, day)
        for (cause, side), at in list(m.next_other.items()):
            if m.hours >= at:
                mean, both = OTHER_CAUSES[cause], BOTH_SIDES.get(cause, 0.0)
                mean = mean / (2 * both) if side == "both" else mean / (1 - both)
                d = Dice(6, m.unit, len(cause) + 1 + len(side), int(m.hours))
                m.next_other[cause, side] = m.hours + d.expo(mean)
                for one in SIDES if side == "both" else (side,):
                    if not m.cases[one]:
                        self.start_case(m, cause, one, day).shared = side == "both"
        for onset in m.script.onsets[len(m.onsets_seen) :] if m.script else ():
            if onset.on <= day:
                m.onsets_seen.append(onset)
                case = self.start_case(m, onset.cause, onset.side, day)
                case.fmi, case.offset, case.gap, case.scripted = onset.fmi, onset.offset, onset.gap, True
                if onset.cause == "internal_bushing":
                    bushing = m.bushings[onset.side]
                    bushing.life, bushing.onset_hours = m.hours - bushing.fitted_hours, m.hours

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

    def codes(self, m: Machine, day: date, before: float, d: Dice, shop: Dice) -> None:
        """Active causes set codes, in bursts; somebody decides to bring the machine in."""
        for side in SIDES:
            for case in list(m.cases[side]):
                if case.codes_left == 0:
                    continue
                case.next_burst = max(case.next_burst, case.quiet_until)
                while case.next_burst <= m.hours and case.codes_left != 0:
                    at = max(case.next_burst, before)
                    self.burst(m, case, day, at, before, d)
                    case.next_burst = at + d.expo(case.gap) + 0.4
                    if case.codes_left is not None:
                        case.codes_left -= 1
                    if case.visit_on is None and not case.scripted:
                        if case.cause == "unknown" and shop.chance(0.4):
                            continue
                        case.visit_on = day + timedelta(days=2 + int(shop.expo(9 if case.visits == 0 else 6)))
                if case.codes_left == 0 and case.visit_on is None:
                    self.cure(m, case, day, "went away by itself")

    def burst(self, m: Machine, case: Case, day: date, at: float, before: float, d: Dice) -> None:
        """A handful of codes within an hour or so."""
        minutes = int(60 * min(9.0, max(0.0, at - before) + d.between(0.0, 1.5)))
        clock = datetime(day.year, day.month, day.day, 7) + timedelta(minutes=minutes)
        number = SIDES.index(case.side)
        text_only = m.make == "Tolvane" and m.build.year < 2018
        for _ in range(d.pick((1, 2, 3), (0.62, 0.27, 0.11))):
            while (m.unit, case.side, clock) in self.code_minutes:
                clock += timedelta(minutes=1)
            self.code_minutes.add((m.unit, case.side, clock))
            self.code_log.append((m.unit, case.side, round(at, 1)))
            case.count += 1
            case.first_code_on = case.first_code_on or day
            fmi = case.fmi if d.chance(0.88) else d.pick(*FMI_HABIT[case.cause])
            text = WORDINGS[case.wording if d.chance(0.9) else 0]
            with_code = m.make != "Dunlin" and (text_only or d.chance(0.75))
            self.books["fault_codes"].append({
                "machine_id": m.name, "seen_at": clock,
                "hours": m.shown(at) if d.chance(0.88) else None,
                "spn": None if text_only else SPNS[m.make][number], "fmi": None if text_only else fmi,
                "occurrence_count": case.count if d.chance(0.8) else None,
                "code": TEXT_CODES[m.make][number] if with_code else None,
                "description": text.format(side=case.side, Side=case.side.capitalize(),
                                           SIDE=case.side.upper(), S=case.side[0].upper()),
                "status": "active" if d.chance(0.8) else "stored",
                "side": case.side if d.chance(0.12) else None, "source": "telematics",
            })  # fmt: skip
            clock += timedelta(minutes=d.whole(2, 40))
            at += 0.1

    def other_code(self, m: Machine, day: date, d: Dice) -> None:
        spn, fmi, text = d.pick(OTHER_CODES, (0.18, 0.22, 0.12, 0.10, 0.12, 0.06, 0.08, 0.12))
        clock = datetime(day.year, day.month, day.day, d.whole(7, 16), d.whole(0, 59))
        if m.control == "manual":
            return
        self.books["fault_codes"].append({
            "machine_id": m.name, "seen_at": clock, "hours": m.shown(m.hours) if d.chance(0.85) else None,
            "spn": spn, "fmi": fmi, "occurrence_count": d.whole(1, 6) if d.chance(0.7) else None,
            "description": text, "status": d.pick(("active", "stored"), (0.6, 0.4)), "source": "telematics",
        })  # fmt: skip

    def monthly_reading(self, m: Machine, day: date, d: Dice) -> None:
        """By telematics, and by hand where there is none; now and then not at all."""
        silent = m.telematics_gap and m.telematics_gap[0] <= day <= m.telematics_gap[1]
        if m.control != "manual" and not silent and not d.chance(0.015):
            self.read(m, day, d, "telematics")
        elif d.chance(0.7):
            self.read(m, day, d, "manual")
        m.reading_on = date(day.year + (day.month == 12), day.month % 12 + 1, 1)

    def read(self, m: Machine, day: date, d: Dice, source: str) -> None:
        hour = 5 if source == "telematics" else 7 + int(d.u() * 9)
        value = m.shown(m.hours)
        self.books["meter_readings"].append({
            "machine_id": m.name, "read_at": datetime(day.year, day.month, day.day, hour),
            "hours": float(round(value)) if source == "manual" else value, "source": source,
        })  # fmt: skip

    def swap_meter(self, m: Machine, day: date) -> None:
        _, new, recorded = METER_SWAPS[m.unit]
        old = m.shown(m.hours)
        m.meter_zero = m.hours - new
        if recorded:
            self.books["meter_changes"].append({
                "machine_id": m.name, "changed_at": day, "old_meter_hours": old, "new_meter_hours": new,
            })  # fmt: skip

    def finish(self, m: Machine, order: Order, day: date) -> None:
        """The work is done: what it cures, it cures; what it does not, it keeps quiet for a while."""
        if order.kind == "neutral":
            m.hours += 0.3  # test drive
            m.curve[day] = m.hours
        order.hours_out = m.hours
        for effect, what, how in order.effects:
            if effect == "quiet":
                what.quiet_until = what.next_burst = m.hours + how
            elif effect == "cure":
                if what.cured_on is None:
                    self.cure(m, what, day, how)
            else:
                old = m.bushings[what]
                old.ended_on, old.ended_hours, old.outcome = day, m.hours, how
                m.past.append(old)
                d = Dice(7, m.unit, SIDES.index(what), int(m.hours))
                m.bushings[what] = Bushing(what, "improved", day, m.hours, d.life(IMPROVED_LIFE), m.hours)
                if how.startswith("pump"):
                    m.centre[what] = d.normal(2.0, 0.02)

    def cure(self, m: Machine, case: Case, day: date, how: str) -> None:
        case.cured_on, case.cured_by = day, how
        m.cases[case.side].remove(case)
        m.closed_cases.append(case)
        m.centre[case.side] = Dice(8, m.unit, int(m.hours)).normal(2.0, 0.02)

    # -- the office

    def write_books(self) -> None:
        """Turns what happened into the rows that the office kept."""
        for m in self.machines:
            self.write_machine(m)
        in_order = sorted(enumerate(self.orders), key=lambda x: (x[1].opened, x[1].machine.unit, x[0]))
        for number, (_, order) in enumerate(in_order, 10001):
            order.number = f"W{number}"
            self.write_order(order, Dice(12, number))

    def write_machine(self, m: Machine) -> None:
        d = Dice(11, m.unit)
        tail = "".join(d.pick("ABCDEFGHJKLMNPRSTUVWXYZ0123456789") for _ in range(5))
        pin = f"XX{m.make[:1]}{tail}{m.build:%y}{d.whole(1000000, 9999999)}" if d.chance(0.9) else None
        self.books["machines"].append({
            "machine_id": m.name, "pin": pin,
            "serial_number": f"{d.whole(1000000, 9999999)}" if d.chance(0.85) else None,
            "make": m.make, "model": m.model, "machine_type": m.machine_type,
            "build_date": m.build.isoformat()[: {"day": 10, "month": 7, "year": 4}[m.precision]],
            "control": m.control, "site": m.site, "acquired_on": m.acquired,
            "hours_at_acquisition": m.acquired_hours, "disposed_on": m.disposed,
            "hours_at_disposal": m.shown(m.disposed_hours) if m.disposed_hours is not None else None,
        })  # fmt: skip

    def write_order(self, order: Order, d: Dice) -> None:
        done = order.closed <= AS_OF
        bare = order.kind == "other" and d.chance(0.02)
        self.books["work_orders"].append({
            "work_order_id": order.number, "machine_id": order.machine.name, "opened_at": order.opened,
            "closed_at": order.closed if done and not d.chance(0.01) else None,
            "hours": None if d.chance(0.05) else order.hours, "site": order.machine.site,
            "complaint": order.complaint, "cause": order.cause if done else "",
            "correction": order.correction if done or order.machine.script else "",
            "status": "closed" if done else "open",
        })  # fmt: skip
        if bare:
            self.planted.setdefault("orders_without_lines", []).append(order.number)
            return
        order.written = [x for x in order.lines if done or x["action"] in ("inspect", "test")]
        span = (min(order.closed, AS_OF) - order.opened).days
        for place, line in enumerate(order.written, 1):
            at = order.opened + timedelta(days=span * place // len(order.written))
            line.update(work_order_id=order.number, line_no=place, done_at=None if d.chance(0.08) else at)
            if d.chance(0.03):
                line["labour_cost"] = None
            if line["parts_cost"] is not None and d.chance(0.02):
                line["parts_cost"] = None
            if line["action"] == "inspect" and order.kind == "service" and d.chance(0.1):
                line["note"] = d.pick(("next at 500", "greased", "air filter next time", "tighten belt"))
            self.books["work_lines"].append(line)


def rehearse(m: Machine) -> float:
    """The hours at which a scripted unit must begin to end about where its story wants it.

    How much a machine runs depends a little on when it stands in the shop, so a few tries are made and the
    nearest is taken.
    """
    assert m.script is not None
    if m.acquired >= BOOKS_BEGIN:
        return m.acquired_hours
    start, tries = m.script.end_hours - 6 * m.rate, []
    for _ in range(8):
        rehearsal = next(x for x in make_machines() if x.unit == m.unit)
        rehearsal.hours = start
        stage = Yard()
        stage.furnish(rehearsal)
        stage.live(rehearsal, keep=False)
        miss = m.script.end_hours - rehearsal.hours
        tries.append((abs(miss), start))
        if abs(miss) < 10:
            break
        start = round(start + miss, 1)
    return min(tries)[1]


# --------------------------------------------------------------------------------------------------
# The mess.


class Mess:
    """What real yards hand over beside the facts. Everything planted is noted in `yard.planted`."""

    def __init__(self, yard: Yard) -> None:
        self.yard = yard
        self.books = yard.books
        self.planted = yard.planted
        self.by_unit = {m.unit: m for m in yard.machines}

    def plant(self) -> None:
        for unit, (day, hours, recorded) in METER_SWAPS.items():
            kind = "meter_changes" if recorded else "meter_change_not_written_down"
            self.note(kind, str(unit), day.isoformat(), hours)
        self.pins_cut_short()
        self.typing_errors()
        self.typing_errors_in_orders()
        self.orders_without_lines()
        self.sides_left_out()
        self.cancelled_orders()
        self.lines_without_order()
        self.pump_told_twice()
        self.millivolts()
        self.codes_without_side()
        self.code_on_manual_machine()
        self.rows_to_reject()
        self.unit_not_listed()
        self.exact_duplicates()
        self.corrected_reading()
        self.sort()

    def note(self, kind: str, *what: Any) -> None:
        self.planted.setdefault(kind, []).append(list(what))

    def shown(self, unit: int, day: date) -> float:
        m = self.by_unit[unit]
        return m.shown(m.curve[day])

    def reading(self, unit: int, day: date, hours: object, source: str = "manual", hour: int = 12) -> None:
        at = datetime(day.year, day.month, day.day, hour)
        self.books["meter_readings"].append(
            {"machine_id": str(unit), "read_at": at, "hours": hours, "source": source}
        )

    def story_ids(self) -> set[str]:
        return {order.number for order in self.yard.orders if order.machine.script}

    def pins_cut_short(self) -> None:
        """Two product identification numbers that lost their last characters."""
        rows = [row for row in self.books["machines"] if row["pin"]]
        for row in (rows[17], rows[90]):
            row["pin"] = row["pin"][:15]
            self.planted.setdefault("pins_cut_short", []).append(row["machine_id"])

    def typing_errors(self) -> None:
        """Readings as tired people type them, and a telematics box that lost its memory for one night."""
        swapped = str(int(self.shown(27, _d("2022-08-10"))))
        tail_swapped = str(int(self.shown(140, _d("2025-05-21"))))
        for unit, day, what, wrong in (
            (27, "2022-08-10", "digits swapped", swapped[0] + swapped[2] + swapped[1] + swapped[3:]),
            (52, "2023-04-19", "decimal lost", round(self.shown(52, _d("2023-04-19")) * 10)),
            (88, "2024-02-07", "last year's value", round(self.shown(88, _d("2023-02-07")))),
            (109, "2023-10-11", "reading of unit 110", self.shown(110, _d("2023-10-11"))),
            (140, "2025-05-21", "digits swapped", tail_swapped[:2] + tail_swapped[2:][::-1]),
        ):
            self.reading(unit, _d(day), float(wrong))
            self.note("typing_errors", str(unit), day, what, float(wrong), self.shown(unit, _d(day)))
        self.reading(66, _d("2024-09-14"), 0.0, "telematics", 5)
        right = self.shown(66, _d("2024-09-14"))
        self.note("typing_errors", "66", "2024-09-14", "telematics sent zero", 0.0, right)

    def typing_errors_in_orders(self) -> None:
        for unit, what, factor in (("77", "decimal lost", 10), ("121", "one digit too few", 0.1)):
            row = next(
                row
                for row in self.books["work_orders"]
                if row["machine_id"] == unit
                and row["opened_at"] > _d("2023-06-01")
                and (row["hours"] or 0) > 1000
            )
            right = row["hours"]
            row["hours"] = float(round(right * 10)) if factor == 10 else float(int(right / 10))
            self.note("typing_errors_in_orders", row["work_order_id"], unit, what, row["hours"], right)

    def orders_without_lines(self) -> None:
        """Two visits for the neutral fault of which only the head was kept."""
        visits = [
            order
            for order in self.yard.orders
            if order.kind == "neutral"
            and order.closed <= AS_OF
            and order.opened.year == 2022
            and order.machine.site == "Wrenmouth"
            and not order.machine.script
        ]
        lines = self.books["work_lines"]
        for order in visits[:2]:
            lines[:] = [line for line in lines if line["work_order_id"] != order.number]
            order.written = []
            self.planted["orders_without_lines"].append(order.number)

    def sides_left_out(self) -> None:
        lines = [x for x in self.books["work_lines"] if x["action"] == "replace"]
        lines = [x for x in lines if x["work_order_id"] not in self.story_ids()]
        bushings = [x for x in self.books["work_lines"] if x["component"] == "internal_bushing"]
        per_order = Counter(x["work_order_id"] for x in bushings)
        alone = [
            x
            for x in lines
            if x["component"] == "internal_bushing"
            and x["finding"] == "worn"
            and per_order[x["work_order_id"]] == 1
        ]
        sensors = [x for x in lines if x["component"] == "position_sensor"]
        for line in alone[5:40:20] + sensors[7:8]:
            what = (line["work_order_id"], line["line_no"], line["component"], line["side"])
            self.note("replaced_without_side", *what)
            line["side"] = ""

    def cancelled_orders(self) -> None:
        """Opened for the wrong unit, and cancelled before anybody touched the machine."""
        for unit, day in ((110, _d("2023-05-09")), (125, _d("2025-09-16"))):
            number = f"W{90000 + unit}"
            self.books["work_orders"].append({
                "work_order_id": number, "machine_id": str(unit), "opened_at": day, "closed_at": day,
                "hours": None, "site": self.by_unit[unit].site,
                "complaint": "neutral code? opened by mistake, wrong unit", "status": "cancelled",
            })  # fmt: skip
            self.planted.setdefault("cancelled_orders", []).append(number)

    def lines_without_order(self) -> None:
        """Lines whose order is on a sheet that was not handed over."""
        lines = (
            work_line("engine", "", "inspect", 2.0, 120.0),
            work_line("hydraulic_oil", "", "replace", 0.8, 210.0),
            work_line("battery", "", "replace", 0.5, 169.0),
        )
        for place, line in enumerate(lines, 1):
            line.update(work_order_id="W99017", line_no=place, done_at=_d("2026-06-29"))
            self.books["work_lines"].append(line)
        self.planted["lines_without_order"] = ["W99017", len(lines)]

    def pump_told_twice(self) -> None:
        """A new pump that stands in the list of parts and in a work order."""
        order = next(
            order
            for order in self.yard.orders
            if any(x["component"] == "drive_pump" and x["action"] == "replace" for x in order.written)
        )
        self.books["components"].append({
            "machine_id": order.machine.name, "component": "drive_pump", "serial_number": "P884417",
            "built_on": order.closed - timedelta(days=71), "fitted_on": order.closed,
            "fitted_hours": order.machine.shown(order.hours_out or 0.0),
        })  # fmt: skip
        self.planted["pump_told_twice"] = [order.machine.name, order.number, order.closed.isoformat()]

    def millivolts(self) -> None:
        row = next(
            row
            for row in self.books["measurements"]
            if row["measured_at"] > _d("2023-03-01") and int(row["machine_id"]) not in SCRIPTS
        )
        row["value"], row["unit"] = str(round(float(row["value"]) * 1000)), "mV"
        self.planted["millivolts"] = [row["machine_id"], row["measured_at"].isoformat(), row["side"]]

    def codes_without_side(self) -> None:
        """A controller update after which a few machines sent the fault without saying which side."""
        rows = [
            row
            for row in self.books["fault_codes"]
            if "neutral" in row["description"].lower()
            and row["seen_at"].year == 2024
            and int(row["machine_id"]) not in SCRIPTS
        ]
        for row in rows[10:130:12]:
            self.note("codes_without_side", row["machine_id"], row["seen_at"].isoformat(timespec="minutes"))
            row.update(spn=None, fmi=None, side=None, code="DN-7")
            row["description"] = "Drive does not return to neutral"

    def code_on_manual_machine(self) -> None:
        """Somebody typed the code of another machine."""
        m = next(
            m
            for m in self.yard.machines
            if m.control == "manual" and m.make == "Marram" and m.start < _d("2024-08-01") and not m.disposed
        )
        self.books["fault_codes"].append({
            "machine_id": m.name, "seen_at": datetime(2024, 8, 22, 10, 41),
            "hours": self.shown(m.unit, _d("2024-08-22")), "spn": 521731, "fmi": 7, "occurrence_count": 1,
            "code": "DN-L7", "description": "Left drive does not return to neutral", "status": "active",
            "source": "manual",
        })  # fmt: skip
        self.planted["code_on_manual_machine"] = [m.name, "2024-08-22T10:41"]

    def rows_to_reject(self) -> None:
        for unit, day, hours, why in (
            (39, "2023-06-21", "n/a", "hours are no number"),
            (57, "2021-11-17", -12.5, "hours are negative"),
            (90, "2062-03-01", 5120.0, "the date lies in the future"),
            (101, "2022-05-04", "45l2,3o", "hours are no number"),
        ):
            self.reading(unit, _d(day), hours)
            self.note("rejected_rows", "meter_readings", str(unit), day, why)
        self.books["meter_readings"].append(
            {"machine_id": "72", "read_at": "2023-02-30T12:00", "hours": 2210.0, "source": "manual"}
        )
        self.note("rejected_rows", "meter_readings", "72", "2023-02-30", "there is no such day")
        order = next(
            order
            for order in self.yard.orders
            if order.opened > _d("2022-02-01") and order.kind == "other" and order.written
        )
        line = work_line("other", "", "jiggle", 0.3)
        line.update(work_order_id=order.number, line_no=len(order.written) + 1, done_at=order.closed)
        self.books["work_lines"].append(line)
        self.note("rejected_rows", "work_lines", order.number, str(line["line_no"]), "unknown action jiggle")
        self.books["fault_codes"].append({
            "machine_id": "46", "seen_at": datetime(2023, 7, 6, 9, 15),
            "description": "Dash light, no number taken", "status": "active", "source": "manual",
        })  # fmt: skip
        self.note("rejected_rows", "fault_codes", "46", "2023-07-06", "neither SPN and FMI nor a code")

    def unit_not_listed(self) -> None:
        """Unit 460 came in spring; the office has not listed it yet."""
        for month, hours in ((4, 12.4), (5, 61.0), (6, 118.8)):
            self.reading(460, date(2026, month, 1), hours, "telematics", 5)
        self.planted["unit_not_listed"] = ["460", 3]

    def exact_duplicates(self) -> None:
        for name, places in (
            ("meter_readings", (701, 2204, 4017)),
            ("fault_codes", (120, 640)),
            ("rentals", (333,)),
            ("work_orders", (402,)),
            ("measurements", (77,)),
        ):
            for place in places:
                row = dict(self.books[name][place])
                self.books[name].append(row)
                self.note("exact_duplicates", name, row.get("machine_id"), row.get("work_order_id"))

    def corrected_reading(self) -> None:
        """The same reading handed over twice: the second one is the right one."""
        day = _d("2023-12-06")
        right = self.shown(93, day)
        wrong = round(right + 40, 1)
        self.reading(93, day, wrong)
        self.reading(93, day, right)
        self.planted["corrected_reading"] = ["93", day.isoformat(), wrong, right]

    def sort(self) -> None:
        """Files in the order of an office's export; a correction stays behind its error."""
        for name, key in (
            ("components", ("fitted_on",)),
            ("meter_readings", ("read_at",)),
            ("meter_changes", ("changed_at",)),
            ("fault_codes", ("seen_at",)),
            ("work_orders", ("work_order_id",)),
            ("work_lines", ("work_order_id", "line_no")),
            ("measurements", ("measured_at",)),
            ("rentals", ("out_at",)),
        ):
            self.books[name].sort(key=partial(_sort_key, key))


def _sort_key(columns: Sequence[str], row: Row) -> tuple[str, ...]:
    return tuple(_sortable(row[column]) for column in columns)


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
    """Writes the nine files; a rental that ended the day it began, in the shop, is not worth a row."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, columns in ((name, text.split()) for name, text in COLUMNS.items()):
        with (folder / f"{name}.csv").open("w", encoding="utf-8", newline="") as file:
            writer = csv.writer(file, lineterminator="\n")
            writer.writerow(columns)
            for row in yard.books[name]:
                if name == "rentals" and row["in_at"] == row["out_at"]:
                    continue
                writer.writerow([_text(row.get(column), column) for column in columns])


# --------------------------------------------------------------------------------------------------
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
    for unit, side, hours in yard.code_log:
        codes.setdefault((unit, side), []).append(hours)
    for m in yard.machines:
        if m.control == "manual":
            continue
        for b in [*m.past, *m.bushings.values()]:
            left = b.ended_hours if b.ended_hours is not None else m.hours
            outcome = b.outcome or ("sold" if m.disposed else "running")
            spells.append({
                "machine_id": m.name, "side": b.side, "variant": b.variant,
                "fitted_on": b.fitted_on.isoformat(),
                "entry_age": round(b.observed_from - b.fitted_hours, 1),
                "exit_age": round(left - b.fitted_hours, 1),
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
                out = order.hours_out
                if out is None:
                    continue
                later = [h for h in codes.get((m.unit, c.side), []) if h > out]
                attempts.append({
                    "machine_id": m.name, "side": c.side, "cause": c.cause, "action": a["action"],
                    "work_order_id": order.number, "closed_on": order.closed.isoformat(),
                    "comeback_hours": round(min(later) - out, 1) if later else None,
                    "watched_hours": round(m.hours - out, 1), "site": m.site,
                    "cured": c.cured_on is not None and c.cured_on == order.closed,
                    "recorded": bool(order.written),
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
        for line in order.lines
        if line["component"] == "position_sensor"
        and line["action"] == "replace"
        and any(order.number == w and line["side"] in (side, "") for w, side in vain_orders)
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
        "original_failed_untold": sum(
            effect == "bushing"
            and why in FAILED
            and order.closed <= AS_OF
            and order.machine.variant_before(side, order.closed) == "original"
            and not order.tells_worn(side)
            for order in yard.orders
            for effect, side, why in order.effects
        ),
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


def _variant_at(m: Machine, case: Case) -> str:
    """The generation of the bushing that was in the pump when the case set in."""
    for b in m.past:
        if b.side == case.side and b.fitted_hours <= case.onset_hours <= (b.ended_hours or 0.0):
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


if __name__ == "__main__":
    main()
