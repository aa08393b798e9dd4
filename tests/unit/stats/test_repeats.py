"""Repeat failures: the one-pass variances against a naive loop, trends and power laws."""

from __future__ import annotations

import numpy as np
import pytest

from fleetlog.stats import errors
from fleetlog.stats.recurrent import (
    MachineHistories,
    compare_event_rates,
    mean_cumulative,
    mean_cumulative_difference,
)
from fleetlog.stats.trend import (
    event_rate,
    fleet_power_law,
    grouped_power_law,
    laplace_test,
    lewis_robinson_test,
    mil_hdbk_189_test,
    power_law,
    rising_pairs,
)


def fleet(seed: int, machines: int = 25) -> MachineHistories:
    """Machines with windows that begin late and end early, some far worse than others."""
    rng = np.random.default_rng(seed)
    entry = rng.integers(0, 200, machines) * (rng.random(machines) < 0.6)
    exit = entry + rng.integers(50, 800, machines)
    number = rng.poisson((exit - entry) * rng.gamma(1.0, 0.006, machines))
    unit = np.repeat(np.arange(machines), number)
    events = entry[unit] + 1 + (rng.random(unit.size) * (exit - entry)[unit]).astype(int)
    return MachineHistories.of(np.arange(machines), entry, exit, unit, np.minimum(events, exit[unit]))


def naive(h: MachineHistories) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Mean cumulative count, robust and unbiased variance, machine by machine and pair by pair of ages."""
    ages = sorted(set(h.event_ticks.tolist()))
    n = h.machines
    events = np.zeros((n, len(ages)))
    for m, t, c in zip(h.event_machine, h.event_ticks, h.event_count, strict=True):
        events[m, ages.index(t)] += c
    at_risk = np.array([[h.entry[m] < t <= h.exit[m] for t in ages] for m in range(n)], dtype=float)
    y = at_risk.sum(axis=0)
    mean = (events * at_risk).sum(axis=0) / y
    residual = (events - mean) * at_risk
    robust = (np.cumsum(residual / y, axis=1) ** 2).sum(axis=0)
    unbiased = []
    for k in range(len(ages)):
        total = 0.0
        for j in range(k + 1):
            for i in range(k + 1):
                late, early = max(i, j), min(i, j)
                both = (residual[:, early] * residual[:, late] * at_risk[:, late]).sum()
                total += both / (y[early] * (y[late] - 1)) if y[late] > 1 else np.nan
        unbiased.append(total)
    return np.cumsum(mean), robust, np.array(unbiased)


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_two_roads(seed: int) -> None:
    h = fleet(seed)
    count, robust, _ = naive(h)
    curve = mean_cumulative(h)
    assert curve.count == pytest.approx(count, rel=1e-12)
    assert curve.std_error**2 == pytest.approx(robust, rel=1e-9, abs=1e-14)


def test_unbiased_variance_by_pairs_of_ages() -> None:
    """All watched from new: whoever is at risk at the later age was at the earlier."""
    h = fleet(6)
    h = MachineHistories(np.zeros_like(h.entry), h.exit, h.event_machine, h.event_ticks, h.event_count)
    _, _, unbiased = naive(h)
    found = mean_cumulative(h, variance="unbiased").std_error ** 2
    kept = np.isfinite(found) & (np.array(unbiased) > 0)
    assert kept.sum() > 10
    assert found[kept] == pytest.approx(unbiased[kept], rel=1e-8)


def test_one_event_at_most_is_a_survival_analysis() -> None:
    """With single events that end observation the count is Nelson-Aalen's and Poisson's variance is Aalen's."""
    h = MachineHistories.of(range(4), 0, [10, 20, 30, 40], [0, 1, 3], [10, 20, 40])
    curve = mean_cumulative(h, variance="poisson")
    assert curve.count == pytest.approx([1 / 4, 1 / 4 + 1 / 3, 1 / 4 + 1 / 3 + 1])
    assert curve.std_error[0] == pytest.approx(1 / 4)


