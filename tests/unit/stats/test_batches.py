"""Months of build that stand out: against a naive scan, and false alarms over many fleets alike."""

from __future__ import annotations

import numpy as np
import pytest

from fleetlog.stats.batches import Built, outstanding_run
from fleetlog.stats.errors import BadArgument


def fleet(
    seed: int, machines: int = 300, bad: tuple[int, int] | None = None, times: float = 1.0
) -> list[Built]:
    """First cases of machines of two makes, built over eight years, that come under observation late or not at all.

    Lives wear (Weibull, shape 2); those of make A built in the months of `bad` live shorter by `times`.
    """
    rng = np.random.default_rng(seed)
    month, make = rng.integers(0, 96, machines), rng.random(machines) < 0.5
    life = np.where(make, 4000.0, 7000.0) * rng.weibull(2.0, machines)
    if bad is not None:
        life = np.where(make & (month >= bad[0]) & (month <= bad[1]), life / times, life)
    hours_a_month = rng.gamma(4.0, 20.0, machines)
    entry, leaving = np.maximum(48 - month, 0) * hours_a_month, (108 - month) * hours_a_month
    seen = (entry < leaving) & (life > entry)
    failed_at = np.where(life <= leaving, life, np.nan)
    return [
        Built((name,), *(each[seen & (make == of)] for each in (month, entry, leaving, failed_at)))
        for name, of in (("A", True), ("B", False))
    ]


@pytest.mark.slow
def test_fleets_alike_raise_no_more_alarms_than_stated() -> None:
    """200 fleets at 5 %: one alarm a fleet at most, however many runs of months were looked at."""
    found = [outstanding_run(fleet(seed), draws=199, seed=seed) for seed in range(200)]
    alarms = np.mean([batch is not None and batch.p <= 0.05 for batch in found])
    assert alarms < 0.05 + 3 * np.sqrt(0.05 * 0.95 / 200)
    assert alarms > 0.0
    p = np.array([batch.p for batch in found if batch is not None])
    assert 0.4 < p.mean() < 0.65  # neither lax nor idle


def test_a_bad_batch_is_found_where_it_is() -> None:
    found = [outstanding_run(fleet(seed, bad=(50, 57), times=3.0), draws=199) for seed in range(10)]
    flagged = [batch for batch in found if batch is not None and batch.p <= 0.05]
    assert len(flagged) >= 7
    for batch in flagged:
        assert batch.stratum == ("A",)
        assert batch.first <= 57
        assert batch.last >= 50
        assert 1.0 < batch.ratio(0.95)[0] < batch.observed / batch.expected
    assert np.median([batch.ratio(0.95)[1] for batch in flagged]) > 1.0


def test_the_run_is_the_one_that_a_naive_scan_finds() -> None:
    (one, _) = fleet(7, bad=(50, 57), times=4.0)
    ages = np.unique(one.failed_at[~np.isnan(one.failed_at)])
    exit_at = np.where(np.isnan(one.failed_at), one.end, one.failed_at)
    expected = np.zeros(96)
    observed = np.bincount(one.month[~np.isnan(one.failed_at)], minlength=96)
    for age in ages:  # the log-rank test's own sums
        at_risk = (one.entry < age) & (exit_at >= age)
        expected += (
            (one.failed_at == age).sum() * np.bincount(one.month[at_risk], minlength=96) / at_risk.sum()
        )
    months, total, best, where = np.unique(one.month), observed.sum(), 0.0, (0, 0)
    for i in months:
        for j in months[(months >= i) & (months < i + 12)]:
            o, e = observed[i : j + 1].sum(), expected[i : j + 1].sum()
            if o > e > 0:
                ratio = o * np.log(o / e) + (total - o) * np.log((total - o) / (total - e))
                if ratio > best + 1e-9:
                    best, where = ratio, (int(i), int(j))
    found = outstanding_run([one], longest=12, draws=99)
    assert found is not None
    assert (found.first, found.last) == where
    assert found.observed == observed[where[0] : where[1] + 1].sum()
    assert found.p == 0.01


def test_where_nothing_can_stand_out() -> None:
    none = Built(("one",), np.array([1, 2]), np.zeros(2), np.ones(2), np.full(2, np.nan))
    alone = Built(("two",), np.array([1, 1]), np.zeros(2), np.ones(2), np.array([0.5, np.nan]))
    assert outstanding_run([none, alone]) is None
    assert outstanding_run([]) is None
    with pytest.raises(BadArgument):
        outstanding_run([], draws=0)
