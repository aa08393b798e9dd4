"""Do groups differ? Log-rank tests on risk tables, and corrections for looking more than once.

Sources: Mantel 1966; Peto & Peto 1972; Gehan 1965; Tarone & Ware 1977; Andersen, Borgan, Gill & Keiding 1993
(weighted tests, delayed entry); Klein & Moeschberger 2003, chapter 7; Tarone 1975 (trend); Holm 1979.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
import numpy.typing as npt

from fleetlog.stats.arrays import Floats, one_of
from fleetlog.stats.errors import BadArgument, LengthMismatch
from fleetlog.stats.laws import chi2_above
from fleetlog.stats.risk_table import RiskTable

Weights = Literal["log-rank", "gehan", "tarone-ware", "peto-peto", "modified-peto"]
WEIGHTS = ("log-rank", "gehan", "tarone-ware", "peto-peto", "modified-peto")


@dataclass(frozen=True, eq=False)
class LogRank:
    """A (weighted, stratified) log-rank test.

    Attributes:
        groups: the groups, in the order of the arrays.
        chi2: the test statistic.
        df: its degrees of freedom.
        p: chance of a statistic as large if the groups do not differ; 1 where nothing can be compared.
        observed: weighted failures, shape (groups,).
        expected: weighted failures expected if the groups do not differ, shape (groups,).
        variance: covariance of observed - expected, shape (groups, groups).
        weights: which test.
        note: what a reader must be told, or None.
    """

    groups: tuple[Hashable, ...]
    chi2: float
    df: int
    p: float
    observed: Floats
    expected: Floats
    variance: Floats
    weights: Weights
    note: str | None

    def alone(self, group: int) -> float:
        """The p value of one group against all others together, by the same weights.

        Args:
            group: its place among the groups.

        Examples:
            Of three groups, two of which are alike: neither differs from the others together as much as the third does.

            >>> ends = [[50, 60, 70], [55, 65, 75], [10, 20, 30]]
            >>> found = log_rank([RiskTable.from_spells(0, group, [1, 1, 1]) for group in ends])
            >>> found.alone(2) < 0.05 < min(found.alone(0), found.alone(1))
            True
        """
        spread = float(self.variance[group, group])
        gap = float(self.observed[group] - self.expected[group])
        return chi2_above(gap**2 / spread, 1) if spread > 0 else 1.0

    def trend(self, scores: npt.ArrayLike) -> TrendOfGroups:
        """The test that groups in an order do not fail ever more, or ever less, along it (1 degree of freedom).

        With scores a, the statistic is sum a (observed - expected) over the root of a' V a. It is the stronger test
        where there is such an order; a difference that goes up and down along it does not count.

        Args:
            scores: a number for each group, in the order of `groups`.

        Source: Tarone 1975; Klein & Moeschberger 2003, section 7.4.

        Examples:
            >>> young = RiskTable.from_spells(0, [50, 60, 70, 80], [1, 0, 0, 0])
            >>> old = RiskTable.from_spells(0, [20, 30, 40, 80], [1, 1, 1, 0])
            >>> round(log_rank([young, old]).trend([1, 2]).z, 2)
            1.64

        Raises:
            LengthMismatch: if there is not one score a group.
        """
        a = np.asarray(scores, dtype=np.float64)
        if a.shape != self.observed.shape:
            raise LengthMismatch(f"{len(self.groups)} groups need as many scores, not {a.size}")
        variance = float(a @ self.variance @ a)
        z = float(a @ (self.observed - self.expected)) / np.sqrt(variance) if variance > 0 else 0.0
        return TrendOfGroups(float(z), chi2_above(float(z) ** 2, 1) if variance > 0 else 1.0)


class TrendOfGroups(NamedTuple):
    """A log-rank test for trend over groups that have an order.

    Attributes:
        z: positive where groups with higher scores fail more.
        p: two-sided; 1 where nothing can be compared.
    """

    z: float
    p: float


def log_rank(
    tables: Sequence[RiskTable],
    *,
    groups: Sequence[Hashable] | None = None,
    strata: Sequence[Hashable] | None = None,
    weights: Weights = "log-rank",
) -> LogRank:
    """Compare the failure rates of several groups over all ages at which they can be compared.

    Late entry is respected: a group counts at an age only with the units at risk there. Ties get the
    hypergeometric variance.

    Args:
        tables: risk tables, one a group, or one a group and stratum.
        groups: which group each table belongs to; by default every table is a group of its own.
        strata: which stratum each table belongs to; groups are compared within strata only.
        weights: "log-rank" (1), "gehan" (Y), "tarone-ware" (square root of Y), "peto-peto" (S~ = product of
            1 - d/(Y+1)) or "modified-peto" (S~ Y/(Y+1)).

    Examples:
        Two groups of which one fails at 1 and 2 h, the other at 3 and 4 h.

        >>> tables = [RiskTable.from_spells(0, ends, [1, 1]) for ends in ([10, 20], [30, 40])]
        >>> found = log_rank(tables)
        >>> found.observed.tolist(), found.expected.round(3).tolist()
        ([2.0, 2.0], [0.833, 3.167])

    Raises:
        LengthMismatch: for fewer than two groups, or labels that are not as many as the tables.
        BadArgument: for weights of another name, or groups whose ages have different units.

    Source: Mantel 1966; the other sources of this module for the other weights.
    """
    labels, strata_of = _checked(tables, groups, strata)
    names = tuple(dict.fromkeys(labels))
    k = len(names)
    observed, expected, variance = np.zeros(k), np.zeros(k), np.zeros((k, k))
    for stratum in dict.fromkeys(strata_of):
        members: list[list[RiskTable]] = [[] for _ in names]
        for table, label, s in zip(tables, labels, strata_of, strict=True):
            if s == stratum:
                members[names.index(label)].append(table)
        o, e, v = _one_stratum(members, weights)
        observed, expected, variance = observed + o, expected + e, variance + v
    chi2, df = quadratic_form(observed - expected, variance)
    p = chi2_above(chi2, df) if df else 1.0
    note = None if df else "the groups are never at risk at the same ages, so they cannot be compared"
    return LogRank(names, chi2, df, p, observed, expected, variance, weights, note)


def _checked(
    tables: Sequence[RiskTable], groups: Sequence[Hashable] | None, strata: Sequence[Hashable] | None
) -> tuple[list[Hashable], list[Hashable]]:
    n = len(tables)
    labels: list[Hashable] = list(range(n)) if groups is None else list(groups)
    strata_of: list[Hashable] = [None] * n if strata is None else list(strata)
    if len(labels) != n or len(strata_of) != n:
        raise LengthMismatch(
            f"{n} risk tables need as many group and stratum labels, not {len(labels)} and {len(strata_of)}"
        )
    if len(set(labels)) < 2:
        raise LengthMismatch("a comparison needs at least two groups")
    if len({table.per_hour for table in tables}) > 1:
        raise BadArgument("the groups count their ages in different units; make them alike before comparing")
    return labels, strata_of


def _one_stratum(members: list[list[RiskTable]], weights: Weights) -> tuple[Floats, Floats, Floats]:
    """Weighted observed and expected failures and their covariance within one stratum."""
    ages = np.unique(np.concatenate([t.hours[t.failed > 0] for group in members for t in group]))
    y = np.array(
        [sum(t.at_risk_at(ages / t.per_hour) for t in group) + np.zeros(ages.size) for group in members]
    )
    d = np.array([sum(_failed(t, ages) for t in group) + np.zeros(ages.size) for group in members])
    y_all, d_all = y.sum(axis=0), d.sum(axis=0)
    w = age_weights(y_all, d_all, weights)
    share = y / y_all
    observed, expected = (w * d).sum(axis=1), (w * share * d_all).sum(axis=1)
    # hypergeometric: one unit alone at risk tells nothing
    comparable = np.where(y_all > 1, (y_all - d_all) / np.where(y_all > 1, y_all - 1, 1.0), 0.0)
    c = w**2 * d_all * comparable
    variance = np.diag((c * share).sum(axis=1)) - (c * share) @ share.T
    return observed, expected, variance


def age_weights(at_risk: Floats, failed: Floats, weights: Weights) -> Floats:
    """The weight of each failure age, from all groups of a stratum together.

    Args:
        at_risk, failed: of all groups together, shape (ages,).
        weights: which test, as for `log_rank`.

    Returns:
        Weights, shape (ages,).

    Raises:
        BadArgument: for weights of another name.

    Source: Gehan 1965; Tarone & Ware 1977; Peto & Peto 1972.

    Examples:
        One of four fails, then one of three.

        >>> y, d = np.array([4.0, 3.0]), np.array([1.0, 1.0])
        >>> age_weights(y, d, "gehan").tolist(), age_weights(y, d, "peto-peto").round(4).tolist()
        ([4.0, 3.0], [0.8, 0.6])
    """
    one_of("weights", weights, WEIGHTS)
    if weights == "log-rank":
        return np.ones(at_risk.size)
    if weights == "gehan":
        return at_risk
    if weights == "tarone-ware":
        return np.sqrt(at_risk)
    peto = np.cumprod(1.0 - failed / (at_risk + 1.0), dtype=np.float64)
    return peto if weights == "peto-peto" else peto * (at_risk / (at_risk + 1.0))


def quadratic_form(u: Floats, variance: Floats) -> tuple[float, int]:
    """u' V^- u and the rank of V, for a covariance that may be singular (groups' differences sum to zero).

    Examples:
        >>> quadratic_form(np.array([2.0]), np.array([[4.0]]))
        (1.0, 1)
    """
    scale = np.sqrt(np.maximum(np.diag(variance), 0.0))
    live = scale > 0
    if not live.any():
        return 0.0, 0
    correlation = variance[np.ix_(live, live)] / np.outer(scale[live], scale[live])
    values, vectors = np.linalg.eigh(correlation)
    good = values > 1e-10 * values.max()
    projected = vectors.T @ (u[live] / scale[live])
    return float((projected[good] ** 2 / values[good]).sum()), int(good.sum())


def _failed(table: RiskTable, ages: npt.NDArray[np.int64]) -> Floats:
    result = np.zeros(ages.size)
    rows = table.failed > 0
    result[np.searchsorted(ages, table.hours[rows])] = table.failed[rows]
    return result


def holm(p: npt.ArrayLike) -> Floats:
    """Holm's step-down p values: the chance of any false alarm among all tests stays below what they say.

    Examples:
        >>> holm([0.01, 0.04]).tolist()
        [0.02, 0.04]

    Args:
        p: p values, shape (n,).

    Returns:
        Corrected ones, in the order given, shape (n,).

    Raises:
        BadArgument: for p values outside 0 to 1.

    Source: Holm 1979.
    """
    values = np.atleast_1d(np.asarray(p, dtype=np.float64))
    if values.ndim != 1 or not ((values >= 0) & (values <= 1)).all():
        raise BadArgument("p values are a list of numbers between 0 and 1")
    order = np.argsort(values, kind="stable")
    stepped = np.maximum.accumulate(values[order] * (values.size - np.arange(values.size)))
    return np.minimum(stepped, 1.0)[np.argsort(order, kind="stable")]
