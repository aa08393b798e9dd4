"""Turnbull's curve: a published example, the product limit where nothing is vague, and a search without self-consistency."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import optimize

from fleetlog.stats.errors import BadAge, LengthMismatch
from fleetlog.stats.interval_curve import IntervalLives, interval_curve, limits_by_machine
from fleetlog.stats.product_limit import product_limit
from fleetlog.stats.risk_table import RiskTable

# Finkelstein & Wolfe 1985 (Biometrics 41, 933-945), the group with radiotherapy alone: months between which the change
# was seen, 0: not yet. Typed from memory; the curve that it gives below is the published one, to the last digit.
COSMESIS = (
    (45, 0), (6, 10), (0, 7), (46, 0), (46, 0), (7, 16), (17, 0), (7, 14), (37, 44), (0, 8), (4, 11), (15, 0),
    (11, 15), (22, 0), (46, 0), (46, 0), (25, 37), (46, 0), (26, 40), (46, 0), (27, 34), (36, 44), (46, 0),
    (36, 48), (37, 0), (40, 0), (17, 25), (46, 0), (11, 18), (38, 0), (5, 12), (37, 0), (0, 5), (18, 0), (24, 0),
    (36, 0), (5, 11), (19, 35), (17, 25), (24, 0), (32, 0), (33, 0), (19, 26), (37, 0), (34, 0), (36, 0),
)  # fmt: skip


def cosmesis() -> IntervalLives:
    lower, upper = np.array(COSMESIS, dtype=np.float64).T
    return IntervalLives.of(lower, np.where(upper > 0, upper, np.inf))


def test_the_published_curve() -> None:
    """Klein & Moeschberger 2003, section 5.2, which prints 0.954, 0.920, 0.832, 0.761, 0.668, 0.586 (from memory)."""
    curve = interval_curve(cosmesis())
    assert curve.at([5, 7, 8, 12, 25, 34]).round(3).tolist() == [0.954, 0.920, 0.832, 0.761, 0.668, 0.586]
    assert curve.at([4, 40, 48]) == pytest.approx([1.0, 0.466, 0.0], abs=1e-3)


def test_without_vague_endings_it_is_the_product_limit() -> None:
    rng = np.random.default_rng(1)
    exit = rng.integers(20, 200, 60)
    entry = np.where(rng.random(60) < 0.4, exit // 3, 0)
    failed = rng.random(60) < 0.6
    plain = product_limit(RiskTable.from_spells(entry, exit, failed), minimum_at_risk=0)
    curve = interval_curve(IntervalLives.of(exit, np.where(failed, exit, np.inf), entry=entry))
    assert curve.hours / 10 == pytest.approx(plain.hours)
    assert curve.survival == pytest.approx(plain.survival, abs=1e-12)
    assert curve.steps == 1


def test_no_other_curve_is_likelier() -> None:
    """A general search over the masses, with late entry into the middle of intervals."""
    rng = np.random.default_rng(6)
    life = 10.0 * rng.weibull(2.0, 80)
    entry = np.round(rng.uniform(0, 6, 80))
    seen = life > entry
    life, entry = life[seen], entry[seen]
    look = np.maximum(np.ceil(life / 3) * 3, entry + 1)
    before = np.maximum(look - 3, entry)
    running = rng.random(life.size) < 0.3
    lives = IntervalLives.of(before, np.where(running, np.inf, look), entry=entry)
    curve = interval_curve(lives)
    ages = np.unique(np.concatenate((lives.upper[~running], entry[entry > 0])))

    def minus(logits: np.ndarray) -> float:
        survival = np.concatenate(([1.0], np.exp(-np.cumsum(np.exp(np.clip(logits, -30, 5))))))

        def at(hours: np.ndarray) -> np.ndarray:
            return survival[np.searchsorted(ages, hours, side="right")]

        gone = np.where(running, 0.0, at(np.where(running, 0.0, look)))
        return -float(np.log(np.maximum((at(before) - gone) / at(entry), 1e-300)).sum())

    best = min(
        (
            optimize.minimize(minus, np.full(ages.size, start), method="L-BFGS-B", options={"maxiter": 2000})
            for start in (-2.0, -1.0)
        ),
        key=lambda one: one.fun,
    )
    own = np.concatenate(([1.0], curve.at(ages)))
    hazards = -np.diff(np.log(np.maximum(own, 1e-12)))
    assert minus(np.log(np.maximum(hazards, 1e-13))) <= best.fun + 1e-4


def test_limits_hold_about_as_often_as_they_say() -> None:
    held = 0
    for seed in range(20):
        rng = np.random.default_rng(seed)
        life, look = 10.0 * rng.weibull(2.0, 80), rng.uniform(1.0, 16.0, 80).round(1)
        failed = life <= look
        exact = failed & (np.arange(80) % 2 == 0)
        lower = np.where(exact, life, np.where(failed, 0.0, look))
        upper = np.where(exact, life, np.where(failed, look, np.inf))
        lives = IntervalLives.of(lower, upper)
        curve = interval_curve(lives)
        low, high = limits_by_machine(lives, curve, np.arange(80) // 2, draws=40, seed=seed)
        place = np.searchsorted(curve.hours, 7.0, side="right") - 1
        held += low[place] <= np.exp(-(0.7**2)) <= high[place]
    assert held >= 17


def test_bad_lives_are_refused() -> None:
    with pytest.raises(LengthMismatch):
        IntervalLives.of([1.0], [2.0, 3.0])
    with pytest.raises(BadAge):
        IntervalLives.of([3.0], [2.0])
    with pytest.raises(BadAge):
        IntervalLives.of([1.0], [2.0], entry=1.5)
