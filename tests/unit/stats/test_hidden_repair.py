"""Silence against books with gaps: by Bayes' rule in plain numbers, and by drawing many such gaps."""

from __future__ import annotations

import doctest
import math

import numpy as np
import pytest

from fleetlog.stats import hidden_repair
from fleetlog.stats.errors import BadArgument
from fleetlog.stats.hidden_repair import ReturnLaw, ReturnLaws, fit_return_law, mended_gaps

LAW = ReturnLaw(
    burst=0.5,
    silent=0.1,
    ended=0.1,
    burst_hours=3.0,
    comeback_hours=60.0,
    silent_hours=400.0,
    background_hours=8000.0,
)


def drawn(law: ReturnLaw, size: int, seed: int) -> tuple[np.ndarray, np.ndarray]:
    draw = np.random.default_rng(seed)
    story = draw.choice(4, size, p=law.shares)
    return story, draw.exponential(law.means[story])


def test_the_examples_are_true() -> None:
    tried = doctest.testmod(hidden_repair)
    assert tried.attempted >= 6
    assert tried.failed == 0


def standing(law: ReturnLaw, quiet: np.ndarray, mended: float = 0.0, mended_after: float = 0.0) -> np.ndarray:
    """The chance that the fault stands, every cause ending without a note as often as the average."""
    one = np.ones((quiet.size, 1))
    stands, gone = law.silence(quiet, law.ended_beyond * one, mended * one, np.full(quiet.size, mended_after))
    return np.asarray((stands / (stands + gone))[:, 0])


def test_by_hand() -> None:
    (chance,) = standing(LAW, np.array([120.0]))
    stands = 0.5 * math.exp(-40.0) + 0.3 * math.exp(-2.0) + 0.1 * math.exp(-0.3)
    assert chance == pytest.approx(stands / (stands + 0.1 * math.exp(-0.015)), rel=1e-13)


def test_an_order_of_unknown_content_makes_a_repair_likelier() -> None:
    quiet = np.array([50.0])
    plain, ordered = standing(LAW, quiet), standing(LAW, quiet, 0.5)
    assert 0.0 < ordered[0] < plain[0]
    assert standing(LAW, quiet, 1.0)[0] == 0.0


def test_until_the_order_was_closed_the_fault_kept_quiet_by_itself() -> None:
    """By hand: mended after 40 of 50 quiet hours, a fault had stood quietly for 40 h first."""
    quiet, after = np.array([50.0]), 40.0
    silent = LAW.shares * np.exp(-50.0 / LAW.means)
    stood = (LAW.shares[:3] * np.exp(-after / LAW.means[:3])).sum() * math.exp(-10.0 / 8000.0)
    stands = 0.5 * silent[:3].sum()
    assert standing(LAW, quiet, 0.5, after)[0] == pytest.approx(stands / (stands + silent[3] + 0.5 * stood))
    assert standing(LAW, quiet, 0.5, after)[0] > standing(LAW, quiet, 0.5)[0]


def test_a_cause_that_nobody_ends_in_passing_stands_on() -> None:
    none, quiet = np.zeros((1, 2)), np.array([100.0])
    stands, gone = LAW.silence(quiet, np.array([[0.01, 0.5]]), none, none[:, 0])
    chance = (stands / (stands + gone))[0]
    assert chance[0] > 0.9 > 0.5 > chance[1]


def test_orders_that_mended_are_told_from_those_that_did_not() -> None:
    """Gaps drawn by hand, an order after 10 h ended a third: of those said to be mended with 70%, 70% were."""
    draw = np.random.default_rng(20260303)
    _, shows = drawn(LAW, 200_000, 5)
    still = shows > 10.0
    mended = (draw.random(shows.size) < 1.0 / 3.0)[still]
    shows = np.where(mended, 10.0 + draw.exponential(8000.0, mended.size), shows[still])
    seen = draw.uniform(20.0, 1000.0, shows.size)
    said = mended_gaps(
        np.minimum(shows, seen), shows <= seen, np.full(shows.size, 10.0), np.full(shows.size, 1.0 / 3.0), LAW
    )
    assert said.mean() == pytest.approx(1.0 / 3.0, abs=0.005)
    for low in np.arange(0.0, 1.0, 0.1):
        inside = (said >= low) & (said < low + 0.1)
        if inside.sum() > 1_000:
            error = 4 * math.sqrt(0.25 / inside.sum())
            assert mended[inside].mean() == pytest.approx(said[inside].mean(), abs=error)


def test_it_is_right_as_often_as_it_says() -> None:
    """Gaps drawn by the four stories, looked at after any time: of those said to stand with 70%, 70% do."""
    story, shows = drawn(LAW, 400_000, 20260101)
    looked = np.random.default_rng(2).uniform(0.0, 400.0, story.size)
    silent = shows > looked
    said, stands = standing(LAW, looked[silent]), story[silent] < 3
    for low in np.arange(0.0, 1.0, 0.1):
        inside = (said >= low) & (said < low + 0.1)
        if inside.sum() > 1_000:
            error = 4 * math.sqrt(0.25 / inside.sum())
            assert stands[inside].mean() == pytest.approx(said[inside].mean(), abs=error)


