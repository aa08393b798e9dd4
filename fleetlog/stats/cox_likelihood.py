"""The partial likelihood of collapsed counts, with the sums that everything in a Cox model is made of.

At a failure age with risk scores r = exp(x'b), let S0, S1 be the sums of r and r x over those at risk and
D0, D1 over those that fail there. Efron's method takes tied failures out of the risk set one by one on
average: the l-th of d ties faces S0 - (l/d) D0. Breslow's leaves them in. Gradient, information,
residuals and baseline all follow from

    a0 = sum of 1/c,  a1 = sum of f/c,  b0 = sum of 1/c^2,  b1 = sum of f/c^2,  b2 = sum of f^2/c^2,

over l, with f = l/d and c = S0 - f D0, so ties cost five numbers an age and no more.

Source: Cox 1972; Breslow 1974; Efron 1977; Therneau & Grambsch 2000, chapter 3.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np
from scipy import sparse

from fleetlog.stats.arrays import (
    Floats,
    Ints,
    binned,
    distinct_ticks,
    dot,
    short_blocks,
    tick_positions,
    weighed,
)
from fleetlog.stats.cox_cells import CoxCells

#: Up to this many entries the at-risk counts are kept as a matrix of ages by cells.
_DENSE = 40_000_000


@dataclass(frozen=True, eq=False)
class Stratum:
    """The risk sets of one stratum at its failure ages.

    Attributes:
        label: position of the stratum.
        cells: cells of the stratum, indices into the design.
        ages: failure ages in ticks, shape (t,).
        deaths: failures at each, shape (t,).
        failed: failures, ages by cells, sparse.
        at_risk: numbers at risk, ages by cells; None where that would be too large a matrix.
        flow: otherwise leaving - entering, sorted by age, as (first age index not before it, cell, number).
    """

    label: int
    cells: Ints
    ages: Ints
    deaths: Floats
    failed: sparse.csr_array
    at_risk: Floats | None
    flow: tuple[Ints, Ints, Floats] | None

    @cached_property
    def ties(self) -> tuple[Ints, Ints, Ints]:
        """One element a failure, by age: where each age begins, the age's position, and which of its ties."""
        number = np.rint(self.deaths).astype(np.int64)
        starts = np.cumsum(number) - number
        row = np.repeat(np.arange(number.size), number)
        return starts, row, np.arange(row.size) - starts[row]

    @cached_property
    def failed_by_cell(self) -> Floats:
        """Failures of each cell, at all ages together, shape (cells,)."""
        return np.asarray(self.failed.sum(axis=0), dtype=np.float64)

    def risk_sums(self, values: Floats) -> Floats:
        """Sum over those at risk at each failure age of a value by cell, shape (t, k).

        Args:
            values: by cell, shape (cells, k).

        Examples:
            Of three parts from new one fails at 1, 2 and 3 h each: at risk are three, two and one.

            >>> import polars as pl
            >>> names = ["hours", "entering", "failed", "leaving"]
            >>> rows = [(0, 3, 0, 0), (10, 0, 1, 1), (20, 0, 1, 1), (30, 0, 1, 1)]
            >>> frame = pl.DataFrame(rows, names, orient="row")
            >>> (stratum,) = PartialLikelihood(CoxCells.from_frame(frame, []), efron=True).strata
            >>> stratum.risk_sums(np.ones((1, 1))).tolist()
            [[3.0], [2.0], [1.0]]
        """
        if self.at_risk is not None:
            result = np.empty((self.ages.size, values.shape[1]))
            for block in short_blocks(self.ages.size, values.size):
                np.matmul(self.at_risk[block], values, out=result[block])
            return result
        assert self.flow is not None
        reach, cell, net = self.flow
        # summed from the oldest down, so that the thin risk sets at high ages lose nothing to rounding
        total = np.zeros((self.ages.size + 1, values.shape[1]))
        for j in range(values.shape[1]):
            total[:, j] = binned(reach, net * values[cell, j], self.ages.size + 1)
        return np.cumsum(total[:0:-1], axis=0)[::-1]

    def at_risk_totals(self, by_age: Floats) -> Floats:
        """Number at risk of each cell times a value by age, summed over failure ages, shape (cells,).

        Args:
            by_age: at each failure age, shape (t,).

        Examples:
            Three, two and one at risk, weighed by 1, 10 and 100.

            >>> import polars as pl
            >>> names = ["hours", "entering", "failed", "leaving"]
            >>> rows = [(0, 3, 0, 0), (10, 0, 1, 1), (20, 0, 1, 1), (30, 0, 1, 1)]
            >>> frame = pl.DataFrame(rows, names, orient="row")
            >>> (stratum,) = PartialLikelihood(CoxCells.from_frame(frame, []), efron=True).strata
            >>> stratum.at_risk_totals(np.array([1.0, 10.0, 100.0])).tolist()
            [123.0]
        """
        if self.at_risk is not None:
            return weighed(by_age, self.at_risk)
        assert self.flow is not None
        reach, cell, net = self.flow
        upto = np.concatenate(([0.0], np.cumsum(by_age)))
        return binned(cell, net * upto[reach], self.cells.size)


