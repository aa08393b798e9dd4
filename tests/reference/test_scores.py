"""Scores against other programs, each convention by name."""

from __future__ import annotations

import polars as pl
import pytest
from published import Case, cases

from fleetlog.stats.concordance import pair_counts
from fleetlog.stats.cox_cells import CoxCells


@pytest.mark.parametrize("case", cases("metric.harrell.lung", "metric.harrell.lung.lifelines"), indirect=True)
def test_concordance(case: Case) -> None:
    rows = case.data()
    ends = pl.DataFrame({"risk": rows["risk"], "hours": rows["time"], "failed": rows["event"]})
    new = ends.select("risk", hours=0, entering=1, failed=0, leaving=0)
    cells = CoxCells.from_frame(
        pl.concat(
            [
                ends.with_columns(entering=0, leaving=1).select(new.columns).cast(new.schema),
                new.cast(new.schema),
            ]
        ),
        ["risk"],
    )
    found = pair_counts(cells, cells.x[:, 0])
    got = {
        "c": found.c,
        "concordant": found.concordant,
        "discordant": found.discordant,
        "tied_risk": found.tied,
    }
    case.check_all({key: got[key] for key in case.expected})
