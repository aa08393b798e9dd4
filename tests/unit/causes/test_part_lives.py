"""Lives of parts are followed from case to case without counting an hour twice."""

from __future__ import annotations

from datetime import date

import polars as pl

from fleetlog.causes.part_lives import part_lives
from fleetlog.causes.weighing import weighed_now
from fleetlog.session.fleet import Fleet
from fleetlog.session.scope import Scope


def test_a_part_of_the_whole_machine_lives_once_although_both_sides_have_cases(demo: Fleet) -> None:
    history, family = demo.begin(Scope(as_of=date(2026, 6, 30)))
    weighed = weighed_now(demo, history, family)
    spells = demo.store.run("cases/part_lives", fault=family.name)
    both = spells.group_by("machine_id", "component", "side", "fit").agg(pl.col("case_side").n_unique())
    assert both.filter(component="drive_pump")["case_side"].max() == 2
    # No cause is behind a drive pump's failure here, so cases only cut its life into stretches.
    alone = spells.filter(component="drive_pump").group_by("machine_id").agg(pl.col("fit").n_unique())
    lives = (
        part_lives(demo.store, weighed)
        .lives.filter(component="drive_pump")
        .join(alone.filter(fit=1), on="machine_id", how="semi")
        .sort("machine_id", "entry", "hours")
        .with_columns(before=pl.col("hours").shift(1).over("machine_id"))
    )
    assert lives["weight"].unique().to_list() == [1.0]
    assert lives["before"].count() > 50
    assert lives.filter(pl.col("entry") < pl.col("before")).is_empty()
