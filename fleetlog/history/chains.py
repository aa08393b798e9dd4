"""The longest consistent chain of meter readings: the one thing the history needs that SQL cannot say.

A chain is consistent when neither the hours run nor the hours spared (what the calendar allowed, less the
hours run) ever falls from one reading to the next; both together imply that time does not fall either.
"""

from __future__ import annotations

from dataclasses import dataclass

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


@dataclass(frozen=True)
class ChainResult:
    """What becomes of doubtful readings.

    Attributes:
        set_aside: those not on their machine's best chain: machine_id, at_seconds, whole_hours, spare_hours.
        raised: those on it that an earlier one on it is above, within a whole hour; with that one's tenths:
            machine_id, at_seconds, tenths.
    """

    set_aside: pl.DataFrame
    raised: pl.DataFrame


def judge(doubtful: pl.DataFrame) -> ChainResult:
    """Which readings are not on their machine's best chain, and which of the others are to be raised.

    Args:
        doubtful: machine_id, at_seconds, tenths, whole_hours, spare_hours, trust; by machine and time.
    """
    machine = doubtful["machine_id"].rle_id().to_numpy().astype(np.int64)
    on_chain = best_chains(
        machine,
        doubtful["whole_hours"].to_numpy(),
        doubtful["spare_hours"].to_numpy(),
        doubtful["trust"].to_numpy().astype(np.int64) + _ONE_READING,
    )
    tenths = doubtful["tenths"].to_numpy()
    highest = _highest_so_far(machine, np.where(on_chain, tenths, 0))
    raised = on_chain & (highest > tenths)
    return ChainResult(
        doubtful.select("machine_id", "at_seconds", "whole_hours", "spare_hours").filter(
            ~pl.Series(on_chain)
        ),
        doubtful.select("machine_id", "at_seconds")
        .filter(pl.Series(raised))
        .with_columns(tenths=pl.Series(highest[raised], dtype=pl.Int64)),
    )


def _highest_so_far(block: Ints, measure: Ints) -> Ints:
    """The running maximum of a measure, none of which is below 0, within each block."""
    step = _span(block, measure)
    return np.maximum.accumulate(block * step + measure) - block * step


def best_chains(block: Ints, hours: Ints, spare: Ints, weight: Ints) -> npt.NDArray[np.bool_]:
    """Which readings lie on the heaviest chain of their block along which neither `hours` nor `spare` falls.

    Of several heaviest chains the one that ends with, and at each step comes from, the later reading in time
    is taken; ties therefore never depend on the order of rows with equal values.

    Readings that follow each other both by hours and by spare hours agree with, and contradict, the same
    others. They are on a chain all or none, and are looked at as one: a wrong reading makes a handful of such
    runs out of one, so there are few of them. Blocks with about as many runs are worked at once, run by run:
    chains are looked up in a Fenwick tree over the hours, and entered there, one tree a block.

    Args:
        block: number of the block, 0, 1, …, never falling, shape (n,).
        hours, spare: of each reading, in order of time within the block, so that their sum never falls, shape
            (n,).
        weight: what a reading adds to its chain, above 0, shape (n,).

    Returns:
        One flag a reading, shape (n,). Takes O(n log n).
    """
    if len(block) == 0:
        return np.zeros(0, dtype=np.bool_)
    by_hours, by_spare = _in_order(block, hours), _in_order(block, spare)
    begins = (_before(by_hours) != _before(by_spare))[by_hours]
    begins[np.flatnonzero(np.diff(block, prepend=-1))] = True  # blocks lie in the same places in every order
    first = np.flatnonzero(begins)
    last_of_run = by_hours[np.append(first[1:], len(block)) - 1]
    # The last of a run is what a chain goes on from; by it runs have their place in time.
    in_time = np.argsort(last_of_run)
    place_by_spare = np.empty_like(by_spare)
    place_by_spare[by_spare] = np.arange(len(block))
    last = last_of_run[in_time]
    on_chain = np.empty(len(first), dtype=np.bool_)
    on_chain[in_time] = _heaviest(
        block[last], in_time, place_by_spare[last], np.add.reduceat(weight[by_hours], first)[in_time]
    )
    flags = np.empty(len(block), dtype=np.bool_)
    flags[by_hours] = on_chain[np.cumsum(begins) - 1]
    return flags


