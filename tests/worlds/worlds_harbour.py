"""Three invented rental fleets: what truly broke on their joystick machines, and what their yards wrote down about it.

A machine is lived day by day (rentals by season, idle years, shop days without use). On each side a bushing, a sensor, the
harness, the calibration and the servo fail by their own law; a standing fault repeats its code by running hours, some codes
bring the machine in, the shop works down its habit (ladder), cures or misses, and the books lose part of it. Truth holds
every fault that stood while the yard had records and owned the machine, with the fault's real start; older ones are not in it.

tidewrack  420 machines, 3 sites, 7 years. Bushings dominate (wear, Weibull; three makes changed the part at different dates,
           one never did). Sensor first, twice, before anyone opens a pump. Telematics in bursts with long gaps, two fleet-wide
           outages, many nuisance codes; meters are often replaced and a third of that is not noted. Cures hold well.
saltline   300 machines, 2 sites, 6 years. Harness and ground trouble dominates, worst in the wet half of the year, often both
           sides at once, splices fail again. No design change at all; bushings wear out late (lognormal). Few measurements,
           sides often missing, codes of half of the machines only; a fault repeats its code seldom (190 h).
pilotyard  80 machines, one site, 5 years. One make's sensors of an eleven-month batch die early, spares of that time
           included; bushing wear comes second. Orders are tidy but findings seldom entered and no rentals kept;
           lines carry the time of closing, not of the work. Quick codes (25 h).
"""

from __future__ import annotations

import csv
import math
import random
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any

LAST = date(2026, 6, 30).toordinal()
SIDES = ("left", "right")
NEVER = math.inf
CAUSES = ("internal_bushing", "position_sensor", "wiring", "calibration", "servo_or_rotating_group")
COLUMNS = {
    "machines": "machine_id pin serial_number make model machine_type build_date control site acquired_on "
    "hours_at_acquisition disposed_on hours_at_disposal",
    "components": "machine_id component side variant serial_number built_on fitted_on fitted_hours removed_on "
    "removed_hours removal_reason",
    "meter_readings": "machine_id read_at hours source",
    "meter_changes": "machine_id changed_at old_meter_hours new_meter_hours",
    "fault_codes": "machine_id seen_at hours spn fmi occurrence_count code description status side source",
    "work_orders": "work_order_id machine_id opened_at closed_at hours site complaint cause correction status",
    "work_lines": "work_order_id line_no done_at component side action result finding variant part_number quantity "
    "labour_hours labour_cost parts_cost note",
    "measurements": "machine_id measured_at hours quantity side value unit",
    "rentals": "machine_id out_at in_at day_rate",
}
FMI = {  # weights of the failure mode a controller reports, by what is really wrong
    "internal_bushing": {7: 60, 2: 16, 13: 14, 31: 6, 4: 4},
    "position_sensor": {3: 30, 4: 28, 2: 22, 5: 12, 7: 8},
    "wiring": {4: 25, 3: 22, 5: 20, 2: 20, 6: 9, 7: 4},
    "calibration": {13: 62, 7: 30, 2: 8},
    "servo_or_rotating_group": {7: 84, 2: 6, 31: 10},
    "nuisance": {7: 35, 2: 40, 31: 15, 13: 10},
}
MARK = {
    "drive_pump": "pump",
    "position_sensor": "swash sensor",
    "internal_bushing": "pump bushing",
    "wiring": "harness",
    "servo": "servo",
    "rotating_group": "rotating group",
    "controller": "controller",
}
DONE = {
    "inspect": "checked",
    "test": "tested",
    "adjust": "centred",
    "calibrate": "calibrated",
    "clean": "cleaned",
    "repair": "repaired",
    "replace": "replaced",
    "overhaul": "rebuilt",
}
CURE = {
    "internal_bushing": "bushing replaced",
    "position_sensor": "sensor replaced",
    "wiring": "harness repaired",
    "calibration": "calibrated",
    "servo_or_rotating_group": "servo overhauled",
}


@dataclass(frozen=True)
class Make:
    """One maker: its wear law before and after its own design change (None: never changed), hours."""

    name: str
    models: tuple[str, ...]
    share: float
    law_old: tuple[Any, ...]  # (kind, shape, scale, share of infant lives)
    law_new: tuple[Any, ...]
    change: date | None
    spn: tuple[int, int]  # left, right (may be the same number)
    text: tuple[str, ...]  # {s} is the side word or nothing
    hall_from: date | None = None


