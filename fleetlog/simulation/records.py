"""What a yard records of an invented fleet, as the tables it would hand over, and what no yard knows."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
import polars as pl

from fleetlog.simulation.arrays import Ints, Schema, as_day, as_time
from fleetlog.simulation.files import DAY
from fleetlog.simulation.machines import Machines
from fleetlog.simulation.options import RecordKeeping
from fleetlog.simulation.routine import RoutineWork, routine
from fleetlog.simulation.shop import Log
from fleetlog.simulation.untidy import Untidy, untidy_meters
from fleetlog.simulation.wording import free_text, worded

#: Meter readings written at a time.
READINGS = 1_000_000

EVENT: Schema = {"machine": pl.Int64, "side": pl.Int64, "hours": pl.Float64}
LINE = EVENT | {
    "case": pl.Int64,
    "visit": pl.Int64,
    "order": pl.Int64,
    "step": pl.Int64,
    "written": pl.Boolean,
    "result": pl.String,
    "finding": pl.String,
    "other_side": pl.Boolean,
}
CASE = EVENT | {"case": pl.Int64, "cause": pl.Int64, "ended": pl.Float64, "cured_by": pl.Int64}
PART = EVENT | {"cause": pl.Int64, "hazard": pl.Int64, "why": pl.Int64}


class Records:
    """The records of some machines.

    Args:
        machines: whose.
        log: what happened to them.
        block: number of this piece of the fleet, from 1; work orders are numbered by it.
        rng: for how things are put on record.
        texts: order -> complaint, cause, correction, where they are set.
    """

    def __init__(
        self,
        machines: Machines,
        log: Log,
        block: int,
        rng: np.random.Generator,
        texts: Mapping[int, tuple[str, str, str]] | None = None,
    ) -> None:
        self.machines, self.log, self.block, self.rng = machines, log, block, rng
        self.texts = texts or {}
        self.world = machines.world
        self.plan, self.law = self.world.plan, self.world.law

    def tables(
        self, record_keeping: RecordKeeping, more: np.random.SeedSequence, mishaps: np.random.SeedSequence
    ) -> Iterator[tuple[str, pl.DataFrame]]:
        """The files piece by piece: only what happened while a machine was there and on record.

        Args:
            record_keeping: how records are kept.
            more: seed of routine work.
            mishaps: seed of untidiness.
        """
        for_meters, for_tables = mishaps.spawn(2)
        untidy = (
            Untidy(record_keeping.mess, for_tables, record_keeping.mishaps, record_keeping.spared)
            if record_keeping.mess
            else None
        )
        if untidy and untidy.changes_meters:
            clock, rng = self.machines.clock, np.random.default_rng(for_meters)
            self.machines.meters = untidy_meters(
                rng, record_keeping.mess, *self.machines.recorded(), clock.built, clock.pace
            )
        lines = self.seen(self.log.lines.frame(LINE))
        codes, orders, steps = self.fault_codes(), self.work_orders(lines), self.work_lines(lines)
        if record_keeping.routine:
            codes, orders, steps = self.with_routine(record_keeping.work, more, codes, orders, steps)
        if self.plan.makes:
            orders, steps = self.with_costs(orders, steps)
        listed, components, measured = self.listed_machines(), self.components(), self.measurements()
        if untidy:
            listed, components = untidy.machines(listed), untidy.components(components)
            codes, orders, steps = untidy.codes(codes), untidy.orders(orders), untidy.lines(steps)
            measured = untidy.measurements(measured)
            # What comes later than the last day of the records is not there yet.
            codes = codes.filter(pl.col(DAY) < self.world.end_day)
        rows = record_keeping.window.rows
        yield "machines", record_keeping.window.machines(listed)
        for readings, machine in self.meter_readings():
            yield "meter_readings", rows(untidy.readings(readings, machine) if untidy else readings)
        if untidy:
            yield "meter_changes", rows(self.meter_changes())
        yield "components", rows(components)
        yield "fault_codes", rows(codes)
        yield "work_orders", rows(orders)
        yield "work_lines", rows(steps.drop("machine_id"))
        yield "measurements", rows(measured)
        if self.plan.season:
            yield "rentals", rows(self.rentals())

    # ------------------------------------------------------------------------ columns

    def name(self) -> pl.Expr:
        """The machine's name."""
        names = dict(enumerate(self.machines.names))
        return pl.col("machine").replace_strict(names, return_dtype=pl.String)

    def side(self) -> pl.Expr:
        """The side's name."""
        return pl.col("side").replace_strict(dict(enumerate(self.law.sides)), return_dtype=pl.String)

    def order(self) -> pl.Expr:
        """The work order's name."""
        return pl.format("W{}-{}", pl.lit(self.block), pl.col("order"))

    def of_step(self, attribute: str, kind: type[pl.DataType] = pl.String) -> pl.Expr:
        """What the family says of the step."""
        values = {i: getattr(step, attribute) for i, step in enumerate(self.law.steps)}
        return pl.col("step").replace_strict(values, return_dtype=kind)

    def seen(self, events: pl.DataFrame) -> pl.DataFrame:
        """Events on record, with their time as `at` and day as `day`, in the order of time."""
        machine, hours = events["machine"].to_numpy(), events["hours"].to_numpy()
        day = self.machines.clock.days(machine, hours)
        begins, ends = (each[machine] for each in self.machines.recorded())
        shown = np.round(self.machines.meters.shown(machine, day, hours), 1)
        return (
            events.with_columns(day=pl.Series(day), hours=pl.Series(shown))
            .filter(pl.Series((day >= begins) & (day < ends), dtype=pl.Boolean))
            .with_columns(at=as_time(pl.col("day")))
            .sort("machine", "day", "side", maintain_order=True)
        )

    # ------------------------------------------------------------------------ machines, meters, rentals

    def listed_machines(self) -> pl.DataFrame:
        """The list of machines."""
        them, law, plan = self.machines, self.law, self.plan
        every, gone = np.arange(them.size), np.isfinite(them.disposed)
        left = np.where(gone, them.disposed, 0.0)
        sold = them.meters.shown(every, left, them.clock.hours(every, left))
        frame = pl.DataFrame(
            {
                "machine": every,
                "built": them.built,
                "acquired": them.acquired,
                "disposed": left,
                "gone": gone,
                "bought": np.round(them.clock.hours(every, them.acquired), 1),
                "sold": np.round(np.where(gone, sold, 0.0), 1),
                "electronic": them.electronic,
                "site": np.array(plan.sites)[them.site],
                DAY: them.recorded()[0],
            }
        )
        control = law.control[0] if law.control else "electronic_joystick"
        made = {"machine_type": pl.lit(law.machine_types[0] if law.machine_types else "skid_steer_loader")}
        if plan.makes:
            models = [plan.makes[i].models[j] for i, j in zip(them.make, them.model, strict=True)]
            columns = {
                "serial_number": list(them.serial),
                "make": [plan.makes[i].name for i in them.make],
                "model": [model for model, _ in models],
                "machine_type": [kind for _, kind in models],
            }
            made = {name: pl.Series(name, column) for name, column in columns.items()}  # type: ignore[misc]
        return frame.select(
            machine_id=self.name(),
            **made,
            build_date=as_day(pl.col("built")).dt.to_string("%Y-%m-%d"),
            control=pl.when("electronic").then(pl.lit(control)).otherwise(pl.lit("manual")),
            site="site",
            acquired_on=as_day(pl.col("acquired")),
            hours_at_acquisition="bought",
            disposed_on=pl.when("gone").then(as_day(pl.col("disposed"))),
            hours_at_disposal=pl.when("gone").then("sold"),
            **{DAY: DAY},
        )

    def meter_readings(self) -> Iterator[tuple[pl.DataFrame, Ints]]:
        """Readings of some machines at a time, and the machine of each."""
        them, apart = self.machines, self.world.reading_days
        begin, end = them.recorded()
        end = end - 0.01
        number = np.maximum(np.floor((end - begin) / apart).astype(np.int64) + 2, 0)
        number = np.where(end > begin, number, 0)
        total = np.cumsum(number)
        first = 0
        while first < them.size:
            before = total[first - 1] if first else 0
            after = max(int(np.searchsorted(total, before + READINGS, side="right")), first + 1)
            of_each = number[first:after]
            machine = np.repeat(np.arange(first, first + of_each.size), of_each)
            turn = np.arange(machine.size) - np.repeat(np.cumsum(of_each) - of_each, of_each)
            day = np.minimum(begin[machine] + turn * apart, end[machine])
            hours = them.meters.shown(machine, day, them.clock.hours(machine, day))
            frame = pl.DataFrame({"machine_id": them.names.gather(machine), "day": day, "hours": hours})
            yield (
                frame.select(
                    "machine_id",
                    read_at=as_time(pl.col("day")),
                    hours=pl.Series(np.round(hours, 1)),
                    source=pl.lit("telematics"),
                    **{DAY: "day"},
                ),
                machine,
            )
            first += of_each.size

    def meter_changes(self) -> pl.DataFrame:
        """The meter changes that somebody wrote down."""
        meters = self.machines.meters
        machine = np.flatnonzero(meters.recorded)
        columns = {"day": meters.changed, "old": meters.old, "new": meters.new}
        return pl.DataFrame(
            {"machine": machine} | {name: of[machine] for name, of in columns.items()}
        ).select(
            machine_id=self.name(),
            changed_at=as_time(pl.col("day")),
            old_meter_hours="old",
            new_meter_hours="new",
            **{DAY: "day"},
        )

    def rentals(self) -> pl.DataFrame:
        """When machines were out while they were there, and for how much a day."""
        them, plan, rented = self.machines, self.plan, self.machines.rentals
        machine = rented["machine"].to_numpy()
        kinds = [plan.makes[i].models[j][1] for i, j in zip(them.make, them.model, strict=True)]
        price = np.array([plan.day_rates.get(kind, 250.0) for kind in kinds])[machine]
        end = them.recorded()[1][machine]
        since = (pl.col("out_day") - self.world.begin_day) / 365
        rate = pl.Series(price) * pl.col("factor") * 1.03**since  # prices rise by 3 % a year
        frame = rented.with_columns(
            pl.col("out_day").floor(),
            back=np.minimum(np.floor(rented["in_day"].to_numpy()), end),
            rate=5 * (rate / 5).round().cast(pl.Int64),
        )
        return frame.filter(pl.col("back") > pl.col("out_day")).select(
            machine_id=self.name(),
            out_at=as_day(pl.col("out_day")),
            in_at=pl.when(pl.col("back") < self.world.end_day).then(as_day(pl.col("back"))),
            day_rate="rate",
            **{DAY: "out_day"},
        )

    # ------------------------------------------------------------------------ parts, codes, work

    def components(self) -> pl.DataFrame:
        """Parts that were renewed before a machine's records begin."""
        parts = self.log.parts.frame(PART)
        machine = parts["machine"].to_numpy()
        day = self.machines.clock.days(machine, parts["hours"].to_numpy())
        before = self.machines.recorded()[0][machine]
        component = {k: cause.component for k, cause in enumerate(self.law.causes)}
        variant = {i: hazard.variant for i, hazard in enumerate(self.law.hazards)}
        return (
            parts.with_columns(pl.Series(DAY, before), day=pl.Series(day))
            .filter(pl.Series(day < before, dtype=pl.Boolean))
            .sort("machine", "day", "side", "cause")
            .select(
                machine_id=self.name(),
                component=pl.col("cause").replace_strict(component, return_dtype=pl.String),
                side=self.side(),
                variant=pl.col("hazard").replace_strict(variant, return_dtype=pl.String),
                fitted_on=as_day(pl.col("day")),
                fitted_hours=pl.col("hours").round(1),
                **{DAY: DAY},
            )
        )

    def fault_codes(self) -> pl.DataFrame:
        """The codes of the fault."""
        codes = self.seen(self.log.codes.frame(EVENT | {"fmi": pl.Int64}))
        spn, more = pl.lit(524000), {}
        if self.plan.makes:
            make = self.machines.make[codes["machine"].to_numpy()]
            sent = [
                self.plan.makes[i].codes[self.law.sides[s]] for i, s in zip(make, codes["side"], strict=True)
            ]
            spn = pl.Series([number or None for number, _ in sent], dtype=pl.Int64)  # type: ignore[assignment]
            more = {"code": pl.Series([text for _, text in sent], dtype=pl.String)}
        frame = codes.select(
            machine_id=self.name(),
            seen_at="at",
            hours="hours",
            spn=spn,
            fmi="fmi",
            **more,
            description=pl.lit(self.law.title),
            status=pl.lit("stored"),
            side=self.side(),
            source=pl.lit("telematics"),
            **{DAY: "day"},
        )
        if self.plan.phrases:
            text = worded(self.rng, frame["description"], {self.law.title: self.plan.phrases.codes})
            frame = frame.with_columns(text).with_columns(
                pl.col("description")
                .str.replace("{Side}", pl.col("side").str.to_titlecase(), literal=True)
                .str.replace("{SIDE}", pl.col("side").str.to_uppercase(), literal=True)
                .str.replace("{S}", pl.col("side").str.head(1).str.to_uppercase(), literal=True),
                fmi=pl.when(pl.col("spn").is_not_null()).then("fmi"),
            )
        return frame.unique(["machine_id", "seen_at", "side"], keep="first", maintain_order=True)

    def work_orders(self, lines: pl.DataFrame) -> pl.DataFrame:
        """The heads of the work orders."""
        orders = lines.group_by("order", maintain_order=True).first()
        frame = orders.select(
            "order",
            work_order_id=self.order(),
            machine_id=self.name(),
            opened_at="at",
            closed_at="at",
            hours="hours",
            complaint=pl.lit("fault code"),
            status=pl.lit("closed"),
            **{DAY: "day"},
        )
        if self.plan.phrases:
            said = lines.with_columns(step=self.of_step("name"), side=self.side(), first=pl.col("visit") == 0)
            texts = free_text(self.rng, said, self.plan.phrases)
            given = [self.texts.get(order) for order in texts["order"]]
            for place, name in enumerate(("complaint", "cause", "correction")):
                own = pl.Series([text[place] if text else None for text in given], dtype=pl.String)
                texts = texts.with_columns(pl.coalesce(own, name).alias(name))
            frame = frame.drop("complaint").join(texts, on="order", maintain_order="left")
        return frame.drop("order")

    def work_lines(self, lines: pl.DataFrame) -> pl.DataFrame:
        """The lines of the work orders; an order's lines are recorded with it."""
        alone, more = (self.of_step(x, pl.Float64) for x in ("labour_hours", "second_side_labour_hours"))
        return (
            lines.with_columns(pl.col("day").first().over("order"))
            .filter("written")
            .with_columns(line_no=pl.int_range(1, pl.len() + 1).over("order"))
            .select(
                work_order_id=self.order(),
                machine_id=self.name(),
                line_no="line_no",
                done_at="at",
                component=self.of_step("component"),
                side=self.side(),
                action=self.of_step("action"),
                result="result",
                finding="finding",
                labour_hours=pl.when("other_side").then(more).otherwise(alone),
                parts_cost=self.of_step("parts_cost", pl.Float64),
                **{DAY: "day"},
            )
        )

    def measurements(self) -> pl.DataFrame:
        """Readings of the voltage."""
        voltage = self.law.voltage
        readings = self.seen(self.log.readings.frame(EVENT | {"value": pl.Float64}))
        return readings.select(
            machine_id=self.name(),
            measured_at="at",
            hours="hours",
            quantity=pl.lit(voltage.quantity if voltage else ""),
            side=self.side(),
            value="value",
            unit=pl.lit(voltage.unit if voltage else ""),
            **{DAY: "day"},
        )

    # ------------------------------------------------------------------------ every day's work

    def with_routine(
        self,
        work: RoutineWork,
        seed: np.random.SeedSequence,
        codes: pl.DataFrame,
        orders: pl.DataFrame,
        lines: pl.DataFrame,
    ) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
        """Codes, orders and lines with those of every day among them, by machine and time."""
        every, who, day = np.arange(self.machines.size), self.name(), {DAY: pl.col("day")}
        begin, end = (self.machines.clock.hours(every, border) for border in self.machines.recorded())
        other = routine(np.random.default_rng(seed), begin, end, work)
        number = pl.format("R{}-{}", pl.lit(self.block), pl.col("service") + 1)
        services, seen = (self.seen(x.with_columns(side=0)) for x in (other.services, other.codes))
        sent = {"status": pl.lit("stored"), "source": pl.lit("telematics")}
        more_codes = seen.select(
            "hours", "spn", "fmi", "description", machine_id=who, seen_at="at", **sent, **day
        )
        head = {"work_order_id": number, "machine_id": who}
        closed = {"opened_at": pl.col("at"), "closed_at": pl.col("at"), "status": pl.lit("closed")}
        more_orders = services.select("hours", "complaint", **head, **closed, **day)
        tasks = services.join(other.tasks, on="service", maintain_order="left_right")
        own = [name for name in other.tasks.columns if name != "service"]
        done = tasks.select(*own, **head, done_at="at", **day)
        codes, orders, lines = (
            pl.concat((own, new.cast({name: own.schema[name] for name in new.columns})), how="diagonal")
            for own, new in ((codes, more_codes), (orders, more_orders), (lines, done))
        )
        orders = orders.sort("machine_id", DAY, maintain_order=True)
        # Lines name no machine: they stand in the order of their work orders.
        turn = orders.select("work_order_id").with_row_index("turn")
        lines = (
            lines.join(turn, on="work_order_id", maintain_order="left").sort("turn", "line_no").drop("turn")
        )
        return codes.sort("machine_id", DAY, maintain_order=True), orders, lines

    def with_costs(self, orders: pl.DataFrame, lines: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
        """Work as a shop notes it: hours more or less, their cost, the site, and the day it was done."""
        spread = pl.Series(self.rng.uniform(0.9, 1.1, lines.height))
        hours, new = pl.col("labour_hours") * spread, pl.col("action").is_in(["replace", "overhaul"])
        variants = {part.component: part.service_variant for part in self.law.parts if part.service_variant}
        lines = lines.with_columns(
            labour_hours=pl.when(hours > 2).then((4 * hours).round() / 4).otherwise(hours.round(1)),
            parts_cost=pl.when(pl.col("parts_cost") > 0).then("parts_cost"),
            variant=pl.when(new).then(pl.col("component").replace_strict(variants, default=None)),
        ).with_columns(labour_cost=(self.plan.labour_rate * pl.col("labour_hours")).round(2))
        work = lines.group_by("work_order_id").agg(pl.col("labour_hours").sum())
        wait = pl.Series(self.rng.integers(0, 2, orders.height))
        days = (pl.col("labour_hours").fill_null(0.0) / 7 + pl.col("wait")).floor().cast(pl.Int64)
        sites = dict(zip(self.machines.names, np.array(self.plan.sites)[self.machines.site], strict=True))
        orders = orders.with_columns(wait=wait).join(
            work, on="work_order_id", how="left", maintain_order="left"
        )
        over = pl.col("closed_at") + pl.duration(days=days)
        done = over < as_time(pl.lit(self.world.end_day))
        return orders.with_columns(
            closed_at=pl.when(done).then(over),
            status=pl.when(done).then(pl.lit("closed")).otherwise(pl.lit("open")),
            site=pl.col("machine_id").replace_strict(sites, return_dtype=pl.String),
        ).drop("wait", "labour_hours"), lines

    # ------------------------------------------------------------------------ the truth

    def true_cases(self) -> pl.DataFrame:
        """What no yard knows: one row a case that began while its machine was on record."""
        cases = self.seen(self.log.cases.frame(CASE))
        ended = self.machines.clock.days(cases["machine"].to_numpy(), cases["ended"].to_numpy())
        names = {s: cure.step.name for s, cure in enumerate(self.world.cures)} | {-1: ""}
        over = pl.Series("over", np.where(ended < self.world.end_day, ended, np.nan))
        return cases.with_columns(over).select(
            machine_id=self.name(),
            side=self.side(),
            cause=pl.col("cause").replace_strict(dict(enumerate(self.world.causes)), return_dtype=pl.String),
            began_at="at",
            ended_at=pl.when(pl.col("over").is_not_nan()).then(as_time(pl.col("over").fill_nan(0.0))),
            cured_by=pl.col("cured_by").replace_strict(names, return_dtype=pl.String),
        )
