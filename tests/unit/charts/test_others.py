"""Repairs, suspects, reasons, a machine's timeline, the fleet: drawn values and titles against tables."""

from __future__ import annotations

import re
from dataclasses import replace
from itertools import pairwise
from typing import Any

import polars as pl
import pytest
from hollow_lane import HollowLane

from fleetlog.belief.reason import Reason
from fleetlog.charts.fleet import fleet_age_chart
from fleetlog.charts.output import spec_of, svg_of
from fleetlog.charts.planning import forecast_chart
from fleetlog.charts.repeats import comeback_chart, mean_cumulative_chart
from fleetlog.charts.suspects import MOST_CASES, MOST_REASONS, reasons_chart, suspects_chart
from fleetlog.charts.unit import unit_chart


def rows_of(spec: dict[str, Any]) -> list[dict[str, Any]]:
    return [row for rows in spec["datasets"].values() for row in rows]


def title_of(spec: dict[str, Any]) -> str:
    return " ".join(spec["title"]["text"]).replace("\u00a0", " ")


def percent(share: float) -> str:
    return f"{100 * share:.0f}%"


def by_then(curve: pl.DataFrame) -> str:
    """How the title begins that tells the last row of a curve."""
    hours, count = curve.select("hours", "count").row(-1)
    return f"By {round(hours, -2):,.0f} h a machine has had {count:.1f} faults on average"


def test_comebacks_show_rate_interval_and_attempts(hollow_lane: HollowLane) -> None:
    finding = hollow_lane.month.repeats
    rows = rows_of(spec_of(comeback_chart(finding)))
    table = {
        (row["attempts"], row["comebacks"], row["comeback_rate"], row["lower"], row["upper"])
        for row in finding.by_action.to_dicts()
    }
    assert {
        (row["attempts"], row["comebacks"], row["comeback_rate"], row["lower"], row["upper"]) for row in rows
    } == table
    calibrated = finding.by_action.row(by_predicate=pl.col("action") == "calibrate", named=True)
    counted = f"{calibrated['comebacks']} of {calibrated['attempts']} came back"
    assert f"{percent(calibrated['comeback_rate'])} · {counted}" in {row["counted"] for row in rows}


def test_comeback_title_leaves_out_repairs_seldom_done(hollow_lane: HollowLane) -> None:
    finding = hollow_lane.month.repeats
    actions = finding.by_action.sort("comeback_rate", descending=True)
    most, *_, less, least = actions.to_dicts()
    window = f"{finding.window_hours:.0f} h"
    assert (most["component"], least["component"]) == ("position_sensor", "drive_pump")
    assert title_of(spec_of(comeback_chart(finding))) == (
        f"After replacing the position sensor, {percent(most['comeback_rate'])} come back within {window}; "
        f"after replacing the drive pump, {percent(least['comeback_rate'])}"
    )
    # With one more asked for than pumps were replaced, these are too few.
    strict = replace(finding, minimum_at_risk=least["attempts"] + 1)
    assert less["component"] == "internal_bushing"
    assert title_of(spec_of(comeback_chart(strict))).endswith(
        f"after replacing the internal bushing, {percent(less['comeback_rate'])}"
    )
    spec = spec_of(comeback_chart(replace(strict, by_action=actions.tail(1))))
    assert title_of(spec) == f"Too few repairs to say how many come back within {window}"
    assert {row["counted"] for row in rows_of(spec)} == {
        f"{least['comebacks']} of {least['attempts']} came back: too few to say"
    }


def test_mean_cumulative_count_starts_at_nothing_and_ends_at_the_table(hollow_lane: HollowLane) -> None:
    finding = hollow_lane.month.repeats
    curve = finding.mean_cumulative
    spec = spec_of(mean_cumulative_chart(finding))
    rows = [row for row in rows_of(spec) if "count" in row]
    assert rows[0] == {"hours": 0.0, "count": 0.0, "lower": 0.0, "upper": 0.0}
    assert rows[1:] == curve.select("hours", "count", "lower", "upper").to_dicts()
    assert curve["at_risk"][-1] >= finding.minimum_at_risk
    assert title_of(spec).startswith(by_then(curve))
    assert "Dashed" not in " ".join(spec["title"]["subtitle"])
    strict = replace(finding, minimum_at_risk=20)
    sure = curve.filter(pl.col("at_risk") >= 20)
    assert 0 < sure.height < curve.height
    thin = spec_of(mean_cumulative_chart(strict))
    assert title_of(thin).startswith(by_then(sure))
    assert "Dashed: too few machines ran that long to be sure." in thin["title"]["subtitle"]
    none = replace(finding, mean_cumulative=curve.head(0))
    assert title_of(spec_of(mean_cumulative_chart(none))) == "No fault on record yet"


