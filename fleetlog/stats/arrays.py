"""Array types and the few helpers that every estimator shares."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, TypeAlias

import numpy as np
import numpy.typing as npt
from scipy import special

from fleetlog.stats.errors import BadArgument

Floats: TypeAlias = npt.NDArray[np.float64]
Ints: TypeAlias = npt.NDArray[np.int64]
#: Whole numbers of any width.
Whole: TypeAlias = npt.NDArray[np.signedinteger[Any]]
#: What is counted: whole numbers, or what is made of them.
Counts: TypeAlias = npt.NDArray[Any]

#: Component age is counted in tenths of a running hour.
TICKS_PER_HOUR = 10


def normal_quantile(level: float) -> float:
    """The two-sided standard normal quantile of a confidence level, 1.96 for 0.95.

    Raises:
        BadArgument: if the level does not lie strictly between 0 and 1.

    Examples:
        >>> round(normal_quantile(0.95), 4)
        1.96
    """
    return float(special.ndtri(0.5 + 0.5 * checked_level(level)))


def checked_level(level: float) -> float:
    """The confidence level itself, if it is one.

    Raises:
        BadArgument: if the level does not lie strictly between 0 and 1.

    Examples:
        >>> checked_level(0.9)
        0.9
    """
    if not 0.0 < level < 1.0:
        raise BadArgument(f"a confidence level lies between 0 and 1, not {level}; write 0.95 for 95 per cent")
    return float(level)


def one_of(name: str, value: str, allowed: tuple[str, ...]) -> str:
    """The value itself, if it is one of those allowed.

    Raises:
        BadArgument: otherwise, naming what is allowed.

    Examples:
        >>> one_of("ties", "efron", ("efron", "breslow"))
        'efron'
    """
    if value not in allowed:
        raise BadArgument(f"{name} is {value!r}; it can be {', '.join(allowed)}")
    return value


def exclusive_cumsum(values: Counts) -> Counts:
    """Running total of everything strictly before each position.

    Examples:
        >>> exclusive_cumsum(np.array([3, 1, 2])).tolist()
        [0, 3, 4]
    """
    total = np.cumsum(values)
    return np.concatenate((np.zeros(1, dtype=total.dtype), total[:-1]))


def sums_over_runs(keys: Counts, values: Counts) -> tuple[Counts, Counts]:
    """Distinct keys of a sorted array and the sum of `values` over each run of equal keys.

    Sums follow the order given, so sort by (key, value) first where they must not depend on the order of rows.

    Examples:
        >>> keys, sums = sums_over_runs(np.array([1, 1, 4]), np.array([10, 5, 2]))
        >>> keys.tolist(), sums.tolist()
        ([1, 4], [15, 2])
    """
    if keys.size == 0:
        return keys, values
    starts = np.flatnonzero(np.concatenate(([True], keys[1:] != keys[:-1])))
    return keys[starts], np.add.reduceat(values, starts)


def step_positions(jumps: Counts, at: Counts, *, inclusive: bool) -> Ints:
    """For a step function with sorted `jumps`, how many jumps have happened at each point of `at`.

    Args:
        jumps: sorted positions of the jumps.
        at: where the function is wanted.
        inclusive: whether a jump counts at its own position (right-continuous) or only after it.

    Examples:
        >>> step_positions(np.array([2, 5]), np.array([1, 2, 9]), inclusive=True).tolist()
        [0, 1, 2]
    """
    side = "right" if inclusive else "left"
    return np.searchsorted(jumps, at, side=side).astype(np.int64)  # type: ignore[call-overload,no-any-return]


def binned(index: Ints, weights: Counts, size: int) -> Floats:
    """Sum of weights by index, shape (size,).

    Examples:
        >>> binned(np.array([0, 2, 2]), np.array([1.0, 2.0, 3.0]), 4).tolist()
        [1.0, 0.0, 5.0, 0.0]
    """
    return np.bincount(index, weights=weights, minlength=size).astype(np.float64, copy=False)


def dot(a: Floats, b: Floats) -> float:
    """Sum of products, the same to the last digit on any thread count (unlike the matrix product).

    Examples:
        >>> dot(np.array([1.0, 2.0]), np.array([3.0, 4.0]))
        11.0
    """
    return float((a * b).sum())


def weighed(weights: Floats, rows: Floats) -> Floats:
    """Weighted sum of rows, shape (columns,), the same to the last digit on any thread count.

    Examples:
        >>> weighed(np.array([1.0, 2.0]), np.array([[1.0, 0.0], [0.0, 1.0]])).tolist()
        [1.0, 2.0]
    """
    return np.asarray(np.einsum("i,ij->j", weights, rows), dtype=np.float64)


#: Multiplications up to which the matrix libraries do not share a product out among threads.
_ONE_THREAD = 200_000


def short_blocks(rows: int, work: int) -> Iterator[slice]:
    """Slices of rows so short that a matrix product of that much work a row stays on one thread.

    The digits are then the same on any thread count, what lies in between stays in the processor's cache, and
    no thread spins while it waits for another on a busy machine.

    Examples:
        >>> [(one.start, one.stop) for one in short_blocks(5, 100_000)]
        [(0, 2), (2, 4), (4, 6)]
    """
    step = max(_ONE_THREAD // max(work, 1), 1)
    for start in range(0, rows, step):
        yield slice(start, start + step)


#: Ages up to this many ticks (over 400 years of running) are looked up in a table instead of searched for.
_TABLED = 40_000_000


#: Numbers taken at a time, so that what is made of them in between stays in the processor's cache.
PIECE = 2**16


def tabled(highest: int, size: int) -> bool:
    """Whether a table over all ticks up to the highest is worth its memory.

    Examples:
        >>> tabled(1_000, 10), tabled(10**9, 10)
        (True, False)
    """
    return highest < _TABLED and highest < 50 * size + 100_000


def distinct_ticks(*ticks: Whole) -> Ints:
    """The distinct values of several arrays of ticks, sorted.

    Examples:
        >>> distinct_ticks(np.array([7, 3]), np.array([3, 9])).tolist()
        [3, 7, 9]
    """
    together = [part for part in ticks if part.size]
    if not together:
        return np.zeros(0, dtype=np.int64)
    highest = max(int(part.max()) for part in together)
    if not tabled(highest, sum(part.size for part in together)):
        return np.unique(np.concatenate(together))
    seen = np.zeros(highest + 1, dtype=np.bool_)
    for part in together:
        for start in range(
            0, part.size, PIECE
        ):  # narrow numbers are widened to look up by, a piece at a time
            seen[part[start : start + PIECE]] = True
            if highest < PIECE and seen.all():
                break  # few values, such as years, are soon all met
    return np.flatnonzero(seen).astype(np.int64, copy=False)


def tick_positions(jumps: Ints, at: Whole, *, inclusive: bool) -> Ints:
    """`step_positions` for ticks: how many jumps have happened at each of many ages.

    Args:
        jumps: distinct ticks, sorted.
        at: ticks, not negative.
        inclusive: whether a jump counts at its own age.

    Examples:
        >>> tick_positions(np.array([2, 5]), np.array([1, 2, 9]), inclusive=False).tolist()
        [0, 0, 2]
    """
    highest = int(jumps[-1]) if jumps.size else 0
    if jumps.size == 0 or not tabled(highest, at.size):
        return step_positions(jumps, at, inclusive=inclusive)
    passed = np.zeros(highest + 2, dtype=np.int64)
    passed[jumps + (0 if inclusive else 1)] = 1
    np.cumsum(passed, out=passed)
    found: Ints = passed[np.minimum(at, highest + 1)]
    return found


def tick_counts(ticks: Ints, at: Ints, weight: Counts) -> Counts:
    """Sum of weights at each of the distinct, sorted `ticks`; `at` holds no others.

    Examples:
        >>> tick_counts(np.array([3, 7]), np.array([7, 3, 7]), np.array([1, 1, 2])).tolist()
        [1, 3]
    """
    return np.bincount(np.searchsorted(ticks, at), weights=weight, minlength=ticks.size).astype(weight.dtype)
