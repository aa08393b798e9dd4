"""A change of the law of life: against refits one by one, another program, published counts, and by symmetry."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd
import pytest
from lifelines import WeibullAFTFitter
from scipy.optimize import minimize_scalar
from scipy.special import xlogy

from fleetlog.stats.change_point import ChangePoint, change_point
from fleetlog.stats.errors import (
    BadAge,
    BadArgument,
    BadCount,
    LengthMismatch,
    StatsError,
    TooFewFailures,
)

SHAPE, SCALE = 2.5, 5000.0


class Lives(NamedTuple):
    entry: npt.NDArray[np.float64]
    exit: npt.NDArray[np.float64]
    failed: npt.NDArray[np.bool_]
    group: npt.NDArray[np.int64]


def drawn(seed: int, *, lives: int = 150, groups: int = 20, first: int = 9, ratio: float = 2.0) -> Lives:
    """Weibull lives, two in five watched from a later age on, all for a limited time."""
    rng = np.random.default_rng(seed)
    group = rng.integers(0, groups, lives)
    life = np.where(group < first, SCALE, SCALE * ratio) * rng.weibull(SHAPE, lives)
    entry = np.where(rng.random(lives) < 0.4, rng.uniform(0, 3000, lives), 0.0)
    end = entry + rng.uniform(1000, 7000, lives)
    seen = life > entry
    return Lives(entry[seen], np.minimum(life, end)[seen], (life <= end)[seen], group[seen])


def refit(lives: Lives, first: int | None) -> float:
    """The greatest log-likelihood with the change at `first`, or without one, by a search over the shape."""
    unit = lives.exit.max()
    sides = [lives.group < first, lives.group >= first] if first is not None else [lives.group >= 0]

    def below(log_shape: float) -> float:
        shape, failed = np.exp(log_shape), lives.failed
        found = failed.sum() * log_shape + (shape - 1) * np.log(lives.exit[failed] / unit).sum()
        for side in sides:
            count = (side & failed).sum()
            exposure = ((lives.exit[side] / unit) ** shape - (lives.entry[side] / unit) ** shape).sum()
            found += xlogy(count, count) - count * np.log(exposure) - count
        return -float(found)

    return -float(minimize_scalar(below, bounds=(-3, 4), method="bounded", options={"xatol": 1e-9}).fun)


@pytest.mark.parametrize(("seed", "ratio"), [(0, 2.0), (1, 2.0), (2, 1.0), (3, 0.1), (4, 20.0)])
def test_every_point_as_if_it_were_fitted_alone(seed: int, ratio: float) -> None:
    lives = drawn(seed, ratio=ratio)
    found = change_point(*lives, draws=20)
    alone = np.array([refit(lives, first) for first in found.candidates.tolist()])
    assert found.group == found.candidates[alone.argmax()]
    assert found.drop == pytest.approx(2 * (alone.max() - alone), abs=0.005, rel=1e-4)
    assert found.statistic == pytest.approx(2 * (alone.max() - refit(lives, None)), abs=0.005, rel=1e-4)
    if found.ratio is not None:
        assert found.ratio_lower is None or found.ratio_lower < found.ratio
        assert found.ratio_upper is None or found.ratio_upper > found.ratio
    assert not (ratio > 5 and found.ratio_lower is None)
    assert not (ratio < 0.5 and found.ratio_upper is None)


def test_another_program_finds_the_same_shape_ratio_and_likelihood() -> None:
    """lifelines fits lives by an indicator of the newer side, one shape for both, which is the same law."""
    lives = drawn(1)
    found = change_point(*lives, draws=20)
    apart: dict[int, float] = {}
    for first in found.candidates.tolist()[:: found.candidates.size // 3]:
        apart[first] = fitted(lives, first).log_likelihood_
    best = fitted(lives, found.group)
    for first, likelihood in apart.items():
        drop = found.drop[found.candidates == first][0]
        assert drop == pytest.approx(2 * (best.log_likelihood_ - likelihood), abs=0.01)
    assert found.shape == pytest.approx(np.exp(best.params_["rho_", "Intercept"]), rel=2e-3)
    assert found.ratio == pytest.approx(np.exp(best.params_["lambda_", "newer"]), rel=2e-3)


def fitted(lives: Lives, first: int) -> WeibullAFTFitter:
    frame = pd.DataFrame(lives._asdict()).assign(newer=(lives.group >= first).astype(float))
    fitter = WeibullAFTFitter()
    return fitter.fit(frame.drop(columns="group"), "exit", "failed", entry_col="entry")


# Disasters in British coal mines with ten or more dead, by year from 1851 to 1962: the dates of `coal` in R package
# boot (Jarrett 1979, Biometrika 66, 191-193), counted.
COAL = (
    "45410434063340263354531441553425223421322111130010110031"
    "03220111010100021000110233112111124200014000100000100101"
)


def coal() -> Lives:
    """A year with n disasters as n lives of 1/n years that failed, one without as a year that did not."""
    counts = np.array([int(digit) for digit in COAL])
    pieces = np.maximum(counts, 1)
    years = np.repeat(np.arange(1851, 1851 + counts.size), pieces)
    return Lives(np.zeros(years.size), np.repeat(1 / pieces, pieces), np.repeat(counts > 0, pieces), years)


def test_coal_mining_disasters() -> None:
    """Taken year by year, the rate falls after year 41, 1891 (Carlin, Gelfand & Smith 1992, from memory)."""
    lives = coal()
    assert (len(COAL), int(lives.failed.sum())) == (112, 191)
    found = change_point(*lives, shape=1.0, seed=3)
    assert found.group - 1 == 1891
    assert (found.failures_before, found.failures_after) == (127, 64)
    assert found.ratio == pytest.approx((127 / 41) / (64 / 71))
    assert found.lower is not None
    assert found.upper is not None
    assert 1885 <= found.lower <= 1888
    assert 1895 <= found.upper <= 1898
    assert found.p == 1 / (found.draws + 1)
    before, after = 127 * np.log(127 / 41), 64 * np.log(64 / 71)
    assert found.statistic == pytest.approx(2 * (before + after - 191 * np.log(191 / 112)))


def same(one: ChangePoint, other: ChangePoint) -> None:
    assert one.drop == pytest.approx(other.drop, abs=1e-8)
    assert (one.group, one.lower, one.upper, one.p) == (other.group, other.lower, other.upper, other.p)
    assert one.statistic == pytest.approx(other.statistic)


def test_unit_of_age_and_numbering_of_groups_do_not_matter() -> None:
    lives = drawn(2)
    found = change_point(*lives, draws=50, seed=5)
    tenths = change_point(lives.entry * 10, lives.exit * 10, lives.failed, lives.group, draws=50, seed=5)
    same(found, tenths)
    later = change_point(*lives[:3], lives.group + 24_000, draws=50, seed=5)
    assert later.group == found.group + 24_000
    assert later.drop == pytest.approx(found.drop)


def test_same_seed_same_numbers() -> None:
    lives = drawn(3)
    one, other, third = (change_point(*lives, draws=50, seed=seed) for seed in (7, 7, 8))
    assert (one.critical, one.p, one.ratio_lower) == (other.critical, other.p, other.ratio_lower)
    assert one.critical != third.critical


def test_seen_backwards_the_ratio_turns_round() -> None:
    lives = drawn(4)
    forth = change_point(*lives, draws=20)
    back = change_point(*lives[:3], -lives.group, draws=20)
    assert back.statistic == pytest.approx(forth.statistic)
    assert back.group == 1 - forth.group
    assert forth.ratio is not None
    assert back.ratio == pytest.approx(1 / forth.ratio)


def test_where_nothing_was_built_any_value_is_as_likely() -> None:
    """Groups 0 to 8 and 30 to 40: a clear change between them may lie anywhere from 9 to 30."""
    lives = drawn(5, lives=400, ratio=20.0)
    apart = np.where(lives.group >= 9, lives.group + 21, lives.group)
    found = change_point(*lives[:3], apart, draws=100)
    assert (found.group, found.lower, found.upper) == (30, 9, 30)


def test_newer_lives_that_never_failed_have_no_upper_limit() -> None:
    lives = drawn(6, lives=200)
    failed = lives.failed & (lives.group < 9)
    found = change_point(lives.entry, lives.exit, failed, lives.group, draws=100)
    assert (found.ratio, found.ratio_upper, found.failures_after) == (None, None, 0)
    assert found.ratio_lower is not None
    assert found.ratio_lower > 1


def test_no_change_leaves_the_interval_open() -> None:
    found = change_point(*drawn(11, ratio=1.0), draws=200)
    assert found.p > 0.05
    assert found.lower is None or found.upper is None


def test_points_with_too_little_on_a_side_are_not_tried() -> None:
    lives = drawn(7)
    few = change_point(*lives, draws=5, fewest_expected=1.0)
    many = change_point(*lives, draws=5, fewest_expected=12.0)
    assert set(many.candidates) < set(few.candidates)
    with pytest.raises(TooFewFailures, match="fewer than 60 failures are expected there"):
        change_point(*lives, draws=5, fewest_expected=60.0)


def test_too_few_failures_are_refused() -> None:
    lives = drawn(8)
    failed = np.zeros_like(lives.failed)
    failed[np.flatnonzero(lives.failed)[:7]] = True
    with pytest.raises(TooFewFailures, match="at least 8 failures") as error:
        change_point(lives.entry, lives.exit, failed, lives.group)
    assert (error.value.failures, error.value.needed) == (7, 8)
    assert (
        change_point(lives.entry, lives.exit, failed, lives.group, fewest_failures=7, draws=5).failures_after
        >= 0
    )
    with pytest.raises(TooFewFailures, match="on one side of every possible change"):
        change_point(*lives[:3], np.zeros_like(lives.group))
    with pytest.raises(TooFewFailures):
        change_point([], [], [], [])


@pytest.mark.parametrize(
    ("change", "error", "words"),
    [
        ({"entry": [1.0]}, LengthMismatch, "one length"),
        ({"entry": -1.0}, BadAge, "not negative"),
        ({"exit": np.inf}, BadAge, "finite"),
        ({"exit": 0.0}, BadAge, "entry below exit"),
        ({"failed": 2}, BadCount, "0 or 1"),
        ({"group": 0.5}, BadArgument, "whole numbers"),
        ({"level": 1.0}, BadArgument, "confidence level"),
        ({"shape": 0.0}, BadArgument, "above 0"),
        ({"draws": 0}, BadArgument, "at least 1"),
    ],
)
def test_numbers_that_cannot_be_used(change: dict[str, object], error: type[StatsError], words: str) -> None:
    given: dict[str, object] = dict(drawn(9)._asdict())
    for name, value in change.items():
        column = given.get(name)
        if isinstance(column, np.ndarray) and not isinstance(value, list):
            value = np.concatenate((np.array([value]), column[1:]))
        given[name] = value
    with pytest.raises(error, match=words):
        change_point(**given)  # type: ignore[arg-type]
