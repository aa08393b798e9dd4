"""Last month's forecast beside what came: the digits that were printed then, and counts by a second road."""

from __future__ import annotations

from datetime import date

import polars as pl
import pytest

from fleetlog.belief.weighing import weighed_now
from fleetlog.planning.forecast import forecast
from fleetlog.planning.forecast_check import check_forecasts, days_to_ask, look_back
from fleetlog.planning.forecast_verification import (
    RECORD_DRAWS,
    RECORD_MONTHS,
    ForecastVerification,
    expected_of,
    record_length,
    verification,
)
from fleetlog.session.fleet import Fleet
from fleetlog.session.scope import Scope

END = date(2026, 5, 31)


@pytest.fixture(scope="module")
def may(demo: Fleet) -> ForecastVerification:
    scope = Scope(as_of=END)
    days = days_to_ask(demo, scope, forecasts=RECORD_MONTHS)
    expected = expected_of(demo, Scope(as_of=days[-1]), draws=50)
    past = look_back(demo, scope, days[:-1], draws=RECORD_DRAWS)
    return verification(demo, scope, expected, (*past, expected.for_record))


def test_it_is_the_forecast_that_was_printed_then(may: ForecastVerification, demo: Fleet) -> None:
    assert may.to_dict()["rows"]
    assert (may.asked, may.month) == (date(2026, 4, 30), "2026-05")
    printed = forecast(demo, Scope(as_of=may.asked), months=6, draws=50).frame.filter(
        pl.col("month") == may.month
    )
    columns = ["component", "cause", "expected", "lower_80", "upper_80", "parts", "labour_hours"]
    shown = may.frame.filter(pl.col("component") != "all")
    assert shown.select(columns[:2]).equals(printed.select(columns[:2]))
    for column in columns[2:]:
        assert shown[column].to_list() == pytest.approx(printed[column].to_list(), rel=1e-12)


def test_what_came_is_what_the_cases_and_the_orders_say(may: ForecastVerification, demo: Fleet) -> None:
    history, family = demo.begin(Scope(as_of=END))
    weighed = weighed_now(demo, history, family)
    rows = {row["cause"]: row for row in may.frame.to_dicts()}
    zone = demo.settings.fleet.time_zone
    first = weighed.cases["first_at"].dt.replace_time_zone("UTC").dt.convert_time_zone(zone)
    begun = (first.dt.strftime("%Y-%m") == "2026-05").to_numpy()
    for k, cause in enumerate(weighed.causes):
        assert rows[cause]["came"] == pytest.approx(weighed.of_case[begun, k].sum(), abs=1e-4)
    assert rows["all"]["came"] == pytest.approx(may.frame.head(-1)["came"].sum())
    (hours,) = demo.store.execute(
        "SELECT sum(labour_hours) FROM work_step WHERE component = 'internal_bushing' AND action = 'replace' "
        f"AND strftime(timezone('{zone}', timezone('UTC', moment)), '%Y-%m') = '2026-05'"
    )[0]
    assert rows["internal_bushing"]["labour_hours_spent"] == pytest.approx(hours)


def test_no_work_is_counted_twice(may: ForecastVerification) -> None:
    """Two causes that one step mends share its work."""
    last = may.frame.row(-1, named=True)
    rows = may.frame.head(-1)
    assert last["parts_used"] == rows["parts_used"].sum()
    assert last["labour_hours_spent"] == pytest.approx(rows["labour_hours_spent"].sum())
    assert rows["labour_hours_spent"].null_count() >= 1


@pytest.mark.slow
def test_the_record_is_that_of_the_check(may: ForecastVerification, demo: Fleet) -> None:
    record = may.record
    assert record is not None
    same = check_forecasts(demo, Scope(as_of=END), forecasts=3, draws=record.draws)
    assert record.frame.equals(same.frame)
    assert record.summary.equals(same.summary)
    assert record.draws <= 50


def test_a_short_record_has_none(demo: Fleet) -> None:
    assert days_to_ask(demo, Scope(as_of=date(2021, 3, 31)), forecasts=RECORD_MONTHS) == ()


def test_a_great_fleet_is_looked_back_on_for_fewer_months(
    demo: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    machines = demo.store.execute("SELECT count(*) FROM machines")[0][0]
    assert record_length(demo) == RECORD_MONTHS
    for room, months in ((2 * machines, 2), (machines - 1, 1)):
        monkeypatch.setattr("fleetlog.planning.forecast_verification.RECORD_MACHINES", room)
        assert record_length(demo) == months
