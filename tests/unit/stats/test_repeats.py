"""Repeat failures: the one-pass variances against a naive loop, trends and power laws."""

from __future__ import annotations

import numpy as np
import pytest

from fleetlog.stats import errors
from fleetlog.stats.histories import MachineHistories
from fleetlog.stats.recurrent import compare_event_rates, mean_cumulative, mean_cumulative_difference
from fleetlog.stats.trend import fleet_power_law, laplace_test, mil_hdbk_189_test


def fleet(seed: int, machines: int = 25) -> MachineHistories:
    """Machines with windows that begin late and end early, some far worse than others."""
    rng = np.random.default_rng(seed)
    entry = rng.integers(0, 200, machines) * (rng.random(machines) < 0.6)
    exit = entry + rng.integers(50, 800, machines)
    number = rng.poisson((exit - entry) * rng.gamma(1.0, 0.006, machines))
    unit = np.repeat(np.arange(machines), number)
    events = entry[unit] + 1 + (rng.random(unit.size) * (exit - entry)[unit]).astype(int)
    return MachineHistories.of(np.arange(machines), entry, exit, unit, np.minimum(events, exit[unit]))


def naive(h: MachineHistories) -> tuple[np.ndarray, np.ndarray]:
    """Mean cumulative count and its robust variance, machine by machine."""
    ages = sorted(set(h.event_ticks.tolist()))
    n = h.machines
    events = np.zeros((n, len(ages)))
    for m, t, c in zip(h.event_machine, h.event_ticks, h.event_count, strict=True):
        events[m, ages.index(t)] += c
    at_risk = np.array([[h.entry[m] < t <= h.exit[m] for t in ages] for m in range(n)], dtype=float)
    y = at_risk.sum(axis=0)
    mean = (events * at_risk).sum(axis=0) / y
    residual = (events - mean) * at_risk
    return np.cumsum(mean), (np.cumsum(residual / y, axis=1) ** 2).sum(axis=0)


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_two_roads(seed: int) -> None:
    h = fleet(seed)
    count, robust = naive(h)
    curve = mean_cumulative(h)
    assert curve.count == pytest.approx(count, rel=1e-12)
    assert curve.std_error**2 == pytest.approx(robust, rel=1e-9, abs=1e-14)


def test_one_event_at_most_is_a_survival_analysis() -> None:
    """With single events that end observation the count is the sum of d/Y."""
    h = MachineHistories.of(range(4), 0, [10, 20, 30, 40], [0, 1, 3], [10, 20, 40])
    assert mean_cumulative(h).count == pytest.approx([1 / 4, 1 / 4 + 1 / 3, 1 / 4 + 1 / 3 + 1])


def test_machines_without_any_event() -> None:
    curve = mean_cumulative(MachineHistories.of([1, 2], 0, [100, 200], [], []))
    assert curve.count.size == 0
    assert "no event" in str(curve.note)
    assert curve.at([5.0])[0].tolist() == [0.0]
    assert np.isnan(curve.at([25.0])[0][0])


def test_wrong_histories_have_named_errors() -> None:
    with pytest.raises(errors.LengthMismatch, match="two windows"):
        MachineHistories.of([1, 1], 0, [100, 200], [], [])
    with pytest.raises(errors.LengthMismatch, match="machine 9 has an event but no window"):
        MachineHistories.of([1, 2], 0, [100, 200], [9], [50])
    with pytest.raises(errors.LengthMismatch, match="machine -3 has an event but no window"):
        MachineHistories.of([0, 1], 0, [100, 200], [-3], [50])
    with pytest.raises(errors.LengthMismatch, match="no window"):
        MachineHistories.of([], [], [], [1], [50])
    with pytest.raises(errors.BadCount, match="outside its window"):
        MachineHistories.of([1, 2], 0, [100, 200], [1], [150])
    with pytest.raises(errors.BadAge):
        MachineHistories.of([1, 2], 200, [300, 200], [1], [250])


def test_names_and_weights_of_events_in_any_form() -> None:
    """Text names, counted rows and repeated rows tell the same story."""
    plain = MachineHistories.of([0, 1], 0, [100, 90], [0, 0, 0, 1], [50, 50, 70, 30])
    named = MachineHistories.of(["x", "w"], 0, [100, 90], ["x", "w", "x"], [50, 30, 70], [2, 1, 1])
    assert named.event_ticks.tolist() == [30, 50, 70]
    one, other = mean_cumulative(plain), mean_cumulative(named)
    assert one.count.tolist() == other.count.tolist()
    assert one.std_error == pytest.approx(other.std_error, rel=1e-12)


