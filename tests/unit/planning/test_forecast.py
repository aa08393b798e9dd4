"""The forecast of the demo fleet: its keys, its sums, its honesty, and the same numbers every time."""

from __future__ import annotations

import os
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest
from counts import by_recursion
from scipy import stats

from fleetlog.belief.weighing import weighed_now
from fleetlog.causes.suspects import suspects
from fleetlog.errors import UsageError
from fleetlog.planning import forecast as module
from fleetlog.planning.forecast import ForecastFinding, forecast
from fleetlog.planning.forecast_check import ForecastCheck, check_forecasts
from fleetlog.planning.outlook import Outlook, months_after, outlook_of, weeks_after
from fleetlog.session.finding import Finding
from fleetlog.session.fleet import Fleet
from fleetlog.session.scope import Scope
from fleetlog.stats.lognormal_life import sigma_mu
from fleetlog.stats.weighted_lives import LognormalLaw

DRAWS = 40


@pytest.fixture(scope="module")
def found(demo: Fleet) -> ForecastFinding:
    return forecast(demo, draws=DRAWS)


@pytest.fixture(scope="module")
def outlook(demo: Fleet) -> Outlook:
    return outlook_of(demo, Scope(), months=12, draws=DRAWS)


def test_it_is_a_finding_with_the_promised_keys(found: ForecastFinding) -> None:
    assert isinstance(found, Finding)
    answer = found.to_dict()
    assert {"as_of", "fault", "rows", "notes", "totals", "by_month", "seed", "draws"} <= set(answer)
    promised = {"month", "component", "cause", "expected", "lower", "upper", "parts", "labour_hours"}
    assert all(promised <= set(row) for row in answer["rows"])
    assert answer["as_of"] == "2026-06-30"
    assert [row["month"] for row in answer["by_month"]] == [
        "2026-07", "2026-08", "2026-09", "2026-10", "2026-11", "2026-12",
        "2027-01", "2027-02", "2027-03", "2027-04", "2027-05", "2027-06",
    ]  # fmt: skip
    assert any(str(found.seed) in note for note in found.notes)


def test_ranges_hold_each_other_and_what_is_expected(found: ForecastFinding) -> None:
    for table in (found.frame, found.totals, found.by_month):
        assert table.filter(
            (pl.col("lower") > pl.col("lower_80"))
            | (pl.col("lower_80") > pl.col("upper_80"))
            | (pl.col("upper_80") > pl.col("upper"))
            | (pl.col("expected") < 0)
            | (pl.col("expected") > pl.col("upper") + 1)
        ).is_empty()


def test_months_and_ways_add_up(found: ForecastFinding) -> None:
    by_month = found.frame.group_by("month", maintain_order=True).agg(pl.col("expected").sum())
    np.testing.assert_allclose(by_month["expected"], found.by_month["expected"], rtol=1e-9)
    for component, cause, expected in found.totals.select("component", "cause", "expected").iter_rows():
        rows = found.frame.filter((pl.col("component") == component) & (pl.col("cause") == cause))
        if component != "all":
            assert rows["expected"].sum() == pytest.approx(expected, rel=1e-9)
    hours = found.frame["labour_hours"].sum()
    assert found.totals.row(-1, named=True)["labour_hours"] == pytest.approx(hours, rel=1e-9)


def test_the_bushing_leads_and_the_sensor_hardly_ever_fails(found: ForecastFinding) -> None:
    expected = {row["cause"]: row["expected"] for row in found.totals.to_dicts()}
    # the demo yard found some twelve worn bushings a year in its last years, and a sensor in two years
    assert 5 < expected["internal_bushing"] < 14
    assert expected["position_sensor"] < 2
    assert found.units["component"][0] == "internal_bushing"
    assert (found.units["variant"].head(20) == "original").all()


def test_parts_and_hours_follow_from_the_counts(found: ForecastFinding, demo: Fleet) -> None:
    step = demo.family("neutral-return").step("replace_bushing")
    for row in found.frame.filter(pl.col("component") == "internal_bushing").to_dicts():
        needed = row["standing"] + row["expected"]
        assert row["parts"] == pytest.approx(needed)
        assert row["labour_hours"] == pytest.approx(needed * step.labour_hours)
        assert row["parts_to_hold"] >= row["upper"]
        assert row["parts_to_hold"] == row["upper"] or row["standing"] > 0
    # what stands now is told once, in the first month
    assert (found.frame.filter(pl.col("month") != found.months[0])["standing"] == 0).all()
    stands = sum(
        case.standing * case.causes["internal_bushing"] for case in suspects(demo).cases if case.standing
    )
    told = found.totals.filter(pl.col("cause") == "internal_bushing")["standing"][0]
    assert stands <= told < stands + 1.5
    assert (found.frame.filter(pl.col("cause") == "calibration")["parts"] == 0).all()


