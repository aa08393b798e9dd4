"""Invented fleets of any size, written as the files that a yard would hand over, with the truth beside them.

Machines run at their own pace; faults set in by the hazards of a fault family; codes chatter; the shop looks,
tries its cures in about the customary order and writes down what it found. The family is the law of nature
here: whoever knows it knows the true parameters. Nothing in such a fleet is evidence about real machines.

Everything is drawn for blocks of machines at once, and a seed gives the same files byte for byte. What is
written down of it, how tidily, and which stretch of time of it, changes nothing of what happened.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from math import gamma
from pathlib import Path

import numpy as np
import numpy.typing as npt
import polars as pl

from fleetlog.errors import UsageError
from fleetlog.faults import Evidence, FaultFamily, Step, load_families
from fleetlog.faults.failure_modes import MODES
from fleetlog.simulation import (
    DAY,
    Books,
    FileForm,
    Untidy,
    Window,
    routine,
    tidy_meters,
    untidy_meters,
)
from fleetlog.simulation.files import append_csv

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

UNTIL = date(2026, 6, 30)
#: Machines drawn and written at a time, so that memory stays bounded.
BLOCK = 5_000
#: Meter readings written at a time.
READINGS = 1_000_000
#: Visits after which a machine that nothing cures is sold.
MOST_VISITS = 14

_EPOCH = date(1970, 1, 1)
_DAY = 86_400.0
_SITES = ("Ashgrove", "Birch Lane", "Cold Spring", "Dunmore")


@dataclass(frozen=True)
class Disorder:
    """In what the invented world differs from what the analysis assumes.

    Attributes:
        comeback_shape: Weibull shape of the time until an uncured fault is back; 1 is the exponential.
        mislabelled: share of findings on parts taken out that are written down the wrong way round, over and
            above what the family's tables allow for.
        unrecorded: share of steps taken that nobody wrote down.
    """

    comeback_shape: float = 1.0
    mislabelled: float = 0.0
    unrecorded: float = 0.0


ORDER = Disorder()


@dataclass(frozen=True)
class Keeping:
    """How the books are kept; the world is the same whatever it says.

    Attributes:
        mess: share of records that are untidy.
        routine: whether services and codes that have nothing to do with the fault are written too.
        form: what the files are written as.
        window: the stretch of time whose records are written. Two windows that meet give together what one
            window over both gives: what is recorded late stands in the later one, and so does a machine
            that is sold there.
    """

    mess: float = 0.0
    routine: bool = False
    form: FileForm = FileForm.CSV
    window: Window = field(default_factory=Window)


NEATLY = Keeping()


@dataclass(frozen=True)
class SimulatedFleet:
    """An invented fleet on disk.

    Attributes:
        files: the folder to load.
        truth: the folder with what no yard knows: cases.csv (machine_id, side, cause, began_at, ended_at,
            cured_by) and law.json (the figures the fleet was made by).
        machines, cases: how many there are; cases that began before the books did are not counted.
        seed: what it was drawn from.
        law: the family by which it was made.
    """

    files: Path
    truth: Path
    machines: int
    cases: int
    seed: int
    law: FaultFamily

    def true_cases(self) -> pl.DataFrame:
        """The true cause of every case, in the order of machines and time."""
        return pl.read_csv(
            self.truth / "cases.csv",
            schema_overrides={"machine_id": pl.String, "cured_by": pl.String},
            try_parse_dates=True,
        )


def simulate(
    folder: Path | str,
    *,
    machines: int = 200,
    years: float = 6.0,
    seed: int = 1,
    law: FaultFamily | None = None,
    disorder: Disorder = ORDER,
    until: date = UNTIL,
    reading_days: float = 30.0,
    keeping: Keeping = NEATLY,
) -> SimulatedFleet:
    """Writes the files of an invented fleet.

    Args:
        folder: gets the folders `files` and `truth`; made if need be.
        machines: how many machines.
        years: how long the books are kept, ending `until`.
        seed: of every random number.
        law: the fault family whose figures are true; None takes neutral-return as it ships.
        disorder: in what the world differs from the assumptions.
        until: the last day of the books.
        reading_days: days between two meter readings.
        keeping: how the books are kept, and which stretch of them is written; the truth is always that of
            the whole time.

    Raises:
        UsageError: for numbers that make no fleet, or a folder that already holds files.
    """
    _check(machines, years, reading_days, disorder, keeping)
    law = law or load_families()["neutral-return"]
    files, truth = Path(folder) / "files", Path(folder) / "truth"
    for place in (files, truth):
        place.mkdir(parents=True, exist_ok=True)
        if any(place.iterdir()):
            raise UsageError(f"The folder {place} already holds files; name an empty one.")
    world = _World.of(law, disorder, years, until, reading_days)
    cases = 0
    with Books.open(files, keeping.form) as books:
        for block, begin in enumerate(range(0, machines, BLOCK)):
            # What is written down has dice of its own, so that untidy books do not change what happened.
            happens, told, more, mishaps = (
                np.random.SeedSequence(seed, spawn_key=(block, stream)) for stream in range(4)
            )
            dice, notes = (np.random.Generator(np.random.PCG64(one)) for one in (happens, told))
            fleet = _Block(world, dice, notes, begin, min(BLOCK, machines - begin))
            fleet.live()
            for kind, frame in fleet.tables(keeping, more, mishaps):
                books.add(kind, frame)
            true = fleet.true_cases()
            cases += true.height
            append_csv(truth / "cases.csv", true)
    figures = {"seed": seed, "disorder": disorder.__dict__, "figures": law.to_rows()}
    (truth / "law.json").write_text(json.dumps(figures, indent=1), encoding="utf-8")
    return SimulatedFleet(files, truth, machines, cases, seed, law)


def another_law(family: FaultFamily, seed: int, spread: float = 0.3) -> FaultFamily:
    """A family like this one with other true figures, as far off as the family's own pseudo-counts allow.

    Args:
        family: whose defaults are the middle.
        seed: of the draw.
        spread: standard deviation of the logarithm of hazards and of the mean comeback time.
    """
    dice = np.random.default_rng(seed)
    hazards = tuple(
        replace(
            hazard,
            scale_hours=hazard.scale_hours * float(np.exp(dice.normal(0, spread))),
            shape=hazard.shape if hazard.shape == 1.0 else hazard.shape * float(np.exp(dice.normal(0, 0.12))),
        )
        for hazard in family.hazards
    )
    evidence = tuple(
        replace(
            table,
            counts={cause: _drawn(dice, table, counts) for cause, counts in table.counts.items()},
            by_variant={key: _drawn(dice, table, counts) for key, counts in table.by_variant.items()},
        )
        for table in family.evidence
    )
    steps = tuple(
        replace(
            step,
            cures={
                cause: float(dice.beta(20 * p + 0.5, 20 * (1 - p) + 0.5)) for cause, p in step.cures.items()
            },
        )
        for step in family.steps
    )
    comeback = replace(
        family.comeback, mean_hours=family.comeback.mean_hours * float(np.exp(dice.normal(0, spread)))
    )
    return replace(family, hazards=hazards, evidence=evidence, steps=steps, comeback=comeback)


def _drawn(dice: np.random.Generator, table: Evidence, counts: tuple[float, ...]) -> tuple[float, ...]:
    shares = dice.dirichlet(np.asarray(counts)) + 1e-3
    return tuple(float(share) for share in shares / shares.sum() * sum(counts))


def _check(machines: int, years: float, reading_days: float, disorder: Disorder, keeping: Keeping) -> None:
    if machines < 1 or not 0 < years <= 40 or reading_days <= 0:
        raise UsageError(
            "An invented fleet needs at least one machine, 0 to 40 years and some days per reading."
        )
    if not 0.1 <= disorder.comeback_shape <= 10:
        raise UsageError(f"comeback_shape must lie between 0.1 and 10, not {disorder.comeback_shape:g}.")
    for name in ("mislabelled", "unrecorded"):
        if not 0 <= getattr(disorder, name) <= 1:
            raise UsageError(
                f"{name} is a share: it must lie between 0 and 1, not {getattr(disorder, name):g}."
            )
    if not 0 <= keeping.mess <= 1:
        raise UsageError(f"mess is a share: it must lie between 0 and 1, not {keeping.mess:g}.")
    first, last = keeping.window.first, keeping.window.last
    if first is not None and last is not None and last < first:
        raise UsageError(f"From {first} to {last} there is no day; the second must not lie before the first.")


# --------------------------------------------------------------------------------------- the laws as arrays


@dataclass(frozen=True, eq=False)
class _Look:
    """An inspection: what it shows under each cause, and which of its outcomes is trouble found."""

    step: Step
    chance: Floats
    outcomes: tuple[str, ...]
    voltage: bool


@dataclass(frozen=True, eq=False)
class _Cure:
    """A cure: its chance by cause, and what it leaves on record.

    Attributes:
        passes: chance by cause that its own test passes, for an adjustment with a table; else None.
        confirms: chance by cause that what was taken out is found to be the trouble, else None.
        finding: the word for it.
        need: the look (position) that must have shown trouble first, or -1.
        renews, renews_both: positions of the causes whose part is new afterwards, on this side or on both.
    """

    step: Step
    chance: Floats
    passes: Floats | None
    confirms: Floats | None
    finding: str
    need: int
    renews: tuple[int, ...]
    renews_both: tuple[int, ...]


@dataclass(frozen=True, eq=False)
class _World:
    """The law of nature and the calendar, as arrays."""

    law: FaultFamily
    disorder: Disorder
    causes: tuple[str, ...]
    shape: Floats
    scale: Floats
    general: Ints
    modes: Floats
    mode_fmi: Ints
    both: Floats
    voltage: Floats | None
    looks: tuple[_Look, ...]
    cures: tuple[_Cure, ...]
    begin_day: float
    end_day: float
    reading_days: float

    @staticmethod
    def of(law: FaultFamily, disorder: Disorder, years: float, until: date, reading_days: float) -> _World:
        causes = tuple(cause.name for cause in law.causes)
        rows = {(hazard.cause, hazard.variant): i for i, hazard in enumerate(law.hazards)}
        modes = law.evidence_table("failure_mode")
        sides = law.evidence_table("sides")
        voltage = law.evidence_table("voltage")
        looks = tuple(_look(law, step) for step in law.steps if step.kind != "cure")
        # Only patterns that two readings can show are drawn.
        pattern = _chances(voltage, causes) if voltage else None
        if pattern is not None and voltage is not None and "cannot_be_centred" in voltage.outcomes:
            pattern[:, voltage.outcomes.index("cannot_be_centred")] = 0.0
            pattern /= pattern.sum(axis=1, keepdims=True)
        share = _chances(sides, causes)[:, sides.outcomes.index("both")] if sides else np.zeros(len(causes))
        end_day = float((until - _EPOCH).days + 1)
        return _World(
            law=law,
            disorder=disorder,
            causes=causes,
            shape=np.array([hazard.shape for hazard in law.hazards]),
            scale=np.array([hazard.scale_hours for hazard in law.hazards]),
            general=np.array([rows[cause, ""] for cause in causes]),
            modes=_chances(modes, causes) if modes else np.ones((len(causes), 1)),
            mode_fmi=_fmi_of(modes),
            # Of cases with one of their own on the other side, half were there first.
            both=share / (2.0 - share),
            voltage=pattern,
            looks=looks,
            cures=tuple(_cure(law, step, looks, causes) for step in law.steps if step.kind == "cure"),
            begin_day=end_day - years * 365.25,
            end_day=end_day,
            reading_days=reading_days,
        )

    def hazard_built(self, k: int, built_day: Floats) -> Ints:
        """The hazard of a cause in machines built on these days."""
        rows = np.full(built_day.size, self.general[k], dtype=np.int64)
        part = self.law.part(self.law.causes[k].component)
        for period in part.variants if part else ():
            fits = np.ones(built_day.size, dtype=bool)
            if period.built_from is not None:
                fits &= built_day >= (period.built_from - _EPOCH).days
            if period.built_before is not None:
                fits &= built_day < (period.built_before - _EPOCH).days
            rows[fits] = self.hazard_row(k, period.variant)
        return rows

    def hazard_row(self, k: int, variant: str) -> int:
        """The hazard of a cause for a variant of its part."""
        for i, hazard in enumerate(self.law.hazards):
            if hazard.cause == self.causes[k] and hazard.variant == variant:
                return i
        return int(self.general[k])

    def serviced(self, k: int) -> int:
        """The hazard of a cause once its part has been replaced."""
        part = self.law.part(self.law.causes[k].component)
        return self.hazard_row(k, part.service_variant if part else "")


def _chances(table: Evidence, causes: Sequence[str]) -> Floats:
    return np.array([[table.probability(outcome, cause) for outcome in table.outcomes] for cause in causes])


def _fmi_of(table: Evidence | None) -> Ints:
    """A failure mode for each outcome; `other` takes one that no outcome names."""
    if table is None:
        return np.array([31])
    by_group = {mode.group: mode.fmi for mode in reversed(MODES)}
    rest = [fmi for group, fmi in by_group.items() if group not in table.outcomes]
    return np.array([by_group.get(outcome, rest[0] if rest else 31) for outcome in table.outcomes])


def _look(law: FaultFamily, step: Step) -> _Look:
    causes = [cause.name for cause in law.causes]
    table = law.evidence_table(step.name)
    if table is None:
        measures = law.voltage is not None and law.evidence_table("voltage") is not None
        return _Look(step, np.ones((len(causes), 1)), ("",), measures)
    return _Look(step, _chances(table, causes), table.outcomes, False)


def _cure(law: FaultFamily, step: Step, looks: tuple[_Look, ...], causes: tuple[str, ...]) -> _Cure:
    quiet, wrong = law.comeback.quiet_chance, law.comeback.mislabelled
    table = law.evidence_table(step.name)
    adjusts = step.action in ("adjust", "calibrate")
    passes = confirms = None
    if table is not None and "passed" in table.outcomes:
        passed = _chances(table, causes)[:, table.outcomes.index("passed")]
        passes, confirms = (passed, None) if adjusts else (None, 1.0 - passed)
    elif step.confirms and not adjusts:
        own = set(step.confirms.values())
        confirms = np.array([1.0 - wrong if cause in own else wrong for cause in causes])
    names = [look.step.name for look in looks]
    renewed = [
        k
        for k, cause in enumerate(law.causes)
        if step.action in ("replace", "overhaul") and cause.component and cause.component == step.component
    ]
    inside = [
        k
        for k, cause in enumerate(law.causes)
        if step.action in ("replace", "overhaul")
        and (part := law.part(cause.component)) is not None
        and part.part_of == step.component
    ]
    followed = tuple(k for k in renewed if law.part(law.causes[k].component))
    return _Cure(
        step=step,
        chance=np.array([max(step.cures.get(cause, 0.0), quiet) for cause in causes]),
        passes=passes,
        confirms=confirms,
        finding=next(iter(step.confirms), ""),
        need=names.index(step.after) if step.after and step.after_result else -1,
        renews=followed,
        renews_both=tuple(inside),
    )


# --------------------------------------------------------------------------------------- a block of machines


class _Rows:
    """Columns that grow by arrays."""

    def __init__(self) -> None:
        self.parts: list[dict[str, npt.NDArray[np.generic]]] = []

    def add(self, **columns: npt.NDArray[np.generic] | float | int | str | bool) -> None:
        size = max(np.size(value) for value in columns.values())
        if not all(np.size(value) for value in columns.values()):
            return
        self.parts.append({name: np.broadcast_to(value, (size,)) for name, value in columns.items()})

    def column(self, name: str) -> npt.NDArray[np.generic]:
        return np.concatenate([part[name] for part in self.parts])

    def frame(self, schema: dict[str, pl.DataType | type[pl.DataType]]) -> pl.DataFrame:
        if not self.parts:
            return pl.DataFrame(schema=schema)
        return pl.DataFrame(
            {name: pl.Series(name, self.column(name)).cast(kind) for name, kind in schema.items()}
        )


_EVENT: dict[str, pl.DataType | type[pl.DataType]] = {
    "machine": pl.Int64,
    "side": pl.Int64,
    "hours": pl.Float64,
}


class _Block:
    """Some machines and everything that happens to them.

    Time on a side is counted in running hours of the machine; days since 1970 follow from its pace.
    """

    def __init__(
        self, world: _World, dice: np.random.Generator, books: np.random.Generator, first: int, size: int
    ) -> None:
        self.world, self.dice, self.books, self.first, self.size = world, dice, books, first, size
        u = dice.random
        self.built = np.floor(
            world.begin_day - 7 * 365 + u(size) * (world.end_day - world.begin_day + 6.5 * 365)
        )
        self.pace = np.clip(2.0 * np.exp(0.35 * dice.standard_normal(size)), 0.5, 6.0)
        used = u(size) < 0.25
        self.acquired = np.floor(self.built + np.where(used, 365 + 4 * 365 * u(size), 30.0))
        self.acquired = np.minimum(self.acquired, world.end_day - 60.0)
        sold = np.floor(self.acquired + 300.0 + 3650.0 * dice.exponential(size=size))
        self.disposed = np.where(sold < world.end_day - 1.0, sold, np.inf)
        self.site = dice.integers(0, len(_SITES), size)
        sides = world.law.sides
        self.sides = len(sides)
        causes = len(world.causes)
        self.fitted = np.zeros((size, self.sides, causes))
        hazards = np.column_stack([world.hazard_built(k, self.built) for k in range(causes)])
        self.hazard = np.repeat(hazards[:, None, :], self.sides, axis=1)
        self.codes, self.lines, self.readings, self.cases, self.parts = (_Rows() for _ in range(5))
        self.visits = 0
        self.meters = tidy_meters(size)

    # -------------------------------------------------------------------------------- life

    @property
    def leaves(self) -> Floats:
        """Running hours at which each machine leaves, or the books end."""
        last: Floats = (np.minimum(self.disposed, self.world.end_day) - self.built) * self.pace
        return last

    def live(self) -> None:
        """Lets every machine run to its end, one case a round on the side where the next fault sets in."""
        at = np.zeros((self.size, self.sides))
        cause = np.zeros((self.size, self.sides), dtype=np.int64)
        echo = np.zeros((self.size, self.sides), dtype=bool)
        every = np.arange(self.size)
        for side in range(self.sides):
            at[:, side], cause[:, side] = self.next_onset(every, side, np.zeros(self.size))
        while True:
            side = np.argmin(at, axis=1)
            begins = at[every, side]
            rows = np.flatnonzero(begins < self.leaves)
            if not rows.size:
                return
            on, k, begin = side[rows], cause[rows, side[rows]], begins[rows]
            shared = ~echo[rows, on] & (self.dice.random(rows.size) < self.world.both[k])
            ends = self.case(rows, on, k, begin)
            at[rows, on], cause[rows, on] = self.next_onset(rows, on, ends)
            echo[rows, on] = False
            if self.sides == 2:
                other = 1 - on
                # The other side's next fault is drawn anew: its parts may have been renewed in the same job.
                free = at[rows, other] > ends
                redrawn, causes = self.next_onset(rows, other, np.maximum(ends, begin))
                at[rows, other] = np.where(free, redrawn, at[rows, other])
                cause[rows, other] = np.where(free, causes, cause[rows, other])
                echoed = shared & (at[rows, other] > begin)
                at[rows, other] = np.where(echoed, begin + self.dice.random(rows.size), at[rows, other])
                cause[rows, other] = np.where(echoed, k, cause[rows, other])
                echo[rows, other] |= echoed

    def next_onset(self, rows: Ints, side: Ints | int, after: Floats) -> tuple[Floats, Ints]:
        """When and by which cause the next fault sets in after those running hours."""
        hazard, fitted = self.hazard[rows, side], self.fitted[rows, side]
        shape, scale = self.world.shape[hazard], self.world.scale[hazard]
        age = np.maximum(after[:, None] - fitted, 0.0)
        used_up = (age / scale) ** shape + self.dice.exponential(size=age.shape)
        onset = fitted + scale * used_up ** (1.0 / shape)
        first = np.argmin(onset, axis=1)
        return onset[np.arange(rows.size), first], first.astype(np.int64)

    # -------------------------------------------------------------------------------- one case, code to cure

    def case(self, rows: Ints, side: Ints, k: Ints, begin: Floats) -> Floats:
        """Reports, visits and findings of one case on each of these machines; when each ended."""
        world, dice, size = self.world, self.dice, rows.size
        leaves = self.leaves[rows]
        fmi = world.mode_fmi[_pick(dice, world.modes[k])]
        pattern = _pick(dice, world.voltage[k]) if world.voltage is not None else np.full(size, -1)
        tried = np.zeros((size, len(world.cures)), dtype=bool)
        shown = np.full((size, len(world.looks)), -1, dtype=np.int64)
        last = np.full(size, -1, dtype=np.int64)
        cured_by = np.full(size, -1, dtype=np.int64)
        ends = np.full(size, np.inf)
        report = begin.copy()
        going = report < leaves
        for visit in range(MOST_VISITS):
            now = np.flatnonzero(going)
            if not now.size:
                break
            there = self.report(rows[now], side[now], report[now], fmi[now])
            at = there + self.pace[rows[now]] * dice.uniform(0.2, 5.0, now.size)
            order = self.visits + np.arange(now.size)
            self.visits += now.size
            self.look(rows[now], side[now], k[now], at, order, visit, now, shown, pattern)
            chosen = self.choose(tried[now], shown[now], last[now], visit)
            # Nothing is left to try: the machine is sold.
            lost = now[chosen < 0]
            self.disposed[rows[lost]] = np.minimum(
                self.disposed[rows[lost]],
                np.floor(self.built[rows[lost]] + at[chosen < 0] / self.pace[rows[lost]] + 20.0),
            )
            going[lost] = False
            ends[lost] = at[chosen < 0]
            for s, cure in enumerate(world.cures):
                doing = chosen == s
                if not doing.any():
                    continue
                mine, when = now[doing], at[doing]
                passed = self.record(cure, rows[mine], side[mine], k[mine], when, order[doing])
                new = passed & ~tried[mine, s]
                works = new & (dice.random(mine.size) < cure.chance[k[mine]])
                tried[mine, s] |= passed
                last[mine] = s
                self.renew(cure, rows[mine], side[mine], when, passed)
                cured_by[mine[works]] = s
                ends[mine[works]] = when[works]
                going[mine[works]] = False
                back = world.law.comeback.mean_hours * _unit_weibull(
                    dice, world.disorder.comeback_shape, mine.size
                )
                report[mine] = when + np.maximum(back, 0.2)
            gone = now[going[now] & (report[now] >= leaves[now])]
            going[gone] = False
        # Whoever is still at it after so many visits is sold as well.
        stuck = np.flatnonzero(going)
        self.disposed[rows[stuck]] = np.minimum(
            self.disposed[rows[stuck]],
            np.floor(self.built[rows[stuck]] + report[stuck] / self.pace[rows[stuck]]),
        )
        self.cases.add(machine=rows, side=side, cause=k, hours=begin, ended=ends, cured_by=cured_by)
        return np.where(np.isfinite(ends), ends, np.inf)

    def report(self, rows: Ints, side: Ints, at: Floats, fmi: Ints) -> Floats:
        """Codes of one episode; the running hours of the last."""
        number = 1 + self.dice.poisson(1.5, rows.size)
        which = np.repeat(np.arange(rows.size), number)
        gap = self.dice.exponential(3.0, which.size)
        first = np.concatenate(([True], which[1:] != which[:-1])) if which.size else np.zeros(0, dtype=bool)
        gap[first] = 0.0
        total = np.cumsum(gap)
        starts = total[first]
        hours = at[which] + total - np.repeat(starts, number)
        self.codes.add(machine=rows[which], side=side[which], hours=hours, fmi=fmi[which])
        return hours[np.cumsum(number) - 1] if rows.size else at

    def look(
        self,
        rows: Ints,
        side: Ints,
        k: Ints,
        at: Floats,
        order: Ints,
        visit: int,
        now: Ints,
        shown: Ints,
        pattern: Ints,
    ) -> None:
        """The inspections of a visit: most are made at the first one."""
        for t, look in enumerate(self.world.looks):
            doing = (shown[now, t] < 0) & (self.dice.random(now.size) < (0.85 if visit == 0 else 0.3))
            seen = _pick(self.dice, look.chance[k])
            mine = np.flatnonzero(doing)
            shown[now[mine], t] = seen[mine]
            result = np.array(look.outcomes)[seen[mine]]
            written = self.written(mine.size)
            self.write(
                look.step, rows[mine], side[mine], at[mine] + 0.001 * t, order[mine], written, result, ""
            )
            if look.voltage:
                kept = mine[written]
                self.measure(rows[kept], side[kept], at[kept], pattern[now[kept]])

    def measure(self, rows: Ints, side: Ints, at: Floats, pattern: Ints) -> None:
        """Two readings that show the pattern; none where it has no reading to show."""
        table, voltage = self.world.law.evidence_table("voltage"), self.world.law.voltage
        if table is None or voltage is None:
            return
        name = np.array(table.outcomes)[pattern]
        off = self.books.uniform(1.5 * voltage.tolerance, 3 * voltage.tolerance, rows.size)
        sign = np.where(self.books.random(rows.size) < 0.5, 1.0, -1.0)
        for turn, swing in enumerate((1.0, -1.0)):
            value = np.full(rows.size, np.nan)
            noise = self.books.uniform(-0.2, 0.2, rows.size) * voltage.tolerance
            value = np.where(name == "normal", voltage.target + noise, value)
            value = np.where(name == "steady_offset", voltage.target + sign * off + 0.1 * noise, value)
            value = np.where(name == "wanders", voltage.target + swing * sign * off, value)
            value = np.where(name == "near_zero_or_supply", 0.5 * voltage.near_zero, value)
            kept = np.isfinite(value)
            self.readings.add(
                machine=rows[kept],
                side=side[kept],
                hours=at[kept] + 0.0005 * turn,
                value=np.round(value[kept], 3),
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
        skip = self.dice.geometric(0.65, size) - 1
        left = free.sum(axis=1)
        place = np.minimum(skip, left - 1)
        order = np.cumsum(free, axis=1) - 1
        chosen = np.argmax(free & (order == place[:, None]), axis=1)
        chosen = np.where(left > 0, chosen, -1)
        chosen = np.where(called >= 0, called, chosen)
        again = (visit > 0) & (last >= 0) & (self.dice.random(size) < 0.12)
        return np.where(again & (chosen >= 0), last, chosen).astype(np.int64)

    def record(self, cure: _Cure, rows: Ints, side: Ints, k: Ints, at: Floats, order: Ints) -> Flags:
        """Does the step and writes it down; whether its own test passed."""
        dice, size = self.dice, rows.size
        passed = np.ones(size, dtype=bool)
        result, finding = np.full(size, "", dtype=object), np.full(size, "", dtype=object)
        if cure.passes is not None:
            passed = dice.random(size) < cure.passes[k]
            result[:] = np.where(passed, "passed", "failed")
        if cure.need >= 0:
            finding[:] = cure.finding  # what the inspection saw
        elif cure.confirms is not None:
            found = dice.random(size) < cure.confirms[k]
            found ^= dice.random(size) < self.world.disorder.mislabelled
            finding[:] = np.where(found, cure.finding, "no_fault_found")
        self.write(cure.step, rows, side, at + 0.004, order, self.written(size), result, finding)
        return passed

    def written(self, size: int) -> Flags:
        """Which of so many steps are written down."""
        kept: Flags = self.books.random(size) >= self.world.disorder.unrecorded
        return kept

    def write(
        self,
        step: Step,
        rows: Ints,
        side: Ints,
        at: Floats,
        order: Ints,
        written: Flags,
        result: npt.NDArray[np.generic],
        finding: npt.NDArray[np.generic] | str,
    ) -> None:
        number = self.world.law.steps.index(step)
        told = np.broadcast_to(np.asarray(finding, dtype=object), (rows.size,))
        self.lines.add(
            machine=rows,
            side=side,
            hours=at,
            order=order,
            step=np.full(rows.size, number),
            written=written,
            result=np.asarray(result, dtype=object),
            finding=told,
        )

    def renew(self, cure: _Cure, rows: Ints, side: Ints, at: Floats, passed: Flags) -> None:
        """New parts start new lives; what was renewed before the books began goes into the list of parts."""
        rows, side, at = rows[passed], side[passed], at[passed]
        for k in cure.renews:
            self.fitted[rows, side, k], self.hazard[rows, side, k] = at, self.world.serviced(k)
            self.parts.add(machine=rows, side=side, hours=at, cause=np.full(rows.size, k))
        for k in cure.renews_both:
            for both in range(self.sides):
                self.fitted[rows, both, k], self.hazard[rows, both, k] = at, self.world.serviced(k)
                self.parts.add(
                    machine=rows, side=np.full(rows.size, both), hours=at, cause=np.full(rows.size, k)
                )

    # -------------------------------------------------------------------------------- what is handed over

    def tables(
        self, keeping: Keeping, more: np.random.SeedSequence, mishaps: np.random.SeedSequence
    ) -> Iterator[tuple[str, pl.DataFrame]]:
        """The files piece by piece: only what happened while the books were kept and the machine was there.

        Args:
            keeping: how the books are kept.
            more: seed of routine work.
            mishaps: seed of untidiness.
        """
        for_meters, for_tables = mishaps.spawn(2)
        untidy = Untidy(keeping.mess, for_tables) if keeping.mess else None
        if untidy:
            self.meters = untidy_meters(
                np.random.default_rng(for_meters), keeping.mess, *self.kept(), self.built, self.pace
            )
        lines = self.seen(
            self.lines.frame(
                _EVENT
                | {
                    "order": pl.Int64,
                    "step": pl.Int64,
                    "written": pl.Boolean,
                    "result": pl.String,
                    "finding": pl.String,
                }
            )
        )
        codes, orders, steps = self.fault_codes(), self.work_orders(lines), self.work_lines(lines)
        if keeping.routine:
            codes, orders, steps = self.with_routine(more, codes, orders, steps)
        machines, components, measured = self.machines(), self.components(), self.measurements()
        if untidy:
            machines, components = untidy.machines(machines), untidy.components(components)
            codes, orders, steps = untidy.codes(codes), untidy.orders(orders), untidy.lines(steps)
            measured = untidy.measurements(measured)
            # What comes later than the last day of the books is not there yet.
            codes = codes.filter(pl.col(DAY) < self.world.end_day)
        rows = keeping.window.rows
        yield "machines", keeping.window.machines(machines)
        for readings, machine in self.meter_readings():
            yield "meter_readings", rows(untidy.readings(readings, machine) if untidy else readings)
        if untidy:
            yield "meter_changes", rows(self.meter_changes())
        yield "components", rows(components)
        yield "fault_codes", rows(codes)
        yield "work_orders", rows(orders)
        yield "work_lines", rows(steps)
        yield "measurements", rows(measured)

    def kept(self) -> tuple[Floats, Floats]:
        """The days between which the books of each machine were kept; end before begin is never."""
        begin: Floats = np.maximum(self.acquired, self.world.begin_day)
        end: Floats = np.minimum(self.disposed, self.world.end_day)
        return begin, end

    def name(self, column: str = "machine") -> pl.Expr:
        return pl.format("M{}", (pl.col(column) + self.first + 1).cast(pl.String).str.zfill(6))

    def side_name(self) -> pl.Expr:
        return pl.col("side").replace_strict(dict(enumerate(self.world.law.sides)), return_dtype=pl.String)

    def days(self, machine: Ints, hours: Floats) -> Floats:
        """Days since 1970 at which a machine had run so many hours."""
        day: Floats = self.built[machine] + hours / self.pace[machine]
        return day

    def seen(self, events: pl.DataFrame) -> pl.DataFrame:
        """Events within the books, with their time as `at` and day as `day`, in the order of time."""
        machine, hours = events["machine"].to_numpy(), events["hours"].to_numpy()
        day = self.days(machine, hours)
        begins, ends = (each[machine] for each in self.kept())
        shown = np.round(self.meters.shown(machine, day, hours), 1)
        return (
            events.with_columns(day=pl.Series(day), hours=pl.Series(shown))
            .filter(pl.Series((day >= begins) & (day < ends), dtype=pl.Boolean))
            .with_columns(at=_time(pl.col("day")))
            .sort("machine", "day", "side", maintain_order=True)
        )

    def machines(self) -> pl.DataFrame:
        gone = np.isfinite(self.disposed)
        left = np.where(gone, self.disposed, 0.0)
        sold = self.meters.shown(np.arange(self.size), left, (left - self.built) * self.pace)
        frame = pl.DataFrame(
            {
                "machine": np.arange(self.size),
                "built": self.built,
                "acquired": self.acquired,
                "disposed": left,
                "gone": gone,
                "bought": np.round((self.acquired - self.built) * self.pace, 1),
                "sold": np.round(np.where(gone, sold, 0.0), 1),
                DAY: self.kept()[0],
                "site": np.array(_SITES)[self.site],
            }
        )
        law = self.world.law
        control = law.control[0] if law.control else "electronic_joystick"
        return frame.select(
            machine_id=self.name(),
            machine_type=pl.lit(law.machine_types[0] if law.machine_types else "skid_steer_loader"),
            build_date=_day(pl.col("built")).dt.to_string("%Y-%m-%d"),
            control=pl.lit(control),
            site="site",
            acquired_on=_day(pl.col("acquired")),
            hours_at_acquisition="bought",
            disposed_on=pl.when("gone").then(_day(pl.col("disposed"))),
            hours_at_disposal=pl.when("gone").then("sold"),
            **{DAY: DAY},
        )

    def meter_readings(self) -> Iterator[tuple[pl.DataFrame, Ints]]:
        """Readings of some machines at a time, and the machine of each."""
        begin, end = self.kept()
        end = end - 0.01
        number = np.maximum(np.floor((end - begin) / self.world.reading_days).astype(np.int64) + 2, 0)
        number = np.where(end > begin, number, 0)
        names = pl.DataFrame({"machine": np.arange(self.size)}).select(self.name()).to_series()
        total = np.cumsum(number)
        first = 0
        while first < self.size:
            before = total[first - 1] if first else 0
            after = max(int(np.searchsorted(total, before + READINGS, side="right")), first + 1)
            of_each = number[first:after]
            machine = np.repeat(np.arange(first, first + of_each.size), of_each)
            turn = np.arange(machine.size) - np.repeat(np.cumsum(of_each) - of_each, of_each)
            day = np.minimum(begin[machine] + turn * self.world.reading_days, end[machine])
            hours = (day - self.built[machine]) * self.pace[machine]
            shown = np.round(self.meters.shown(machine, day, hours), 1)
            frame = pl.DataFrame({"machine_id": names.gather(machine), "day": day, "hours": shown})
            yield (
                frame.select(
                    "machine_id",
                    read_at=_time(pl.col("day")),
                    hours="hours",
                    source=pl.lit("telematics"),
                    **{DAY: "day"},
                ),
                machine,
            )
            first += of_each.size

    def meter_changes(self) -> pl.DataFrame:
        """The meter changes that somebody wrote down."""
        machine = np.flatnonzero(self.meters.recorded)
        return pl.DataFrame(
            {
                "machine": machine,
                "day": self.meters.changed[machine],
                "old": self.meters.old[machine],
                "new": self.meters.new[machine],
            }
        ).select(
            machine_id=self.name(),
            changed_at=_time(pl.col("day")),
            old_meter_hours="old",
            new_meter_hours="new",
            **{DAY: "day"},
        )

    def with_routine(
        self, seed: np.random.SeedSequence, codes: pl.DataFrame, orders: pl.DataFrame, lines: pl.DataFrame
    ) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
        """Codes, orders and lines with those of every day among them, by machine and time."""
        begin, end = ((day - self.built) * self.pace for day in self.kept())
        other = routine(np.random.default_rng(seed), begin, end)
        number = pl.format("R{}-{}", pl.lit(self.first // BLOCK + 1), pl.col("service") + 1)
        services = self.seen(other.services.with_columns(side=pl.lit(0)))
        codes = pl.concat(
            (
                codes,
                self.seen(other.codes.with_columns(side=pl.lit(0))).select(
                    machine_id=self.name(),
                    seen_at="at",
                    hours="hours",
                    spn=pl.col("spn").cast(codes.schema["spn"]),
                    fmi=pl.col("fmi").cast(codes.schema["fmi"]),
                    description="description",
                    status=pl.lit("stored"),
                    side=pl.lit(None, dtype=pl.String),
                    source=pl.lit("telematics"),
                    **{DAY: "day"},
                ),
            )
        )
        orders = pl.concat(
            (
                orders,
                services.select(
                    work_order_id=number,
                    machine_id=self.name(),
                    opened_at="at",
                    closed_at="at",
                    hours="hours",
                    complaint=pl.lit("service"),
                    status=pl.lit("closed"),
                    **{DAY: "day"},
                ),
            )
        ).sort("machine_id", DAY, maintain_order=True)
        done = services.join(other.tasks, on="service", maintain_order="left_right").select(
            work_order_id=number,
            line_no=pl.col("line_no").cast(lines.schema["line_no"]),
            done_at="at",
            component="component",
            side=pl.lit(None, dtype=pl.String),
            action="action",
            result="result",
            finding="finding",
            labour_hours="labour_hours",
            parts_cost="parts_cost",
            **{DAY: "day"},
        )
        # Lines name no machine: they stand in the order of their work orders.
        lines = pl.concat((lines, done)).join(
            orders.select("work_order_id").with_row_index("turn"), on="work_order_id", maintain_order="left"
        )
        lines = lines.sort("turn", "line_no").drop("turn")
        return codes.sort("machine_id", DAY, maintain_order=True), orders, lines

    def components(self) -> pl.DataFrame:
        parts = self.parts.frame(_EVENT | {"cause": pl.Int64})
        machine, hours = parts["machine"].to_numpy(), parts["hours"].to_numpy()
        day = self.days(machine, hours)
        before = self.kept()[0][machine]
        law = self.world.law
        component = {k: cause.component for k, cause in enumerate(law.causes)}
        variant = {
            k: part.service_variant if (part := law.part(cause.component)) else ""
            for k, cause in enumerate(law.causes)
        }
        return (
            parts.with_columns(pl.Series(DAY, before), day=pl.Series(day))
            .filter(pl.Series(day < before, dtype=pl.Boolean))
            .sort("machine", "day", "side", "cause")
            .select(
                machine_id=self.name(),
                component=pl.col("cause").replace_strict(component, return_dtype=pl.String),
                side=self.side_name(),
                variant=pl.col("cause").replace_strict(variant, return_dtype=pl.String),
                fitted_on=_day(pl.col("day")),
                fitted_hours=pl.col("hours").round(1),
                **{DAY: DAY},
            )
        )

    def fault_codes(self) -> pl.DataFrame:
        codes = self.seen(self.codes.frame(_EVENT | {"fmi": pl.Int64}))
        return codes.select(
            machine_id=self.name(),
            seen_at="at",
            hours="hours",
            spn=pl.lit(524000),
            fmi="fmi",
            description=pl.lit(self.world.law.title),
            status=pl.lit("stored"),
            side=self.side_name(),
            source=pl.lit("telematics"),
            **{DAY: "day"},
        ).unique(["machine_id", "seen_at", "side"], keep="first", maintain_order=True)

    def order_name(self) -> pl.Expr:
        return pl.format("W{}-{}", pl.lit(self.first // BLOCK + 1), pl.col("order"))

    def work_orders(self, lines: pl.DataFrame) -> pl.DataFrame:
        orders = lines.group_by("order", maintain_order=True).first()
        return orders.select(
            work_order_id=self.order_name(),
            machine_id=self.name(),
            opened_at="at",
            closed_at="at",
            hours="hours",
            complaint=pl.lit("fault code"),
            status=pl.lit("closed"),
            **{DAY: "day"},
        )

    def work_lines(self, lines: pl.DataFrame) -> pl.DataFrame:
        steps = self.world.law.steps
        table = pl.DataFrame(
            {
                "step": np.arange(len(steps)),
                "component": [step.component for step in steps],
                "action": [step.action for step in steps],
                "labour_hours": [step.labour_hours for step in steps],
                "parts_cost": [step.parts_cost for step in steps],
            }
        )
        return (
            # The lines of an order are recorded with it.
            lines.with_columns(pl.col("day").first().over("order"))
            .filter("written")
            .join(table, on="step", maintain_order="left")
            .with_columns(line_no=pl.int_range(1, pl.len() + 1).over("order"))
            .select(
                work_order_id=self.order_name(),
                line_no="line_no",
                done_at="at",
                component="component",
                side=self.side_name(),
                action="action",
                result="result",
                finding="finding",
                labour_hours="labour_hours",
                parts_cost="parts_cost",
                **{DAY: "day"},
            )
        )

    def measurements(self) -> pl.DataFrame:
        voltage = self.world.law.voltage
        readings = self.seen(self.readings.frame(_EVENT | {"value": pl.Float64}))
        return readings.select(
            machine_id=self.name(),
            measured_at="at",
            hours="hours",
            quantity=pl.lit(voltage.quantity if voltage else ""),
            side=self.side_name(),
            value="value",
            unit=pl.lit(voltage.unit if voltage else ""),
            **{DAY: "day"},
        )

    def true_cases(self) -> pl.DataFrame:
        """What no yard knows: one row a case that began within the books."""
        schema = _EVENT | {"cause": pl.Int64, "ended": pl.Float64, "cured_by": pl.Int64}
        cases = self.seen(self.cases.frame(schema))
        ended = self.days(cases["machine"].to_numpy(), cases["ended"].to_numpy())
        names = {s: cure.step.name for s, cure in enumerate(self.world.cures)} | {-1: ""}
        return cases.with_columns(over=pl.Series(np.where(ended < self.world.end_day, ended, np.nan))).select(
            machine_id=self.name(),
            side=self.side_name(),
            cause=pl.col("cause").replace_strict(dict(enumerate(self.world.causes)), return_dtype=pl.String),
            began_at="at",
            ended_at=pl.when(pl.col("over").is_not_nan()).then(_time(pl.col("over").fill_nan(0.0))),
            cured_by=pl.col("cured_by").replace_strict(names, return_dtype=pl.String),
        )


def _pick(dice: np.random.Generator, chance: Floats) -> Ints:
    """One outcome a row, drawn by the row's probabilities."""
    mark = dice.random((chance.shape[0], 1))
    found: Ints = (np.cumsum(chance, axis=1)[:, :-1] <= mark).sum(axis=1)
    return found


def _unit_weibull(dice: np.random.Generator, shape: float, size: int) -> Floats:
    """Weibull times of mean 1."""

    drawn: Floats = dice.exponential(size=size) ** (1.0 / shape) / gamma(1.0 + 1.0 / shape)
    return drawn


def _time(day: pl.Expr) -> pl.Expr:
    seconds = (day * _DAY).round().cast(pl.Int64)
    return pl.from_epoch(seconds, time_unit="s")


def _day(day: pl.Expr) -> pl.Expr:
    return pl.lit(_EPOCH) + pl.duration(days=day.floor().cast(pl.Int64))
