"""Which visits to make in which week so that the worth of all is greatest, within weekly limits. Exact.

A machine is visited at most once; a visit takes some of each limited resource in its week. Written plainly,
the relaxation of such a problem is loose: a week of 40 hours holds 2.96 jobs of 13.5 hours when jobs may be
cut. But jobs come in few kinds, so a week can be given a pattern instead: how many of each kind it holds at
most. With one pattern a week (whole numbers), what is left is a transport problem, whose best solutions are
whole of themselves. The relaxation is then nearly tight, and the solver (HiGHS) needs few branches.

Where kinds are too many for patterns, the plain form is solved. When time runs out, the better of the
solver's best and a greedy plan is returned; the gap to the proven bound is always stated.

Sources: Gilmore & Gomory 1961 (patterns); Huangfu & Hall 2018 (HiGHS); Dantzig 1957 (fractional bound).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import sparse
from scipy.optimize import Bounds, LinearConstraint, milp

from fleetlog.stats.arrays import Floats, Ints
from fleetlog.stats.errors import BadArgument, LengthMismatch

#: With more patterns a week than this, the plain form is smaller.
_MOST_PATTERNS = 300
_WHOLE = 1e-6
#: Resources are told apart to a thousandth of an hour.
_FINE = 1000.0


@dataclass(frozen=True, eq=False)
class Visits:
    """What could be done: one element a machine, kind of work and week.

    Attributes:
        machine: number of the machine, shape (n,).
        week: number of the week, shape (n,).
        use: how much of each limited resource it takes, shape (n, resources).
        worth: what it is worth; only positive ones are ever chosen, unless required, shape (n,).
        required: machines that must be visited.
    """

    machine: Ints
    week: Ints
    use: Floats
    worth: Floats
    required: tuple[int, ...] = ()

    def __post_init__(self) -> None:
        n = self.machine.size
        if self.week.size != n or self.worth.size != n or self.use.shape[:1] != (n,):
            raise LengthMismatch("machine, week, use and worth must have one value a visit each")
        if n and not (np.isfinite(self.worth).all() and np.isfinite(self.use).all()):
            raise BadArgument("worth and use of a visit must be finite numbers")
        if n and float(self.use.min()) < 0:
            raise BadArgument("a visit cannot take less than nothing of a resource")


@dataclass(frozen=True, eq=False)
class Schedule:
    """The visits chosen.

    Attributes:
        chosen: rows of the visits, in order of week and machine.
        worth: their sum.
        bound: no schedule can be worth more.
        method: "exact", "best found in time" or "greedy".

    Examples:
        At most one tenth of its worth below the best.

        >>> round(Schedule(np.array([0]), 10.0, 11.0, "greedy").gap, 6)
        0.1
    """

    chosen: Ints
    worth: float
    bound: float
    method: str

    @property
    def gap(self) -> float:
        """How far below the bound it may be, as a share of its worth."""
        short = max(self.bound - self.worth, 0.0)
        return short / abs(self.worth) if self.worth else (0.0 if short <= 0 else float("inf"))


def best_schedule(
    visits: Visits, limits: npt.ArrayLike, *, gap: float = 1e-4, seconds: float = 60.0
) -> Schedule | None:
    """The schedule of greatest worth.

    Args:
        visits: what could be done.
        limits: of each resource in each week, shape (weeks, resources).
        gap: to stop at, as a share.
        seconds: to stop after; 0: the greedy plan with its bound.

    Returns:
        None where the required machines cannot all be visited.

    Raises:
        LengthMismatch: where limits have not one column a resource.
        BadArgument: for a visit in a week that there is not.

    Source: Gilmore & Gomory 1961; Huangfu & Hall 2018.

    Examples:
        A week of 10 hours, and jobs of 6, 5 and 5 hours worth 7, 4 and 4: the first alone is worth more an hour, but
        the other two together are worth more.

        >>> use = np.array([[6.0], [5.0], [5.0]])
        >>> visits = Visits(np.arange(3), np.zeros(3, int), use, np.array([7.0, 4.0, 4.0]))
        >>> plan = best_schedule(visits, [[10.0]])
        >>> plan.chosen.tolist(), plan.worth, plan.method
        ([1, 2], 8.0, 'exact')
    """
    caps = np.asarray(limits, dtype=np.float64)
    if caps.ndim != 2 or caps.shape[1] != visits.use.shape[1]:
        raise LengthMismatch("limits must have one row a week and one column a resource")
    if (visits.week < 0).any() or (visits.week >= caps.shape[0]).any():
        raise BadArgument("every visit must lie in one of the weeks")
    needed = np.isin(visits.machine, visits.required)
    fits = (visits.use <= caps[visits.week] + 1e-9).all(axis=1)
    kept = np.flatnonzero(fits & ((visits.worth > 0) | needed))
    if set(visits.required) - set(visits.machine[kept].tolist()):
        return None
    if not kept.size:
        return Schedule(np.zeros(0, dtype=np.int64), 0.0, 0.0, "exact")
    part = Visits(
        visits.machine[kept], visits.week[kept], visits.use[kept], visits.worth[kept], visits.required
    )
    quick = _greedy(part, caps)
    bound = _fractional_bound(part, caps)
    solved, proven = _solve(part, caps, gap, seconds) if seconds > 0 else (None, np.inf)
    if solved is None and quick is None:
        return None
    bound = min(bound, proven)
    best, method = _better(part, quick, solved)
    worth = float(part.worth[best].sum())
    done = solved is not None and (max(bound - worth, 0.0) <= gap * max(abs(worth), 1e-9))
    chosen = kept[best]
    ordered = chosen[np.lexsort((visits.machine[chosen], visits.week[chosen]))]
    return Schedule(ordered, worth, max(bound, worth), "exact" if done else method)


def _better(part: Visits, quick: Ints | None, solved: Ints | None) -> tuple[Ints, str]:
    if solved is None:
        assert quick is not None
        return quick, "greedy"
    if quick is not None and part.worth[quick].sum() > part.worth[solved].sum() + 1e-9:
        return quick, "greedy"
    return solved, "best found in time"


# ------------------------------------------------------------------------------------------------- exact


def _solve(part: Visits, caps: Floats, gap: float, seconds: float) -> tuple[Ints | None, float]:
    """Visits chosen by the solver (None: none found), and the bound it has proven."""
    kind, kinds = _kinds(part.use)
    patterns = _week_patterns(kinds, caps, np.unique(part.week))
    model = _plain(part, caps) if patterns is None else _patterned(part, kind, kinds.shape[0], patterns)
    result = milp(
        model.cost,
        constraints=LinearConstraint(model.matrix, model.low, model.high),
        bounds=Bounds(0.0, 1.0),
        integrality=model.whole,
        options={"mip_rel_gap": gap, "time_limit": seconds, "presolve": True},
    )
    # scipy leaves these out when there is nothing to say
    dual = getattr(result, "mip_dual_bound", None)
    proven = -float(dual) if dual is not None and np.isfinite(dual) else np.inf
    if result.x is None:
        return None, proven
    x: Floats | None = result.x[: part.machine.size]
    if x is not None and not _is_whole(x):
        x = _transported(model, result.x, part.machine.size)
    if x is None or not _is_whole(x):
        return None, proven
    return np.flatnonzero(x > 0.5).astype(np.int64), proven


@dataclass(frozen=True, eq=False)
class _Model:
    cost: Floats
    matrix: sparse.csr_array
    low: Floats
    high: Floats
    whole: Ints


def _patterned(part: Visits, kind: Ints, kinds: int, patterns: list[tuple[int, Ints]]) -> _Model:
    """Visits may be cut, patterns not: one pattern a week, at most its count of each kind."""
    n = part.machine.size
    machines, machine_row = np.unique(part.machine, return_inverse=True)
    weeks = [week for week, _ in patterns]
    place = {week: i for i, week in enumerate(weeks)}
    week_row = np.array([place[int(week)] for week in part.week], dtype=np.int64)
    first_kind, first_week = machines.size, machines.size + len(weeks) * kinds
    rows, columns, values = [machine_row], [np.arange(n)], [np.ones(n)]
    rows.append(first_kind + week_row * kinds + kind)
    columns.append(np.arange(n))
    values.append(np.ones(n))
    at = n
    for i, (_, counts) in enumerate(patterns):
        many = counts.shape[0]
        own = np.arange(at, at + many)
        rows.append(np.repeat(first_kind + i * kinds + np.arange(kinds), many))
        columns.append(np.tile(own, kinds))
        values.append(-counts.T.reshape(-1).astype(np.float64))
        rows.append(np.full(many, first_week + i))
        columns.append(own)
        values.append(np.ones(many))
        at += many
    matrix = sparse.csr_array(
        (np.concatenate(values), (np.concatenate(rows), np.concatenate(columns))),
        shape=(first_week + len(weeks), at),
    )
    high = np.concatenate((np.ones(machines.size), np.zeros(len(weeks) * kinds), np.ones(len(weeks))))
    low = np.full(high.size, -np.inf)
    low[: machines.size] = np.where(np.isin(machines, part.required), 1.0, -np.inf)
    cost = np.concatenate((-part.worth, np.zeros(at - n)))
    whole = np.concatenate((np.zeros(n, dtype=np.int64), np.ones(at - n, dtype=np.int64)))
    return _Model(cost, matrix, low, high, whole)


def _plain(part: Visits, caps: Floats) -> _Model:
    """Every visit whole, every resource of every week within its limit."""
    n, resources = part.machine.size, caps.shape[1]
    machines, machine_row = np.unique(part.machine, return_inverse=True)
    rows, columns, values = [machine_row], [np.arange(n)], [np.ones(n)]
    for r in range(resources):
        rows.append(machines.size + part.week * resources + r)
        columns.append(np.arange(n))
        values.append(part.use[:, r])
    matrix = sparse.csr_array(
        (np.concatenate(values), (np.concatenate(rows), np.concatenate(columns))),
        shape=(machines.size + caps.size, n),
    )
    high = np.concatenate((np.ones(machines.size), caps.reshape(-1)))
    low = np.full(high.size, -np.inf)
    low[: machines.size] = np.where(np.isin(machines, part.required), 1.0, -np.inf)
    return _Model(-part.worth, matrix, low, high, np.ones(n, dtype=np.int64))


def _transported(model: _Model, x: Floats, visits: int) -> Floats | None:
    """Whole visits for the patterns chosen: a corner of the transport problem that is left."""
    fixed = np.rint(x[visits:])
    if fixed.size == 0:
        return None
    rest = model.high - model.matrix[:, visits:] @ fixed
    result = milp(
        model.cost[:visits],
        constraints=LinearConstraint(model.matrix[:, :visits], model.low, rest),
        bounds=Bounds(0.0, 1.0),
    )
    return None if result.x is None else np.asarray(result.x, dtype=np.float64)


def _is_whole(x: Floats) -> bool:
    return bool((np.abs(x - np.rint(x)) <= _WHOLE).all())


def _kinds(use: Floats) -> tuple[Ints, Floats]:
    """Which kind each visit is of, and what each kind takes."""
    fine = np.rint(use * _FINE)
    kinds, kind = np.unique(fine, axis=0, return_inverse=True)
    return kind.reshape(-1).astype(np.int64), kinds / _FINE


def _week_patterns(kinds: Floats, caps: Floats, weeks: Ints) -> list[tuple[int, Ints]] | None:
    """The largest patterns of each week; None where they are too many, or a kind takes nothing."""
    if (kinds <= 0).all(axis=1).any():
        return None
    found: dict[bytes, Ints] = {}
    listed = []
    for week in weeks.tolist():
        key = caps[week].tobytes()
        if key not in found:
            patterns = _patterns(kinds, caps[week])
            if patterns is None:
                return None
            found[key] = patterns
        listed.append((week, found[key]))
    return listed


def _patterns(kinds: Floats, cap: Floats) -> Ints | None:
    """Counts of kinds that fit together and leave no room for one more, shape (patterns, kinds)."""
    kept: list[tuple[int, ...]] = []
    for counts, room in _fillings(kinds, cap, 0):
        if not any((kinds[k] <= room + 1e-9).all() for k in range(len(kinds))):
            kept.append(counts)
            if len(kept) > _MOST_PATTERNS:
                return None
    return np.array(kept, dtype=np.int64).reshape(-1, len(kinds))


def _fillings(kinds: Floats, room: Floats, first: int) -> Iterator[tuple[tuple[int, ...], Floats]]:
    """Every way to take so many of each kind from `first` on, with the room that is left."""
    if first == len(kinds):
        yield (), room
        return
    takes = kinds[first]
    with np.errstate(divide="ignore", invalid="ignore"):
        most = int(
            np.floor(np.where(takes > 0, (room + 1e-9) / np.where(takes > 0, takes, 1.0), np.inf).min())
        )
    for count in range(most, -1, -1):
        for rest, left in _fillings(kinds, room - count * takes, first + 1):
            yield (count, *rest), left


# ------------------------------------------------------------------------------------------------ greedy


def _greedy(part: Visits, caps: Floats) -> Ints | None:
    """Required machines first, then the visits worth most for the scarcest resource they take."""
    total = np.maximum(caps.sum(axis=0), 1e-9)
    burden = (part.use / total).max(axis=1)
    needed = np.isin(part.machine, part.required)
    density = part.worth / np.maximum(burden, 1e-12)
    order = np.lexsort((part.week, part.machine, -density, ~needed))
    room = caps.copy()
    visited: set[int] = set()
    chosen = []
    machine, week = part.machine.tolist(), part.week.tolist()
    for row in order.tolist():
        if machine[row] in visited or not (part.use[row] <= room[week[row]] + 1e-9).all():
            continue
        visited.add(machine[row])
        room[week[row]] -= part.use[row]
        chosen.append(row)
    if set(part.required) - visited:
        return None
    return np.array(chosen, dtype=np.int64)


def _fractional_bound(part: Visits, caps: Floats) -> float:
    """What no schedule can exceed: all weeks as one, machines cut at will, each at its best worth.

    For each resource by itself; the least of these bounds.
    """
    machines, row = np.unique(part.machine, return_inverse=True)
    best = np.full(machines.size, -np.inf)
    np.maximum.at(best, row, part.worth)
    lowest = float(np.maximum(best, 0.0).sum())
    for r in range(caps.shape[1]):
        takes = np.full(machines.size, np.inf)
        np.minimum.at(takes, row, part.use[:, r])
        order = np.argsort(-np.maximum(best, 0.0) / np.maximum(takes, 1e-12), kind="stable")
        room = float(caps[:, r].sum())
        filled = np.cumsum(takes[order])
        whole = filled <= room
        bound = float(np.maximum(best[order][whole], 0.0).sum())
        cut = int(whole.sum())
        if cut < order.size:
            left = room - (float(filled[cut - 1]) if cut else 0.0)
            bound += max(float(best[order][cut]), 0.0) * left / float(takes[order][cut])
        lowest = min(lowest, bound)
    return lowest
