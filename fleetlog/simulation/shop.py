"""What a fault leads to: codes, visits to the shop, inspections, cures by custom, and the notes of them."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from fleetlog.faults import Step
from fleetlog.simulation.arrays import Flags, Floats, Ints, RowBuffer, days_since_epoch, pick, unit_weibull
from fleetlog.simulation.faults import Parts
from fleetlog.simulation.law import Cure, World
from fleetlog.simulation.machines import Machines
from fleetlog.simulation.options import Habit

#: Visits after which a machine that nothing cures is sold.
MOST_VISITS = 14


class Log:
    """Everything that happens, as rows with machine (position), side (position) and running hours.

    Attributes:
        codes: fmi.
        lines: case, visit (0 = first), order, step (position), written, result, finding, other_side (a second
            part while the pump is open).
        readings: value of the voltage.
        cases: case, cause (position), ended (running hours, infinite while open), cured_by (position or -1).
        parts: cause (position) whose part was renewed, hazard (row) of the new one, why (cause of the case).
        begun, orders: how many cases and work orders there are so far.
    """

    def __init__(self) -> None:
        self.codes, self.lines, self.readings, self.cases, self.parts = (RowBuffer() for _ in range(5))
        self.begun = self.orders = 0


class Shop:
    """Deals with cases, one on each of some machines at a time.

    Args:
        world, machines, parts: what it deals with.
        log: gets what happens.
        rng: for what happens.
        notes: for what is noted of it, so that records change nothing of what happens.
    """

    def __init__(
        self,
        world: World,
        machines: Machines,
        parts: Parts,
        log: Log,
        rng: np.random.Generator,
        notes: np.random.Generator,
    ) -> None:
        self.world, self.machines, self.parts, self.log = world, machines, parts, log
        self.rng, self.notes = rng, notes

    def case(self, rows: Ints, side: Ints, k: Ints, begin: Floats) -> Floats:
        """Reports, visits and findings of one case on each of these machines; when each ended."""
        world, rng, size, log = self.world, self.rng, rows.size, self.log
        number = log.begun + np.arange(size)
        log.begun += size
        leaves = self.machines.leaves(rows)
        fmi = world.mode_fmi[pick(rng, world.modes[k])]
        pattern = pick(rng, world.voltage[k]) if world.voltage is not None else np.full(size, -1)
        tried = np.zeros((size, len(world.cures)), dtype=bool)
        whole = [s for s, cure in enumerate(world.cures) if cure.renews_both]
        tried[:, whole] = self.parts.fated[rows].any(axis=1, keepdims=True)  # what is set must not be renewed
        shown = np.full((size, len(world.looks)), -1, dtype=np.int64)
        last, cured_by = np.full((2, size), -1, dtype=np.int64)
        ends = np.full(size, np.inf)
        report = begin.copy()
        going = report < leaves
        for visit in range(MOST_VISITS):
            now = np.flatnonzero(going)
            if not now.size:
                break
            there = self.report(rows[now], side[now], report[now], self.shown_mode(k[now], fmi[now]))
            # The machine runs on for some days until somebody has time.
            at = there + self.machines.clock.pace[rows[now]] * rng.uniform(0.2, 5.0, now.size)
            order = log.orders + np.arange(now.size)
            log.orders += now.size
            about = {"case": number[now], "visit": np.full(now.size, visit), "order": order}
            self.look(rows[now], side[now], k[now], at, about, now, shown, pattern)
            chosen = self.choose(tried[now], shown[now], last[now], visit)
            for habit in world.plan.habits:
                chosen = self.by_habit(habit, chosen, tried[now], rows[now], side[now], at, visit)
            # Nothing is left to try: the machine is sold.
            lost = now[chosen < 0]
            self.machines.sell(rows[lost], at[chosen < 0], 20.0)
            going[lost] = False
            ends[lost] = at[chosen < 0]
            for s, cure in enumerate(world.cures):
                doing = chosen == s
                if not doing.any():
                    continue
                mine, when = now[doing], at[doing]
                mine_about = {name: column[doing] for name, column in about.items()}
                passed = self.record(cure, rows[mine], side[mine], k[mine], when, mine_about)
                left = np.where(tried[mine, s], world.disorder.repeats, 1.0)
                works = passed & (rng.random(mine.size) < left * cure.chance[k[mine]])
                tried[mine, s] |= passed
                last[mine] = s
                self.renew(cure, rows[mine][passed], side[mine][passed], when[passed], k[mine][passed])
                if world.plan.both_sides and cure.step.opens_pump and cure.renews:
                    self.other_side_too(cure, rows[mine], 1 - side[mine], when, mine_about)
                cured_by[mine[works]] = s
                ends[mine[works]] = when[works]
                going[mine[works]] = False
                back = world.law.comeback.mean_hours * unit_weibull(
                    rng, world.disorder.comeback_shape, mine.size
                )
                report[mine] = when + np.maximum(back, 0.2)
            gone = now[going[now] & (report[now] >= leaves[now])]
            going[gone] = False
        # Whoever is still at it after so many visits is sold as well.
        stuck = np.flatnonzero(going)
        self.machines.sell(rows[stuck], report[stuck], 0.0)
        log.cases.add(
            machine=rows, side=side, case=number, cause=k, hours=begin, ended=ends, cured_by=cured_by
        )
        return ends

    def shown_mode(self, k: Ints, fmi: Ints) -> Ints:
        """The failure mode of an episode's codes: the case's, or one of its own."""
        if not self.world.disorder.mixed_modes:
            return fmi
        own = self.rng.random(k.size) < self.world.disorder.mixed_modes
        return np.where(own, self.world.mode_fmi[pick(self.rng, self.world.modes[k])], fmi)

    def report(self, rows: Ints, side: Ints, at: Floats, fmi: Ints) -> Floats:
        """Codes of one episode; the running hours of the last."""
        number = 1 + self.rng.poisson(1.5, rows.size)
        which = np.repeat(np.arange(rows.size), number)
        gap = self.rng.exponential(3.0, which.size)
        first = np.concatenate(([True], which[1:] != which[:-1])) if which.size else np.zeros(0, dtype=bool)
        gap[first] = 0.0
        total = np.cumsum(gap)
        hours = at[which] + total - np.repeat(total[first], number)
        self.log.codes.add(machine=rows[which], side=side[which], hours=hours, fmi=fmi[which])
        return hours[np.cumsum(number) - 1] if rows.size else at

    def look(
        self,
        rows: Ints,
        side: Ints,
        k: Ints,
        at: Floats,
        about: dict[str, Ints],
        now: Ints,
        shown: Ints,
        pattern: Ints,
    ) -> None:
        """The inspections of a visit: most are made at the first one."""
        usual = np.where(about["visit"] == 0, 0.85, 0.3)
        for t, look in enumerate(self.world.looks):
            doing = (shown[now, t] < 0) & (self.rng.random(now.size) < usual)
            seen = pick(self.rng, look.chance[k])
            mine = np.flatnonzero(doing)
            shown[now[mine], t] = seen[mine]
            result = np.array(look.outcomes)[seen[mine]]
            mine_about = {name: column[mine] for name, column in about.items()}
            written = self.write(look.step, rows[mine], side[mine], at[mine] + 0.001 * t, mine_about, result)
            if look.voltage:
                noted = mine[written]
                self.measure(rows[noted], side[noted], at[noted], pattern[now[noted]])

    def measure(self, rows: Ints, side: Ints, at: Floats, pattern: Ints) -> None:
        """Two readings that show the pattern; none where it has no reading to show."""
        table, voltage = self.world.law.evidence_table("voltage"), self.world.law.voltage
        if table is None or voltage is None:
            return
        name = np.array(table.outcomes)[pattern]
        off = self.notes.uniform(1.5 * voltage.tolerance, 3 * voltage.tolerance, rows.size)
        sign = np.where(self.notes.random(rows.size) < 0.5, 1.0, -1.0)
        for turn, swing in enumerate((1.0, -1.0)):
            noise = self.notes.uniform(-0.2, 0.2, rows.size) * voltage.tolerance
            value = np.full(rows.size, np.nan)
            value = np.where(name == "normal", voltage.target + noise, value)
            value = np.where(name == "steady_offset", voltage.target + sign * off + 0.1 * noise, value)
            value = np.where(name == "wanders", voltage.target + swing * sign * off, value)
            value = np.where(name == "near_zero_or_supply", 0.5 * voltage.near_zero, value)
            shows = np.isfinite(value)
            self.log.readings.add(
                machine=rows[shows],
                side=side[shows],
                hours=at[shows] + 0.0005 * turn,
                value=np.round(value[shows], 3),
            )

    def choose(self, tried: Flags, shown: Ints, last: Ints, visit: int) -> Ints:
        """The cure of a visit: one that an inspection calls for, else the next by custom, give or take."""
        size = tried.shape[0]
        free = ~tried
        called = np.full(size, -1, dtype=np.int64)
        for s, cure in enumerate(self.world.cures):
            if cure.need < 0:
                continue
            wanted = self.world.looks[cure.need].outcomes.index(cure.step.after_result)
            opened = shown[:, cure.need] == wanted
            called = np.where((called < 0) & opened & free[:, s], s, called)
            free[:, s] &= opened
        skip = self.rng.geometric(self.world.plan.custom, size) - 1
        left = free.sum(axis=1)
        place = np.minimum(skip, left - 1)
        order = np.cumsum(free, axis=1) - 1
        chosen = np.argmax(free & (order == place[:, None]), axis=1)
        chosen = np.where(left > 0, chosen, -1)
        chosen = np.where(called >= 0, called, chosen)
        again = (visit > 0) & (last >= 0) & (self.rng.random(size) < 0.12)
        return np.where(again & (chosen >= 0), last, chosen).astype(np.int64)

    def by_habit(
        self, habit: Habit, chosen: Ints, tried: Flags, rows: Ints, side: Ints, at: Floats, visit: int
    ) -> Ints:
        """The cure of a visit where pumps with old parts are opened early, unless an inspection calls."""
        cures, parts = self.world.cures, self.parts
        s = next(s for s, cure in enumerate(cures) if cure.step.opens_pump and cure.renews)
        k = cures[s].renews[0]
        age = at - parts.fitted[rows, side, k]
        old = age > 0.5 * self.world.scale[parts.hazard[rows, side, k]]
        here = np.array(self.world.plan.sites)[self.machines.site[rows]] == habit.site
        since = self.machines.clock.days(rows, at) >= days_since_epoch(habit.since)
        called = np.array([cure.need >= 0 for cure in cures])[chosen] & (chosen >= 0)
        wanted = self.rng.random(rows.size) < (habit.at_once if visit == 0 else habit.next_time)
        return np.where(here & since & old & wanted & ~called & ~tried[:, s], s, chosen)

    def record(
        self, cure: Cure, rows: Ints, side: Ints, k: Ints, at: Floats, about: dict[str, Ints]
    ) -> Flags:
        """Does the step and writes it down; whether its own test passed."""
        rng, size = self.rng, rows.size
        passed = np.ones(size, dtype=bool)
        result, finding = np.full(size, "", dtype=object), np.full(size, "", dtype=object)
        if cure.passes is not None:
            passed = rng.random(size) < cure.passes[k]
            result[:] = np.where(passed, "passed", "failed")
        if cure.need >= 0:
            finding[:] = cure.finding  # what the inspection saw
        elif cure.confirms is not None:
            seen = rng.random(size) < cure.confirms[k]
            seen ^= rng.random(size) < self.world.disorder.mislabelled
            finding[:] = np.where(seen, cure.finding, "no_fault_found")
        self.write(cure.step, rows, side, at + 0.004, about, result, finding)
        return passed

    def other_side_too(self, cure: Cure, rows: Ints, side: Ints, at: Floats, about: dict[str, Ints]) -> None:
        """Renews a part of the first design on the other side of an open pump, if nothing is wrong there."""
        k = cure.renews[0]
        newer = self.world.hazard_row(k, self.world.service_variant(k))
        old = (self.parts.hazard[rows, side, k] != newer) & ~self.parts.fated[rows, side]
        old &= self.parts.at[rows, side] > at
        mine = np.flatnonzero(old & (self.rng.random(rows.size) < self.world.plan.both_sides))
        mine_about = {name: column[mine] for name, column in about.items()}
        finding = np.full(mine.size, "no_fault_found", dtype=object)
        self.write(cure.step, rows[mine], side[mine], at[mine] + 0.005, mine_about, "", finding, other=True)
        self.renew(cure, rows[mine], side[mine], at[mine], np.full(mine.size, -1))

    def write(
        self,
        step: Step,
        rows: Ints,
        side: Ints,
        at: Floats,
        about: dict[str, Ints],
        result: npt.NDArray[np.generic] | str,
        finding: npt.NDArray[np.generic] | str = "",
        *,
        other: bool = False,
        sure: bool = False,
    ) -> Flags:
        """Notes steps taken; which of them made it into the records, all if `sure`."""
        missed = 0.0 if sure else self.world.disorder.unrecorded
        written: Flags = self.notes.random(rows.size) >= missed
        self.log.lines.add(
            machine=rows,
            side=side,
            hours=at,
            step=np.full(rows.size, self.world.law.steps.index(step)),
            written=written,
            result=np.broadcast_to(np.asarray(result, dtype=object), (rows.size,)),
            finding=np.broadcast_to(np.asarray(finding, dtype=object), (rows.size,)),
            other_side=other,
            **about,
        )
        return written

    def renew(self, cure: Cure, rows: Ints, side: Ints, at: Floats, why: Ints) -> None:
        """New parts start new lives: on this side, or on both where what holds them is new."""
        for k in (*cure.renews, *cure.renews_both):
            sides = (
                (side,) if k in cure.renews else tuple(np.full(rows.size, s) for s in range(self.parts.sides))
            )
            for one in sides:
                hazard = self.parts.renew(rows, one, k, at)
                self.log.parts.add(machine=rows, side=one, hours=at, cause=k, hazard=hazard, why=why)