def test_suspects_bars_are_the_probabilities_end_to_end(hollow_lane: HollowLane) -> None:
    finding = hollow_lane.month.suspects
    spec = spec_of(suspects_chart(finding))
    causes = [case.top_cause for case in finding.cases if case.state == "open"]
    bushings = causes.count("internal_bushing")
    assert len(causes) > bushings > 1
    assert title_of(spec) == (
        f"{len(causes)} open cases and {len(finding.cases) - len(causes)} to watch: "
        f"{bushings} of {len(causes)} point to the internal bushing"
    )
    for case in finding.cases:
        name = f"{case.machine_id} {case.side}"
        if case.standing is None:
            assert not [row for row in rows_of(spec) if row["case"] == name and "probability" in row]
            continue
        bars = [row for row in rows_of(spec) if row["case"] == name and "probability" in row]
        assert [row["probability"] for row in bars] == list(case.causes.values())
        assert bars[0]["start"] == 0.0
        assert bars[-1]["end"] == pytest.approx(1.0)
        assert all(one["end"] == other["start"] for one, other in pairwise(bars))


def test_more_suspects_than_fit_are_counted(hollow_lane: HollowLane) -> None:
    finding = hollow_lane.month.suspects
    crowd = replace(finding, cases=finding.cases * 20)
    spec = spec_of(suspects_chart(crowd))
    told = f"The first {MOST_CASES} of {20 * len(finding.cases)} cases are drawn."
    assert told in " ".join(spec["title"]["subtitle"])
    none = spec_of(suspects_chart(replace(finding, cases=())))
    assert title_of(none) == "No open case and nothing to watch"
    watched = replace(finding, cases=finding.cases[-1:])
    assert title_of(spec_of(suspects_chart(watched))).startswith("No open case, 1 to watch")


def test_reasons_keep_every_weight(hollow_lane: HollowLane) -> None:
    case = hollow_lane.month.suspects.cases[0]
    spec = spec_of(reasons_chart(case))
    rows = [row for row in rows_of(spec) if "evidence" in row]
    assert {(row["evidence"], row["weight"]) for row in rows} == {
        (r.evidence, r.weight) for r in case.reasons
    }
    assert f"{percent(case.certainty)} sure" in title_of(spec)
    assert max(case.reasons, key=lambda reason: reason.weight).evidence in title_of(spec)
    many = replace(case, reasons=tuple(Reason(f"sign {i}", 0.1 * i) for i in range(1, 21)))
    drawn = [row for row in rows_of(spec_of(reasons_chart(many))) if "evidence" in row]
    assert len(drawn) == MOST_REASONS + 1
    assert sum(row["weight"] for row in drawn) == pytest.approx(sum(r.weight for r in many.reasons))


def test_a_case_without_reasons(hollow_lane: HollowLane) -> None:
    (case,) = (one for one in hollow_lane.month.suspects.cases if one.machine_id == "SK-104")
    case = replace(case, reasons=())
    sure = percent(case.certainty)
    assert title_of(spec_of(reasons_chart(case))) == f"SK-104 left: internal bushing, {sure} sure"


def test_timeline_shows_every_event_at_its_hours(hollow_lane: HollowLane) -> None:
    finding = hollow_lane.unit()
    assert finding.band == (1.9, 2.1)
    spec = spec_of(unit_chart(finding))
    rows = rows_of(spec)
    by_lane: dict[str, list[float]] = {}
    for row in rows:
        if "lane" in row:
            by_lane.setdefault(row["lane"], []).append(row["hours"])
    reports = finding.reports
    assert by_lane["fault, left"] == reports.filter(pl.col("side") == "left")["hours"].to_list()
    assert by_lane["fault, right"] == reports.filter(pl.col("side") == "right")["hours"].to_list()
    assert by_lane["repair step"] == finding.attempts["hours"].to_list()
    # What the yard handed over stands there: the two false readings, every code, every voltage.
    assert by_lane["reading set aside"] == [4790.0, 4250.0]
    codes = hollow_lane.table("fault_codes").filter(machine_id="SK-104")
    assert codes.height == len(by_lane["fault, left"]) + len(by_lane["fault, right"])
    volts = hollow_lane.table("measurements").filter(machine_id="SK-104")["value"]
    assert {row["value"] for row in rows if "value" in row} == set(volts.cast(pl.Float64))
    # Its story: one fault on the right that was cured; on the left one, and one more after each cure in vain.
    assert finding.attempts["outcome"].to_list() == ["held", "came_back", "came_back"]
    ran = f"{round(finding.machine['running_hours'], -2):,.0f} h"
    episodes = reports.select("side", "episode").n_unique()
    assert episodes == 1 + 1 + 2
    assert title_of(spec) == f"SK-104: {episodes} faults and 3 repair steps in {ran}"


