"""What to do next about a fault, so that the cost until it is cured is least: found exactly.

Two kinds of step. A cure ends the fault with a chance that depends on its cause; tried in vain, it makes the
causes it would have cured less likely. A look costs less and cures nothing, but what it shows moves the
probabilities, and some cures make sense only after it. The state of a case is the set of cures tried in vain
and what each look has shown; dynamic programming over all of them finds the best step in each.

Everything is computed with unnormalised weights: the weight of a state is the chance to get there at all, so
Bayes' rule needs no division.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import product
from math import prod

import numpy as np
import numpy.typing as npt

from fleetlog.stats.arrays import Floats, Ints

Flags = npt.NDArray[np.bool_]

#: States beyond which the tables no longer fit a small computer.
MOST_STATES = 20_000
#: Cases worked on at a time, so that memory stays bounded.
_AT_ONCE = 512


@dataclass(frozen=True, eq=False)
class Steps:
    """What can be done about a fault, and every state a case can be in. S cures, T looks, K causes.

    Steps are numbered: cures 0 … S-1 in the order of `cure`, then looks S … S+T-1.

    Attributes:
        cure: chance that a cure ends the fault, by cause, shape (S, K).
        looks: of each look, the chance of each thing it can show, by cause, shape (outcomes, K).
        needs: of each cure, the look it waits for and the outcomes that open it; None = waits for nothing.
    """

    cure: Floats
    looks: tuple[Floats, ...] = ()
    needs: tuple[tuple[int, tuple[int, ...]] | None, ...] = ()

    def __post_init__(self) -> None:
        if self.size > MOST_STATES:
            raise ValueError(
                f"these steps make {self.size:,} states and at most {MOST_STATES:,} can be worked through: "
                "leave out cures or looks"
            )

    @property
    def size(self) -> int:
        """Number of states."""
        cures = self.cure.shape[0]
        return int((1 << cures) * prod(1 + look.shape[0] for look in self.looks))

    @cached_property
    def tried(self) -> Flags:
        """Which cures have been tried in vain in each state, shape (states, S)."""
        cures = self.cure.shape[0]
        bits = (np.arange(1 << cures)[:, None] >> np.arange(cures) & 1).astype(bool)
        return np.tile(bits, (self.size >> cures, 1))

    @cached_property
    def shown(self) -> Ints:
        """What each look has shown in each state, -1 = not looked yet, shape (states, T)."""
        digits = list(product(*(range(-1, look.shape[0]) for look in self.looks)))
        seen = np.array(digits, dtype=np.int64).reshape(len(digits), len(self.looks))
        return np.repeat(seen, 1 << self.cure.shape[0], axis=0)

    @cached_property
    def likelihood(self) -> Floats:
        """Chance of being in a state, all its steps taken, by cause, shape (states, K)."""
        chance: Floats = np.prod(np.where(self.tried[:, :, None], 1.0 - self.cure, 1.0), axis=1)
        for t, look in enumerate(self.looks):
            chance *= np.concatenate((look, np.ones((1, look.shape[1]))))[self.shown[:, t]]
        return chance

    @cached_property
    def open(self) -> Flags:
        """Whether a cure waits for no look, or for one that has shown what opens it, shape (states, S)."""
        opened = np.ones((self.size, self.cure.shape[0]), dtype=bool)
        for s, need in enumerate(self.needs):
            if need is not None:
                opened[:, s] = np.isin(self.shown[:, need[0]], need[1])
        return opened

    def after_cure(self, states: Ints, s: int) -> Ints:
        """The states after a cure in vain."""
        return states + (1 << s)

    def after_look(self, states: Ints, t: int) -> list[Ints]:
        """The states after a look, one array an outcome."""
        stride = (1 << self.cure.shape[0]) * prod(1 + look.shape[0] for look in self.looks[t + 1 :])
        return [states + stride * (outcome + 1) for outcome in range(self.looks[t].shape[0])]

    def levels(self) -> Iterator[Ints]:
        """The states in which most has been done first, then those with one step less, and so on."""
        done = self.tried.sum(axis=1) + (self.shown >= 0).sum(axis=1)
        for level in range(int(done.max()), -1, -1):
            yield np.flatnonzero(done == level)


@dataclass(frozen=True, eq=False)
class Choices:
    """What can still be done in each of N cases, and what it costs.

    Attributes:
        cost: of each step, shape (N, S+T).
        ready: cures that may be tried straight away, shape (N, S).
        waiting: cures that may be tried once their look has opened them, shape (N, S).
        to_look: looks not yet taken, shape (N, T).
        last_resort: what it costs when all was in vain, shape (N,).
    """

    cost: Floats
    ready: Flags
    waiting: Flags
    to_look: Flags
    last_resort: Floats

    def rows(self, chosen: slice) -> Choices:
        """These cases only."""
        return Choices(
            self.cost[chosen],
            self.ready[chosen],
            self.waiting[chosen],
            self.to_look[chosen],
            self.last_resort[chosen],
        )


@dataclass(frozen=True, eq=False)
class Plans:
    """What to do in each case.

    Attributes:
        cost: expected cost until cured, shape (N,).
        after: expected cost still to come after each cure, were it taken first, shape (N, S).
        step: the step to take in each state, -1 = nothing is left, shape (N, states).
    """

    cost: Floats
    after: Floats
    step: npt.NDArray[np.int8]

    @property
    def first(self) -> Ints:
        """The step to take now, -1 = nothing is left, shape (N,)."""
        return self.step[:, 0].astype(np.int64)


def best_plan(probability: npt.ArrayLike, steps: Steps, choices: Choices) -> Plans:
    """The plan of least expected cost for every case.

    With one certain cure a cause, no looks and costs that do not depend on the cause, the best order is by
    falling probability over cost. Of equals the first step in order is taken.

    Args:
        probability: of each cause, shape (N, K).
        steps: what can be done in principle.
        choices: what can be done in each case.
    """
    return _plans(probability, steps, choices, None)


def customary_plan(probability: npt.ArrayLike, steps: Steps, choices: Choices, order: Sequence[int]) -> Plans:
    """What comes of taking the steps in a fixed order, whatever the probabilities, each when it may be taken.

    Args:
        probability, steps, choices: as in `best_plan`.
        order: numbers of the steps, first to last; steps left out are never taken.
    """
    return _plans(probability, steps, choices, tuple(order))


def expected_sum(
    probability: npt.ArrayLike, steps: Steps, plans: Plans, amount: npt.ArrayLike, at_the_end: float = 0.0
) -> Floats:
    """Expected sum of an amount (a cost, a count) over the steps of plans already made, shape (N,).

    Args:
        probability: of each cause, or 1 for the one that is known to be true, shape (N, K).
        steps: those the plans were made for.
        plans: what is done.
        amount: of each step, shape (S+T,) or (N, S+T).
        at_the_end: amount when all was in vain.
    """
    p = np.asarray(probability, dtype=np.float64)
    each = np.broadcast_to(np.asarray(amount, dtype=np.float64), (p.shape[0], _count(steps)))
    total = np.empty(p.shape[0])
    for begin in range(0, p.shape[0], _AT_ONCE):
        some = slice(begin, begin + _AT_ONCE)
        mass = _mass(p[some], steps)
        value = np.zeros_like(mass)
        for states in steps.levels():
            taken = plans.step[some][:, states]
            here = np.where(taken < 0, mass[:, states] * at_the_end, 0.0)
            for number in range(_count(steps)):
                chosen = taken == number
                if chosen.any():
                    worth = mass[:, states] * each[some, number, None] + _later(steps, value, states, number)
                    here = np.where(chosen, worth, here)
            value[:, states] = here
        total[some] = value[:, 0]
    return total


def _plans(
    probability: npt.ArrayLike, steps: Steps, choices: Choices, order: tuple[int, ...] | None
) -> Plans:
    p = np.asarray(probability, dtype=np.float64)
    cost = np.empty(p.shape[0])
    after = np.empty((p.shape[0], steps.cure.shape[0]))
    step = np.full((p.shape[0], steps.size), -1, dtype=np.int8)
    for begin in range(0, p.shape[0], _AT_ONCE):
        some = slice(begin, begin + _AT_ONCE)
        value, step[some] = _some_plans(p[some], steps, choices.rows(some), order)
        cost[some] = value[:, 0]
        after[some] = value[:, 1 << np.arange(after.shape[1])]
    return Plans(cost, after, step)


def _some_plans(
    p: Floats, steps: Steps, choices: Choices, order: tuple[int, ...] | None
) -> tuple[Floats, npt.NDArray[np.int8]]:
    mass = _mass(p, steps)
    value = np.zeros_like(mass)
    choice = np.full(mass.shape, -1, dtype=np.int8)
    for states in steps.levels():
        best = np.full((p.shape[0], states.size), np.inf)
        picked = np.full(best.shape, -1, dtype=np.int8)
        useful = np.zeros(best.shape, dtype=bool)
        for number in range(_count(steps)) if order is None else order:
            may = _may(steps, choices, states, number)
            useful |= may & _leads_on(steps, choices, states, number)
            if not may.any():
                continue
            worth = mass[:, states] * choices.cost[:, number, None] + _later(steps, value, states, number)
            better = may & (worth < best) if order is None else may & (picked < 0)
            best = np.where(better, worth, best)
            picked = np.where(better, np.int8(number), picked)
        value[:, states] = np.where(useful, best, mass[:, states] * choices.last_resort[:, None])
        choice[:, states] = np.where(useful, picked, np.int8(-1))
    return value, choice


def _mass(p: Floats, steps: Steps) -> Floats:
    """Chance of being in each state, all its steps taken, shape (N, states).

    Summed cause by cause: a matrix product may round otherwise for other neighbours.
    """
    mass = np.zeros((p.shape[0], steps.size))
    for k in range(p.shape[1]):
        mass += p[:, k, None] * steps.likelihood[:, k]
    return mass


def _count(steps: Steps) -> int:
    return int(steps.cure.shape[0]) + len(steps.looks)


def _may(steps: Steps, choices: Choices, states: Ints, number: int) -> Flags:
    """Whether the step may be taken, shape (N, states)."""
    cures = steps.cure.shape[0]
    if number >= cures:
        may: Flags = choices.to_look[:, number - cures, None] & (steps.shown[states, number - cures] < 0)
        return may
    opened = choices.waiting[:, number, None] & steps.open[states, number]
    may = (choices.ready[:, number, None] | opened) & ~steps.tried[states, number]
    return may


def _leads_on(steps: Steps, choices: Choices, states: Ints, number: int) -> Flags:
    """Whether a step that may be taken is a cure, or a look for which an untried cure still waits."""
    cures = steps.cure.shape[0]
    if number < cures:
        return np.ones((1, 1), dtype=bool)
    leads = np.zeros((choices.cost.shape[0], states.size), dtype=bool)
    for s, need in enumerate(steps.needs):
        if need is not None and need[0] == number - cures:
            leads |= choices.waiting[:, s, None] & ~steps.tried[states, s]
    return leads


def _later(steps: Steps, value: Floats, states: Ints, number: int) -> Floats:
    """Expected cost after the step, where it may be taken; anything elsewhere, shape (N, states)."""
    cures = steps.cure.shape[0]
    last = steps.size - 1
    if number < cures:
        return value[:, np.minimum(steps.after_cure(states, number), last)]
    later = np.zeros((value.shape[0], states.size))
    for reached in steps.after_look(states, number - cures):
        later += value[:, np.minimum(reached, last)]
    return later
