"""Which of a few causes is it? Exact posteriors, and reasons that add up to them.

One unknown cause a case, few causes: the posterior is a sum over them, nothing is sampled. Everything is in
natural logarithms. What belongs to one case never mixes with another's, so a case comes out the same to the
last digit whichever others are asked about beside it.

Source: Good 1950, Probability and the Weighing of Evidence (evidence as additions to log-odds).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import logsumexp

from fleetlog.stats.arrays import Floats, Ints


@dataclass(frozen=True, eq=False)
class Posterior:
    """Probability of each cause, case by case.

    Attributes:
        probability: shape (cases, causes); every row sums to 1.
        top: position of the most probable cause of each case, shape (cases,); of equals the first.
        prior_weight: log-odds of the top cause before any evidence, shape (cases,).
        weight: what each piece of evidence adds to the log-odds of its case's top cause, in the order of the
            evidence, shape (pieces,). prior_weight plus the case's weights is the log-odds of `probability`.
    """

    probability: Floats
    top: Ints
    prior_weight: Floats
    weight: Floats


def posterior(log_prior: npt.ArrayLike, log_likelihood: npt.ArrayLike, case: npt.ArrayLike) -> Posterior:
    """Bayes' rule for a finite set of causes, the evidence taken in one after the other.

    What a piece of evidence adds depends on those weighed before it; the order is the caller's. The sum does
    not.

    Args:
        log_prior: logarithm of the prior weights, shape (cases, causes); need not be normalised.
        log_likelihood: logarithm of the chance of each piece of evidence under each cause, given the pieces
            of its case before it, shape (pieces, causes).
        case: the case (0, 1, …) that each piece belongs to, never falling, shape (pieces,).

    Source: Good 1950, Probability and the Weighing of Evidence (evidence adds to log-odds).

    Examples:
        Two causes as likely as each other; a sign that the first shows in 9 of 10 cases and the second in 1 of 10.

        >>> found = posterior(np.zeros((1, 2)), np.log([[0.9, 0.1]]), [0])
        >>> found.probability.round(6).tolist(), found.weight.round(4).tolist(), round(np.log(9.0).item(), 4)
        ([[0.9, 0.1]], [2.1972], 2.1972)
    """
    prior = np.asarray(log_prior, dtype=np.float64)
    pieces = np.asarray(log_likelihood, dtype=np.float64).reshape(-1, prior.shape[1])
    owner = np.asarray(case, dtype=np.int64)
    total, before, after = prior.copy(), np.empty_like(pieces), np.empty_like(pieces)
    for rows in by_turn(owner):
        before[rows] = total[owner[rows]]
        after[rows] = before[rows] + pieces[rows]
        total[owner[rows]] = after[rows]
    log_probability = total - logsumexp(total, axis=1, keepdims=True)
    top = np.argmax(log_probability, axis=1)
    return Posterior(
        probability=np.exp(log_probability),
        top=top,
        prior_weight=log_odds(prior, top),
        weight=log_odds(after, top[owner]) - log_odds(before, top[owner]),
    )


def by_turn(owner: Ints) -> Iterator[Ints]:
    """The rows that come first in their case, then those that come second, and so on.

    Args:
        owner: the case of each row, never falling.

    Examples:
        >>> [rows.tolist() for rows in by_turn(np.array([0, 0, 1, 4, 4, 4]))]
        [[0, 2, 3], [1, 4], [5]]
    """
    starts = np.flatnonzero(np.diff(owner, prepend=-1))
    lengths = np.diff(starts, append=owner.size)
    for turn in range(int(lengths.max(initial=0))):
        yield starts[lengths > turn] + turn


def log_odds(log_weight: Floats, chosen: Ints) -> Floats:
    """Log-odds of the chosen cause against all others together.

    Args:
        log_weight: logarithm of the causes' weights, shape (n, causes).
        chosen: position of the chosen cause, shape (n,).

    Returns:
        Log-odds, shape (n,).

    Examples:
        A weight of 6 against 1 and 1: three to one.

        >>> np.exp(log_odds(np.log([[1.0, 6.0, 1.0]]), np.array([1]))).round(6).tolist()
        [3.0]
    """
    rows = np.arange(log_weight.shape[0])
    others = log_weight.copy()
    others[rows, chosen] = -np.inf
    odds: Floats = log_weight[rows, chosen] - logsumexp(others, axis=1)
    return odds
