"""What to do next about a fault, so that the cost until it is cured is least: found exactly.

Two kinds of step. A cure ends the fault with a chance that depends on its cause; tried in vain, it makes the
causes it would have cured less likely. A look costs less and cures nothing, but what it shows moves the
probabilities. A rail keeps a step back until another has been taken, or has shown something. An opening is a look
inside that must come before its jobs: while it is open they cost their own work alone, several may be done before
it is closed and tried, and nothing else is; later each needs it opened again. The last resort ends every case.

The state of a case is the set of cures tried in vain and what each look has shown; dynamic programming over all
that can be reached finds the best step in each. Cases that have the same left to do share their states.

Everything is computed with unnormalised weights: the weight of a state is the chance to get there at all, so
Bayes' rule needs no division.

Sources: Bellman 1957, Dynamic Programming; Mitten 1960, An analytic solution to the least cost testing sequence
problem (the order by probability over cost).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import combinations

import numpy as np
import numpy.typing as npt

from fleetlog.stats.arrays import Floats, Ints

Flags = npt.NDArray[np.bool_]

#: States beyond which the tables no longer fit a small computer.
MOST_STATES = 100_000
#: Weights of states worked on at a time, so that memory stays bounded.
_AT_ONCE = 2_000_000
#: A step must be cheaper by this share to be taken before an equal: rounding decides nothing.
_CHEAPER = 1.0 - 1e-12


@dataclass(frozen=True)
class Rail:
    """A step may be taken only once one of these has been: (step, what it showed; () = whatever came of it)."""

    step: int
    any_of: tuple[tuple[int, tuple[int, ...]], ...]


@dataclass(frozen=True)
class Inside:
    """A look that opens the way to its jobs, and to no other step.

    Attributes:
        look: number of the look inside.
        jobs: numbers of the cures that need it open.
        together: those of them that can be done in one opening.
    """

    look: int
    jobs: tuple[int, ...]
    together: tuple[int, ...] = ()


@dataclass(frozen=True, eq=False)
class Steps:
    """What can be done about a fault. S cures, T looks, K causes.

    Steps are numbered: cures 0 … S-1 in the order of `cure`, then looks S … S+T-1.

    Attributes:
        cure: chance that a cure ends the fault, by cause, shape (S, K).
        looks: of each look, the chance of each thing it can show, by cause, shape (outcomes, K).
        rails: what keeps steps back; every rail of a step must be satisfied.
        openings: looks that open the way to jobs.

    Examples:
        Two cures and a look that shows one of two things.

        >>> steps = Steps(np.eye(2), (np.array([[0.9, 0.2], [0.1, 0.8]]),))
        >>> steps.count
        3
    """

    cure: Floats
    looks: tuple[Floats, ...] = ()
    rails: tuple[Rail, ...] = ()
    openings: tuple[Inside, ...] = ()
    _trees: dict[bytes, _Tree] = field(default_factory=dict, init=False, repr=False)

    @property
    def count(self) -> int:
        """Number of steps, S + T."""
        return int(self.cure.shape[0]) + len(self.looks)

    def tree(self, free: Flags, met: Flags) -> _Tree:
        """The states that can be reached with these steps left, shape (S+T,), and these rails met, shape (R,).

        Examples:
            Two cures, each tried in vain or not: four states.

            >>> Steps(np.eye(2)).tree(np.ones(2, bool), np.ones(0, bool)).likelihood.tolist()
            [[1.0, 1.0], [0.0, 1.0], [1.0, 0.0], [0.0, 0.0]]
        """
        key = free.tobytes() + met.tobytes()
        if key not in self._trees:
            self._trees[key] = _Tree.of(self, free, met)
        return self._trees[key]


@dataclass(frozen=True, eq=False)
class Choices:
    """What can still be done in each of N cases, and what it costs.

    Attributes:
        cost: of each step, of jobs without their opening, shape (N, S+T).
        free: steps not yet taken, shape (N, S+T).
        met: rails that what is on record satisfies, shape (N, R).
        last_resort: what it costs to have it cured for certain, shape (N,).
    """

    cost: Floats
    free: Flags
    met: Flags
    last_resort: Floats


@dataclass(frozen=True, eq=False)
class _Action:
    """One step, or jobs of one opening done together.

    Attributes:
        members: numbers of its steps.
        opens: number of the look that its jobs need, -1 = none.
        at: states in which it may be taken, ascending.
        shut: whether the opening is shut there, so that it costs its opening again.
        to: the states it leads to, shape (outcomes, at); a cure in vain has one.
        bounds: where in `at` the states with 0, 1, … steps done begin, and the number of them.
    """

    members: tuple[int, ...]
    opens: int
    at: Ints
    shut: Flags
    to: Ints
    bounds: Ints


@dataclass(frozen=True, eq=False)
class _Tree:
    """The states that can be reached, those with least done first, and what may be done in each.

    Attributes:
        taken: what has been done: 0 = nothing, 1 = tried in vain, else 1 + what a look showed, shape (states, S+T).
        likelihood: chance of being in a state, all its steps taken, by cause, shape (states, K).
        levels: where the states with 0, 1, … steps done begin, and the number of states.
        actions: single steps by number, then jobs together.
        hope: whether a cure can still be reached.
    """

    taken: npt.NDArray[np.int8]
    likelihood: Floats
    levels: Ints
    actions: tuple[_Action, ...]
    hope: Flags

    @staticmethod
    def of(steps: Steps, free: Flags, met: Flags) -> _Tree:
        """Walks from the first state along every step that may be taken."""
        walk = _Walk(steps, free, met)
        codes = fresh = np.zeros(1, dtype=np.int64)
        while fresh.size:
            digits = walk.digits(fresh)
            found = [
                reached
                for members in walk.actions
                for reached in walk.reached(members, fresh[walk.may(members, digits)])
            ]
            fresh = np.setdiff1d(np.unique(np.concatenate([fresh[:0], *found])), codes, assume_unique=True)
            codes = np.concatenate((codes, fresh))
            if codes.size > MOST_STATES:
                raise ValueError(
                    f"these steps make more than {MOST_STATES:,} states, too many to be worked through: "
                    "leave out cures or looks"
                )
        digits = walk.digits(codes)
        done = (digits > 0).sum(axis=1)
        order = np.lexsort((codes, done))
        codes, digits, done = codes[order], digits[order], done[order]
        place, sorted_codes = np.argsort(codes), np.sort(codes)
        levels = np.searchsorted(done, np.arange(int(done.max()) + 2))
        actions = []
        for members in walk.actions:
            at = np.flatnonzero(walk.may(members, digits))
            reached = walk.reached(members, codes[at])
            opening = walk.opening.get(members[0])
            actions.append(
                _Action(
                    members=members,
                    opens=opening.look if opening else -1,
                    at=at,
                    shut=~walk.is_open(opening, digits[at]) if opening else np.zeros(at.size, dtype=bool),
                    to=np.array([place[np.searchsorted(sorted_codes, code)] for code in reached]),
                    bounds=np.searchsorted(at, levels),
                )
            )
        hope = np.zeros(codes.size, dtype=bool)
        for level in _backwards(levels):
            for action in actions:
                some = _within(action, level)
                is_cure = action.members[0] < steps.cure.shape[0]
                hope[action.at[some]] |= is_cure or hope[action.to[:, some]].any(axis=0)
        return _Tree(digits, _likelihood(steps, digits), levels, tuple(actions), hope)


class _Walk:
    """Which step leads from which state where. A state's code has a digit for each step, 0 = not taken."""

    def __init__(self, steps: Steps, free: Flags, met: Flags) -> None:
        cures = steps.cure.shape[0]
        self.free, self.cures = free, cures
        self.outcomes = [1] * cures + [look.shape[0] for look in steps.looks]
        self.radix = np.array([1 + n if may else 1 for n, may in zip(self.outcomes, free, strict=True)])
        self.stride = np.concatenate(([1], np.cumprod(self.radix)[:-1])).astype(np.int64)
        self.openings = steps.openings
        self.opening = {job: opening for opening in steps.openings for job in opening.jobs}
        self.rails: dict[int, list[Rail]] = {}
        for rail, known in zip(steps.rails, met, strict=True):
            if not known:
                self.rails.setdefault(rail.step, []).append(rail)
        self.actions: list[tuple[int, ...]] = [(number,) for number in range(steps.count)]
        self.actions += [
            jobs
            for opening in steps.openings
            for size in range(2, len(opening.together) + 1)
            for jobs in combinations(opening.together, size)
        ]

    def digits(self, codes: Ints) -> npt.NDArray[np.int8]:
        """What has been done in each state, as in `_Tree.taken`."""
        taken: npt.NDArray[np.int8] = (codes[:, None] // self.stride % self.radix).astype(np.int8)
        return taken

    def reached(self, members: tuple[int, ...], codes: Ints) -> list[Ints]:
        """The states after these steps, one array an outcome."""
        if len(members) > 1 or members[0] < self.cures:
            return [codes + self.stride[list(members)].sum()]
        return [codes + self.stride[members[0]] * (1 + o) for o in range(self.outcomes[members[0]])]

    def is_open(self, opening: Inside, digits: npt.NDArray[np.int8]) -> Flags:
        """Whether it was opened and no job of it has been done since."""
        opened: Flags = (digits[:, opening.look] > 0) & (digits[:, list(opening.jobs)] == 0).all(axis=1)
        return opened

    def may(self, members: tuple[int, ...], digits: npt.NDArray[np.int8]) -> Flags:
        """Whether these may be taken."""
        own = self.opening.get(members[0])
        may = np.ones(digits.shape[0], dtype=bool)
        for number in members:
            may &= self._allowed(number, digits)
        if own is not None:
            may &= digits[:, own.look] > 0
        for opening in self.openings:
            if members == (opening.look,):
                may &= np.any([self._allowed(job, digits) for job in opening.jobs], axis=0)
            if opening is not own:
                may &= ~self.is_open(opening, digits)
        return may

    def _allowed(self, number: int, digits: npt.NDArray[np.int8]) -> Flags:
        """Whether a step is left and no rail keeps it back."""
        allowed: Flags = (digits[:, number] == 0) & self.free[number]
        for rail in self.rails.get(number, ()):
            passed = np.zeros(digits.shape[0], dtype=bool)
            for before, wanted in rail.any_of:
                satisfies = np.full(1 + self.outcomes[before], not wanted)
                satisfies[[1 + outcome for outcome in wanted]] = True
                satisfies[0] = False
                passed |= satisfies[digits[:, before]]
            allowed &= passed
        return allowed


@dataclass(frozen=True, eq=False)
class _Part:
    """Cases that share their states, and the action chosen in each: rows of the cases, shape (states, rows)."""

    rows: Ints
    tree: _Tree
    chosen: npt.NDArray[np.int16]


@dataclass(frozen=True, eq=False)
class Plans:
    """What to do in each case.

    Attributes:
        cost: expected cost until cured, shape (N,).
        after: expected cost still to come after each step, were it taken now; infinite where it may not be,
            shape (N, S+T).
        first: number of the step to take now, -1 = the last resort, shape (N,).
    """

    cost: Floats
    after: Floats
    first: Ints
    _parts: tuple[_Part, ...] = field(repr=False)


def best_plan(probability: npt.ArrayLike, steps: Steps, choices: Choices) -> Plans:
    """The plan of least expected cost for every case.

    With one certain cure a cause, no looks and costs that do not depend on the cause, the best order is by
    falling probability over cost. Of equals the last resort is taken, else the first step in order.

    Args:
        probability: of each cause, shape (N, K).
        steps: what can be done in principle.
        choices: what can be done in each case.

    Raises:
        ValueError: for more than MOST_STATES states.

    Source: Bellman 1957 (dynamic programming); Mitten 1960 (falling probability over cost).

    Examples:
        Two causes, 6 in 10 and 4 in 10, each with a cure of its own that costs 10 and 5. Per cost the second is
        likelier, so it comes first: 5 + 0.6 * 10, where the other order costs 10 + 0.4 * 5.

        >>> steps, free = Steps(np.eye(2)), np.ones((1, 2), bool)
        >>> choices = Choices(np.array([[10.0, 5.0]]), free, np.ones((1, 0), bool), np.array([100.0]))
        >>> plans = best_plan([[0.6, 0.4]], steps, choices)
        >>> plans.first.tolist(), plans.cost.round(6).tolist()
        ([1], [11.0])
    """
    return _plans(probability, steps, choices, None)


def customary_plan(probability: npt.ArrayLike, steps: Steps, choices: Choices, order: Sequence[int]) -> Plans:
    """What comes of taking the steps in a fixed order, whatever the probabilities, each when it may be taken.

    The last resort comes when no cure is left.

    Args:
        probability, steps, choices: as in `best_plan`.
        order: numbers of the steps, first to last; steps left out are never taken.

    Raises:
        ValueError: for more than MOST_STATES states.

    Examples:
        The first cure first, whatever it costs: 10 + 0.4 * 5.

        >>> steps, free = Steps(np.eye(2)), np.ones((1, 2), bool)
        >>> choices = Choices(np.array([[10.0, 5.0]]), free, np.ones((1, 0), bool), np.array([100.0]))
        >>> customary_plan([[0.6, 0.4]], steps, choices, [0, 1]).cost.round(6).tolist()
        [12.0]
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
        amount: of each step, shape (S+T,) or (N, S+T); a job done in a new opening brings that of its opening.
        at_the_end: amount of the last resort.

    Examples:
        How many steps the best plan takes: one, and another where that cures nothing, in 6 of 10 cases.

        >>> steps, free = Steps(np.eye(2)), np.ones((1, 2), bool)
        >>> choices = Choices(np.array([[10.0, 5.0]]), free, np.ones((1, 0), bool), np.array([100.0]))
        >>> plans = best_plan([[0.6, 0.4]], steps, choices)
        >>> expected_sum([[0.6, 0.4]], steps, plans, [1.0, 1.0]).round(6).tolist()
        [1.6]
    """
    p = np.asarray(probability, dtype=np.float64)
    each = np.broadcast_to(np.asarray(amount, dtype=np.float64), (p.shape[0], steps.count))
    total = np.empty(p.shape[0])
    for part in plans._parts:
        tree, mass = part.tree, _mass(p[part.rows], part.tree)
        value = np.where(part.chosen < 0, mass * at_the_end, 0.0)
        own = each[part.rows]
        for level in _backwards(tree.levels):
            for number, action in enumerate(tree.actions):
                if action.bounds[level] == action.bounds[level + 1]:
                    continue
                at, worth = _worth(action, level, mass, value, own)
                value[at] = np.where(part.chosen[at] == number, worth, value[at])
        total[part.rows] = value[0]
    return total


def _plans(
    probability: npt.ArrayLike, steps: Steps, choices: Choices, order: tuple[int, ...] | None
) -> Plans:
    p = np.asarray(probability, dtype=np.float64)
    cost, after = np.empty(p.shape[0]), np.full((p.shape[0], steps.count), np.inf)
    first = np.empty(p.shape[0], dtype=np.int64)
    parts = []
    for alike in _alike(choices):
        tree = steps.tree(choices.free[alike[0]], choices.met[alike[0]])
        size = max(1, _AT_ONCE // tree.hope.size)
        for begin in range(0, alike.size, size):
            rows = alike[begin : begin + size]
            mass, each = _mass(p[rows], tree), choices.cost[rows]
            last = mass * choices.last_resort[rows]
            value, chosen = _solved(tree, mass, each, last, order)
            cost[rows], first[rows] = value[0], [_first(tree, action) for action in chosen[0]]
            for number, action in enumerate(tree.actions[: steps.count]):
                if action.at.size and action.at[0] == 0:
                    after[rows, number] = _sum(value[action.to[:, 0]])
            parts.append(_Part(rows, tree, chosen))
    return Plans(cost, after, first, tuple(parts))


def _solved(
    tree: _Tree, mass: Floats, each: Floats, last: Floats, order: tuple[int, ...] | None
) -> tuple[Floats, npt.NDArray[np.int16]]:
    """Expected cost from each state on and the action chosen there, shape (states, rows)."""
    value, chosen = last.copy(), np.full(mass.shape, -1, dtype=np.int16)
    for level in _backwards(tree.levels):
        for number in range(len(tree.actions)) if order is None else order:
            bounds = tree.actions[number].bounds
            if bounds[level] == bounds[level + 1]:
                continue
            at, worth = _worth(tree.actions[number], level, mass, value, each)
            customary = tree.hope[at][:, None] & (chosen[at] < 0)
            better = worth < value[at] * _CHEAPER if order is None else customary
            value[at] = np.where(better, worth, value[at])
            chosen[at] = np.where(better, np.int16(number), chosen[at])
    return value, chosen


def _first(tree: _Tree, action: int) -> int:
    """The number of the step that comes first in a plan; jobs together never do, as a look comes before them."""
    return tree.actions[action].members[0] if action >= 0 else -1


def _alike(choices: Choices) -> list[Ints]:
    """The rows of cases that have the same left to do, in the order of their first."""
    groups: dict[bytes, list[int]] = {}
    for row, pattern in enumerate(np.hstack((choices.free, choices.met))):
        groups.setdefault(pattern.tobytes(), []).append(row)
    return [np.array(rows) for rows in groups.values()]


def _backwards(levels: Ints) -> Iterator[int]:
    """The levels: states in which most has been done first, then those with one step less, and so on."""
    yield from range(levels.size - 2, -1, -1)


def _within(action: _Action, level: int) -> slice:
    return slice(int(action.bounds[level]), int(action.bounds[level + 1]))


def _worth(action: _Action, level: int, mass: Floats, value: Floats, each: Floats) -> tuple[Ints, Floats]:
    """The states of a level in which an action may be taken, and its cost with all that follows."""
    some = _within(action, level)
    at = action.at[some]
    price = _sum(each[:, list(action.members)].T)
    again = each[:, action.opens] if action.opens >= 0 else 0.0
    spent = mass[at] * np.where(action.shut[some, None], price + again, price)
    return at, spent + _sum(value[action.to[:, some]])


def _sum(terms: Floats) -> Floats:
    """Over the first axis, one term after the other: the same digits whatever stands beside."""
    total: Floats = terms[0].copy()
    for term in terms[1:]:
        total += term
    return total


def _likelihood(steps: Steps, digits: npt.NDArray[np.int8]) -> Floats:
    cures = steps.cure.shape[0]
    chance = np.ones((digits.shape[0], steps.cure.shape[1]))
    for s in range(cures):
        chance *= np.where(digits[:, s, None] > 0, 1.0 - steps.cure[s], 1.0)
    for t, look in enumerate(steps.looks):
        chance *= np.concatenate((np.ones((1, look.shape[1])), look))[digits[:, cures + t]]
    return chance


def _mass(p: Floats, tree: _Tree) -> Floats:
    """Chance of being in each state, all its steps taken, shape (states, N).

    Summed cause by cause: a matrix product may round otherwise for other neighbours.
    """
    mass = np.zeros((tree.likelihood.shape[0], p.shape[0]))
    for k in range(p.shape[1]):
        mass += tree.likelihood[:, k, None] * p[:, k]
    return mass
