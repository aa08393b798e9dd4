"""Makes the files of the demo fleet: an invented yard group, six years, every cause known to us alone.

    python demo_data/make_demo.py [--out FOLDER] [--truth FILE.json]

The fleet is one of fleetlog's simulated ones. `demo.toml` says what is particular about it: its makers, how
its people write, the cases that are set, and the mess. What the yard would know goes to CSV files, its true
figures into README.md, and what only the inventor knows to --truth. The same seed gives the same bytes.
"""

from __future__ import annotations

import argparse
import json
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date, timedelta
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from fleetlog.faults.loader import SHIPPED, merge, parse_family
from fleetlog.faults.reading import read_toml
from fleetlog.simulation.arrays import EPOCH, days_since_epoch
from fleetlog.simulation.files import DAY
from fleetlog.simulation.law import World
from fleetlog.simulation.options import DesignChange, Disorder, Facts, FleetPlan, Habit, Make, RecordKeeping
from fleetlog.simulation.records import CASE, EVENT, LINE, PART
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
BUSHING = "internal_bushing"
#: The order of the rows of each file.
ORDER = {
    "machines": ["acquired_on"],
    "components": ["fitted_on"],
    "meter_readings": ["read_at"],
    "meter_changes": ["changed_at"],
    "fault_codes": ["seen_at"],
    "work_orders": ["work_order_id"],
    "work_lines": ["work_order_id", "line_no"],
    "measurements": ["measured_at"],
    "rentals": ["out_at"],
}
Row = dict[str, Any]


def toml(name: str) -> Row:
    return tomllib.loads((HERE / name).read_text(encoding="utf-8"))


