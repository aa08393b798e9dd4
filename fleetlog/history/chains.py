"""The longest consistent chain of meter readings: the one thing the history needs that SQL cannot say.

A chain is consistent when neither the hours run nor the hours spared (what the calendar allowed, less the
hours run) ever falls from one reading to the next; both together imply that time does not fall either. Only
readings that contradict another one come here, in blocks that cannot contradict each other.
"""

from __future__ import annotations

from bisect import bisect_left

import numpy as np
import numpy.typing as npt
import polars as pl

# A chain with more readings always wins; trust decides only between chains of the same length.
_ONE_READING = 1_000_000


def set_aside(doubtful: pl.DataFrame) -> pl.DataFrame:
    """The readings that are not on their block's best chain.

    Args:
        doubtful: block, reading_id, whole_hours, spare_hours, trust, in order of block and time.

    Returns:
        One column, reading_id.
    """
    if doubtful.is_empty():
        return pl.DataFrame(schema={"reading_id": pl.Int64})
    hours = doubtful["whole_hours"].to_numpy()
    spare = doubtful["spare_hours"].to_numpy()
    weight = doubtful["trust"].to_numpy().astype(np.int64) + _ONE_READING
    block = doubtful["block"].to_numpy()
    starts = np.flatnonzero(np.r_[True, block[1:] != block[:-1]])
    kept = np.zeros(len(block), dtype=bool)
    for start, stop in zip(starts, np.r_[starts[1:], len(block)], strict=True):
        kept[start + best_chain(hours[start:stop], spare[start:stop], weight[start:stop])] = True
    return doubtful.filter(~pl.Series(kept)).select(pl.col("reading_id").cast(pl.Int64))


def best_chain(
    hours: npt.NDArray[np.int64], spare: npt.NDArray[np.int64], weight: npt.NDArray[np.int64]
) -> npt.NDArray[np.int64]:
    """Positions of the heaviest chain along which neither `hours` nor `spare` falls.

    Of several heaviest chains the one that ends with, and at each step comes from, the later reading in time
    is taken; ties therefore never depend on the order of rows with equal values.

    Args:
        hours, spare, weight: one value a reading, shape (n,).

    Returns:
        Positions in increasing order of time. Takes O(n log n).
    """
    order = np.lexsort((hours, spare))  # by spare, then hours: predecessors come first
    levels = np.unique(hours)
    # Fenwick tree over the hours: best chain so far that ends at or below a level, as (weight, position).
    best: list[tuple[int, int]] = [(0, -1)] * (len(levels) + 1)
    came_from = np.full(len(hours), -1, dtype=np.int64)
    top = (0, -1)
    level_list = levels.tolist()
    for position in order.tolist():
        level = bisect_left(level_list, int(hours[position])) + 1
        node, found = level, (0, -1)
        while node:
            found = max(found, best[node])
            node &= node - 1
        came_from[position] = found[1]
        here = (found[0] + int(weight[position]), position)
        top = max(top, here)
        node = level
        while node < len(best):
            best[node] = max(best[node], here)
            node += node & -node
    chain = []
    position = top[1]
    while position >= 0:
        chain.append(position)
        position = int(came_from[position])
    return np.array(chain[::-1], dtype=np.int64)
