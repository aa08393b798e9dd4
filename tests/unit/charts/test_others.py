"""Repairs, suspects, reasons, a machine's timeline, the fleet: drawn values and titles against tables."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from types import ModuleType
from typing import Any

import polars as pl
import pytest

from fleetlog.causes.case import Reason
from fleetlog.charts.fleet import fleet_age_chart
from fleetlog.charts.output import spec_of
from fleetlog.charts.repeats import comeback_chart, mean_cumulative_chart
from fleetlog.charts.suspects import MOST_CASES, MOST_REASONS, reasons_chart, suspects_chart
from fleetlog.charts.unit import unit_chart


def rows_of(spec: dict[str, Any]) -> list[dict[str, Any]]:
    return [row for rows in spec["datasets"].values() for row in rows]


def title_of(spec: dict[str, Any]) -> str:
    return " ".join(spec["title"]["text"]).replace("\u00a0", " ")


def test_comebacks_show_rate_interval_and_attempts(examples: ModuleType) -> None:
    finding = examples.repeats()
    rows = rows_of(spec_of(comeback_chart(finding)))
    table = {
        (row["attempts"], row["comebacks"], row["comeback_rate"], row["lower"], row["upper"])
        for row in finding.by_action.to_dicts()
    }
    assert {
        (row["attempts"], row["comebacks"], row["comeback_rate"], row["lower"], row["upper"]) for row in rows
    } == table
    assert "71% · 18 of 26 came back" in {row["counted"] for row in rows}


def test_comeback_title_leaves_out_repairs_seldom_done(examples: ModuleType) -> None:
    title = title_of(spec_of(comeback_chart(examples.repeats())))
    assert title == (
        "After replacing the position sensor, 71% come back within 500 h; "
        "after replacing the internal bushing, 6%"
    )
    few = replace(examples.repeats(), by_action=examples.repeats().by_action.filter(pl.col("attempts") < 5))
    spec = spec_of(comeback_chart(few))
    assert title_of(spec) == "Too few repairs to say how many come back within 500 h"
    assert {row["counted"] for row in rows_of(spec)} == {"0 of 3 came back: too few to say"}


def test_mean_cumulative_count_starts_at_nothing_and_ends_at_the_table(examples: ModuleType) -> None:
    finding = examples.repeats()
    spec = spec_of(mean_cumulative_chart(finding))
    rows = rows_of(spec)
    assert rows[0] == {"hours": 0.0, "count": 0.0, "lower": 0.0, "upper": 0.0}
    assert rows[1:] == finding.mean_cumulative.to_dicts()
    assert title_of(spec).startswith("By 5,900 h a machine has had 1.5 faults on average")
    none = replace(finding, mean_cumulative=finding.mean_cumulative.head(0))
    watched = finding.mean_cumulative.with_columns(pl.Series("at_risk", [40] * 30 + [3] * 9))
    thin = spec_of(mean_cumulative_chart(replace(finding, mean_cumulative=watched)))
    assert title_of(thin).startswith("By 4,500 h a machine has had 1.1 faults on average")
    assert "Dashed: too few machines ran that long to be sure." in thin["title"]["subtitle"]
    assert title_of(spec_of(mean_cumulative_chart(none))) == "No fault on record yet"


def test_suspects_bars_are_the_probabilities_end_to_end(examples: ModuleType) -> None:
    finding = examples.suspects()
    spec = spec_of(suspects_chart(finding))
    assert title_of(spec) == "4 open cases and 1 to watch: 2 of 4 point to the internal bushing"
    for case in finding.cases:
        name = f"{case.machine_id} {case.side}"
        bars = [row for row in rows_of(spec) if row["case"] == name and "probability" in row]
        assert [row["probability"] for row in bars] == list(case.causes.values())
        assert bars[0]["start"] == 0.0
        assert bars[-1]["end"] == pytest.approx(1.0)
        assert all(one["end"] == other["start"] for one, other in pairwise(bars))


def test_more_suspects_than_fit_are_counted(examples: ModuleType) -> None:
    finding = examples.suspects()
    crowd = replace(finding, cases=finding.cases * 20)
    spec = spec_of(suspects_chart(crowd))
    assert f"The first {MOST_CASES} of 100 cases are drawn." in " ".join(spec["title"]["subtitle"])
    none = spec_of(suspects_chart(replace(finding, cases=())))
    assert title_of(none) == "No open case and nothing to watch"
    watched = replace(finding, cases=finding.cases[-1:])
    assert title_of(spec_of(suspects_chart(watched))).startswith("No open case, 1 to watch")


def test_reasons_keep_every_weight(examples: ModuleType) -> None:
    case = examples.suspects().cases[0]
    spec = spec_of(reasons_chart(case))
    rows = [row for row in rows_of(spec) if "evidence" in row]
    assert {(row["evidence"], row["weight"]) for row in rows} == {
        (r.evidence, r.weight) for r in case.reasons
    }
    assert "91% sure" in title_of(spec)
    assert "original bushing at 4,310 running hours" in title_of(spec)
    many = replace(case, reasons=tuple(Reason(f"sign {i}", 0.1 * i) for i in range(1, 21)))
    drawn = [row for row in rows_of(spec_of(reasons_chart(many))) if "evidence" in row]
    assert len(drawn) == MOST_REASONS + 1
    assert sum(row["weight"] for row in drawn) == pytest.approx(sum(r.weight for r in many.reasons))


def test_a_case_without_reasons(examples: ModuleType) -> None:
    case = replace(examples.suspects().cases[0], reasons=())
    assert title_of(spec_of(reasons_chart(case))) == "SK-104 left: internal bushing, 91% sure"


def test_timeline_shows_every_event_at_its_hours(examples: ModuleType) -> None:
    finding = examples.unit()
    spec = spec_of(unit_chart(replace(finding, band=(1.9, 2.1))))
    rows = rows_of(spec)
    by_lane: dict[str, list[float]] = {}
    for row in rows:
        if "lane" in row:
            by_lane.setdefault(row["lane"], []).append(row["hours"])
    reports = finding.reports
    assert by_lane["fault, left"] == reports.filter(pl.col("side") == "left")["hours"].to_list()
    assert by_lane["fault, right"] == reports.filter(pl.col("side") == "right")["hours"].to_list()
    assert by_lane["repair step"] == finding.attempts["hours"].to_list()
    assert by_lane["reading set aside"] == [4377.0, 4545.0]
    assert {row["value"] for row in rows if "value" in row} == set(finding.measurements["value"])
    assert title_of(spec) == "SK-104: 5 faults and 4 repair steps in 4,800 h"


def test_a_machine_with_no_history(examples: ModuleType) -> None:
    unit = examples.unit()
    empty = replace(
        unit,
        reports=unit.reports.head(0),
        attempts=unit.attempts.head(0),
        measurements=unit.measurements.head(0),
        readings=unit.readings.head(0),
        machine={"machine_id": "SK-9", "running_hours": None, "hours_estimated": False},
    )
    assert title_of(spec_of(unit_chart(empty))) == "SK-9: no faults and no repair steps"


def test_events_without_hours_or_side_do_not_break_the_timeline(examples: ModuleType) -> None:
    unit = examples.unit()
    odd = replace(
        unit,
        reports=unit.reports.with_columns(
            pl.lit(None, pl.String).alias("side"),
            pl.when(pl.int_range(pl.len()) == 0).then(None).otherwise(pl.col("hours")).alias("hours"),
            pl.lit(None, pl.String).alias("description"),
        ),
    )
    rows = [row for row in rows_of(spec_of(unit_chart(odd))) if row.get("lane") == "fault"]
    assert len(rows) == unit.reports.height - 1
    assert rows[0]["summary"].startswith("DRV-17")


def test_fleet_by_build_year(examples: ModuleType) -> None:
    finding = examples.status()
    spec = spec_of(fleet_age_chart(finding))
    rows = rows_of(spec)
    for year in finding.fleet.to_dicts():
        name = "not known" if year["build_year"] is None else str(year["build_year"])
        parts = {row["control"]: row["machines"] for row in rows if row["year"] == name and "control" in row}
        assert sum(parts.values()) == year["machines"]
        assert parts["electronic joystick"] == year["electronic"]
    # 9 + 22 + 31 + 40 = 102 of 242 by 2016, 140 by 2017.
    assert title_of(spec).startswith("242 machines in the fleet, half of them built by 2017")


def test_a_fleet_without_machines(examples: ModuleType) -> None:
    status = replace(examples.status(), fleet=examples.status().fleet.head(0))
    assert title_of(spec_of(fleet_age_chart(status))) == "No machine with a build year on record"