def test_winter_brings_less_than_summer(found: ForecastFinding) -> None:
    by_month = dict(found.by_month.select("month", "expected").iter_rows())
    assert by_month["2027-01"] < 0.85 * by_month["2026-07"]
    season = found.season.group_by("calendar_month").agg(pl.col("factor").mean()).sort("calendar_month")
    assert season["factor"][0] < 0.85
    assert season["factor"][5] > 1.05
    assert (found.season["lower"] <= found.season["upper"]).all()


def test_without_uncertainty_it_is_the_plain_poisson_binomial(outlook: Outlook) -> None:
    outlook = replace(outlook, both_sides={})  # no failure comes with one on the other side
    chances = outlook.failure_chances()
    ways = module._followed(outlook, np.zeros((0, len(outlook.family.causes))))
    nobody = module._Exposed(np.zeros(0), np.zeros(0, dtype=np.int64), 1)
    models = [module._of_models(outlook, way) for way in ways]
    for way, sums in zip(ways, module._one_draw(outlook, ways, models, nobody, None), strict=True):
        first = module.mixture([sums[0]])
        exact = by_recursion(chances[way.places, 0])
        np.testing.assert_allclose(first.chance[: exact.size], exact[: first.chance.size], atol=1e-13)
        # later months hold the failures of the new parts as well: a little more, never less
        later = sum(one.mean for one in sums[1:-1])
        plain = float(chances[way.places, 1:].sum())
        assert plain < later < 1.05 * plain


def test_a_lognormal_law_is_carried_through(outlook: Outlook) -> None:
    """Chances of a place by scipy, and the sums of a draw that has the form."""
    models = tuple(
        replace(
            one,
            law=LognormalLaw(*one.law),
            draws=np.array([one.law]),
            lognormal=np.ones(1, dtype=bool),
        )
        for one in outlook.models
    )
    other = replace(outlook, models=models, both_sides={}, draw_count=1)
    assert models[0].at(0).lognormal
    chances = other.failure_chances()
    row = int(np.argmax(chances.sum(axis=1)))
    sigma, mu = sigma_mu(*models[int(other.model_no[row])].law)
    life = stats.lognorm(float(sigma), scale=float(np.exp(mu)))
    age, run = other.age_hours[row], other.hours_ahead()[row, 0]
    plain = (life.sf(age) - life.sf(age + run)) / life.sf(age)
    staying = other.staying[other.places["age_class"][row], 0]
    sound = 1.0 - other.standing[row]
    assert chances[row, 0] == pytest.approx(plain * staying * sound, rel=1e-9)
    ways = module._followed(other, np.zeros((0, len(other.family.causes))))
    nobody = module._Exposed(np.zeros(0), np.zeros(0, dtype=np.int64), 1)
    models = [module._of_models(other, way) for way in ways]
    for way, sums in zip(ways, module._one_draw(other, ways, models, nobody, None), strict=True):
        assert sums[0].mean == pytest.approx(chances[way.places, 0].sum(), rel=1e-9)


def test_a_default_that_the_fleet_contradicts_is_told(outlook: Outlook, demo: Fleet) -> None:
    assert not any("disagree" in note for note in outlook.notes)
    family = demo.family("neutral-return")
    hazards = tuple(
        replace(one, scale_hours=8 * one.scale_hours) if one.cause == "internal_bushing" else one
        for one in family.hazards
    )
    demo.families["neutral-return"] = replace(family, hazards=hazards)  # type: ignore[index]
    try:
        notes = outlook_of(demo, Scope(), months=1, draws=20).notes
    finally:
        demo.families["neutral-return"] = family  # type: ignore[index]
    [told] = [note for note in notes if "disagree" in note and "original" in note]
    assert told.startswith("Of the internal bushing (original), ")
    assert "the fleet's own decide" in told


def test_no_failure_where_hardly_one_was_expected_is_no_contradiction(demo: Fleet) -> None:
    """Early in the books the default's worth falls for want of hours: no sentence says that 0 and 0 disagree."""
    early = outlook_of(demo, Scope(as_of=demo.first_day() + timedelta(days=200)), months=1, draws=20)
    assert not any("disagree" in note for note in early.notes)


def test_a_part_fails_once_at_most(outlook: Outlook) -> None:
    chances = outlook.failure_chances()
    assert (chances >= 0).all()
    assert (chances.sum(axis=1) <= 1).all()


def test_chances_are_conditional_on_the_age_reached(outlook: Outlook) -> None:
    row = int(np.argmax(outlook.failure_chances().sum(axis=1)))
    law = outlook.models[int(outlook.model_no[row])].law
    age, run = outlook.age_hours[row], outlook.hours_ahead()[row, 0]
    alive, after = (np.exp(-((a / law.scale_hours) ** law.shape)) for a in (age, age + run))
    staying = outlook.staying[outlook.places["age_class"][row], 0]
    assert outlook.failure_chances()[row, 0] == pytest.approx((alive - after) / alive * staying, rel=1e-12)