class AgeSums(NamedTuple):
    """The sums named above at every failure age of one stratum."""

    s1: Floats
    d1: Floats
    a0: Floats
    a1: Floats
    b0: Floats
    b1: Floats
    b2: Floats
    log_terms: Floats


@dataclass(frozen=True, eq=False)
class PartialLikelihood:
    """The partial likelihood of a set of cells.

    Attributes:
        cells: the counts.
        efron: Efron's method for ties, else Breslow's.
    """

    cells: CoxCells
    efron: bool

    @cached_property
    def centre(self) -> Floats:
        """Weighted mean of the covariates; taking it off keeps exp(x'b) in range."""
        weight = binned(self.cells.cell, self.cells.leaving, self.cells.x.shape[0])
        return weighed(weight, self.cells.x) / max(float(weight.sum()), 1e-300)

    @cached_property
    def x(self) -> Floats:
        """Covariates less their mean."""
        return self.cells.x - self.centre

    @cached_property
    def strata(self) -> list[Stratum]:
        """Risk sets by stratum; strata without failures say nothing and are left out."""
        of_row = self.cells.stratum[self.cells.cell]
        if len(self.cells.strata) == 1:
            groups = [(0, np.arange(of_row.size))]
        else:
            order = np.argsort(of_row, kind="stable")
            bounds = np.searchsorted(of_row[order], np.arange(len(self.cells.strata) + 1))
            groups = [(k, order[bounds[k] : bounds[k + 1]]) for k in range(len(self.cells.strata))]
        return [_stratum(self.cells, k, rows) for k, rows in groups if (self.cells.failed[rows] > 0).any()]

    def sums(self, stratum: Stratum, beta: Floats) -> AgeSums:
        """The sums at every failure age."""
        x = self.x[stratum.cells]
        r = np.exp(x @ beta)
        loaded = np.column_stack((r, r[:, None] * x))
        s, d = stratum.risk_sums(loaded), stratum.failed @ loaded
        s0, d0 = s[:, 0], d[:, 0]
        if not self.efron:
            nothing = np.zeros_like(s0)
            a0, b0, logs = stratum.deaths / s0, stratum.deaths / s0**2, stratum.deaths * np.log(s0)
            return AgeSums(s[:, 1:], d[:, 1:], a0, nothing, b0, nothing, nothing, logs)
        return AgeSums(s[:, 1:], d[:, 1:], *_efron_sums(stratum, s0, d0))

    def failed_x(self, stratum: Stratum) -> Floats:
        """Sum of covariates over the failures at each age, shape (t, p).

        Args:
            stratum: one of `strata`.

        Examples:
            Parts of kind 1, 0 and 1 fail; kinds are counted from their mean, 2/3.

            >>> import polars as pl
            >>> names = ["kind", "hours", "entering", "failed", "leaving"]
            >>> rows = [(1, 0, 2, 0, 0), (0, 0, 1, 0, 0), (1, 10, 0, 1, 1), (0, 20, 0, 1, 1), (1, 30, 0, 1, 1)]
            >>> cells = CoxCells.from_frame(pl.DataFrame(rows, names, orient="row"), ["kind"])
            >>> likelihood = PartialLikelihood(cells, efron=True)
            >>> likelihood.failed_x(likelihood.strata[0]).round(4).ravel().tolist()
            [0.3333, -0.6667, 0.3333]
        """
        result: Floats = stratum.failed @ self.x[stratum.cells]
        return result

    def derivatives(self, beta: Floats) -> tuple[float, Floats, Floats]:
        """Log partial likelihood, score and information; far out, where no double holds them, they are not finite.

        Args:
            beta: coefficients, shape (p,).

        Returns:
            The logarithm, its gradient, shape (p,), and minus its Hessian, shape (p, p).

        Examples:
            Three parts fail one after the other. Where all have one hazard, the order that came has the chance 1 / 6.

            >>> import math
            >>> import polars as pl
            >>> names = ["kind", "hours", "entering", "failed", "leaving"]
            >>> rows = [(1, 0, 2, 0, 0), (0, 0, 1, 0, 0), (1, 10, 0, 1, 1), (0, 20, 0, 1, 1), (1, 30, 0, 1, 1)]
            >>> cells = CoxCells.from_frame(pl.DataFrame(rows, names, orient="row"), ["kind"])
            >>> round(PartialLikelihood(cells, efron=True).derivatives(np.zeros(1))[0], 6), round(math.log(1 / 6), 6)
            (-1.791759, -1.791759)
        """
        with np.errstate(over="ignore", divide="ignore", invalid="ignore"):
            return self._derivatives(beta)

    def _derivatives(self, beta: Floats) -> tuple[float, Floats, Floats]:
        p = beta.size
        value, score, information = 0.0, np.zeros(p), np.zeros((p, p))
        for stratum in self.strata:
            x, sums = self.x[stratum.cells], self.sums(stratum, beta)
            value += dot(stratum.failed_by_cell, x @ beta) - float(sums.log_terms.sum())
            # expected failures by cell, not by age: the score needs no matrix of ages by covariates
            expected = np.exp(x @ beta) * _hazard_faced(stratum, sums.a0, sums.a1)
            score += weighed(stratum.failed_by_cell - expected, x)
            information += (x * expected[:, None]).T @ x - _outer_means(sums, sums.b0, sums.b1, sums.b2)
        return value, score, information

    def information(self, stratum: Stratum, beta: Floats, sums: AgeSums, by_age: Floats) -> Floats:
        """Sum over failure ages of the information there times a factor by age, shape (p, p).

        Args:
            stratum: one of `strata`.
            beta: coefficients, shape (p,).
            sums: of the stratum at these coefficients.
            by_age: the factor at each failure age, shape (t,).

        Source: Grambsch & Therneau 1994.

        Examples:
            Of those at risk 2 of 3, 1 of 2 and 1 of 1 are of kind 1; where all have one hazard, the information at each
            age is the variance of their kind: 2/9, 1/4 and 0.

            >>> import polars as pl
            >>> names = ["kind", "hours", "entering", "failed", "leaving"]
            >>> rows = [(1, 0, 2, 0, 0), (0, 0, 1, 0, 0), (1, 10, 0, 1, 1), (0, 20, 0, 1, 1), (1, 30, 0, 1, 1)]
            >>> cells = CoxCells.from_frame(pl.DataFrame(rows, names, orient="row"), ["kind"])
            >>> likelihood = PartialLikelihood(cells, efron=True)
            >>> stratum, beta = likelihood.strata[0], np.zeros(1)
            >>> sums = likelihood.sums(stratum, beta)
            >>> found = [likelihood.information(stratum, beta, sums, age).item() for age in np.eye(3)]
            >>> [abs(round(value, 4)) for value in found]
            [0.2222, 0.25, 0.0]
        """
        x = self.x[stratum.cells]
        expected = np.exp(x @ beta) * _hazard_faced(stratum, by_age * sums.a0, by_age * sums.a1)
        means = _outer_means(sums, by_age * sums.b0, by_age * sums.b1, by_age * sums.b2)
        result: Floats = (x * expected[:, None]).T @ x - means
        return result


