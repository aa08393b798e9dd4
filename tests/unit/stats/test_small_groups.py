"""Shrinkage of small groups: limits that must hold."""

from __future__ import annotations

import numpy as np
import pytest

from fleetlog.stats.errors import BadArgument, LengthMismatch
from fleetlog.stats.small_groups import shrink_groups


def test_groups_that_agree_have_no_spread() -> None:
    shrunk = shrink_groups([20] * 8, [20] * 8)
    assert shrunk.shrunk == pytest.approx(np.ones(8), abs=0.01)
    assert ((shrunk.lower < 1) & (shrunk.upper > 1)).all()
    assert shrunk.spread < 0.2
    assert (shrunk.upper - shrunk.lower < shrunk.raw_upper - shrunk.raw_lower).all()


def test_small_groups_give_way_and_large_ones_do_not() -> None:
    """Three of one expected among many that agree is pulled in; three hundred of one hundred is not."""
    observed, expected = [3, 300, 100, 100, 100], [1.0, 100.0, 100.0, 100.0, 100.0]
    result = shrink_groups(observed, expected, recentre=False)
    assert result.shrunk[0] < 2.5
    assert result.shrunk[1] == pytest.approx(3.0, rel=0.05)
    assert result.probability_above[1] > 0.999
    assert result.lower[0] < 1.3
    assert result.raw.tolist() == [3.0, 3.0, 1.0, 1.0, 1.0]


def test_no_failures_anywhere() -> None:
    result = shrink_groups([0, 0, 0], [0.5, 1.0, 2.0])
    assert np.isfinite(result.shrunk).all()
    assert (result.shrunk < 1).all()
    assert (result.upper > result.shrunk).all()


def test_expected_counts_are_brought_to_the_observed_total() -> None:
    doubled = shrink_groups([4, 8, 3], [2.0, 4.0, 1.5])
    assert doubled.common == 2
    assert doubled.expected == pytest.approx([4, 8, 3])


def test_order_of_groups_does_not_matter() -> None:
    turn = [3, 0, 2, 1]
    o, e = np.array([5, 0, 2, 9]), np.array([2.0, 1.0, 3.0, 4.0])
    plain, turned = shrink_groups(o, e), shrink_groups(o[turn], e[turn])
    assert turned.lower == pytest.approx(plain.lower[turn], rel=1e-9)
    assert turned.shrunk == pytest.approx(plain.shrunk[turn], rel=1e-9)


def test_wrong_counts() -> None:
    with pytest.raises(BadArgument, match="without hours"):
        shrink_groups([1, 2], [0.0, 1.0])
    with pytest.raises(LengthMismatch):
        shrink_groups([1, 2], [1.0])
    with pytest.raises(BadArgument, match="spread"):
        shrink_groups([1, 2], [1.0, 1.0], typical_spread=0)
