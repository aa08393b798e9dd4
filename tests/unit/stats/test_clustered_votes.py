"""Votes that repeat each other: a known repetition is recovered, and the errors of their shares are as said."""

from __future__ import annotations

import numpy as np
import pytest

from fleetlog.stats.clustered_votes import repetition, vote_weight
from fleetlog.stats.errors import BadArgument

SHARES = np.array([0.5, 0.3, 0.2])


def drawn(seed: int, cases: int, votes: int, own: float) -> np.ndarray:
    """Votes of cases that each have one outcome; a vote is the case's, or one of its own with that chance."""
    dice = np.random.default_rng(seed)
    of_case = dice.choice(3, (cases, 1), p=SHARES)
    alone = dice.choice(3, (cases, votes), p=SHARES)
    return np.where(dice.random((cases, votes)) < own, alone, of_case)


@pytest.mark.parametrize("own", [0.0, 0.3, 0.6, 1.0])
def test_a_known_repetition_is_recovered(own: float) -> None:
    """Two votes are both the case's with chance (1 - own) squared, else they agree by chance."""
    votes = drawn(3, 4000, 4, own)
    pairs = [(votes[:, i] == votes[:, j]).mean() for i in range(4) for j in range(i)]
    found = repetition([np.mean(pairs)], [(SHARES**2).sum()], [4000 * 3 + 1], default=0.5, worth=1e-9)
    assert found == pytest.approx((1 - own) ** 2, abs=0.03)


def test_the_weight_is_the_votes_that_would_err_as_little() -> None:
    """The variance of a case's share of the first outcome is p (1 - p) over its weight."""
    own, votes = 0.5, 5
    share = (drawn(7, 40_000, votes, own) == 0).mean(axis=1)
    weight = vote_weight([votes], [votes], (1 - own) ** 2)[0]
    assert share.var() == pytest.approx(0.25 / weight, rel=0.02)


def test_few_votes_stay_with_the_default() -> None:
    assert repetition([], [], [], default=0.4, worth=20.0) == pytest.approx(0.4)
    assert 0.4 < repetition([1.0], [0.5], [2], default=0.4, worth=20.0) < 0.45


def test_what_cannot_be_is_refused() -> None:
    for agree, chance, total in (([1.0], [0.5], [1]), ([1.0], [1.0], [2])):
        with pytest.raises(BadArgument):
            repetition(agree, chance, total, default=0.5, worth=1.0)
