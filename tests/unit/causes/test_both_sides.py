"""How often a fault takes both sides at once: by hand from a few cases, and leaning on the family's own figure."""

from __future__ import annotations

from datetime import datetime, timedelta
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import polars as pl
import pytest

from fleetlog.belief.weighing import WeighedCases
from fleetlog.causes.both_sides import TOGETHER_DAYS, both_sides

DAY = datetime(2025, 3, 1)


def weighed(rows: list[tuple[str, str, int, float]], both: float | None) -> WeighedCases:
    """Cases (machine, side, day, chance that it is the first of two causes)."""
    table = None
    if both is not None:
        table = SimpleNamespace(outcomes=("one", "both"), probability=lambda outcome, cause: both)
    family: Any = SimpleNamespace(evidence_table=lambda name: table)
    cases = pl.DataFrame(
        [(machine, side, DAY + timedelta(days=day)) for machine, side, day, _ in rows],
        schema={"machine_id": pl.String, "side": pl.String, "first_at": pl.Datetime},
        orient="row",
    )
    chance = np.array([one for *_, one in rows])
    told: Any = SimpleNamespace(
        layout=SimpleNamespace(family=family),
        causes=("first", "second"),
        cases=cases,
        of_case=np.column_stack((chance, 1 - chance)),
    )
    return cast(WeighedCases, told)


def test_by_hand() -> None:
    rows = [
        ("A", "left", 0, 1.0),
        ("A", "right", 3, 0.8),
        ("B", "left", 0, 1.0),
        ("B", "right", TOGETHER_DAYS + 1, 1.0),
        ("C", "", 0, 1.0),
        ("D", "left", 0, 0.5),
    ]
    found = both_sides(weighed(rows, None))
    # pair A counts 1.0 * 0.8 on each side; C has no side, so that it can be no pair
    assert found["first"] == pytest.approx(2 * 0.8 / (5 + 1.0 + 0.8 + 1.0 + 1.0 + 0.5))
    assert found["second"] == 0.0


def test_the_familys_figure_leans_on_it_like_a_few_cases() -> None:
    assert both_sides(weighed([], 0.3))["first"] == pytest.approx(0.3)
    many = [(f"M{i}", side, 0, 1.0) for i in range(200) for side in ("left", "right")]
    assert both_sides(weighed(many, 0.3))["first"] == pytest.approx(1.0, abs=0.01)
