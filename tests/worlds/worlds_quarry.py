"""Three fleets: a quarry contractor, a borough, and a dealer's workshop. None of them is real.

limepit        210 machines, 7 years, two pits. Dusty work, dominated by worn bushings; two makes changed the bushing, at different
               dates, the third never did. The shop calibrates and sends the machine back, again and again; only at the fourth
               visit is a pump opened. A calibration that passes buys a long peace. A third of the machines without telematics.
               Lines half coded, the rest short notes with abbreviations. Some machines are sold with the fault open.
northborough   130 machines, 9 years, three depots. Parks and roads: nothing runs from December to mid March, the shop catches up
               in January. No make ever changed its bushing. After the rest calibrations are lost and connectors have
               corroded, often on both sides. Voltage measured each spring on most machines. Books neat but thin: few findings, notes with
               n/s (left) and o/s (right), no telematics before March 2021 (only
               what the service tool shows in the shop), repeats slow.
valley_dealer  480 machines of 40 customers, 5 years, one workshop. Whole pumps are replaced, or sent out and come back with a
               report half of the time; nobody opens one. Three makes, three change dates, service pumps from old stock. Customers
               disappear without a disposal date and have much done elsewhere, unwritten. Sensors are tried before the pump.
               A few demonstration rentals, pump serial numbers kept for most new pumps, quick repeats, four months of codes lost.

Readings once a quarter everywhere. In truth.csv a fault that left with its machine has no end, and `sold` if the disposal is known.
Faults from before the books begin are in the truth too (their began_at says so).
"""

import csv
import heapq
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

END = date(2026, 7, 1).toordinal()  # the first day after the records
SIDES = ("left", "right")
BUSH, SENS, WIRE, CAL, SERVO = (
    "internal_bushing",
    "position_sensor",
    "wiring",
    "calibration",
    "servo_or_rotating_group",
)
FMI = {
    BUSH: {7: 0.62, 13: 0.18, 2: 0.14, 31: 0.06},
    SENS: {2: 0.2, 3: 0.3, 4: 0.3, 5: 0.1, 7: 0.1},
    WIRE: {2: 0.3, 3: 0.2, 4: 0.2, 5: 0.15, 6: 0.1, 7: 0.05},
    CAL: {13: 0.6, 7: 0.35, 2: 0.05},
    SERVO: {7: 0.8, 13: 0.08, 2: 0.05, 31: 0.07},
    "": {7: 0.4, 2: 0.3, 13: 0.1, 31: 0.2},
}
CAL_PASSES = {BUSH: 0.5, SENS: 0.3, WIRE: 0.5, SERVO: 0.35}  # with such a fault standing
OTHER_CODES = (
    (110, 16, "coolant temperature high"),
    (168, 4, "battery voltage low"),
    (3251, 0, "soot filter pressure high"),
    (100, 18, "engine oil pressure low"),
    (1638, 16, "hydraulic oil hot"),
)
OTHER_WORK = (
    ("hydraulic_oil", "replace", "svc, oil + filters"),
    ("engine", "replace", "eng oil + flt"),
    ("battery", "replace", "batt dead, new batt"),
    ("cooling", "clean", "rad blown out"),
    ("track", "adjust", "tracks tensioned"),
    ("tire", "replace", "2 tyres"),
    ("drive_motor", "inspect", "final drv weeping, watch"),
    ("other", "repair", "door glass / bucket edge"),
)
COLUMNS = {
    "machines": "machine_id serial_number make model machine_type build_date control site owner acquired_on hours_at_acquisition disposed_on hours_at_disposal",
    "components": "machine_id component side variant serial_number built_on fitted_on fitted_hours removed_on removed_hours removal_reason",
    "meter_readings": "machine_id read_at hours source",
    "meter_changes": "machine_id changed_at old_meter_hours new_meter_hours",
    "fault_codes": "machine_id seen_at hours spn fmi occurrence_count code description status side source",
    "work_orders": "work_order_id machine_id opened_at closed_at hours site complaint cause correction status",
    "work_lines": "work_order_id line_no done_at component side action result finding variant part_number quantity labour_hours labour_cost parts_cost note",
    "measurements": "machine_id measured_at hours quantity side value unit",
    "rentals": "machine_id out_at in_at day_rate",
}


@dataclass(frozen=True)
class Make:
    name: str
    models: tuple[str, ...]
    share: float
    change: str  # first pump build date with the improved bushing ("" = never changed)
    old: tuple[float, float]  # Weibull scale (h) and shape of the old bushing
    new: tuple[float, float]
    servo: tuple[float, float]
    spn: int
    hall_from: str = "2019-01-01"


REQUIRED = "seed prefix machines books_from zone sites makes season hours_year plans phrases"
# What a fleet is unless its own settings say otherwise. Rates are a machine and 1000 running hours, pairs are (median or share, spread or mean).
DEFAULTS = dict(
    manual=0.08,
    before=0.6,
    used=0.1,
    keep_years=(8.0, 0.3),
    vanish=0.05,
    idle_year=0.02,
    # parts: early failures, old service stock in the year after a change, sensor scale (potentiometer, Hall effect), bad lots (make, from, to, scale)
    infant=0.02,
    old_stock=0.1,
    sensor_eta=(60000.0, 120000.0),
    bad_sensors=("", "", "", 0.0),
    bad_servos=("", "", "", 0.0),
    # other causes; after_idle: calibration lost and connector corroded after 60 days of rest; pump_other: pumps replaced for leaks
    wire_rate=0.01,
    wire_both=0.15,
    cal_rate=0.01,
    cal_both=0.4,
    after_idle=(0.0, 0.0),
    pump_other=0.003,
    # codes: hours between repeats, peace after a calibration that passed over a fault, share of nuisance codes of the cold months, side (field, words, none)
    repeat_h=80.0,
    quiet_h=60.0,
    burst=0.5,
    nuisance=0.01,
    nuisance_shape=1.0,
    nuisance_cold=0.0,
    nuisance_visit=0.2,
    fmi_blur=0.05,
    coverage=0.8,
    gaps=(),
    tool_read=0.5,
    side_mode=(0.75, 0.15, 0.1),
    other_codes=0.4,
    # shop: who reacts to a code, days until the visit, month in which it catches up, hours that make a comeback, sold open from the third visit on
    notice=0.5,
    delay=(9.0, 0.9),
    defer_to=0,
    defer=0.0,
    case_h=500.0,
    whim=0.08,
    sell=0.0,
    bad_work=0.06,
    induced=0.03,
    both_sides=0.3,
    find_wire=0.75,
    miss_servo=0.2,
    lie=0.2,
    # books
    unwritten=0.04,
    order_lost=0.02,
    no_lines=0.04,
    line_lost=0.05,
    coded=0.7,
    finding=0.7,
    wrong_side=0.02,
    wrong_machine=0.0,
    late=(0.0, 0.0),
    done_at=0.7,
    measure=0.5,
    spring_measure=0.0,
    read_miss=0.1,
    read_typo=0.0,
    meter_change=0.02,
    change_unwritten=0.0,
    component_rows=0.0,
    rental=0.0,
    owners=(),
)


