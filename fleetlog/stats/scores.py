"""How good were the forecasts? Scores for probabilities, ages and counts.

Sources: Brier 1950; Gneiting & Raftery 2007; Graf, Schmoor, Sauerbrei & Schumacher 1999 (censored Brier
score); Gerds & Schumacher 2006 (its weights); Harrell et al. 1982; Uno et al. 2007; Hung & Chiang 2010
(AUC at an age); Czado, Gneiting & Held 2009 (counts).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
import polars as pl
from scipy import special, stats

from fleetlog.stats.arrays import Floats, checked_level, weighed
from fleetlog.stats.errors import BadArgument, LengthMismatch
from fleetlog.stats.proportions import garwood, wilson


def brier_score(probability: npt.ArrayLike, outcome: npt.ArrayLike) -> float:
    """Mean squared difference of probability and outcome (0/1); 0 is perfect, 0.25 is a coin."""
    p, y = _pairs(probability, outcome)
    return float(((p - y) ** 2).mean())


def log_loss(probability: npt.ArrayLike, outcome: npt.ArrayLike) -> float:
    """Mean of -log of the probability given to what happened; infinite if that was ever zero."""
    p, y = _pairs(probability, outcome)
    with np.errstate(divide="ignore"):
        return float(-np.log(np.where(y > 0, p, 1.0 - p)).mean())


def multiclass_log_loss(probability: npt.ArrayLike, outcome: npt.ArrayLike) -> float:
    """The same for several classes: rows of probabilities that sum to one, and the class that came true."""
    p = np.asarray(probability, dtype=np.float64)
    y = np.asarray(outcome, dtype=np.int64)
    if p.ndim != 2 or y.shape != p.shape[:1] or not np.allclose(p.sum(axis=1), 1.0):
        raise BadArgument("give one row of probabilities that sum to one, and one class, for each case")
    with np.errstate(divide="ignore"):
        return float(-np.log(p[np.arange(y.size), y]).mean())


def calibration_bins(
    probability: npt.ArrayLike, outcome: npt.ArrayLike, *, bins: int = 10, level: float = 0.95
) -> pl.DataFrame:
    """Do things that were given 30 per cent happen 30 per cent of the time?

    Cases are cut into bins of equal width; empty bins are left out.

    Returns:
        Columns from, to, cases, mean_probability, happened, share, lower, upper (Wilson).
    """
    p, y = _pairs(probability, outcome)
    if bins < 1:
        raise BadArgument(f"the number of bins is at least 1, not {bins}")
    at = np.minimum((p * bins).astype(np.int64), bins - 1)
    order = np.lexsort((y, p, at))
    n = np.bincount(at, minlength=bins)
    happened = np.bincount(at, weights=y, minlength=bins)
    total = np.bincount(at[order], weights=p[order], minlength=bins)
    used = np.flatnonzero(n)
    limits = [wilson(float(happened[k]), float(n[k]), level=level) for k in used]
    return pl.DataFrame(
        {
            "from": used / bins,
            "to": (used + 1) / bins,
            "cases": n[used],
            "mean_probability": total[used] / n[used],
            "happened": happened[used],
            "share": happened[used] / n[used],
            "lower": [limit.lower for limit in limits],
            "upper": [limit.upper for limit in limits],
        }
    )


@dataclass(frozen=True)
class CalibrationLine:
    """Logistic regression of outcomes on the log-odds given: slope 1 and intercept 0 are perfect.

    Attributes:
        intercept: above 0: things happen more often than said.
        slope: below 1: probabilities are too extreme.
        slope_std_error: standard error of the slope.
    """

    intercept: float
    slope: float
    slope_std_error: float


def calibration_line(probability: npt.ArrayLike, outcome: npt.ArrayLike) -> CalibrationLine:
    """Calibration intercept and slope; probabilities of 0 or 1 are taken as a millionth from it."""
    p, y = _pairs(probability, outcome)
    x = special.logit(np.clip(p, 1e-6, 1.0 - 1e-6))
    design = np.column_stack((np.ones(x.size), x))
    beta = np.array([0.0, 1.0])
    for _ in range(100):
        fitted = special.expit(design @ beta)
        information = (design * (fitted * (1.0 - fitted))[:, None]).T @ design
        try:
            step = np.linalg.solve(information, weighed(y - fitted, design))
        except np.linalg.LinAlgError:
            break
        beta = beta + np.clip(step, -5.0, 5.0)
        if np.abs(step).max() < 1e-12:
            return CalibrationLine(
                float(beta[0]), float(beta[1]), float(np.sqrt(np.linalg.inv(information)[1, 1]))
            )
        if np.abs(beta).max() > 1e3:
            break
    raise BadArgument(
        "outcomes are split cleanly by the probabilities, or do not vary: no line can be fitted"
    )


def area_under_curve(score: npt.ArrayLike, outcome: npt.ArrayLike) -> float:
    """Chance that a case that happened was scored above one that did not (ties count half)."""
    s, y = np.asarray(score, dtype=np.float64), np.asarray(outcome).astype(bool)
    happened, rest = int(y.sum()), int((~y).sum())
    if s.shape != y.shape or happened == 0 or rest == 0:
        raise BadArgument("discrimination needs cases that happened and cases that did not")
    ranks = stats.rankdata(s)
    return float((ranks[y].sum() - happened * (happened + 1) / 2) / (happened * rest))


@dataclass(frozen=True)
class Concordance:
    """Harrell's concordance of a risk score with the order of failures.

    Attributes:
        c: share of comparable pairs in the right order, ties in the score counting half.
        concordant: pairs in which the one that failed first had the higher score.
        discordant: pairs the other way round.
        tied_risk: comparable pairs with equal scores.
        tied_time: pairs that failed at the same age.
        beside_censored: comparable pairs of a failure and a unit last seen at the same age.
    """

    c: float
    concordant: int
    discordant: int
    tied_risk: int
    tied_time: int
    beside_censored: int


def concordance(hours: npt.ArrayLike, failed: npt.ArrayLike, risk: npt.ArrayLike) -> Concordance:
    """Harrell's concordance index.

    A pair is comparable if the earlier of the two ages is a failure, or both ages are equal and one only
    is a failure (it came first). Work grows as n log n.

    Args:
        hours: age at failure or when last seen.
        failed: whether it failed.
        risk: the score; higher means earlier failure.
    """
    t, flag, score = (
        np.asarray(hours, dtype=np.float64),
        np.asarray(failed).astype(bool),
        np.asarray(risk, dtype=np.float64),
    )
    if not (t.shape == flag.shape == score.shape):
        raise LengthMismatch("give as many ages, flags and scores")
    levels, rank = np.unique(score, return_inverse=True)
    rank = rank.reshape(-1)
    # from the oldest age down: count scores below, equal and above among those that outlived each failure
    tree = _Counter(levels.size)
    concordant = discordant = tied = tied_time = beside = 0
    order = np.lexsort((flag, -t))
    start = 0
    while start < order.size:
        stop = start
        while stop < order.size and t[order[stop]] == t[order[start]]:
            stop += 1
        block = order[start:stop]
        died, running = block[flag[block]], block[~flag[block]]
        for i in running:
            tree.add(int(rank[i]))
        for i in died:
            below, equal, above = tree.split(int(rank[i]))
            concordant, discordant, tied = concordant + below, discordant + above, tied + equal
        tied_time += died.size * (died.size - 1) // 2
        beside += died.size * running.size
        for i in died:
            tree.add(int(rank[i]))
        start = stop
    pairs = concordant + discordant + tied
    if pairs == 0:
        raise BadArgument("no two units can be compared: no failure was outlived by another unit")
    return Concordance((concordant + 0.5 * tied) / pairs, concordant, discordant, tied, tied_time, beside)


class _Counter:
    """Counts by rank with fast running totals (a binary indexed tree)."""

    def __init__(self, size: int) -> None:
        self._tree = [0] * (size + 1)
        self._total = 0

    def add(self, rank: int) -> None:
        self._total += 1
        i = rank + 1
        while i < len(self._tree):
            self._tree[i] += 1
            i += i & -i

    def split(self, rank: int) -> tuple[int, int, int]:
        """How many lie below, at and above a rank."""
        below, upto = self._upto(rank), self._upto(rank + 1)
        return below, upto - below, self._total - upto

    def _upto(self, i: int) -> int:
        total = 0
        while i > 0:
            total += self._tree[i]
            i -= i & -i
        return total


@dataclass(frozen=True, eq=False)
class CensoringCurve:
    """Chance of still being followed, by age: the weights of censored scores.

    Attributes:
        hours: ages at which following ended.
        followed: chance of being followed beyond each.
    """

    hours: Floats
    followed: Floats

    @staticmethod
    def of(hours: npt.ArrayLike, failed: npt.ArrayLike, *, failures_first: bool = True) -> CensoringCurve:
        """Product-limit curve of the end of following, failures censoring it.

        Args:
            hours: age at failure or when last seen.
            failed: whether it failed.
            failures_first: whether failures of the same age are out of the risk set already.
        """
        t, flag = np.asarray(hours, dtype=np.float64), np.asarray(failed).astype(bool)
        ages, at = np.unique(t, return_inverse=True)
        at = at.reshape(-1)
        died = np.bincount(at, weights=flag, minlength=ages.size)
        ended = np.bincount(at, weights=~flag, minlength=ages.size)
        at_risk = t.size - np.concatenate(([0.0], np.cumsum(died + ended)[:-1]))
        exposed = at_risk - died if failures_first else at_risk
        steps = 1.0 - ended / np.where(ended > 0, exposed, 1.0)
        return CensoringCurve(ages, np.cumprod(steps, dtype=np.float64))

    def at(self, hours: npt.ArrayLike, *, before: bool = False) -> Floats:
        """Chance of being followed beyond an age, or up to just before it."""
        side: Literal["left", "right"] = "left" if before else "right"
        done = np.searchsorted(self.hours, np.asarray(hours, dtype=np.float64), side=side)
        return np.concatenate(([1.0], self.followed))[done]


def censored_brier(
    hours: npt.ArrayLike,
    failed: npt.ArrayLike,
    survival: npt.ArrayLike,
    times: npt.ArrayLike,
    *,
    censoring: CensoringCurve | None = None,
    weight_before: bool = False,
) -> Floats:
    """Brier score of survival forecasts at several ages, censoring made up for by weights.

    Args:
        hours: age at failure or when last seen, shape (n,).
        failed: whether it failed.
        survival: forecast chance of outliving each of `times`, shape (n, times).
        times: ages at which the forecasts are scored.
        censoring: chance of being followed; by default from the same data, failures first at ties.
        weight_before: weigh failures by the chance just before their age instead of at it.

    Returns:
        One score an age; 0 is perfect.
    """
    t, flag = np.asarray(hours, dtype=np.float64), np.asarray(failed).astype(bool)
    s, at = np.asarray(survival, dtype=np.float64), np.atleast_1d(np.asarray(times, dtype=np.float64))
    if s.shape != (t.size, at.size) or flag.shape != t.shape:
        raise LengthMismatch(f"forecasts have shape {s.shape} where {(t.size, at.size)} is needed")
    curve = CensoringCurve.of(t, flag) if censoring is None else censoring
    own, at_times = curve.at(t, before=weight_before), curve.at(at)
    gone = (t[:, None] <= at) & flag[:, None]
    still = t[:, None] > at
    if (own[gone.any(axis=1)] <= 0).any() or (at_times[still.any(axis=0)] <= 0).any():
        raise BadArgument("nobody is followed long enough to score the latest age; score earlier ones")
    weights = np.where(gone, 1.0 / np.where(own > 0, own, 1.0)[:, None], 0.0)
    weights += np.where(still, 1.0 / np.where(at_times > 0, at_times, 1.0), 0.0)
    return np.asarray((weights * (still - s) ** 2).mean(axis=0), dtype=np.float64)


def integrated_score(times: npt.ArrayLike, scores: npt.ArrayLike) -> float:
    """A score averaged over ages by the trapezoid rule."""
    at = np.asarray(times, dtype=np.float64)
    return float(np.trapezoid(np.asarray(scores, dtype=np.float64), at) / (at[-1] - at[0]))


@dataclass(frozen=True, eq=False)
class AreaByAge:
    """How well a score tells, at each age, those that have failed from those that have not.

    Attributes:
        hours: the ages.
        area: chance that one that has failed was scored above one that has not.
        mean: over the ages, weighted by how much survival falls between them.
    """

    hours: Floats
    area: Floats
    mean: float


def area_by_age(
    hours: npt.ArrayLike,
    failed: npt.ArrayLike,
    risk: npt.ArrayLike,
    times: npt.ArrayLike,
    *,
    censoring: CensoringCurve | None = None,
) -> AreaByAge:
    """Cumulative/dynamic area under the curve, censoring made up for by weights.

    Args:
        hours: age at failure or when last seen.
        failed: whether it failed.
        risk: the score; higher means earlier failure.
        times: ages at which it is judged.
        censoring: chance of being followed; by default from the same data.
    """
    t, flag = np.asarray(hours, dtype=np.float64), np.asarray(failed).astype(bool)
    score, at = np.asarray(risk, dtype=np.float64), np.atleast_1d(np.asarray(times, dtype=np.float64))
    curve = CensoringCurve.of(t, flag) if censoring is None else censoring
    weight = np.where(flag, 1.0 / np.where(curve.at(t) > 0, curve.at(t), 1.0), 0.0)
    area = np.empty(at.size)
    for k, age in enumerate(at):
        case = (t <= age) & flag
        control = t > age
        if not case.any() or not control.any():
            raise BadArgument(f"at {age:g} h all or none have failed, so nothing can be told apart")
        levels = np.sort(score[control])
        below = np.searchsorted(levels, score[case], side="left")
        equal = np.searchsorted(levels, score[case], side="right") - below
        order = np.lexsort((below, equal))
        wins = (weight[case] * (below + 0.5 * equal))[order]
        area[k] = float(wins.sum() / (weight[case][order].sum() * control.sum()))
    if at.size == 1:
        return AreaByAge(at, area, float(area[0]))
    survival = _survival_at(t, flag, at)
    falls = -np.diff(np.concatenate(([1.0], survival)))
    mean = float((area * falls).sum() / (1.0 - survival[-1]))
    return AreaByAge(at, area, mean)


def _survival_at(t: Floats, flag: npt.NDArray[np.bool_], at: Floats) -> Floats:
    """Product-limit survival of the scored units."""
    ages, index = np.unique(t, return_inverse=True)
    died = np.bincount(index.reshape(-1), weights=flag, minlength=ages.size)
    size = np.bincount(index.reshape(-1), minlength=ages.size)
    at_risk = t.size - np.concatenate(([0], np.cumsum(size)[:-1]))
    survival = np.concatenate(([1.0], np.cumprod(1.0 - died / at_risk)))
    return survival[np.searchsorted(ages, at, side="right")]


@dataclass(frozen=True, eq=False)
class CountScores:
    """How well Poisson forecasts of counts did.

    Attributes:
        deviance: twice the log-likelihood ratio against perfect forecasts.
        pearson: sum of (count - mean)^2 / mean.
        log_score: mean of -log of the probability of the count that came.
        crps: mean continuous ranked probability score, in counts.
        observed_over_expected: all counts over all means.
        lower: its exact lower limit.
        upper: its exact upper limit.
        pit: probability of fewer, plus half that of the count that came; even over 0 to 1 if forecasts
            are right.
    """

    deviance: float
    pearson: float
    log_score: float
    crps: float
    observed_over_expected: float
    lower: float
    upper: float
    pit: Floats


def count_scores(counts: npt.ArrayLike, means: npt.ArrayLike, *, level: float = 0.95) -> CountScores:
    """Score Poisson forecasts.

    Args:
        counts: what came, shape (n,).
        means: what was expected, shape (n,).
        level: confidence level of observed over expected.
    """
    x, mu = np.asarray(counts, dtype=np.float64), np.asarray(means, dtype=np.float64)
    if x.shape != mu.shape or x.ndim != 1 or x.size == 0 or not (mu > 0).all() or (x < 0).any():
        raise BadArgument("give counts (not negative) and positive means, one each")
    checked_level(level)
    total, expected = float(x.sum()), float(mu.sum())
    limits = garwood(total, level=level)
    law = stats.poisson(mu)
    return CountScores(
        deviance=2.0 * float((special.xlogy(x, x / mu) - (x - mu)).sum()),
        pearson=float(((x - mu) ** 2 / mu).sum()),
        log_score=float(-law.logpmf(x).mean()),
        crps=float(_poisson_crps(x, mu).mean()),
        observed_over_expected=total / expected,
        lower=limits.lower / expected,
        upper=limits.upper / expected,
        pit=np.asarray(law.cdf(x - 1) + 0.5 * law.pmf(x), dtype=np.float64),
    )


def _poisson_crps(x: Floats, mu: Floats) -> Floats:
    """Closed form (Wei & Held 2014), with scaled Bessel functions."""
    law = stats.poisson(mu)
    spread = special.ive(0, 2.0 * mu) + special.ive(1, 2.0 * mu)
    return np.asarray(
        (x - mu) * (2.0 * law.cdf(x) - 1.0) + 2.0 * mu * law.pmf(x) - mu * spread, dtype=np.float64
    )


def _pairs(probability: npt.ArrayLike, outcome: npt.ArrayLike) -> tuple[Floats, Floats]:
    p, y = np.asarray(probability, dtype=np.float64), np.asarray(outcome, dtype=np.float64)
    if p.shape != y.shape or p.ndim != 1 or p.size == 0:
        raise LengthMismatch(f"{p.shape} probabilities for {y.shape} outcomes")
    if not ((p >= 0) & (p <= 1)).all() or not np.isin(y, (0, 1)).all():
        raise BadArgument("probabilities lie between 0 and 1, outcomes are 0 or 1")
    return p, y
