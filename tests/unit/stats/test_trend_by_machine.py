"""Trend by machine: false alarms where there is none, power where there is one, and the law by a second road."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import optimize, stats

from fleetlog.stats.errors import TooFewFailures
from fleetlog.stats.histories import MachineHistories
from fleetlog.stats.trend import fleet_power_law, laplace_test
from fleetlog.stats.trend_by_machine import laplace_by_machine, power_law_by_machine


def drawn(
    rng: np.random.Generator, machines: int, *, bunches: bool = False, mixed: bool = False, shape: float = 1.0
) -> MachineHistories:
    """Machines watched over stretches of their own; old ones fail twice as often where they are mixed."""
    start = rng.integers(0, 30_000, machines) * (rng.random(machines) < 0.7)
    end = start + rng.integers(5_000, 40_000, machines)
    rate = rng.gamma(1.0, 1.0, machines) * np.where(start > 15_000, 2.0, 1.0) if mixed else np.ones(machines)
    unit, at = [], []
    for i in range(machines):
        low, high = ((max(age, 0) / 20_000) ** shape for age in (start[i] - 6000 * bunches, end[i]))
        for _ in range(rng.poisson(1.5 * rate[i] * (high - low))):
            first = 20_000 * rng.uniform(low, high) ** (1.0 / shape)
            for k in range(rng.geometric(0.45) if bunches else 1):
                age = int(np.ceil(first + 500 * k))
                if start[i] < age <= end[i]:
                    unit.append(i)
                    at.append(age)
    return MachineHistories.of(np.arange(machines), start, end, np.array(unit), np.array(at))


@pytest.mark.parametrize("bunches", [False, True])
@pytest.mark.parametrize("mixed", [False, True])
def test_no_trend_is_called_one_in_five_of_a_hundred(bunches: bool, mixed: bool) -> None:
    rng = np.random.default_rng(7)
    trials, called = 400, np.zeros(4)
    for _ in range(trials):
        fleet = drawn(rng, 60, bunches=bunches, mixed=mixed)
        law = power_law_by_machine(fleet)
        called += (
            laplace_by_machine(fleet).p < 0.05,
            law.test.p < 0.05,
            laplace_test(fleet).p < 0.05,
            fleet_power_law(fleet.table()).constant_rate_p < 0.05,
        )
    # two standard errors of 400 trials at 5% are 2.2%
    assert (called[:2] / trials < 0.073).all()
    assert (called[:2] / trials > 0.02).all()
    assert called[2] / trials > 0.15 or not bunches
    assert called[3] / trials > 0.15 or not (bunches or mixed)


def test_a_trend_is_found_and_its_shape_held() -> None:
    rng = np.random.default_rng(8)
    held = found = 0
    for _ in range(60):
        law = power_law_by_machine(drawn(rng, 80, shape=2.0))
        held += law.shape_ci[0] <= 2.0 <= law.shape_ci[1]
        found += law.test.p < 0.05 and law.test.statistic > 0
    assert held >= 52
    assert found >= 50


def test_the_shape_is_the_most_likely_given_how_many() -> None:
    fleet = drawn(np.random.default_rng(9), 40, shape=1.5)
    who = np.repeat(fleet.event_machine, fleet.event_count)
    at = np.repeat(fleet.event_ticks, fleet.event_count) / 10
    start, end = fleet.entry[who] / 10, fleet.exit[who] / 10

    def against(k: float) -> float:
        return -float((np.log(k) + (k - 1) * np.log(at) - np.log(end**k - start**k)).sum())

    best = optimize.minimize_scalar(against, bounds=(0.1, 5.0), method="bounded", options={"xatol": 1e-9}).x
    law = power_law_by_machine(fleet)
    assert law.shape == pytest.approx(best, rel=1e-5)
    assert law.shape_ci[0] < law.shape < law.shape_ci[1]


def test_laplace_by_machine_is_a_test_of_one_sample() -> None:
    fleet = drawn(np.random.default_rng(10), 30)
    who = np.repeat(fleet.event_machine, fleet.event_count)
    score = np.repeat(fleet.event_ticks, fleet.event_count) - 0.5 * (fleet.entry + fleet.exit)[who]
    sums = np.array([score[who == i].sum() for i in np.unique(who)])
    expected = stats.ttest_1samp(sums, 0.0)
    found = laplace_by_machine(fleet)
    assert (found.statistic, found.p) == pytest.approx((expected.statistic, expected.pvalue))
    assert (found.df, found.events) == (sums.size - 1, who.size)


def test_few_machines_are_refused() -> None:
    fleet = MachineHistories.of(np.arange(9), 0, np.full(9, 1000), np.arange(9), np.full(9, 500))
    with pytest.raises(TooFewFailures, match="9 machines with an episode are too few"):
        laplace_by_machine(fleet)
