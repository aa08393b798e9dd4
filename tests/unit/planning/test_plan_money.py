"""What a plan costs and avoids: sums of its rows, a job worked by plain integration, and when it is paid back."""

from __future__ import annotations

import json

import numpy as np
import polars as pl
import pytest
from scipy import stats

from fleetlog.planning.comparators import words_of
from fleetlog.planning.open_work import DOUBTFUL, OPEN
from fleetlog.planning.plan import PlanFinding, plan
from fleetlog.planning.plan_candidates import Candidates, gather
from fleetlog.planning.plan_money import MOST_MONTHS, JobAhead, avoided_by_month, plan_money
from fleetlog.planning.policies import compare_policies
from fleetlog.session.fleet import Fleet
from fleetlog.session.scope import Scope


@pytest.fixture(scope="module")
def found(demo: Fleet) -> PlanFinding:
    return plan(demo, draws=20)


@pytest.fixture(scope="module")
def candidates(demo: Fleet) -> Candidates:
    return gather(demo, Scope(), weeks=26, draws=20)


def test_the_money_is_that_of_the_rows(found: PlanFinding) -> None:
    opened = found.frame.filter(pl.col("reason").is_in([OPEN, DOUBTFUL]))
    assert found.cost_open == pytest.approx(float(opened["cost"].sum()))
    everything = float(found.frame["cost"].sum())
    assert found.cost_open + found.cost_ahead == pytest.approx(everything)
    told = json.loads(json.dumps(found.to_dict()))
    assert {"cost_open", "cost_ahead", "cost_avoided", "payback_months", "payback", "against"} <= set(told)


def test_it_is_paid_back_in_the_first_month_in_which_more_is_avoided_than_spent(found: PlanFinding) -> None:
    month = found.payback_months
    assert month is not None
    avoided = dict(found.payback.iter_rows())
    assert avoided[month] >= found.cost_ahead
    assert avoided[month - 1] < found.cost_ahead
    assert found.cost_avoided == avoided[36]


def test_what_a_pair_avoids_by_plain_sums(candidates: Candidates) -> None:
    """The first failure of two old parts against that of two new ones, over the machine's hours, while it is there."""
    rows = candidates.rows.with_row_index("row")
    pair = rows.filter(pl.col("twin") >= 0, ~pl.col("beside_work")).row(0, named=True)
    outlook = candidates.outlook
    cost = candidates.costs[pair["component"]]
    old = outlook.models[pair["model_no"]].law
    new = next(
        one for one in outlook.models if (one.component, one.variant) == ("internal_bushing", "improved")
    ).law
    begin = ((outlook.periods[4].first - outlook.history.as_of).days + 3.5) / 365.25
    a_year = float(outlook.use.level[pair["machine_no"]]) * 365.25
    twin = rows.row(pair["twin"], named=True)
    age = 0.5 * (pair["age_hours"] + twin["age_hours"]) + begin * a_year
    leave = float(outlook.leave_rate[pair["age_class"]])
    total, expected = 0.0, []
    for month in range(MOST_MONTHS):
        ends = [max(at / 12 - begin, 0.0) * a_year for at in (month, month + 1)]
        both = []
        for law, now in ((old, age), (new, 0.0)):
            alive = [stats.weibull_min.sf(now + end, law.shape, scale=law.scale_hours) ** 2 for end in ends]
            both.append(
                (alive[0] - alive[1]) / stats.weibull_min.sf(now, law.shape, scale=law.scale_hours) ** 2
            )
        total += (both[0] - both[1]) * np.exp(-leave * (month + 0.5) / 12)
        expected.append(total)
    breakdown = cost.breakdown_at(candidates.day_rate[pair["row"]]) + cost.second
    job = JobAhead((pair["row"], pair["twin"]), 4)
    np.testing.assert_allclose(avoided_by_month(candidates, [job]), np.array(expected) * breakdown, rtol=1e-9)


def test_nothing_done_is_nothing_spent_and_nothing_paid_back(
    candidates: Candidates, found: PlanFinding
) -> None:
    none = plan_money(candidates, [], found.frame.clear(), open_kinds=(OPEN, DOUBTFUL))
    assert (none.cost_open, none.cost_ahead, none.cost_avoided, none.payback_months) == (0.0, 0.0, 0.0, None)


def test_a_job_that_costs_more_than_it_ever_avoids_is_not_paid_back(
    candidates: Candidates, found: PlanFinding
) -> None:
    dear = found.frame.filter(~pl.col("reason").is_in([OPEN, DOUBTFUL])).with_columns(cost=pl.lit(1e6))
    assert (
        plan_money(candidates, [JobAhead((0,), 0)], dear, open_kinds=(OPEN, DOUBTFUL)).payback_months is None
    )


def test_plan_and_policies_name_the_same_comparator(found: PlanFinding, demo: Fleet) -> None:
    rows = compare_policies(demo, policies=("wait", "by_custom"), months=3, draws=20).frame
    assert found.against == rows["description"][0] == words_of("wait", demo.family("neutral-return"))
    assert any(found.against in note for note in found.notes)