# Settings of a fleet; a world overrides what differs. Laws are (kind, shape, scale in hours, share of infant lives).
DEFAULT = dict(
    zone=-6,
    season=(1,) * 12,
    wet=(1,) * 12,  # fixed local time; demand and wiring trouble by month
    spell=(9, 12, 5.5),
    idle=0.05,  # mean days out, days in, hours a working day; parked for about a year
    manual=0.05,
    used=0.1,
    keep=(5, 9),
    vanish=0.1,  # shares, years kept, leaves without a disposal date
    sell_open=0.0,
    frailty=0.25,
    service_lag=120,  # sold at visit 3+; spread of use; days until spares follow the design
    sensor=("weibull", 1.2, 40000, 0),
    batch=None,  # batch: (make or "", from, to, chance bad, law of bad, spares also)
    wiring=0.02,
    common=0.15,
    calibration=0.02,  # per 1000 h and side; share that hits both sides at once
    servo=("weibull", 2.2, 26000, 0),
    refail={},
    rewire=0.1,
    upset=0.05,  # right repair does not hold; splice fails anew; repair upsets calibration
    repeat=80,
    mask=60,
    notice=0.7,
    delay=6,
    reset=350,  # hours between codes; quiet after useless step; code brings it in
    nuisance=0.05,
    burst=1.5,
    find_wire=0.8,
    false_wire=0.1,
    blame=0.4,
    overcall=0.2,
    both_open=0.4,
    reman_old=0.0,
    stop=0.7,  # sound part booked worn; rebuilt with the old bushing
    unwritten=0.03,
    order_lost=0.02,
    no_lines=0.05,
    line_lost=0.05,
    wrong_side=0.02,
    no_side=0.1,
    no_finding=0.2,
    no_result=0.2,
    free_text=0.0,
    late=0.1,
    stamp_close=False,
    hours_blank=0.1,  # the books
    tele=0.8,
    gap=(500, 40),
    outage=(),
    tool=0.3,
    code_side=(0.8, 0.5),  # boxes, days between and of gaps, side field/words
    read_every=14,
    read_rental=False,
    meter_swap=0.03,
    swap_noted=0.8,
    measured=0.5,
    rentals=0.95,
    components=0.0,
)


def draw(r: random.Random, law: tuple[str, float, float, float]) -> float:
    kind, shape, scale, infant = law
    if infant and r.random() < infant:
        return r.expovariate(1 / 160) + 4
    if kind == "lognormal":
        return scale * math.exp(shape * r.gauss(0, 1))
    if kind == "gamma":
        return r.gammavariate(shape, scale / shape)
    return r.weibullvariate(scale, shape) + 4


def pick(r: random.Random, weights: Mapping[Any, float]) -> Any:
    return r.choices(list(weights), weights=list(weights.values()))[0]


class Fault:
    def __init__(self, side: Any, cause: Any, began: Any, r: Any) -> None:
        self.side, self.cause, self.began, self.ended, self.by, self.twin = side, cause, began, None, "", None
        self.pace, self.next, self.offset = (
            math.exp(r.gauss(0, 0.35)),
            0.0,
            r.choice((-1, 1)) * r.uniform(0.15, 0.6),
        )


