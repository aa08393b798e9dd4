"""The plan of the demo fleet: open work first, limits, worth, twins, stability, and every way it can be impossible."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from fleetlog.causes.case import Suspect
from fleetlog.causes.suspects import SuspectsFinding, suspects
from fleetlog.errors import UsageError
from fleetlog.planning.forecast import forecast_of
from fleetlog.planning.open_work import BESIDE, DOUBTFUL, OPEN, open_work
from fleetlog.planning.outlook import outlook_of
from fleetlog.planning.plan import AHEAD, PlanFinding, plan
from fleetlog.planning.plan_candidates import Candidates, gather
from fleetlog.planning.plan_hours import ShopHoursFinding, compare_shop_hours
from fleetlog.planning.plan_visits import ShopLimits, offer
from fleetlog.session.finding import Finding
from fleetlog.session.fleet import Fleet
from fleetlog.session.scope import Scope

DRAWS = 30


@contextmanager
def setting(fleet: Fleet, costs: dict[str, object] | None = None, **shop: object) -> Iterator[Fleet]:
    """The fleet with other shop settings, or costs, for a while."""
    before = fleet.settings
    fleet.settings = replace(
        before,
        shop=replace(before.shop, **shop),  # type: ignore[arg-type]
        costs=replace(before.costs, **(costs or {})),  # type: ignore[arg-type]
    )
    try:
        yield fleet
    finally:
        fleet.settings = before


def ahead(planned: PlanFinding) -> pl.DataFrame:
    """The jobs ahead of failure."""
    return planned.frame.filter(pl.col("reason") == AHEAD)


@pytest.fixture(scope="module")
def found(demo: Fleet) -> PlanFinding:
    return plan(demo, draws=DRAWS)


@pytest.fixture(scope="module")
def tight(demo: Fleet) -> PlanFinding:
    """Too little room for all that would pay: a breakdown is dear, and few engines can be out."""
    with narrow(demo):
        return plan(demo, weeks=8, draws=DRAWS)


@contextmanager
def narrow(demo: Fleet, **shop: object) -> Iterator[Fleet]:
    """A shop in which prevention pays and not all of it finds room."""
    with setting(demo, costs={"call_out": 2500.0}, **{"engine_out_jobs": 3, **shop}) as fleet:
        yield fleet


@pytest.fixture(scope="module")
def crowded(demo: Fleet) -> PlanFinding:
    """Not even room for all that is open."""
    with setting(demo, engine_out_jobs=1):
        return plan(demo, weeks=4, draws=20)


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
    promised = {"machine_id", "side", "action", "week", "labour_hours", "saving", "chance_without", "reason"}
    assert all(promised <= set(row) for row in answer["rows"])
    assert {"weeks", "left_out", "changes", "gap", "bound", "method", "cautions", "hour_worth"} <= set(answer)
    assert len(answer["cautions"]) >= 8
    assert all(len(row["week"]) == 8 and row["week"][4:6] == "-W" for row in answer["rows"])


def test_the_saving_is_that_of_its_rows_and_lies_in_its_range(found: PlanFinding, tight: PlanFinding) -> None:
    for planned in (found, tight):
        assert planned.frame["saving"].sum() == pytest.approx(planned.saving)
        assert planned.saving_lower < planned.saving < planned.saving_upper
        assert planned.frame.filter(pl.col("reason").is_in([OPEN, DOUBTFUL]))["saving"].is_null().all()
        once = planned.frame.group_by("week", "machine_id").agg(
            told=pl.col("saving").is_not_null().sum(), work=pl.col("reason").is_in([AHEAD, BESIDE]).any()
        )
        assert (once["told"] == once["work"].cast(pl.Int64)).all()


def test_with_laws_that_are_certain_the_range_is_the_saving(demo: Fleet) -> None:
    """Every draw the point estimate: what is valued again for the range is what was chosen, and nothing else."""
    outlook = outlook_of(demo, Scope(), months=1, draws=20)
    models = tuple(
        replace(one, draws=np.tile(one.law, (20, 1)), lognormal=np.full(20, one.law.lognormal))
        for one in outlook.models
    )
    sure = plan(demo, outlook=replace(outlook, models=models), draws=20)
    assert sure.saving_lower == pytest.approx(sure.saving)
    assert sure.saving_upper == pytest.approx(sure.saving)
    assert sure.saving > 0


# ------------------------------------------------------------------------------------------------ open work


def open_cases(known: SuspectsFinding) -> list[Suspect]:
    return [case for case in known.cases if case.state == "open"]


@pytest.mark.parametrize("name", ["found", "tight", "crowded"])
def test_every_open_case_has_its_week_or_a_line_that_says_why_not(
    name: str, request: pytest.FixtureRequest, known: SuspectsFinding
) -> None:
    planned: PlanFinding = request.getfixturevalue(name)
    with_week = planned.frame.filter(pl.col("reason") == OPEN).select("machine_id", "side").rows()
    late = planned.left_out.filter(pl.col("why").str.starts_with("no room: first possible week "))
    without = late.select("machine_id", "side").rows()
    assert sorted([*with_week, *without]) == sorted((one.machine_id, one.side) for one in open_cases(known))
    assert len(with_week) == len(set(with_week))
    last = planned.weeks["week"].max()
    assert all(str(why).removeprefix("no room: first possible week ") > str(last) for why in late["why"])


def test_a_crowded_shop_leaves_the_cases_that_wait_for_least(
    crowded: PlanFinding, known: SuspectsFinding
) -> None:
    assert not crowded.left_out.filter(pl.col("why").str.starts_with("no room: first")).is_empty()
    # what is left waits for less than what came in for the same bays
    opening = {(one.machine_id, one.side): one for one in open_cases(known) if one.opens}
    came = [
        opening[key].waiting_per_day
        for key in crowded.frame.filter(pl.col("reason") == OPEN).select("machine_id", "side").rows()
        if key in opening
    ]
    assert came == sorted(came, reverse=True)
    late = [opening[key] for key in crowded.left_out.select("machine_id", "side").rows() if key in opening]
    assert late
    assert max(one.waiting_per_day for one in late) <= min(came)


def test_open_work_comes_by_what_a_day_of_waiting_costs(
    candidates: Candidates, demo: Fleet, known: SuspectsFinding
) -> None:
    """In a shop that holds a case a week, the weeks follow the cost of waiting, machine by machine."""
    most = max(one.labour_hours or 0.0 for one in open_cases(known))
    limits = replace(ShopLimits.of(demo, 2.0 * most), pump_hours=1e6, engine_out_jobs=1e6, lead_days=0)
    caps = np.tile([2.0 * most, 1e6, 1e6], (26, 1))
    offers = offer(demo, candidates, limits, {})
    first = open_work(candidates, offers, limits, caps)
    assert (first.used <= caps + 1e-9).all()
    opened = [row for row in first.rows if row["reason"] == OPEN]
    waiting: dict[str, float] = {}
    for row in opened:
        waiting[row["machine_id"]] = waiting.get(row["machine_id"], 0.0) + row["waiting_per_day"]
    assert list(waiting.values()) == sorted(waiting.values(), reverse=True)
    reasons = [row["reason"] for row in first.rows if row["reason"] != BESIDE]
    assert reasons == sorted(reasons, key=[OPEN, DOUBTFUL].index)


def test_both_sides_that_stand_are_one_visit(found: PlanFinding) -> None:
    both = (
        found.frame.filter(pl.col("reason") == OPEN)
        .group_by("machine_id")
        .agg(pl.col("week").n_unique(), pl.col("together").min(), jobs=pl.len())
        .filter(pl.col("jobs") == 2)
    )
    assert both.height >= 1
    assert (both["week"] == 1).all()
    assert (both["together"] >= 2).all()


def test_while_a_machine_is_open_the_sound_side_costs_the_second_side(
    found: PlanFinding, demo: Fleet
) -> None:
    step = demo.family("neutral-return").step("replace_bushing")
    beside = found.frame.filter(pl.col("reason") == BESIDE)
    assert beside.height >= 1
    for row in beside.to_dicts():
        case = found.frame.filter(
            (pl.col("machine_id") == row["machine_id"]) & (pl.col("reason") == OPEN)
        ).row(0, named=True)
        assert (row["week"], row["component"]) == (case["week"], "internal_bushing")
        assert row["side"] != case["side"]
        assert row["labour_hours"] == step.second_side_labour_hours
        settings = demo.settings.costs
        parts = settings_parts(demo)
        work = step.second_side_labour_hours * settings.labour_rate + parts
        assert work <= row["cost"] <= work + settings.downtime_per_day
        assert row["saving"] > 0


def settings_parts(demo: Fleet) -> float:
    """What a new bushing costs this fleet."""
    return (
        demo.settings.parts.get("internal_bushing", 0.0)
        or demo.family("neutral-return").step("replace_bushing").parts_cost
    )


def test_two_sound_sides_beside_a_case_without_side_count_their_value_once(
    candidates: Candidates, demo: Fleet, known: SuspectsFinding
) -> None:
    """Of a machine that is open for a fault whose side nobody told, both sides are sound candidates: one opening."""
    case = next(one for one in open_cases(known) if one.opens)
    rows = candidates.rows
    pair = rows.filter(~pl.col("beside_work"), pl.col("twin") >= 0)["machine_id"][0]
    told = replace(
        candidates,
        known=replace(known, cases=(replace(case, machine_id=pair, side=""),)),
        rows=rows.with_columns(beside_work=pl.col("machine_id") == pair),
    )
    limits = ShopLimits.of(demo, 500.0)
    caps = np.tile([500.0, 500.0, 10.0], (26, 1))
    first = open_work(told, offer(demo, candidates, limits, {}), limits, caps)
    [job] = first.beside
    assert len(job.candidates) == 2
    one, two = job.candidates
    worth, week = candidates.worth, job.week
    both_run = worth.alive[one, week] * worth.alive[two, week]
    expected = worth.there[one, week] * both_run * (worth.value[one, week] - job.price)
    done = [row for row in first.rows if row["reason"] == BESIDE]
    assert sum(row["saving"] for row in done) == pytest.approx(expected)
    assert sum(row["cost"] for row in done) == pytest.approx(job.price)


def test_hours_are_kept_for_the_breakdowns_that_the_forecast_expects(
    candidates: Candidates, found: PlanFinding, demo: Fleet
) -> None:
    weekly = forecast_of(demo, Scope(), candidates.outlook)
    expected = weekly.by_month["labour_hours"].to_numpy()
    reserved = found.weeks["labour_hours_reserved"].to_numpy()
    np.testing.assert_array_equal(reserved, candidates.reserved)
    # the forecast is the mean of draws of the laws, and mends what stands in its first stretch; the plan has that
    # among its open work
    np.testing.assert_allclose(reserved[1:], expected[1:], rtol=0.1)
    assert reserved[1:].sum() == pytest.approx(expected[1:].sum(), rel=0.05)
    assert reserved[0] < 0.5 * expected[0]
    # work ahead keeps out of them
    only_ahead = found.frame.group_by("week").agg((pl.col("reason") == AHEAD).all().alias("free"))
    weeks = found.weeks.join(only_ahead, on="week").filter("free")
    assert weeks.height >= 2
    room = weeks["labour_hours_limit"] - weeks["labour_hours_reserved"]
    assert (weeks["labour_hours"] <= room + 1e-9).all()


# ---------------------------------------------------------------------------------------- limits and worth


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


def test_only_what_wears_is_planned_ahead(found: PlanFinding) -> None:
    jobs = ahead(found)
    assert set(jobs["component"]) == {"internal_bushing"}
    assert (jobs["action"] == "replace internal_bushing").all()
    assert any("too few data" in note for note in found.notes)
    assert (jobs["saving"] > 0).all()
    assert found.frame.filter(pl.col("chance_without") > 1).is_empty()


def test_where_a_breakdown_costs_no_more_nothing_ahead_is_planned(
    demo: Fleet, known: SuspectsFinding
) -> None:
    """Standing that costs nothing, no call-out: the advised repair of a breakdown is the planned job and some looks."""
    with setting(demo, costs={"downtime_per_day": 0.0, "call_out": 0.0, "labour_rate": 0.0}):
        free = replace(
            demo.family("neutral-return"),
            steps=tuple(
                replace(step, parts_cost=100.0 if step.name == "replace_bushing" else 0.0)
                for step in demo.family("neutral-return").steps
            ),
        )
        before = demo.families["neutral-return"]
        demo.families["neutral-return"] = free  # type: ignore[index]
        try:
            found = plan(demo, known=known, weeks=8, draws=20)
        finally:
            demo.families["neutral-return"] = before  # type: ignore[index]
    assert ahead(found).is_empty()
    assert found.notes[0].startswith("No sound part is worth replacing ahead")
    assert any("a breakdown costs no more than a planned job" in note for note in found.notes)
    assert found.frame.filter(pl.col("reason") == OPEN).height > 0


def test_both_sides_share_a_teardown(found: PlanFinding, demo: Fleet) -> None:
    step = demo.family("neutral-return").step("replace_bushing")
    jobs = ahead(found)
    pairs = jobs.filter(pl.col("together") == 2)
    assert pairs.height >= 4
    visits = pairs.group_by("machine_id").agg(
        pl.col("labour_hours").sum(), pl.col("week").n_unique(), pl.col("side").sort()
    )
    assert (visits["labour_hours"] == step.labour_hours + step.second_side_labour_hours).all()
    assert (visits["week"] == 1).all()
    assert visits["side"].to_list() == [["left", "right"]] * visits.height
    single = jobs.filter(pl.col("together") == 1)
    assert (single["labour_hours"] == step.labour_hours).all()


def test_a_part_and_its_twin_are_only_offered_together(candidates: Candidates, demo: Fleet) -> None:
    offers = offer(demo, candidates, ShopLimits.of(demo, None), {})
    twin = candidates.rows["twin"].to_list()
    beside = candidates.rows["beside_work"].to_list()
    pairs = 0
    for members in np.unique(offers.members, axis=0).tolist():
        mine = [one for one in members if one >= 0]
        assert not any(beside[one] for one in mine)
        assert all(twin[one] < 0 or twin[one] in mine for one in mine)
        pairs += any(twin[one] >= 0 for one in mine)
    assert pairs >= 3
    assert any(one < 0 for one, open_too in zip(twin, beside, strict=True) if not open_too)


def test_worth_is_the_value_of_the_parts_less_the_job(candidates: Candidates, demo: Fleet) -> None:
    """One opening for both sides: their value once, the visit once, as long as both still run."""
    offers = offer(demo, candidates, ShopLimits.of(demo, None), {})
    worth = candidates.worth
    checked = 0
    for row in range(0, offers.machine.size, 13):
        members, week = [one for one in offers.members[row].tolist() if one >= 0], int(offers.week[row])
        if len({candidates.rows["component"][one] for one in members}) > 1:
            continue
        alive = np.prod([worth.alive[one, week] for one in members])
        saved = alive * (worth.value[members[0], week] - offers.cost[row])
        assert offers.worth[row] == pytest.approx(worth.there[members[0], week] * saved, rel=1e-9)
        checked += 1
    assert checked > 20


def test_waiting_makes_a_part_less_likely_to_be_reached(candidates: Candidates) -> None:
    worth = candidates.worth
    assert (np.diff(worth.there * worth.alive, axis=1) < 0).all()
    # while the part grows older, and so is worth more to replace
    assert (np.diff(worth.value, axis=1) > -1e-6).all()


def test_weeks_begin_after_the_lead_time_and_not_while_out(
    found: PlanFinding, demo: Fleet, known: SuspectsFinding
) -> None:
    first = ahead(found)["monday"].min()
    assert first >= found.as_of + timedelta(days=demo.settings.shop.parts_lead_days)
    with setting(demo, parts_lead_days=60):
        later = plan(demo, known=known, draws=DRAWS)
    opening = {(one.machine_id, one.side) for one in known.cases if one.opens}
    opened = [
        row
        for row in later.frame.to_dicts()
        if row["reason"] in (AHEAD, BESIDE) or (row["machine_id"], row["side"]) in opening
    ]
    assert min(row["monday"] for row in opened) >= later.as_of + timedelta(days=60)
    # a look needs no part
    assert later.frame["monday"].min() < later.as_of + timedelta(days=30)
    assert later.saving < found.saving


def test_closed_weeks_stay_empty(found: PlanFinding, demo: Fleet, known: SuspectsFinding) -> None:
    closed = tuple(ahead(found)["week"].unique().sort()[:2])
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
    soon = ahead(found).filter(pl.col("monday") < date(2026, 7, 20))
    assert out
    assert not set(soon["machine_id"]) & out


def test_a_required_machine_gets_a_week(tight: PlanFinding, demo: Fleet, known: SuspectsFinding) -> None:
    left = tight.left_out.filter(pl.col("why") == "no room in the shop")["machine_id"][0]
    assert left not in set(tight.frame["machine_id"])
    with narrow(demo):
        forced = plan(demo, known=known, weeks=8, draws=DRAWS, must=(left,))
    assert left in set(forced.frame["machine_id"])
    assert forced.saving <= tight.saving


@pytest.mark.parametrize(
    ("shop", "said"),
    [
        ({"engine_out_jobs": 0}, "shop.engine_out_jobs allows none of the jobs"),
        ({"pump_mechanics": 0}, "shop.pump_mechanics gives 0 h"),
        ({"weekly_hours": 10.0}, "the shop has 10 h a week and the shortest job takes 1"),
        ({"parts_lead_days": 400}, "the lead time of parts"),
    ],
)
def test_what_cannot_be_is_explained(
    demo: Fleet, known: SuspectsFinding, shop: dict[str, object], said: str
) -> None:
    with setting(demo, **shop):
        empty = plan(demo, known=known, weeks=8, draws=DRAWS)
        assert set(empty.frame["reason"]) <= {OPEN, DOUBTFUL}
        assert empty.saving == 0
        told = " ".join((*empty.notes, *empty.left_out["why"]))
        assert said in told or ("lead" in said and "longer than the plan" in told)
        machine = empty.left_out.filter(~pl.col("why").str.starts_with("no week holds it"))["machine_id"][-1]
        with pytest.raises(UsageError, match=said):
            plan(demo, known=known, weeks=8, draws=DRAWS, must=(machine,))
        assert empty.chart() is not None


@pytest.mark.parametrize(
    ("shop", "said"),
    [
        ({"weekly_hours": 0.0}, "The shop has no hours (shop.weekly_hours is 0): no work gets a week."),
        ({"closed_weeks": ("2026-W28", "2026-W29")}, "Every week of the plan is closed (shop.closed_weeks)."),
    ],
)
def test_a_shop_without_hours_or_weeks_is_told_in_a_sentence(
    demo: Fleet, known: SuspectsFinding, shop: dict[str, object], said: str
) -> None:
    with setting(demo, **shop):
        found = plan(demo, known=known, weeks=2, draws=20)
    assert [note for note in found.notes if note.startswith(said)]
    assert np.isfinite([found.saving, found.saving_lower, found.saving_upper, found.hour_worth]).all()
    assert found.frame.is_empty()
    assert found.saving == 0
    late = found.left_out.filter(
        pl.col("why").str.contains("^no room: first possible week|^no week holds it")
    )
    assert late.height == len(open_cases(known))
    assert found.chart() is not None


def test_where_nothing_costs_anything_nothing_is_planned_ahead(demo: Fleet, known: SuspectsFinding) -> None:
    """No rates and no prices: the plan says which settings are missing, and open work still has its weeks."""
    free = dict.fromkeys(("labour_rate", "downtime_per_day", "call_out"), 0.0)
    before = demo.families["neutral-return"]
    steps = tuple(replace(step, parts_cost=0.0) for step in before.steps)
    demo.families["neutral-return"] = replace(before, steps=steps)  # type: ignore[index]
    try:
        with setting(demo, costs=dict(free)):
            found = plan(demo, known=known, weeks=8, draws=20)
    finally:
        demo.families["neutral-return"] = before  # type: ignore[index]
    assert ahead(found).is_empty()
    assert any(
        "internal bushing (original) is not planned ahead: a planned job costs nothing by the settings; set "
        "costs.labour_rate" in note
        for note in found.notes
    )
    assert not found.frame.filter(pl.col("reason") == OPEN).is_empty()


def test_too_many_requirements_are_refused_together(
    demo: Fleet, known: SuspectsFinding, tight: PlanFinding
) -> None:
    left = tight.left_out.filter(pl.col("why") == "no room in the shop")["machine_id"]
    machines = tuple(pl.concat([left, ahead(tight)["machine_id"]]).unique().sort())
    with (
        narrow(demo),
        pytest.raises(UsageError, match="cannot all be planned: with the open cases they need"),
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
    row = ahead(found).filter(pl.col("together") == 1).row(-1, named=True)
    with_help = plan(demo, known=known, draws=DRAWS, engine_out={row["machine_id"]: "2026-W40"})
    mine = with_help.frame.filter(pl.col("machine_id") == row["machine_id"])
    assert mine["week"].to_list() == ["2026-W40"]
    saved = demo.settings.costs.engine_out_hours
    assert mine["labour_hours"].sum() == pytest.approx(row["labour_hours"] - saved)


def test_the_same_plan_again_when_nothing_is_new(
    tight: PlanFinding, demo: Fleet, known: SuspectsFinding
) -> None:
    with narrow(demo):
        again = plan(demo, known=known, weeks=8, draws=DRAWS, previous=tight.frame)
    assert again.frame.equals(tight.frame)
    assert again.changes.height == tight.frame.height
    assert set(again.changes["change"]) == {"kept"}


@pytest.mark.slow
def test_a_month_later_only_news_changes_the_plan(demo: Fleet, known: SuspectsFinding) -> None:
    """Jobs of the May plan that are still ahead stay in their weeks unless news moves them."""
    with narrow(demo):
        may = plan(demo, Scope(as_of=date(2026, 5, 31)), weeks=20, draws=DRAWS)
        free = plan(demo, known=known, weeks=16, draws=DRAWS)
        june = plan(demo, known=known, weeks=16, draws=DRAWS, previous=may.frame)
    with narrow(demo, replan_penalty=1e6):
        stiff = plan(demo, known=known, weeks=16, draws=DRAWS, previous=may.frame)
    still = ahead(may).filter(pl.col("monday") > june.as_of).select("machine_id", "side", was="week")

    def kept(one: PlanFinding) -> int:
        joined = still.join(ahead(one), on=["machine_id", "side"])
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
    with narrow(demo):
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
    mine = candidates.rows.filter(~pl.col("beside_work"))
    assert set(mine["variant"]) == {"original"}
    assert mine["age_hours"].min() > 1500
    original = candidates.outlook.places.filter(
        (pl.col("component") == "internal_bushing") & (pl.col("variant") == "original")
    )
    assert 0 < mine.height < original.height
    # no part that stands in a case is one, nor any on a machine with open work unless beside it
    cases = {(case.machine_id, case.side) for case in candidates.known.cases if case.standing is not None}
    assert not cases & set(candidates.rows.select("machine_id", "side").iter_rows())


def test_an_hour_more_is_worth_what_the_best_visit_without_room_saves(
    found: PlanFinding, tight: PlanFinding
) -> None:
    assert found.hour_worth == 0.0
    assert found.left_out.is_empty()
    left = tight.left_out.filter(pl.col("why") == "no room in the shop")
    assert tight.hour_worth > 0
    # of one machine the visit is the sum of its jobs, and takes at least the shortest job
    best = left.group_by("machine_id").agg(pl.col("best_saving").sum())["best_saving"].max()
    assert tight.hour_worth <= best / 13.5 + 1e-9


def test_other_families_plan_without_a_line_of_code(demo: Fleet) -> None:
    for fault in demo.families:
        answer = plan(demo, Scope(fault=fault), weeks=6, draws=20)
        assert answer.notes
        assert answer.chart() is not None