def World(**own: Any) -> SimpleNamespace:
    unknown = set(own) - set(DEFAULTS) - set(REQUIRED.split())
    assert not unknown, unknown
    return SimpleNamespace(**{**DEFAULTS, **own})


def ordinal(text: str) -> int:
    return date.fromisoformat(text).toordinal()


def pick(rng: Any, table: dict[Any, float]) -> Any:
    return list(table)[rng.choice(len(table), p=np.array(list(table.values())) / sum(table.values()))]


def remaining(rng: Any, eta: float, beta: float, age: float = 0.0) -> float:
    """Hours still to go of a Weibull life that has reached an age."""
    life: float = eta * ((age / eta) ** beta + rng.exponential()) ** (1 / beta) - age
    return life


@dataclass
class Fault:
    side: str
    cause: str
    began: datetime
    quiet: float = 0.0
    ended: datetime | None = None
    cured_by: str = ""


@dataclass
class Books:
    tables: dict[str, list[dict[str, Any]]] = field(default_factory=lambda: {t: [] for t in COLUMNS})
    truth: list[dict[str, Any]] = field(default_factory=list)
    orders: int = 0

    def add(self, table: str, **row: Any) -> None:
        self.tables[table].append(row)


class Machine:
    def __init__(self, w: SimpleNamespace, books: Books, number: int) -> None:
        self.w, self.books, self.rng = w, books, np.random.default_rng([w.seed, number])
        rng, self.zone, self.books_from = self.rng, ZoneInfo(w.zone), ordinal(w.books_from)
        self.id = f"{w.prefix}{number + 1:03d}"
        self.make = w.makes[rng.choice(len(w.makes), p=[m.share for m in w.makes])]
        self.manual = rng.random() < w.manual
        self.site = str(rng.choice(w.sites))
        if rng.random() < w.before:
            self.start = self.books_from - int(rng.uniform(0, 7 * 365))
        else:
            self.start = int(rng.uniform(self.books_from, END - 120))
        year_h = w.hours_year[0] * np.exp(rng.normal(0, w.hours_year[1]))
        used_days = int(rng.uniform(400, 2000)) if rng.random() < w.used else 0
        self.built = self.start - used_days - int(rng.uniform(15, 200))
        self.pump_built = self.built - int(rng.uniform(5, 120))
        self.h0 = round(used_days / 365 * year_h + rng.uniform(1, 6), 1)
        self.stop = self.start + int(365 * w.keep_years[0] * np.exp(rng.normal(0, w.keep_years[1])))
        if self.stop <= self.books_from:
            self.stop = self.books_from + int(rng.uniform(60, 1500))
        self.leaves, self.stop = self.stop < END, min(self.stop, END)
        days = np.arange(self.start, self.stop)
        month = np.array([date.fromordinal(int(d)).month for d in days]) - 1
        week = np.array([1, 1, 1, 1, 1, 0.25, 0])[(days - 1) % 7]
        use = (
            np.array(w.season)[month]
            * week
            * rng.gamma(0.8, 1 / 0.8, len(days))
            * (rng.random(len(days)) < 0.85)
        )
        self.use = np.minimum(use * year_h / 365 * 1.6 / np.mean(w.season), 14.0)
        if rng.random() < w.idle_year and len(days) > 800:
            i = int(rng.integers(100, len(days) - 500))
            self.use[i : i + 365] = 0
        self.cumulate()
        self.reset = (self.H[-1] * 2, 0.0)  # meter changed at these hours, to this reading
        if rng.random() < w.meter_change and self.H[-1] > self.H[0] + 600:
            self.reset = (
                float(rng.uniform(self.H[0] + 200, self.H[-1] - 100)),
                float(rng.choice([0.0, 0.0, 12.5])),
            )
        self.telematics = rng.random() < w.coverage
        self.frail = rng.gamma(w.nuisance_shape, 1 / w.nuisance_shape)
        self.heap: list[Any] = []
        self.visits: list[Any] = []
        self.parts: dict[Any, Any] = {}
        self.standing: dict[Any, Any] = {}
        self.complaint: set[str] = set()
        self.token, self.pending, self.count = 0, False, 0
        self.faults: list[Fault] = []

    # --- hours and time -------------------------------------------------------------------------------------------
    def cumulate(self) -> None:
        self.H = self.h0 + np.concatenate([[0.0], np.cumsum(self.use)])

    def local(self, day: float, hour: float) -> datetime:
        d = datetime.combine(date.fromordinal(int(day)), datetime.min.time(), self.zone) + timedelta(
            hours=float(hour)
        )
        return d.astimezone(UTC).replace(microsecond=0)

    def day(self, h: float) -> int:
        return self.start + int(np.searchsorted(self.H, h, side="right")) - 1

    def when(self, h: float) -> datetime:
        i = min(self.day(h) - self.start, len(self.use) - 1)
        return self.local(self.start + i, 7 + 9 * min(1.0, (h - self.H[i]) / max(self.use[i], 1e-6)))

    def meter(self, h: float) -> float:
        return round(h if h < self.reset[0] else h - self.reset[0] + self.reset[1], 1)

    # --- parts and faults -----------------------------------------------------------------------------------------
    def push(self, h: float, kind: str, what: Any = None) -> None:
        self.token += 1
        heapq.heappush(self.heap, (float(h), self.token, kind, what))

    def variant(self, built: int, service: bool) -> str:
        if not self.make.change:
            return "original"
        lag = (
            365 * (self.rng.random() < self.w.old_stock) * self.rng.random()
            if service
            else self.rng.normal(0, 12)
        )
        return "improved" if built - lag >= ordinal(self.make.change) else "original"

    def fit(
        self, side: str, cause: str, h: float, built: int, age: float = 0.0, service: bool = False
    ) -> None:
        """A part begins its life at hours h; its failure is drawn at once."""
        rng, w, m = self.rng, self.w, self.make
        if cause == BUSH:
            law = m.new if self.variant(built, service) == "improved" else m.old
        elif cause == SENS:
            law = (w.sensor_eta[int(built >= ordinal(m.hall_from))], 1.2)
            if w.bad_sensors[0] == m.name and ordinal(w.bad_sensors[1]) <= built < ordinal(w.bad_sensors[2]):
                law = (w.bad_sensors[3], 1.6)
        else:
            law = m.servo
            if w.bad_servos[0] == m.name and ordinal(w.bad_servos[1]) <= built < ordinal(w.bad_servos[2]):
                law = (w.bad_servos[3], 2.2)
        left = remaining(rng, law[0], law[1], age)
        if cause == BUSH and age < 50 and rng.random() < w.infant:
            left = rng.exponential(150)
        self.push(h + left, "fail", (side, cause))
        self.parts[side, cause] = self.token

    def fit_pump(self, h: float, built: int, age: float = 0.0, service: bool = False) -> None:
        for side in SIDES:
            for cause in (BUSH, SENS, SERVO):
                self.fit(side, cause, h, built, age, service)

    def fail(self, side: str, cause: str, h: float) -> None:
        if (side, cause) not in self.standing:
            f = self.standing[side, cause] = Fault(side, cause, self.when(h))
            self.faults.append(f)
            self.push(h + self.rng.exponential(self.w.repeat_h * 0.4), "code", f)

    def live(self) -> None:
        rng, w, last = self.rng, self.w, self.H[-1]
        if not self.manual:
            self.fit_pump(self.h0, self.pump_built, self.h0)
            span = last - self.h0
            for rate, kind, both in ((w.wire_rate, WIRE, w.wire_both), (w.cal_rate, CAL, w.cal_both)):
                for h in rng.uniform(self.h0, last, rng.poisson(rate * span / 1000)):
                    self.push(h, "common", (kind, both))
            rest = 0
            for i, u in enumerate(self.use):
                if u > 0 and rest > 60 and i > 90:
                    for p, kind, both in (
                        (w.after_idle[0], CAL, w.cal_both),
                        (w.after_idle[1], WIRE, w.wire_both),
                    ):
                        if rng.random() < p:
                            self.push(self.H[i] + rng.uniform(0.05, 15), "common", (kind, both))
                rest = rest + 1 if u == 0 else 0
            for h in rng.uniform(self.h0, last, rng.poisson(self.frail * w.nuisance * span / 1000)):
                if rng.random() >= w.nuisance_cold or self.when(h).month in (11, 12, 1, 2, 3):
                    self.push(h, "nuisance", str(rng.choice(SIDES)))
            for h in rng.uniform(self.h0, last, rng.poisson(w.pump_other * span / 1000)):
                self.push(h, "pump")
        while self.heap:
            h, token, kind, what = heapq.heappop(self.heap)
            if h >= self.H[-1] or (kind != "visit" and self.day(h) >= self.stop):
                continue
            if kind == "fail" and self.parts[what] == token:
                self.fail(what[0], what[1], h)
            elif kind == "common":
                for side in SIDES if rng.random() < what[1] else (str(rng.choice(SIDES)),):
                    self.fail(side, what[0], h)
            elif kind == "nuisance":
                self.code(h, what, "")
                if rng.random() < w.nuisance_visit:
                    self.complain(h, what)
            elif kind == "code" and what.ended is None:
                if h < what.quiet:
                    self.push(what.quiet + rng.exponential(w.repeat_h), "code", what)
                    continue
                self.code(h, what.side, what.cause)
                self.push(h + rng.exponential(w.repeat_h), "code", what)
                if rng.random() < w.notice:
                    self.complain(h, what.side)
            elif kind == "visit":
                self.visit(what)
            elif kind == "pump":
                self.other_pump(h)
        self.write_rest()

    # --- codes ----------------------------------------------------------------------------------------------------
    def blind(self, at: datetime) -> bool:
        return not self.telematics or any(a <= at.date().isoformat() < b for a, b in self.w.gaps)

    def code(self, h: float, side: str, cause: str, tool: datetime | None = None) -> None:
        w, rng = self.w, self.rng
        at = tool or self.when(h)
        self.count += 1
        if not tool and self.blind(at):
            return
        fmi = pick(rng, FMI["" if rng.random() < w.fmi_blur else cause])
        mode = rng.choice(3, p=w.side_mode)
        word = ("", {"left": rng.choice(["left", "LH"]), "right": rng.choice(["right", "RH"])}[side], "")[
            mode
        ]
        text = " ".join(str(rng.choice(w.phrases["code"])).format(S=word).split())
        for _ in range(1 if tool else int(rng.geometric(1 - w.burst))):
            if at.date().toordinal() >= self.books_from and at.date().toordinal() < END:
                self.books.add(
                    "fault_codes",
                    machine_id=self.id,
                    seen_at=at,
                    hours=self.meter(h),
                    spn=self.make.spn + SIDES.index(side),
                    fmi=fmi,
                    occurrence_count=self.count,
                    description=text,
                    side=side if mode == 0 else "",
                    status="stored" if tool or rng.random() < 0.15 else "active",
                    source="service tool" if tool else "telematics",
                )
            at += timedelta(minutes=int(rng.integers(2, 14)))
            self.count += 1

    # --- the shop -------------------------------------------------------------------------------------------------
    def complain(self, h: float, side: str) -> None:
        self.complaint.add(side)
        if self.pending:
            return
        w, rng = self.w, self.rng
        day = self.day(h) + 1 + int(w.delay[0] * np.exp(rng.normal(0, w.delay[1])))
        if w.defer_to and rng.random() < w.defer:
            d = date.fromordinal(day)
            later = date(d.year + (d.month > w.defer_to), w.defer_to, 1).toordinal() + int(
                rng.integers(0, 60)
            )
            day = max(day, later)
        if day < self.stop - 1:
            self.pending = True
            self.push(self.H[day - self.start], "visit", day)

    def cure(self, key: Any, how: str, cured: list[Any]) -> bool:
        """Ends a fault, unless the work was bad: then it stands although the books will say it was done."""
        if key not in self.standing or self.rng.random() < self.w.bad_work:
            return False
        cured.append((self.standing.pop(key), how))
        return True

    def visit(self, day: int) -> None:
        w, rng = self.w, self.rng
        h = float(self.H[day - self.start])
        recent = sum(h - v < w.case_h for v in self.visits)
        self.visits.append(h)
        self.pending, sides = False, sorted(self.complaint)
        self.complaint = set()
        plan = (
            w.plans[int(rng.integers(len(w.plans)))]
            if rng.random() < w.whim
            else w.plans[min(recent, len(w.plans) - 1)]
        )
        lines: list[Any] = []
        cured: list[Any] = []
        stay, quiet = 0, 3.0
        volts = rng.random() < w.measure
        for step in plan:
            new, days, stop, calm = self.step(step, h, day, sides, cured, volts)
            lines += new
            stay, quiet = stay + days, max(quiet, calm)
            if stop:
                break
        stay = min(stay, self.stop - 1 - day)
        done = self.local(day + stay, rng.uniform(14, 17))
        for f, how in cured:
            f.ended, f.cured_by = done, how
        for f in self.standing.values():
            f.quiet = h + quiet
        self.use[day - self.start : day - self.start + stay + 1] = 0
        self.cumulate()
        if (
            any(x[2] in ("replace", "overhaul", "repair") and x[0] != "wiring" for x in lines)
            and rng.random() < w.induced
        ):
            self.push(h + rng.uniform(0.1, 20), "common", (CAL, 0.3))
        if self.blind(done) and self.standing and rng.random() < w.tool_read:
            f = next(iter(self.standing.values()))
            self.code(h, f.side, f.cause, self.local(day, rng.uniform(9, 11)))
        if recent >= 2 and self.standing and rng.random() < w.sell and day + 30 < self.stop:
            self.stop, self.leaves = day + stay + int(rng.integers(5, 25)), True
            self.use = self.use[: self.stop - self.start]
            self.cumulate()
        self.write_order(day, stay, h, sides, lines)

    def step(self, step: str, h: float, day: int, sides: list[str], cured: list[Any], volts: bool) -> Any:
        """Lines (component, side, action, result, finding, phrase key, value), days, is the case thought closed, hours of peace."""
        rng, w, out = self.rng, self.w, []
        one = sides[0] if len(sides) == 1 else ""

        def bad(s: str, c: str) -> bool:
            return (s, c) in self.standing

        if step == "wire":
            found = [s for s in SIDES if bad(s, WIRE)]
            if found and rng.random() < w.find_wire:
                ok = [self.cure((s, WIRE), "harness repaired", cured) for s in found]
                return (
                    [
                        (
                            "wiring",
                            found[0] if len(found) == 1 else "",
                            "repair",
                            "",
                            str(rng.choice(["damaged", "corroded", "loose"])),
                            "wire_fix",
                            0,
                        )
                    ],
                    int(rng.random() < 0.3),
                    rng.random() < 0.75,
                    0.0 if all(ok) else rng.exponential(w.quiet_h),
                )
            if rng.random() < 0.05:
                return [("wiring", one, "clean", "", "corroded", "wire_fix", 0)], 0, rng.random() < 0.4, 0.0
            return [("wiring", one, "inspect", "passed", "no_fault_found", "wire_ok", 0)], 0, False, 0.0
        if step == "volt":
            if volts:
                for s in sides:
                    out.append(("position_sensor", s, "test", "", "", "volt", self.measure(day, h, s)))
            return out, 0, False, 0.0
        if step == "centre":
            for s in sides:
                hit = bad(s, CAL) and rng.random() < 0.6 and self.cure((s, CAL), "sensor centred", cured)
                off = hit or (bad(s, BUSH) and rng.random() < 0.6)
                out.append(
                    (
                        "position_sensor",
                        s,
                        "adjust",
                        "passed",
                        "out_of_adjustment" if off else "",
                        "centre",
                        0,
                    )
                )
            return out, 0, False, rng.exponential(w.quiet_h * 0.6)
        if step == "cal":
            for s in SIDES:
                self.cure((s, CAL), "calibrated", cured)
            good = all(rng.random() < CAL_PASSES.get(c, 0.9) for _, c in self.standing)
            finding = (
                "out_of_adjustment" if any(f.cause == CAL for f, _ in cured) and rng.random() < 0.7 else ""
            )
            return (
                [
                    (
                        "drive_pump",
                        one,
                        "calibrate",
                        "passed" if good else "failed",
                        finding,
                        "cal_ok" if good else "cal_fail",
                        0,
                    )
                ],
                0,
                good,
                rng.exponential(w.quiet_h) if good else 0.0,
            )
        if step == "sensor":
            for s in sides:
                worn = bad(s, SENS)
                held = self.cure((s, SENS), "sensor replaced", cured)
                if held or not worn:
                    self.fit(s, SENS, h, day - 60)
                finding = (
                    str(rng.choice(["broken", "worn"]))
                    if worn
                    else "worn"
                    if rng.random() < w.lie
                    else str(rng.choice(["", "no_fault_found"]))
                )
                out.append(("position_sensor", s, "replace", "", finding, "sens_bad" if worn else "sens", 0))
            return out, int(rng.integers(1, 3)), False, rng.exponential(w.quiet_h * 0.8)
        if step == "open":
            for s in SIDES if len(sides) == 2 or rng.random() < w.both_sides else sides:
                if bad(s, SERVO) and rng.random() >= w.miss_servo:
                    if self.cure((s, SERVO), "rotating group repaired", cured):
                        self.fit(s, SERVO, h, day - 60)
                    part = str(rng.choice(["servo", "rotating_group"]))
                    out.append(
                        (
                            part,
                            s,
                            "replace" if part == "rotating_group" else "repair",
                            "failed",
                            "worn",
                            "open_rg",
                            0,
                        )
                    )
                worn = bad(s, BUSH)
                held = self.cure((s, BUSH), "bushing replaced", cured)
                if held or not worn:
                    self.fit(s, BUSH, h, day - 90, 0.0, True)
                finding = (
                    str(rng.choice(["worn", "worn", "broken"]))
                    if worn
                    else "worn"
                    if rng.random() < w.lie
                    else "no_fault_found"
                )
                out.append(
                    ("internal_bushing", s, "replace", "", finding, "bush_bad" if worn else "bush_ok", 0)
                )
            return out, int(rng.integers(2, 5)), False, 0.0
        sent = step == "send"
        for s in SIDES:
            inside = "rotating_group" if bad(s, SERVO) else "internal_bushing" if bad(s, BUSH) else ""
            for c in (BUSH, SERVO, SENS):
                if not (c == SENS and (sent or rng.random() < 0.15)):
                    held = self.cure((s, c), "pump overhauled" if sent else "pump replaced", cured)
                    if held or not bad(s, c):
                        self.fit(s, c, h, day - (60 if sent else 150), 0.0, True)
            if sent and inside and rng.random() < 0.5:
                out.append((inside, s, "replace", "", "worn", "report", 0))
        out.insert(
            0,
            (
                "drive_pump",
                "",
                "overhaul" if sent else "replace",
                "",
                str(rng.choice(["worn", "", ""])),
                "send" if sent else "pump",
                0,
            ),
        )
        self.component(day, h)
        return out, int(rng.integers(12, 36) if sent else rng.integers(3, 12)), False, 0.0

    def other_pump(self, h: float) -> None:
        """A pump replaced for a leak or dirt in the oil: new lives on both sides; what stood inside is gone with it."""
        day = self.day(h)
        cured: list[Any] = []
        self.step("pump", h, day, [], cured, False)
        for f, how in cured:
            f.ended, f.cured_by = self.local(day, 17), how
        self.write_order(day, 0, h, [], [("drive_pump", "", "replace", "", "damaged", "pump_leak", 0)])

    def component(self, day: int, h: float) -> None:
        if self.w.component_rows and day >= self.books_from and self.rng.random() < self.w.component_rows:
            self.books.add(
                "components",
                machine_id=self.id,
                component="drive_pump",
                built_on=date.fromordinal(day - 150),
                serial_number=f"TP{self.rng.integers(10**6):06d}",
                fitted_on=date.fromordinal(day),
                fitted_hours=self.meter(h),
            )

    def measure(self, day: int, h: float, side: str) -> float:
        rng, v = self.rng, 2.0 + self.rng.normal(0, 0.03)
        causes = {c for s, c in self.standing if s == side}
        v += (
            rng.normal(0, 0.22) * (BUSH in causes)
            + rng.choice([-1, 1]) * rng.uniform(0.15, 0.4) * (CAL in causes)
            + rng.normal(0, 0.07) * (SERVO in causes)
        )
        if SENS in causes or (WIRE in causes and rng.random() < 0.6):
            v = float(rng.choice([0.04, 4.9, 0.6, 3.1])) + rng.uniform(0, 0.08)
        if day >= self.books_from:
            self.books.add(
                "measurements",
                machine_id=self.id,
                measured_at=self.local(day, rng.uniform(9, 15)),
                hours=self.meter(h),
                quantity="sensor_neutral_voltage",
                side=side,
                value=round(v, 2),
                unit="V",
            )
        return v

    # --- what gets into the books ---------------------------------------------------------------------------------
    def write_order(
        self, day: int, stay: int, h: float, sides: list[str], lines: list[Any], routine: bool = False
    ) -> None:
        w, rng, b = self.w, self.rng, self.books
        if day < self.books_from or rng.random() < w.unwritten * (not routine) or rng.random() < w.order_lost:
            return
        b.orders += 1
        wo, ph = f"{w.prefix[:2]}W{b.orders:05d}", w.phrases
        swap = {"left": "right", "right": "left", "": ""}
        said = [swap[s] if rng.random() < w.wrong_side else s for s in sides]

        def say(key: str, s: str, v: float = 0.0) -> str:
            said = str(rng.choice(ph[key]))
            return " ".join(said.format(S=str(rng.choice(ph[s])) if s else "", V=v).split())

        opened, ready = self.local(day, rng.uniform(7, 9)), day + stay
        late = rng.random() < w.late[0]
        closed = ready + (int(rng.exponential(w.late[1])) + 7 if late else int(rng.random() < 0.3))
        still = closed >= END
        notes = []
        drop = rng.random() < w.no_lines
        for n, (part, side, action, result, finding, key, value) in enumerate(lines, 1):
            side = swap[side] if rng.random() < w.wrong_side else side
            note = key if routine else say(key, side, value)
            notes.append(note)
            if drop or rng.random() < w.line_lost:
                continue
            coded = rng.random() < w.coded
            done = (
                ""
                if rng.random() >= w.done_at
                else self.local(
                    closed if late and not still and rng.random() < 0.5 else ready, rng.uniform(10, 14)
                )
            )
            labour = {
                "open_rg": 9,
                "bush_bad": 11,
                "bush_ok": 6,
                "sens": 5,
                "sens_bad": 5,
                "pump": 12,
                "pump_leak": 12,
                "send": 11,
            }.get(key, 1) * rng.uniform(0.8, 1.3)
            parts = {
                "bush_bad": 4.6,
                "bush_ok": 4.6,
                "sens": 176,
                "sens_bad": 176,
                "pump": 4350,
                "pump_leak": 4350,
                "send": 1900,
                "open_rg": 640,
            }.get(key, 0)
            b.add(
                "work_lines",
                work_order_id=wo,
                line_no=n,
                done_at=done,
                component=part if coded else "",
                side=side if coded or rng.random() < 0.3 else "",
                action=action if coded else "",
                result=result if coded and rng.random() < w.finding + 0.1 else "",
                finding=finding if coded and rng.random() < w.finding else "",
                labour_hours=round(labour, 1),
                parts_cost=parts or "",
                quantity=1 if parts else "",
                note=note if not coded or rng.random() < 0.5 else "",
            )
        text = "; ".join(notes)
        b.add(
            "work_orders",
            work_order_id=wo,
            machine_id=self.id,
            opened_at=opened,
            closed_at="" if still else self.local(closed, rng.uniform(15, 18)),
            hours=self.meter(h) if rng.random() < 0.85 else "",
            site=self.site,
            status="open" if still else "closed",
            complaint="svc due"
            if routine
            else say("complaint", said[0] if len(said) == 1 else "")
            if sides
            else "pump leaking",
            correction=text if rng.random() < 0.8 else "",
        )

    def write_rest(self) -> None:
        """The machine's own row, readings, routine work, other codes, the few rentals, and the truth."""
        w, rng, b = self.w, self.rng, self.books
        known = self.leaves and rng.random() >= w.vanish
        m = self.make
        b.add(
            "machines",
            machine_id=self.id,
            serial_number=f"{m.name[:2].upper()}{rng.integers(10**6):06d}",
            make=m.name,
            model=str(rng.choice(m.models)),
            machine_type=str(rng.choice(["skid_steer_loader", "compact_track_loader"])),
            control="manual" if self.manual else "electronic_joystick",
            build_date=date.fromordinal(self.built).isoformat()[
                : int(rng.choice([4, 7, 10], p=[0.15, 0.35, 0.5]))
            ],
            site=self.site,
            owner=str(rng.choice(w.owners)) if w.owners else "",
            acquired_on=date.fromordinal(self.start),
            hours_at_acquisition=self.h0,
            disposed_on=date.fromordinal(self.stop) if known else "",
            hours_at_disposal=self.meter(self.H[-1]) if known else "",
        )
        first = max(self.start, self.books_from)
        for day in range(first, self.stop):
            d = date.fromordinal(day)
            h = float(self.H[day - self.start])
            if d.month in (1, 4, 7, 10) and d.day == 3 and rng.random() >= w.read_miss:
                typo = float(rng.choice([10.0, 0.1])) if rng.random() < w.read_typo else 1.0
                b.add(
                    "meter_readings",
                    machine_id=self.id,
                    read_at=self.local(day, 6.5),
                    hours=round(self.meter(h) * typo, int(rng.random() < 0.3)),
                    source="manual",
                )
            if (
                w.spring_measure
                and d.month == 4
                and d.day == 20
                and not self.manual
                and rng.random() < w.spring_measure
            ):
                for s in SIDES:
                    self.measure_late(day, h, s)
        if (
            self.books_from <= self.day(self.reset[0]) < self.stop
            and self.reset[0] < self.H[-1]
            and rng.random() >= w.change_unwritten
        ):
            b.add(
                "meter_changes",
                machine_id=self.id,
                changed_at=self.when(self.reset[0]),
                old_meter_hours=round(self.reset[0], 1),
                new_meter_hours=self.reset[1],
            )
        h = self.h0 + rng.uniform(100, 400)
        while h < self.H[-1]:
            picks = rng.choice(len(OTHER_WORK), size=int(rng.integers(1, 3)), replace=False)
            self.write_order(
                self.day(h),
                0,
                h,
                [],
                [(OTHER_WORK[i][0], "", OTHER_WORK[i][1], "", "", OTHER_WORK[i][2], 0) for i in picks],
                routine=True,
            )
            h += rng.uniform(250, 600)
        for h in rng.uniform(self.h0, self.H[-1], rng.poisson(w.other_codes * (self.H[-1] - self.h0) / 1000)):
            if self.telematics and self.day(h) >= self.books_from:
                spn, fmi, text = OTHER_CODES[int(rng.integers(len(OTHER_CODES)))]
                b.add(
                    "fault_codes",
                    machine_id=self.id,
                    seen_at=self.when(h),
                    hours=self.meter(h),
                    spn=spn,
                    fmi=fmi,
                    occurrence_count=1,
                    description=text,
                    status="active",
                    source="telematics",
                )
        day = first + int(rng.integers(10, 200))
        while rng.random() < w.rental and day + 30 < self.stop:
            out = int(rng.integers(1, 20))
            b.add(
                "rentals",
                machine_id=self.id,
                out_at=self.local(day, 7.5),
                in_at=self.local(day + out, 16),
                day_rate=int(rng.choice([145, 160, 190])),
            )
            day += out + int(rng.integers(20, 200))
        for f in self.faults:
            b.truth.append(
                dict(
                    machine_id=self.id,
                    side=f.side,
                    cause=f.cause,
                    began_at=f.began,
                    ended_at=f.ended or "",
                    cured_by=f.cured_by or ("sold" if known else ""),
                )
            )

    def measure_late(self, day: int, h: float, side: str) -> None:
        at, keep = self.local(day, 12), self.standing
        self.standing = {
            (f.side, f.cause): f for f in self.faults if f.began < at and (f.ended is None or f.ended > at)
        }
        self.measure(day, h, side)
        self.standing = keep