def test_threads_change_nothing(found: ForecastFinding, demo: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "cpu_count", lambda: 1)
    again = forecast(demo, draws=DRAWS)
    assert again.frame.equals(found.frame)
    assert again.totals.equals(found.totals)
    assert again.units.equals(found.units)


def test_another_seed_gives_other_draws_but_the_same_answer(found: ForecastFinding, demo: Fleet) -> None:
    other = forecast(demo, draws=DRAWS, seed=7)
    mine, theirs = (f.totals.row(-1, named=True)["expected"] for f in (found, other))
    assert mine != theirs
    assert mine == pytest.approx(theirs, rel=0.1)


def test_a_site_is_part_of_the_whole(found: ForecastFinding, demo: Fleet) -> None:
    sites = found.season["site"].unique(maintain_order=True)
    parts = [forecast(demo, Scope(sites=(site,)), months=12, draws=20) for site in sites]
    total = sum(part.totals.row(-1, named=True)["expected"] for part in parts)
    assert total == pytest.approx(found.totals.row(-1, named=True)["expected"], rel=0.02)


def test_an_earlier_day_knows_nothing_of_later_ones(demo: Fleet) -> None:
    then = forecast(demo, Scope(as_of=date(2024, 3, 15)), months=3, draws=20)
    assert then.months == ("2024-03", "2024-04", "2024-05")
    assert any("only the days after 2024-03-15" in note for note in then.notes)
    first, second = then.by_month["expected"][:2]
    assert first < 0.75 * second  # half a month


def test_months_and_weeks_lie_end_to_end() -> None:
    months = months_after(date(2026, 12, 15), 3)
    assert [(m.label, m.days) for m in months] == [("2026-12", 16), ("2027-01", 31), ("2027-02", 28)]
    weeks = weeks_after(date(2026, 12, 27), 2)  # a Sunday
    assert [w.label for w in weeks] == ["2026-W53", "2027-W01"]
    assert weeks[0].first == date(2026, 12, 28)
    assert weeks_after(date(2026, 12, 28), 1)[0].label == "2027-W01"


@pytest.mark.parametrize(
    ("how", "said"),
    [
        ({"months": 0}, "1 to 60 months"),
        ({"draws": 3}, "20 to 10,000"),
        ({"component": "flux_capacitor"}, "knows no component"),
    ],
)
def test_mistakes_end_in_one_sentence(demo: Fleet, how: dict[str, object], said: str) -> None:
    with pytest.raises(UsageError, match=said):
        forecast(demo, **how)  # type: ignore[arg-type]


@pytest.mark.slow
def test_other_families_forecast_without_a_line_of_code(demo: Fleet) -> None:
    for fault in demo.families:
        answer = forecast(demo, Scope(fault=fault), months=2, draws=20)
        assert answer.totals.row(-1, named=True)["expected"] >= 0
        assert answer.chart() is not None


@pytest.fixture(scope="module")
def checked(demo: Fleet) -> ForecastCheck:
    return check_forecasts(demo, forecasts=8, horizon_months=3, draws=25)


@pytest.mark.slow
def test_what_came_is_counted_from_the_cases(checked: ForecastCheck, demo: Fleet) -> None:
    assert isinstance(checked, Finding)
    rows = checked.frame.filter(pl.col("cause") == "internal_bushing")
    # forecasts lie end to end, so together they hold every case of machines then watched
    history, family = demo.begin(Scope())
    weighed = weighed_now(demo, history, family)
    first = rows["asked"].min()
    begun = weighed.cases["first_at"].dt.date() > first
    came = weighed.of_case[begun.to_numpy(), weighed.causes.index("internal_bushing")].sum()
    assert rows["came"].sum() == pytest.approx(came, abs=1.0)
    assert rows.height == 8
    assert set(checked.summary["cause"]) >= {*weighed.causes, "all"}


@pytest.mark.slow
def test_past_ranges_held_about_what_they_promised(checked: ForecastCheck) -> None:
    bushing = checked.summary.filter(pl.col("cause") == "internal_bushing").row(0, named=True)
    assert bushing["held_95_share"] >= 0.6
    assert bushing["held_share"] == bushing["held"] / bushing["forecasts"]
    assert 0.5 < bushing["expected"] / bushing["came"] < 2


def test_a_check_leaves_the_history_as_it_was(demo: Fleet) -> None:
    checked = check_forecasts(demo, forecasts=1, horizon_months=3, draws=10)
    assert checked.frame.height >= 1
    assert demo.history().as_of == checked.as_of


def test_too_short_records_are_refused(demo: Fleet) -> None:
    with pytest.raises(UsageError, match="too short"):
        check_forecasts(demo, Scope(as_of=date(2021, 3, 31)))
    demo.history()
