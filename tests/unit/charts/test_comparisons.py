"""Rows of intervals and curves of endings: drawn values and titles against their tables."""

from __future__ import annotations

from dataclasses import replace
from types import ModuleType
from typing import Any

import polars as pl
import pytest

from fleetlog.charts.comparisons import comparison_chart, trend_chart
from fleetlog.charts.incidence import incidence_chart
from fleetlog.charts.output import spec_of, to_svg


def rows_of(spec: dict[str, Any]) -> list[dict[str, Any]]:
    return [row for rows in spec["datasets"].values() for row in rows]


def title_of(spec: dict[str, Any]) -> str:
    return " ".join(spec["title"]["text"]).replace("\u00a0", " ")


def notes_of(spec: dict[str, Any]) -> str:
    return " ".join(spec["title"].get("subtitle", []))


@pytest.mark.parametrize("width", [700, 310])
def test_they_follow_the_grammar_and_fit(examples: ModuleType, width: int) -> None:
    for chart in (
        comparison_chart(examples.comparison(), width=width),
        incidence_chart(examples.incidence(), width=width),
        trend_chart(examples.trend(), width=width),
    ):
        chart.to_dict(validate=True)
        svg = to_svg(chart)
        assert "<script" not in svg
        assert float(svg.split('width="')[1].split('"')[0]) <= width + 6


def test_a_comparison_names_only_what_chance_does_not_explain(examples: ModuleType) -> None:
    finding = examples.comparison()
    spec = spec_of(comparison_chart(finding))
    assert title_of(spec) == (
        "Failed internal bushings against what their ages let expect: more in 2017; fewer in 2018"
    )
    rows = {row["name"]: row for row in rows_of(spec) if "summary" in row}
    for group in finding.groups.to_dicts():
        row = rows[group["group"]]
        assert row["shrunk"] == group["shrunk"]
        assert row["raw"] == group["ratio"]
        assert row["sure"] == (group["p_holm"] < 0.05)
    assert rows["2014"]["lower"] == 0.71
    assert rows["2014"]["summary"] == "12 failed, 8.6 expected"
    alike = replace(finding, groups=finding.groups.with_columns(p_holm=pl.lit(1.0)))
    assert title_of(spec_of(comparison_chart(alike))) == (
        "No build year differs from the others in failed internal bushings by more than chance"
    )
    one = replace(finding, groups=finding.groups.head(1))
    assert title_of(spec_of(comparison_chart(one))) == "There are not two groups of build year to compare"


def test_ends_beyond_the_scale_are_cut_there_and_stay_in_the_tooltip(examples: ModuleType) -> None:
    rows = {
        row["name"]: row
        for row in rows_of(spec_of(comparison_chart(examples.comparison())))
        if "summary" in row
    }
    assert rows["2018"]["lower"] == rows["2022"]["lower"] == pytest.approx(0.9 / 32)
    assert rows["2022"]["upper"] == pytest.approx(1.1 * 32)
    assert rows["2018"]["shrunk"] == 0.13


def test_endings_start_at_nothing_and_keep_their_rows(examples: ModuleType) -> None:
    finding = examples.incidence()
    spec = spec_of(incidence_chart(finding))
    assert title_of(spec) == "Internal bushings, original: 50% worn and 20% replaced sound by 5,200 h"
    rows = rows_of(spec)
    for ending in ("worn", "replaced_sound"):
        drawn = [row for row in rows if row["ending"] == ending.replace("_", " ")]
        assert drawn[0] | {"incidence": 0.0, "hours": 0.0} == drawn[0]
        table = finding.groups[0].curve.filter(pl.col("ending") == ending)
        assert [row["incidence"] for row in drawn[1:]] == table["incidence"].to_list()


def test_few_endings_are_called_few(examples: ModuleType) -> None:
    finding = examples.incidence()
    group = finding.groups[0]
    few = replace(group, endings=group.endings.with_columns(pl.lit(1).alias("count")))
    spec = spec_of(incidence_chart(replace(finding, groups=(few,))))
    assert title_of(spec) == "Internal bushings, original: too few endings to say"
    assert title_of(spec_of(incidence_chart(replace(finding, groups=())))) == (
        "Internal bushings: no life on record"
    )


def test_a_trend_is_claimed_only_where_the_interval_says_so(examples: ModuleType) -> None:
    finding = examples.trend()
    spec = spec_of(trend_chart(finding))
    # Twice the hours at shape 1.4: 2 ** 1.4 = 2.64 times the faults.
    assert title_of(spec) == "Faults come faster with age: twice the hours bring 2.6 times the faults"
    kinds = {row["machine"]: row["kind"] for row in rows_of(spec) if "machine" in row}
    assert kinds == {
        "SK-104": "worse",
        examples.HOSTILE: "better",
        "SK-7": "as chance would have it",
    }
    for interval, claim in (([0.6, 0.9], "more slowly"), ([0.9, 1.2], "neither faster nor more slowly")):
        law = {**finding.power_law, "shape_ci": interval}
        assert claim in title_of(spec_of(trend_chart(replace(finding, power_law=law))))
    none = replace(finding, power_law=None, units=finding.units.head(0))
    assert title_of(spec_of(trend_chart(none))) == "Too few faults to say whether they come faster with age"
    assert "Grey" in notes_of(spec)
