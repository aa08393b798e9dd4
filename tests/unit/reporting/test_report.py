"""The month's report: what it says, that it is the same each time, and that nothing in it can run."""

from __future__ import annotations

import csv
import math
import re
from collections import Counter
from dataclasses import replace
from datetime import datetime
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import unquote, urlsplit

import polars as pl
import pytest
from hollow_lane import HOSTILE, NOTE, SITE, HollowLane
from pictures import Write

from fleetlog.belief.reason import Reason
from fleetlog.errors import UsageError
from fleetlog.reporting.month import how_sure, strength
from fleetlog.reporting.write import write_report

CLOCK = datetime(2026, 11, 2, 6, 0)
VOID = {"meta", "link", "br", "hr", "img", "input", "path", "rect", "line", "circle"}


class Reader(HTMLParser):
    """Tags, attributes, ids, links and text of a page, and whether its tags close in order."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[str] = []
        self.open: list[str] = []
        self.crossed: list[str] = []
        self.ids: list[str] = []
        self.links: list[str] = []
        self.attributes: list[tuple[str, str, str]] = []
        self.text: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        if tag not in VOID:
            self.open.append(tag)
        for name, value in attrs:
            self.attributes.append((tag, name, value or ""))
            if name == "id":
                self.ids.append(value or "")
            if name == "href":
                self.links.append(value or "")

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self.open.pop()

    def handle_endtag(self, tag: str) -> None:
        if tag in VOID:
            return
        if not self.open or self.open.pop() != tag:
            self.crossed.append(tag)
        if tag in ("dt", "dd", "td", "th", "li", "p"):
            self.text.append(" ")

    def handle_data(self, data: str) -> None:
        if not self.open or self.open[-1] not in ("script", "style"):
            self.text.append(data)

    @property
    def words(self) -> str:
        return re.sub(r"\s+", " ", "".join(self.text)).replace("\u00a0", " ")


def read(path: Path) -> Reader:
    reader = Reader()
    reader.feed(path.read_text(encoding="utf-8"))
    return reader


Written = tuple[Path, list[Path]]


def pages(written: Written) -> list[Path]:
    return [path for path in written[1] if path.suffix == ".html"]


def cautioned(path: Path) -> int:
    """How often a page says to read the cautions before a step."""
    return read(path).words.count("Read the cautions first")


def dollars(frame: pl.DataFrame, column: str) -> str:
    """What a column comes to, half a dollar a whole one."""
    return f"USD {math.floor(sum(frame[column]) + 0.5):,}"


def units_of(written: Written) -> list[Path]:
    """The pages of machines, in their order."""
    return [path for path in pages(written) if path.parent.name == "units"]


def test_one_page_a_page_a_unit_and_tables(written: Written, hollow_lane: HollowLane) -> None:
    folder, files = written
    assert files[0] == folder / "report.html"
    assert len(units_of(written)) == len(hollow_lane.month.units)
    assert set(pages(written)) == {folder / "report.html", folder / "sheet.html", *units_of(written)}
    assert all(path.is_relative_to(folder / "tables") for path in files if path.suffix == ".csv")
    assert set(files) == {path for path in folder.rglob("*") if path.is_file()}


def test_pages_are_well_formed(written: Written) -> None:
    for path in pages(written):
        reader = read(path)
        assert reader.open == [], path
        assert reader.crossed == [], path
        assert len(reader.ids) == len(set(reader.ids)), path
        assert reader.tags.count("h1") == 1
        assert reader.tags.count("main") == 1


def test_every_link_leads_somewhere_inside_the_folder(written: Written) -> None:
    folder, _ = written
    for path in pages(written):
        reader = read(path)
        assert reader.links
        for link in reader.links:
            parts = urlsplit(link)
            assert not parts.scheme, link
            assert not parts.netloc, link
            target = (path.parent / unquote(parts.path)).resolve() if parts.path else path
            assert target.is_file(), link
            assert target.is_relative_to(folder.resolve())
            if parts.fragment:
                assert parts.fragment in read(target).ids, link


def test_nothing_is_fetched(written: Written) -> None:
    for path in pages(written):
        reader = read(path)
        assert not {"img", "link", "iframe", "object", "embed", "form"} & set(reader.tags)
        assert not [value for _, name, value in reader.attributes if name in ("src", "srcset", "action")]
        assert not re.search(r"@import|url\(\s*['\"]?(?!#)", path.read_text(encoding="utf-8"))
        policy = [value for tag, name, value in reader.attributes if tag == "meta" and "default-src" in value]
        assert len(policy) == 1
        assert policy[0].startswith("default-src 'none'")


def test_a_machine_named_like_a_script_is_shown_and_not_run(
    written: Written, hollow_lane: HollowLane
) -> None:
    month = hollow_lane.month
    for path in pages(written):
        reader = read(path)
        assert reader.tags.count("script") == 1, path
        assert not [name for _, name, _ in reader.attributes if name.startswith("on")]
    main = read(pages(written)[0])
    assert HOSTILE in main.words
    assert SITE in main.words
    for frame in (month.plan.frame, month.forecast.units, month.cost.cases):
        assert HOSTILE in frame["machine_id"]
    unit = next(path for path in pages(written) if "script" in path.name)
    assert read(unit).words.count(NOTE) >= 1
    assert read(unit).words.count(HOSTILE) >= 2  # its name, and what the shop wrote of it


def test_the_first_section_answers_what_changed_what_is_needed_what_it_saves(
    written: Written, hollow_lane: HollowLane
) -> None:
    month = hollow_lane.month
    cases = [case for case in month.suspects.cases if case.state == "open"]
    words = read(written[0] / "report.html").words
    now = words[words.index(f"{len(cases)} open cases need work") : words.index("Cases: which cause")]
    saved = month.cost.cases.select(pl.col("custom_cost") - pl.col("expected_cost"))
    assert f"doing it this way saves about {dollars(saved, 'custom_cost')}" in now
    counts = Counter(change.kind for change in month.changes)
    told = ", ".join(f"{count} {kind}" for kind, count in counts.items())
    assert counts["new case"] == 1
    assert f"Since September: {told}." in now
    assert all(case.next_step in now for case in cases)
    assert "Take the engine out, split the pump and put right what is found. Look for: worn bushing" in now
    (worn,) = (case for case in cases if case.machine_id == "SK-104")
    assert f"SK-104 left worn bushing inside the pump, {100 * worn.certainty:.0f}%" in now
    assert f"If the steps proposed are taken {dollars(month.cost.cases, 'expected_cost')}" in now
    assert (
        "If the sensor is replaced before the pump is opened, as is the custom "
        + dollars(month.cost.cases, "custom_cost")
        in now
    )
    spent, before = (dollars(frame, "cost") for frame in (month.cost.spent, month.cost.spent_before))
    assert f"Spent on this fault in October: {spent} (the month before: {before})" in now


def test_cautions_stand_wherever_work_is_proposed(written: Written, hollow_lane: HollowLane) -> None:
    month = hollow_lane.month
    main = read(written[0] / "report.html").words
    assert len(month.cautions) > 3
    for text in month.cautions:
        assert text in main
    steps = {case.next_step for case in month.suspects.cases if case.state == "open"}
    assert len(steps) < len(month.suspects.cases)
    # Once at each job, and once at each of the cases.
    assert cautioned(written[0] / "report.html") == len(steps) + len(month.suspects.cases)
    for path, unit in zip(units_of(written), month.units, strict=True):
        words = read(path).words
        for text in month.cautions:
            assert words.index(text) < words.index(unit.cases[0].next_step), path


def test_it_never_says_that_a_machine_is_safe(written: Written) -> None:
    for path in pages(written):
        assert not re.search(r"\bsafe\b|\b(psi|bar|Nm|N·m|lb-ft|MPa)\b", read(path).words)


def test_tables_hold_what_the_findings_hold(written: Written, hollow_lane: HollowLane) -> None:
    month = hollow_lane.month
    for name, frame in {
        "repairs": month.repeats.by_action,
        "survival_by_variant": month.survival_by_variant.summary,
        "survival_by_build_year_curve": month.survival_by_build_year.frame,
        "savings": month.cost.cases,
        "quality": month.status.quality,
    }.items():
        frame = frame.cast({pl.Null: pl.String})  # a column of nothing
        back = pl.read_csv(written[0] / "tables" / f"{name}.csv", schema=frame.schema)
        texts = [column for column, kind in frame.schema.items() if kind == pl.String]
        same = frame.with_columns(
            pl.when(pl.col(column).str.contains(r"^[=+\-@]"))
            .then("'" + pl.col(column))
            .otherwise(pl.col(column))
            .alias(column)
            for column in texts
        )
        assert back.equals(same), name


def test_formulas_in_tables_are_text(written: Written) -> None:
    for path in written[1]:
        if path.suffix == ".csv":
            with path.open(encoding="utf-8-sig", newline="") as lines:
                for row in csv.reader(lines):
                    for cell in row:
                        assert not re.match(r"[=@\t\r]|[+-](?![\d.])", cell), (path, cell)


def test_every_picture_says_what_it_shows(written: Written) -> None:
    for path in pages(written):
        reader = read(path)
        drawn = [value for tag, name, value in reader.attributes if (tag, name) == ("svg", "aria-label")]
        drawn_by_page = [
            value for tag, name, value in reader.attributes if (tag, name) == ("div", "aria-label")
        ]
        assert len(drawn_by_page) == (path.parent.name == "units")
        assert drawn or drawn_by_page
        assert all(len(value) > 20 for value in drawn)
        pictured = [value for _, name, value in reader.attributes if (name, value) == ("role", "img")]
        assert len(pictured) == len(drawn) + (path.parent.name == "units")


def test_pictures_take_the_colours_of_the_page(written: Written) -> None:
    page = (written[0] / "report.html").read_text(encoding="utf-8")
    pictures = re.findall(r"<svg .*?</svg>", page, flags=re.S)
    drawn = "".join(pictures)
    assert "var(--ink)" in drawn
    assert not re.search(r'(fill|stroke)="(#ffffff|#fff|white|black|#000|#000000|#1c2430)"', drawn)
    assert "font-family" not in drawn


def test_the_same_findings_give_the_same_bytes(
    hollow_lane: HollowLane, written: Written, tmp_path: Path
) -> None:
    again = write_report(hollow_lane.month, tmp_path, clock=CLOCK)
    first = {path.relative_to(written[0]): path.read_bytes() for path in written[1]}
    second = {path.relative_to(tmp_path): path.read_bytes() for path in again}
    assert first == second


def test_only_the_clock_differs(
    hollow_lane: HollowLane, written: Written, write: Write, tmp_path: Path
) -> None:
    later = write(hollow_lane.month, tmp_path, clock=datetime(2026, 11, 3, 7, 30))
    for path in (path for path in later if path.suffix not in (".xlsx", ".pdf")):
        one = path.read_text(encoding="utf-8").replace("2026-11-03 07:30", "2026-11-02 06:00")
        assert one == (written[0] / path.relative_to(tmp_path)).read_text(encoding="utf-8")


def test_the_page_stays_small(written: Written) -> None:
    assert (written[0] / "report.html").stat().st_size < 3_000_000


def test_a_quiet_month(hollow_lane: HollowLane, write: Write, tmp_path: Path) -> None:
    month = hollow_lane.month
    quiet = replace(
        month,
        suspects=replace(month.suspects, cases=()),
        suspects_before=replace(month.suspects_before, cases=()),
        repeats=replace(
            month.repeats,
            by_action=month.repeats.by_action.head(0),
            mean_cumulative=month.repeats.mean_cumulative.head(0),
            units=month.repeats.units.head(0),
        ),
        survival_by_variant=replace(month.survival_by_variant, groups=()),
        survival_by_build_year=replace(month.survival_by_build_year, groups=()),
        cost=replace(
            month.cost,
            spent=month.cost.spent.head(0),
            spent_before=month.cost.spent_before.head(0),
            cases=month.cost.cases.head(0),
        ),
        verification=None,
        plan=replace(
            month.plan, frame=month.plan.frame.head(0), notes=("No part is worth replacing ahead.",)
        ),
        units=(),
        methods=(),
    )
    write(quiet, tmp_path)
    words = read(tmp_path / "report.html").words
    assert "No open case on record" in words
    assert "no case came, went or turned" in words
    assert "Before anyone opens a pump" not in words
    assert "too few failures to say" in words
    assert "No part is worth replacing ahead." in words


@pytest.mark.parametrize(
    "name",
    [
        "a\x00b\x0bc\x1b[31m",
        "\u202egnol",
        "]]><!--",
        "'\"><svg onload=alert(1)>",
        "{{ 7 * 7 }}{% raw %}",
        "${x} %s \\N{DIGIT ONE}",
        "🚜 7",
        "W" * 300,
        "two\nlines\ttabbed",
        " ",
    ],
)
def test_any_name_at_all(hollow_lane: HollowLane, write: Write, tmp_path: Path, name: str) -> None:
    month = hollow_lane.month
    unit = replace(hollow_lane.unit(), machine={**hollow_lane.unit().machine, "machine_id": name})
    case = replace(
        month.suspects.cases[0],
        machine_id=name,
        site=name,
        next_step=name,
        model=name,
        top_cause=name,
        causes={name: 0.9, "unknown": 0.1},
        reasons=(Reason(name, 1.0),),
    )

    def called(frame: pl.DataFrame) -> pl.DataFrame:
        return frame.head(1).with_columns(pl.lit(name).alias("machine_id"))

    odd = replace(
        month,
        fleet=name,
        suspects=replace(month.suspects, cases=(case,), notes=(name,)),
        survival_by_variant=replace(
            month.survival_by_variant,
            groups=tuple(replace(g, group={"variant": name}) for g in month.survival_by_variant.groups[1:]),
        ),
        repeats=replace(
            month.repeats,
            by_action=month.repeats.by_action.with_columns(pl.lit(name).alias("component")),
            units=called(month.repeats.units),
        ),
        forecast=replace(month.forecast, units=called(month.forecast.units)),
        plan=replace(month.plan, frame=called(month.plan.frame), left_out=called(month.plan.left_out)),
        units=(unit,),
    )
    files = write(odd, tmp_path)
    for path in (path for path in files if path.suffix == ".html"):
        reader = read(path)
        assert reader.open == []
        assert reader.crossed == []
        assert reader.tags.count("script") == 1
        assert not [name for _, name, _ in reader.attributes if name.startswith("on")]
    shown = re.sub(r"\s+", " ", re.sub("[\x00-\x08\x0b\x1b]", "\ufffd", name)).strip()
    assert shown in read(files[0]).words


def test_what_is_not_known_is_a_dash_and_where_nothing_calls_for_cautions_none_stand(
    hollow_lane: HollowLane, write: Write, tmp_path: Path
) -> None:
    month = hollow_lane.month
    case = replace(
        month.suspects.cases[0],
        side="",
        since=None,
        age_hours=None,
        variant="",
        expected_cost=None,
        site="",
        model="",
        build_year=None,
        cautions=False,
    )
    bare = replace(
        month,
        suspects=replace(month.suspects, cases=(case,)),
        cost=replace(month.cost, cases=month.cost.cases.head(0)),
        units=(replace(hollow_lane.unit(case.machine_id), cases=(case,)),),
    )
    main, unit, *_ = (path for path in write(bare, tmp_path) if path.suffix == ".html")
    assert "1 open case needs work" in read(main).words
    for path in (main, unit):
        words = read(path).words
        assert case.next_step in words
        assert "None" not in words
        assert not {"nan", "inf"} & set(words.lower().split())
    assert cautioned(main) == cautioned(unit) == 0
    assert month.cautions[0] not in read(unit).words


def test_a_great_table_is_cut_on_the_page_and_whole_beside_it(
    hollow_lane: HollowLane, write: Write, tmp_path: Path
) -> None:
    month = hollow_lane.month
    case = month.suspects.cases[0]
    crowd = tuple(replace(case, machine_id=f"SK-{i:04}") for i in range(900))
    write(replace(month, suspects=replace(month.suspects, cases=crowd), units=()), tmp_path)
    words = read(tmp_path / "report.html").words
    assert "it has all 900 rows, of which the first 500 stand here" in words
    assert pl.read_csv(tmp_path / "tables" / "suspects.csv").height == 900
    assert (tmp_path / "report.html").stat().st_size < 3_000_000


def test_methods_are_markdown_and_their_markup_is_not_run(written: Written) -> None:
    page = (written[0] / "report.html").read_text(encoding="utf-8")
    assert "<em>running</em> hours &lt;b&gt;not bold&lt;/b&gt;" in page
    assert "<code>S(h) = product of (1 - d / n)" in page


def test_a_folder_that_cannot_be_written(hollow_lane: HollowLane, write: Write, tmp_path: Path) -> None:
    (tmp_path / "taken").write_text("")
    with pytest.raises(UsageError, match="name another folder"):
        write(hollow_lane.month, tmp_path / "taken")


@pytest.mark.parametrize(
    ("certainty", "word"),
    [
        (0.95, "nearly sure"),
        (0.8, "likely"),
        (0.74, "more likely than not"),
        (0.5, "more likely than not"),
        (0.49, "an open question"),
    ],
)
def test_how_sure(certainty: float, word: str) -> None:
    assert how_sure(certainty) == word


@pytest.mark.parametrize(
    ("weight", "word"),
    [(1.9, "strong, for"), (0.7, "clear, for"), (0.2, "slight, for"), (-1.6, "strong, against")],
)
def test_strength(weight: float, word: str) -> None:
    assert strength(weight) == word
