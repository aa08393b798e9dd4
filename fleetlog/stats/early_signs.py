"""What a sign is worth: the odds of an event to come with the sign against without it, beside a base chance.

Each stretch of observation begins with a base chance that the event comes within it, by what is known without any sign,
and with signs that are there or not. The log odds are the base's, moved by one number for all stretches, which mends a
base that is off as a whole, and by one number a sign. Each has a normal prior with mean zero, so that with few
stretches a sign is worth nothing; the maximum of the posterior and the curvature there give the odds and their
interval. A sign counts only where the interval, widened for having looked at several, lies above one, and where its
number as learnt from the earlier half of the stretches tells the later half better than no number does (a back-test:
what was so once may not last); the numbers are then fitted again with those signs alone.

Source: Gelman et al., Bayesian Data Analysis, 3rd edition, sections 4.1 (normal approximation at the maximum) and 16.3
(logistic regression under weak priors); van Houwelingen 2007 (what is known at a landmark predicts what comes after).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

from fleetlog.stats.arrays import Floats, Ints, checked_level, normal_quantile
from fleetlog.stats.errors import BadArgument, LengthMismatch

#: Standard deviation of a sign's log odds before any data, and of the shift of the base. Ours, from memory: odds
#: beyond four to one are rare.
SIGN_SPREAD, BASE_SPREAD = 0.7, 1.0

_ROUNDS, _CLOSE = 100, 1e-10


@dataclass(frozen=True, eq=False)
class SignOdds:
    """What K signs are worth.

    Attributes:
        odds, lower, upper: odds of the event with each sign against without, all else alike, shape (K,), and their
            interval at the level after correction for K signs.
        helps: whether the interval lies above one and the back-test bears it out, shape (K,).
        shift: log odds by which the base chance is off, with the signs that help.
        worth: log odds that each sign adds, zero where it does not help, shape (K,).
        stretches, events: with each sign, shape (K,); `other_stretches`, `other_events` without it.
    """

    odds: Floats
    lower: Floats
    upper: Floats
    helps: npt.NDArray[np.bool_]
    shift: float
    worth: Floats
    stretches: Ints
    events: Ints
    other_stretches: Ints
    other_events: Ints

    def chance(self, base: Floats, signs: npt.NDArray[np.bool_]) -> Floats:
        """Chance that the event comes, by base chances, shape (N,), and signs, shape (N, K).

        Examples:
            A sign worth fourfold odds moves a chance of 1 in 5 (odds 1 : 4) to 1 in 2, and none moves nothing.

            >>> one, none = np.ones(1), np.zeros(1, np.int64)
            >>> learnt = SignOdds(4 * one, 2 * one, 8 * one, one > 0, 0.0, np.log(4 * one), none, none, none, none)
            >>> learnt.chance(np.array([0.2, 0.2]), np.array([[True], [False]])).round(6).tolist()
            [0.5, 0.2]
        """
        moved: Floats = special.expit(_logit(base) + self.shift + signs @ self.worth)
        return moved


def sign_odds(
    signs: npt.NDArray[np.bool_],
    base: Floats,
    came: npt.NDArray[np.bool_],
    order: Floats | None = None,
    *,
    level: float = 0.95,
) -> SignOdds:
    """Learns what signs are worth from stretches that have ended.

    Args:
        signs: which signs each of N stretches began with, shape (N, K).
        base: chance of the event in each without any sign, above 0 and below 1, shape (N,).
        came: whether it came, shape (N,).
        order: rises with time, shape (N,); None leaves the back-test out.
        level: of all intervals together.

    Raises:
        LengthMismatch: if there are not as many of each.
        BadArgument: for base chances outside 0 to 1, or a level that is none.

    Source: Gelman et al., Bayesian Data Analysis, 3rd edition 2013, sections 4.1 and 16.3.

    Examples:
        The event came in 1,600 of 4,000 stretches with the sign (odds 2 : 3) and in 1,600 of 16,000 without it (1 : 9):
        odds six times as great, all but untouched by the prior.

        >>> sign = np.arange(20_000) < 4_000
        >>> came = np.where(sign, np.arange(20_000) % 5 < 2, np.arange(20_000) % 10 < 1)
        >>> learnt = sign_odds(sign[:, None], np.full(20_000, 0.1), came)
        >>> learnt.odds.round(1).tolist(), learnt.helps.tolist()
        ([6.0], [True])
    """
    n = base.shape[0]
    if signs.ndim != 2 or {signs.shape[0], came.size, n if order is None else order.size} != {n}:
        raise LengthMismatch(f"{signs.shape} signs and {came.shape} events for {n} base chances")
    if not ((base > 0) & (base < 1)).all():
        raise BadArgument("base chances lie between 0 and 1")
    k = signs.shape[1]
    x, y, offset = signs.astype(np.float64), came.astype(np.float64), _logit(base)
    theta, covariance = _fit(x, offset, y)
    reach = normal_quantile(1.0 - (1.0 - checked_level(level)) / max(k, 1)) * np.sqrt(np.diag(covariance)[1:])
    helps = theta[1:] > reach
    if order is not None and helps.any():
        helps &= _gain(x, offset, y, order <= np.median(order)) > 0.0
    kept, _ = _fit(x[:, helps], offset, y)
    worth = np.zeros(k)
    worth[helps] = kept[1:]
    stretches, events = signs.sum(axis=0), (signs & came[:, None]).sum(axis=0)
    return SignOdds(
        odds=np.exp(theta[1:]),
        lower=np.exp(theta[1:] - reach),
        upper=np.exp(theta[1:] + reach),
        helps=helps,
        shift=float(kept[0]),
        worth=worth,
        stretches=stretches,
        events=events,
        other_stretches=n - stretches,
        other_events=int(came.sum()) - events,
    )


def _logit(chance: Floats) -> Floats:
    logit: Floats = special.logit(np.clip(chance, 1e-12, 1.0 - 1e-12))
    return logit


def _gain(x: Floats, offset: Floats, y: Floats, earlier: npt.NDArray[np.bool_]) -> Floats:
    """What each sign's number, learnt from earlier stretches, adds to later ones' log likelihood, shape (K,)."""
    theta, _ = _fit(x[earlier], offset[earlier], y[earlier])
    x, y = x[~earlier], y[~earlier, None]
    eta = (offset[~earlier] + theta[0] + x @ theta[1:])[:, None]
    without = eta - x * theta[1:]
    gain: Floats = (y * (eta - without) - np.logaddexp(0.0, eta) + np.logaddexp(0.0, without)).sum(axis=0)
    return gain


def _fit(x: Floats, offset: Floats, y: Floats) -> tuple[Floats, Floats]:
    """The shift and the signs' log odds at the maximum of the posterior, and their covariance there.

    The log posterior is concave; a step is halved until it goes up.
    """
    full = np.column_stack([np.ones(y.size), x])
    precision = np.array([BASE_SPREAD**-2.0] + [SIGN_SPREAD**-2.0] * x.shape[1])

    def log_posterior(theta: Floats) -> float:
        eta = offset + full @ theta
        return float(y @ eta - np.logaddexp(0.0, eta).sum() - 0.5 * precision @ theta**2)

    theta = np.zeros(full.shape[1])
    best = log_posterior(theta)
    for _ in range(_ROUNDS):
        p = special.expit(offset + full @ theta)
        step = np.linalg.solve(
            (full * (p * (1.0 - p))[:, None]).T @ full + np.diag(precision),
            full.T @ (y - p) - precision * theta,
        )
        while np.abs(step).max() > _CLOSE and (reached := log_posterior(theta + step)) < best:
            step = 0.5 * step
        if np.abs(step).max() <= _CLOSE:
            break
        theta, best = theta + step, reached
    p = special.expit(offset + full @ theta)
    return theta, np.linalg.inv((full * (p * (1.0 - p))[:, None]).T @ full + np.diag(precision))
