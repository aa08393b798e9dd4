"""The plan as a calendar: RFC 5545's lines, one event a visit, the same for the same plan."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import polars as pl
import pytest
from hollow_lane import HollowLane

from fleetlog.planning.plan import PlanFinding
from fleetlog.planning.plan_told import parts_to_order
from fleetlog.reporting.calendar import LONGEST, escaped, folded, plan_calendar


@pytest.fixture(scope="module")
def plan(hollow_lane: HollowLane) -> PlanFinding:
    assert hollow_lane.month.plan is not None
    return hollow_lane.month.plan


def events(text: str) -> list[dict[str, str]]:
    """The events of a calendar, read as RFC 5545 says: unfolded, then name and value."""
    lines = re.sub("\r\n[ \t]", "", text).split("\r\n")
    found: list[dict[str, str]] = []
    for line in lines:
        name, _, value = line.partition(":")
        if line == "BEGIN:VEVENT":
            found.append({})
        elif found and name != "END":
            found[-1][name.partition(";")[0]] = re.sub(
                r"\\(.)", lambda mark: "\n" if mark[1] in "nN" else mark[1], value
            )
    return found


def test_every_visit_is_an_event_of_its_week(plan: PlanFinding) -> None:
    text = plan_calendar(plan)
    read = events(text)
    visits = plan.frame.unique(["monday", "machine_id"], maintain_order=True)
    assert [one["DTSTART"] for one in read] == [f"{day:%Y%m%d}" for day in visits["monday"]]
    assert [one["DTEND"] for one in read] == [f"{day + timedelta(days=5):%Y%m%d}" for day in visits["monday"]]
    assert len({one["UID"] for one in read}) == visits.height
    for one, machine, site in zip(read, visits["machine_id"], visits["site"], strict=True):
        assert machine in one["SUMMARY"]
        assert one.get("LOCATION", "") == (site or "")
    held = visits.filter(pl.col("hold") != "").height
    assert held
    assert sum(one["SUMMARY"].startswith("HOLD ") for one in read) == held
    assert text == plan_calendar(plan)


def test_a_plan_saves_itself_as_a_calendar(plan: PlanFinding, tmp_path: Path) -> None:
    assert plan.save(tmp_path / "plan.ics").read_bytes().decode() == plan_calendar(plan)


def test_lines_are_short_end_as_the_standard_says_and_tear_no_letter(plan: PlanFinding) -> None:
    text = plan_calendar(plan)
    assert text.startswith("BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:")
    assert text.endswith("END:VCALENDAR\r\n")
    assert all(len(line.encode()) <= LONGEST for line in text.split("\r\n"))
    assert "\n" not in text.replace("\r\n", "")
    long = "SUMMARY:" + "größer, 漢字; " * 30
    pieces = list(folded(long))
    assert all(len(piece.encode()) <= LONGEST for piece in pieces)
    assert pieces[0] + "".join(piece[1:] for piece in pieces[1:]) == long


def test_marks_of_the_format_are_escaped() -> None:
    assert escaped("a,b;c\\d\r\ne\x07") == "a\\,b\\;c\\\\d\\ne"


def test_a_moved_visit_keeps_its_name(plan: PlanFinding) -> None:
    week = timedelta(days=7)
    moved = replace(plan, frame=plan.frame.with_columns(pl.col("monday") + week))
    before, after = events(plan_calendar(plan)), events(plan_calendar(moved))
    assert [one["UID"] for one in before] == [one["UID"] for one in after]
    assert [one["DTSTART"] for one in before] != [one["DTSTART"] for one in after]


def test_parts_are_counted_by_part_and_week(plan: PlanFinding) -> None:
    rows = pl.concat([plan.frame, plan.frame.head(1)]).with_columns(
        part=pl.lit("internal_bushing"), parts_cost=pl.lit(4.5)
    )
    early = parts_to_order(rows, date(2026, 10, 31), 10_000)
    assert early["quantity"].sum() == rows.height
    assert early["cost"].sum() == 4.5 * rows.height
    assert set(early["order_by"]) == {date(2026, 11, 1)}
    late = parts_to_order(rows, date(2026, 10, 31), 0)
    assert late["order_by"].to_list() == late["needed_by"].to_list() == sorted(set(rows["monday"]))
    assert parts_to_order(plan.frame.with_columns(part=pl.lit(None, pl.String)), plan.as_of, 7).is_empty()
