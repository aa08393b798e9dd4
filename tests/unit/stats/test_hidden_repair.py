"""Silence against books with gaps: by Bayes' rule in plain numbers, and by drawing many such cases."""

from __future__ import annotations

import doctest
import math

import numpy as np
import pytest

from fleetlog.stats import hidden_repair
from fleetlog.stats.errors import BadArgument
from fleetlog.stats.hidden_repair import standing_chance, unrecorded_share


def test_the_examples_are_true() -> None:
    tried = doctest.testmod(hidden_repair)
    assert tried.attempted == 2
    assert tried.failed == 0


def test_by_hand() -> None:
    (chance,) = standing_chance(
        np.array([0.1]), np.array([120.0]), comeback_hours=60.0, background_hours=8000.0
    )
    stands, mended = 0.9 * math.exp(-2.0), 0.1 * math.exp(-0.015)
    assert chance == pytest.approx(stands / (stands + mended), rel=1e-14)


def test_it_is_right_as_often_as_it_says() -> None:
    """Cases drawn by the two stories, looked at after any time: of those said to stand with 70%, 70% do."""
    draw = np.random.default_rng(20260101)
    size = 400_000
    mended = draw.random(size) < 0.15
    shows = np.where(mended, draw.exponential(5000.0, size), draw.exponential(80.0, size))
    looked = draw.uniform(0.0, 400.0, size)
    silent = shows > looked
    said = standing_chance(
        np.full(silent.sum(), 0.15), looked[silent], comeback_hours=80.0, background_hours=5000.0
    )
    stands = ~mended[silent]
    for low in np.arange(0.0, 1.0, 0.1):
        inside = (said >= low) & (said < low + 0.1)
        if inside.sum() > 1_000:
            error = 4 * math.sqrt(0.25 / inside.sum())
            assert stands[inside].mean() == pytest.approx(said[inside].mean(), abs=error)


def test_the_share_is_the_mean_of_a_beta_posterior() -> None:
    from scipy import stats

    assert unrecorded_share(40, 4, default=0.05, worth=20.0) == pytest.approx(
        stats.beta(1.0 + 4, 19.0 + 36).mean()
    )
    assert unrecorded_share(0, 0, default=0.05, worth=20.0) == 0.05


def test_what_cannot_be_is_refused() -> None:
    good = {"comeback_hours": 60.0, "background_hours": 8000.0}
    with pytest.raises(BadArgument, match="between 0 and 1"):
        standing_chance(np.array([1.2]), np.array([1.0]), **good)
    with pytest.raises(BadArgument, match="not negative"):
        standing_chance(np.array([0.2]), np.array([-1.0]), **good)
    with pytest.raises(BadArgument, match="above 0"):
        standing_chance(np.array([0.2]), np.array([1.0]), comeback_hours=0.0, background_hours=1.0)
    with pytest.raises(BadArgument, match="without a repair"):
        unrecorded_share(3, 4, default=0.05, worth=20.0)
    with pytest.raises(BadArgument, match="between 0 and 1"):
        unrecorded_share(3, 1, default=0.0, worth=20.0)
