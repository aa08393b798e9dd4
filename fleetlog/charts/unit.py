"""One machine's story over its running hours."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import altair as alt
import polars as pl

from fleetlog.charts.rows import inline
from fleetlog.charts.theme import ALERT, BAND_OPACITY, INK, NEUTRAL, SERIES, WIDE, finish
from fleetlog.charts.words import NO_WORDS, hours, plural, said
from fleetlog.findings.unit import UnitFinding

MOST_EVENTS = 1500
_LANE = 34


def unit_title(finding: UnitFinding) -> str:
    """The machine, its hours, its faults and repairs."""
    run = finding.machine.get("running_hours")
    ran = f" in {hours(float(run))}" if run is not None else ""
    episodes = finding.reports["episode"].drop_nulls().n_unique() if finding.reports.height else 0
    return (
        f"{finding.machine['machine_id']}: {plural(episodes, 'fault')} and "
        f"{plural(finding.attempts.height, 'repair step')}{ran}"
    )


def unit_chart(
    finding: UnitFinding,
    *,
    width: int = WIDE,
    words: Mapping[str, str] = NO_WORDS,
    quantity: str = "sensor_neutral_voltage",
    band: tuple[float, float] | None = None,
) -> alt.TopLevelMixin:
    """Fault reports, repair steps, measured values and set-aside readings over the machine's running hours.

    Args:
        finding: the machine's story.
        width: of the whole picture, pixels.
        words: stored value -> what a reader would say.
        quantity: the measurement drawn beneath the timeline.
        band: where a sound reading stands, (from, to); drawn behind the values.
    """
    plot = width - 130
    reports = _latest(finding.reports)
    attempts = _latest(finding.attempts)
    aside = _latest(finding.readings.filter(~pl.col("kept")))
    values = _latest(finding.measurements.filter(pl.col("quantity") == quantity))
    run = finding.machine.get("running_hours")
    seen = [float(frame["hours"].to_numpy().max()) for frame in (reports, attempts, values) if frame.height]
    top = max([*seen, float(run) if run is not None else 0.0, 1.0])
    firsts = [float(frame["hours"].to_numpy().min()) for frame in (reports, attempts, values) if frame.height]
    first = min(firsts, default=0.0)
    start = (
        0.0 if first < 0.3 * top else first - 0.08 * (top - first)
    )  # no blank years before the first event
    x = alt.X(
        "hours:Q",
        scale=alt.Scale(domain=[start, top], nice=False, zero=False),
        axis=alt.Axis(title="running hours of the machine", format=",.0f", grid=True, tickCount=5),
    )
    bare = alt.X(
        "hours:Q",
        scale=alt.Scale(domain=[start, top], nice=False, zero=False),
        axis=alt.Axis(labels=False, title=None, ticks=False),
    )
    events = _events(reports, attempts, aside, (start, top), words)
    lanes = [lane for lane in _LANES if any(row["lane"] == lane for row in events)] or [_LANES[0]]
    timeline = _timeline(events, lanes, x if not values.height else bare, plot)
    pictures: list[Any] = [timeline]
    if values.height:
        pictures.append(_values(values, x, plot, quantity, band, words))
    notes = []
    if finding.machine.get("hours_estimated"):
        notes.append("Running hours of today are estimated from the machine's recent use.")
    hidden = sum(
        max(0, frame.filter(pl.col("hours").is_not_null()).height - MOST_EVENTS)
        for frame in (finding.reports, finding.attempts)
    )
    if hidden:
        notes.append(
            f"The latest {MOST_EVENTS:,} events of a kind are drawn; {hidden:,} older ones are in the table."
        )
    notes += finding.notes
    return finish(
        alt.vconcat(*pictures, spacing=14).resolve_scale(color="independent", shape="independent"),
        title=unit_title(finding),
        notes=notes,
        width=width,
    )


_LANES = ("fault, left", "fault, right", "fault", "repair step", "reading set aside")


def _latest(frame: pl.DataFrame) -> pl.DataFrame:
    return frame.filter(pl.col("hours").is_not_null()).sort("at", maintain_order=True).tail(MOST_EVENTS)


def _events(
    reports: pl.DataFrame,
    attempts: pl.DataFrame,
    aside: pl.DataFrame,
    span: tuple[float, float],
    words: Mapping[str, str],
) -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = []
    for row in reports.to_dicts():
        lane = f"fault, {row['side']}" if row["side"] in ("left", "right") else "fault"
        told = row["description"] or row["code"] or "fault report"
        if row["spn"] is not None:
            told += f" (SPN {row['spn']} FMI {row['fmi']})"
        rows.append(_event(row, lane, told))
    for row in attempts.to_dicts():
        told = said(row["step"], words) if row["step"] else said(row["component"], words)
        outcome = said(row["outcome"], words) if row["outcome"] else ""
        held = f" after {hours(row['held_hours'])}" if row["held_hours"] is not None else ""
        rows.append(_event(row, "repair step", f"{told}{': ' + outcome + held if outcome else ''}"))
    for row in aside.filter(pl.col("hours").is_between(*span)).to_dicts():
        rows.append(
            _event(
                {**row, "side": ""},
                "reading set aside",
                f"meter {row['meter_hours']:,.1f} h set aside: {row['reason']}",
            )
        )
    return rows


def _event(row: Mapping[str, Any], lane: str, told: str) -> dict[str, Any]:
    return {
        "hours": row["hours"],
        "day": row["at"].date().isoformat(),
        "lane": lane,
        "told": told,
    }


def _timeline(events: list[dict[str, Any]], lanes: list[str], x: alt.X, plot: int) -> alt.TopLevelMixin:
    y = alt.Y(
        "lane:N",
        sort=lanes,
        scale=alt.Scale(domain=lanes),
        axis=alt.Axis(title=None, labelColor=INK, ticks=False, domain=False, grid=True, labelLimit=130),
    )
    looks = {
        "fault, left": (ALERT, "triangle-right"),
        "fault, right": (ALERT, "triangle-left"),
        "fault": (ALERT, "diamond"),
        "repair step": (SERIES[0], "square"),
        "reading set aside": (NEUTRAL, "cross"),
    }
    marks = (
        alt.Chart(inline(events))
        .mark_point(filled=True, size=95, opacity=1)
        .encode(
            x=x,
            y=y,
            color=alt.Color(
                "lane:N", scale=alt.Scale(domain=lanes, range=[looks[lane][0] for lane in lanes]), legend=None
            ),
            shape=alt.Shape(
                "lane:N", scale=alt.Scale(domain=lanes, range=[looks[lane][1] for lane in lanes]), legend=None
            ),
            tooltip=[
                alt.Tooltip("day:N"),
                alt.Tooltip("hours:Q", format=",.1f", title="running hours"),
                alt.Tooltip("told:N", title="what"),
            ],
        )
    )
    return alt.layer(marks, width=plot, height=_LANE * len(lanes))


def _values(
    values: pl.DataFrame,
    x: alt.X,
    plot: int,
    quantity: str,
    band: tuple[float, float] | None,
    words: Mapping[str, str],
) -> alt.TopLevelMixin:
    unit = values["unit"][0]
    rows = [
        {
            "hours": row["hours"],
            "day": row["at"].date().isoformat(),
            "side": row["side"] or "not said",
            "value": row["value"],
        }
        for row in values.to_dicts()
    ]
    sides = [side for side in ("left", "right", "not said") if any(row["side"] == side for row in rows)]
    hue = {"left": SERIES[0], "right": SERIES[1], "not said": NEUTRAL}
    form = {"left": "triangle-right", "right": "triangle-left", "not said": "diamond"}
    low, high = min(row["value"] for row in rows), max(row["value"] for row in rows)
    if band is not None:
        low, high = min(low, band[0]), max(high, band[1])
    room = (high - low) * 0.1 or 0.1
    y = alt.Y(
        "value:Q",
        scale=alt.Scale(domain=[low - room, high + room], nice=False),
        axis=alt.Axis(
            title=f"{said(quantity, words)}, {unit}", tickCount=4, titleLimit=140, titleFontSize=11
        ),
    )
    colour = alt.Color(
        "side:N",
        scale=alt.Scale(domain=sides, range=[hue[side] for side in sides]),
        legend=alt.Legend(title=None, orient="top") if len(sides) > 1 else None,
    )
    layers: list[Any] = []
    if band is not None:
        layers.append(
            alt.Chart(inline([{"from": band[0], "to": band[1]}]))
            .mark_rect(color=SERIES[2], opacity=BAND_OPACITY)
            .encode(
                y=alt.Y("from:Q", scale=alt.Scale(domain=[low - room, high + room], nice=False)),
                y2=alt.Y2("to:Q"),
            )
        )
    base = alt.Chart(inline(rows))
    layers.append(base.mark_line(strokeWidth=1).encode(x=x, y=y, color=colour))
    layers.append(
        base.mark_point(filled=True, size=70, opacity=1).encode(
            x=x,
            y=y,
            color=colour,
            shape=alt.Shape(
                "side:N",
                scale=alt.Scale(domain=sides, range=[form[side] for side in sides]),
                legend=alt.Legend(title=None, orient="top") if len(sides) > 1 else None,
            ),
            tooltip=[
                alt.Tooltip("day:N"),
                alt.Tooltip("hours:Q", format=",.1f"),
                alt.Tooltip("side:N"),
                alt.Tooltip("value:Q", title=unit, format=".2f"),
            ],
        )
    )
    return alt.layer(*layers, width=plot, height=120)