def _in_order(block: Ints, measure: Ints) -> Ints:
    """The readings by block, then measure, then time."""
    low = measure.min()
    # Fast on what is nearly in order.
    return np.argsort(block * _span(block, measure - low) + (measure - low), kind="stable")


def _span(block: Ints, measure: Ints) -> int:
    """What keeps the measures of different blocks apart when it is added block by block."""
    span = int(measure.max(initial=0)) + 1
    if len(block) and (int(block[-1]) + 1) * span >= 1 << 63:
        raise ValueError("hours beyond any meter's")
    return span


def _before(order: Ints) -> Ints:
    """Which reading comes before each one in an order; -1 before the first."""
    before = np.empty_like(order)
    before[order] = np.concatenate(([-1], order[:-1]))
    return before


def _heaviest(block: Ints, hours: Ints, spare: Ints, weight: Ints) -> npt.NDArray[np.bool_]:
    """`best_chains` of runs, no two of a block with the same hours or spare hours."""
    start = np.flatnonzero(np.diff(block, prepend=-1))
    length = np.diff(start, append=len(block))
    if int(length.max()) >= _PLACES:
        raise ValueError("a block of more than a million runs of readings")
    on_chain = np.zeros(len(block), dtype=np.bool_)
    size_class = np.ceil(np.log2(length)).astype(np.int64)
    for size in np.unique(size_class).tolist():
        alike = np.flatnonzero(size_class == size)
        at_a_time = max(1, _CELLS >> size)
        for first in range(0, len(alike), at_a_time):
            some = alike[first : first + at_a_time]
            _mark(on_chain, start[some], length[some], hours, spare, weight)
    return on_chain


def _mark(
    on_chain: npt.NDArray[np.bool_], start: Ints, length: Ints, hours: Ints, spare: Ints, weight: Ints
) -> None:
    """Sets `on_chain` for the blocks that begin at `start`; all of them are worked side by side."""
    blocks, longest = len(start), int(length.max())
    row = np.repeat(np.arange(blocks), length)
    place = np.arange(len(row)) - np.repeat(np.cumsum(length) - length, length)
    source = np.repeat(start, length) + place
    # By spare: whatever may come before a run in a chain is met before it.
    order = np.lexsort((spare[source], row))
    turn = np.full((longest, blocks), -1, dtype=np.int64)  # the readings' places, in the order of their turns
    turn[place, row] = place[order]
    level = np.zeros((blocks, longest), dtype=np.int64)
    level[row, place[np.lexsort((hours[source], row))]] = place + 1
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
        on_chain[start[which] + at] = True
        at = came_from[which, at]
        which, at = which[at >= 0], at[at >= 0]


def _best_up_to(tree: Ints, which: Ints, level: Ints) -> Ints:
    """The best chain, of each block, among those that end at or below a level."""
    best = np.zeros(len(which), dtype=np.int64)
    node = level.copy()
    while node.any():
        # Node 0 holds nothing, so blocks that are through change no more.
        best = np.maximum(best, tree[which, node])
        node &= node - 1
    return best


def _enter(tree: Ints, which: Ints, level: Ints, value: Ints) -> None:
    """Enters a chain at its level of the tree of its block."""
    last = tree.shape[1] - 1
    node = level.copy()
    while len(node):
        tree[which, node] = np.maximum(tree[which, node], value)
        node = node + (node & -node)
        inside = node <= last
        which, node, value = which[inside], node[inside], value[inside]
