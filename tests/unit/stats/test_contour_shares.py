"""The ends of a likelihood contour: that they solve their equation, also where a small share of a failure bounds little."""

from __future__ import annotations

import numpy as np
import pytest

from fleetlog.stats.weibull_contour import _contour_log_shares


@pytest.mark.parametrize("fall", [-1e-6, -0.1, -1.92, -50.0, -689.0, -691.0, -1e4, -1e7])
def test_they_solve_their_equation(fall: float) -> None:
    above, below = _contour_log_shares(fall)
    assert above > 0.0 > below
    for log_v in (above, below):
        assert log_v - np.exp(log_v) + 1.0 == pytest.approx(fall, rel=1e-9, abs=1e-9)


def test_at_the_top_both_are_one() -> None:
    assert _contour_log_shares(0.0) == (0.0, 0.0)
