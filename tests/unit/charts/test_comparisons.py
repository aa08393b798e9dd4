"""Rows of intervals and curves of endings: drawn values and titles against their tables."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import polars as pl
import pytest
from hollow_lane import HollowLane

from fleetlog.charts.comparisons import comparison_chart, trend_chart
from fleetlog.charts.incidence import incidence_chart
from fleetlog.charts.output import spec_of, to_svg


def rows_of(spec: dict[str, Any]) -> list[dict[str, Any]]:
    return [row for rows in spec["datasets"].values() for row in rows]


def title_of(spec: dict[str, Any]) -> str:
    return " ".join(spec["title"]["text"]).replace("\u00a0", " ")


def notes_of(spec: dict[str, Any]) -> str:
    return " ".join(spec["title"].get("subtitle", []))


def words(ending: str) -> str:
    return ending.replace("_", " ")


@pytest.mark.parametrize("width", [700, 310])
def test_they_follow_the_grammar_and_fit(hollow_lane: HollowLane, width: int) -> None:
    for chart in (
        comparison_chart(hollow_lane.month.comparison, width=width),
        incidence_chart(hollow_lane.incidence, width=width),
        trend_chart(hollow_lane.trend, width=width),
    ):
        chart.to_dict(validate=True)
        svg = to_svg(chart)
        assert "<script" not in svg
        assert float(svg.split('width="')[1].split('"')[0]) <= width + 6


def test_a_comparison_names_only_what_chance_does_not_explain(hollow_lane: HollowLane) -> None:
    finding = hollow_lane.month.comparison
    assert finding.groups["p_holm"].min() >= 0.05
    assert title_of(spec_of(comparison_chart(finding))) == (
        "No build year differs from the others in failed internal bushings by more than chance"
    )
    sure = pl.col("group").is_in(["2017", "2021"])
    groups = finding.groups.with_columns(p_holm=pl.when(sure).then(0.04).otherwise("p_holm"))
    spec = spec_of(comparison_chart(replace(finding, groups=groups)))
    ratio = {row["group"]: row["observed"] / row["expected"] for row in groups.to_dicts()}
    assert ratio["2021"] < 1 < ratio["2017"]
    assert title_of(spec) == (
        "Failed internal bushings against what their ages let expect: more in 2017; fewer in 2021"
    )
    rows = {row["name"]: row for row in rows_of(spec) if "summary" in row}
    for group in groups.to_dicts():
        row = rows[group["group"]]
        assert row["shrunk"] == group["shrunk"]
        assert row["raw"] == group["ratio"]
        assert row["sure"] == (group["group"] in ("2017", "2021"))
        assert row["summary"] == f"{group['observed']:.0f} failed, {group['expected']:.1f} expected"
    within = groups.row(by_predicate=pl.col("group") == "2018", named=True)
    assert (rows["2018"]["lower"], rows["2018"]["upper"]) == (within["lower"], within["upper"])
    one = replace(finding, groups=finding.groups.head(1))
    assert title_of(spec_of(comparison_chart(one))) == "There are not two groups of build year to compare"


def test_ends_beyond_the_scale_are_cut_there_and_keep_their_data(hollow_lane: HollowLane) -> None:
    finding = hollow_lane.month.comparison
    groups = finding.groups.with_columns(
        upper=pl.when(group="2022").then(41.0).otherwise("upper"),
        lower=pl.when(pl.col("group").is_in(["2021", "2022"])).then(0.01).otherwise("lower"),
    )
    drawn = rows_of(spec_of(comparison_chart(replace(finding, groups=groups))))
    rows = {row["name"]: row for row in drawn if "summary" in row}
    for group in ("2021", "2022"):
        assert rows[group]["from"] == pytest.approx(0.9 / 32)
        assert rows[group]["lower"] == 0.01
    assert rows["2022"]["to"] == pytest.approx(1.1 * 32)
    assert rows["2022"]["upper"] == 41.0


def test_endings_start_at_nothing_and_keep_their_rows(hollow_lane: HollowLane) -> None:
    finding = hollow_lane.incidence
    told = []
    for group in finding.groups:
        most = group.endings.sort("incidence", descending=True).head(2).to_dicts()
        shares = " and ".join(f"{100 * row['incidence']:.0f}% {words(row['ending'])}" for row in most)
        last = group.curve["hours"].max()
        told.append(f"{group.group['variant']}: {shares} by {round(last, -2):,.0f} h")
    title = title_of(spec_of(incidence_chart(finding)))
    assert title == f"Internal bushings, {'; '.join(told)}"
    assert "% worn and" in title
    for group in finding.groups:
        rows = rows_of(spec_of(incidence_chart(replace(finding, groups=(group,)))))
        for ending in group.endings["ending"]:
            drawn = [row for row in rows if row.get("ending") == words(ending)]
            assert drawn[0] | {"incidence": 0.0, "hours": group.from_hours} == drawn[0]
            table = group.curve.filter(pl.col("ending") == ending)
            assert [row["incidence"] for row in drawn[1:-1]] == table["incidence"].to_list()
            assert drawn[-1] == {**drawn[-2], "hours": group.last_hours}
        marks = [row["hours"] for row in rows if "foot" in row]
        assert set(marks) <= set(group.left_running)
        assert marks == sorted(marks)
        watched = {row["hours"]: row["watched"] for row in rows if "watched" in row}
        assert watched.items() <= dict(group.at_risk_at).items()
        assert len(watched) > 1


def test_few_endings_are_called_few(hollow_lane: HollowLane) -> None:
    finding = hollow_lane.incidence
    group = next(group for group in finding.groups if group.group["variant"] == "original")
    few = replace(group, endings=group.endings.with_columns(pl.lit(1).alias("count")))
    spec = spec_of(incidence_chart(replace(finding, groups=(few,))))
    assert title_of(spec) == "Internal bushings, original: too few endings to say"
    assert title_of(spec_of(incidence_chart(replace(finding, groups=())))) == (
        "Internal bushings: no life on record"
    )


def test_a_trend_is_claimed_only_where_the_interval_says_so(hollow_lane: HollowLane) -> None:
    shape = 1.8
    law = {**hollow_lane.trend.power_law, "shape": shape, "shape_ci": [1.2, 2.5]}
    finding = replace(hollow_lane.trend, power_law=law)
    spec = spec_of(trend_chart(finding))
    times = f"{2**shape:.1f} times the faults"
    assert title_of(spec) == f"Faults come faster with age: twice the hours bring {times}"
    kinds = {row["machine"]: row["kind"] for row in rows_of(spec) if "machine" in row}
    assert kinds == {
        # The statistic is a standard normal one where there is no trend: one machine in twenty is beyond.
        row["machine_id"]: row["direction"] if row["p"] < 0.05 else "as chance would have it"
        for row in finding.units.to_dicts()
    }
    assert set(kinds.values()) == {"better", "worse", "as chance would have it"}
    for interval, claim in (([0.6, 0.9], "more slowly"), ([0.9, 1.2], "neither faster nor more slowly")):
        law = {**finding.power_law, "shape_ci": interval}
        assert claim in title_of(spec_of(trend_chart(replace(finding, power_law=law))))
    none = replace(finding, power_law=None, units=finding.units.head(0))
    assert title_of(spec_of(trend_chart(none))) == "Too few faults to say whether they come faster with age"
    assert "Grey" in notes_of(spec)


def test_an_interval_that_leaves_the_picture_ends_in_an_arrow_and_keeps_its_data(
    hollow_lane: HollowLane,
) -> None:
    finding = hollow_lane.month.comparison
    rows = finding.groups.with_columns(
        upper=pl.when(pl.int_range(pl.len()) == 0).then(500.0).otherwise("upper")
    )
    spec = spec_of(comparison_chart(replace(finding, groups=rows)))
    drawn = [row for row in rows_of(spec) if "shrunk" in row]
    assert max(row["upper"] for row in drawn) == 500.0
    assert max(row["to"] for row in drawn) < 50.0
    assert "triangle-right" in json.dumps(spec)
    tame = finding.groups.with_columns(lower=pl.lit(0.7), upper=pl.lit(1.4), shrunk=pl.lit(1.0))
    assert "triangle-" not in json.dumps(spec_of(comparison_chart(replace(finding, groups=tame))))


def test_a_group_of_which_no_life_has_ended_is_a_sentence_and_no_picture(hollow_lane: HollowLane) -> None:
    finding = hollow_lane.incidence
    one = finding.groups[0]
    still = replace(one, endings=one.endings.clear(), curve=one.curve.clear())
    groups = tuple(
        replace(one if year == 2016 else still, group={"build_year": str(year)})
        for year in (2016, 2017, 2018)
    )
    spec = spec_of(incidence_chart(replace(finding, by=("build_year",), groups=groups)))
    told = " ".join(spec["title"]["subtitle"])
    assert "No life has ended in build years 2017 and 2018: not drawn." in told
    assert len(spec["concat"]) == 1


def test_the_line_at_one_strikes_through_no_words(hollow_lane: HollowLane) -> None:
    """Of every row it is drawn beneath the words, whose letters reach 7 pixels from their middle."""
    spec = spec_of(comparison_chart(hollow_lane.month.comparison, width=310))
    rows = [row for row in rows_of(spec) if "one_from" in row]
    words = [row["top"] for row in rows]
    assert rows
    for row in rows:
        assert all(middle + 7 <= row["one_from"] or row["one_to"] <= middle - 7 for middle in words)
        assert row["one_from"] < row["middle"] < row["one_to"]
