"""Routine work and unrelated codes: what fills a yard's records besides the fault that is looked for.

The figures are invented, to give an invented fleet about the bulk of a real one; none is a service schedule.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from fleetlog.simulation.arrays import Floats


@dataclass(frozen=True)
class Job:
    """Work that comes again and again.

    Attributes:
        complaints: what stands at the head of its orders; each as common as the others.
        every_hours, spread: running hours between two, and the standard deviation around the mark.
        tasks: component, action, share of the jobs with it, labour hours, parts cost; nothing that a fault
            family knows.
    """

    complaints: tuple[str, ...]
    every_hours: float
    spread: float
    tasks: tuple[tuple[str, str, float, float, float], ...]


@dataclass(frozen=True)
class RoutineWork:
    """The jobs of a fleet and its unrelated codes.

    Attributes:
        jobs: that come again and again.
        code_hours: running hours between two outbreaks of unrelated codes.
        codes_more: codes of an outbreak beyond the first.
        codes: SPN (of the range left to makers), FMI and description of each.
    """

    jobs: tuple[Job, ...]
    code_hours: float
    codes_more: float
    codes: tuple[tuple[int, int, str], ...]


SERVICE = Job(
    ("service",),
    250.0,
    15.0,
    (
        ("other", "replace", 1.0, 0.8, 90.0),
        ("engine", "inspect", 0.6, 0.3, 0.0),
        ("battery", "test", 0.3, 0.2, 0.0),
        ("track", "inspect", 0.3, 0.4, 0.0),
    ),
)
ROUTINE = RoutineWork(
    jobs=(SERVICE,),
    code_hours=110.0,
    codes_more=1.5,
    codes=(
        (524010, 18, "Fuel level low"),
        (524011, 17, "Battery voltage low"),
        (524012, 0, "Air filter restricted"),
        (524013, 16, "Engine coolant above usual range"),
        (524014, 9, "Display lost communication"),
        (524015, 5, "Work light circuit open"),
        (524016, 31, "Attachment not recognised"),
        (524017, 2, "Fuel sender signal erratic"),
    ),
)


@dataclass(frozen=True)
class Routine:
    """What happened besides the fault.

    Attributes:
        services: machine, hours, complaint, service (running number), one row a job done.
        tasks: service, line_no, component, action, result, finding, labour_hours, parts_cost.
        codes: machine, hours, spn, fmi, description, by machine and hours.
    """

    services: pl.DataFrame
    tasks: pl.DataFrame
    codes: pl.DataFrame


def routine(rng: np.random.Generator, begin: Floats, end: Floats, work: RoutineWork) -> Routine:
    """Routine work and unrelated codes of some machines.

    Args:
        rng: the source of random numbers.
        begin, end: running hours of each machine between which it is on record; end before begin is none.
        work: what comes how often.
    """
    services, tasks, number = [], [], 0
    for job in work.jobs:
        services.append(_services(rng, begin, end, job, number))
        tasks.append(_tasks(rng, services[-1].height, job, number))
        number += services[-1].height
    return Routine(pl.concat(services), pl.concat(tasks), _codes(rng, begin, end, work))


def _services(rng: np.random.Generator, begin: Floats, end: Floats, job: Job, number: int) -> pl.DataFrame:
    phase = rng.random(begin.size)
    several = np.floor(np.maximum(end - begin, 0.0) / job.every_hours).astype(np.int64) + 1
    machine = np.repeat(np.arange(begin.size), several)
    turn = np.arange(machine.size) - np.repeat(np.cumsum(several) - several, several)
    hours = begin[machine] + job.every_hours * (turn + phase[machine])
    hours = hours + job.spread * rng.standard_normal(machine.size)
    done = (hours >= begin[machine]) & (hours < end[machine])
    frame = pl.DataFrame({"machine": machine[done], "hours": hours[done]}).sort("machine", "hours")
    words = pl.Series(job.complaints)
    drawn = (
        (rng.random(frame.height) * len(words)).astype(np.int64)
        if len(words) > 1
        else np.zeros(frame.height, np.int64)
    )
    return frame.with_columns(complaint=words.gather(drawn), service=pl.int_range(number, number + pl.len()))


def _tasks(rng: np.random.Generator, services: int, job: Job, number: int) -> pl.DataFrame:
    doing = rng.random((services, len(job.tasks))) < np.array([task[2] for task in job.tasks])
    service, task = np.nonzero(doing)
    passed = np.where(rng.random(service.size) < 0.95, "passed", "failed")
    labour = rng.choice(np.array([0.8, 1.0, 1.25, 1.5]), service.size)
    names = _table(("component", "action", "share", "labour", "parts_cost"), job.tasks)
    return pl.concat(
        (names[task], pl.DataFrame({"passed": passed, "times": labour})), how="horizontal"
    ).select(
        service=pl.Series(service + number),
        line_no=pl.int_range(1, pl.len() + 1).over(pl.Series(service)),
        component="component",
        action="action",
        result=pl.when(pl.col("action") == "test").then("passed").otherwise(pl.lit("")),
        finding=pl.lit(""),
        labour_hours=(pl.col("labour") * pl.col("times")).round(2),
        parts_cost="parts_cost",
    )


def _codes(rng: np.random.Generator, begin: Floats, end: Floats, work: RoutineWork) -> pl.DataFrame:
    span = np.maximum(end - begin, 0.0)
    outbreaks = rng.poisson(span / work.code_hours)
    machine = np.repeat(np.arange(begin.size), outbreaks)
    start = begin[machine] + span[machine] * rng.random(machine.size)
    kind = rng.integers(0, len(work.codes), machine.size)
    several = 1 + rng.poisson(work.codes_more, machine.size)
    which = np.repeat(np.arange(machine.size), several)
    hours = start[which] + rng.exponential(2.0, which.size)
    seen = hours < end[machine[which]]
    which, hours = which[seen], hours[seen]
    names = _table(("spn", "fmi", "description"), work.codes)
    where = pl.DataFrame({"machine": machine[which], "hours": hours})
    return pl.concat((where, names[kind[which]]), how="horizontal").sort("machine", "hours", "spn")


def _table(columns: Sequence[str], rows: Sequence[tuple[object, ...]]) -> pl.DataFrame:
    return pl.DataFrame(rows, schema=list(columns), orient="row")
