"""What a plan's rows tell beside their week: the longer chance, the part, where the machine is, what an hour is worth."""

from __future__ import annotations

from datetime import date

import numpy as np
import polars as pl
import pytest
from scipy import stats

from fleetlog.planning.open_work import BESIDE, OPEN
from fleetlog.planning.plan import AHEAD, PlanFinding, plan
from fleetlog.planning.plan_candidates import Candidates, gather
from fleetlog.planning.whereabouts import BOOKED, EXPECTED, out_now, rentals_ahead
from fleetlog.session.fleet import Fleet
from fleetlog.session.scope import Scope


@pytest.fixture(scope="module")
def found(demo: Fleet) -> PlanFinding:
    return plan(demo, draws=20, weeks=12, shop_hours=30.0)


@pytest.fixture(scope="module")
def candidates(demo: Fleet) -> Candidates:
    return gather(demo, Scope(), weeks=12, draws=20)


def test_the_longer_chance_is_the_law_over_three_years_of_use(
    found: PlanFinding, candidates: Candidates
) -> None:
    assert found.horizon_years == 3
    outlook = candidates.outlook
    for row in found.frame.filter(pl.col("reason") == AHEAD).head(6).iter_rows(named=True):
        assert row["chance_horizon"] > row["chance_without"]
        place = candidates.rows.filter(
            pl.col("machine_id") == row["machine_id"],
            pl.col("side") == row["side"],
            component=row["component"],
        ).row(0, named=True)
        law = outlook.models[place["model_no"]].law
        run = 3 * 365.25 * float(outlook.use.level[place["machine_no"]])
        sf = stats.weibull_min.sf(
            [row["age_hours"], row["age_hours"] + run], law.shape, scale=law.scale_hours
        )
        without_disposal = (1 - place["standing"]) * (1 - sf[1] / sf[0])
        leave = float(outlook.leave_rate[place["age_class"]])
        # a season over whole years is one; disposals take off at most what has left by the end
        assert without_disposal * np.exp(-3 * leave) * 0.9 < row["chance_horizon"] < without_disposal * 1.1


def test_a_case_stands_over_any_horizon(found: PlanFinding) -> None:
    cases = found.frame.filter(pl.col("reason") == OPEN)
    assert cases["chance_horizon"].to_list() == cases["chance_without"].to_list()


def test_the_part_to_have_ready_is_what_the_job_replaces(found: PlanFinding, demo: Fleet) -> None:
    jobs = found.frame.filter(pl.col("reason").is_in([AHEAD, BESIDE]))
    assert jobs["part"].to_list() == jobs["component"].to_list()
    step = demo.family("neutral-return").step("replace_bushing")
    assert set(jobs["parts_cost"]) == {step.parts_cost}
    for row in found.frame.filter(pl.col("reason") == OPEN).iter_rows(named=True):
        cures = [one.component for one in demo.family("neutral-return").steps if one.action == "replace"]
        assert row["part"] is None or row["part"] in cures
        assert (row["part"] is None) == (row["parts_cost"] is None)


def test_a_machine_on_rent_says_since_when_and_when_it_is_due_back(found: PlanFinding, demo: Fleet) -> None:
    out = demo.store.run("plan/bookings", as_of_end=demo.history().as_of_end, booked_ahead=True)
    now = set(out.filter(pl.col("out_at") < demo.history().as_of_end)["machine_id"])
    for row in found.frame.iter_rows(named=True):
        assert (row["on_rent_since"] is not None) == (row["machine_id"] in now)
        if row["on_rent_since"] is not None:
            assert row["on_rent_since"] <= found.as_of
            assert row["due_back"] >= found.as_of
            assert row["due_back_is"] in (BOOKED, EXPECTED)


def test_a_day_gone_by_does_not_know_the_way_back(demo: Fleet) -> None:
    history = demo.history(date(2025, 6, 30))
    rentals = out_now(rentals_ahead(demo, history))
    assert rentals.height > 0
    assert set(rentals["due_back_is"]) == {EXPECTED}
    assert rentals["due_back"].n_unique() == 1
    assert rentals["machine_id"].is_unique().all()


def test_what_lacks_room_says_what_an_hour_would_save(found: PlanFinding, demo: Fleet) -> None:
    no_room = found.left_out.filter(pl.col("why") == "no room in the shop")
    assert no_room.height > 0
    assert (no_room["hour_worth"] > 0).all()
    late = found.left_out.filter(pl.col("why").str.starts_with("no room: first"))
    for row in late.iter_rows(named=True):
        assert row["labour_hours"] > 0
    others = found.left_out.filter(~pl.col("why").str.starts_with("no room"))
    assert others["hour_worth"].is_null().all()
    assert found.hour_worth == pytest.approx(found.left_out["hour_worth"].max())
    assert any("Another mechanic-hour is worth" in note for note in found.notes)
    enough = plan(demo, draws=20, weeks=12, shop_hours=4000.0)
    assert enough.hour_worth <= found.hour_worth
