"""Intervals for shares and counts, and comeback rates with repairs still being followed."""

from __future__ import annotations

import pytest
from scipy import stats

from fleetlog.stats import proportions as pr
from fleetlog.stats.errors import BadArgument
from fleetlog.stats.risk_table import RiskTable


@pytest.mark.parametrize("x", [0, 1, 4, 30])
def test_poisson_limits_by_their_definition(x: int) -> None:
    low, high = pr.garwood(x, level=0.9)
    assert stats.poisson.cdf(x, high) == pytest.approx(0.05, rel=1e-9)
    if x:
        assert stats.poisson.sf(x - 1, low) == pytest.approx(0.05, rel=1e-9)


def test_limits_mirror_when_success_and_failure_swap() -> None:
    for x, n in ((0, 5), (3, 5), (5, 5), (17, 60)):
        low, high = pr.wilson(x, n)
        back = pr.wilson(n - x, n)
        assert (low, high) == pytest.approx((1 - back.upper, 1 - back.lower), abs=1e-10)
        assert 0 <= low <= x / n <= high <= 1


def test_wrong_counts_are_refused() -> None:
    for x, n in ((3, 2), (-1, 4), (0, 0)):
        with pytest.raises(BadArgument, match="is no share"):
            pr.wilson(x, n)
    with pytest.raises(BadArgument):
        pr.garwood(-1)


class TestComebacks:
    def test_everything_followed_is_a_plain_share(self) -> None:
        """Ten repairs, three back within 50 h, seven followed for 60 h or more."""
        table = RiskTable.from_spells(0, [100, 200, 499, *[600] * 7], [1, 1, 1, *[0] * 7])
        rate = pr.comeback_rate(table, 50)
        assert (rate.method, rate.rate, rate.comebacks, rate.censored) == ("wilson", 0.3, 3, 0)
        assert (rate.lower, rate.upper) == pytest.approx(pr.wilson(3, 10), rel=1e-14)

    def test_comeback_after_the_window_is_none(self) -> None:
        rate = pr.comeback_rate(RiskTable.from_spells(0, [400, 600], [1, 1]), 50)
        assert (rate.comebacks, rate.rate) == (1, 0.5)

    def test_end_of_following_at_the_window_itself_is_long_enough(self) -> None:
        rate = pr.comeback_rate(RiskTable.from_spells(0, [500, 500, 100], [0, 0, 1]), 50)
        assert rate.method == "wilson"

    def test_still_followed_repairs_use_the_product_limit(self) -> None:
        """1 of 4 back at 10 h, one lost at 20 h, 1 of 2 back at 30 h: 1 - 3/4 * 1/2 = 5/8."""
        table = RiskTable.from_spells(0, [100, 200, 300, 600], [1, 0, 1, 0])
        rate = pr.comeback_rate(table, 50)
        assert rate.method == "product-limit"
        assert rate.rate == pytest.approx(5 / 8, rel=1e-14)
        assert (rate.attempts, rate.comebacks, rate.censored) == (4, 2, 1)
        # trials with this share and Greenwood's variance: S^2 (1/12 + 1/2) = S (1 - S) / n
        size = (5 / 8) / ((3 / 8) * (1 / 12 + 1 / 2))
        assert (rate.lower, rate.upper) == pytest.approx(pr.wilson(size * 5 / 8, size), rel=1e-12)

    def test_none_back_and_some_lost(self) -> None:
        rate = pr.comeback_rate(RiskTable.from_spells(0, [100, 600, 600], [0, 0, 0]), 50)
        assert rate.rate == 0
        assert rate.lower == 0
        assert rate.upper == pytest.approx(pr.wilson(0, 2).upper)

    def test_nobody_followed_through_the_window(self) -> None:
        rate = pr.comeback_rate(RiskTable.from_spells(0, [100, 200], [1, 0]), 50)
        assert rate.rate == 0.5
        assert "lower bound" in str(rate.note)

    def test_no_repairs(self) -> None:
        rate = pr.comeback_rate(RiskTable.from_spells([], [], []), 50)
        assert rate.rate is None
        with pytest.raises(BadArgument, match="window"):
            pr.comeback_rate(RiskTable.from_spells(0, [10], [1]), 0)
