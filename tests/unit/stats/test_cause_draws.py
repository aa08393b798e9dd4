"""Drawing the cause of every case: means, spread, and what cases that tell nothing leave open."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from fleetlog.stats.cause_draws import KNOWN_BEFORE, CauseDraws
from fleetlog.stats.errors import BadArgument


def counts(draws: CauseDraws, cause: int, many: int = 2000) -> np.ndarray:
    return np.array([(draws.draw(1, draw) == cause).sum() for draw in range(many)])


def test_cases_of_which_all_is_known_are_drawn_as_they_are() -> None:
    known = np.eye(3)[[0, 1, 1, 2, 0, 0]]
    assert (CauseDraws.of(known).draw(3, 5) == [0, 1, 1, 2, 0, 0]).all()


def test_a_draw_depends_on_seed_and_number_alone() -> None:
    rng = np.random.default_rng(1)
    draws = CauseDraws.of(rng.dirichlet([1.0, 1.0, 1.0], 50))
    first = draws.draw(7, 3)
    draws.draw(7, 2)
    assert (draws.draw(7, 3) == first).all()
    assert (draws.draw(7, 4) != first).any()
    assert (draws.draw(8, 3) != first).any()


def test_on_average_a_cause_has_as_many_cases_as_its_probabilities_add_up_to() -> None:
    rng = np.random.default_rng(2)
    probability = rng.dirichlet([0.3, 0.3, 0.1], 300)
    draws = CauseDraws.of(probability)
    for cause in range(3):
        assert counts(draws, cause).mean() == pytest.approx(probability[:, cause].sum(), rel=0.03)


def test_the_spread_is_that_of_the_cases_and_of_the_rate_that_they_leave_open() -> None:
    """Two causes, all cases alike but for some that are sure: plain integration over the one shift that matters."""
    sure = np.array([[1.0, 0.0]] * 20 + [[0.0, 1.0]] * 20)
    vague = np.full((60, 2), 0.5)
    probability = np.concatenate((sure, vague))
    found = counts(CauseDraws.of(probability), 0, 4000)
    centred = probability - probability.mean(axis=0)
    covariance = np.linalg.inv(centred.T @ centred + np.eye(2) / KNOWN_BEFORE**2)
    shift_sd = float(np.sqrt(np.array([1, -1]) @ covariance @ np.array([1, -1])))
    at = stats.norm.ppf((np.arange(2000) + 0.5) / 2000) * shift_sd
    share = 1 / (1 + np.exp(-at))
    expected = 60 * (share * (1 - share)).mean() + 60**2 * share.var()
    assert found.var() == pytest.approx(expected, rel=0.08)
    assert expected > 60 * 0.25


def test_what_is_no_probability_is_refused() -> None:
    with pytest.raises(BadArgument, match="sum to one"):
        CauseDraws.of(np.array([[0.5, 0.4]]))


def test_no_cases_at_all() -> None:
    assert CauseDraws.of(np.zeros((0, 3))).draw(1, 1).size == 0
