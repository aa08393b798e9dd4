"""The power that evidence is raised to, against cases drawn from a law that holds and from one that does not."""

import numpy as np
import pytest

from fleetlog.stats.evidence_power import POWERS, evidence_power

TABLE = np.array([[0.7, 0.2, 0.1], [0.1, 0.3, 0.6]])


def cases(copies: int, *, seed: int = 7, size: int = 400) -> tuple[np.ndarray, np.ndarray]:
    """Two looks a case, each written down so many times: log-likelihood of the records and the case of each."""
    draw = np.random.default_rng(seed)
    cause = draw.integers(0, 2, size)
    seen = np.array([draw.choice(3, size=2, p=TABLE[k]) for k in cause])
    return np.log(TABLE[:, np.repeat(seen, copies, axis=1).ravel()]).T, np.repeat(np.arange(size), 2 * copies)


def power(copies: int) -> float:
    rows, owner = cases(copies)
    return evidence_power(np.zeros((400, 2)), rows, owner, np.ones(400), default=0.85, spread=0.15)


def test_true_law_is_taken_at_nearly_its_face_value() -> None:
    assert power(1) >= 0.85


def test_pieces_in_random_order_count_for_least() -> None:
    rows, owner = cases(1)
    mixed = rows[np.random.default_rng(1).permutation(rows.shape[0])]
    found = evidence_power(np.zeros((400, 2)), mixed, owner, np.ones(400), default=0.85, spread=0.15)
    assert found == POWERS[0]


@pytest.mark.parametrize("size", [0, 3])
def test_without_cases_of_several_pieces_it_is_the_default(size: int) -> None:
    rows = np.log(TABLE[:, np.zeros(size, dtype=int)]).T
    found = evidence_power(
        np.zeros((size, 2)), rows, np.arange(size), np.ones(size), default=0.85, spread=0.15
    )
    assert found == pytest.approx(0.85)
