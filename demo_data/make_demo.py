"""Makes the files of the demo fleet: an invented yard group, six years, every cause known to us alone.

    python demo_data/make_demo.py [--out FOLDER] [--truth FILE.json]

The fleet is one of fleetlog's simulated ones. `demo.toml` says what is particular about it: its makers, its sites,
how its people write, the cases that are set, and the mess. What the yard would know goes to CSV files, its true
figures into README.md, and what only the inventor knows to --truth. The same seed gives the same bytes.
"""

from __future__ import annotations

import argparse
import json
import tomllib
from collections.abc import Sequence
from dataclasses import replace
from datetime import date, datetime, timedelta
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from fleetlog.faults import FaultFamily, load_families
from fleetlog.simulation.arrays import days_since_epoch
from fleetlog.simulation.files import DAY
from fleetlog.simulation.law import World
from fleetlog.simulation.options import DesignChange, Disorder, Facts, FleetPlan, Habit, Keeping, Make
from fleetlog.simulation.records import EVENT, LINE, Records
from fleetlog.simulation.routine import ROUTINE, Job
from fleetlog.simulation.scripted import Story, Visit
from fleetlog.simulation.simulate import draw_block
from fleetlog.simulation.untidy import Meters
from fleetlog.simulation.wording import Phrases
from fleetlog.stats.product_limit import product_limit
from fleetlog.stats.risk_table import RiskTable

HERE = Path(__file__).resolve().parent
SEED, UNITS = 20260630, [str(n) for n in range(11, 400) if n % 19 != 4][:208]
BEGIN, AS_OF = date(2020, 7, 1), date(2026, 6, 30)
MISHAPS = frozenset(
    "hours side finding result done_at labour_hours closed_at source status year_only month_only gap rounded".split()
)
Tables = dict[str, pl.DataFrame]
Row = dict[str, Any]


def _toml(name: str) -> Row:
    return tomllib.loads((HERE / name).read_text(encoding="utf-8"))


