"""Do groups differ in how often one of several competing causes strikes? Gray's test.

The log-rank test of one cause compares its hazards; this one compares its cumulative incidences, which
also depend on how many are left by the other causes.

Source: Gray 1988.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fleetlog.stats.arrays import Floats
from fleetlog.stats.errors import LengthMismatch
from fleetlog.stats.laws import chi2_above
from fleetlog.stats.log_rank import quadratic_form
from fleetlog.stats.risk_table import CausesTable


@dataclass(frozen=True, eq=False)
class IncidenceComparison:
    """A test that groups have the same cumulative incidence of a cause.

    Attributes:
        cause: the cause compared.
        chi2: the statistic.
        df: its degrees of freedom.
        p: its p value.
        scores: weighted failures less those expected, shape (groups,).
        variance: their covariance, shape (groups, groups).
    """

    cause: str
    chi2: float
    df: int
    p: float
    scores: Floats
    variance: Floats


def compare_incidence(tables: Sequence[CausesTable], cause: str) -> IncidenceComparison:
    """Gray's test of equal cumulative incidence.

    Args:
        tables: one table a group, all with the same causes.
        cause: the cause to compare.

    Raises:
        LengthMismatch: for fewer than two groups, or a cause that one of them has not.

    Source: Gray 1988.

    Examples:
        All eight parts of two groups fail one an hour, by one of two causes: of the first group three by wear, of the
        second one. With nobody censored, what failed by the other cause stays in the comparison: at the four wear
        failures 4 of 8, 3 of 7, 2 of 6 and 2 of 5 parts are of the first group, so its score is 3 less the sum of
        these.

        >>> def group(hours, wear):
        ...     ticks = np.array([0, *hours])
        ...     failed = np.array([(0, 0), *((one, 1 - one) for one in wear)])
        ...     entering, leaving = np.array([4, 0, 0, 0, 0]), np.array([0, 1, 1, 1, 1])
        ...     return CausesTable(ticks, entering, failed, leaving, ("wear", "other"))
        >>> pair = [group([10, 30, 50, 70], [1, 1, 0, 1]), group([20, 40, 60, 80], [0, 1, 0, 0])]
        >>> compare_incidence(pair, "wear").scores.round(3).tolist()
        [1.338, -1.338]
    """
    if len(tables) < 2:
        raise LengthMismatch("a comparison needs at least two groups")
    if any(cause not in table.causes for table in tables):
        raise LengthMismatch(f"not every group's table has the cause {cause!r}")
    ages = np.unique(np.concatenate([t.hours[t.failed.sum(axis=1) > 0] for t in tables]))
    y = np.array([t.any_cause().at_risk_at(ages / t.per_hour) for t in tables], dtype=np.float64)
    own, every = np.zeros_like(y), np.zeros_like(y)
    for k, table in enumerate(tables):
        rows = table.failed.sum(axis=1) > 0
        at = np.searchsorted(ages, table.hours[rows])
        own[k, at] = table.failed[rows, table.causes.index(cause)]
        every[k, at] = table.failed[rows].sum(axis=1)
    scores, variance = _gray(y, own, every - own)
    chi2, df = quadratic_form(scores, variance)
    return IncidenceComparison(cause, chi2, df, chi2_above(chi2, df) if df else 1.0, scores, variance)


def _gray(y: Floats, own: Floats, other: Floats) -> tuple[Floats, Floats]:
    """Scores and covariance; arrays of groups by ages.

    With h = Y / S(t-) of each group and the pooled incidence F (steps sum(own) / sum(h)), a failure by
    the cause in group r at age u moves score k by a + (1 - (1 - F)/S) (c(end) - c(u)) over h, one by
    another cause by -(1 - F)/S (c(end) - c(u)) over h, where a = (1{k=r} - h_k / sum(h)) h_r and c sums a
    dF / (1 - F).
    """
    at_risk = y > 0
    safe = np.where(at_risk, y, 1.0)
    after = np.cumprod(np.where(at_risk, 1.0 - (own + other) / safe, 1.0), axis=1)
    before = np.concatenate((np.ones((y.shape[0], 1)), after[:, :-1]), axis=1)
    incidence = np.cumsum(np.where(at_risk, before * own / safe, 0.0), axis=1)
    incidence_before = incidence - np.where(at_risk, before * own / safe, 0.0)
    h = np.where(at_risk & (before > 0), y / np.where(before > 0, before, 1.0), 0.0)
    # Where every group that was watched has wholly ended, late entrants have no incidence to compare.
    stated = h.sum(axis=0) > 0
    y, own, other, h = y[:, stated], own[:, stated], other[:, stated], h[:, stated]
    before, after, incidence_before = before[:, stated], after[:, stated], incidence_before[:, stated]
    r = h * (1.0 - incidence_before)
    total_h, total_r, deaths = h.sum(axis=0), r.sum(axis=0), own.sum(axis=0)
    step = deaths / total_h
    pooled = np.cumsum(step)
    left_before = 1.0 - (pooled - step)
    scores = (own - deaths * r / total_r).sum(axis=1)
    groups = y.shape[0]
    # axes: group of the score, group of the failure, age
    a = (np.eye(groups)[:, :, None] - (h / total_h)[:, None, :]) * h[None, :, :]
    c = np.cumsum(a * step / left_before, axis=2)
    to_come = c[:, :, -1:] - c
    left = np.where(after > 0, (1.0 - pooled) / np.where(after > 0, after, 1.0), 0.0)
    from_own = a + np.where(after > 0, 1.0 - left, 1.0) * to_come
    # a tied count varies a little less than a Poisson one
    tie_own = np.where(deaths > 1, 1.0 - (deaths - 1.0) / np.maximum(total_h * before - 1.0, 1e-300), 1.0)
    spread_own = np.where(h > 0, tie_own * step / np.where(h > 0, h, 1.0), 0.0)
    tie_other = np.where(other > 1, 1.0 - (other - 1.0) / np.maximum(y - 1.0, 1e-300), 1.0)
    spread_other = np.where(h > 0, tie_other * other / np.where(h > 0, h, 1.0) ** 2, 0.0)
    from_other = left * to_come
    variance = np.einsum("irt,jrt,rt->ij", from_own, from_own, spread_own)
    variance += np.einsum("irt,jrt,rt->ij", from_other, from_other, spread_other)
    return scores, variance