def _hazard_faced(stratum: Stratum, a0: Floats, a1: Floats) -> Floats:
    """Hazard summed over those at risk of each cell, less what tied failures are spared, shape (cells,)."""
    result: Floats = stratum.at_risk_totals(a0) - a1 @ stratum.failed
    return result


def _outer_means(sums: AgeSums, b0: Floats, b1: Floats, b2: Floats) -> Floats:
    """Sum over failure ages of the outer product of mean covariates with themselves, shape (p, p)."""
    p = sums.s1.shape[1]
    total = np.zeros((p, p))
    for block in short_blocks(b0.size, p * p):
        s1, d1 = sums.s1[block], sums.d1[block]
        mixed = (s1 * b1[block, None]).T @ d1
        total += (s1 * b0[block, None]).T @ s1 - mixed - mixed.T + (d1 * b2[block, None]).T @ d1
    return total


def _efron_sums(stratum: Stratum, s0: Floats, d0: Floats) -> tuple[Floats, ...]:
    """a0, a1, b0, b1, b2 and the sum of logs, at every failure age."""
    starts, row, tie = stratum.ties
    f = tie / stratum.deaths[row]
    c = s0[row] - tie * (d0 / stratum.deaths)[row]
    inverse = 1.0 / c
    square = inverse / c
    terms = (inverse, f * inverse, square, f * square, f * f * square, np.log(c))
    return tuple(np.add.reduceat(values, starts) for values in terms)