class Demo:
    """The demo fleet: its world, its tables and its truth."""

    def __init__(self) -> None:
        self.data, settings = _toml("demo.toml"), _toml("fleetlog.toml")
        self.stated = "design_changes" in settings  # else the yard's list of parts must tell which bushing it is
        changes = (settings if self.stated else _toml("design_changes.toml"))["design_changes"]
        self.mess, self.planted = self.data["mess"], {}
        years = ((AS_OF - BEGIN).days + 1) / 365.25
        world = World.of(self.law, Disorder(unrecorded=0.03), self.plan(changes), years, AS_OF, 30.4)
        self.records = draw_block(world, SEED, 0, 0, len(UNITS), self.stories())
        self.machines, self.world = self.records.machines, world
        self.machines.meters = self.meters()
        self.tables: Tables = {}
        routine = replace(ROUTINE, jobs=tuple(self.job(job) for job in self.data["jobs"]), code_hours=350.0, codes_more=0.3)
        keeping = Keeping(0.25, MISHAPS, tuple(world.plan.facts), True, routine)
        for kind, frame in self.records.tables(keeping, *(np.random.SeedSequence(SEED, spawn_key=(n,)) for n in (8, 9))):
            self.tables[kind] = frame.drop(DAY)
        self.finish()

    @cached_property
    def law(self) -> FaultFamily:
        """The family of the complaint with the demo's own figures."""
        law, own = load_families()["neutral-return"], {}
        for row in self.data["hazards"]:
            own[row["cause"], row.get("variant", "")] = {name: row[name] for name in ("shape", "scale_hours") if name in row}
        hazards = tuple(replace(h, **own.get((h.cause, h.variant), {})) for h in law.hazards)
        evidence = tuple(
            replace(table, counts={**table.counts, **{cause: (20.0, 0.0) for cause in self.data["sides_apart"]}}) if table.name == "sides" else table
            for table in law.evidence
        )
        return replace(law, hazards=hazards, evidence=evidence, comeback=replace(law.comeback, mean_hours=self.data["comeback_hours"]))

    def plan(self, changes: Sequence[Row]) -> FleetPlan:
        """What the fleet is made of."""
        data, units = self.data, [dict(unit) for unit in self.data["units"]]
        makes = [
            Make(**(row | {"models": row["models"], "codes": {s: (spn or None, text) for s, (spn, text) in row["codes"].items()}}))
            for row in data["makes"]
        ]
        return FleetPlan(
            names=tuple(UNITS),
            sites=tuple(data["sites"]),
            built_years=tuple(data["built_years"]),
            makes=tuple(makes),
            changes=tuple(DesignChange(**row) for row in changes),
            manual=data["manual"],
            season=data["season"],
            day_rates=data["day_rates"],
            habits=tuple(Habit(**row) for row in data["habits"]),
            both_sides=data["both_sides"],
            phrases=Phrases(**data["phrases"]),
            facts={unit.pop("name"): Facts(**unit) for unit in units},
        )

    def stories(self) -> list[Story]:
        """The cases that are set, and the readings that wander without a case."""
        stories = []
        for row in self.data["cases"]:
            visits = tuple(Visit(**visit) for visit in row.get("visits", ()))
            stories.append(Story(visits=visits, **row["case"]))
        for row in self.data["watch"]:
            look = Visit(0, (f"measure_neutral_voltage {row['volts']:.2f}",), 1.0, "check over, drive feels lazy to stop")
            stories.append(Story(row["machine"], row["side"], "", row["on"], 0, (look,)))
        return stories

    def job(self, row: Row) -> Job:
        return Job(tuple(row["complaints"]), row["every_hours"], row["spread"], tuple(map(tuple, row["tasks"])))

    def meters(self) -> Meters:
        """Meters that were replaced on set days."""
        size = len(UNITS)
        changed, old, new, recorded = np.full(size, np.inf), np.zeros(size), np.zeros(size), np.zeros(size, dtype=bool)
        for row in self.mess["meters"]:
            i, day = UNITS.index(row["unit"]), float(days_since_epoch(row["on"]))
            changed[i], new[i], recorded[i] = day, row["new"], row["recorded"]
            old[i] = np.round(self.machines.clock.hours(np.array([i]), np.array([day]))[0], 1)
            self.note("meter_changes" if row["recorded"] else "meter_change_not_written_down", row["unit"], row["on"], row["new"])
        return Meters(changed, old, new, recorded)

    # ------------------------------------------------------------------------ the tables

    def note(self, kind: str, *what: Any) -> None:
        self.planted.setdefault(kind, []).append([str(x) if isinstance(x, date) else x for x in what])

    def finish(self) -> None:
        """Numbers the orders by day, adds what is known of pumps, plants the mess and sorts the files."""
        bought = self.tables["machines"].filter(pl.col("disposed_on").is_null() | (pl.col("disposed_on") > BEGIN))
        self.tables["machines"] = bought  # nobody lists what was sold before
        self.number_orders()
        self.known_parts()
        self.tables = {kind: _as_text(frame) for kind, frame in self.tables.items()}
        self.plant()
        order = {
            "components": ["fitted_on"], "meter_readings": ["read_at"], "meter_changes": ["changed_at"], "fault_codes": ["seen_at"],
            "work_orders": ["work_order_id"], "work_lines": ["work_order_id", "line_no"], "measurements": ["measured_at"],
            "rentals": ["out_at"],
        }  # fmt: skip
        for kind, columns in order.items():
            self.tables[kind] = self.tables[kind].sort(columns, maintain_order=True, nulls_last=True)

    def number_orders(self) -> None:
        orders = self.tables["work_orders"].sort("opened_at", "work_order_id")
        self.numbers = dict(zip(orders["work_order_id"], (f"W{n}" for n in range(10001, 99999)), strict=False))
        for kind in ("work_orders", "work_lines"):
            self.tables[kind] = self.tables[kind].with_columns(pl.col("work_order_id").replace(self.numbers))

    def bushings_at_first(self) -> pl.DataFrame:
        """machine, machine_id, variant of the bushing that each machine's pump was built with, by its maker's true change."""
        k, m = self.world.causes.index("internal_bushing"), self.machines
        rows = self.world.hazard_built(k, m.pump_built, m.make, m.serial)
        variants = [self.law.hazards[row].variant for row in rows]
        return pl.DataFrame({"machine": np.arange(m.size), "machine_id": UNITS, "variant": variants, "electronic": m.electronic})

    def known_parts(self) -> None:
        """The list of parts names the pump wherever the machine's build date would mislead, and a few more.

        As long as the settings do not say when a maker changed the bushing, it names the bushing as well, wherever
        the family's own date would take it for the other one.
        """
        m, rows = self.machines, []
        listed = dict(self.tables["machines"].select("machine_id", "build_date").iter_rows())
        part = self.law.part("internal_bushing")
        assert part is not None
        k = self.world.causes.index("internal_bushing")
        for i, unit, variant, electronic in self.bushings_at_first().filter(pl.col("machine_id").is_in(list(listed))).iter_rows():
            known = date.fromisoformat((listed[unit] + "-01-01")[:10])  # the first day that the list leaves open
            pump = date(1970, 1, 1) + timedelta(days=int(m.pump_built[i]))
            by_list = self.world.hazard_built(k, np.array([float(days_since_epoch(known))]), m.make[i : i + 1], m.serial[i : i + 1])
            told = self.law.hazards[by_list[0]].variant != variant or i % 23 == 7
            if electronic and told:
                rows.append({"machine_id": unit, "component": "drive_pump", "serial_number": f"P{220000 + 611 * i}", "built_on": pump, "fitted_on": known, "fitted_hours": 0.0})
            if electronic and not self.stated and part.variant_built(pump if told else known) != variant:
                rows.append({"machine_id": unit, "component": "internal_bushing", "variant": variant, "fitted_on": known, "fitted_hours": 0.0})
        own = self.tables["components"].filter(pl.col("component") == "internal_bushing")
        lost = own.join(self.tables["machines"].filter(pl.col("acquired_on") > BEGIN), on="machine_id", how="semi").head(2)
        for row in lost.iter_rows(named=True):  # bought used, and the seller's papers do not tell
            self.note("undocumented_bushings", row["machine_id"], row["side"], row["fitted_on"], row["fitted_hours"])
        kept = own.join(lost, on=["machine_id", "side", "fitted_on"], how="anti", nulls_equal=True)
        self.tables["components"] = pl.concat((pl.DataFrame(rows), kept), how="diagonal")

    # ------------------------------------------------------------------------ the mess

    def shown(self, unit: str, day: date) -> float:
        """What the meter of a unit showed at noon of a day."""
        at, noon = np.array([UNITS.index(unit)]), np.array([days_since_epoch(day) + 0.5])
        return round(float(self.machines.meters.shown(at, noon, self.machines.clock.hours(at, noon))[0]), 1)

    def add(self, kind: str, *rows: Row) -> None:
        """Appends rows as they shall stand in the file."""
        frame = pl.DataFrame([{name: str(value) for name, value in row.items()} for row in rows])
        self.tables[kind] = pl.concat((self.tables[kind], frame), how="diagonal")

    def change(self, kind: str, rows: pl.Series | Sequence[int], **columns: str | None) -> None:
        """Overwrites cells of the rows with these numbers."""
        hit = pl.int_range(pl.len()).is_in(pl.Series(rows, dtype=pl.Int64).implode())
        new = [pl.when(hit).then(pl.lit(x, dtype=pl.String)).otherwise(name).alias(name) for name, x in columns.items()]
        self.tables[kind] = self.tables[kind].with_columns(new)

    def find(self, kind: str, *conditions: pl.Expr) -> pl.DataFrame:
        """Rows of units without a story, with their numbers as `at`."""
        frame = self.tables[kind].with_row_index("at")
        own = pl.lit(True) if kind == "work_lines" else ~pl.col("machine_id").is_in(list(self.world.plan.facts))
        return frame.filter(own, *conditions)

    def plant(self) -> None:
        """What real yards hand over besides the facts; everything planted is noted."""
        mess = self.mess
        self.write_pins()
        for row in mess["readings"]:
            unit, day, right = row["unit"], row["on"], self.shown(row["unit"], row["on"])
            wrong = self.mistaken(row["what"], unit, day, right)
            zero = "telematics" in row["what"]
            self.reading(unit, day, wrong, *(("telematics", 5) if zero else ()))
            self.note("typing_errors", unit, day, row["what"], wrong, right)
        unit, day = mess["corrected"]["unit"], mess["corrected"]["on"]
        right = self.shown(unit, day)
        for value in (round(right + 40, 1), right):  # the second one is right
            self.reading(unit, day, value)
        self.note("corrected_reading", unit, day, round(right + 40, 1), right)
        for row in mess["orders"]:
            hours = pl.col("hours").cast(pl.Float64)
            order = self.find("work_orders", pl.col("machine_id") == row["unit"], hours > 1000, pl.col("opened_at") > "2023-06").row(0, named=True)
            wrong = float(int(float(order["hours"]) * row["factor"]))
            self.change("work_orders", [order["at"]], hours=str(wrong))
            self.note("typing_errors_in_orders", order["work_order_id"], row["unit"], row["what"], wrong, float(order["hours"]))
        told = pl.col("complaint").str.contains("(?i)neutral")
        for order in self.find("work_orders", told, pl.col("opened_at").str.starts_with("2022"), pl.col("site") == "Wrenmouth").head(2)["work_order_id"]:
            self.tables["work_lines"] = self.tables["work_lines"].filter(pl.col("work_order_id") != order)
            self.note("orders_without_lines", order)
        for row in mess["wrong_unit"]:
            number, site = f"W{90000 + int(row['unit'])}", self.tables["machines"].filter(machine_id=row["unit"])["site"][0]
            self.add("work_orders", {"work_order_id": number, "machine_id": row["unit"], "opened_at": row["on"], "closed_at": row["on"],
                                     "site": site, "complaint": "neutral code? opened by mistake, wrong unit", "status": "cancelled"})  # fmt: skip
            self.note("cancelled_orders", number)
        self.pump_told_twice()
        volts = self.find("measurements", pl.col("measured_at") > "2023-03").row(0, named=True)
        self.change("measurements", [volts["at"]], value=f"{1000 * float(volts['value']):.0f}", unit="mV")
        self.note("millivolts", volts["machine_id"], volts["measured_at"], volts["side"])
        # A controller update after which a few machines sent the fault without saying which side.
        codes = self.find("fault_codes", pl.col("code").str.starts_with("DN-"), pl.col("seen_at").str.starts_with("2024"))[2:42:4]
        for unit, at in codes.select("machine_id", "seen_at").iter_rows():
            self.note("codes_without_side", unit, at)
        self.change("fault_codes", codes["at"], spn=None, fmi=None, side=None, code="DN-7", description="Drive does not return to neutral")
        manual = self.find("machines", pl.col("control") == "manual", pl.col("acquired_on") < "2024", pl.col("disposed_on").is_null())["machine_id"][0]
        at = f"{mess['impossible']}T10:41:00"
        self.add("fault_codes", {"machine_id": manual, "seen_at": at, "hours": self.shown(manual, mess["impossible"]), "spn": 521731, "fmi": 7,
                                 "code": "DN-L7", "description": "Left drive does not return to neutral", "status": "active", "source": "manual"})  # fmt: skip
        self.note("code_on_manual_machine", manual, at)
        line = self.find("work_lines", pl.col("component") == "other").row(40, named=True)
        self.add("work_lines", {"work_order_id": line["work_order_id"], "line_no": 9, "done_at": line["done_at"], "component": "other", "action": "jiggle", "labour_hours": 0.3})
        self.note("rejected_rows", "work_lines", line["work_order_id"], "9", "unknown action jiggle")
        for row in mess["rows"]:
            self.add(row["kind"], row["row"])
            if "rejected" in row:
                when = next(value for name, value in row["row"].items() if name.endswith("_at"))
                self.note("rejected_rows", row["kind"], row["row"]["machine_id"], when[:10], row["rejected"])
        for kind, places in mess["duplicates"].items():
            again = self.tables[kind][places]
            self.tables[kind] = pl.concat((self.tables[kind], again))
            for row in again.iter_rows(named=True):
                self.note("exact_duplicates", kind, row.get("machine_id"), row.get("work_order_id"))

    def reading(self, unit: str, day: date, hours: float, source: str = "manual", hour: int = 12) -> None:
        self.add("meter_readings", {"machine_id": unit, "read_at": f"{day}T{hour:02}:00:00", "hours": hours, "source": source})

    def mistaken(self, what: str, unit: str, day: date, right: float) -> float:
        """A reading as a tired person types it, or as a box sends it that lost its memory for one night."""
        digits = str(int(right))
        return {
            "digits swapped": float(digits[0] + digits[2] + digits[1] + digits[3:]),
            "decimal lost": float(round(right * 10)),
            "last year's value": float(round(self.shown(unit, day - timedelta(days=365)))),
            "telematics sent zero": 0.0,
        }.get(what) if "unit" not in what else self.shown(what.split()[-1], day)  # type: ignore[return-value]

    def write_pins(self) -> None:
        """Product identification numbers of 17 characters; some are missing, two were cut short."""
        rng, pins = np.random.default_rng(SEED), []
        for i, (unit, make, built) in enumerate(self.tables["machines"].select("machine_id", "make", "build_date").iter_rows()):
            letters = "".join(rng.choice(list("ABCDEFGHJKLMNPRSTUVWXYZ0123456789"), 5))
            pin = f"XX{make[0]}{letters}{built[2:4]}{1_000_000 + 37_813 * i % 9_000_000}"
            short = unit in self.mess["pins_cut_short"]
            pins.append(pin[:15] if short else None if i % 11 == 3 else pin)
            if short:
                self.note("pins_cut_short", unit)
        self.tables["machines"] = self.tables["machines"].insert_column(1, pl.Series("pin", pins))

    def pump_told_twice(self) -> None:
        """A new pump that stands in the list of parts and in a work order."""
        pump = self.find("work_lines", pl.col("component") == "drive_pump", pl.col("action") == "replace", pl.col("done_at").is_not_null())
        order = pump.join(self.tables["work_orders"].filter(pl.col("hours").is_not_null()), on="work_order_id", maintain_order="left").row(0, named=True)
        day = date.fromisoformat(order["done_at"][:10])
        self.add("components", {"machine_id": order["machine_id"], "component": "drive_pump", "serial_number": "P884417",
                                "built_on": day - timedelta(days=71), "fitted_on": day, "fitted_hours": order["hours"]})  # fmt: skip
        self.note("pump_told_twice", order["machine_id"], order["work_order_id"], day)

    # ------------------------------------------------------------------------ the truth

    @cached_property
    def cases(self) -> pl.DataFrame:
        """Every true case on record: case, machine_id, side, cause, site, began and ended (days), open, and what was tried."""
        schema = EVENT | {"case": pl.Int64, "cause": pl.Int64, "ended": pl.Float64, "cured_by": pl.Int64}
        cases = self.records.seen(self.records.log.cases.frame(schema))
        tried = self.attempts.group_by("case").agg(
            visits=pl.col("order").n_unique(), sensors=(pl.col("step") == "replace_sensor").sum()
        )
        sites, stays = np.array(self.world.plan.sites)[self.machines.site], ~np.isfinite(self.machines.disposed)
        machine = cases["machine"].to_numpy()
        return cases.join(tried, on="case", how="left", maintain_order="left").with_columns(
            pl.Series("machine_id", [UNITS[i] for i in machine]),
            pl.Series("site", sites[machine]),
            pl.Series("stays", stays[machine]),
            pl.Series("end_day", self.machines.clock.days(machine, cases["ended"].to_numpy())),
            pl.col("cause").replace_strict(dict(enumerate(self.world.causes)), return_dtype=pl.String),
            pl.col("side").replace_strict({0: "left", 1: "right"}, return_dtype=pl.String),
            pl.col("visits", "sensors").fill_null(0),
        ).with_columns(open=pl.col("stays") & (pl.col("end_day") >= self.world.end_day))

    @cached_property
    def attempts(self) -> pl.DataFrame:
        """Every cure tried: case, order, step, machine, side, hours, written, result, and the hours until the next code."""
        steps = self.records.seen(self.records.log.lines.frame(LINE))
        true = self.records.log.lines.frame(LINE).select("order", "step", true_hours="hours")
        codes = self.records.log.codes.frame(EVENT).select("machine", "side", code_hours="hours").sort("code_hours")
        cures = [cure.step.name for cure in self.world.cures]
        names = {i: step.name for i, step in enumerate(self.law.steps)}
        frame = steps.filter(~pl.col("other_side")).join(true.unique(["order", "step"]), on=["order", "step"], how="left")
        frame = frame.with_columns(pl.col("step").replace_strict(names, return_dtype=pl.String), looked=pl.col("true_hours") + 0.01)
        frame = frame.filter(pl.col("step").is_in(cures)).sort("looked")
        frame = frame.join_asof(codes, left_on="looked", right_on="code_hours", by=["machine", "side"], strategy="forward", check_sortedness=False)
        return frame.with_columns(back=pl.col("code_hours") - pl.col("true_hours")).sort("case", "order")

    @cached_property
    def lives(self) -> pl.DataFrame:
        """Every life of a bushing on record: machine_id, side, variant, entry and exit (hours of age), failed."""
        k, m = self.world.causes.index("internal_bushing"), self.machines
        first = self.bushings_at_first().filter("electronic")
        begun = [first.with_columns(side=pl.lit(s), hours=pl.lit(0.0), why=pl.lit(None, dtype=pl.Int64)) for s in (0, 1)]
        new = self.records.log.parts.frame(EVENT | {"cause": pl.Int64, "hazard": pl.Int64, "why": pl.Int64}).filter(pl.col("cause") == k)
        new = new.with_columns(pl.col("hazard").replace_strict({i: h.variant for i, h in enumerate(self.law.hazards)}).alias("variant"), pl.col("machine").replace_strict(dict(enumerate(UNITS)), return_dtype=pl.String).alias("machine_id"))
        lives = pl.concat([*begun, new], how="diagonal_relaxed").sort("machine", "side", "hours", maintain_order=True)
        every = np.arange(m.size)
        record, leaves = (m.clock.hours(every, day) for day in m.recorded())
        row = lives["machine"].to_numpy()
        after = pl.col("hours", "why").shift(-1).over("machine", "side").name.suffix("_next")
        lives = lives.with_columns(after, pl.Series("record", record[row]), pl.Series("leaves", leaves[row]))
        ended = pl.col("hours_next") < pl.col("leaves")
        return lives.with_columns(
            entry=pl.max_horizontal("hours", "record") - pl.col("hours"),
            exit=pl.when(ended).then("hours_next").otherwise("leaves") - pl.col("hours"),
            failed=(ended & (pl.col("why_next") == k)).fill_null(False),
        ).filter(pl.col("entry") < pl.col("exit"))

    @cached_property
    def summary(self) -> Row:
        """The figures that the README tells."""
        cases, tried, lives = self.cases, self.attempts.join(self.cases.select("case", "cause"), on="case"), self.lives
        original, shape, scale = lives.filter(variant="original"), 2.8, 5700.0
        sensors = tried.filter(pl.col("step") == "replace_sensor", "written")
        vain = sensors.filter(pl.col("cause") != "position_sensor")
        orders = [self.numbers.get(f"W1-{order}") for order in vain["order"]]
        labour = self.tables["work_lines"].filter(pl.col("work_order_id").is_in(orders), component="position_sensor", action="replace")
        # What the office's own lines say of the failures.
        worn = self.tables["work_lines"].filter(component="internal_bushing", finding="worn")
        said = worn.join(self.tables["work_orders"].select("work_order_id", "machine_id"), on="work_order_id").select("machine_id", "side").drop_nulls()
        failed = original.filter("failed").with_columns(pl.col("side").replace_strict({0: "left", 1: "right"}, return_dtype=pl.String))
        alone = tried.filter(pl.col("step") == "calibrate_pump", pl.len().over("order") == 1, "written")
        calibrated = {cause: alone.filter(cause=cause)["back"] for cause in ("internal_bushing", "calibration")}
        habit = self.world.plan.habits[0]
        late = cases.filter(pl.col("day") >= days_since_epoch(habit.since), pl.col("end_day") < self.world.end_day, pl.col("visits") > 0)

        def custom(early: bool, *conditions: Any) -> Row:
            rows = late.filter((pl.col("site") == habit.site) == early, *conditions)
            return {"cases": rows.height, "visits": round(rows["visits"].sum() / max(rows.height, 1), 1), "sensors": rows["sensors"].sum()}

        bushing = pl.col("cause") == "internal_bushing"
        spells = RiskTable.from_spells(*((10 * original[age]).round().cast(pl.Int64) for age in ("entry", "exit")), original["failed"])
        survival = float(product_limit(spells).at([5000.0]).survival[0])
        return {
            "machines": self.tables["machines"].height,
            "on_the_yard": int((~np.isfinite(self.machines.disposed)).sum()),
            "manual": self.tables["machines"].filter(control="manual").height,
            "original_lives": original.height,
            "original_failed": failed.height,
            "original_failed_by_side": dict(sorted(failed["side"].value_counts().iter_rows())),
            "original_failed_untold": failed.join(said, on=["machine_id", "side"], how="anti").height,
            "improved_failed": lives.filter("failed", variant="improved").height,
            "failed_by_5000_law": round(100 * (1 - float(np.exp(-((5000 / scale) ** shape))))),
            "failed_by_5000_seen": round(100 * (1 - survival)),
            "cases": dict(sorted(cases["cause"].value_counts().iter_rows())),
            "sensors_replaced": sensors.height,
            "sensors_in_vain": vain.height,
            "sensors_in_vain_on_bushings": vain.filter(bushing).height,
            "sensors_in_vain_labour_hours": round(float(labour["labour_hours"].cast(pl.Float64).sum())),
            "twice_in_vain": sorted(cases.filter(pl.col("sensors") > 1, pl.col("cause") != "position_sensor")["machine_id"].unique(), key=int),
            "back": {cause: int((back <= 100).sum()) for cause, back in calibrated.items()},
            "of": {cause: len(back) for cause, back in calibrated.items()},
            "early_site": custom(True, bushing), "other_sites": custom(False, bushing),
            "early_site_all_causes": custom(True), "other_sites_all_causes": custom(False),
            "open": cases.filter("open").select("machine_id", "side", "cause").rows(),
        }  # fmt: skip

    # ------------------------------------------------------------------------ the files

    def write(self, folder: Path) -> None:
        """The tables, and the README with this fleet's figures."""
        folder.mkdir(parents=True, exist_ok=True)
        for kind, frame in self.tables.items():
            frame.write_csv(folder / f"{kind}.csv", quote_style="necessary")
        (folder / "README.md").write_text(self.readme(), encoding="utf-8")

    def readme(self) -> str:
        """README.template.md with its marks filled."""
        figures, cases = self.summary, [row["case"] | row for row in self.data["cases"] if "truth" in row]
        flat = {f"{name}_{key}": value for name, group in figures.items() if isinstance(group, dict) for key, value in group.items()}
        rows = [f"| {row['machine']} | {row.get('sides', row['side'])} | {row['tells']} | {row['truth']} |" for row in cases]
        rows += [
            f"| {unit} | {side} | drawn like all the others | {cause.replace('_', ' ')} |"
            for unit, side, cause in figures["open"]
            if unit not in {row["machine"] for row in cases}
        ]
        planted = {kind: "; ".join(map(_noted, what)) for kind, what in self.planted.items()}
        own = {"open_cases": "\n".join(rows), "twice_in_vain": " and ".join(filter(None, [", ".join(figures["twice_in_vain"][:-1]), figures["twice_in_vain"][-1]]))}
        return (HERE / "README.template.md").read_text(encoding="utf-8").format_map(figures | flat | planted | own)