def test_counts_alone_allow_only_the_poisson_variance() -> None:
    table = fleet(1).table()
    assert mean_cumulative(table).variance == "poisson"
    with pytest.raises(errors.BadArgument, match="single machines"):
        mean_cumulative(table, variance="robust")


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
    with pytest.raises(errors.MoreFailedThanAtRisk, match="outside its window"):
        MachineHistories.of([1, 2], 0, [100, 200], [1], [150])
    with pytest.raises(errors.EntryEqualsExit):
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
    hours = np.array([5.0, 40, 43, 175, 389, 712, 747, 795, 1299, 1478])
    one = MachineHistories.of([0], 0, [15000], np.zeros(10, dtype=int), hours * 10)
    law, closed = fleet_power_law(one.table()), power_law(hours, 1500)
    assert law.shape == pytest.approx(closed.shape, rel=1e-12)
    assert law.rate == pytest.approx(closed.rate, rel=1e-10)
    assert law.expected(1500) == pytest.approx(10, rel=1e-12)
    assert law.intensity([1500.0])[0] == pytest.approx(closed.intensity, rel=1e-12)
    # twice the log-likelihood ratio against a constant rate
    flat = 10 * np.log(10 / 1500) - 10
    best = (np.log(closed.rate * closed.shape) + (closed.shape - 1) * np.log(hours)).sum() - 10
    assert law.constant_rate_chi2 == pytest.approx(2 * (best - flat), rel=1e-10)


def test_pooled_trend_statistics_add_up() -> None:
    """Two machines: scores and variances are sums, whether given as lists or as histories."""
    first, second = [10.0, 50, 60], [30.0, 35]
    z = laplace_test([first, second], [100, 40])
    score = sum(x - 50 for x in first) + sum(x - 20 for x in second)
    assert z.statistic == pytest.approx(score / np.sqrt((3 * 100**2 + 2 * 40**2) / 12), rel=1e-14)
    h = MachineHistories.of([1, 2], 0, [1000, 400], [1, 1, 1, 2, 2], [100, 500, 600, 300, 350])
    assert laplace_test(h).statistic == pytest.approx(z.statistic, rel=1e-14)
    chi = mil_hdbk_189_test(h)
    assert chi.df == 10
    assert chi.statistic == pytest.approx(
        2 * (sum(np.log(100 / x) for x in first) + sum(np.log(40 / x) for x in second)), rel=1e-14
    )


def test_late_windows_shift_the_middle() -> None:
    """Failures at the middle of a window from 100 to 200 h show no trend."""
    assert laplace_test([150.0], 200, start_hours=100).statistic == pytest.approx(0)
    late = MachineHistories.of([1], 1000, [2000], [1], [1500])
    with pytest.raises(errors.BadArgument, match="watched from new"):
        mil_hdbk_189_test(late)


def test_too_little_for_a_trend() -> None:
    with pytest.raises(errors.TooFewFailures):
        laplace_test([10.0])
    with pytest.raises(errors.TooFewFailures):
        power_law([10.0, 20.0], 30)
    with pytest.raises(errors.BadAge):
        laplace_test([10.0, 50.0], 40)
    with pytest.raises(errors.BadArgument, match="alike"):
        lewis_robinson_test([10.0, 20.0, 30.0], 40)
    with pytest.raises(errors.TooFewFailures, match="one interval"):
        grouped_power_law([0, 10, 20], [5, 0])
    with pytest.raises(errors.TooFewFailures, match="upper limit"):
        event_rate([0, 0], [10, 10])
    with pytest.raises(errors.TooFewFailures):
        fleet_power_law(MachineHistories.of([1], 0, [100], [1], [50]).table())


def test_rising_pairs_of_an_improving_machine() -> None:
    pairs, z = rising_pairs([1, 2, 3, 4])
    assert pairs == 6
    # n(n-1)/4 = 3, variance 13 * 12 / 72
    assert z == pytest.approx(3 / np.sqrt(13 * 12 / 72))


def test_dispersion_tells_bad_machines() -> None:
    alike, unlike = event_rate([3, 3, 3], [100, 100, 100]), event_rate([0, 0, 9], [100, 100, 100])
    assert alike.pearson == 0
    assert unlike.dispersion > 5
    assert unlike.p < 0.001
