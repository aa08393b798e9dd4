"""Looking back: which month-ends, what counts as true, and whether a known truth is recovered."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date
from pathlib import Path

import polars as pl
import pytest
from yard import Yard

from fleetlog.causes.backtest import BASE, MODEL, RULE, SCORE, BacktestFinding, backtest, month_ends
from fleetlog.errors import UsageError
from fleetlog.faults import load_families
from fleetlog.intake import load_paths
from fleetlog.session.fleet import Fleet, intake_settings, open_fleet
from fleetlog.settings import load_settings
from fleetlog.simulation.simulate import Disorder, another_law, simulate


def recovered(folder: Path, machines: int, months: int, disorder: Disorder = Disorder()) -> BacktestFinding:  # noqa: B008
    """A backtest on an invented fleet whose true figures differ from the defaults."""
    family = load_families()["neutral-return"]
    law = another_law(family, 5)
    made = simulate(folder, machines=machines, years=6, seed=3, law=law, disorder=disorder)
    with open_fleet(folder / "store.duckdb", settings=load_settings(made.settings), create=True) as fleet:
        load_paths(fleet.store, [made.files], settings=intake_settings(fleet.settings))
        oracle = replace(
            fleet.family("neutral-return"),
            hazards=law.hazards,
            evidence=law.evidence,
            steps=law.steps,
            comeback=law.comeback,
        )
        return backtest(fleet, months=months, truth=made.true_cases(), other_families={"oracle": oracle})


def loss(found: BacktestFinding, method: str) -> float:
    return float(found.scores.filter(pl.col("method") == method)["log_loss"][0])


def test_month_ends() -> None:
    assert month_ends(date(2026, 6, 30), 3) == [date(2026, 4, 30), date(2026, 5, 31), date(2026, 6, 30)]
    assert month_ends(date(2026, 3, 15), 2) == [date(2026, 1, 31), date(2026, 2, 28)]
    assert month_ends(date(2024, 3, 1), 1) == [date(2024, 2, 29)]


@pytest.mark.slow
def test_the_demo_fleets_past(demo: Fleet) -> None:
    found = backtest(demo, months=4)
    assert found.scores["method"].to_list() == [MODEL, SCORE, RULE, BASE]
    assert loss(found, MODEL) < loss(found, BASE)
    assert found.months[-1] <= found.as_of
    probabilities = found.predictions.select(pl.sum_horizontal(pl.col("^p_.*$")).alias("sum"))["sum"]
    assert probabilities.to_numpy() == pytest.approx(1.0)
    money = {row["way"]: row for row in found.money.to_dicts()}
    assert set(money) == {"model", "custom"}
    rows = json.loads(json.dumps(found.to_dict()))
    assert rows["rows"][0]["method"] == MODEL
    assert found.frame.height == 4
    assert found.chart().to_dict()


@pytest.mark.slow
def test_the_truth_comes_later_and_the_suspicion_does_not_see_it(tmp_path: Path) -> None:
    """Code on day 95, bushing found worn on day 130: at the month-end between, day 120, it is judged unseen."""
    yard = Yard(3000, days=220).code(95, fmi=7).work(130, ("internal_bushing", "replace", "worn"))
    yard.code(129, fmi=7).code(115, fmi=7)
    with yard.fleet(tmp_path) as fleet:
        found = backtest(fleet, months=6)
    told = found.predictions.filter(pl.col("method") == MODEL)
    assert told["true_cause"].unique().to_list() == ["internal_bushing"]
    assert date(2024, 4, 30) in told["month"].to_list()
    assert told["p_internal_bushing"].max() < 0.99  # type: ignore[operator]


def test_a_fleet_in_which_nothing_was_confirmed_says_so(tmp_path: Path) -> None:
    with Yard(3000, days=200).code(100, fmi=7).fleet(tmp_path) as fleet:
        with pytest.raises(UsageError, match="more months"):
            backtest(fleet, months=2)
        with pytest.raises(UsageError, match="at least one"):
            backtest(fleet, months=0)


@pytest.mark.slow
def test_a_small_fleet_is_judged_no_worse_than_by_base_rates(tmp_path: Path) -> None:
    found = recovered(tmp_path, machines=150, months=6)
    assert loss(found, MODEL) < loss(found, BASE)
    assert loss(found, MODEL) < loss(found, RULE)


@pytest.mark.slow
def test_disorder_costs_something_but_not_the_lead_over_base_rates(tmp_path: Path) -> None:
    found = recovered(tmp_path, 300, 3, Disorder(comeback_shape=0.6, mislabelled=0.1, unrecorded=0.5))
    assert loss(found, MODEL) < loss(found, BASE)
