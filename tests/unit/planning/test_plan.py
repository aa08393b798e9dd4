"""The plan of the demo fleet: limits, worth, combined visits, stability, and every way it can be impossible."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from fleetlog.causes.suspects import SuspectsFinding, suspects
from fleetlog.errors import UsageError
from fleetlog.planning.outlook import outlook_of
from fleetlog.planning.plan import PlanFinding, plan
from fleetlog.planning.plan_candidates import Candidates, gather
from fleetlog.planning.plan_hours import ShopHoursFinding, compare_shop_hours
from fleetlog.planning.plan_visits import ShopLimits, offer
from fleetlog.session.finding import Finding
from fleetlog.session.fleet import Fleet
from fleetlog.session.scope import Scope

DRAWS = 30


@contextmanager
def setting(fleet: Fleet, **shop: object) -> Iterator[Fleet]:
    """The fleet with other shop settings, for a while."""
    before = fleet.settings
    fleet.settings = replace(before, shop=replace(before.shop, **shop))  # type: ignore[arg-type]
    try:
        yield fleet
    finally:
        fleet.settings = before


@pytest.fixture(scope="module")
def found(demo: Fleet) -> PlanFinding:
    return plan(demo, draws=DRAWS)


@pytest.fixture(scope="module")
def tight(demo: Fleet) -> PlanFinding:
    """Too little room for all."""
    with setting(demo, engine_out_jobs=1):
        return plan(demo, weeks=8, draws=DRAWS)


@pytest.fixture(scope="module")
def known(demo: Fleet) -> SuspectsFinding:
    """The suspects, on which most plans here rest, asked for once."""
    return suspects(demo)


@pytest.fixture(scope="module")
def candidates(demo: Fleet) -> Candidates:
    return gather(demo, Scope(), weeks=26, draws=DRAWS)


def test_it_is_a_finding_with_the_promised_keys(found: PlanFinding) -> None:
    assert isinstance(found, Finding)
    answer = found.to_dict()
    promised = {"machine_id", "side", "action", "week", "labour_hours", "saving", "chance_without"}
    assert all(promised <= set(row) for row in answer["rows"])
    assert {"weeks", "left_out", "changes", "gap", "bound", "method", "cautions"} <= set(answer)
    assert len(answer["cautions"]) >= 8
    assert all(len(row["week"]) == 8 and row["week"][4:6] == "-W" for row in answer["rows"])
    assert found.frame["saving"].sum() == pytest.approx(found.saving)


@pytest.mark.parametrize("name", ["found", "tight"])
def test_no_limit_is_broken(name: str, request: pytest.FixtureRequest) -> None:
    planned: PlanFinding = request.getfixturevalue(name)
    for used, limit in (
        ("labour_hours", "labour_hours_limit"),
        ("pump_hours", "pump_hours_limit"),
        ("engine_out_jobs", "engine_out_limit"),
    ):
        assert planned.weeks.filter(pl.col(used) > pl.col(limit) + 1e-6).is_empty()
    by_week = planned.frame.group_by("week").agg(pl.col("labour_hours").sum().alias("sum"))
    joined = planned.weeks.join(by_week, on="week", how="left").with_columns(pl.col("sum").fill_null(0.0))
    np.testing.assert_allclose(joined["sum"], joined["labour_hours"], atol=1e-9)
    # one visit a machine
    assert (
        planned.frame.group_by("machine_id")
        .agg(pl.col("week").n_unique())
        .filter(pl.col("week") > 1)
        .is_empty()
    )


def test_the_bound_is_above_and_the_gap_is_stated(tight: PlanFinding) -> None:
    assert tight.bound >= tight.saving > 0
    assert tight.gap == pytest.approx((tight.bound - tight.saving) / tight.saving)
    assert tight.gap <= 0.001 + 1e-9
    assert tight.method == "exact"
    assert "save" in tight.notes[0]


def test_only_what_wears_is_planned(found: PlanFinding) -> None:
    assert set(found.frame["component"]) == {"internal_bushing"}
    assert (found.frame["action"] == "replace internal_bushing").all()
    assert any("too few data" in note for note in found.notes)
    assert (found.frame["saving"] > 0).all()
    assert found.frame.filter(pl.col("chance_without") > 1).is_empty()


def test_both_sides_share_a_teardown(found: PlanFinding, demo: Fleet) -> None:
    step = demo.family("neutral-return").step("replace_bushing")
    pairs = found.frame.filter(pl.col("together") == 2)
    assert pairs.height >= 10
    visits = pairs.group_by("machine_id").agg(
        pl.col("labour_hours").sum(), pl.col("week").n_unique(), pl.col("side").sort()
    )
    assert (visits["labour_hours"] == step.labour_hours + step.second_side_labour_hours).all()
    assert (visits["week"] == 1).all()
    assert visits["side"].to_list() == [["left", "right"]] * visits.height
    single = found.frame.filter(pl.col("together") == 1)
    assert (single["labour_hours"] == step.labour_hours).all()


def test_two_sides_in_one_visit_are_worth_more_than_either(candidates: Candidates, demo: Fleet) -> None:
    offers = offer(demo, candidates, ShopLimits.of(demo, None), {})
    both = (offers.members >= 0).sum(axis=1) == 2
    worth = {}
    for row in np.flatnonzero(~both):
        worth[int(offers.members[row, 0]), int(offers.week[row])] = float(offers.worth[row])
    seen = 0
    for row in np.flatnonzero(both):
        one, two = offers.members[row, :2]
        alone = [worth.get((int(member), int(offers.week[row])), 0.0) for member in (one, two)]
        assert offers.worth[row] > max(alone)
        seen += 1
    assert seen > 100


def test_worth_is_the_value_of_the_part_less_the_job(candidates: Candidates, demo: Fleet) -> None:
    offers = offer(demo, candidates, ShopLimits.of(demo, None), {})
    single = (offers.members >= 0).sum(axis=1) == 1
    for row in np.flatnonzero(single)[::97]:
        member, week = int(offers.members[row, 0]), int(offers.week[row])
        expected = (
            candidates.there[member, week]
            * candidates.alive[member, week]
            * (candidates.value[member, week] - offers.cost[row])
        )
        assert offers.worth[row] == pytest.approx(expected, rel=1e-9)


def test_waiting_makes_a_worn_part_worth_less_to_plan(candidates: Candidates) -> None:
    ahead = candidates.rows["open_chance"].to_numpy() == 0
    reached = candidates.there * candidates.alive
    assert (np.diff(reached[ahead], axis=1) < 0).all()
    # an open case melts away faster than any part wears
    case = candidates.value[~ahead]
    assert (np.diff(case, axis=1) < 0).all()


def test_weeks_begin_after_the_lead_time_and_not_while_out(
    found: PlanFinding, demo: Fleet, known: SuspectsFinding
) -> None:
    first = found.frame["monday"].min()
    assert first >= found.as_of + timedelta(days=demo.settings.shop.parts_lead_days)
    with setting(demo, parts_lead_days=60):
        later = plan(demo, known=known, draws=DRAWS)
    assert later.frame["monday"].min() >= later.as_of + timedelta(days=60)
    assert later.saving < found.saving


def test_closed_weeks_stay_empty(found: PlanFinding, demo: Fleet, known: SuspectsFinding) -> None:
    closed = tuple(found.frame["week"].unique().sort()[:2])
    with setting(demo, closed_weeks=closed):
        other = plan(demo, known=known, draws=DRAWS)
    assert not set(closed) & set(other.frame["week"])
    assert other.saving < found.saving


def test_machines_on_rent_are_not_called_in(demo: Fleet, found: PlanFinding) -> None:
    demo.history()
    out = set(
        demo.store.select(
            "SELECT DISTINCT machine_id FROM rentals WHERE in_at IS NULL AND out_at < TIMESTAMP '2026-07-01'"
        )["machine_id"]
    )
    soon = found.frame.filter(pl.col("monday") < date(2026, 7, 20))
    assert out
    assert not set(soon["machine_id"]) & out


def test_a_required_machine_gets_a_week(tight: PlanFinding, demo: Fleet, known: SuspectsFinding) -> None:
    left = tight.left_out.filter(pl.col("why") == "no room in the shop")["machine_id"][0]
    assert left not in set(tight.frame["machine_id"])
    with setting(demo, engine_out_jobs=1):
        forced = plan(demo, known=known, weeks=8, draws=DRAWS, must=(left,))
    assert left in set(forced.frame["machine_id"])
    assert forced.saving <= tight.saving


@pytest.mark.parametrize(
    ("shop", "said"),
    [
        ({"engine_out_jobs": 0}, "shop.engine_out_jobs allows none of the jobs"),
        ({"pump_mechanics": 0}, "shop.pump_mechanics gives 0 h"),
        ({"weekly_hours": 10.0}, "the shop has 10 h a week and the shortest job takes 13.5 h"),
        ({"parts_lead_days": 400}, "the lead time of parts"),
    ],
)
def test_what_cannot_be_is_explained(
    demo: Fleet, known: SuspectsFinding, shop: dict[str, object], said: str
) -> None:
    with setting(demo, **shop):
        empty = plan(demo, known=known, weeks=8, draws=DRAWS)
        assert empty.frame.is_empty()
        assert empty.saving == 0
        told = " ".join((*empty.notes, *empty.left_out["why"]))
        assert said in told or ("lead" in said and "longer than the plan" in told)
        machine = empty.left_out["machine_id"][0]
        with pytest.raises(UsageError, match=said):
            plan(demo, known=known, weeks=8, draws=DRAWS, must=(machine,))
        assert empty.chart() is not None


def test_too_many_requirements_are_refused_together(
    demo: Fleet, known: SuspectsFinding, found: PlanFinding
) -> None:
    machines = tuple(found.frame["machine_id"].unique().sort())
    with (
        setting(demo, engine_out_jobs=1),
        pytest.raises(UsageError, match="cannot all be planned"),
    ):
        plan(demo, known=known, weeks=8, draws=DRAWS, must=machines)


@pytest.mark.parametrize(
    ("how", "said"),
    [
        ({"weeks": 0}, "1 to 104 weeks"),
        ({"shop_hours": -1.0}, "cannot be -1"),
        ({"must": ("no such",)}, "no machine"),
        ({"must": ("207",)}, "no part here that is worth"),
        ({"engine_out": {"no such": "2026-W30"}}, "no machine"),
        ({"engine_out": {"49": "2031-W30"}}, "the plan covers"),
        ({"previous": pl.DataFrame({"machine_id": ["1"]})}, "lacks the column side"),
    ],
)
def test_mistakes_end_in_one_sentence(
    demo: Fleet, known: SuspectsFinding, how: dict[str, object], said: str
) -> None:
    with pytest.raises(UsageError, match=said):
        plan(demo, known=known, draws=20, **how)  # type: ignore[arg-type]


def test_an_engine_that_is_out_already_draws_the_job_to_that_week(
    demo: Fleet, known: SuspectsFinding, found: PlanFinding
) -> None:
    row = found.frame.filter(pl.col("together") == 1).row(-1, named=True)
    with_help = plan(demo, known=known, draws=DRAWS, engine_out={row["machine_id"]: "2026-W40"})
    mine = with_help.frame.filter(pl.col("machine_id") == row["machine_id"])
    assert mine["week"].to_list() == ["2026-W40"]
    saved = demo.settings.costs.engine_out_hours
    assert mine["labour_hours"].sum() == pytest.approx(row["labour_hours"] - saved)


def test_the_same_plan_again_when_nothing_is_new(
    tight: PlanFinding, demo: Fleet, known: SuspectsFinding
) -> None:
    with setting(demo, engine_out_jobs=1):
        again = plan(demo, known=known, weeks=8, draws=DRAWS, previous=tight.frame)
    assert again.frame.equals(tight.frame)
    assert set(again.changes["change"]) == {"kept"}


def test_a_month_later_only_news_changes_the_plan(demo: Fleet, known: SuspectsFinding) -> None:
    """Jobs of the May plan that are still ahead stay in their weeks unless news moves them."""
    with setting(demo, engine_out_jobs=1):
        may = plan(demo, Scope(as_of=date(2026, 5, 31)), weeks=20, draws=DRAWS)
        free = plan(demo, known=known, weeks=16, draws=DRAWS)
        june = plan(demo, known=known, weeks=16, draws=DRAWS, previous=may.frame)
    with setting(demo, engine_out_jobs=1, replan_penalty=1e6):
        stiff = plan(demo, known=known, weeks=16, draws=DRAWS, previous=may.frame)
    ahead = may.frame.filter(pl.col("monday") > june.as_of).select("machine_id", "side", was="week")

    def kept(one: PlanFinding) -> int:
        joined = ahead.join(one.frame, on=["machine_id", "side"])
        return int((joined["was"] == joined["week"]).sum())

    assert kept(stiff) >= kept(june) > kept(free)
    assert june.saving <= free.saving + 1e-6
    assert june.saving > 0.97 * free.saving
    assert set(june.changes["change"]) <= {"kept", "moved", "new", "dropped"}
    demo.history()


def test_the_past_sees_no_later_booking(demo: Fleet) -> None:
    then = plan(demo, Scope(as_of=date(2025, 6, 30)), weeks=6, draws=20)
    booked = demo.store.run("plan/bookings", as_of_end=demo.history().as_of_end, booked_ahead=False)
    assert then.as_of == date(2025, 6, 30)
    assert booked["in_at"].is_null().all()
    demo.history(None)


def test_the_greedy_plan_stands_in(demo: Fleet, known: SuspectsFinding, tight: PlanFinding) -> None:
    with setting(demo, engine_out_jobs=1):
        quick = plan(demo, known=known, weeks=8, draws=DRAWS, seconds=0)
    assert quick.method == "greedy"
    assert 0.9 * tight.saving < quick.saving <= tight.saving + 1e-6 <= quick.bound + 1e-3
    assert "quick plan" in quick.notes[0]


def test_more_hours_never_save_less(demo: Fleet) -> None:
    compared = compare_shop_hours(demo, shop_hours=(60, 14, 28, 14), weeks=12, draws=DRAWS)
    assert isinstance(compared, ShopHoursFinding)
    assert isinstance(compared, Finding)
    rows = compared.frame
    assert rows["shop_hours"].to_list() == [14.0, 28.0, 60.0]
    assert (rows["saving"].diff().drop_nulls() >= -1e-6).all()
    gained = (rows["saving"][1] - rows["saving"][0]) / 14
    assert rows["saving_per_extra_hour"][1] == pytest.approx(gained)
    assert compared.to_dict()["rows"][0]["saving_per_extra_hour"] is None
    assert compared.chart() is not None


def test_the_candidates_are_the_parts_past_their_own_best_age(candidates: Candidates, demo: Fleet) -> None:
    outlook = outlook_of(demo, Scope(), months=12, draws=DRAWS)
    original = outlook.places.filter(
        (pl.col("component") == "internal_bushing") & (pl.col("variant") == "original")
    )
    mine = candidates.rows.filter(pl.col("open_chance") == 0)
    assert set(mine["variant"]) == {"original"}
    youngest = mine["age_hours"].min()
    assert youngest > 1500
    assert original.height >= mine.height


def test_other_families_plan_without_a_line_of_code(demo: Fleet) -> None:
    for fault in demo.families:
        answer = plan(demo, Scope(fault=fault), weeks=6, draws=20)
        assert answer.notes
        assert answer.chart() is not None