def make(name: str, folder: Path) -> None:
    w = WORLDS[name]
    books, rng = Books(), np.random.default_rng([w.seed, 10**6])
    for number in range(w.machines):
        Machine(w, books, number).live()
    rows = books.tables["machines"]
    seen = {r["machine_id"]: (r["acquired_on"].isoformat(), str(r["disposed_on"]) or "9999") for r in rows}
    for order in books.tables["work_orders"]:  # an order written to the wrong unit
        other = rows[int(rng.integers(len(rows)))]["machine_id"]
        if (
            rng.random() < w.wrong_machine
            and seen[other][0] < order["opened_at"].date().isoformat() < seen[other][1]
        ):
            order["machine_id"] = other

    def show(v: Any) -> Any:
        return v.strftime("%Y-%m-%dT%H:%M:%SZ") if isinstance(v, datetime) else v

    (Path(folder) / "files").mkdir(parents=True, exist_ok=True)
    keys = {
        "fault_codes": "seen_at",
        "meter_readings": "read_at",
        "work_orders": "opened_at",
        "measurements": "measured_at",
    }
    targets = [
        (f"files/{t}.csv", COLUMNS[t].split(), sorted(r, key=lambda x: str(x[keys[t]])) if t in keys else r)
        for t, r in books.tables.items()
        if r
    ]
    targets.append(
        ("truth.csv", ["machine_id", "side", "cause", "began_at", "ended_at", "cured_by"], books.truth)
    )
    for file, columns, table in targets:
        with open(Path(folder) / file, "w", newline="", encoding="utf-8") as handle:
            out = csv.writer(handle)
            out.writerow(columns)
            out.writerows([show(r.get(c, "")) for c in columns] for r in table)


