"""A kept chain that is gone on with is the best chain of all readings, wherever sql/refresh/ allows it.

Thousands of machines with few readings each, most of which contradict another, so that chains of nearly equal
weight are the rule: the cases that a fleet's history shows once in years.
"""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from fleetlog.history.chains import judge
from fleetlog.history.steps import SET_ASIDE
from fleetlog.store import open_store
from fleetlog.store.statements import statement

MACHINES = 4000
HOURS_A_DAY = 24.0


def small_histories(dice: np.random.Generator) -> pl.DataFrame:
    """Readings in a small space of hours and spare hours: machine_id, at_seconds, tenths, trust, late."""
    machines = []
    for number in range(MACHINES):
        early, late = int(dice.integers(3, 12)), int(dice.integers(1, 8))
        hour = np.sort(np.concatenate((dice.integers(0, 12, early), dice.integers(8, 20, late))))
        run = np.where(dice.random(len(hour)) < 0.5, hour // 2, dice.integers(0, 12, len(hour)))
        machines.append(
            pl.DataFrame(
                {
                    "machine_id": f"M{number:04}",
                    "at_seconds": hour * 3600 + np.arange(len(hour)),
                    "tenths": np.minimum(run, hour) * 10 + dice.integers(0, 10, len(hour)),
                    "trust": dice.integers(1 if number % 2 else 4, 5, len(hour)),
                    "late": np.arange(len(hour)) >= early,
                }
            )
        )
    return pl.concat(machines)


def chained(readings: pl.DataFrame) -> pl.DataFrame:
    """The readings, with what the chains go by and whether they lie on the best one."""
    whole = readings.with_columns(whole_hours=pl.col("tenths") // 10).with_columns(
        spare_hours=pl.col("at_seconds") // 3600 - pl.col("whole_hours")
    )
    aside = judge(whole).set_aside.select("machine_id", "at_seconds", on_chain=pl.lit(False))
    return whole.join(aside, on=["machine_id", "at_seconds"], how="left").with_columns(
        pl.col("on_chain").fill_null(True)
    )


@pytest.mark.parametrize("seed", range(3))
def test_the_chain_goes_on_as_if_all_had_been_there_at_once(seed: int) -> None:
    dice = np.random.default_rng([seed, 11])
    readings = small_histories(dice)
    known = chained(readings.filter(~pl.col("late")))
    kept = known.filter("on_chain").with_columns(curve=pl.col("tenths").cum_max().over("machine_id"))
    # Resumed from the last kept reading, or from one before it, when a late record reaches back.
    back = pl.DataFrame(
        {
            "machine_id": readings["machine_id"].unique(maintain_order=True),
            "back": dice.integers(1, 4, MACHINES),
        }
    )
    resumed = (
        kept.join(back, on="machine_id")
        .filter(pl.int_range(pl.len()).over("machine_id") == (pl.len().over("machine_id") - pl.col("back")))
        .join(kept.group_by("machine_id").agg(curve_end=pl.col("at_seconds").max()), on="machine_id")
        .select("machine_id", "curve_end", from_seconds="at_seconds", from_tenths="curve")
    )
    with open_store(None) as store:
        store.register("resumed", resumed)
        store.register("reading", readings.with_columns(day=0, statements=1, differ=False))
        store.register("running_hours", kept.select("machine_id", "at_seconds", tenths="curve"))
        store.register(SET_ASIDE, known.filter(~pl.col("on_chain")))
        contradicting_reading = store.run("refresh/contradicting_reading", hours_a_day=HOURS_A_DAY)
        store.create("reading", statement("refresh/reading_since"), temporary=True)
        store.register("contradicting_reading", contradicting_reading)
        since = chained(store.select("FROM reading ORDER BY machine_id, at_seconds"))
        store.register(SET_ASIDE, since.filter(~pl.col("on_chain")))
        refused = store.run("refresh/not_resumable", hours_a_day=HOURS_A_DAY)
    gone_on = resumed.join(refused, on="machine_id", how="anti")
    # Many of either kind, and many that are resumed although something was set aside before or since.
    assert 500 < gone_on.height < resumed.height - 500
    assert since.filter(~pl.col("on_chain")).join(gone_on, on="machine_id", how="semi").height > 200
    assert contradicting_reading.join(gone_on, on="machine_id", how="semi").height > 20
    at_once = chained(readings).join(gone_on, on="machine_id").select("machine_id", "at_seconds", "on_chain")
    resumed_at = gone_on.select("machine_id", "from_seconds")
    before = known.join(resumed_at, on="machine_id").filter(pl.col("at_seconds") < pl.col("from_seconds"))
    after = since.join(resumed_at, on="machine_id")
    pieces = pl.concat(part.select("machine_id", "at_seconds", "on_chain") for part in (before, after))
    assert pieces.sort("machine_id", "at_seconds").equals(at_once)