def test_a_machine_with_no_history(hollow_lane: HollowLane) -> None:
    unit = hollow_lane.unit()
    empty = replace(
        unit,
        reports=unit.reports.head(0),
        attempts=unit.attempts.head(0),
        measurements=unit.measurements.head(0),
        readings=unit.readings.head(0),
        machine={"machine_id": "SK-9", "running_hours": None, "hours_estimated": False},
    )
    assert title_of(spec_of(unit_chart(empty))) == "SK-9: no faults and no repair steps"


def test_events_without_hours_or_side_do_not_break_the_timeline(hollow_lane: HollowLane) -> None:
    unit = hollow_lane.unit()
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


def test_fleet_by_build_year(hollow_lane: HollowLane) -> None:
    finding = hollow_lane.month.status
    spec = spec_of(fleet_age_chart(finding))
    rows = rows_of(spec)
    for year in finding.fleet.to_dicts():
        name = "not known" if year["build_year"] is None else str(year["build_year"])
        parts = {row["control"]: row["machines"] for row in rows if row["year"] == name and "control" in row}
        assert sum(parts.values()) == year["machines"]
        assert parts["electronic joystick"] == year["electronic"]
    # The list that the yard handed over, without what it has sold: one machine has no build date.
    there = hollow_lane.table("machines").filter(pl.col("disposed_on").is_null())
    built = there["build_date"].drop_nulls().str.head(4).cast(pl.Int64).sort()
    assert len(built) == there.height - 1
    assert finding.fleet["machines"].sum() == there.height
    assert finding.fleet["electronic"].sum() == there.filter(control="electronic_joystick").height
    half = built[(len(built) - 1) // 2]
    assert title_of(spec).startswith(f"{len(built)} machines in the fleet, half of them built by {half}")


def test_a_fleet_without_machines(hollow_lane: HollowLane) -> None:
    status = replace(hollow_lane.month.status, fleet=hollow_lane.month.status.fleet.head(0))
    assert title_of(spec_of(fleet_age_chart(status))) == "No machine with a build year on record"


@pytest.mark.parametrize("width", [310, 360, 760])
@pytest.mark.parametrize("name", ["37", "SK0104", "M000005"])
def test_a_verdict_is_never_cut(hollow_lane: HollowLane, width: int, name: str) -> None:
    """Drawn as on a phone and on a desk, with names of a few and of many letters."""
    finding = hollow_lane.month.suspects
    case = next(case for case in finding.cases if case.faulty)
    judged = f"{percent(case.certainty)} A cause with quite a long name"
    one = replace(finding, cases=(replace(case, machine_id=name, side="right"),))
    drawn = svg_of(
        spec_of(suspects_chart(one, width=width, words={case.top_cause: "A cause with quite a long name"}))
    )
    assert f">{name} right" in drawn
    assert f">{judged}<" in drawn
    assert "…" not in drawn


def test_a_short_name_and_its_verdict_stand_in_one_line(hollow_lane: HollowLane) -> None:
    finding = hollow_lane.month.suspects
    for width, lines in ((760, 1), (200, 2)):
        heads = [row for row in rows_of(spec_of(suspects_chart(finding, width=width))) if "verdict" in row]
        assert heads
        assert {1 if row["verdict"] == row["middle"] else 2 for row in heads} == {lines}


@pytest.mark.parametrize(("most", "marks"), [(1, ["0", "1"]), (3, ["0", "1", "2", "3"]), (40, [])])
def test_an_axis_of_few_counts_names_each_once(hollow_lane: HollowLane, most: int, marks: list[str]) -> None:
    finding = hollow_lane.month.forecast
    highest = [pl.lit(most).alias(name) for name in ("upper", "upper_80")]
    small = finding.by_month.with_columns(
        pl.lit(0).alias("lower"), pl.lit(0).alias("lower_80"), pl.lit(0.2).alias("expected"), *highest
    ).with_columns(pl.lit(0.01).alias("standing"), pl.lit(0.7 * most).alias("labour_hours"))
    drawn = svg_of(spec_of(forecast_chart(replace(finding, by_month=small))))
    above = drawn[: drawn.index("labour hours")]
    labels = re.findall(r'text-anchor="end"[^>]*>(\d+)<', above)
    assert labels
    assert len(labels) == len(set(labels))
    assert not marks or labels == marks
