"""Failures seen only since the machine was open for its other side: which they are, and the law they leave."""

from __future__ import annotations

from datetime import datetime
from types import SimpleNamespace
from typing import cast

import numpy as np
import polars as pl
import pytest

from fleetlog.belief.weighing import WeighedCases
from fleetlog.lives.counting import _seen_beside
from fleetlog.lives.life_fit import fit_inspected
from fleetlog.stats.lifetimes import fit_weibull
from fleetlog.stats.risk_table import RiskTable
from fleetlog.stats.weighted_lives import ObservedLives


def case(machine: str, side: str, first: datetime, last: datetime) -> dict[str, object]:
    return {"machine_id": machine, "side": side, "first_at": first, "last_at": last}


def test_a_part_is_seen_beside_where_only_the_other_side_had_a_case() -> None:
    june, july, august = (datetime(2024, month, 1) for month in (6, 7, 8))
    ends = [
        ("A", "left"),
        ("A", "right"),
        ("B", "left"),
        ("C", "left"),
        ("D", "left"),
        ("E", "left"),
        ("E", ""),
    ]
    facts = pl.DataFrame(
        {
            "of_machine": [machine for machine, _ in ends],
            "of_side": [side for _, side in ends],
            "of_fit": 1,
            "ended_at": datetime(2024, 7, 20),
        },
        schema_overrides={"ended_at": pl.Datetime("us")},
    )
    cases = pl.DataFrame(
        [
            case("A", "right", june, july),  # its own for the right side, the other one for the left
            case("B", "left", june, july),
            case("C", "right", datetime(2023, 1, 1), datetime(2023, 2, 1)),  # long over
            case("D", "right", august, august),  # not yet
            case("E", "right", june, july),
            case("E", "", june, july),  # of unknown side: it may be its own
        ]
    )
    weighed = cast(WeighedCases, SimpleNamespace(cases=cases))
    assert _seen_beside(weighed, facts).rows() == [("A", "left", 1, True)]


def test_the_law_is_held_where_failures_lie_somewhere_before() -> None:
    """Weibull lives of shape 2.5 and scale 5,000 h; a third of the failures are seen only when the other side fails."""
    rng = np.random.default_rng(4)
    n = 1200
    life, other, last = 5000 * rng.weibull(2.5, n), 6000 * rng.weibull(2.5, n), rng.uniform(2000, 9000, n)
    silent = rng.random(n) < 0.5  # nobody reports it: it is seen when the other side is opened
    seen_at = np.where(silent, np.maximum(other, life), life)
    beside = silent & (life < other) & (other < last)
    failed = np.where(silent, beside, life < last)
    exit = np.where(failed, seen_at, np.where(silent & (other < last), other, last))
    exit = np.where(silent & ~beside, np.minimum(other, last), exit)
    failed = np.where(silent & ~beside & (life < exit), False, failed)
    # a silent part that nobody has seen yet may have failed: only what was looked at counts
    looked = ~silent | (other < last)
    lives = ObservedLives(
        np.zeros(n, dtype=np.int64)[looked],
        np.ceil(10 * exit).astype(np.int64)[looked],
        failed.astype(np.int64)[looked],
        np.arange(n)[looked],
    )
    found = fit_inspected(lives, beside[looked], level=0.95)
    assert found is not None
    assert found["lives"] == beside.sum()
    true = 5000 * np.log(2) ** (1 / 2.5)
    assert found["median_ci"][0] < true < found["median_ci"][1]
    assert found["shape_ci"][0] < 2.5 < found["shape_ci"][1]
    as_if_then = fit_weibull(RiskTable.from_spells(lives.entry, lives.exit, lives.failed)).b_life(0.5)
    assert as_if_then.lower > true  # taken for the day of the look, parts seem to live longer


def test_no_such_finding_no_such_law() -> None:
    lives = ObservedLives(
        np.zeros(3, dtype=np.int64), np.array([10, 20, 30]), np.ones(3, dtype=np.int64), np.arange(3)
    )
    assert fit_inspected(lives, np.zeros(3, dtype=bool), level=0.95) is None
    assert (
        fit_inspected(
            ObservedLives(lives.entry[:1], lives.exit[:1], lives.failed[:1], lives.machine[:1]),
            np.ones(1, dtype=bool),
            level=0.95,
        )
        is None
    )


def test_shares_weigh_there_too() -> None:
    """Two halves of a life are one."""
    rng = np.random.default_rng(5)
    life = np.ceil(50_000 * rng.weibull(2.0, 40)).astype(np.int64) + 1
    medians = []
    for times in (1, 2):
        lives = ObservedLives(
            np.zeros(40 * times, dtype=np.int64),
            np.repeat(life, times),
            np.ones(40 * times, dtype=np.int64),
            np.repeat(np.arange(40), times),
            share=np.full(40 * times, 1.0 / times),
        )
        found = fit_inspected(lives, np.repeat(np.arange(40) % 4 == 0, times), level=0.95)
        assert found is not None
        medians.append([found["median_hours"], *found["median_ci"]])
    assert medians[0] == pytest.approx(medians[1], rel=1e-6)
