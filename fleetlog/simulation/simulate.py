"""Invented fleets of any size, written as the files that a yard would hand over, with the truth apart.

Machines run at their own pace; faults set in by the hazards of a fault family; codes chatter; the shop looks,
tries its cures in about the customary order and writes down what it found. The family is the law of nature
here: whoever knows it knows the true parameters. Nothing in such a fleet is evidence about real machines.

Everything is drawn for blocks of machines at once, and a seed gives the same files byte for byte. What is
written down of it, how tidily, and which stretch of time of it, changes nothing of what happened.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import numpy as np
import polars as pl

from fleetlog.errors import UsageError
from fleetlog.faults import FaultFamily, load_families
from fleetlog.simulation.faults import Parts, live
from fleetlog.simulation.files import SETTINGS, TableFiles, append_csv, changes_text
from fleetlog.simulation.law import World, another_law
from fleetlog.simulation.machines import draw_machines
from fleetlog.simulation.options import ORDER, PLAIN, TIDY_RECORDS, Disorder, FleetPlan, RecordKeeping, check
from fleetlog.simulation.records import Records
from fleetlog.simulation.scripted import Story, play
from fleetlog.simulation.shop import Log, Shop

__all__ = [
    "Disorder",
    "FleetPlan",
    "RecordKeeping",
    "SimulatedFleet",
    "another_law",
    "draw_block",
    "simulate",
]

UNTIL = date(2026, 6, 30)
#: Machines drawn and written at a time, so that memory stays bounded.
BLOCK = 5_000


@dataclass(frozen=True)
class SimulatedFleet:
    """An invented fleet on disk.

    Attributes:
        files: the folder to load; its fleetlog.toml says when which maker changed a part, and belongs beside
            the store.
        truth: the folder with what no yard knows: cases.csv (machine_id, side, cause, began_at, ended_at,
            cured_by) and law.json (the figures the fleet was made by).
        machines, cases: how many there are; cases that began before the records did are not counted.
        seed: what it was drawn from.
        law: the family by which it was made.
    """

    files: Path
    truth: Path
    machines: int
    cases: int
    seed: int
    law: FaultFamily

    @property
    def settings(self) -> Path:
        """The settings that go with the files."""
        return self.files / SETTINGS

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
    record_keeping: RecordKeeping = TIDY_RECORDS,
    plan: FleetPlan = PLAIN,
    stories: Sequence[Story] = (),
) -> SimulatedFleet:
    """Writes the files of an invented fleet.

    Args:
        folder: gets the folders `files` and `truth`; made if need be.
        machines: how many machines.
        years: how long records are kept, ending `until`.
        seed: of every random number.
        law: the fault family whose figures are true; None takes neutral-return as it ships.
        disorder: in what the world differs from the assumptions.
        until: the last day on record.
        reading_days: days between two meter readings.
        record_keeping: how records are kept, and which stretch of them is written; the truth is always that of
            the whole time.
        plan: what the fleet is made of.
        stories: cases that are set, not drawn, on machines of which the plan gives the facts.

    Raises:
        UsageError: for numbers that make no fleet, or a folder that already holds files.
    """
    check(machines, years, reading_days, disorder, record_keeping)
    law = law or load_families()["neutral-return"]
    files, truth = Path(folder) / "files", Path(folder) / "truth"
    for place in (files, truth):
        place.mkdir(parents=True, exist_ok=True)
        if any(place.iterdir()):
            raise UsageError(f"The folder {place} already holds files; name an empty one.")
    world = World.of(law, disorder, plan, years, until, reading_days)
    cases = 0
    with TableFiles.open(files, record_keeping.form) as tables:
        for block, first in enumerate(range(0, machines, BLOCK)):
            records = draw_block(world, seed, block, first, min(BLOCK, machines - first), stories)
            for kind, frame in records.tables(record_keeping, *_seeds(seed, block, 2, 3)):
                tables.add(kind, frame)
            true = records.true_cases()
            cases += true.height
            append_csv(truth / "cases.csv", true)
    followed = [change for change in plan.changes if law.part(change.component)]
    (files / SETTINGS).write_text(changes_text(followed), encoding="utf-8")
    figures = {"seed": seed, "disorder": disorder.__dict__, "figures": law.to_rows()}
    (truth / "law.json").write_text(json.dumps(figures, indent=1), encoding="utf-8")
    return SimulatedFleet(files, truth, machines, cases, seed, law)


def draw_block(
    world: World, seed: int, block: int, first: int, size: int, stories: Sequence[Story] = ()
) -> Records:
    """Lets some machines of a fleet live to the end.

    Args:
        world: what they live in.
        seed, block: what the random numbers come from.
        first, size: which machines.
        stories: cases that are set, not drawn.
    """
    # What is written down has random numbers of its own, so that untidy records do not change what happened.
    happens, noted, planned, phrased = map(_generator, _seeds(seed, block, 0, 1, 4, 5))
    machines = draw_machines(world, happens, planned, first, size)
    parts, log = Parts(world, machines, happens), Log()
    shop = Shop(world, machines, parts, log, happens, noted)
    for story in stories:
        parts.fated[(machines.names == story.machine).to_numpy(), world.law.sides.index(story.side)] = True
    live(world, machines, parts, shop.case, happens)
    texts = play(stories, shop, planned)
    return Records(machines, log, block + 1, phrased, texts)


def _seeds(seed: int, block: int, *streams: int) -> list[np.random.SeedSequence]:
    return [np.random.SeedSequence(seed, spawn_key=(block, stream)) for stream in streams]


def _generator(seed: np.random.SeedSequence) -> np.random.Generator:
    return np.random.Generator(np.random.PCG64(seed))
