"""The longest consistent chain of meter readings: the one thing the history needs that SQL cannot say.

A chain is consistent when neither the hours run nor the hours spared (what the calendar allowed, less the
hours run) ever falls from one reading to the next; both together imply that time does not fall either. Only
readings that contradict another one come here, in blocks that cannot contradict each other.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import polars as pl

Ints = npt.NDArray[np.int64]

# A chain with more readings always wins; trust decides only between chains of the same length.
_ONE_READING = 1_000_000
# Weight and place of a chain's end in one number, so that the heaviest of the latest is a plain maximum.
_PLACES = 1 << 20
# Blocks worked at a time, by cells of their tables, so that memory stays bounded.
_CELLS = 1 << 24


def set_aside(doubtful: pl.DataFrame) -> pl.DataFrame:
    """The readings that are not on their machine's best chain.

    A reading that contradicts no other lies on every best chain; those between two of them are a block, which
    contradicts no other block and is looked at alone.

    Args:
        doubtful: machine_id, at_seconds, whole_hours, spare_hours, trust; ordered by machine and time.

    Returns:
        machine_id, at_seconds, whole_hours, spare_hours.
    """
    blocked = (
        doubtful.with_columns(pl.col("machine_id").rle_id().alias("machine"))
        .with_columns(_sound().alias("sound"))
        .with_columns(pl.struct("machine", pl.col("sound").cum_sum()).rle_id().alias("block"))
        .filter(~pl.col("sound"))
    )
    chosen = blocked.select("machine_id", "at_seconds", "whole_hours", "spare_hours")
    if blocked.is_empty():
        return chosen
    kept = best_chains(
        blocked["block"].rle_id().to_numpy().astype(np.int64),
        blocked["whole_hours"].to_numpy(),
        blocked["spare_hours"].to_numpy(),
        blocked["trust"].to_numpy().astype(np.int64) + _ONE_READING,
    )
    return chosen.filter(~pl.Series(kept))


def _sound() -> pl.Expr:
    """Whether a reading contradicts none of its machine's: none before it is above, none after it below."""
    return pl.all_horizontal(
        condition
        for measure in (pl.col("whole_hours"), pl.col("spare_hours"))
        for condition in (
            measure >= measure.cum_max().over("machine"),
            measure <= measure.cum_min(reverse=True).over("machine"),
        )
    )


def best_chains(block: Ints, hours: Ints, spare: Ints, weight: Ints) -> npt.NDArray[np.bool_]:
    """Which readings lie on the heaviest chain of their block along which neither `hours` nor `spare` falls.

    Of several heaviest chains the one that ends with, and at each step comes from, the later reading in time
    is taken; ties therefore never depend on the order of rows with equal values.

    All blocks of about one length are worked at once, reading by reading: chains are looked up in a Fenwick
    tree over the hours, and entered there, one tree a block.

    Args:
        block: number of the block, 0, 1, …, never falling, shape (n,).
        hours, spare: of each reading, in order of time within the block, shape (n,).
        weight: what a reading adds to its chain, above 0, shape (n,).

    Returns:
        One flag a reading, shape (n,). Takes O(n log n).
    """
    start = np.flatnonzero(np.diff(block, prepend=-1))
    length = np.diff(start, append=len(block))
    if len(length) and int(length.max()) >= _PLACES:
        raise ValueError("a block of more than a million readings")
    kept = np.zeros(len(block), dtype=np.bool_)
    size_class = np.ceil(np.log2(length)).astype(np.int64)
    for size in np.unique(size_class).tolist():
        alike = np.flatnonzero(size_class == size)
        at_a_time = max(1, _CELLS >> size)
        for first in range(0, len(alike), at_a_time):
            some = alike[first : first + at_a_time]
            _mark(kept, start[some], length[some], hours, spare, weight)
    return kept


def _mark(
    kept: npt.NDArray[np.bool_], start: Ints, length: Ints, hours: Ints, spare: Ints, weight: Ints
) -> None:
    """Sets `kept` for the blocks that begin at `start`; all of them are worked side by side."""
    blocks, longest = len(start), int(length.max())
    row = np.repeat(np.arange(blocks), length)
    place = np.arange(len(row)) - np.repeat(np.cumsum(length) - length, length)
    source = np.repeat(start, length) + place
    # By spare, then hours: whatever may come before a reading in a chain is met before it.
    order = np.lexsort((place, hours[source], spare[source], row))
    turn = np.full((longest, blocks), -1, dtype=np.int64)  # the readings' places, in the order of their turns
    turn[place, row] = place[order]
    level = np.zeros((blocks, longest), dtype=np.int64)
    level[row, place] = _levels(row, hours[source])
    weighing = np.zeros((blocks, longest), dtype=np.int64)
    weighing[row, place] = weight[source]
    came_from = np.full((blocks, longest), -1, dtype=np.int64)
    tree = np.zeros((blocks, longest + 1), dtype=np.int64)  # weight * _PLACES + place + 1 of a chain's end
    top = np.zeros(blocks, dtype=np.int64)
    for here in turn:
        which = np.flatnonzero(here >= 0)
        at = here[which]
        before = _best_up_to(tree, which, level[which, at])
        came_from[which, at] = before % _PLACES - 1
        value = (before // _PLACES + weighing[which, at]) * _PLACES + at + 1
        _enter(tree, which, level[which, at], value)
        top[which] = np.maximum(top[which], value)
    at = top % _PLACES - 1
    which = np.arange(blocks)
    while len(which):
        kept[start[which] + at] = True
        at = came_from[which, at]
        which, at = which[at >= 0], at[at >= 0]


def _levels(row: Ints, hours: Ints) -> Ints:
    """The rank of each reading's hours within its block, from 1; equal hours have one rank."""
    order = np.lexsort((hours, row))
    new_row = np.diff(row[order], prepend=-1) != 0
    new_level = new_row | (np.diff(hours[order], prepend=-1) != 0)
    count = np.cumsum(new_level)
    rank = np.empty(len(row), dtype=np.int64)
    rank[order] = count - np.repeat(count[new_row] - 1, np.diff(np.flatnonzero(new_row), append=len(row)))
    return rank


def _best_up_to(tree: Ints, which: Ints, level: Ints) -> Ints:
    """The best chain, of each block, among those that end at or below a level."""
    found = np.zeros(len(which), dtype=np.int64)
    node = level.copy()
    while node.any():
        # Node 0 holds nothing, so blocks that are through change no more.
        found = np.maximum(found, tree[which, node])
        node &= node - 1
    return found


def _enter(tree: Ints, which: Ints, level: Ints, value: Ints) -> None:
    """Enters a chain at its level of the tree of its block."""
    last = tree.shape[1] - 1
    node = level.copy()
    while len(node):
        tree[which, node] = np.maximum(tree[which, node], value)
        node = node + (node & -node)
        inside = node <= last
        which, node, value = which[inside], node[inside], value[inside]
