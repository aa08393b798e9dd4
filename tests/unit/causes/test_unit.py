"""One machine's story: every order, in order, by the clocks of the yard."""

from __future__ import annotations

import json
from datetime import date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import polars as pl
import pytest
from yard import Yard

from fleetlog.belief.weighing import weigh, weighed_at, weighed_now
from fleetlog.causes.course import course_of
from fleetlog.causes.suspects import suspects
from fleetlog.causes.unit import UnitFinding, unit, units
from fleetlog.cli.story import machine_story
from fleetlog.session.fleet import open_fleet
from fleetlog.session.scope import Scope

CHICAGO = ZoneInfo("America/Chicago")


@pytest.fixture(scope="module")
def story(tmp_path_factory: pytest.TempPathFactory) -> UnitFinding:
    """A machine in Chicago with orders of all kinds, loaded out of order."""
    yard = Yard(hours=100.0, days=130)
    yard.code(70.1, fmi=7)
    yard.add(
        "work_orders",
        work_order_id="late",
        machine_id="A",
        opened_at="2024-04-01T08:00",
        complaint="squeaks",
        status="open",
    )
    yard.add(
        "work_orders",
        work_order_id="1234",
        machine_id="A",
        opened_at="2024-03-04T22:30",
        closed_at="2024-03-04T23:30",
        complaint="left drive creeps",
        cause="dirt",
        correction="washed",
    )
    yard.add(
        "work_orders", work_order_id="bare", machine_id="A", opened_at="2024-02-01", closed_at="2024-02-01"
    )
    yard.add(
        "work_orders", work_order_id="void", machine_id="A", opened_at="2024-02-02T08:00", status="cancelled"
    )
    yard.work(60, ("wiring", "inspect", "passed"))
    settings = '[fleet]\ntime_zone = "America/Chicago"\n'
    with yard.fleet(tmp_path_factory.mktemp("yard"), settings) as fleet:
        return unit(fleet, Scope(as_of=date(2024, 5, 1)), "A")


def details(story: UnitFinding) -> list[str]:
    return story.frame.filter(pl.col("what") == "work order")["detail"].to_list()


def test_every_order_is_told_also_without_a_line(story: UnitFinding) -> None:
    assert details(story) == [
        "order bare, closed 2024-02-01: no line on record",
        "order void, cancelled: no line on record",
        "order W1, closed 2024-03-01",
        "order 1234, closed 2024-03-04: no line on record; left drive creeps; cause: dirt; correction: washed",
        "order late, open: no line on record; squeaks",
    ]
    assert story.orders["lines"].to_list() == [0, 0, 1, 0, 0]


def test_an_order_is_told_as_it_stood(tmp_path: Path) -> None:
    yard = Yard(hours=100.0)
    yard.add(
        "work_orders",
        work_order_id="7",
        machine_id="A",
        opened_at="2024-02-01T08:00",
        closed_at="2024-03-01T08:00",
        complaint="slow",
        cause="worn",
        correction="new track",
        status="closed",
    )
    with yard.fleet(tmp_path) as fleet:
        before = unit(fleet, Scope(as_of=date(2024, 2, 15)), "A")
        after = unit(fleet, Scope(as_of=date(2024, 3, 15)), "A")
    assert details(before) == ["order 7, open: no line on record; slow"]
    assert details(after) == [
        "order 7, closed 2024-03-01: no line on record; slow; cause: worn; correction: new track"
    ]


def test_everything_stands_in_order_of_time(story: UnitFinding) -> None:
    for rows in (story.frame, story.orders, story.work, story.reports):
        assert rows["at"].is_sorted()
        assert rows.height


def test_times_are_those_of_the_yard_and_carry_their_zone(story: UnitFinding, tmp_path: Path) -> None:
    late = datetime(2024, 3, 4, 22, 30, tzinfo=CHICAGO)
    assert late in story.orders["at"].to_list()
    told = json.loads(json.dumps(story.to_dict()))
    assert told["time_zone"] == "America/Chicago"
    # Six hours behind UTC in winter, five in summer.
    assert [order["at"][10:] for order in told["orders"]][-2:] == ["T22:30:00-06:00", "T08:00:00-05:00"]
    assert all(datetime.fromisoformat(row["at"]).utcoffset() is not None for row in told["rows"])
    text = machine_story(story)
    assert "Times are local (America/Chicago)." in text
    assert "2024-03-04 22:30" in text
    story.save(tmp_path / "story.csv")
    assert "2024-03-04T22:30:00-06:00" in (tmp_path / "story.csv").read_text(encoding="utf-8")
    story.save(tmp_path / "story.xlsx")
    sheet = pl.read_excel(tmp_path / "story.xlsx", engine="calamine")
    assert datetime(2024, 3, 4, 22, 30) in sheet["at (America/Chicago)"].to_list()


