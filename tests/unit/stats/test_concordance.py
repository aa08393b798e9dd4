"""Concordance against a loop over pairs, and its error against what each machine moves."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from fleetlog.stats.arrays import Floats
from fleetlog.stats.concordance import PairCounts, pair_counts
from fleetlog.stats.cox_cells import CoxCells
from fleetlog.stats.errors import BadArgument


def drawn(seed: int, machines: int = 40) -> pl.DataFrame:
    """Two lives a machine, some watched late, many of equal ages, of three kinds in two strata."""
    rng = np.random.default_rng(seed)
    lives = 2 * machines
    end = rng.integers(2, 30, lives)
    return pl.DataFrame(
        {
            "machine": np.repeat(np.arange(machines), 2),
            "site": rng.choice(["a", "b"], lives),
            "kind": rng.integers(0, 3, lives),
            "entry": np.where(rng.random(lives) < 0.3, end // 2, 0),
            "hours": end,
            "failed": (rng.random(lives) < 0.6).astype(np.int64),
        }
    )


def cells_of(lives: pl.DataFrame, weight: Floats) -> CoxCells:
    table = lives.with_columns(weight=pl.Series(weight))
    ends = table.select(
        "site", "kind", "hours", entering=0.0, failed=pl.col("failed") * pl.col("weight"), leaving="weight"
    )
    begins = table.select("site", "kind", hours="entry", entering="weight", failed=0.0, leaving=0.0)
    return CoxCells.from_frame(pl.concat([ends, begins]), ["kind"], strata=["site"])


def counted(lives: pl.DataFrame, weight: Floats) -> PairCounts:
    cells = cells_of(lives, weight)
    return pair_counts(cells, cells.x[:, 0])


def test_pairs_by_a_loop() -> None:
    lives = drawn(1)
    concordant = discordant = tied = 0
    for i in lives.filter(pl.col("failed") == 1).iter_rows(named=True):
        for j in lives.iter_rows(named=True):
            at_risk = j["entry"] < i["hours"] <= j["hours"] and i["site"] == j["site"]
            if at_risk and not (j["failed"] and j["hours"] == i["hours"]):
                concordant += i["kind"] > j["kind"]
                discordant += i["kind"] < j["kind"]
                tied += i["kind"] == j["kind"]
    found = counted(lives, np.ones(lives.height))
    assert (found.concordant, found.discordant, found.tied) == (concordant, discordant, tied)
    assert found.c == pytest.approx((concordant + tied / 2) / (concordant + discordant + tied))


def test_error_is_what_each_machine_moves() -> None:
    lives = drawn(2)
    found = counted(lives, np.ones(lives.height))
    cells = cells_of(lives, np.ones(lives.height))
    row = {
        (cells.strata[cells.stratum[cell]], cells.x[cell, 0], hours): k
        for k, (cell, hours) in enumerate(zip(cells.cell.tolist(), cells.hours.tolist(), strict=True))
    }
    sums = np.zeros(40)
    for life in lives.iter_rows(named=True):
        begin, end = (row[((life["site"],), life["kind"], life[name])] for name in ("entry", "hours"))
        sums[life["machine"]] += found.leave[end] - found.leave[begin] + life["failed"] * found.fail[end]
    machine, step = lives["machine"].to_numpy(), 1e-5
    moved = [
        (counted(lives, 1.0 + step * (machine == one)).c - counted(lives, 1.0 - step * (machine == one)).c)
        / (2 * step)
        for one in range(40)
    ]
    whole = found.by_machine(sums)
    assert whole.std_error == pytest.approx(np.sqrt((np.array(moved) ** 2).sum()), rel=1e-6)
    assert whole.upper - whole.c == pytest.approx(1.959963984540054 * whole.std_error)


def test_without_a_failure_that_was_outlived() -> None:
    with pytest.raises(BadArgument, match="no failure was outlived"):
        counted(drawn(3).with_columns(failed=0), np.ones(80))
