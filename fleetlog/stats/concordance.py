"""How well do ratios order failures? The concordance of a risk score with the ages at which lives end.

Sources: Harrell et al. 1982; Therneau & Watson 2015, The concordance statistic and the Cox model (counts at each
failure age, which late entry and strata fit into, and the infinitesimal jackknife by machine).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from fleetlog.stats.arrays import Floats, Ints, normal_quantile
from fleetlog.stats.cox_cells import CoxCells
from fleetlog.stats.errors import BadArgument

# A failure counts at its own age; who comes or goes at an age counts from the next one on.
_SIDES: tuple[Literal["left"], Literal["right"]] = ("left", "right")


@dataclass(frozen=True)
class Concordance:
    """Share of pairs in which the part of the higher score failed first, ties counting half; 0.5: no order at all.

    Attributes:
        c: the share.
        std_error: its standard error, from machine to machine.
        lower: lower normal limit, at least 0.
        upper: upper normal limit, at most 1.
    """

    c: float
    std_error: float
    lower: float
    upper: float


@dataclass(frozen=True, eq=False)
class PairCounts:
    """Pairs of a failure and a part of its stratum that was at risk then and went on.

    Attributes:
        concordant: pairs in which the one that failed had the higher score.
        discordant: pairs the other way round.
        tied: pairs with equal scores.
        failures: all failures.
        leave, fail: what a spell adds to the sum that the error is made of, by row of the cells, shape (rows,):
            `leave` at the age at which it leaves, less `leave` at that at which it entered, and `fail` at the former if
            it fails.

    Examples:
        Three pairs in order and one the other way round.

        >>> PairCounts(3.0, 1.0, 0.0, 2.0, np.zeros(0), np.zeros(0)).c
        0.75
    """

    concordant: float
    discordant: float
    tied: float
    failures: float
    leave: Floats
    fail: Floats

    @property
    def c(self) -> float:
        """Share of pairs in the right order."""
        pairs = self.concordant + self.discordant + self.tied
        return (self.concordant + 0.5 * self.tied) / pairs

    def by_machine(self, sums: Floats, *, level: float = 0.95) -> Concordance:
        """The concordance with its error.

        Args:
            sums: what the spells of each machine add, shape (machines,).
            level: confidence level.

        Raises:
            BadArgument: for a level outside 0 to 1.

        Examples:
            Two machines that add 0.1 and -0.1 to the sum over two failures.

            >>> counts = PairCounts(3.0, 1.0, 0.0, 2.0, np.zeros(0), np.zeros(0))
            >>> found = counts.by_machine(np.array([0.1, -0.1]))
            >>> found.c, round(found.std_error, 4), round(found.upper, 4)
            (0.75, 0.0707, 0.8886)
        """
        error = float(np.sqrt((sums**2).sum())) / self.failures
        half = normal_quantile(level) * error
        return Concordance(self.c, error, max(self.c - half, 0.0), min(self.c + half, 1.0))


def pair_counts(cells: CoxCells, score: Floats) -> PairCounts:
    """Compare each failure with all that were at risk in its stratum and did not fail at that age.

    Args:
        cells: spells by cell and age.
        score: of each cell, shape (cells,); higher means earlier failure.

    Raises:
        BadArgument: if no failure was outlived.

    Examples:
        Of three parts those of score 2 and 1 fail at 1 and 3 h, one of score 1 runs on: two pairs in order, one tied.

        >>> import polars as pl
        >>> names = ["kind", "hours", "entering", "failed", "leaving"]
        >>> rows = [(2, 0, 1, 0, 0), (1, 0, 2, 0, 0), (2, 10, 0, 1, 1), (1, 30, 0, 1, 1), (1, 40, 0, 0, 1)]
        >>> cells = CoxCells.from_frame(pl.DataFrame(rows, names, orient="row"), ["kind"])
        >>> counts = pair_counts(cells, cells.x[:, 0])
        >>> counts.concordant, counts.discordant, counts.tied
        (2.0, 0.0, 1.0)
    """
    leave, fail = np.zeros((2, cells.cell.size))
    totals = np.zeros(4)
    steps = []
    for stratum in range(len(cells.strata)):
        rows = np.flatnonzero(cells.stratum[cells.cell] == stratum)
        ages = np.unique(cells.hours[rows][cells.failed[rows] > 0])
        if not ages.size:
            continue
        # scores in their order; cells of one score are as one
        of_cell = np.searchsorted(levels := np.unique(score[cells.stratum == stratum]), score)
        level = of_cell[cells.cell[rows]]
        size = (levels.size, ages.size + 1)
        own, after = (np.searchsorted(ages, cells.hours[rows], side=side) for side in _SIDES)
        died = _summed(level, own, cells.failed[rows], size)
        came, went = (_summed(level, after, weight[rows], size) for weight in (cells.entering, cells.leaving))
        on = np.cumsum(came - went, axis=1)[:, : ages.size] - died[:, : ages.size]
        died = died[:, : ages.size]
        below, above = np.cumsum(on, axis=0) - on, np.cumsum(died[::-1], axis=0)[::-1] - died
        totals += (
            (died * below).sum(),
            (died * (on.sum(axis=0) - below - on)).sum(),
            (died * on).sum(),
            died.sum(),
        )
        steps.append((rows, level, ages, died, on, below, above))
    concordant, discordant, tied, failures = totals.tolist()
    pairs = concordant + discordant + tied
    if pairs <= 0:
        raise BadArgument("no two units can be compared: no failure was outlived by another unit")
    c, each = (concordant + 0.5 * tied) / pairs, pairs / failures
    for rows, level, ages, died, on, below, above in steps:
        watched = (above + 0.5 * died - c * died.sum(axis=0)) / each
        failing = (below + 0.5 * on - c * on.sum(axis=0)) / each
        running = np.concatenate((np.zeros((len(watched), 1)), np.cumsum(watched, axis=1)), axis=1)
        reached = np.searchsorted(ages, cells.hours[rows], side="right")
        leave[rows] = running[level, reached]
        at = np.maximum(reached - 1, 0)
        died_then = (reached > 0) & (ages[at] == cells.hours[rows])
        fail[rows] = np.where(died_then, failing[level, at] - watched[level, at], 0.0)
    return PairCounts(concordant, discordant, tied, failures, leave, fail)


def _summed(level: Ints, place: Ints, weight: Floats, size: tuple[int, int]) -> Floats:
    """Weight by level and place among the failure ages, shape `size`."""
    flat = np.bincount(level * size[1] + place, weights=weight, minlength=size[0] * size[1])
    return np.asarray(flat, dtype=np.float64).reshape(size)
