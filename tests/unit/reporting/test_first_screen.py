"""Every figure of the first screen leads to a table that holds it, and every link of the pages resolves."""

from __future__ import annotations

import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import polars as pl
import pytest
from figures import holds
from hollow_lane import HollowLane
from pictures import Write

from fleetlog.methods import topics
from fleetlog.phrasing import number
from fleetlog.reporting.findings import MethodText
from fleetlog.reporting.month import SECTION_METHODS, surprises
from fleetlog.reporting.pages import markdown

Written = tuple[Path, list[Path]]
DATE = re.compile(r"\d{4}-\d{2}-\d{2}")


class FirstScreen(HTMLParser):
    """The figures of the section "now": text and link of each, and what stands there outside of links."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.figures: list[tuple[str, str]] = []
        self.loose: list[str] = []
        self._depth = 0
        self._figure: str | None = None
        self._text = ""
        self._quiet: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        if tag == "section":
            self._depth += bool(self._depth) or given.get("id") == "now"
        if not self._depth:
            return
        if tag == "a" and given.get("class") == "fig":
            self._figure, self._text = given["href"], ""
        if tag == "bdi" or (tag == "a" and self._figure is None):
            self._quiet.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if tag == "section" and self._depth:
            self._depth -= 1
        if self._quiet and self._quiet[-1] == tag:
            self._quiet.pop()
        elif tag == "a" and self._figure is not None:
            self.figures.append((self._text.replace("\u00a0", " ").strip(), self._figure))
            self._figure = None

    def handle_data(self, data: str) -> None:
        if not self._depth:
            return
        if self._figure is not None:
            self._text += data
        elif not self._quiet:
            self.loose.append(data)


def first_screen(page: Path) -> FirstScreen:
    reader = FirstScreen()
    reader.feed(page.read_text(encoding="utf-8"))
    return reader


def test_every_figure_of_the_first_screen_stands_in_its_table(written: Written) -> None:
    screen = first_screen(written[0] / "report.html")
    assert len(screen.figures) > 20
    tables: dict[str, pl.DataFrame] = {}
    for text, link in screen.figures:
        path = written[0] / link
        assert path.suffix == ".csv"
        assert path.is_file(), link
        table = tables.setdefault(link, pl.read_csv(path, infer_schema_length=None))
        assert holds(table, text), (text, link)
    assert {"tables/suspects.csv", "tables/changes.csv", "tables/savings.csv", "tables/plan.csv"} <= set(
        tables
    )


def test_a_table_without_the_figure_does_not_hold_it() -> None:
    table = pl.DataFrame({"cost": [12.4, 30.0], "share": [0.914, 0.2], "side": ["left", "right"]})
    assert holds(table, "USD 42")
    assert holds(table, "91%")
    assert holds(table, "2 cases")
    assert not holds(table, "USD 43")
    assert not holds(table, "92%")
    assert not holds(table, "3 cases")


def test_no_figure_of_the_first_screen_is_without_a_link(written: Written, hollow_lane: HollowLane) -> None:
    loose = " ".join(first_screen(written[0] / "report.html").loose)
    for machine in (case.machine_id for case in hollow_lane.month.suspects.cases):
        loose = loose.replace(machine, "")
    for machine in (hold.machine_id for hold in hollow_lane.month.suspects.safety.holds):
        loose = loose.replace(machine, "")
    for machine in (case.machine_id for case in hollow_lane.month.suspects_before.cases):
        loose = loose.replace(machine, "")
    assert not re.search(r"\d", DATE.sub("", loose)), loose


def test_what_came_otherwise_than_forecast_stands_on_the_first_screen(
    written: Written, hollow_lane: HollowLane, write: Write, tmp_path: Path
) -> None:
    page = (written[0] / "report.html").read_text(encoding="utf-8")
    now = re.sub(r"<[^>]+>", "", page[page.index('id="now"') : page.index('id="cases"')])
    # Work is counted in what the yard handed over; what came lies within a case of what was found.
    october = hollow_lane.table("work_lines").filter(pl.col("done_at").str.starts_with("2026-10"))
    worn = october.filter(component="internal_bushing", finding="worn").height
    sensors = october.filter(component="position_sensor", action="replace")
    assert sensors.filter(pl.col("finding") != "no_fault_found").is_empty()
    month = hollow_lane.month
    rows = {row["component"]: row for row in month.verification.frame.to_dicts()}
    low, high = rows["internal_bushing"]["lower_80"], rows["internal_bushing"]["upper_80"]
    came = rows["internal_bushing"]["came"]
    assert worn > high
    assert abs(came - worn) < 1.1
    told = re.sub(r"\s+", " ", now)
    assert (
        f"Not as forecast: Worn bushing inside the pump: {number(came)} came, {low} to {high} expected."
        in told
    )
    sensor = rows["position_sensor"]
    hold = sensor["parts_to_hold"]
    assert sensors.height > hold
    ends = dict.fromkeys((sensor["lower_80"], sensor["upper_80"]))  # a range of one value is said as one
    expected = f"{' to '.join(map(str, ends))} expected"
    assert (
        f"Position sensor: {number(sensor['came'])} came, {expected}; "
        f"{sensors.height} parts used, {hold} at most expected to be needed." in told
    )
    held = month.verification.frame.with_columns(
        came=pl.when(pl.col("came").is_null()).then(None).otherwise(0),
        held=pl.when(pl.col("came").is_null()).then(None).otherwise(pl.lit(True)),
        parts_used=pl.lit(0.0),
    )
    quiet = replace(month, verification=replace(month.verification, frame=held))
    assert surprises(quiet.verification) == []
    write(quiet, tmp_path)
    assert "Not as forecast" not in (tmp_path / "report.html").read_text(encoding="utf-8")


def test_all_together_is_told_only_where_no_single_part_strayed(hollow_lane: HollowLane) -> None:
    met = hollow_lane.month.verification
    strayed = [row["component"] for row in surprises(met)]
    assert strayed[:2] == ["internal_bushing", "position_sensor"]
    assert "all" not in strayed
    together = met.frame.with_columns(
        held=pl.when(pl.col("component") == "all").then(False).otherwise(None), parts_used=pl.lit(0.0)
    )
    assert [row["component"] for row in surprises(replace(met, frame=together))] == ["all"]


@pytest.fixture(scope="module")
def explained(hollow_lane: HollowLane, write: Write, tmp_path_factory: pytest.TempPathFactory) -> str:
    """The page of a month with every method text."""
    texts = tuple(MethodText(one.name, one.title, one.summary, one.body) for one in topics())
    folder = tmp_path_factory.mktemp("explained")
    write(replace(hollow_lane.month, methods=texts), folder)
    return (folder / "report.html").read_text(encoding="utf-8")


def test_every_method_text_stands_in_the_appendix_whole(explained: str) -> None:
    ids = set(re.findall(r'\bid="([^"]+)"', explained))
    for text in topics():
        assert f"method-{text.name}" in ids
        assert str(markdown(text.body)) in explained


def test_every_section_leads_to_its_methods(explained: str) -> None:
    known = {text.name for text in topics()}
    for section, methods in SECTION_METHODS.items():
        assert set(methods) <= known
        start = explained.index(f'<section id="{section}"')
        after = re.search(r'<section id="(?!watch)', explained[start + 10 :])
        assert after is not None
        told = explained[start : start + 10 + after.start()]
        assert re.findall(r'href="#method-([^"]+)"', told) == list(methods), section


def test_every_anchor_of_the_whole_page_resolves(explained: str) -> None:
    ids = re.findall(r'\bid="([^"]+)"', explained)
    assert len(ids) == len(set(ids))
    assert set(re.findall(r'href="#([^"]+)"', explained)) <= set(ids)
