"""Spells handed to the estimators, which take counts: what the yard's SQL does, done here for tests."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl

from fleetlog.stats.cox import CoxFit, Ties, fit_cox_cells
from fleetlog.stats.cox_cells import CoxCells
from fleetlog.stats.product_limit import CumulativeIncidence
from fleetlog.stats.risk_table import CausesTable, RiskTable


def causes_table(
    entry: Any, exit: Any, cause: Any, weights: Any = None, *, causes: Sequence[Any], per_hour: float = 10
) -> CausesTable:
    """Spells that end by one of several causes, or by none of them."""
    why = np.asarray(cause)
    every = RiskTable.from_spells(entry, exit, np.isin(why, causes), weights, per_hour=per_hour)
    failed = [RiskTable.from_spells(entry, exit, why == one, weights).failed for one in causes]
    names = tuple(str(one) for one in causes)
    return CausesTable(every.hours, every.entering, np.column_stack(failed), every.leaving, names, per_hour)


def for_cause(table: CausesTable, cause: str) -> RiskTable:
    """The risk table in which only this cause is a failure and every other one censors."""
    failed = table.failed[:, table.causes.index(cause)]
    return RiskTable(table.hours, table.entering, failed, table.leaving, table.per_hour)


def rows_of(table: RiskTable) -> pl.DataFrame:
    """A risk table as a frame: hours (ticks), entering, failed, leaving, at_risk."""
    return pl.DataFrame(
        {name: getattr(table, name) for name in ("hours", "entering", "failed", "leaving", "at_risk")}
    )


def incidence_at(curves: CumulativeIncidence, hours: Any, name: str = "incidence") -> dict[str, np.ndarray]:
    """One of the curves' arrays at any ages, by cause; what all causes share stands under each of them."""
    done = np.searchsorted(curves.hours, np.asarray(hours, dtype=float) + 1e-9, side="right")
    values = getattr(curves, name)
    start = 1.0 if name == "survival" else 0.0
    columns = values.T if values.ndim == 2 else [values] * len(curves.causes)
    return {
        cause: np.append(start, column)[done] for cause, column in zip(curves.causes, columns, strict=True)
    }


@dataclass(frozen=True)
class Spells:
    """Single spells with their covariates.

    Attributes:
        frame: stratum, the covariates, entry and exit (ages in ticks) and failed.
        names: of the covariates.
    """

    frame: pl.DataFrame
    names: list[str]

    @staticmethod
    def of(
        exit: Any,
        failed: Any,
        x: Any,
        *,
        entry: Any = 0,
        names: Sequence[str] | None = None,
        strata: Any = None,
    ) -> Spells:
        end = np.asarray(exit, dtype=np.int64)
        covariates = np.asarray(x, dtype=np.float64).reshape(end.size, -1)
        labels = list(names) if names is not None else [f"x{j + 1}" for j in range(covariates.shape[1])]
        frame = pl.DataFrame(covariates, schema=labels).with_columns(
            stratum=pl.Series([str(one) for one in strata] if strata is not None else [""] * end.size),
            entry=pl.Series(np.broadcast_to(np.asarray(entry, dtype=np.int64), end.shape)),
            exit=pl.Series(end),
            failed=pl.Series(np.asarray(failed).astype(np.int64)),
        )
        return Spells(frame, labels)

    def fit(self, ties: Ties = "efron") -> CoxFit:
        """Cox regression of their counts."""
        keys = ["stratum", *self.names]
        zero, one = pl.lit(0, pl.Int64), pl.lit(1, pl.Int64)
        enters = self.frame.select(*keys, hours="entry", entering=one, failed=zero, leaving=zero)
        leaves = self.frame.select(*keys, hours="exit", entering=zero, failed="failed", leaving=one)
        counted = pl.concat((enters, leaves)).group_by(*keys, "hours").sum().sort(*keys, "hours")
        return fit_cox_cells(CoxCells.from_frame(counted, self.names, strata=["stratum"]), ties=ties)

    def score_sums(self, fit: CoxFit, cluster: Any) -> np.ndarray:
        """What the spells of each cluster add to the score of a fit, shape (clusters, p)."""
        cells = fit.likelihood.cells
        of_cell = pl.DataFrame(cells.x, schema=self.names).with_columns(
            stratum=pl.Series([str(cells.strata[k][0]) for k in cells.stratum]), cell=pl.int_range(pl.len())
        )
        keys = ["stratum", *self.names]
        placed = self.frame.join(of_cell, on=keys, how="left", maintain_order="left")
        row = {pair: i for i, pair in enumerate(zip(cells.cell.tolist(), cells.hours.tolist(), strict=True))}
        begin, end = ([row[pair] for pair in placed.select("cell", age).rows()] for age in ("entry", "exit"))
        leave, fail = fit.residual_steps()
        residuals = leave[end] - leave[begin] + fail[end] * placed["failed"].to_numpy()[:, None]
        _, of_cluster = np.unique(np.asarray(cluster), return_inverse=True)
        sums = np.zeros((of_cluster.max() + 1, residuals.shape[1]))
        np.add.at(sums, of_cluster, residuals)
        return sums

    def robust(self, fit: CoxFit, cluster: Any) -> CoxFit:
        """A fit of theirs with its variance robust to clusters."""
        return fit.robust(self.score_sums(fit, cluster))


def fit_spells(exit: Any, failed: Any, x: Any, *, ties: Ties = "efron", **options: Any) -> CoxFit:
    """Cox regression of single spells, ages in ticks."""
    return Spells.of(exit, failed, x, **options).fit(ties)
