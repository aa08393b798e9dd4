"""Spells collapsed to counts by covariate cell and age: all that a Cox model needs.

A cell is one combination of stratum and covariates. With categorical covariates there are few, and ten
million spells become some tens of thousands of counts before the first iteration; with a measured
covariate every spell may be a cell of its own, which costs more but changes nothing.

Source: Therneau & Grambsch 2000, section 3.7 (spells by entry and exit); collapsing them is arithmetic.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl

from fleetlog.stats.arrays import TICKS_PER_HOUR, Floats, Ints
from fleetlog.stats.errors import BadArgument, LengthMismatch


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
    leaving: Floats
    per_hour: float = TICKS_PER_HOUR

    @property
    def spells(self) -> float:
        """Weight of all spells."""
        return float(self.leaving.sum())

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

        Raises:
            LengthMismatch: if a column is missing.
            BadArgument: for empty cells in a covariate, or a reference that is no level.

        Examples:
            >>> names = ["kind", "hours", "entering", "failed", "leaving"]
            >>> rows = [("new", 0, 2, 0, 0), ("old", 0, 1, 0, 0), ("new", 30, 0, 1, 2), ("old", 20, 0, 1, 1)]
            >>> cells = CoxCells.from_frame(pl.DataFrame(rows, names, orient="row"), ["kind"])
            >>> cells.names, cells.x.tolist(), cells.spells
            (('kind=old',), [[0.0], [1.0]], 3.0)
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
        numbers = [rows[name].cast(pl.Float64).to_numpy() for name in ("entering", "failed", "leaving")]
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

    Args:
        cells: one row a combination.
        covariates: its columns to make numbers of.
        reference: the level of a factor that the others are compared with; by default the first in order.

    Raises:
        BadArgument: for empty cells in a column, or a reference that is no level.

    Examples:
        >>> frame = pl.DataFrame({"kind": ["a", "b", "c"], "load": [1.0, 2.0, 3.0]})
        >>> matrix, names, terms = design(frame, ["kind", "load"], {"kind": "b"})
        >>> names, terms
        (('kind=a', 'kind=c', 'load'), ('kind', 'kind', 'load'))
        >>> matrix.tolist()
        [[1.0, 0.0, 1.0], [0.0, 0.0, 2.0], [0.0, 1.0, 3.0]]
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


def _summed(cell: Ints, hours: Ints, columns: Sequence[Floats]) -> tuple[Ints, Ints, Floats, Floats, Floats]:
    """One row a cell and age, sorted so; equal rows are summed by rising weight, not in the order given."""
    key = cell * (int(hours.max(initial=0)) + 1) + hours
    if (key[1:] > key[:-1]).all():
        entering, failed, leaving = columns
        return cell, hours, entering, failed, leaving
    whole = all(np.array_equal(column, np.rint(column)) for column in columns)
    order = np.argsort(key, kind="stable") if whole else np.lexsort((*columns, key))
    key = key[order]
    first = np.flatnonzero(np.concatenate(([True], key[1:] != key[:-1])))
    entering, failed, leaving = (np.add.reduceat(column[order], first) for column in columns)
    return cell[order][first], hours[order][first], entering, failed, leaving
