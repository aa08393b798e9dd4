"""Cox regression from counts in the store, with variances robust to what one machine's lives have in common.

The counts by cell and age are few, so the fit never sees a single life. The robust variance needs, for
every machine, the sum of the score residuals of its lives: what a life adds depends on its cell, the ages at
which it enters and leaves and whether it fails, so it is worked out once for each cell and age, handed to the
store as whole numbers, and summed there.

Source: Lin & Wei 1989; Therneau & Grambsch 2000, section 7.2.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import polars as pl

from fleetlog.lives.counting import Stretches
from fleetlog.lives.splits import UNKNOWN
from fleetlog.stats.arrays import Floats
from fleetlog.stats.by_machine import numbered
from fleetlog.stats.concordance import Concordance, PairCounts, pair_counts
from fleetlog.stats.cox import CoxFit, fit_cox_cells
from fleetlog.stats.cox_cells import CoxCells
from fleetlog.stats.life_counts import Strata, count_lives
from fleetlog.store import Store

TOGETHER = 8
"""Columns that one run of the sums takes."""

# Steps are handed over in units of 2^-40 (a millionth of a millionth), larger ones where steps are large: the
# sums are exact, and the error is one that no digit shown can see.
_UNIT_BITS = 40
_ROOM_BITS = 60


@dataclass(frozen=True)
class Counted:
    """Lives or stretches as the store counts them.

    Attributes:
        counts: SQL file that gives the risk table by strata columns.
        sums: SQL file that sums score residuals by machine; it reads the tables cox_cell and cox_step.
        named: value of the column `component` of cox_cell, which the sums match.
        parameters: of these files.
        lives: SQL file that gives the lives one by one, for stores from which counting them here is quicker.
    """

    counts: str
    sums: str
    named: str
    parameters: Mapping[str, Any]
    lives: str | None = None


def counts_by(store: Store, question: Counted, keys: tuple[str, ...]) -> pl.DataFrame:
    """The risk table by keys, their values as text ("unknown" where not on record)."""
    if question.lives and store.local:
        lives = store.run(question.lives, keys, **question.parameters)
        return count_lives(lives, Strata.of(lives, keys).in_words(UNKNOWN))
    counted = store.run(question.counts, keys, **question.parameters)
    labelled = counted.with_columns(pl.col(key).cast(pl.String).fill_null(UNKNOWN) for key in keys)
    if counted.select(keys).null_count().sum_horizontal().item() == 0:
        return labelled
    # What is not on record and what is recorded as unknown are one cell, so their rows are added up.
    return labelled.group_by(*keys, "hours", maintain_order=True).agg(
        pl.col("entering", "failed", "leaving").sum()
    )


def fit_by_machine(
    store: Store,
    question: Counted,
    counted: pl.DataFrame,
    keys: tuple[str, ...],
    factors: tuple[str, ...],
    strata: tuple[str, ...],
    reference: Mapping[str, str],
    *,
    ties: Literal["efron", "breslow"],
    level: float,
) -> tuple[CoxFit, Concordance]:
    """The fit of the counts, with limits and tests robust by machine, and how
    well it orders failures.

    Args:
        store: where the lives are.
        question: how they are counted and summed.
        counted: what `counts_by` gives for `keys`; where rows are left out, so are their lives.
        keys: strata, factors, and columns whose values only decide what is left out.
        factors: columns that explain the hazard.
        strata: columns with baselines of their own.
        reference: factor -> the level that the others are compared with.
        ties: how ties are treated.

    Raises:
        StatsError: in one of its named kinds, when the counts cannot carry the model.
    """
    cells = CoxCells.from_frame(counted, factors, strata=strata, reference=reference)
    fit = fit_cox_cells(cells, ties=ties, level=level)
    placed = _cell_of(counted, keys, (*strata, *factors))
    leave, fail, ordered = _steps(fit)
    return _robust(fit, ordered, _sums_by_machine(store, question, placed, keys, cells, leave, fail))


def fit_stretches(
    stretches: Stretches,
    factors: tuple[str, ...],
    strata: tuple[str, ...],
    reference: Mapping[str, str],
    *,
    level: float,
) -> tuple[CoxFit, Concordance]:
    """The fit of lives that count by shares, ties after Breslow, with limits and tests robust by machine, and how well
    it orders failures.

    Args:
        stretches: split by strata and factors, their values as text.
        factors, strata, reference: as for `fit_by_machine`.

    Raises:
        StatsError: in one of its named kinds, when the counts cannot carry the model.
    """
    keys = (*strata, *factors)
    counted = stretches.counts(keys)
    fit = fit_cox_cells(
        CoxCells.from_frame(counted, factors, strata=strata, reference=reference), ties="breslow", level=level
    )
    leave, fail, ordered = _steps(fit)
    sums = summed_by_machine(stretches, counted, keys, fit.likelihood.cells, leave, fail)
    return _robust(fit, ordered, sums)


def summed_by_machine(
    stretches: Stretches,
    counted: pl.DataFrame,
    keys: tuple[str, ...],
    cells: CoxCells,
    leave: Floats,
    fail: Floats,
) -> Floats:
    """What stretches add by their share, summed by machine, shape (machines, columns of leave).

    Args:
        counted: their counts by keys, from which the cells are made.
        leave, fail: what a spell adds, by row of the cells.
    """
    rows = stretches.ordered.join(
        _cell_of(counted, keys, keys), on=list(keys), how="inner", maintain_order="left"
    )
    span = int(cells.hours.max()) + 1
    known = cells.cell * span + cells.hours
    cell = rows["cell"].to_numpy() * span
    begin, end = (np.searchsorted(known, cell + rows[name].to_numpy()) for name in ("entry", "hours"))
    failed = rows["failed"].to_numpy()[:, None]
    added = rows["weight"].to_numpy()[:, None] * (leave[end] - leave[begin] + failed * fail[end])
    machine = numbered(rows["of_machine"].to_list())
    sums = np.column_stack([np.bincount(machine, weights=column) for column in added.T])
    return np.asarray(sums, dtype=np.float64)


def _steps(fit: CoxFit) -> tuple[Floats, Floats, PairCounts]:
    """What a spell adds to the score, and in the last column to the error of the concordance, by row of the cells."""
    likelihood = fit.likelihood
    ordered = pair_counts(likelihood.cells, np.einsum("ij,j->i", likelihood.x, fit.coefficients))
    leave, fail = fit.residual_steps()
    return np.column_stack((leave, ordered.leave)), np.column_stack((fail, ordered.fail)), ordered


def _robust(fit: CoxFit, ordered: PairCounts, sums: Floats) -> tuple[CoxFit, Concordance]:
    return fit.robust(sums[:, :-1]), ordered.by_machine(sums[:, -1], level=fit.level)


def _cell_of(counted: pl.DataFrame, keys: tuple[str, ...], model: tuple[str, ...]) -> pl.DataFrame:
    """The cell of every combination of keys: cells are numbered in the order of the model's columns."""
    combined = counted.select(keys).unique().sort(keys)
    cells = combined.select(model).unique().sort(model).with_row_index("cell")
    return combined.join(cells, on=model, maintain_order="left").with_columns(pl.col("cell").cast(pl.Int64))