def test_ages_beyond_any_table_are_searched_for() -> None:
    """A tick so large that no look-up table is made for it gives the same answer by searching."""
    far = 10**9
    near = MachineHistories.of([0, 1], 0, [100, 90], [0, 0, 1], [50, 70, 30])
    distant = MachineHistories.of([0, 1], 0, [100 * far, 90 * far], [0, 0, 1], [50 * far, 70 * far, 30 * far])
    one, other = mean_cumulative(near), mean_cumulative(distant)
    assert one.std_error.tolist() == other.std_error.tolist()
    assert other.hours == pytest.approx(one.hours * far)


def test_difference_of_a_group_with_itself() -> None:
    curve = mean_cumulative(fleet(2))
    d = mean_cumulative_difference(curve, curve)
    assert np.abs(d.difference).max() == 0
    assert d.p == pytest.approx(1)
    assert d.std_error[-1] == pytest.approx(np.sqrt(2) * curve.std_error[-1])


def test_rate_comparison_by_naive_scores() -> None:
    a, b = fleet(7), fleet(8)
    test = compare_event_rates([a, b], names=["a", "b"])
    ages = np.unique(np.concatenate([a.event_ticks, b.event_ticks]))
    y = [np.array([((h.entry < t) & (t <= h.exit)).sum() for t in ages]) for h in (a, b)]
    share = y[0] / (y[0] + y[1])
    d = [np.array([h.event_count[h.event_ticks == t].sum() for t in ages]) for h in (a, b)]
    rate = (d[0] + d[1]) / (y[0] + y[1])
    variance = 0.0
    for h, side in ((a, 1 - share), (b, -share)):
        for m in range(h.machines):
            mine = np.array(
                [h.event_count[(h.event_machine == m) & (h.event_ticks == t)].sum() for t in ages]
            )
            watched = (h.entry[m] < ages) & (ages <= h.exit[m])
            variance += float((side * watched * (mine - rate)).sum()) ** 2
    u = float((d[0] - share * (d[0] + d[1])).sum())
    assert test.observed[0] - test.expected[0] == pytest.approx(u, rel=1e-10)
    assert test.chi2 == pytest.approx(u**2 / variance, rel=1e-9)


def test_fleet_power_law_of_one_machine_is_the_closed_form() -> None:
    """Crow 1975, time truncated: shape n / sum of log(end / age), rate n / end^shape."""
    hours = np.array([5.0, 40, 43, 175, 389, 712, 747, 795, 1299, 1478])
    one = MachineHistories.of([0], 0, [15000], np.zeros(10, dtype=int), hours * 10)
    law, shape = fleet_power_law(one.table()), 10 / np.log(1500 / hours).sum()
    rate = 10 / 1500**shape
    assert law.shape == pytest.approx(shape, rel=1e-12)
    assert law.rate == pytest.approx(rate, rel=1e-10)
    # twice the log-likelihood ratio against a constant rate
    flat = 10 * np.log(10 / 1500) - 10
    best = (np.log(rate * shape) + (shape - 1) * np.log(hours)).sum() - 10
    assert law.constant_rate_chi2 == pytest.approx(2 * (best - flat), rel=1e-10)


def test_pooled_trend_statistics_add_up() -> None:
    """Two machines: scores and variances are sums."""
    first, second = [10.0, 50, 60], [30.0, 35]
    h = MachineHistories.of([1, 2], 0, [1000, 400], [1, 1, 1, 2, 2], [100, 500, 600, 300, 350])
    score = sum(x - 50 for x in first) + sum(x - 20 for x in second)
    assert laplace_test(h).statistic == pytest.approx(
        score / np.sqrt((3 * 100**2 + 2 * 40**2) / 12), rel=1e-14
    )
    chi = mil_hdbk_189_test(h)
    assert chi.df == 10
    assert chi.statistic == pytest.approx(
        2 * (sum(np.log(100 / x) for x in first) + sum(np.log(40 / x) for x in second)), rel=1e-14
    )


def test_late_windows_shift_the_middle() -> None:
    """Failures at the middle of a window from 100 to 200 h show no trend."""
    late = MachineHistories.of([1], 1000, [2000], [1], [1500])
    assert laplace_test(late).statistic == pytest.approx(0)
    assert laplace_test(late).direction == "neither"
    with pytest.raises(errors.BadArgument, match="watched from new"):
        mil_hdbk_189_test(late)


def test_too_little_for_a_trend() -> None:
    with pytest.raises(errors.TooFewFailures):
        laplace_test(MachineHistories.of([1], 0, [100], [], []))
    with pytest.raises(errors.TooFewFailures):
        fleet_power_law(MachineHistories.of([1], 0, [100], [1], [50]).table())
