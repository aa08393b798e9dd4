"""What a picture says of itself is true: numbers it promises are drawn, nothing internal is named, nothing is a sentence."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import altair as alt
import polars as pl
import pytest
from hollow_lane import HollowLane

from fleetlog.charts.comparisons import comparison_chart
from fleetlog.charts.fleet import fleet_age_chart
from fleetlog.charts.output import NIGHT, by_night, save, spec_of
from fleetlog.charts.planning import plan_chart
from fleetlog.charts.repeats import comeback_chart, mean_cumulative_chart
from fleetlog.charts.rows import NOTHING
from fleetlog.charts.suspects import suspects_chart
from fleetlog.charts.theme import PAPER, without_internals
from fleetlog.charts.weibull import probability_chart


def numbers_in(chart: alt.TopLevelMixin) -> list[str]:
    """The machines' numbers that a plan's picture writes into its bricks."""
    spec = spec_of(chart)
    texts = [one for one in spec["layer"] if one["mark"]["type"] == "text"]
    return [row["machine_id"] for one in texts for row in rows_of(spec, one)]


def rows_of(spec: dict[str, Any], part: dict[str, Any]) -> list[dict[str, Any]]:
    """The rows that a part of a picture is drawn from."""
    data = part.get("data") or spec["data"]
    rows: list[dict[str, Any]] = data["values"] if "values" in data else spec["datasets"][data["name"]]
    return rows


def test_bricks_bear_the_numbers_that_the_caption_promises(hollow_lane: HollowLane) -> None:
    plan = hollow_lane.month.plan
    assert plan is not None
    named = [str(37 + place) for place in range(plan.frame.height)]
    frame = plan.frame.with_columns(machine_id=pl.Series(named))
    few = replace(plan, weeks=plan.weeks.head(6), frame=frame)
    for chart in (plan_chart(few, width=700), plan_chart(few, width=90)):
        told = " ".join(spec_of(chart)["title"]["subtitle"])
        assert ("with the machine's number" in told) == bool(numbers_in(chart))
    assert set(numbers_in(plan_chart(few, width=700))) <= set(named)
    assert numbers_in(plan_chart(few, width=700))


def test_a_picture_of_nothing_is_a_sentence(hollow_lane: HollowLane) -> None:
    month = hollow_lane.month
    assert month.plan is not None
    assert month.comparison is not None
    lives = hollow_lane.pooled
    drawn = [
        plan_chart(replace(month.plan, frame=month.plan.frame.clear())),
        comparison_chart(replace(month.comparison, groups=month.comparison.groups.head(1))),
        probability_chart(replace(lives, groups=())),
        suspects_chart(replace(month.suspects, cases=())),
        comeback_chart(replace(month.repeats, by_action=month.repeats.by_action.clear())),
        mean_cumulative_chart(replace(month.repeats, mean_cumulative=month.repeats.mean_cumulative.clear())),
        fleet_age_chart(replace(month.status, fleet=month.status.fleet.clear())),
    ]
    for chart in drawn:
        spec = spec_of(chart)
        assert spec["name"] == NOTHING
        assert rows_of(spec, spec)[0]["text"].endswith(".")


@pytest.mark.parametrize(
    ("note", "kept"),
    [
        ("Ranges: 200 draws, seed 20260101; lower_80 is the lower end.", ""),
        ("All rests on records. chance_80 says what it had by the forecast.", "All rests on records."),
        ("Learnt from 180 cases (converged after 9 rounds).", ""),
        ("Wait, then the advised steps.", "Wait, then the advised steps."),
    ],
)
def test_captions_name_no_internals(note: str, kept: str) -> None:
    assert without_internals(note) == kept


def test_by_night_the_same_is_drawn_light_on_dark(hollow_lane: HollowLane, tmp_path: Path) -> None:
    chart = fleet_age_chart(hollow_lane.month.status)
    day, night = spec_of(chart), by_night(spec_of(chart))
    assert night["config"]["background"] == NIGHT[PAPER]
    assert not {colour for colour in NIGHT if f"'{colour}'" in str(night)}
    back = {dark: light for light, dark in NIGHT.items() if light != "white"}
    assert str(day) == str(_replaced(night, back)).replace("'white'", f"'{PAPER}'")
    page = save(chart, tmp_path / "dark.html", dark=True).read_text(encoding="utf-8")
    assert f"background: {NIGHT[PAPER]}" in page


def _replaced(part: object, words: dict[str, str]) -> object:
    if isinstance(part, str):
        return words.get(part, part)
    if isinstance(part, dict):
        return {key: _replaced(value, words) for key, value in part.items()}
    if isinstance(part, list | tuple):
        return [_replaced(value, words) for value in part]
    return part


def test_the_policy_that_the_title_calls_cheapest_is_drawn_as_the_cheapest() -> None:
    from fleetlog.charts.planning import policies_chart

    class Finding:
        frame = pl.DataFrame(
            {
                "policy": ["wait", "ahead"],
                "description": ["wait", "replace ahead"],
                **{name: [10.0, 12.0] for name in ("cost", "failures", "downtime_days")},
                **{
                    f"{name}_{end}": [9.0, 13.0]
                    for name in ("cost", "failures", "downtime_days")
                    for end in ("lower", "upper")
                },
                "later_cost": [8.0, 1.0],
                "total_cost": [18.0, 13.0],
            }
        )
        months, currency, notes = 12, "USD", ()

    spec = spec_of(policies_chart(Finding()))
    assert "replace ahead" in " ".join(spec["title"]["text"])
    first = spec["vconcat"][0]["layer"]
    rows = next(rows_of(spec, one) for one in first if one["mark"]["type"] == "point")
    assert min(rows, key=lambda row: row["value"])["name"] == "replace ahead"
