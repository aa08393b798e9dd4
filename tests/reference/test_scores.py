"""Scores of forecasts against other programs, each convention by name."""

from __future__ import annotations

import pytest
from published import Case, cases

from fleetlog.stats import scores as sc


@pytest.mark.parametrize("case", cases("metric.harrell.lung", "metric.harrell.lung.lifelines"), indirect=True)
def test_concordance(case: Case) -> None:
    """What the other program counts as tied time is a failure beside a unit last seen at the same age."""
    rows = case.data()
    found = sc.concordance(rows["time"], rows["event"], rows["risk"])
    got = {
        "c": found.c,
        "concordant": found.concordant,
        "discordant": found.discordant,
        "tied_risk": found.tied_risk,
        "tied_time": found.beside_censored,
    }
    case.check_all({key: got[key] for key in case.expected})