def test_a_fleet_finds_its_own_law() -> None:
    story, shows = drawn(LAW, 20_000, 7)
    seen = np.random.default_rng(8).uniform(100.0, 3000.0, story.size)
    hours, again = np.minimum(shows, seen), shows <= seen
    default = ReturnLaw(0.5, 0.02, 0.02, 3.0, 40.0, 200.0, 8000.0)
    law = fit_return_law(hours, again, np.ones(story.size, dtype=np.int64), default, worth=20.0)
    np.testing.assert_allclose(law.means, LAW.means, rtol=0.15)
    np.testing.assert_allclose(law.shares, LAW.shares, atol=0.03)


def test_counted_gaps_say_what_single_ones_say() -> None:
    hours, again = np.array([2.0, 90.0, 900.0]), np.array([True, True, False])
    many = fit_return_law(
        np.repeat(hours, 5), np.repeat(again, 5), np.ones(15, dtype=np.int64), LAW, worth=20.0
    )
    few = fit_return_law(hours, again, np.full(3, 5), LAW, worth=20.0)
    np.testing.assert_allclose(few.means, many.means, rtol=1e-9)


def test_what_cannot_be_is_refused() -> None:
    with pytest.raises(BadArgument, match="room"):
        ReturnLaw(0.9, 0.1, 0.2, 3.0, 60.0, 200.0, 8000.0)
    with pytest.raises(BadArgument, match="longer"):
        ReturnLaw(0.5, 0.1, 0.1, 3.0, 2.0, 200.0, 8000.0)
    with pytest.raises(BadArgument, match="not negative"):
        standing(LAW, np.array([-1.0]))
    with pytest.raises(BadArgument, match="worth"):
        fit_return_law(np.ones(1), np.ones(1, dtype=bool), np.ones(1, dtype=np.int64), LAW, worth=0.0)


def told(laws: ReturnLaws, quiet: np.ndarray, back: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The chance that a fault stands, and that there was one."""
    none = np.zeros((quiet.size, 1))
    stands, gone, passed = laws.silence(quiet, back, none + laws.back.ended_beyond, none, none[:, 0])
    faults = (1.0 - laws.passing()) * np.column_stack((stands, gone))
    either = faults.sum(axis=1)
    total = either + laws.passing() * passed
    return faults[:, 0] / total, either / total


def test_first_bursts_that_only_pass_are_told_from_faults() -> None:
    """Bursts drawn by hand, a fifth of them no fault: of those said to be real with 70%, 70% are."""
    draw = np.random.default_rng(20260202)
    back = ReturnLaw(0.6, 0.05, 0.05, 3.0, 60.0, 240.0, 8000.0)
    passing = 0.2
    # of the gaps beyond a burst, those of a passing code never end
    ended = 1.0 - (1.0 - passing) * (1.0 - back.ended_beyond)
    rest = (1.0 - ended) * 0.4 / (1.0 - back.ended_beyond)
    first = ReturnLaw(0.6, 0.05 * rest / 0.4, 0.4 * ended, 3.0, 60.0, 240.0, 8000.0)
    laws = ReturnLaws(first, back)
    assert laws.passing() == pytest.approx(passing, rel=1e-12)

    real = draw.random(300_000) >= passing
    story, shows = drawn(back, real.size, 3)
    stands = real & (story < 3)
    shows[~real] = np.where(draw.random((~real).sum()) < 0.6, draw.exponential(3.0, (~real).sum()), np.inf)
    looked = draw.uniform(10.0, 500.0, real.size)
    silent = shows > looked
    said, truly = told(laws, looked[silent], np.zeros(silent.sum(), dtype=bool))
    for chance, fact in ((said, stands[silent]), (truly, real[silent])):
        for low in np.arange(0.0, 1.0, 0.1):
            inside = (chance >= low) & (chance < low + 0.1)
            if inside.sum() > 2_000:
                assert fact[inside].mean() == pytest.approx(chance[inside].mean(), abs=0.05)


def test_a_fault_that_came_back_is_no_passing_code() -> None:
    laws = ReturnLaws(ReturnLaw(0.5, 0.02, 0.3, 3.0, 60.0, 200.0, 8000.0), LAW)
    quiet, back = np.array([50.0, 50.0]), np.array([False, True])
    stands, real = told(laws, quiet, back)
    assert stands[1] > stands[0]
    assert real[1] == 1.0 > real[0]
    none = np.zeros(2, dtype=np.int64)
    assert laws.same(quiet, back, (none, none), 0.0 * quiet)[1] == LAW.same(quiet[:1])[0]
    mending = ReturnLaws(LAW, LAW, (0.5, 0.1), (0.5, 0.1))
    long, one = 20.0 * quiet, none + 1
    ordered = mending.same(long, back, (one, none), 0.0 * quiet)
    assert (ordered < mending.same(long, back, (none, none), 0.0 * quiet)).all()
    assert ReturnLaws(LAW, LAW).passing() == 0.0