QUARRY_WORDS = {
    "left": ("LH", "left", "L/H", "L"),
    "right": ("RH", "right", "R/H", "R"),
    "code": ("{S} drive pump does not return to neutral", "{S} pump not in neutral"),
    "complaint": (
        "wont return to neut {S}",
        "DTC not in neut {S}, drv locked out",
        "creeps fwd {S} side",
        "{S} drv code, op says stops dead",
    ),
    "wire_ok": ("chkd harn + conn, ok", "wiring insp NFF", "loom ok"),
    "wire_fix": (
        "harn chafed on frame, rep'd {S}",
        "corr pins {S} sens plug, clnd + greased",
        "bad gnd found, refitted",
    ),
    "volt": ("neut V {S} {V:.2f}", "{S} sens {V:.2f}v at rest"),
    "centre": ("ctr'd sens {S}", "{S} sens re-set to 2.0v"),
    "cal_ok": ("calib'd, passed, rtw", "pump cal ok - back to pit", "recal, tested ok"),
    "cal_fail": ("cal failed", "wont take cal", "calib aborts at neut step"),
    "sens": ("new pos sens {S}", "R&R sens {S}, old one tested ok"),
    "sens_bad": ("new pos sens {S}, old one dead", "R&R sens {S}, o/c"),
    "bush_bad": ("pump split, {S} bush worn, new fitted", "eng out, {S} bushing shot, repl"),
    "bush_ok": ("{S} bush repl while open, looked ok", "new bush {S} as precaution"),
    "open_rg": ("{S} slippers scored, grp repl", "servo piston sticking {S}, freed + polished"),
    "pump": ("c/o tandem pump", "exch pump fitted, cal'd"),
    "pump_leak": ("pump c/o, shaft seal gone", "pump scrap - dirt in oil"),
    "send": ("pump sent to hyd shop", "pump away for o/haul"),
    "report": ("hyd shop rpt: wear {S} side inside",),
}
BOROUGH_WORDS = QUARRY_WORDS | {
    "left": ("n/s", "nearside", "left"),
    "right": ("o/s", "offside", "right"),
    "code": ("{S} travel pump not returning to neutral", "not in neutral {S} travel pump"),
    "complaint": (
        "defect card: fault lamp, not in neutral {S}",
        "drive cut out {S}",
        "creeping at rest {S}, reported by opr",
    ),
    "cal_ok": ("pump calibrated, road tested ok", "calib c/o, no further action"),
    "pump": ("new pump fitted under order",),
}
DEALER_WORDS = QUARRY_WORDS | {
    "left": ("left", "LH side"),
    "right": ("right", "RH side"),
    "code": (
        "drive pump {S}: neutral position not reached, not in neutral",
        "drive pump {S} does not return to neutral",
    ),
    "complaint": (
        "cust. reports message not in neutral {S}",
        "machine stands at cust., drive blocked {S}",
        "error drive pump {S}, pls check",
    ),
    "pump": ("exchange pump mounted, adj. + test drive", "drive pump cpl. renewed acc. to quotation"),
    "send": ("pump dismounted + sent to specialist", "pump ext. overhaul, remounted"),
    "report": ("acc. to report: play in feedback {S}", "report: {S} unit worn inside"),
    "sens": ("angle sensor {S} renewed", "sensor {S} renewed on trial"),
    "sens_bad": ("angle sensor {S} defect, renewed",),
    "wire_ok": ("cable harness checked, i.o.", "plugs checked w/o finding"),
    "wire_fix": ("cable {S} rubbed through, rep.", "plug {S} oxidised, cleaned"),
    "cal_ok": ("calibration carried out i.o.", "re-learned, i.o."),
    "cal_fail": ("calibration not possible", "calibration n.i.o."),
}
STEADY = (0.8, 0.8, 1, 1.1, 1.1, 1.1, 1.1, 1.0, 1.1, 1.1, 1, 0.7)
WORLDS = {
    "limepit": World(
        seed=7301,
        prefix="LP",
        machines=210,
        books_from="2019-07-01",
        zone="Europe/Dublin",
        sites=("Lower Pit", "Upper Pit"),
        season=STEADY,
        makes=(
            Make(
                "Brennock",
                ("B70", "B90T"),
                0.45,
                "2019-03-01",
                (4300, 2.4),
                (22000, 2.0),
                (60000, 1.5),
                520310,
            ),
            Make(
                "Olvarn",
                ("OV6", "OV8"),
                0.35,
                "2021-09-15",
                (5200, 3.0),
                (16000, 2.2),
                (45000, 1.6),
                521840,
                "2022-01-01",
            ),
            Make("Tuskvale", ("T-220",), 0.20, "", (8500, 2.0), (8500, 2.0), (70000, 1.5), 516600),
        ),
        hours_year=(820, 0.35),
        phrases=QUARRY_WORDS,
        plans=(("cal",), ("cal",), ("wire", "cal"), ("volt", "cal", "open", "cal")),
        wire_rate=0.016,
        cal_rate=0.012,
        infant=0.03,
        repeat_h=70,
        quiet_h=140,
        coverage=0.66,
        notice=0.45,
        sell=0.12,
        bad_work=0.1,
        coded=0.5,
        finding=0.5,
        line_lost=0.06,
        unwritten=0.08,
        measure=0.25,
        nuisance=0.015,
        delay=(6, 0.8),
        both_sides=0.15,
        keep_years=(7, 0.3),
    ),
    "northborough": World(
        seed=7302,
        prefix="NB",
        machines=130,
        books_from="2017-07-01",
        zone="Europe/London",
        sites=("Parks", "Highways", "East Depot"),
        season=(0, 0, 0.4, 1, 1.3, 1.3, 1.2, 1.2, 1.2, 1.1, 0.8, 0),
        makes=(
            Make(
                "Kestrup",
                ("K400", "K450"),
                0.6,
                "",
                (4200, 2.2),
                (4200, 2.2),
                (50000, 1.5),
                517120,
                "2021-01-01",
            ),
            Make("Mordane", ("M5", "M5T"), 0.4, "", (6500, 1.7), (6500, 1.7), (50000, 1.5), 518200),
        ),
        hours_year=(430, 0.4),
        phrases=BOROUGH_WORDS,
        plans=(
            ("wire", "volt", "centre", "cal"),
            ("wire", "volt", "cal", "sensor", "cal"),
            ("wire", "volt", "open", "cal"),
        ),
        manual=0.15,
        keep_years=(11, 0.25),
        wire_rate=0.02,
        wire_both=0.4,
        cal_rate=0.01,
        cal_both=0.7,
        after_idle=(0.018, 0.016),
        repeat_h=220,
        quiet_h=80,
        burst=0.3,
        gaps=(("2017-01-01", "2021-03-01"),),
        coverage=0.7,
        tool_read=0.7,
        side_mode=(0.55, 0.3, 0.15),
        notice=0.4,
        delay=(20, 0.9),
        defer_to=1,
        defer=0.45,
        case_h=1000,
        bad_work=0.04,
        coded=0.75,
        finding=0.3,
        line_lost=0.03,
        done_at=0.9,
        measure=0.6,
        spring_measure=0.7,
        read_miss=0.05,
        idle_year=0.04,
        nuisance=0.01,
        wrong_side=0.03,
        meter_change=0.05,
    ),
    "valley_dealer": World(
        seed=7303,
        prefix="KD",
        machines=480,
        books_from="2021-07-01",
        zone="Europe/Vienna",
        sites=("Workshop",),
        season=STEADY,
        makes=(
            Make(
                "Pelwick",
                ("P18", "P24"),
                0.4,
                "2016-05-01",
                (5000, 2.6),
                (30000, 1.8),
                (32000, 1.7),
                519450,
                "2018-01-01",
            ),
            Make(
                "Sarnbeck",
                ("SB1", "SB3"),
                0.35,
                "2020-02-10",
                (4700, 2.8),
                (19000, 2.1),
                (40000, 1.6),
                523010,
                "2020-02-10",
            ),
            Make(
                "Ollergard",
                ("G60",),
                0.25,
                "2022-10-01",
                (5600, 2.3),
                (25000, 2.0),
                (28000, 1.8),
                515770,
                "2017-01-01",
            ),
        ),
        hours_year=(640, 0.6),
        phrases=DEALER_WORDS,
        plans=(("wire", "cal"), ("volt", "cal", "sensor", "cal"), ("send", "cal"), ("pump", "cal")),
        used=0.25,
        before=0.7,
        keep_years=(7, 0.4),
        vanish=0.7,
        wire_rate=0.02,
        cal_rate=0.008,
        pump_other=0.012,
        old_stock=0.4,
        repeat_h=30,
        quiet_h=35,
        burst=0.6,
        gaps=(("2023-05-01", "2023-09-01"),),
        coverage=0.55,
        notice=0.3,
        delay=(12, 1.0),
        unwritten=0.3,
        no_lines=0.08,
        line_lost=0.08,
        coded=0.6,
        finding=0.5,
        measure=0.4,
        nuisance=0.02,
        bad_work=0.03,
        component_rows=0.8,
        rental=0.06,
        read_miss=0.25,
        owners=tuple(f"Customer {n:02d}" for n in range(1, 41)),
    ),
}
NAMES: tuple[str, ...] = tuple(WORLDS)
