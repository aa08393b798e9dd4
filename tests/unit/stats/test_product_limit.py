"""Survival curves by hand in exact fractions, and by a second road."""

from __future__ import annotations

from fractions import Fraction
from math import log, sqrt

import numpy as np
import pytest
from spells import causes_table

from fleetlog.stats.errors import BadArgument
from fleetlog.stats.product_limit import Quantile, aalen_johansen, product_limit
from fleetlog.stats.risk_table import RiskTable

# Six spells, one of them late: failures at 3.0 h (2 of 4 at risk) and 5.0 h (1 of 3); see test_risk_table.
TABLE = RiskTable.from_spells([0, 0, 20, 10, 30, 0], [30, 50, 50, 30, 70, 20], [1, 0, 1, 1, 0, 0])


def test_by_hand_in_fractions() -> None:
    """S(3) = 1 - 2/4 = 1/2; S(5) = 1/2 (1 - 1/3) = 1/3. Greenwood: 2/(4*2) = 1/4, then + 1/(3*2) = 5/12."""
    curve = product_limit(TABLE, minimum_at_risk=0)
    assert curve.hours.tolist() == [3.0, 5.0]
    assert curve.survival == pytest.approx([Fraction(1, 2), Fraction(1, 3)], rel=1e-15)
    assert curve.std_error == pytest.approx([sqrt(1 / 4) / 2, sqrt(5 / 12) / 3], rel=1e-15)
    assert curve.from_hours == 0
    assert curve.note is None


def test_log_log_interval_by_formula() -> None:
    curve = product_limit(TABLE, minimum_at_risk=0)
    spread = 1.959963984540054 * sqrt(1 / 4) / log(0.5)
    assert curve.lower[0] == pytest.approx(0.5 ** np.exp(-spread), rel=1e-14)
    assert curve.upper[0] == pytest.approx(0.5 ** np.exp(spread), rel=1e-14)


def test_reading_the_curve() -> None:
    at = product_limit(TABLE, minimum_at_risk=0).at([0, 2.9, 3.0, 4.9, 5, 7, 7.1])
    assert at.survival[:6] == pytest.approx([1, 1, 1 / 2, 1 / 2, 1 / 3, 1 / 3])
    assert np.isnan(at.survival[6])  # nobody was followed beyond 7 h
    assert at.at_risk.tolist() == [0, 4, 4, 3, 3, 1, 0]


def test_restricted_mean_by_hand() -> None:
    """Area to 6 h: 3 * 1 + 2 * 1/2 + 1 * 1/3 = 13/3."""
    mean = product_limit(TABLE, minimum_at_risk=0).restricted_mean(6.0)
    assert mean.estimate == pytest.approx(13 / 3, rel=1e-15)
    # areas still to come: 4/3 after 3 h, 1/3 after 5 h
    assert mean.std_error == pytest.approx(sqrt((4 / 3) ** 2 / 4 + (1 / 3) ** 2 / 6), rel=1e-14)
    corrected = product_limit(TABLE, minimum_at_risk=0).restricted_mean(6.0, small_sample=True)
    assert corrected.std_error == pytest.approx(mean.std_error * sqrt(3 / 2), rel=1e-14)
    with pytest.raises(BadArgument, match="beyond"):
        product_limit(TABLE, from_hours=2).restricted_mean(1.0)
    with pytest.raises(BadArgument, match="followed to 8 h"):
        product_limit(TABLE, minimum_at_risk=0).restricted_mean(8.0)
    all_failed = product_limit(RiskTable.from_spells(0, [10, 20], [1, 1]))
    assert all_failed.restricted_mean(5.0).estimate == pytest.approx(1.5)


def test_quantiles_and_not_reached() -> None:
    curve = product_limit(TABLE, minimum_at_risk=0)
    assert curve.quantile(0.5).estimate == 3.0
    assert curve.quantile(0.9).estimate is None
    assert curve.quantile(0.5).upper is None
    with pytest.raises(BadArgument, match="share"):
        curve.quantile(1.0)


def test_zero_survival_keeps_the_last_upper_limit() -> None:
    curve = product_limit(RiskTable.from_spells(0, [10, 20], [1, 1]))
    assert curve.survival.tolist() == [0.5, 0.0]
    assert np.isnan(curve.std_error[1])
    assert curve.lower[1] == 0
    assert curve.upper[1] == curve.upper[0]


def test_no_failure_at_all() -> None:
    curve = product_limit(RiskTable.from_spells(0, [10, 20], [0, 0]))
    assert curve.hours.size == 0
    assert curve.quantile(0.5).estimate is None
    assert curve.at([1.5]).survival.tolist() == [1.0]
    assert curve.to_frame().height == 0


