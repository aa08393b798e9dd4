"""Cases that are set, not drawn: one machine's story, visit by visit, with the codes between the visits."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from fleetlog.simulation.arrays import Floats, Ints, days_since_epoch
from fleetlog.simulation.shop import Shop


@dataclass(frozen=True)
class Visit:
    """A visit to the shop.

    Attributes:
        after_days: days after the codes began or came back.
        steps: names of the family's steps, each with what came of it where that is to be told:
            "calibrate_pump failed", "replace_bushing worn", "measure_neutral_voltage 1.84".
        back_hours: running hours until the codes are back; None: it was the cure.
        complaint, cause, correction: what the shop wrote.
    """

    after_days: int
    steps: tuple[str, ...]
    back_hours: float | None = None
    complaint: str = ""
    cause: str = ""
    correction: str = ""


@dataclass(frozen=True)
class Story:
    """A case.

    Attributes:
        machine, side: where.
        cause: what it really is; "" for readings without a fault.
        onset: the day on which the codes begin.
        fmi: of the codes.
        visits: in order; without any, nothing has been done yet.
        gap_hours: mean running hours between two bursts of codes.
    """

    machine: str
    side: str
    cause: str
    onset: date
    fmi: int
    visits: tuple[Visit, ...] = ()
    gap_hours: float = 7.0


def play(stories: Sequence[Story], shop: Shop, rng: np.random.Generator) -> dict[int, tuple[str, str, str]]:
    """Enters stories into the log of a shop.

    Returns:
        work order -> complaint, cause and correction.
    """
    places = {name: i for i, name in enumerate(shop.machines.names)}
    texts: dict[int, tuple[str, str, str]] = {}
    for story in stories:
        if story.machine in places:
            _play(story, places[story.machine], shop, rng, texts)
    return texts


def _play(
    story: Story, place: int, shop: Shop, rng: np.random.Generator, texts: dict[int, tuple[str, str, str]]
) -> None:
    clock, world, log = shop.machines.clock, shop.world, shop.log
    row, side = np.array([place]), np.array([world.law.sides.index(story.side)])
    number, log.begun = log.begun, log.begun + 1
    day = float(days_since_epoch(story.onset)) + 0.4
    onset = back = float(clock.hours(row, np.array([day]))[0])
    ended, cured_by = np.inf, -1
    for turn, visit in enumerate(story.visits):
        day = min(np.floor(day) + visit.after_days + 0.4, world.end_day - 0.5)
        at = clock.hours(row, np.array([day]))
        if story.cause:
            _codes(story, shop, row, side, back, float(at[0]), rng)
        about = {"case": np.array([number]), "visit": np.array([turn]), "order": np.array([log.orders])}
        texts[log.orders] = (visit.complaint, visit.cause, visit.correction)
        log.orders += 1
        for i, words in enumerate(visit.steps):
            cured_by = _step(words, story, shop, row, side, at + 0.002 * i, about)
        if visit.back_hours is None:
            ended = float(at[0]) if story.cause else ended
            break
        back = float(at[0]) + visit.back_hours
        day = float(clock.days(row, np.array([back]))[0])
    else:
        cured_by = -1
        if story.cause:
            _codes(story, shop, row, side, back, float(shop.machines.leaves(row)[0]), rng)
    if story.cause:
        cause = world.causes.index(story.cause)
        log.cases.add(
            machine=row, side=side, case=number, cause=cause, hours=onset, ended=ended, cured_by=cured_by
        )


def _codes(
    story: Story, shop: Shop, row: Ints, side: Ints, begin: float, end: float, rng: np.random.Generator
) -> None:
    """Codes in bursts from the one running hour to the other; the first comes at once."""
    several = 3 + int(3 * max(end - begin, 0.0) / story.gap_hours)
    hours = begin + np.cumsum(np.concatenate(([0.0], rng.exponential(story.gap_hours, several))))
    hours = np.sort(np.concatenate((hours, hours[rng.random(hours.size) < 0.4] + 0.3)))
    hours = hours[hours < max(end, begin + 1e-6)]
    shop.log.codes.add(machine=row[0], side=side[0], hours=hours, fmi=story.fmi)


def _step(
    words: str, story: Story, shop: Shop, row: Ints, side: Ints, at: Floats, about: dict[str, Ints]
) -> int:
    """Writes a step down and does what it does to the parts; its position among the cures, or -1."""
    name, _, outcome = words.partition(" ")
    step, voltage = shop.world.law.step(name), shop.world.law.voltage
    result = outcome if outcome in ("passed", "failed") else ""
    if voltage and outcome[:1].isdigit():
        value = float(outcome)
        result = "passed" if abs(value - voltage.target) <= voltage.tolerance else "failed"
        shop.log.readings.add(machine=row, side=side, hours=at, value=value)
    shop.write(step, row, side, at, about, result, "" if result else outcome, sure=True)
    for s, cure in enumerate(shop.world.cures):
        if cure.step is step:
            cause = np.array([shop.world.causes.index(story.cause)])
            shop.renew(cure, row, side, at, cause)
            return s
    return -1