class Demo:
    """The demo fleet: its world, the tables that the yard hands over, and the truth."""

    def __init__(self) -> None:
        self.data = toml("demo.toml")
        self.law = parse_family(
            merge(read_toml(SHIPPED / "neutral-return.toml"), self.data["law"]), "demo.toml"
        )
        self.k = [cause.name for cause in self.law.causes].index(BUSHING)
        self.changes = toml("fleetlog.toml")["design_changes"]
        years = ((AS_OF - BEGIN).days + 1) / 365.25
        self.world = World.of(self.law, Disorder(unrecorded=0.02), self.plan(), years, AS_OF, 30.4)
        self.records = draw_block(self.world, SEED, 0, 0, len(UNITS), self.stories())
        self.machines, self.log = self.records.machines, self.records.log
        self.machines.meters = self.meters()
        jobs = tuple(Job(**job) for job in self.data["jobs"])
        record_keeping = RecordKeeping(
            mess=0.18,
            mishaps=frozenset(self.data["mishaps"]),
            spared=tuple(self.world.plan.facts),
            routine=True,
            work=replace(ROUTINE, jobs=jobs, code_hours=350.0, codes_more=0.3),
        )
        seeds = (np.random.SeedSequence(SEED, spawn_key=(stream,)) for stream in (8, 9))
        self.tables = {kind: frame.drop(DAY) for kind, frame in self.records.tables(record_keeping, *seeds)}
        self.finish()

    def plan(self) -> FleetPlan:
        """What the fleet is made of."""
        data = self.data
        return FleetPlan(
            names=tuple(UNITS),
            makes=tuple(Make(**make) for make in data["makes"]),
            changes=tuple(DesignChange(**change) for change in self.changes),
            habits=tuple(Habit(**habit) for habit in data["habits"]),
            phrases=Phrases(**data["phrases"]),
            facts={name: Facts(**facts) for name, facts in data["units"].items()},
            **data["plan"],
        )

    def stories(self) -> list[Story]:
        """The cases that are set, and the readings that wander without a case."""
        stories = [
            Story(**row["case"], visits=tuple(Visit(**visit) for visit in row.get("visits", ())))
            for row in self.data["cases"]
        ]
        for unit, side, on, volts in self.data["watch"]:
            step = f"measure_neutral_voltage {volts:.2f}"
            look = Visit(0, (step,), 1.0, "check over, drive feels lazy to stop")
            stories.append(Story(unit, side, "", on, 0, (look,)))
        return stories

    def meters(self) -> Meters:
        """Meters replaced on set days, of which somebody made a note or not."""
        size = len(UNITS)
        changed, old, new = np.full(size, np.inf), np.zeros(size), np.zeros(size)
        recorded = np.zeros(size, dtype=bool)
        for unit, on, begins, noted in self.data["meters"]:
            i = UNITS.index(unit)
            changed[i], new[i], recorded[i] = days_since_epoch(on), begins, noted
        gone = np.flatnonzero(np.isfinite(changed))
        old[gone] = np.round(self.machines.clock.hours(gone, changed[gone]), 1)
        return Meters(changed, old, new, recorded)

    # ------------------------------------------------------------------------ the tables

    def finish(self) -> None:
        """Numbers the orders by day, lists the parts that are known, plants the mess, sorts the files."""
        tables = self.tables
        listed = pl.col("disposed_on").is_null() | (pl.col("disposed_on") > BEGIN)  # not what was sold before
        pin = pl.when(pl.int_range(pl.len()) % 11 != 3).then("XX" + pl.col("serial_number").str.zfill(15))
        tables["machines"] = tables["machines"].filter(listed).with_columns(pin=pin)
        orders = tables["work_orders"].sort("opened_at", "work_order_id")["work_order_id"]
        self.numbers = {order: f"W{number}" for number, order in enumerate(orders, 10001)}
        for kind in ("work_orders", "work_lines"):
            tables[kind] = tables[kind].with_columns(pl.col("work_order_id").replace(self.numbers))
        renewed = tables["components"].filter(component=BUSHING)
        renewed = renewed.join(tables["machines"], on="machine_id", how="semi")
        tables["components"] = pl.concat((self.known_parts(), renewed), how="diagonal")
        for kind in tables:
            tables[kind] = as_text(tables[kind])
        for mess in self.data["mess"]:
            self.plant(**mess)
        for kind, columns in ORDER.items():
            tables[kind] = tables[kind].sort(columns, maintain_order=True, nulls_last=True)

    def plant(self, what: str, kind: str, **how: Any) -> None:
        """Adds rows as they stand, overwrites cells of rows, loses rows, or writes some twice."""
        table = self.tables[kind]
        if "add" in how:
            table = pl.concat((table, pl.DataFrame(how["add"])), how="diagonal")
        for where in how.get("find", ()):
            hit = pl.all_horizontal(pl.col(name).eq_missing(value) for name, value in where.items())
            assert table.filter(hit).height, f"{what}: there is no row {where} in {kind}"
            new = [
                pl.when(hit).then(pl.lit(v or None)).otherwise(n).alias(n)
                for n, v in how.get("set", {}).items()
            ]
            table = table.with_columns(new) if new else table.filter(~hit)
        self.tables[kind] = pl.concat((table, table[how.get("twice", [])]))

    def variants(self, built: Sequence[float], at: Sequence[int]) -> list[str]:
        """The bushing in pumps built on these days for the machines at these places."""
        m = self.machines
        rows = self.world.hazard_built(self.k, np.array(built), m.make[at], [m.serial[i] for i in at])
        return [self.law.hazards[row].variant for row in rows]

    @cached_property
    def first_variant(self) -> list[str]:
        """The bushing that each machine's pump was built with."""
        return self.variants(self.machines.pump_built.tolist(), range(len(UNITS)))

    def known_parts(self) -> pl.DataFrame:
        """Pumps wherever the machine's build date would mislead about the bushing, and a few more."""
        machines = self.tables["machines"].filter(control="electronic_joystick")
        at = [UNITS.index(unit) for unit in machines["machine_id"]]
        first = (machines["build_date"] + "-01-01").str.head(10).str.to_date()  # the first day that fits
        true = pl.Series([self.first_variant[i] for i in at])
        misled = true != pl.Series(self.variants([days_since_epoch(day) for day in first], at))
        known = machines.select(
            "machine_id",
            fitted_on=first,
            fitted_hours=0.0,
            built_on=pl.Series([EPOCH + timedelta(days=int(self.machines.pump_built[i])) for i in at]),
            serial_number=pl.format("P{}", 220_000 + 611 * pl.int_range(pl.len())),
            named=misled | (pl.int_range(pl.len()) % 20 == 7),
        )
        return known.filter("named").select(pl.exclude("named"), component=pl.lit("drive_pump"))

    # ------------------------------------------------------------------------ the truth

    def named(self, frame: pl.DataFrame) -> pl.DataFrame:
        """Rows of the log with names for numbers."""
        steps, causes = [step.name for step in self.law.steps], self.world.causes
        names = {"machine": UNITS, "side": self.law.sides, "step": steps, "cause": causes}
        variants = [hazard.variant for hazard in self.law.hazards]
        return frame.with_columns(
            pl.col(column).replace_strict(dict(enumerate(values)), return_dtype=pl.String)
            for column, values in (names | {"hazard": variants}).items()
            if column in frame.columns
        )

    @cached_property
    def cases(self) -> pl.DataFrame:
        """Every true case on record: its row of the log, site, last_day (infinite: it lasts), open."""
        m = self.machines
        cases = self.records.seen(self.log.cases.frame(CASE))
        row = cases["machine"].to_numpy()
        last = m.clock.days(row, cases["ended"].to_numpy())
        last = np.where(last < self.world.end_day, last, np.inf)
        return self.named(cases).with_columns(
            site=np.array(self.world.plan.sites)[m.site[row]],
            last_day=last,
            open=np.isinf(last) & np.isinf(m.disposed[row]),
        )

    @cached_property
    def attempts(self) -> pl.DataFrame:
        """Every cure tried: its line of the log, the true cause, running hours to the next code (back)."""
        lines = self.log.lines.frame(LINE).with_columns(ran=pl.col("hours") + 0.01).sort("ran")
        codes = self.log.codes.frame(EVENT).select("machine", "side", code="hours").sort("code")
        by: Any = {"by": ["machine", "side"], "strategy": "forward", "check_sortedness": False}
        lines = lines.join_asof(codes, left_on="ran", right_on="code", **by)
        cures = [cure.step.name for cure in self.world.cures]
        tried = self.named(self.records.seen(lines)).filter(
            pl.col("step").is_in(cures), ~pl.col("other_side")
        )
        tried = tried.with_columns(back=pl.col("code") - pl.col("ran"))
        return tried.join(self.cases.select("case", "cause", "site"), on="case", maintain_order="left")

    @cached_property
    def lives(self) -> pl.DataFrame:
        """Every life of a bushing: machine, side, variant, entry and exit (hours of age), failed."""
        m, every = self.machines, np.arange(self.machines.size)
        new = self.named(self.log.parts.frame(PART).filter(cause=self.k)).rename({"hazard": "variant"})
        first = {"machine": UNITS, "variant": self.first_variant, "hours": 0.0, "why": None}
        built = [pl.DataFrame(first | {"side": side}).filter(m.electronic) for side in self.law.sides]
        record, leaves = (dict(zip(UNITS, m.clock.hours(every, day), strict=True)) for day in m.recorded())
        columns = ["machine", "side", "variant", "hours", "why"]
        lives = pl.concat([one.select(columns) for one in (*built, new)], how="vertical_relaxed")
        lives = lives.sort("machine", "side", "hours").with_columns(
            record=pl.col("machine").replace_strict(record),
            leaves=pl.col("machine").replace_strict(leaves),
            next=pl.col("hours").shift(-1).over("machine", "side"),
            why=pl.col("why").shift(-1).over("machine", "side"),
        )
        over = (pl.col("next") < pl.col("leaves")).fill_null(False)
        return lives.with_columns(
            entry=pl.max_horizontal("hours", "record") - pl.col("hours"),
            exit=pl.when(over).then("next").otherwise("leaves") - pl.col("hours"),
            failed=over & (pl.col("why") == self.k).fill_null(False),
        ).filter(pl.col("entry") < pl.col("exit"))

    @cached_property
    def summary(self) -> Row:
        """The figures that the README tells."""
        cases, tried, habit = self.cases, self.attempts, self.world.plan.habits[0]
        original, law = self.lives.filter(variant="original"), self.law.hazard(BUSHING, "original")
        failed = original.filter("failed")
        entry, left = ((10 * original[age]).round().cast(pl.Int64) for age in ("entry", "exit"))
        curve = product_limit(RiskTable.from_spells(entry, left, original["failed"]))
        lines = self.tables["work_lines"]
        orders = self.tables["work_orders"].select("work_order_id", "machine_id")
        worn = lines.filter(component=BUSHING, finding="worn").join(orders, on="work_order_id")
        sensors = tried.filter("written", step="replace_sensor")
        vain = sensors.filter(pl.col("cause") != "position_sensor")
        work = lines.filter(
            pl.col("work_order_id").is_in([self.numbers[f"W1-{order}"] for order in vain["order"]]),
            component="position_sensor",
            action="replace",
        )
        twice = vain.filter(pl.len().over("case") > 1)["machine"].unique().to_list()
        alone = tried.filter("written", pl.len().over("order") == 1, step="calibrate_pump")
        since = days_since_epoch(habit.since)
        late = cases.filter(pl.col("day") >= since, pl.col("last_day") < np.inf).select("case")
        figures = {
            "machines": self.tables["machines"].height,
            "on_the_yard": self.tables["machines"]["disposed_on"].null_count(),
            "manual": self.tables["machines"].filter(control="manual").height,
            "original_lives": original.height,
            "original_failed": failed.height,
            "original_failed_left": failed.filter(side="left").height,
            "original_failed_right": failed.filter(side="right").height,
            "original_failed_untold": failed.join(
                worn, left_on=["machine", "side"], right_on=["machine_id", "side"], how="anti"
            ).height,
            "improved_failed": self.lives.filter("failed", variant="improved").height,
            "failed_by_5000_law": round(100 * (1 - np.exp(-((5000 / law.scale_hours) ** law.shape)))),
            "failed_by_5000_seen": round(100 * (1 - float(curve.at([5000.0]).survival[0]))),
            "sensors_replaced": sensors.height,
            "sensors_in_vain": vain.height,
            "sensors_in_vain_on_bushings": vain.filter(cause=BUSHING).height,
            "sensors_in_vain_labour_hours": round(work["labour_hours"].cast(pl.Float64).sum()),
            "twice_in_vain": sorted(twice, key=int),
            "open": cases.filter("open").select("machine", "side", "cause").rows(),
        }
        figures |= {f"cases_{cause}": cases.filter(cause=cause).height for cause in self.world.causes}
        for cause in (BUSHING, "calibration"):
            hours = alone.filter(cause=cause)["back"]
            figures |= {f"calibrated_{cause}": len(hours), f"back_{cause}": (hours <= 100).sum()}
        for early, where in ((True, "early_site"), (False, "other_sites")):
            there = tried.join(late, on="case", how="semi").filter((pl.col("site") == habit.site) == early)
            for name, some in ((where, there.filter(cause=BUSHING)), (f"{where}_all_causes", there)):
                number = some["case"].n_unique()
                visits = round(some.select("case", "order").n_unique() / number, 1)
                figures |= {f"{name}_cases": number, f"{name}_visits": visits}
                figures[f"{name}_sensors"] = some.filter(step="replace_sensor").height
        return figures

    # ------------------------------------------------------------------------ the files

    def write(self, folder: Path) -> None:
        """The tables, and the README with this fleet's figures."""
        folder.mkdir(parents=True, exist_ok=True)
        for kind, frame in self.tables.items():
            frame.write_csv(folder / f"{kind}.csv")
        (folder / "README.md").write_text(self.readme(), encoding="utf-8")

    def readme(self) -> str:
        """README.template.md with its marks filled."""
        figures, scripted = self.summary, [row for row in self.data["cases"] if "truth" in row]
        rows = [
            (r["case"]["machine"], r.get("sides", r["case"]["side"]), r["tells"], r["truth"])
            for r in scripted
        ]
        named = {unit for unit, *_ in rows}
        drawn = [
            (unit, side, cause.replace("_", " "))
            for unit, side, cause in figures["open"]
            if unit not in named
        ]
        rows += [(unit, side, "drawn like all the others", cause) for unit, side, cause in drawn]
        mess: dict[str, list[str]] = {}
        for one in self.data["mess"]:
            places = [place(row) for row in (*one.get("add", ()), *one.get("find", ()))]
            mess.setdefault(one["what"], []).extend(places or [f"{one['kind']}: {len(one['twice'])}"])
        marks = {
            "open_cases": "\n".join(f"| {' | '.join(row)} |" for row in rows),
            "mess": "\n".join(
                f"| {what} | {', '.join(dict.fromkeys(where))} |" for what, where in mess.items()
            ),
            "twice_in_vain": " and ".join(
                (", ".join(figures["twice_in_vain"][:-1]), figures["twice_in_vain"][-1])
            ),
        }
        return (HERE / "README.template.md").read_text(encoding="utf-8").format_map(figures | marks)


