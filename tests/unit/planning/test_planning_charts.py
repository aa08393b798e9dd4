"""Pictures of what lies ahead: every value in them is a value of the table."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import polars as pl
import pytest

from fleetlog.charts.output import spec_of, to_svg
from fleetlog.charts.planning import forecast_rows, plan_rows, plan_title
from fleetlog.lives.fleet_figures import fleet_figures
from fleetlog.planning.forecast import forecast
from fleetlog.planning.forecast_check import check_forecasts
from fleetlog.planning.open_work import OPEN
from fleetlog.planning.plan import plan
from fleetlog.planning.policies import compare_policies
from fleetlog.planning.replacement import replacement
from fleetlog.session.fleet import Fleet


def rows_in(spec: dict[str, Any]) -> list[dict[str, Any]]:
    """All rows of all data in a specification."""
    return [row for rows in spec["datasets"].values() for row in rows]


def test_the_forecast_shows_its_table(demo: Fleet) -> None:
    found = forecast(demo, draws=20, months=6)
    shown = rows_in(spec_of(found.chart()))
    for row in forecast_rows(found):
        assert row in shown
    assert [row["month"] for row in forecast_rows(found)] == list(found.months)


def test_the_plan_shows_every_visit_once(demo: Fleet) -> None:
    found = plan(demo, draws=20, weeks=10)
    bricks = plan_rows(found)
    assert len(bricks) == found.weeks["visits"].sum()
    assert sum(brick["saving"] for brick in bricks) == pytest.approx(found.saving)
    tops = pl.DataFrame(bricks).group_by("week").agg(pl.col("top").max())
    joined = tops.join(found.weeks, on="week")
    assert (joined["top"] - joined["labour_hours"]).abs().max() < 1e-9
    shown = rows_in(spec_of(found.chart()))
    assert all(any(row.get("machine_id") == brick["machine_id"] for row in shown) for brick in bricks)
    urgent = set(found.frame.filter(pl.col("reason") == OPEN)["machine_id"])
    assert {brick["machine_id"] for brick in bricks if brick["kind"] == OPEN} == urgent
    # the hours kept for breakdowns lie beneath the week's limit
    kept = {row["week"]: row["limit"] - row["kept"] for row in shown if "kept" in row}
    for row in found.weeks.to_dicts():
        assert kept[row["week"]] == pytest.approx(row["labour_hours_reserved"])


def test_the_titles_say_what_is_open_and_what_the_work_ahead_saves(demo: Fleet) -> None:
    found = plan(demo, draws=20, weeks=10)
    opened = int((found.frame["reason"] == OPEN).sum())
    title = plan_title(found)
    assert title.startswith(f"{opened} open cases have their week; ")
    assert title.endswith("against waiting")
    waiting = replace(found, frame=found.frame.filter(pl.col("reason") == OPEN))
    assert plan_title(waiting).endswith("no sound part is replaced ahead")
    assert plan_title(replace(found, frame=found.frame.clear())) == "No job is planned"


def test_the_policies_are_named_as_they_are_computed(demo: Fleet) -> None:
    found = compare_policies(demo, draws=20, months=3)
    shown = rows_in(spec_of(found.chart()))
    for row in found.frame.to_dicts():
        name = row["description"].partition(":")[0]
        mine = [one for one in shown if one.get("name") == name]
        assert {one["value"] for one in mine} == {
            row[column] for column in ("total_cost", "cost", "failures", "downtime_days")
        }


@pytest.mark.slow
def test_every_picture_has_a_title_and_an_alternative_text(demo: Fleet) -> None:
    findings = (
        replacement(demo, draws=20),
        compare_policies(demo, draws=20, months=3),
        fleet_figures(demo, by=("site",)),
        check_forecasts(demo, forecasts=2, draws=20),
    )
    for found in findings:
        spec = spec_of(found.chart())
        assert spec["title"]["text"]
        assert len(spec["description"]) > 40
        assert to_svg(found.chart()).startswith("<svg")