class TestThinEarlyRiskSets:
    """Two old machines are watched early, one of them fails at once; twenty more come in later."""

    entry = (100, 110, *[500] * 20)
    exit = (150, 160, *range(600, 2600, 100))
    failed = (1, 1, *[1] * 10, *[0] * 10)

    def table(self) -> RiskTable:
        return RiskTable.from_spells(self.entry, self.exit, self.failed)

    def test_unconditional_curve_is_drawn_to_zero(self) -> None:
        assert product_limit(self.table(), minimum_at_risk=0).survival[1] == 0

    def test_default_starts_where_enough_are_at_risk_and_says_so(self) -> None:
        curve = product_limit(self.table())
        assert curve.from_hours == 50.0
        assert curve.survival[0] == pytest.approx(1 - 1 / 20)
        assert "surviving to 50 h" in str(curve.note)
        assert "2 failures" in str(curve.note)
        assert curve.failures == 12

    def test_explicit_start(self) -> None:
        curve = product_limit(self.table(), from_hours=61)
        assert curve.from_hours == 61
        assert curve.survival[0] == pytest.approx(1 - 1 / 19)

    def test_small_groups_from_new_are_left_alone(self) -> None:
        curve = product_limit(RiskTable.from_spells([0, 0, 30], [10, 20, 60], [1, 1, 1]))
        assert (curve.from_hours, curve.note) == (0, None)

    def test_curve_starts_again_when_all_fail_before_the_many_come(self) -> None:
        """Six watched from new all fail by 60, thirty come in at 100: most failures lie beyond."""
        table = RiskTable.from_spells(
            [0] * 6 + [100] * 30, [*range(10, 70, 10), *range(200, 500, 10)], [1] * 36
        )
        curve = product_limit(table)
        assert curve.from_hours == 10.0
        assert curve.survival[0] == pytest.approx(29 / 30)
        assert "failed before others came" in str(curve.note)


def test_incidences_and_survival_add_up_to_one() -> None:
    rng = np.random.default_rng(8)
    entry = rng.integers(0, 50, 300)
    table = causes_table(entry, entry + rng.integers(1, 200, 300), rng.integers(0, 4, 300), causes=[1, 2, 3])
    curves = aalen_johansen(table, minimum_at_risk=0)
    assert curves.incidence.sum(axis=1) + curves.survival == pytest.approx(
        np.ones(curves.hours.size), rel=1e-12
    )
    assert ((curves.lower <= curves.incidence) & (curves.incidence <= curves.upper)).all()


def test_incidence_variance_by_jackknife() -> None:
    """The delta method is the infinitesimal jackknife: move each spell's weight a little and square the slopes."""
    exit, cause = [20, 30, 30, 40, 50, 60, 60, 70], [1, 2, 1, 0, 2, 1, 2, 0]
    curves = aalen_johansen(causes_table(0, exit, cause, causes=[1, 2]))
    many = 10_000
    step = 1 / many
    slopes = []
    for i in range(len(exit)):
        weights = np.full(len(exit), many)
        weights[i] += 1
        moved = aalen_johansen(causes_table(0, exit, cause, weights, causes=[1, 2]))
        slopes.append((moved.incidence - curves.incidence) / step)
    jackknife = np.sqrt((np.array(slopes) ** 2).sum(axis=0))
    assert curves.std_error == pytest.approx(jackknife, rel=1e-3)


@pytest.mark.parametrize("bad", ["linear", "", "loglog"])
def test_unknown_interval(bad: str) -> None:
    with pytest.raises(BadArgument, match="log-log"):
        product_limit(TABLE, interval=bad)  # type: ignore[arg-type]


@pytest.mark.parametrize("level", [0, 1, 95, -0.5])
def test_levels_are_fractions(level: float) -> None:
    with pytest.raises(BadArgument, match=r"0\.95"):
        product_limit(TABLE, level=level)


def test_one_failed_unit_has_no_lower_limit_of_its_median() -> None:
    """As survfit of one failure prints it: median 50, limits NA (R survival)."""
    alone = product_limit(RiskTable.from_spells(0, [500], [1]), minimum_at_risk=0)
    assert alone.quantile(0.5) == Quantile(0.5, 50.0, None, None)
    # three, all failed: S = 2/3, 1/3, 0; the lower limit crosses a half while one is left
    three = product_limit(RiskTable.from_spells(0, [100, 200, 300], [1, 1, 1]), minimum_at_risk=0)
    assert three.quantile(0.5).lower == 10.0
    assert three.quantile(0.5).upper is None