def place(row: Mapping[str, str]) -> str:
    """Where a row of the mess stands, as the README tells it."""
    day = next((f" ({value[:10]})" for name, value in row.items() if name.endswith(("_at", "_on"))), "")
    order = row.get("work_order_id")
    return order or f"unit {row['machine_id']}{day}"


def as_text(frame: pl.DataFrame) -> pl.DataFrame:
    """All cells as they stand in the file; an empty text is none."""
    columns = []
    for name, kind in frame.schema.items():
        cells = frame[name]
        if isinstance(kind, pl.Datetime):
            cells = cells.dt.to_string("%Y-%m-%dT%H:%M:%S")
        elif kind.is_float():
            places = 1 if "hours" in name and name != "labour_hours" else 2
            cells = pl.Series(name, [None if x is None else f"{x:.{places}f}" for x in cells])
        columns.append(cells.cast(pl.String))
    return frame.with_columns(columns).with_columns(pl.when(pl.all() != "").then(pl.all()))


def main(arguments: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description="Make the files of the demo fleet.")
    parser.add_argument("--out", type=Path, default=HERE, help="folder for the CSV files and the README")
    parser.add_argument("--truth", type=Path, help="write what really happened to this JSON file")
    options = parser.parse_args(arguments)
    demo = Demo()
    demo.write(options.out)
    if options.truth:
        facts = {"seed": SEED, "as_of": AS_OF, "summary": demo.summary}
        facts |= {name: getattr(demo, name).to_dicts() for name in ("cases", "attempts", "lives")}
        options.truth.write_text(json.dumps(facts, indent=1, default=str) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
