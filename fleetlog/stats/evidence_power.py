"""How much of its face value evidence is worth, where pieces of one case repeat each other or the model is wrong.

Under a wrong model Bayes' rule takes in too much from each piece. Raised to a power below one, the likelihood learns
more slowly and stays calibrated (Grünwald & van Ommen, Bayesian Analysis 12, 2017, 1069-1103). The power is that at
which the pieces of a case foretell each other best, one left out at a time (Besag, The Statistician 24, 1975,
179-195); no cause need be known for that.
"""

from __future__ import annotations

import numpy as np
from scipy.special import logsumexp

from fleetlog.stats.arrays import Floats, Ints, binned

#: Powers that are tried.
POWERS: Floats = np.round(np.arange(0.5, 1.001, 0.05), 2)


def evidence_power(
    log_prior: Floats, log_likelihood: Floats, case: Ints, weight: Floats, *, default: float, spread: float
) -> float:
    """The power, one of POWERS, at which the pieces of the cases foretell each other best.

    Args:
        log_prior: logarithm of the prior weights, shape (cases, causes); need not be normalised.
        log_likelihood: of each piece under each cause, shape (pieces, causes).
        case: the case of each piece, shape (pieces,).
        weight: what each case counts for, shape (cases,).
        default: power before any case; what it is without cases that have several pieces.
        spread: standard deviation of the normal prior around it.

    Example:
        >>> rows = np.log([[0.9, 0.1], [0.1, 0.9]])
        >>> mixed = np.tile(rows[[0, 1, 1, 0, 0, 0, 1, 1]], (50, 1))  # pairs that agree no more than by chance
        >>> evidence_power(np.zeros((200, 2)), mixed, np.repeat(np.arange(200), 2), np.ones(200),
        ...                default=0.85, spread=0.15)
        0.5
    """
    prior = log_prior - logsumexp(log_prior, axis=1, keepdims=True) if log_prior.size else log_prior
    several = np.bincount(case, minlength=prior.shape[0])[case] > 1
    owner, own = case[several], log_likelihood[several]
    together = np.column_stack([binned(case, column, prior.shape[0]) for column in log_likelihood.T])
    others = together[owner] - own
    best, most = default, -np.inf
    for power in POWERS:
        before = prior[owner] + power * others
        before -= logsumexp(before, axis=1, keepdims=True) if owner.size else 0.0
        foretold = logsumexp(before + own, axis=1) if owner.size else np.zeros(0)
        score = float((weight[owner] * foretold).sum()) - 0.5 * ((power - default) / spread) ** 2
        if score > most:
            best, most = float(power), score
    return best