def _noted(what: list[Any]) -> str:
    first, *rest = map(str, what)
    named = f"unit {first}" if first.isdigit() else first
    return f"{named} ({', '.join(rest)})" if rest else named


def _as_text(frame: pl.DataFrame) -> pl.DataFrame:
    """All cells as they stand in the file."""
    columns = []
    for name, kind in frame.schema.items():
        cell = pl.col(name)
        if isinstance(kind, pl.Datetime):
            cell = cell.dt.to_string("%Y-%m-%dT%H:%M:%S")
        elif kind.is_float():
            places = 2 if name.endswith("_cost") or name == "value" else 1 if "hours" in name and name != "labour_hours" else 2
            cell = pl.Series(name, [None if x is None else f"{x:.{places}f}" for x in frame[name]], dtype=pl.String)
        columns.append(cell.cast(pl.String))
    return frame.with_columns(columns).with_columns(pl.when(pl.all() != "").then(pl.all()))


def main(arguments: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description="Make the files of the demo fleet.")
    parser.add_argument("--out", type=Path, default=HERE, help="folder for the CSV files")
    parser.add_argument("--truth", type=Path, help="write what really happened to this JSON file")
    options = parser.parse_args(arguments)
    demo = Demo()
    demo.write(options.out)
    if options.truth:
        facts = {"seed": SEED, "as_of": AS_OF, "summary": demo.summary, "planted": demo.planted}
        facts |= {name: getattr(demo, name).to_dicts() for name in ("cases", "attempts", "lives")}
        options.truth.write_text(json.dumps(facts, indent=1, default=str) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
