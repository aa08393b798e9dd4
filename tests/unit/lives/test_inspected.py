"""Failures seen only since the machine was open for its other side: which they are, and the law they leave."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import polars as pl
import pytest
from small_fleet import MACHINE, code, fleet_of, reading
from trade import SINCE_2017_TOML

from fleetlog.belief.weighing import WeighedCases
from fleetlog.lives.counting import _seen_beside
from fleetlog.lives.inspected import fit_inspected, inspected_note
from fleetlog.lives.survival import survival
from fleetlog.stats.lifetimes import fit_weibull
from fleetlog.stats.product_limit import ProductLimit, product_limit
from fleetlog.stats.risk_table import RiskTable
from fleetlog.stats.weighted_lives import ObservedLives


def curve_of(lives: ObservedLives) -> ProductLimit:
    return product_limit(RiskTable.from_spells(lives.entry, lives.exit, lives.failed, lives.share))


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
    found = fit_inspected(lives, beside[looked], curve_of(lives))
    assert found is not None
    assert found["lives"] == beside.sum()
    true = 5000 * np.log(2) ** (1 / 2.5)
    assert found["median_ci"][0] < true < found["median_ci"][1]
    assert found["shape_ci"][0] < 2.5 < found["shape_ci"][1]
    assert found["curve_median_ci"][0] < true < found["curve_median_ci"][1]
    ages = np.array([2000.0, 3000, 4000, 5000])
    place = np.searchsorted(found["hours"], ages, side="right") - 1
    held = np.exp(-((ages / 5000) ** 2.5))
    assert np.array(found["survival"])[place] == pytest.approx(held, abs=0.07)
    lower, upper = (np.array(found[name])[place[:3]] for name in ("lower", "upper"))
    assert ((lower < held[:3]) & (held[:3] < upper)).all()
    as_if_then = fit_weibull(RiskTable.from_spells(lives.entry, lives.exit, lives.failed)).b_life(0.5)
    assert as_if_then.lower > true  # taken for the day of the look, parts seem to live longer


def test_no_such_finding_no_such_law() -> None:
    lives = ObservedLives(
        np.zeros(3, dtype=np.int64), np.array([10, 20, 30]), np.ones(3, dtype=np.int64), np.arange(3)
    )
    assert fit_inspected(lives, np.zeros(3, dtype=bool), curve_of(lives)) is None
    one = ObservedLives(lives.entry[:1], lives.exit[:1], lives.failed[:1], lives.machine[:1])
    found = fit_inspected(one, np.ones(1, dtype=bool), curve_of(one))
    assert found is not None
    assert (found["shape"], found["median_hours"], found["curve_median_ci"][0]) == (None, None, None)
    assert inspected_note(found).startswith("1 failure only seen since")


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
        found = fit_inspected(lives, np.repeat(np.arange(40) % 4 == 0, times), curve_of(lives))
        assert found is not None
        medians.append([found["median_hours"], *found["median_ci"]])
    assert medians[0] == pytest.approx(medians[1], rel=1e-6)


def test_survival_tells_of_a_side_that_was_found_worn_while_the_other_was_repaired(tmp_path: Path) -> None:
    """Six machines report on the right only; when they are opened, both bushings are worn."""
    months = range(2, 8)
    tables: dict[str, list[dict[str, Any]]] = {
        kind: [] for kind in ("machines", "meter_readings", "fault_codes", "work_orders", "work_lines")
    }
    for month in months:
        name = f"M{month}"
        tables["machines"].append(
            {**MACHINE, "machine_id": name, "hours_at_acquisition": "0", "build_date": "2019-12"}
        )
        tables["meter_readings"] += [
            reading(f"2020-{one:02d}-01T00:00", 200 * one - 200, machine=name) for one in range(1, 10)
        ]
        tables["fault_codes"] += [
            code(f"2020-{month:02d}-{day:02d}T08:00", side="right", machine=name) for day in (5, 9, 13, 17)
        ]
        tables["work_orders"].append(
            {"work_order_id": name, "machine_id": name, "opened_at": f"2020-{month:02d}-20"}
        )
        tables["work_lines"] += [
            {"work_order_id": name, "line_no": line, "component": "internal_bushing", "action": "replace",
             "side": side, "finding": "worn", "done_at": f"2020-{month:02d}-21"}
            for line, side in enumerate(("left", "right"), start=1)
        ]  # fmt: skip
    with fleet_of(tmp_path, tables, SINCE_2017_TOML) as fleet:
        left, right = survival(fleet, by=("side",)).groups
    assert left.label == "left"
    assert left.inspected is not None
    assert left.inspected["lives"] == len(months)
    assert "6 failures only seen since the machine was open for its other side" in left.note
    assert right.inspected is None
    # somewhere before the day of the look
    assert left.median_hours is not None
    assert left.inspected["curve_median_hours"] <= left.median_hours
