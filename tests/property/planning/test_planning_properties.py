"""What must hold of counts, weighted lives, renewals and schedules whatever the numbers."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from fleetlog.stats.counts import count_sums, mixture
from fleetlog.stats.renewal_value import (
    Lives,
    Prices,
    best_policy,
    discounted_hours,
    policy_rate,
    saving_now,
    waiting_rate,
)
from fleetlog.stats.schedule import Visits, best_schedule
from fleetlog.stats.weighted_lives import Default, ObservedLives

CHANCES = st.lists(st.floats(0, 1), min_size=1, max_size=60)
QUICK = settings(max_examples=40, deadline=None)


def padded(chance: np.ndarray, size: int) -> np.ndarray:
    return np.pad(chance, (0, size - chance.size))


@QUICK
@given(CHANCES)
def test_counts_have_the_moments_of_their_chances(chances: list[float]) -> None:
    p = np.array(chances)
    found = mixture([count_sums(p)])
    assert abs(found.chance.sum() - 1) < 1e-12
    assert abs(found.mean - p.sum()) < 1e-9
    assert abs(found.variance - (p * (1 - p)).sum()) < 1e-8
    assert (found.chance >= 0).all()


@QUICK
@given(CHANCES, st.randoms(use_true_random=False))
def test_the_order_of_units_does_not_matter(chances: list[float], random: object) -> None:
    shuffled = list(chances)
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    one, other = (mixture([count_sums(np.array(x))]).chance for x in (chances, shuffled))
    size = max(one.size, other.size)
    np.testing.assert_allclose(padded(one, size), padded(other, size), atol=1e-13)


@QUICK
@given(CHANCES, st.integers(1, 59))
def test_splitting_a_group_changes_nothing(chances: list[float], cut: int) -> None:
    p = np.array(chances)
    apart = mixture([count_sums(p[:cut]) + count_sums(p[cut:])]).chance
    whole = mixture([count_sums(p)]).chance
    size = max(apart.size, whole.size)
    np.testing.assert_allclose(padded(apart, size), padded(whole, size), atol=1e-12)


@QUICK
@given(CHANCES)
def test_a_unit_that_surely_fails_moves_every_count_by_one(chances: list[float]) -> None:
    p = np.array(chances)
    without, with_it = (mixture([count_sums(x)]).chance for x in (p, np.append(p, 1.0)))
    size = max(with_it.size, without.size + 1)
    np.testing.assert_allclose(padded(with_it, size)[1:], padded(without, size - 1), atol=1e-13)


@st.composite
def spells(draw: st.DrawFn) -> ObservedLives:
    n = draw(st.integers(4, 30))
    entry = np.array(draw(st.lists(st.integers(0, 30_000), min_size=n, max_size=n)))
    stay = np.array(draw(st.lists(st.integers(1, 60_000), min_size=n, max_size=n)))
    failed = np.array(draw(st.lists(st.integers(0, 1), min_size=n, max_size=n)))
    return ObservedLives(entry, entry + stay, failed, np.arange(n))


@QUICK
@given(spells())
def test_the_order_of_spells_does_not_matter(lives: ObservedLives) -> None:
    default = Default(2.0, 4000, 3)
    back = slice(None, None, -1)
    turned = ObservedLives(lives.entry[back], lives.exit[back], lives.failed[back], lives.machine[back])
    np.testing.assert_allclose(lives.fit(default), turned.fit(default), rtol=1e-8)


@QUICK
@given(spells(), st.sampled_from([2, 5, 10]))
def test_another_unit_of_time_only_scales(lives: ObservedLives, factor: int) -> None:
    one = lives.fit(Default(2.0, 4000, 3))
    scaled = ObservedLives(lives.entry * factor, lives.exit * factor, lives.failed, lives.machine)
    other = scaled.fit(Default(2.0, 4000 * factor, 3))
    np.testing.assert_allclose(other.shape, one.shape, rtol=1e-7)
    np.testing.assert_allclose(other.scale_hours, one.scale_hours * factor, rtol=1e-6)


@QUICK
@given(spells(), st.floats(0.2, 8))
def test_cutting_spells_in_two_changes_nothing(lives: ObservedLives, share: float) -> None:
    middle = lives.entry + np.maximum(1, ((lives.exit - lives.entry) * min(share, 0.9)).astype(int))
    cut = middle < lives.exit
    entry = np.concatenate((lives.entry, middle[cut]))
    leave = np.concatenate((np.where(cut, middle, lives.exit), lives.exit[cut]))
    failed = np.concatenate((np.where(cut, 0, lives.failed), lives.failed[cut]))
    machine = np.concatenate((lives.machine, lives.machine[cut]))
    default = Default(2.0, 4000, 3)
    np.testing.assert_allclose(
        ObservedLives(entry, leave, failed, machine).fit(default), lives.fit(default), rtol=1e-7
    )


SHAPES, SCALES = st.floats(1.05, 6.0), st.floats(500, 50_000)
COSTS = st.tuples(st.floats(100, 5000), st.floats(1.05, 20.0))


@QUICK
@given(SHAPES, SCALES, COSTS, st.floats(0, 1e-3))
def test_the_best_policy_is_no_dearer_than_waiting_or_any_other_age(
    shape: float, scale: float, costs: tuple[float, float], leaving: float
) -> None:
    planned, ratio = costs
    lives, prices = Lives.of([shape], [scale]), Prices.of([planned], [planned * ratio], [leaving])
    age, rate = best_policy(lives, prices)
    assert rate[0] <= waiting_rate(lives, prices)[0] * (1 + 1e-9)
    for factor in (0.5, 0.8, 1.25, 2.0):
        tried = age * factor if np.isfinite(age[0]) else np.array([scale * factor])
        assert rate[0] <= policy_rate(lives, prices, tried)[0] * (1 + 1e-7)


@QUICK
@given(SHAPES, SCALES, st.floats(0, 3), st.floats(0, 1e-3))
def test_an_older_part_runs_for_less_and_is_worth_more_to_replace(
    shape: float, scale: float, times: float, leaving: float
) -> None:
    lives = Lives.of([shape, shape], [scale, scale])
    ages = np.array([times, times + 0.5]) * scale
    hours = discounted_hours(lives, ages, np.inf, leaving)
    assert hours[1] < hours[0]
    prices = Prices.of([1000.0] * 2, [5000.0] * 2, [leaving] * 2)
    saving = saving_now(lives, prices, ages, np.zeros(2))
    assert saving[1] >= saving[0] - 1e-6


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 10_000), st.floats(14, 80), st.integers(1, 4))
def test_more_room_or_one_more_machine_never_saves_less(seed: int, hours: float, jobs: int) -> None:
    rng = np.random.default_rng(seed)
    machine, week, kind = (x.reshape(-1) for x in np.meshgrid(range(6), range(3), range(2), indexing="ij"))
    takes = np.array([13.5, 15.0])[kind]
    use = np.column_stack((takes, np.ones(machine.size)))
    worth = rng.uniform(-200, 2000, machine.size)
    limits = np.tile((hours, float(jobs)), (3, 1))

    def best(rows: np.ndarray, room: np.ndarray) -> float:
        found = best_schedule(Visits(machine[rows], week[rows], use[rows], worth[rows]), room, gap=1e-9)
        assert found is not None
        assert found.worth <= found.bound + 1e-9
        return found.worth

    everything, fewer = np.ones(machine.size, dtype=bool), machine < 5
    whole = best(everything, limits)
    assert whole <= best(everything, limits * 1.3) + 1e-6
    assert best(fewer, limits) <= whole + 1e-6