class Machine:
    def __init__(self, w: Any, i: int, book: Book) -> None:
        r = self.r = random.Random(f"{w.seed}-{w.tag}-{i}")
        self.w, self.book, self.id, self.site = w, book, f"{w.tag}{i + 1:03d}", r.choice(w.sites)
        self.make = r.choices(w.makes, weights=[m.share for m in w.makes])[0]
        first = w.start.toordinal()
        self.born = r.randint(first - 1500, LAST - 250)
        self.acq = self.born + r.randint(15, 240)
        if r.random() < w.used:
            self.acq = min(self.born + r.randint(500, 1500), LAST - 120)
        self.leave = self.acq + int(365 * r.uniform(*w.keep))
        if self.leave < first + 200:
            self.leave = first + r.randint(200, 1600)
        self.gone = self.leave <= LAST
        self.vanished = r.random() < w.vanish
        self.seen = max(first, self.acq)
        self.control = "manual" if r.random() < w.manual else "electronic_joystick"
        self.hard = math.exp(w.frailty * r.gauss(0, 1))
        self.h, self.off = 0.0, 0.0
        self.faults: list[Any] = []
        self.bay: list[Any] = []
        self.sell_at: int | None = None
        self.pump_built = self.born - r.randint(8, 130)
        self.fit: dict[Any, Any] = {}
        self.due = {(s, c): NEVER for s in SIDES for c in CAUSES}
        if self.control != "manual":
            for s in SIDES:
                self.fit_bushing(s, self.pump_built, False)
                self.fit_sensor(s, self.pump_built, w.batch is not None)
                for c in ("wiring", "calibration", "servo_or_rotating_group"):
                    self.arm(s, c)
        self.case = {s: [0, -1e9] for s in SIDES}
        self.tele = r.random() < w.tele and self.control != "manual"
        self.dark, d = list((a.toordinal(), b.toordinal()) for a, b in w.outage), self.born
        while d < LAST:
            d += int(r.expovariate(1 / w.gap[0])) + 1
            self.dark.append((d, d := d + int(r.expovariate(1 / w.gap[1])) + 2))

    # --- parts and their lives -------------------------------------------------------------------------------------
    def fit_bushing(self, s: Any, built: Any, old_anyway: Any) -> None:
        m = self.make
        old = m.change is None or built < m.change.toordinal() or old_anyway
        life = draw(self.r, m.law_old if old else m.law_new) * self.hard
        self.fit[s] = ("original" if old else "improved", self.h, life)
        self.due[s, "internal_bushing"] = self.h + life

    def fit_sensor(self, s: Any, built: Any, suspect: Any) -> None:
        b, law = self.w.batch, self.w.sensor
        if suspect and b[0] in ("", self.make.name) and b[1].toordinal() <= built < b[2].toordinal():
            law = b[4] if self.r.random() < b[3] else law
        self.due[s, "position_sensor"] = self.h + draw(self.r, law)

    def arm(self, s: Any, c: Any, soon: Any = False) -> None:
        r, w = self.r, self.w
        if c == "servo_or_rotating_group":
            life = draw(r, w.servo)
        else:
            life = r.expovariate(
                1 / 180 if soon else max({"wiring": w.wiring, "calibration": w.calibration}[c], 1e-9) / 1000
            )
        self.due[s, c] = self.h + life

    def stamp(self, d: Any, lo: Any = 8.0, hi: Any = 16.5) -> Any:
        local = datetime.fromordinal(d) + timedelta(seconds=int(3600 * self.r.uniform(lo, hi)))
        return local - timedelta(hours=self.w.zone)

    def meter(self) -> Any:
        return round(max(self.h - self.off, 0.0), 1)

    def standing(self, s: Any = None) -> Any:
        return [f for f in self.faults if f.ended is None and s in (None, f.side)]

    def fail(self, s: Any, cause: Any, d: Any, when: Any = None) -> Any:
        f = Fault(s, cause, when or self.stamp(d, 6.0, 7.9), self.r)
        f.next = self.h + self.r.expovariate(2 / self.w.repeat)
        self.faults.append(f)
        self.due[s, cause] = NEVER
        return f

    def cure(self, f: Any, when: Any, by: Any) -> Any:
        """The right step was done; it may not hold, then the fault goes on standing behind a quiet spell."""
        if self.r.random() < self.w.refail.get(f.cause, 0.03):
            f.next = self.h + self.r.expovariate(1 / self.w.mask)
            return False
        f.ended, f.by = when, by
        if f.cause in ("wiring", "calibration"):
            self.arm(f.side, f.cause, f.cause == "wiring" and self.r.random() < self.w.rewire)
            if f.twin and f.twin.ended is None:
                f.twin.ended, f.twin.by = when, by
                self.arm(f.twin.side, f.cause)
        return True

    # --- use -------------------------------------------------------------------------------------------------------
    def calendar(self) -> Any:
        r, w = self.r, self.w
        use, spells, d = [0.0] * (LAST - self.born + 2), [], self.born + 5
        parked = r.randint(self.born, LAST) if r.random() < w.idle else LAST + 999
        back = parked + r.randint(240, 480)
        while d < LAST:
            month = date.fromordinal(d).month - 1
            d += int(r.expovariate(w.season[month] / w.spell[1])) + 1
            if parked <= d < back:
                d = back
            out, d = d, d + int(r.expovariate(1 / w.spell[0])) + 1
            rate = r.gammavariate(5, w.spell[2] / 5)
            for k in range(out, min(d, LAST + 1)):
                if (k % 7 or r.random() < 0.2) and not parked <= k < back:
                    use[k - self.born] = min(rate * r.uniform(0.4, 1.6), 16)
            spells.append((out, d))
        return use, spells

    # --- one life, day by day --------------------------------------------------------------------------------------
    def live(self) -> None:
        r, w, book = self.r, self.w, self.book
        use, spells = self.calendar()

        def rate(per1000: float) -> float:
            return self.h + r.expovariate(per1000 / 1000) if per1000 > 0 else NEVER

        nuis, swap, other, clutter = rate(w.nuisance), rate(w.meter_swap), rate(3.4), rate(1.2)
        if self.control == "manual":
            nuis = NEVER
        visit, shop, read, busy_out, at_acq, d = None, -1, self.seen + r.randint(0, 6), 0, 0.0, self.born
        while d < min(self.leave, LAST) + 1:
            if d == self.acq:
                at_acq = self.meter()
            if visit and d >= visit[0] and d > shop:
                shop, visit = self.visit(d, visit[1]), None
            if d > shop and use[d - self.born]:
                self.h += use[d - self.born]
                for (s, c), at in self.due.items():
                    if self.h >= at:
                        self.onset(s, c, d)
                for f in self.standing():
                    if self.h >= f.next:
                        self.code(d, f.side, f.cause)
                        f.next = self.h + r.expovariate(1 / (w.repeat * f.pace))
                        if visit is None and r.random() < w.notice:
                            visit = (d + 1 + int(r.expovariate(1 / w.delay)), f.side)
                if self.h >= nuis:
                    s, nuis = r.choice(SIDES), rate(w.nuisance)
                    self.code(d, s, "nuisance")
                    if visit is None and r.random() < w.notice * 0.6:
                        visit = (d + 1 + int(r.expovariate(1 / w.delay)), s)
                if self.h >= clutter:
                    clutter = rate(1.2)
                    self.code(d, "", "other")
                if self.h >= swap:
                    swap = rate(w.meter_swap)
                    new = r.choice(
                        (0.0, 0.0, round(r.uniform(0, 3), 1), round(self.meter() * r.uniform(0.2, 0.9)))
                    )
                    if r.random() < w.swap_noted and d >= self.seen:
                        book.add(
                            "meter_changes", self.id, book.iso(self.stamp(d, 16.6, 17)), self.meter(), new
                        )
                    self.off = self.h - new
            if self.h >= other:
                other = rate(3.4)
                book.routine(self, d)
            if d >= read and d >= self.seen:
                read = d + max(1, int(r.gauss(w.read_every, w.read_every / 5)))
                live = self.tele and not self.is_dark(d)
                if live or not self.tele or w.read_every > 60:
                    book.add(
                        "meter_readings",
                        self.id,
                        book.iso(self.stamp(d, 17.1, 17.8)),
                        self.meter() if live else round(self.meter()),
                        "telematics" if live else "manual",
                    )
            while busy_out < len(spells) and spells[busy_out][1] <= d:
                out, back = spells[busy_out]
                busy_out += 1
                if (
                    out >= self.seen
                    and r.random() < w.rentals
                    and not any(a <= out <= b for a, b in self.bay[-3:])
                ):
                    book.add(
                        "rentals",
                        self.id,
                        book.iso(self.stamp(out, 5.5, 6)),
                        book.iso(self.stamp(back, 17.8, 18)),
                        r.choice((245, 260, 290, 310)),
                    )
                if out >= self.seen and w.read_rental and r.random() < 0.85:
                    book.add(
                        "meter_readings",
                        self.id,
                        book.iso(self.stamp(back, 18, 18.4)),
                        round(self.meter()),
                        "rental",
                    )
            if self.sell_at is not None and d >= self.sell_at and d > shop:
                self.leave, self.gone = d, True
            d += 1
        if busy_out < len(spells) and spells[busy_out][0] < LAST and not self.gone and r.random() < w.rentals:
            book.add(
                "rentals", self.id, book.iso(self.stamp(max(spells[busy_out][0], self.seen), 5.5, 6)), "", 260
            )  # still out
        book.machine(self, at_acq)
        for f in self.faults:
            limit = datetime.fromordinal(self.seen)
            if f.ended is None or f.ended >= limit:
                by = f.by or ("sold" if self.gone and not self.vanished else "")
                book.truth.append((self.id, f.side, f.cause, book.iso(f.began), book.iso(f.ended), by))

    def onset(self, s: Any, c: Any, d: Any) -> Any:
        month = date.fromordinal(d).month - 1
        if c == "wiring" and self.r.random() * max(self.w.wet) > self.w.wet[month]:
            return self.arm(s, c)
        f = self.fail(s, c, d)
        o = SIDES[s == "left"]
        if c in ("wiring", "calibration") and self.r.random() < self.w.common and self.due[o, c] < NEVER:
            f.twin = self.fail(o, c, d, f.began)
            f.twin.twin = f

    def is_dark(self, d: Any) -> Any:
        return any(a <= d < b for a, b in self.dark)

    def code(self, d: Any, s: Any, cause: Any, source: Any = "telematics") -> None:
        """A code event: a burst of rows if the box is on line, nothing if it is dark."""
        r, w, m, book = self.r, self.w, self.make, self.book
        if d < self.seen or (source == "telematics" and (not self.tele or self.is_dark(d))):
            return
        n = 1 + (min(int(r.expovariate(1 / w.burst)), 12) if w.burst and source == "telematics" else 0)
        if cause == "other":
            spn, fmi, words = r.choice(
                (
                    (110, 0, "coolant hot"),
                    (168, 1, "battery voltage low"),
                    (100, 1, "oil pressure low"),
                    (3251, 0, "exhaust filter restricted"),
                    (97, 31, "water in fuel"),
                )
            )
            n = 1
        else:
            spn, fmi = m.spn[s == "right"], pick(r, FMI[cause])
            words = r.choice(m.text).format(
                s=r.choice((s, s[0].upper() + "H")) if r.random() < w.code_side[1] else ""
            )
        side = s if cause != "other" and r.random() < w.code_side[0] else ""
        when = self.stamp(d, 8, 14.5)
        for k in range(n):
            book.add(
                "fault_codes",
                self.id,
                book.iso(when),
                self.meter() if r.random() > 0.1 else "",
                spn,
                fmi,
                k + 1,
                "",
                " ".join(words.split()),
                "active" if source == "telematics" else "stored",
                side,
                source,
            )
            when += timedelta(seconds=20 + int(r.expovariate(1 / 500)))

    # --- the shop --------------------------------------------------------------------------------------------------
    def visit(self, d: Any, s: Any) -> Any:
        r, w, case = self.r, self.w, self.case[s]
        if self.h - case[1] > w.reset:
            case[0] = 0
        attempt, case[1] = case[0], self.h
        case[0] += 1
        if attempt >= 2 and self.sell_at is None and r.random() < w.sell_open and d > self.seen:
            self.sell_at = d + r.randint(10, 60)
            self.book.order(self, d, d + 1, s, [], "sell, not worth more hours")
            return d
        if r.random() < w.tool:
            for f in self.standing(s)[:1]:
                self.code(d, s, f.cause, "service tool")
        steps = [x.partition(":") for x in w.ladder[attempt % len(w.ladder)]]
        lines, days = [], r.randint(0, 3)
        steps = [name for name, _, p in steps if r.random() < float(p or 1)] or ["look"]
        days += 3 * ("open" in steps) + (r.randint(8, 35) if "sendout" in steps else 2 * ("pump" in steps))
        if d + days > min(self.leave, LAST):  # never finished in our time
            self.book.order(self, d, LAST + 1, s, [], "waiting")
            return d + days
        when = self.stamp(d + days, 12, 16.8)
        self.bay.append((d, d + days))
        for name in steps:
            lines += getattr(self, "do_" + name)(s, d, when)
            quiet = not self.standing(s) or r.random() < 0.5  # the test drive shows it or not
            if name not in ("look", "measure") and quiet and r.random() < w.stop:
                break
        if any(x[2] in ("replace", "overhaul") and x[0] != "wiring" for x in lines):
            self.upset(s, when)
        self.book.order(self, d, d + days, s, lines, "")
        return d + days

    def hide(self, s: Any) -> None:
        for f in self.standing(s):
            f.next = max(f.next, self.h + self.r.expovariate(1 / self.w.mask))

    def upset(self, s: Any, when: Any) -> None:
        """The repair itself left the pump out of calibration."""
        if self.r.random() < self.w.upset and self.due[s, "calibration"] < NEVER:
            self.fail(s, "calibration", 0, when + timedelta(minutes=5))

    def do_look(self, s: Any, d: Any, when: Any) -> Any:
        return [("drive_pump", s, "inspect", self.r.choice(("passed", "")), "no_fault_found", "", 0.6, 0)]

    def do_measure(self, s: Any, d: Any, when: Any) -> Any:
        r, volts, bad = self.r, self.r.gauss(2.0, 0.03), False
        for f in self.standing(s):
            bad = True
            if f.cause == "internal_bushing":
                volts += r.gauss(0, 0.24)
            elif f.cause == "calibration":
                volts += f.offset
            elif f.cause == "position_sensor" or (f.cause == "wiring" and r.random() < 0.45):
                volts = r.choice((0.02, 0.1, 4.9, 4.6, 3.3)) + abs(r.gauss(0, 0.03))
        if r.random() < self.w.measured and d >= self.seen:
            self.book.add(
                "measurements",
                self.id,
                self.book.iso(self.stamp(d, 9.5, 11.5)),
                self.meter(),
                "sensor_neutral_voltage",
                s,
                round(volts, 2),
                "V",
            )
        res = "failed" if abs(volts - 2) > 0.12 else "passed"
        return [
            (
                "position_sensor",
                s,
                "test",
                res,
                "out_of_adjustment" if bad and res == "failed" else "",
                "",
                0.8,
                0,
            )
        ]

    def do_wire(self, s: Any, d: Any, when: Any) -> Any:
        r, f = self.r, next((f for f in self.standing(s) if f.cause == "wiring"), None)
        if f and r.random() < self.w.find_wire:
            self.cure(f, when, CURE["wiring"])
            what = r.choice(("corroded", "damaged", "loose", "broken"))
            return [
                ("wiring", s, "inspect", "failed", what, "", 0.7, 0),
                (
                    "wiring",
                    s,
                    r.choice(("repair", "repair", "replace", "clean")),
                    "passed",
                    what,
                    "",
                    r.uniform(1, 4),
                    40,
                ),
            ]
        out = [("wiring", s, "inspect", "passed", "no_fault_found", "", 0.7, 0)]
        if r.random() < self.w.false_wire:
            self.hide(s)
            out.append(("wiring", s, "clean", "", r.choice(("corroded", "loose", "")), "", 0.5, 6))
        return out

    def do_cal(self, s: Any, d: Any, when: Any) -> Any:
        r, ok = self.r, True
        for f in self.standing(s):
            if f.cause == "calibration":
                self.cure(f, when, CURE["calibration"])
            else:
                ok = ok and r.random() < {"internal_bushing": 0.5, "wiring": 0.55}.get(f.cause, 0.25)
        if ok:
            self.hide(s)
        act = r.choice(
            (("drive_pump", "calibrate"), ("drive_pump", "calibrate"), ("position_sensor", "adjust"))
        )
        return [
            (act[0], s, act[1], "passed" if ok else "failed", "" if ok else "out_of_adjustment", "", 1.2, 0)
        ]

    def do_sensor(self, s: Any, d: Any, when: Any) -> Any:
        r, m, found = self.r, self.make, "no_fault_found"
        hall = "hall_effect" if m.hall_from and d > m.hall_from.toordinal() else "potentiometer"
        for f in self.standing(s):
            if f.cause == "position_sensor":
                self.cure(f, when, CURE["position_sensor"])
                found = r.choice(("broken", "broken", "worn", "damaged"))
        if found == "no_fault_found" and r.random() < self.w.blame:
            found = r.choice(("worn", "broken", ""))
        if not any(f.cause == "position_sensor" for f in self.standing(s)):
            self.fit_sensor(s, d - r.randint(20, 300), bool(self.w.batch and self.w.batch[5]))
        self.hide(s)
        return [
            ("position_sensor", s, "replace", r.choice(("passed", "")), found, hall, r.uniform(5, 9), 180)
        ]

    def swap_bushing(self, s: Any, d: Any, when: Any, by: Any, force: Any = False) -> Any:
        r, bad = self.r, [f for f in self.standing(s) if f.cause == "internal_bushing"]
        held = all([self.cure(f, when, by) for f in bad])
        worn = bool(bad) or r.random() < self.w.overcall or (self.h - self.fit[s][1]) / self.fit[s][2] > 0.9
        if held:
            self.fit_bushing(s, d - self.w.service_lag, force)
        return "worn" if worn and r.random() < 0.8 else ("broken" if worn else "no_fault_found")

    def do_open(self, s: Any, d: Any, when: Any) -> Any:
        r, out = self.r, []
        for side in (s, SIDES[s == "left"])[: 2 if r.random() < self.w.both_open else 1]:
            found = self.swap_bushing(side, d, when, CURE["internal_bushing"])
            out.append(
                ("internal_bushing", side, "replace", "", found, self.fit[side][0], r.uniform(9, 15), 5)
            )
            for f in self.standing(side):
                if f.cause == "servo_or_rotating_group" and r.random() < 0.8:
                    if self.cure(f, when, CURE[f.cause]):
                        self.arm(side, f.cause)
                    out.append(
                        (
                            r.choice(("servo", "rotating_group")),
                            side,
                            "overhaul",
                            "",
                            "worn",
                            "",
                            r.uniform(3, 8),
                            600,
                        )
                    )
        self.hide(s)
        return out + self.do_cal(s, d, when)

    def do_pump(self, s: Any, d: Any, when: Any, by: Any = "pump replaced", force: Any = False) -> Any:
        r, hit = self.r, False
        for side in SIDES:
            for f in self.standing(side):
                if f.cause == "position_sensor":
                    self.cure(f, when, by)
                if f.cause == "servo_or_rotating_group" and self.cure(f, when, by):
                    self.arm(side, f.cause)
                hit = hit or f.cause in ("servo_or_rotating_group", "internal_bushing")
                if f.cause == "calibration" and f.ended is None:
                    self.cure(f, when, CURE["calibration"])
            if not any(f.cause == "position_sensor" for f in self.standing(side)):
                self.fit_sensor(side, d, False)
            self.swap_bushing(side, d, when, by, force)
            self.hide(side)
        if self.w.components and d >= self.seen and r.random() < self.w.components:
            self.book.add(
                "components",
                self.id,
                "drive_pump",
                "",
                "",
                f"P{r.randint(10000, 99999)}",
                "",
                date.fromordinal(when.toordinal()),
                self.meter(),
                "",
                "",
                "",
            )
        act = "overhaul" if by.endswith("outside") else "replace"
        return [
            (
                "drive_pump",
                r.choice((s, "")),
                act,
                "",
                r.choice(("worn", "")) if hit else "",
                "",
                r.uniform(10, 16),
                3900,
            )
        ]

    def do_sendout(self, s: Any, d: Any, when: Any) -> Any:
        return self.do_pump(s, d, when, "pump rebuilt outside", self.r.random() < self.w.reman_old)


