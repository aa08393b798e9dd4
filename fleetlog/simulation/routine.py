"""Routine work and unrelated codes: what fills a yard's books besides the fault that is looked for.

The figures are invented, to give an invented fleet about the bulk of a real one; none is a service schedule.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

Floats = npt.NDArray[np.float64]

#: Running hours between two services, and how far from the mark they are done (standard deviation).
SERVICE_HOURS = 250.0
SERVICE_SPREAD = 15.0
#: Running hours between two outbreaks of unrelated codes, and codes of an outbreak beyond the first.
CODE_HOURS = 110.0
CODES_MORE = 1.5

# component, action, share of services with it, labour hours, parts cost; nothing that a fault family knows.
_TASKS = (
    ("other", "replace", 1.0, 0.8, 90.0),
    ("engine", "inspect", 0.6, 0.3, 0.0),
    ("battery", "test", 0.3, 0.2, 0.0),
    ("track", "inspect", 0.3, 0.4, 0.0),
)
# spn (of the range left to makers), fmi, description.
_CODES = (
    (524010, 18, "Fuel level low"),
    (524011, 17, "Battery voltage low"),
    (524012, 0, "Air filter restricted"),
    (524013, 16, "Engine coolant above usual range"),
    (524014, 9, "Display lost communication"),
    (524015, 5, "Work light circuit open"),
    (524016, 31, "Attachment not recognised"),
    (524017, 2, "Fuel sender signal erratic"),
)


@dataclass(frozen=True)
class Routine:
    """What happened besides the fault.

    Attributes:
        services: machine, hours, service (running number), one row a service, by machine and hours.
        tasks: service, line_no, component, action, result, finding, labour_hours, parts_cost.
        codes: machine, hours, spn, fmi, description, by machine and hours.
    """

    services: pl.DataFrame
    tasks: pl.DataFrame
    codes: pl.DataFrame


def routine(dice: np.random.Generator, begin: Floats, end: Floats) -> Routine:
    """Services and unrelated codes of some machines.

    Args:
        dice: the source of random numbers.
        begin, end: running hours of each machine between which its books were kept; end before begin is none.
    """
    services = _services(dice, begin, end)
    return Routine(services, _tasks(dice, services.height), _codes(dice, begin, end))


def _services(dice: np.random.Generator, begin: Floats, end: Floats) -> pl.DataFrame:
    span = np.maximum(end - begin, 0.0)
    phase = dice.random(begin.size)
    number = np.floor(span / SERVICE_HOURS).astype(np.int64) + 1
    machine = np.repeat(np.arange(begin.size), number)
    turn = np.arange(machine.size) - np.repeat(np.cumsum(number) - number, number)
    hours = begin[machine] + SERVICE_HOURS * (turn + phase[machine])
    hours = hours + SERVICE_SPREAD * dice.standard_normal(machine.size)
    kept = (hours >= begin[machine]) & (hours < end[machine])
    frame = pl.DataFrame({"machine": machine[kept], "hours": hours[kept]}).sort("machine", "hours")
    return frame.with_columns(service=pl.int_range(0, pl.len()))


def _tasks(dice: np.random.Generator, services: int) -> pl.DataFrame:
    doing = dice.random((services, len(_TASKS))) < np.array([task[2] for task in _TASKS])
    service, task = np.nonzero(doing)
    names = pl.DataFrame(
        {
            "task": np.arange(len(_TASKS)),
            "component": [task[0] for task in _TASKS],
            "action": [task[1] for task in _TASKS],
            "labour": [task[3] for task in _TASKS],
            "parts_cost": [task[4] for task in _TASKS],
        }
    )
    passed = np.where(dice.random(service.size) < 0.95, "passed", "failed")
    labour = dice.choice(np.array([0.8, 1.0, 1.25, 1.5]), service.size)
    return (
        pl.DataFrame({"service": service, "task": task, "passed": passed, "times": labour})
        .join(names, on="task", maintain_order="left")
        .with_columns(line_no=pl.int_range(1, pl.len() + 1).over("service"))
        .select(
            "service",
            "line_no",
            "component",
            "action",
            result=pl.when(pl.col("action") == "test").then(pl.col("passed")).otherwise(pl.lit("")),
            finding=pl.lit(""),
            labour_hours=(pl.col("labour") * pl.col("times")).round(2),
            parts_cost="parts_cost",
        )
    )


def _codes(dice: np.random.Generator, begin: Floats, end: Floats) -> pl.DataFrame:
    span = np.maximum(end - begin, 0.0)
    outbreaks = dice.poisson(span / CODE_HOURS)
    machine = np.repeat(np.arange(begin.size), outbreaks)
    start = begin[machine] + span[machine] * dice.random(machine.size)
    kind = dice.integers(0, len(_CODES), machine.size)
    number = 1 + dice.poisson(CODES_MORE, machine.size)
    which = np.repeat(np.arange(machine.size), number)
    hours = start[which] + dice.exponential(2.0, which.size)
    kept = hours < end[machine[which]]
    which, hours = which[kept], hours[kept]
    names = pl.DataFrame(
        {
            "kind": np.arange(len(_CODES)),
            "spn": [code[0] for code in _CODES],
            "fmi": [code[1] for code in _CODES],
            "description": [code[2] for code in _CODES],
        }
    )
    return (
        pl.DataFrame({"machine": machine[which], "hours": hours, "kind": kind[which]})
        .join(names, on="kind", maintain_order="left")
        .drop("kind")
        .sort("machine", "hours", "spn")
    )
