"""Fleets that no simulation of ours wrote: learning from their cases must not swap one cause for another."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import numpy as np
import polars as pl
import pytest
import worlds_harbour
import worlds_quarry

from fleetlog.belief.weighing import WeighedCases, weigh
from fleetlog.intake import load_paths
from fleetlog.session.fleet import intake_settings, open_fleet
from fleetlog.session.scope import Scope
from fleetlog.settings import load_settings

WORLDS = {"tidewrack": worlds_harbour.make, "valley_dealer": worlds_quarry.make}


@pytest.mark.slow
@pytest.mark.parametrize("name", WORLDS)
def test_what_is_learnt_is_no_worse_than_the_familys_own_figures(name: str, tmp_path: Path) -> None:
    """Without being held to the parts found failed it is 1.6 against 0.9 of the family's own in the second."""
    WORLDS[name](name, tmp_path)
    truth = pl.read_csv(tmp_path / "truth.csv", schema_overrides={"machine_id": pl.String}).with_columns(
        pl.col("began_at", "ended_at").str.slice(0, 19).str.to_datetime("%Y-%m-%dT%H:%M:%S", strict=False)
    )
    with open_fleet(tmp_path / "store.duckdb", settings=load_settings(None), create=True) as fleet:
        load_paths(fleet.store, [tmp_path / "files"], settings=intake_settings(fleet.settings))
        history, family = fleet.begin(Scope(as_of=date(2025, 6, 30)))
        own, learnt = (
            loss(weigh(fleet.store, history, family, learn=learn), truth) for learn in (False, True)
        )
    assert learnt < own + 0.1  # seen: 0.95 against 0.94 in the second fleet


def loss(weighed: WeighedCases, truth: pl.DataFrame) -> float:
    """Mean negative log of the probability given to the true cause, over the cases that a true fault is behind."""
    pairs = (
        weighed.cases.select("case_id", "machine_id", "side", "first_at", "last_at")
        .join(truth, on=["machine_id", "side"])
        .filter(
            pl.col("began_at") <= pl.col("last_at"),
            pl.col("ended_at").is_null() | (pl.col("ended_at") >= pl.col("first_at")),
        )
        .sort("case_id", "began_at")
        .unique("case_id", keep="first", maintain_order=True)
    )
    assert pairs.height > 100
    true = [weighed.causes.index(cause) for cause in pairs["cause"]]
    rows = pairs["case_id"].to_numpy()
    # these cases are faults, so what each is of is told given that it is one
    chance = weighed.of_case[rows, true] / weighed.real[rows]
    return float(-np.log(np.maximum(chance, 1e-12)).mean())