class Book:
    """What the yard keeps on paper, and what it loses."""

    def __init__(self, w: Any) -> None:
        self.w, self.orders = w, 0
        self.rows: dict[str, list[Any]] = {k: [] for k in COLUMNS}
        self.truth: list[Any] = []
        self.r = random.Random(f"{w.seed}-book")

    def add(self, table: Any, *row: Any) -> None:
        self.rows[table].append(row)

    @staticmethod
    def iso(t: Any) -> Any:
        return t.strftime("%Y-%m-%dT%H:%M:%SZ") if t else ""

    def machine(self, m: Any, at_acq: Any) -> None:
        r = self.r
        born = date.fromordinal(m.born)
        built = r.choice((str(born), str(born)[:7], str(born)[:4], str(born)[:7]))
        left = m.gone and not m.vanished
        kind = r.choice(("compact_track_loader", "compact_track_loader", "skid_steer_loader"))
        self.add(
            "machines",
            m.id,
            "",
            f"{m.make.name[:2].upper()}{r.randint(100000, 999999)}",
            m.make.name,
            r.choice(m.make.models),
            kind,
            built,
            m.control if r.random() > 0.03 or m.control == "manual" else "",
            m.site,
            date.fromordinal(m.acq),
            round(at_acq),
            date.fromordinal(m.leave) if left else "",
            m.meter() if left and r.random() < 0.8 else "",
        )

    def head(self, m: Any, d: Any, closed: Any, complaint: Any, cause: Any, fix: Any) -> Any:
        r, w = self.r, self.w
        self.orders += 1
        wid = f"{w.tag}-{date.fromordinal(d).year % 100}{self.orders:05d}"
        late = closed + r.randint(14, 70) if r.random() < w.late else closed
        shut = late <= min(m.leave, LAST) and r.random() > 0.01
        opened = m.stamp(d, 7, 9)
        end = self.iso(m.stamp(late, 16.9, 17.6)) if shut else ""
        hours = (
            "" if r.random() < w.hours_blank else (m.meter() if r.random() > 0.006 else round(m.meter() * 10))
        )
        self.add(
            "work_orders",
            wid,
            m.id,
            self.iso(opened),
            end,
            hours,
            m.site,
            complaint,
            cause,
            fix,
            "closed" if shut else "open",
        )
        return wid, end

    def order(self, m: Any, d: Any, closed: Any, s: Any, lines: Any, fix: Any) -> None:
        r, w = self.r, self.w
        if d < m.seen or r.random() < w.unwritten or r.random() < w.order_lost:
            return
        seen = s if r.random() > w.wrong_side else SIDES[s == "left"]
        word = seen if r.random() > w.no_side else ""
        complaint = r.choice(
            (
                "{s} drive does not return to neutral",
                "code, {s} pump not in neutral",
                "creeps {s}, locks out drive",
                "not in neutral {s}",
                "dash code, no drive",
                "drive locks out off and on {s}",
                "customer: wont move",
            )
        )
        complaint = " ".join(complaint.format(s=word).split())
        text = "; ".join(
            f"{MARK[c]} {x if r.random() > w.no_side else ''} {DONE[a]}"
            + (f", {f.replace('_', ' ')}" if f and r.random() > w.no_finding else "")
            for c, x, a, _, f, *_ in lines
            if r.random() > w.line_lost
        )
        bare = r.random() < w.no_lines
        fix = fix or (
            text
            if (bare and r.random() < 0.5) or r.random() < 0.35
            else r.choice(("", "see lines", "done, test ran ok"))
        )
        wid, end = self.head(m, d, closed, complaint, "", " ".join(fix.split()))
        if bare:
            return
        done = self.iso(m.stamp(closed, 12, 16.8))
        for n, (comp, side, act, res, found, variant, labour, cost) in enumerate(lines, 1):
            if r.random() < w.line_lost:
                continue
            if side and seen != s:
                side = SIDES[side == "left"]
            free = r.random() < w.free_text
            side = side if r.random() > w.no_side else ""
            note = " ".join(
                f"{MARK[comp]} {side} {DONE[act]} {found.replace('_', ' ') if r.random() > w.no_finding else ''}".split()
            )
            coded = [
                comp if not free or r.random() < 0.25 else "",
                side if not free or r.random() < 0.5 else "",
                act if not free or r.random() < 0.2 else "",
                res if r.random() > w.no_result and not free else "",
                found if r.random() > w.no_finding and not free else "",
            ]
            self.add(
                "work_lines",
                wid,
                n,
                end if w.stamp_close else done,
                *coded,
                variant if act == "replace" and not free and r.random() < 0.4 else "",
                "",
                1 if act == "replace" else "",
                round(labour * r.uniform(0.8, 1.3), 1) if r.random() > 0.1 else "",
                "",
                round(cost * r.uniform(0.9, 1.2), 2) if cost and r.random() > 0.15 else "",
                note if free or r.random() < 0.15 else "",
            )

    def routine(self, m: Any, d: Any) -> None:
        """Work that has nothing to do with the drive complaint."""
        r, w = self.r, self.w
        comp, act, words = r.choice(
            (
                ("engine", "replace", "oil and filter service"),
                ("engine", "inspect", "annual check"),
                ("track", "replace", "track worn"),
                ("tire", "replace", "flat"),
                ("battery", "replace", "no start"),
                ("cooling", "clean", "runs hot"),
                ("hydraulic_oil", "replace", "hydraulic service"),
                ("drive_motor", "repair", "leak at final drive"),
                ("other", "repair", "cab door glass"),
                ("controller", "replace", "display dead"),
            )
        )
        if d < m.seen or r.random() < w.order_lost + w.unwritten / 2:
            return
        wid, end = self.head(m, d, d, words, "", "")
        if r.random() > w.no_lines + w.line_lost:
            free = r.random() < w.free_text
            self.add(
                "work_lines",
                wid,
                1,
                end if w.stamp_close else self.iso(m.stamp(d, 10, 16)),
                "" if free else comp,
                "",
                "" if free else act,
                "",
                "",
                "",
                "",
                1 if act == "replace" else "",
                round(r.uniform(0.5, 6), 1),
                "",
                "",
                f"{comp.replace('_', ' ')} {DONE[act]}" if free else "",
            )


