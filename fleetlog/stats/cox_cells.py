"""Spells collapsed to counts by covariate cell and age: all that a Cox model needs.

A cell is one combination of stratum and covariates. With categorical covariates there are few, and ten
million spells become some tens of thousands of counts before the first iteration; with a measured
covariate every spell may be a cell of its own, which costs more but changes nothing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

from fleetlog.stats.arrays import TICKS_PER_HOUR, Counts, Floats, Ints
from fleetlog.stats.errors import BadArgument, LengthMismatch
from fleetlog.stats.risk_table import checked_spells


@dataclass(frozen=True, eq=False)
class CoxCells:
    """Counts by cell and age.

    Attributes:
        x: covariates of each cell, shape (cells, p).
        names: names of the p columns.
        terms: for each column, the term it belongs to (the levels of one factor share a term).
        stratum: stratum of each cell, 0, 1, …, shape (cells,).
        strata: what each stratum is called.
        cell: cell of each row, shape (rows,).
        hours: age in ticks of each row.
        entering: weight that comes under observation at that age.
        failed: weight that fails there.
        failures: number of spells that fail there (equal to `failed` unless rows carry sampling weights).
        leaving: weight whose observation ends there.
        per_hour: ticks in one hour.
    """

    x: Floats
    names: tuple[str, ...]
    terms: tuple[str, ...]
    stratum: Ints
    strata: tuple[Any, ...]
    cell: Ints
    hours: Ints
    entering: Floats
    failed: Floats
    failures: Floats
    leaving: Floats
    per_hour: float = TICKS_PER_HOUR

    @property
    def spells(self) -> float:
        """Weight of all spells."""
        return float(self.leaving.sum())

    @staticmethod
    def from_spells(
        entry: npt.ArrayLike,
        exit: npt.ArrayLike,
        failed: npt.ArrayLike,
        x: npt.ArrayLike,
        *,
        names: Sequence[str] | None = None,
        strata: npt.ArrayLike | None = None,
        counts: npt.ArrayLike | None = None,
        weights: npt.ArrayLike | None = None,
        per_hour: float = TICKS_PER_HOUR,
    ) -> tuple[CoxCells, Ints]:
        """Collapse spells.

        Args:
            entry: ages in ticks at which observation begins.
            exit: ages in ticks at which it ends, shape (n,).
            failed: whether it ended by failure.
            x: covariates as numbers, shape (n, p).
            names: names of the p columns.
            strata: stratum of each spell.
            counts: spells a row stands for; the result is that of repeated rows.
            weights: sampling weights; a row stays one failure among ties, but weighs that much.
            per_hour: ticks in one hour.

        Returns:
            The cells, and the cell of every spell.
        """
        if counts is not None and weights is not None:
            raise BadArgument("give counts (repeated rows) or sampling weights, not both")
        begin, end, flag, weight = checked_spells(entry, exit, failed, counts if weights is None else weights)
        weight = np.asarray(weight, dtype=np.float64)
        number = np.ones(end.size) if weights is not None else weight
        design = np.asarray(x, dtype=np.float64).reshape(end.size, -1)
        if not np.isfinite(design).all():
            column = int(np.flatnonzero(~np.isfinite(design).all(axis=0))[0])
            raise BadArgument(f"covariate {column} has empty or infinite values; leave those spells out")
        levels, of_stratum = _codes(strata, end.size)
        unique, cell = _distinct_rows([of_stratum, *design.T])
        labels = tuple(names) if names is not None else tuple(f"x{i + 1}" for i in range(design.shape[1]))
        if len(labels) != design.shape[1]:
            raise LengthMismatch(f"{design.shape[1]} covariates have {len(labels)} names")
        zeros = np.zeros(end.size)
        enters = (begin, weight, zeros, zeros, zeros)
        leaves = (end, zeros, weight * flag, number * flag, weight)
        both = [np.concatenate(pair) for pair in zip(enters, leaves, strict=True)]
        rows = _summed(np.concatenate((cell, cell)), both[0], both[1:])
        return (
            CoxCells(unique[:, 1:], labels, labels, unique[:, 0].astype(np.int64), levels, *rows, per_hour),
            cell,
        )

    @staticmethod
    def from_frame(
        frame: pl.DataFrame,
        covariates: Sequence[str],
        *,
        strata: Sequence[str] = (),
        reference: Mapping[str, Any] | None = None,
        per_hour: float = TICKS_PER_HOUR,
    ) -> CoxCells:
        """Cells from a long risk table: covariate and stratum columns, hours, entering, failed, leaving.

        Args:
            frame: one row a combination and age, in any order.
            covariates: columns to explain the hazard by; text and booleans become factors, numbers stay
                numbers.
            strata: columns whose combinations get baseline hazards of their own.
            reference: the level of a factor that the others are compared with; by default the first in order.
            per_hour: ticks in one hour.
        """
        missing = [
            n
            for n in (*covariates, *strata, "hours", "entering", "failed", "leaving")
            if n not in frame.columns
        ]
        if missing:
            raise LengthMismatch(f"the risk table lacks the column {', '.join(missing)}")
        keys = [*strata, *covariates]
        cells = frame.select(keys).unique().sort(keys) if keys else pl.DataFrame({"": [0]})
        cells = cells.with_row_index("_cell")
        rows = (
            frame.join(cells, on=keys, nulls_equal=True, maintain_order="left")
            if keys
            else frame.with_columns(_cell=pl.lit(0))
        )
        x, names, terms = design(cells, covariates, reference or {})
        levels, of_stratum = _codes(cells.select(strata).rows() if strata else None, cells.height)
        numbers = [
            rows[name].cast(pl.Float64).to_numpy() for name in ("entering", "failed", "failed", "leaving")
        ]
        summed = _summed(
            rows["_cell"].cast(pl.Int64).to_numpy(), rows["hours"].cast(pl.Int64).to_numpy(), numbers
        )
        return CoxCells(x, names, terms, of_stratum, levels, *summed, per_hour)


def design(
    cells: pl.DataFrame, covariates: Sequence[str], reference: Mapping[str, Any]
) -> tuple[Floats, tuple[str, ...], tuple[str, ...]]:
    """Numbers for a model from columns of text, booleans and numbers.

    Returns:
        The matrix, shape (rows, p), the names of its columns ("column" or "column=level") and their terms.
    """
    columns: list[Floats] = []
    names: list[str] = []
    terms: list[str] = []
    for name in covariates:
        values = cells[name]
        if values.null_count():
            raise BadArgument(
                f"{name} has empty values; leave those spells out or give them a level of their own"
            )
        if values.dtype.is_numeric():
            columns.append(values.cast(pl.Float64).to_numpy())
            names.append(name)
            terms.append(name)
            continue
        levels = values.unique().sort().to_list()
        base = reference.get(name, levels[0])
        if base not in levels:
            raise BadArgument(f"{name} has no level {base!r}; its levels are {', '.join(map(str, levels))}")
        for level in levels:
            if level != base:
                columns.append((values == level).cast(pl.Float64).to_numpy())
                names.append(f"{name}={level}")
                terms.append(name)
    matrix = np.column_stack(columns) if columns else np.zeros((cells.height, 0))
    return matrix, tuple(names), tuple(terms)


def split_spells(
    entry: npt.ArrayLike, exit: npt.ArrayLike, failed: npt.ArrayLike, change: npt.ArrayLike
) -> tuple[Ints, Ints, Ints, Ints, npt.NDArray[np.bool_]]:
    """Split spells at the age at which a covariate changes, such as the day a better part went in.

    Args:
        entry: ages in ticks at which observation begins.
        exit: ages at which it ends.
        failed: whether it ended by failure.
        change: age at which the covariate changed for each spell; beyond the exit: it did not.

    Returns:
        index of the original spell, entry, exit, failed (only the last piece can fail), and whether the
        piece lies after the change.
    """
    begin, end, flag, _ = checked_spells(entry, exit, failed)
    at = np.broadcast_to(np.asarray(change), end.shape)
    before, after = begin < at, end > at
    middle = np.clip(np.where(np.isfinite(at.astype(np.float64)), at, end), begin, end).astype(np.int64)
    index = np.concatenate((np.flatnonzero(before), np.flatnonzero(after)))
    pieces = np.concatenate((np.zeros(int(before.sum()), bool), np.ones(int(after.sum()), bool)))
    start = np.where(pieces, middle[index], begin[index])
    stop = np.where(pieces, end[index], middle[index])
    died = np.where(stop == end[index], flag[index], 0)
    order = np.lexsort((start, index))
    return index[order], start[order], stop[order], died[order], pieces[order]


def _codes(values: Any, size: int) -> tuple[tuple[Any, ...], Ints]:
    """Distinct values in sorted order and the code of each row."""
    if values is None:
        return (None,), np.zeros(size, dtype=np.int64)
    listed = values.tolist() if isinstance(values, np.ndarray) else list(values)
    if len(listed) != size:
        raise LengthMismatch(f"{len(listed)} strata for {size} spells")
    distinct = sorted(set(listed), key=lambda v: (v is None, str(type(v)), v if v is not None else 0))
    codes = {value: i for i, value in enumerate(distinct)}
    return tuple(distinct), np.array([codes[value] for value in listed], dtype=np.int64)


def _summed(
    cell: Ints, hours: Ints, columns: Sequence[Counts]
) -> tuple[Ints, Ints, Floats, Floats, Floats, Floats]:
    """One row a cell and age, sorted so; equal rows are summed by rising weight, not in the order given."""
    key = cell * (int(hours.max(initial=0)) + 1) + hours
    if (key[1:] > key[:-1]).all():
        entering, failed, failures, leaving = (column.astype(np.float64) for column in columns)
        return cell, hours, entering, failed, failures, leaving
    whole = all(np.array_equal(column, np.rint(column)) for column in columns)
    order = np.argsort(key, kind="stable") if whole else np.lexsort((*columns, key))
    key = key[order]
    first = np.flatnonzero(np.concatenate(([True], key[1:] != key[:-1])))
    entering, failed, failures, leaving = (
        np.add.reduceat(column[order].astype(np.float64), first) for column in columns
    )
    return cell[order][first], hours[order][first], entering, failed, failures, leaving


def _distinct_rows(columns: Sequence[Counts]) -> tuple[Floats, Ints]:
    """Distinct rows of several columns, sorted, and which of them each row is."""
    size = columns[0].size
    code, levels = np.zeros(size, dtype=np.int64), 1
    for column in columns:
        values, at = np.unique(column, return_inverse=True)
        if levels * values.size > 2**60:
            kept, code = np.unique(code, return_inverse=True)
            code, levels = code.reshape(-1).astype(np.int64), int(kept.size)
        code, levels = code * values.size + at.reshape(-1), levels * int(values.size)
    _, first, cell = np.unique(code, return_index=True, return_inverse=True)
    rows = np.column_stack([column[first].astype(np.float64) for column in columns])
    return rows, cell.reshape(-1).astype(np.int64)
