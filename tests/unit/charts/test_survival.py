"""Survival curves and Weibull paper: drawn is what the table says, and little data is called little."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from typing import Any

import polars as pl
import pytest
from hollow_lane import HollowLane

from fleetlog.charts.lives import hazard_chart
from fleetlog.charts.output import spec_of
from fleetlog.charts.rows import MAX_ROWS, inline, thinned
from fleetlog.charts.survival import curve_rows, survival_chart, survival_title
from fleetlog.charts.weibull import probability_chart
from fleetlog.errors import UsageError
from fleetlog.lives.survival import SurvivalFinding

WORDS = {"original": "original (pumps built before the change)"}


def rows_of(spec: dict[str, Any]) -> list[dict[str, Any]]:
    """All rows of a specification, whichever picture they belong to."""
    return [row for rows in spec["datasets"].values() for row in rows]


def title_of(spec: dict[str, Any]) -> str:
    return " ".join(spec["title"]["text"])


def notes_of(spec: dict[str, Any]) -> str:
    return " ".join(spec["title"].get("subtitle", []))


def by_build_year(hollow_lane: HollowLane, *years: str) -> SurvivalFinding:
    """The curves of some build years."""
    finding = hollow_lane.by_books
    return replace(finding, groups=tuple(group for group in finding.groups if group.label in years))


def one_alone(hollow_lane: HollowLane, year: str) -> SurvivalFinding:
    """The lives of one build year as if they were all there are."""
    (group,) = by_build_year(hollow_lane, year).groups
    return replace(hollow_lane.pooled, groups=(replace(group, group={}),))


def half_failed(curve: pl.DataFrame) -> float:
    """The first age at which no more than half are left."""
    return curve.filter(pl.col("survival") <= 0.5)["hours"].min()


def hundreds(hours: float) -> str:
    return f"{round(hours, -2):,.0f}"


def test_drawn_values_are_the_values_of_the_table(hollow_lane: HollowLane) -> None:
    finding = hollow_lane.month.survival_by_variant
    drawn = rows_of(spec_of(survival_chart(finding)))
    for group in finding.groups:
        expected = {
            (row["hours"], row["survival"], row["lower"], row["upper"], row["at_risk"], row["failed"])
            for row in group.curve.to_dicts()
        }
        found = {
            (row["hours"], row["survival"], row["lower"], row["upper"], row["at_risk"], row["failed"])
            for row in drawn
            if row.get("group") == group.label and row.get("failed", 0) > 0
        }
        assert found == expected


def test_numbers_at_risk_stand_under_the_curves(hollow_lane: HollowLane) -> None:
    finding = hollow_lane.month.survival_by_variant
    spec = spec_of(survival_chart(finding))
    beneath = [row for row in rows_of(spec) if set(row) == {"group", "row", "hours", "at_risk"}]
    for group in finding.groups:
        shown = {(row["hours"], row["at_risk"]) for row in beneath if row["group"] == group.label}
        assert shown == set(group.at_risk_at)


def test_title_says_the_median_of_each_group(hollow_lane: HollowLane) -> None:
    finding = hollow_lane.month.survival_by_variant
    improved, original = finding.groups
    title = survival_title(finding, WORDS).replace("\u00a0", " ")
    assert original.median_hours == half_failed(original.curve)
    reached = f"of those that reached {hundreds(original.from_hours)} h, "
    half = f"half fail by {hundreds(original.median_hours)} h"
    assert f"original (pumps built before the change): {reached}{half}" in title
    assert improved.failures < finding.minimum_failures
    assert title.endswith("too few failures to say for improved")
    finding = by_build_year(hollow_lane, "2018", "2019")
    soon, late = finding.groups
    title = survival_title(finding).replace("\u00a0", " ")
    assert f"build year 2018: half fail by {hundreds(half_failed(soon.curve))} h" in title
    assert soon.curve.filter(hours=soon.median_hours)["at_risk"].item() < finding.minimum_at_risk
    assert "though few were watched that long; build year 2019" in title
    assert late.median_hours is None
    seen_to = math.floor(late.last_hours / 100) * 100
    assert f"2019: {round(late.curve['survival'][-1] * 100)}% last {seen_to:,} h, as far as" in title


def test_too_few_failures_are_not_made_into_a_finding(hollow_lane: HollowLane) -> None:
    finding = one_alone(hollow_lane, "2016")
    (group,) = finding.groups
    spec = spec_of(survival_chart(finding))
    assert title_of(spec).startswith("Internal bushings: too few failures to say how long they last")
    assert 1 < group.failures == group.curve["failed"].sum() < finding.minimum_failures
    assert f"{group.failures} failures in {group.spells} lives" in title_of(spec)
    assert {row["drawn"] for row in rows_of(spec) if "drawn" in row} == {"dashed"}


def test_a_group_with_few_failures_is_named_and_dashed(hollow_lane: HollowLane) -> None:
    finding = hollow_lane.by_books
    spec = spec_of(survival_chart(finding))
    few = {
        f"build year {group.label}": group.curve["failed"].sum()
        for group in finding.groups
        if group.curve.height > 0 and group.curve["failed"].sum() < finding.minimum_failures
    }
    assert len(few) == 2
    named = " and ".join(f"{name}: {failures}" for name, failures in few.items())
    assert f"too few failures to say ({named})" in notes_of(spec)
    dashed = [row for row in rows_of(spec) if row.get("group") in few and "drawn" in row]
    assert dashed
    assert {row["drawn"] for row in dashed} == {"dashed"}


def test_a_conditional_start_is_said_and_nothing_is_drawn_before_it(hollow_lane: HollowLane) -> None:
    finding = hollow_lane.month.survival_by_variant
    (late,) = (group for group in finding.groups if group.from_hours > 0)
    spec = spec_of(survival_chart(replace(finding, by=(), groups=(late,))))
    start, half = hundreds(late.from_hours), hundreds(half_failed(late.curve))
    assert f"of those that reached {start}\u00a0h, half fail by {half}\u00a0h" in title_of(spec)
    assert f"Curves start at {start}\u00a0h" in notes_of(spec)
    assert min(row["hours"] for row in rows_of(spec) if "survival" in row) == late.from_hours


def test_the_curve_is_dashed_where_few_are_watched_and_after_the_last_failure(
    hollow_lane: HollowLane,
) -> None:
    finding = replace(hollow_lane.pooled, minimum_at_risk=40)
    group = finding.groups[0]
    rows = curve_rows(finding, group, "all")
    assert rows[0] | {"drawn": "solid"} == rows[0]
    assert (rows[0]["hours"], rows[0]["survival"]) == (0.0, 1.0)
    assert rows[-1]["hours"] == group.last_hours
    assert rows[-1]["survival"] == group.curve["survival"][-1]
    assert rows[-1]["drawn"] == "dashed"
    thin = [row for row in rows if row["at_risk"] is not None and row["at_risk"] < finding.minimum_at_risk]
    assert thin
    assert all(row["drawn"] == "dashed" for row in thin)


def test_what_is_few_follows_the_settings_in_force(hollow_lane: HollowLane) -> None:
    finding = hollow_lane.pooled
    (group,) = finding.groups
    strict = replace(finding, minimum_failures=group.failures + 1)
    for chart in (survival_chart, hazard_chart, probability_chart):
        assert "too few" not in title_of(spec_of(chart(finding)))
        assert "too few" in title_of(spec_of(chart(strict)))
    sure = replace(finding, minimum_at_risk=40)
    assert "Dashed: fewer than 40 parts still watched" in notes_of(spec_of(survival_chart(sure)))
    dashed = [row["drawn"] for row in curve_rows(sure, group, "all")]
    assert dashed.count("dashed") > [row["drawn"] for row in curve_rows(finding, group, "all")].count(
        "dashed"
    )


def test_an_interval_that_cannot_be_computed_is_left_out(hollow_lane: HollowLane) -> None:
    finding = one_alone(hollow_lane, "2017")
    (group,) = finding.groups
    assert group.curve["survival"][-1] == 0.0  # the last one watched failed
    survival = pl.col("survival")
    unknown = group.curve.with_columns(
        pl.when(survival > 0).then(column).otherwise(math.nan).alias(column) for column in ("lower", "upper")
    )
    spec = spec_of(survival_chart(replace(finding, groups=(replace(group, curve=unknown),))))
    ends = [row for row in rows_of(spec) if row.get("survival") == 0.0 and "lower" in row]
    assert ends
    assert all(row["lower"] is None for row in ends)
    json.dumps(spec, allow_nan=False)


def test_no_life_at_all(hollow_lane: HollowLane) -> None:
    spec = spec_of(survival_chart(replace(hollow_lane.pooled, groups=())))
    assert "no failures in no lives" in title_of(spec)


def test_log_rank_is_told_either_way(hollow_lane: HollowLane) -> None:
    finding = hollow_lane.month.survival_by_variant
    assert "Chance alone would hardly" in notes_of(spec_of(survival_chart(finding)))
    same = replace(finding, log_rank={"chi2": 0.4, "df": 1, "p": 0.53})
    assert "no more than chance could make them (log-rank test, p = 0.53)" in notes_of(
        spec_of(survival_chart(same))
    )


def test_bounds_are_drawn_where_endings_are_in_doubt(hollow_lane: HollowLane) -> None:
    finding = hollow_lane.month.survival_by_variant
    (doubted,) = (group for group in finding.groups if group.in_doubt > 1)
    assert doubted.found < doubted.failures
    spec = spec_of(survival_chart(replace(finding, by=(), groups=(doubted,))))
    assert f"{doubted.in_doubt} endings in doubt count by their chance" in notes_of(spec)
    drawn = [row for row in rows_of(spec) if "survival_worst" in row and row["failed"]]
    assert drawn
    assert all(row["survival_worst"] <= row["survival"] + 1e-9 for row in drawn)
    assert any(row["survival_best"] > row["survival"] + 0.01 for row in drawn)
    known = replace(doubted, in_doubt=0)
    spec = spec_of(survival_chart(replace(finding, by=(), groups=(known,))))
    assert "in doubt" not in notes_of(spec)
    assert "survival_worst:Q" not in json.dumps(spec)


def test_a_long_curve_is_thinned_to_rows_of_itself() -> None:
    long = pl.DataFrame(
        {"hours": [float(i) for i in range(40_000)], "survival": [1 - i / 50_000 for i in range(40_000)]}
    )
    short = thinned(long, "survival", 1000)
    assert short.height <= 1000
    assert short.join(long, on=["hours", "survival"], how="semi").height == short.height
    assert short.row(0) == long.row(0)
    assert short.row(-1) == long.row(-1)
    steps = short["survival"].to_numpy()
    assert max(steps[:-1] - steps[1:]) < 0.01


def test_more_rows_than_a_chart_takes_are_refused() -> None:
    with pytest.raises(UsageError, match=r"at most 5,000 rows and this one has 5,001"):
        inline([{"a": 1}] * (MAX_ROWS + 1))


@pytest.mark.parametrize("groups", [1, 3, 12])
def test_a_great_finding_stays_drawable(hollow_lane: HollowLane, groups: int) -> None:
    steps = 30_000
    curve = pl.DataFrame(
        {
            "hours": [i / 10 for i in range(1, steps + 1)],
            "at_risk": [steps + 10 - i for i in range(steps)],
            "failed": [1] * steps,
            "survival": [1 - i / (steps + 10) for i in range(1, steps + 1)],
            "lower": [max(0.0, 0.98 - i / (steps + 10)) for i in range(1, steps + 1)],
            "upper": [min(1.0, 1.01 - i / (steps + 10)) for i in range(1, steps + 1)],
        }
    ).with_columns(survival_worst="survival", survival_best="survival")
    one = hollow_lane.pooled.groups[0]
    many = tuple(
        replace(one, group={"build_year": str(2010 + i)}, curve=curve, failures=steps, spells=steps + 10)
        for i in range(groups)
    )
    finding = replace(hollow_lane.month.survival_by_build_year, by=("build_year",), groups=many)
    spec = spec_of(survival_chart(finding))
    assert max(len(rows) for rows in spec["datasets"].values()) <= MAX_ROWS


def test_weibull_paper_makes_a_weibull_life_straight(hollow_lane: HollowLane) -> None:
    finding = by_build_year(hollow_lane, "2017", "2018", "2019")
    words = {"2018": "built in 2018"}
    spec = spec_of(probability_chart(finding, words=words))
    line = [row for row in rows_of(spec) if set(row) == {"group", "hours", "y"}]
    for group in finding.groups:
        fit = group.weibull
        name = words.get(group.label, f"build year {group.label}")
        drawn = [row for row in line if row["group"] == name]
        assert len(drawn) > 1
        for row in drawn:
            failed = 1 - math.exp(-((row["hours"] / fit["scale_hours"]) ** fit["shape"]))
            assert row["y"] == pytest.approx(math.log(-math.log(1 - failed)))
        points = [row for row in rows_of(spec) if row.get("group") == name and "failed_share" in row]
        assert [row["hours"] for row in points] == group.curve["hours"].to_list()
        first = points[0]
        assert first["failed_share"] == pytest.approx((1 - group.curve["survival"][0]) / 2)


def test_early_failures_that_the_line_misses_are_named(hollow_lane: HollowLane) -> None:
    group = hollow_lane.pooled.groups[0]
    steep = replace(
        group, weibull={**group.weibull, "shape": 9.0, "scale_hours": 9000.0, "b10_hours": 7010.0}
    )
    told = notes_of(spec_of(probability_chart(replace(hollow_lane.pooled, groups=(steep,)))))
    assert "the line misses early failures: by" in told
    assert "95% interval of the share failed" in told
    drawn = [
        row
        for row in rows_of(spec_of(probability_chart(hollow_lane.pooled)))
        if set(row) == {"group", "hours", "y", "to"}
    ]
    assert drawn
    assert all(row["y"] < row["to"] for row in drawn)


def test_no_line_where_there_is_no_fit(hollow_lane: HollowLane) -> None:
    finding = one_alone(hollow_lane, "2016")
    spec = spec_of(probability_chart(finding))
    assert title_of(spec) == "Internal bushings: too few failures to fit a life distribution"
    assert f"{finding.groups[0].failures} failed, too few to say" in notes_of(spec)


def test_wear_out_is_claimed_only_where_the_interval_says_so(hollow_lane: HollowLane) -> None:
    group = hollow_lane.pooled.groups[0]
    for interval, claim in (((1.2, 3.0), "wear out"), ((0.8, 1.6), "may or may not"), ((0.3, 0.8), "early")):
        fitted = replace(group, weibull={**group.weibull, "shape_ci": interval})
        title = title_of(spec_of(probability_chart(replace(hollow_lane.pooled, groups=(fitted,)))))
        assert claim in title


def test_marks_stand_on_the_curve_where_parts_were_last_seen_running(hollow_lane: HollowLane) -> None:
    finding = hollow_lane.by_books
    finding = replace(finding, groups=finding.groups[:2])
    spec = spec_of(survival_chart(finding))
    assert "Short upright marks: parts last seen running." in notes_of(spec)
    marks = [row for row in rows_of(spec) if "foot" in row]
    assert marks
    for group in finding.groups:
        own = [row for row in marks if row["group"] == group.label]
        assert {row["hours"] for row in own} <= set(group.left_running)
        for row in own:
            before = group.curve.filter(pl.col("hours") <= row["hours"])["survival"]
            height = before[-1] if before.len() else 1.0
            assert row["foot"] <= height <= row["top"]


def test_a_group_without_a_failure_is_a_sentence_and_no_picture(hollow_lane: HollowLane) -> None:
    finding = hollow_lane.by_books
    one = max(finding.groups, key=lambda group: group.failures)
    quiet = replace(one, failures=0.02, in_doubt=0, spells=17)
    groups = tuple(
        replace(one if year % 2 else quiet, group={"build_year": str(year)}) for year in range(2011, 2019)
    )
    spec = spec_of(survival_chart(replace(finding, groups=groups)))
    assert "No failure in build years 2012, 2014, 2016 and 2018 (68 lives): not drawn." in notes_of(spec)
    assert "0.02" not in notes_of(spec)
    drawn = {row["group"] for row in rows_of(spec) if "drawn" in row}
    assert drawn == {f"build year {year}" for year in (2011, 2013, 2015, 2017)}
    assert len([panel for panel in spec["concat"] if "title" in panel]) == 4
    # What may have been a failure is drawn, with its limits.
    doubted = (replace(groups[1], in_doubt=1), *groups[:1], *groups[2:])
    spec = spec_of(survival_chart(replace(finding, groups=doubted)))
    assert "build year 2012" in {row["group"] for row in rows_of(spec) if "drawn" in row}
    # Of a few groups, which lie over each other, each has its curve.
    spec = spec_of(survival_chart(replace(finding, groups=groups[:4])))
    assert len({row["group"] for row in rows_of(spec) if "drawn" in row}) == 4


@pytest.mark.parametrize("left", [0, 1, 2])
def test_few_pictures_left_fill_the_width(hollow_lane: HollowLane, left: int) -> None:
    one = max(hollow_lane.by_books.groups, key=lambda group: group.failures)
    quiet = replace(one, failures=0.0, in_doubt=0)
    groups = tuple(
        replace(one if place < left else quiet, group={"build_year": str(2011 + place)}) for place in range(7)
    )
    spec = spec_of(survival_chart(replace(hollow_lane.by_books, groups=groups), width=900))
    if not left:
        assert "No failure of this part on record." in json.dumps(spec)
        return
    assert spec["columns"] == left
    assert sum(panel["width"] for panel in spec["concat"]) > 700
    assert max(panel["height"] for panel in spec["concat"]) <= 300


def test_a_fleet_without_a_failure_is_a_sentence(hollow_lane: HollowLane) -> None:
    finding = hollow_lane.month.survival_by_variant
    quiet = tuple(replace(group, failures=0.0, in_doubt=0) for group in finding.groups)
    spec = spec_of(survival_chart(replace(finding, groups=quiet)))
    assert "No failure of this part on record." in json.dumps(spec)
    assert '"type": "area"' not in json.dumps(spec)
    doubted = (replace(quiet[0], in_doubt=1), *quiet[1:])
    assert '"type": "area"' in json.dumps(spec_of(survival_chart(replace(finding, groups=doubted))))


def test_an_interval_that_rests_on_less_than_half_a_failure_is_not_shaded(hollow_lane: HollowLane) -> None:
    (group,) = hollow_lane.pooled.groups
    first, second = group.curve["hours"].to_list()[:2]
    slight = group.curve.with_columns(failed=pl.when(pl.col("hours") == first).then(0.1).otherwise(1.0))
    rows = curve_rows(hollow_lane.pooled, replace(group, curve=slight), "all")
    shaded = {row["hours"]: row["banded"] for row in rows}
    assert (shaded[first], shaded[second]) == (False, True)
    spec = spec_of(survival_chart(replace(hollow_lane.pooled, groups=(replace(group, curve=slight),))))
    areas = [layer for layer in spec["vconcat"][0]["layer"] if layer["mark"]["type"] == "area"]
    band = [row["hours"] for row in spec["datasets"][areas[0]["data"]["name"]]]
    assert first not in band
    assert second in band