def test_a_day_without_a_time_stays_that_day(story: UnitFinding) -> None:
    factory = story.components.filter(pl.col("how") == "factory")
    assert set(factory["fitted_at"].dt.date()) == {date(2015, 5, 1)}


def test_a_machine_without_a_reading_loses_nothing(tmp_path: Path) -> None:
    yard = Yard(hours=100.0).work(20, ("wiring", "inspect", "passed"), ("controller", "replace"))
    yard.tables["machines"][0] |= {"hours_at_acquisition": "", "acquired_on": ""}
    yard.tables["meter_readings"] = [
        {"machine_id": "B", "read_at": "2024-01-05", "hours": 5, "source": "telematics"}
    ]
    yard.add("machines", machine_id="B", machine_type="skid_steer_loader", build_date="2020-01-01")
    with yard.fleet(tmp_path) as fleet:
        story = unit(fleet, Scope(), "A")
    assert details(story) == ["order W1, closed 2024-01-21"]
    assert story.work["component"].to_list() == ["wiring", "controller"]
    assert story.work["hours"].to_list() == [None, None]


@pytest.fixture(scope="module")
def repaired(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The store of a machine whose sensor was replaced in vain, then its bushing; its other side reported last week."""
    yard = Yard(hours=5000.0, days=200)
    yard.code(10.2, fmi=7).work(12.5, ("drive_pump", "calibrate", "passed")).voltage(12.4, 2.2)
    yard.code(16.1, fmi=7).work(17.5, ("position_sensor", "replace", "no_fault_found"))
    yard.code(21.3, fmi=7).work(23.5, ("internal_bushing", "replace", "worn"))
    yard.code(190.4, fmi=5, side="right")
    folder = tmp_path_factory.mktemp("repaired")
    yard.fleet(folder, '[fleet]\ntime_zone = "America/Chicago"\n').close()
    return folder / "fleetlog.duckdb"


def test_the_course_ends_in_what_is_said_today(repaired: Path) -> None:
    with open_fleet(repaired) as fleet:
        story = unit(fleet, Scope(), "A")
        weighed = weighed_now(fleet, fleet.history(), fleet.family("neutral-return"))
        cases = suspects(fleet).cases
    latest = {row["side"]: row["standing"] for row in story.standing.iter_rows(named=True)}
    now = weighed.cases.with_columns(now=pl.Series(weighed.standing)).filter(pl.col("until").is_null())
    assert latest == pytest.approx(dict(now.select("side", "now").iter_rows()), rel=1e-12)
    for case in cases:
        if case.standing is not None:
            assert case.standing == pytest.approx(latest[case.side], rel=1e-12)
    assert story.standing["at"].dt.date().max() == story.as_of + timedelta(days=1)


def test_the_course_follows_reports_repairs_and_silence(repaired: Path) -> None:
    with open_fleet(repaired) as fleet:
        left = unit(fleet, Scope(), "A").standing.filter(pl.col("side") == "left")
    hours, chance = left["hours"].to_list(), left["standing"].to_list()
    assert left["at"].is_sorted()
    assert hours[0] == pytest.approx(5102, abs=1)
    after_report, before_repair = chance[0], chance[1]
    assert before_repair < after_report
    ends = [at.day == 1 and at.hour == 0 for at in left["at"].to_list()]
    assert sum(ends) >= 5
    last_report = max(i for i, at in enumerate(hours) if at < 5214)
    repair = next(i for i, at in enumerate(hours) if at >= 5234 and chance[i] < 0.5)
    assert chance[last_report] > 0.9 > 0.1 > chance[repair]
    assert chance[repair:] == sorted(chance[repair:], reverse=True)


def test_nothing_that_came_later_is_known_earlier(repaired: Path) -> None:
    """With the family's own figures, the chance at an earlier day is the one that was told then.

    A day after a reading, so that the running hours were known then as they are now.
    """
    day = date(2024, 1, 21)
    with open_fleet(repaired) as fleet:
        now = fleet.history()
        weighed = weigh(fleet.store, now, fleet.family("neutral-return"), learn=False)
        course = course_of(fleet, now, weighed, ["A"]).filter(pl.col("side") == "left")
        end = datetime(2024, 1, 22, 6)
        looked = weighed_at(
            fleet.store,
            now,
            weighed,
            pl.DataFrame({"machine_id": ["A"], "at": [end], "tenths": [52100]}).with_columns(
                pl.col("at").cast(pl.Datetime("us"))
            ),
        )
        then = weigh(fleet.store, fleet.history(day), fleet.family("neutral-return"), learn=False)
    assert course.height > looked.height == 1
    assert looked["standing"][0] == pytest.approx(float(then.standing[0]), abs=0.02)


def test_asking_for_the_course_leaves_the_cases_as_they_were(repaired: Path) -> None:
    with open_fleet(repaired) as fleet:
        alone = suspects(fleet)
        (story,) = units(fleet, ("A",), known=alone)
        again = suspects(fleet)
    assert alone.cases == again.cases
    assert story.standing.height > 10
