"""Every picture: sound by the grammar, the same each time, in every format, and harmless."""

from __future__ import annotations

import json
import xml.etree.ElementTree as ElementTree
from pathlib import Path
from typing import Any

import altair as alt
import pytest
from hollow_lane import HOSTILE, HollowLane

from fleetlog import questions
from fleetlog.charts.output import save, spec_of, to_html, to_svg
from fleetlog.charts.repeats import comeback_chart
from fleetlog.charts.suspects import suspects_chart
from fleetlog.charts.unit import unit_chart
from fleetlog.errors import UsageError

ANSWERS = {
    "survival": lambda hollow_lane: hollow_lane.month.survival_by_variant,
    "repeats": lambda hollow_lane: hollow_lane.month.repeats,
    "suspects": lambda hollow_lane: hollow_lane.month.suspects,
    "unit": lambda hollow_lane: hollow_lane.unit(HOSTILE),
    "status": lambda hollow_lane: hollow_lane.month.status,
}

# The pictures of the other findings are held to their tables in test_comparisons.py and in tests/unit/planning,
# and every picture is drawn from the demo fleet in tests/cli.
PICTURES = questions.charts()
DRAWN = sorted(name for name, (asked, _) in PICTURES.items() if asked.name in ANSWERS)


def draw(name: str, hollow_lane: HollowLane, **how: Any) -> alt.TopLevelMixin:
    asked, picture = PICTURES[name]
    drawn: alt.TopLevelMixin = picture.draw.load()(ANSWERS[asked.name](hollow_lane), **how)
    return drawn


@pytest.mark.parametrize("width", [700, 340])
@pytest.mark.parametrize("name", DRAWN)
def test_every_chart_follows_the_grammar(name: str, width: int, hollow_lane: HollowLane) -> None:
    chart = draw(name, hollow_lane, width=width)
    chart.to_dict(validate=True)
    assert PICTURES[name][1].description
    drawn = ElementTree.fromstring(to_svg(chart)).get("width")
    assert drawn is not None
    assert float(drawn) <= width + 6


@pytest.mark.parametrize("name", DRAWN)
def test_every_chart_has_marks_and_an_alternative_text(name: str, hollow_lane: HollowLane) -> None:
    chart = draw(name, hollow_lane)
    spec = spec_of(chart)
    assert " ".join(spec["title"]["text"]) in spec["description"]
    root = ElementTree.fromstring(to_svg(chart))
    marks = [part for part in root.iter() if "role-mark" in part.get("class", "")]
    assert sum(len(mark) for mark in marks) >= 2


@pytest.mark.parametrize("name", DRAWN)
def test_values_cannot_become_markup(name: str, hollow_lane: HollowLane) -> None:
    svg = to_svg(draw(name, hollow_lane))
    tags = {part.tag.rpartition("}")[2] for part in ElementTree.fromstring(svg).iter()}
    assert "script" not in tags
    assert "<script" not in svg


def test_a_chart_page_holds_its_data_as_data(hollow_lane: HollowLane) -> None:
    page = to_html(suspects_chart(hollow_lane.month.suspects))
    assert "<script>alert" not in page
    assert "\\u003cscript\\u003ealert(1)\\u003c/script\\u003e" in page
    assert page.count("</script>") == 1
    assert "http://" not in page.split("const spec")[0].split("<script")[0]


@pytest.mark.parametrize("ending", [".svg", ".png", ".pdf", ".html", ".json", ".SVG"])
def test_formats(ending: str, tmp_path: Path, hollow_lane: HollowLane) -> None:
    path = save(comeback_chart(hollow_lane.month.repeats), tmp_path / "new" / f"picture{ending}")
    content = path.read_bytes()
    starts = {
        ".svg": b"<svg",
        ".png": b"\x89PNG",
        ".pdf": b"%PDF",
        ".html": b"<!doctype html>",
        ".json": b"{",
    }
    assert content.startswith(starts[ending.lower()])


def test_json_is_vega_lite_with_the_data_inside(tmp_path: Path, hollow_lane: HollowLane) -> None:
    path = save(comeback_chart(hollow_lane.month.repeats), tmp_path / "picture.json")
    spec = json.loads(path.read_text())
    assert spec["$schema"].startswith("https://vega.github.io/schema/vega-lite/v6")
    assert "url" not in json.dumps(spec["datasets"])


@pytest.mark.parametrize("name", ["picture.xlsx", "picture", "picture.jpeg"])
def test_another_ending_is_refused(name: str, tmp_path: Path, hollow_lane: HollowLane) -> None:
    with pytest.raises(UsageError, match=r"use one of \.svg, \.png, \.pdf, \.html, \.json"):
        save(comeback_chart(hollow_lane.month.repeats), tmp_path / name)


def test_a_place_that_cannot_be_written(tmp_path: Path, hollow_lane: HollowLane) -> None:
    (tmp_path / "taken").write_text("")
    with pytest.raises(UsageError, match="cannot be written"):
        save(comeback_chart(hollow_lane.month.repeats), tmp_path / "taken" / "picture.svg")


def test_the_same_finding_gives_the_same_bytes(hollow_lane: HollowLane, tmp_path: Path) -> None:
    for name in DRAWN:
        specs = [json.dumps(spec_of(draw(name, hollow_lane)), sort_keys=True) for _ in range(2)]
        assert specs[0] == specs[1], name
    for ending in (".svg", ".png"):
        files = [
            save(unit_chart(hollow_lane.unit()), tmp_path / f"{turn}{ending}").read_bytes()
            for turn in range(2)
        ]
        assert files[0] == files[1]


def test_a_theme_of_the_caller_changes_nothing(hollow_lane: HollowLane) -> None:
    plain = spec_of(comeback_chart(hollow_lane.month.repeats))
    with alt.theme.enable("dark"):
        assert spec_of(comeback_chart(hollow_lane.month.repeats)) == plain