def make(name: str, folder: Path) -> None:
    """Write one fleet: its files and, apart from them, the truth."""
    w = SimpleNamespace(**(DEFAULT | WORLDS[name]))
    book = Book(w)
    for i in range(w.machines):
        Machine(w, i, book).live()
    files = Path(folder) / "files"
    files.mkdir(parents=True, exist_ok=True)
    for table, columns in COLUMNS.items():
        rows = book.rows[table]
        if rows and (table != "rentals" or w.rentals > 0):
            with open(files / f"{table}.csv", "w", newline="", encoding="utf-8") as out:
                csv.writer(out).writerows([columns.split(), *rows])
    with open(Path(folder) / "truth.csv", "w", newline="", encoding="utf-8") as out:
        head = ("machine_id", "side", "cause", "began_at", "ended_at", "cured_by")
        csv.writer(out).writerows([head, *sorted(book.truth, key=lambda x: (x[3], x[0], x[1]))])


NAMES = ("tidewrack", "saltline", "pilotyard")
WEAR, LONG = ("weibull", 2.7, 2700, 0.03), ("weibull", 2.0, 17000, 0.02)
SNOW = (0.35, 0.4, 0.7, 1.1, 1.4, 1.5, 1.5, 1.5, 1.4, 1.2, 0.8, 0.45)
WORDS = ("{s} drive pump does not return to neutral", "{s} pump swash not in neutral")
WORLDS = {
    "tidewrack": dict(
        seed=4117,
        machines=420,
        start=date(2019, 7, 1),
        zone=-5,
        sites=("North Pier", "Mill Rd", "Airport"),
        tag="TW",
        makes=(
            Make(
                "Brandlow",
                ("B62T", "B74T"),
                0.4,
                WEAR,
                LONG,
                date(2019, 10, 1),
                (521407, 521408),
                WORDS,
                date(2022, 1, 1),
            ),
            Make(
                "Kestrelworth",
                ("KS-18", "KT-24"),
                0.25,
                ("weibull", 2.2, 3300, 0.02),
                LONG,
                date(2021, 5, 15),
                (522930, 522930),
                ("does not return to neutral {s}", "drive not in neutral {s}"),
            ),
            Make(
                "Ostrum",
                ("220X", "260X"),
                0.2,
                ("weibull", 3.4, 2300, 0.05),
                LONG,
                date(2018, 3, 1),
                (520611, 520613),
                ("{s} hydrostat not in neutral",),
            ),
            Make(
                "Pellamar",
                ("P9", "P11C"),
                0.15,
                ("gamma", 4.0, 4600, 0.02),
                LONG,
                None,
                (523015, 523016),
                WORDS,
            ),
        ),
        ladder=(
            ("sensor:.8", "cal:.7"),
            ("wire:.45", "sensor:.6", "cal"),
            ("measure:.6", "wire:.6", "open:.85"),
            ("open", "pump:.2"),
        ),
        season=SNOW,
        spell=(8, 8, 5.2),
        refail={"internal_bushing": 0.03, "wiring": 0.12, "position_sensor": 0.05},
        wiring=0.013,
        calibration=0.012,
        repeat=70,
        notice=0.8,
        burst=4.0,
        nuisance=0.14,
        gap=(260, 55),
        meter_swap=0.11,
        swap_noted=0.67,
        outage=((date(2021, 11, 3), date(2022, 2, 20)), (date(2024, 5, 1), date(2024, 6, 25))),
        blame=0.55,
        both_open=0.35,
        order_lost=0.03,
        line_lost=0.07,
        unwritten=0.06,
        late=0.12,
        read_every=10,
        measured=0.7,
    ),
    "saltline": dict(
        seed=925,
        machines=300,
        start=date(2020, 7, 1),
        zone=-8,
        sites=("Quay", "Inland"),
        tag="S",
        makes=(
            Make(
                "Veldrick",
                ("V80", "V95"),
                0.55,
                ("lognormal", 0.5, 9000, 0.01),
                LONG,
                None,
                (520880, 520881),
                ("{s} swash angle: not in neutral", "{s} pump does not return to neutral"),
            ),
            Make(
                "Tarnhollow",
                ("TH3", "TH5"),
                0.45,
                ("lognormal", 0.45, 7000, 0.0),
                LONG,
                None,
                (524001, 524001),
                ("drive does not return to neutral {s}",),
                date(2019, 1, 1),
            ),
        ),
        ladder=(
            ("look:.3", "wire:.5", "sensor:.5", "cal:.3"),
            ("wire:.7", "sensor:.6"),
            ("wire", "cal:.6"),
            ("wire:.8", "open:.6", "pump:.2"),
        ),
        wet=(1.6, 1.5, 1.3, 1.0, 0.6, 0.4, 0.3, 0.3, 0.5, 1.2, 1.6, 1.7),
        season=(0.8, 0.8, 1, 1.1, 1.1, 1.1, 1.1, 1.1, 1.1, 1, 0.9, 0.8),
        spell=(12, 9, 4.8),
        wiring=0.24,
        common=0.3,
        rewire=0.22,
        calibration=0.02,
        find_wire=0.65,
        false_wire=0.25,
        refail={"wiring": 0.22, "calibration": 0.08},
        repeat=190,
        notice=0.95,
        tele=0.5,
        code_side=(0.55, 0.5),
        no_side=0.3,
        measured=0.15,
        order_lost=0.05,
        line_lost=0.1,
        no_lines=0.08,
        wrong_side=0.05,
        unwritten=0.08,
        keep=(4, 8),
        vanish=0.25,
        idle=0.1,
        read_rental=True,
        read_every=45,
        free_text=0.15,
        nuisance=0.04,
    ),
    "pilotyard": dict(
        seed=60221,
        machines=80,
        start=date(2021, 7, 1),
        zone=-7,
        sites=("Yard",),
        tag="PY-",
        makes=(
            Make(
                "Quillan",
                ("Q-40", "Q-55"),
                0.7,
                ("weibull", 2.5, 11000, 0.01),
                LONG,
                date(2020, 1, 1),
                (521990, 521991),
                ("{s} pump position does not return to neutral", "{s} drive pump not in neutral"),
                date(2018, 1, 1),
            ),
            Make(
                "Dunmorrow",
                ("D7S", "D7T"),
                0.3,
                ("weibull", 2.5, 5200, 0.0),
                LONG,
                date(2019, 6, 1),
                (522204, 522205),
                ("{s} not in neutral",),
            ),
        ),
        batch=("Quillan", date(2020, 9, 1), date(2021, 8, 1), 0.75, ("weibull", 1.6, 900, 0.1), True),
        sensor=("weibull", 1.3, 24000, 0),
        ladder=(
            ("wire:.6", "measure:.5", "sensor:.75", "cal"),
            ("measure", "sensor:.7", "cal"),
            ("wire", "open:.6", "pump:.2"),
        ),
        season=SNOW,
        spell=(7, 6, 5.8),
        wiring=0.02,
        calibration=0.02,
        repeat=25,
        notice=0.35,
        burst=1.0,
        tele=0.95,
        gap=(900, 20),
        no_finding=0.65,
        no_result=0.4,
        late=0.0,
        stamp_close=True,
        measured=0.8,
        rentals=0.0,
        manual=0.04,
        keep=(6, 10),
        components=0.9,
        line_lost=0.02,
        no_lines=0.02,
        nuisance=0.05,
        sell_open=0.05,
    ),
}
