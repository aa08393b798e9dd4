"""Faults that may have stood before anybody watched: no failures of the hours that were watched."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from yard import Yard

from fleetlog.belief.learning import exposure_of
from fleetlog.belief.part_lives import part_lives
from fleetlog.belief.weighing import weighed_now
from fleetlog.session.fleet import open_fleet
from fleetlog.session.scope import Scope
from fleetlog.simulation.options import Disorder, RecordKeeping
from fleetlog.simulation.simulate import simulate
from fleetlog.stats.errors import BadArgument
from fleetlog.stats.hidden_repair import ReturnLaw

PART = "internal_bushing"


@pytest.mark.parametrize(
    ("bought_with", "shows_on", "counts"), [(4000, 8, False), (4000, 200, True), (0, 8, True)]
)
def test_what_shows_at_once_may_have_stood_before(
    tmp_path: Path, bought_with: float, shows_on: float, counts: bool
) -> None:
    """A worn bushing found soon after the first record of an old machine is no failure of the hours watched; later it
    is, and so it is on a machine that was watched from new.
    """
    yard = Yard(hours=bought_with, days=400).code(shows_on, 7).code(shows_on + 3, 7)
    yard.work(shows_on + 6, ("internal_bushing", "replace", "worn"))
    with yard.fleet(tmp_path) as fleet:
        history, family = fleet.begin(Scope())
        weighed = weighed_now(fleet, history, family)
        assert weighed.cases["may_predate"].to_list() == [not counts]
        # it is a fault all the same
        assert weighed.of_case[0, weighed.causes.index(PART)] > 0.5
        lives = part_lives(fleet.store, weighed).lives.filter(machine_id="A", component=PART, side="left")
        failed = float((lives["failed"] * lives["weight"]).sum())
        assert failed > 0.9 if counts else failed == 0.0
        if not counts:
            settled = bought_with + weighed.layout.settling_hours
            assert (
                lives.filter(fit=0)["entry"].min() is None
                or lives.filter(fit=0)["entry"].min() >= 10 * settled - 1
            )
        ages = exposure_of(fleet.store, weighed.layout).age_hours
        settled = bought_with + min(bought_with, weighed.layout.settling_hours)
        assert round(settled, -1) in ages
        assert bought_with in ages if bought_with == 0 else bought_with not in ages


def test_most_of_them_did_stand_before_and_hardly_one_else(tmp_path: Path) -> None:
    """Invented fleets, whose truth leaves out what began before the records did."""
    made = simulate(
        tmp_path / "made",
        machines=400,
        seed=3,
        disorder=Disorder(unrecorded=0.25),
        record_keeping=RecordKeeping(mess=0.05, routine=True),
    )
    with open_fleet(None) as fleet:
        fleet.load([made.files])
        history, family = fleet.begin(Scope())
        cases = weighed_now(fleet, history, family).cases.filter(side="left")
    true = made.true_cases().filter(side="left")
    begun = (
        cases.with_row_index("row")
        .join(true, on="machine_id")
        .filter(pl.col("began_at") <= pl.col("last_at"))
        .filter(pl.col("ended_at").fill_null(pl.col("last_at")) >= pl.col("first_at") - timedelta(days=1))
    )
    new = np.isin(np.arange(cases.height), begun["row"].to_numpy())
    before = cases["may_predate"].to_numpy()
    assert before.sum() > 5
    assert (~new)[before].mean() > 0.5
    assert (~new)[~before].mean() < 0.1


def test_a_share_is_a_share() -> None:
    law = ReturnLaw(0.5, 0.01, 0.02, 4.0, 60.0, 240.0, 8000.0)
    assert law.settling_hours(0.5) < law.settling_hours()
    with pytest.raises(BadArgument, match="between 0 and 1"):
        law.settling_hours(1.0)
