"""Replacement ages, renewals and remaining life against closed forms and published charts."""

from __future__ import annotations

import pytest
from published import Case, cases

from fleetlog.stats import replacement as rp


@pytest.mark.parametrize("case", cases("agerep.weibull.2", "agerep.weibull.3"), indirect=True)
def test_age_replacement(case: Case) -> None:
    shape, scale, planned = (case.arguments[key] for key in ("beta", "eta", "cp"))
    ratios = case.expected["cf_over_cp"]
    policies = [
        rp.age_replacement(shape, scale, planned_cost=planned, failure_cost=ratio * planned)
        for ratio in ratios
    ]
    case.check_all(
        {
            "cf_over_cp": ratios,
            "t_star": [p.age_hours for p in policies],
            "cost_rate": [p.cost_per_hour for p in policies],
            "run_to_failure_cost_rate": [p.run_to_failure_cost_per_hour for p in policies],
        }
    )


@pytest.mark.parametrize("case", cases("agerep.no_optimum"), indirect=True)
def test_no_preventive_age_when_the_hazard_does_not_rise(case: Case) -> None:
    costs = {"planned_cost": case.arguments["cp"], "failure_cost": case.arguments["cf"]}
    for shape in case.arguments["beta"]:
        policy = rp.age_replacement(shape, case.arguments["eta"], **costs)
        case.check("finite_optimum", policy.age_hours is not None)
        case.check(f"cost_rate_beta{shape:g}", policy.cost_per_hour)
        assert policy.note is not None


@pytest.mark.parametrize("case", cases("minrepair.block"), indirect=True)
def test_minimal_repair(case: Case) -> None:
    shape, scale, planned, repair = (case.arguments[key] for key in ("beta", "eta", "cp", "cm"))
    policy = rp.minimal_repair_replacement(shape, scale, planned_cost=planned, repair_cost=repair)
    case.check_all({"t_star": policy.age_hours, "cost_rate": policy.cost_per_hour})


@pytest.mark.parametrize("case", cases("renewal.weibull2"), indirect=True)
def test_renewals(case: Case) -> None:
    times = case.expected["time"]
    m = rp.renewal_function(case.arguments["beta"], case.arguments["eta"], times)
    case.check_all({"time": times, "M": m, "M_series": m})


@pytest.mark.parametrize("case", cases("substantiation"), indirect=True)
def test_units_to_substantiate(case: Case) -> None:
    shape, scale, hours, confidence = (case.arguments[key] for key in ("beta", "eta0", "t", "conf"))
    n = rp.units_to_substantiate(shape, scale, test_hours=hours, confidence=confidence)
    case.check("n_exact", n)


@pytest.mark.parametrize("case", cases("conditional.weibull"), indirect=True)
def test_what_is_left_in_a_part(case: Case) -> None:
    shape, scale, age, mission = (case.arguments[key] for key in ("beta", "eta", "age", "mission"))
    case.check_all(
        {
            "mission": rp.conditional_survival(shape, scale, age_hours=age, mission_hours=mission).item(),
            "residual_B10": rp.residual_life(shape, scale, age_hours=age).item(),
            "mrl": rp.mean_residual_life(shape, scale, age_hours=age).item(),
        }
    )
