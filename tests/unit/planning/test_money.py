"""The money of a fault: sums of what costs and plan find, of the part of the fleet that is asked about."""

from __future__ import annotations

import json
from datetime import date

import polars as pl
import pytest

from fleetlog.causes.costs import costs
from fleetlog.causes.suspects import suspects
from fleetlog.charts.output import spec_of
from fleetlog.errors import UsageError
from fleetlog.planning.money import MoneyFinding, money, months_before
from fleetlog.planning.plan import plan
from fleetlog.session.fleet import Fleet
from fleetlog.session.scope import Scope


@pytest.fixture(scope="module")
def found(demo: Fleet) -> MoneyFinding:
    return money(demo, draws=20)


def of(found: MoneyFinding, item: str) -> dict[str, float]:
    return found.frame.filter(pl.col("item") == item).row(0, named=True)


def test_every_figure_is_that_of_costs_and_plan(found: MoneyFinding, demo: Fleet) -> None:
    known = suspects(demo)
    spent = costs(demo, known, date(2025, 7, 1), date(2026, 7, 1))
    planned = plan(demo, draws=20, known=known)
    assert found.spent_from == date(2025, 7, 1)
    assert of(found, "on this fault")["cost"] == pytest.approx(spent.spent_in_all)
    assert of(found, "of it, on parts that were sound")["count"] == pytest.approx(
        spent.in_vain["in_vain"].sum()
    )
    in_all = of(found, "the plan in all")
    assert (
        in_all["cost"] == pytest.approx(float(planned.frame["cost"].sum())) == pytest.approx(found.plan_cost)
    )
    assert in_all["labour_hours"] == pytest.approx(float(planned.frame["labour_hours"].sum()))
    parts = ("open cases and doubtful repairs", "parts ahead of failure")
    assert sum(of(found, item)["cost"] for item in parts) == pytest.approx(in_all["cost"])
    saved = of(found, "by the work ahead, against waiting")
    assert (saved["lower"], saved["cost"], saved["upper"]) == (
        planned.saving_lower,
        planned.saving,
        planned.saving_upper,
    )
    assert found.payback_months == planned.payback_months


def test_the_sites_add_up_to_the_fleet(found: MoneyFinding, demo: Fleet) -> None:
    known = suspects(demo)
    by_site = [
        costs(demo, known, date(2025, 7, 1), date(2026, 7, 1), Scope(sites=(site,)))
        for site in sorted(set(found.in_vain["site"]))
    ]
    assert sum(one.spent_in_vain for one in by_site) == pytest.approx(found.spent_in_vain)
    assert sum(one.spent_in_all for one in by_site) == pytest.approx(found.spent_in_all)
    assert all(one.spent_in_all < found.spent_in_all for one in by_site)


def test_it_says_when_the_plan_is_paid_back(found: MoneyFinding) -> None:
    assert found.payback_months is not None
    assert any(f"after {found.payback_months} months" in note for note in found.notes)
    shown = spec_of(found.chart())
    assert f"paid back after {found.payback_months} months" in json.dumps(shown)
    told = json.loads(json.dumps(found.to_dict()))
    assert told["plan_cost"] == pytest.approx(found.plan_cost)


@pytest.mark.parametrize(
    ("after", "months", "expected"),
    [
        (date(2026, 7, 1), 12, date(2025, 7, 1)),
        (date(2026, 3, 31), 1, date(2026, 2, 28)),
        (date(2024, 3, 15), 14, date(2023, 1, 15)),
    ],
)
def test_months_back(after: date, months: int, expected: date) -> None:
    assert months_before(after, months) == expected


@pytest.mark.parametrize("months", [0, 121])
def test_an_impossible_number_of_months_is_refused(demo: Fleet, months: int) -> None:
    with pytest.raises(UsageError, match="--months"):
        money(demo, months=months)