def _sums_by_machine(
    store: Store,
    question: Counted,
    placed: pl.DataFrame,
    keys: tuple[str, ...],
    cells: CoxCells,
    leave: Floats,
    fail: Floats,
) -> Floats:
    """What spells add summed by machine, shape (machines, columns of leave), machines in their own order."""
    store.register("cox_cell", placed.with_columns(pl.lit(question.named).alias("component")))
    columns = leave.shape[1]
    largest = max(float(np.abs(leave).max(initial=0.0)), float(np.abs(fail).max(initial=0.0)), 1.0)
    unit = 2.0 ** min(_UNIT_BITS, _ROOM_BITS - math.ceil(math.log2(largest)))
    parts = []
    for first in range(0, columns, TOGETHER):
        step = {"cell": cells.cell, "hours": cells.hours}
        for k in range(TOGETHER):
            j = first + k
            for name, values in (("leave", leave), ("fail", fail)):
                column = values[:, j] if j < columns else np.zeros(cells.cell.size)
                step[f"{name}_{k + 1}"] = np.rint(column * unit).astype(np.int64)
        store.register("cox_step", pl.DataFrame(step))
        score_rows = store.run(question.sums, keys, **question.parameters)
        wanted = min(TOGETHER, columns - first)
        parts.append(score_rows.select(f"sum_{k + 1}" for k in range(wanted)).to_numpy() / unit)
    return np.ascontiguousarray(np.hstack(parts))