def expected_x(sums: AgeSums) -> Floats:
    """Expected covariates of those that fail at each age, times how many fail, shape (t, p).

    Args:
        sums: of one stratum.

    Source: Therneau & Grambsch 2000, chapter 4 (Schoenfeld residuals are what failed less this).

    Examples:
        Parts of kind 1, 0 and 1 fail one after the other; where all have one hazard, the mean kind of those at risk is
        2/3, 1/2 and 1. Kinds are counted from their mean, 2/3.

        >>> import polars as pl
        >>> names = ["kind", "hours", "entering", "failed", "leaving"]
        >>> rows = [(1, 0, 2, 0, 0), (0, 0, 1, 0, 0), (1, 10, 0, 1, 1), (0, 20, 0, 1, 1), (1, 30, 0, 1, 1)]
        >>> cells = CoxCells.from_frame(pl.DataFrame(rows, names, orient="row"), ["kind"])
        >>> likelihood = PartialLikelihood(cells, efron=True)
        >>> (expected_x(likelihood.sums(likelihood.strata[0], np.zeros(1))) + 2 / 3).round(4).ravel().tolist()
        [0.6667, 0.5, 1.0]
    """
    return sums.a0[:, None] * sums.s1 - sums.a1[:, None] * sums.d1


def _stratum(cells: CoxCells, label: int, rows: Ints) -> Stratum:
    used = distinct_ticks(cells.cell[rows])
    cell = tick_positions(used, cells.cell[rows], inclusive=True) - 1
    hours, failed = cells.hours[rows], cells.failed[rows]
    died = failed > 0
    ages = distinct_ticks(hours[died])
    # at risk at a failure age: all that leave there or later, less all that enter there or later
    reach = tick_positions(ages, hours, inclusive=True)
    at = reach[died] - 1
    size = (ages.size, used.size)
    deaths = binned(at, failed[died], ages.size)
    failures = sparse.csr_array((failed[died], (at, cell[died])), shape=size)
    net = cells.leaving[rows] - cells.entering[rows]
    if size[0] * size[1] <= _DENSE:
        flow = binned(reach * used.size + cell, net, (ages.size + 1) * used.size)
        flow = flow.reshape(ages.size + 1, used.size)
        at_risk = np.cumsum(flow[:0:-1], axis=0)[::-1]
        return Stratum(label, used, ages, deaths, failures, np.ascontiguousarray(at_risk), None)
    kept = net != 0
    return Stratum(label, used, ages, deaths, failures, None, (reach[kept], cell[kept], net[kept]))
