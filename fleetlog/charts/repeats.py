"""Does the repair hold? Comebacks by action, and how faults pile up over a machine's life."""

from __future__ import annotations

from typing import Any

import altair as alt
import polars as pl

from fleetlog.charts.rows import Plot, at_x, inline, message, thinned, tips
from fleetlog.charts.theme import BAND_OPACITY, INK, MUTED, NEUTRAL, SERIES, Drawing, chart
from fleetlog.lives.repeats import RepeatsFinding
from fleetlog.phrasing import NO_WORDS, Words, capital, hours, percent, repair_name


def comeback_rows(finding: RepeatsFinding, words: Words = NO_WORDS) -> list[dict[str, Any]]:
    """The table by action with its words, the rate that comes back most first, those too few to say last."""
    rows = []
    for row in finding.by_action.to_dicts():
        few = row["attempts"] < finding.minimum_at_risk or row["comeback_rate"] is None
        counted = f"{row['comebacks']} of {row['attempts']} came back"
        rows.append(
            {
                "repair": capital(repair_name(row["action"], row["component"] or "", words)),
                "attempts": row["attempts"],
                "comebacks": row["comebacks"],
                "comeback_rate": row["comeback_rate"],
                "lower": row["lower"],
                "upper": row["upper"],
                "few": few,
                "counted": f"{counted}: too few to say"
                if few
                else f"{percent(row['comeback_rate'])} · {counted}",
            }
        )
    return sorted(rows, key=lambda row: (row["few"], -(row["comeback_rate"] or 0.0), row["repair"]))


def comeback_title(finding: RepeatsFinding, words: Words = NO_WORDS) -> str:
    """Which repair comes back most and which least."""
    rows = [row for row in comeback_rows(finding, words) if not row["few"]]
    within = f"within {hours(finding.window_hours)}"
    if not rows:
        return f"Too few repairs to say how many come back {within}"
    worst, best = rows[0], rows[-1]
    said_worst = f"After {_lower(worst['repair'])}, {percent(worst['comeback_rate'])} come back {within}"
    if len(rows) == 1:
        return said_worst
    return f"{said_worst}; after {_lower(best['repair'])}, {percent(best['comeback_rate'])}"


def _lower(text: str) -> str:
    return text[:1].lower() + text[1:]


_MOST_STEPS = 600
"""Steps of a curve: about as many as its picture is wide."""


@chart(comeback_title)
def comeback_chart(finding: RepeatsFinding, width: int, words: Words) -> Drawing:
    """Share of repairs after which the fault came back within the window, with its interval, by action."""
    rows = comeback_rows(finding, words)[:40]
    if not rows:
        return message("No repair of this fault is on record.", width), ()
    wide = width > 500
    line = 46 if wide else 62
    laid = [{**row, "top": place * line + 12, "middle": place * line + 30} for place, row in enumerate(rows)]
    height = max(len(rows), 1) * line
    x = alt.X(
        "comeback_rate:Q",
        scale=dict(domain=[0, 1]),
        axis=dict(
            format=".0%",
            title=f"came back within {hours(finding.window_hours)}",
            values=[0, 0.25, 0.5, 0.75, 1],
        ),
    )
    y = alt.Y("middle:Q", scale=dict(domain=[0, height], range=[0, height]), axis=None)
    colour = alt.condition("datum.few", alt.value(NEUTRAL), alt.value(SERIES[0]))
    base = Plot(inline(laid))
    names = base.mark_text(align="left", fontSize=12.5, fontWeight="bold", color=INK).encode(
        x=at_x(0),
        y=alt.Y("top:Q", scale=dict(domain=[0, height], range=[0, height]), axis=None),
        text=alt.Text("repair:N"),
    )
    interval = base.mark_rule(strokeWidth=2.5).encode(
        x=alt.X("lower:Q", scale=dict(domain=[0, 1])), x2=alt.X2("upper:Q"), y=y, color=colour
    )
    point = base.mark_point(filled=True, size=90, opacity=1).encode(
        x=x,
        y=y,
        color=colour,
        tooltip=tips(
            "repair:N",
            "attempts:Q",
            "comebacks:Q|came back",
            "comeback_rate:Q|rate|.1%",
            "lower:Q||.1%",
            "upper:Q||.1%",
        ),
    )
    # On a phone the counts do not fit beside the line: they go beneath it.
    counted = base.mark_text(align="left", fontSize=12, color=MUTED, dy=0 if wide else 15).encode(
        x=at_x(width - 215 if wide else 0), y=y, text=alt.Text("counted:N")
    )
    plot = width - 230 if wide else width - 40
    picture = alt.layer(interval, point, names, counted, width=plot, height=height)
    notes = [
        f"Point: share of repairs after which the same fault was back within {hours(finding.window_hours)} "
        "of running. Line: 95% interval.",
        *finding.notes,
    ]
    return picture, notes


def mean_cumulative_title(finding: RepeatsFinding, _: Words = NO_WORDS) -> str:
    """How many faults a machine has had by the end of the record."""
    curve = finding.mean_cumulative
    if curve.height == 0:
        return "No fault on record yet"
    if curve.height < finding.minimum_at_risk:
        return "Too few faults on record to say how they pile up"
    last = _last_sure(finding)
    half = curve.filter(curve["hours"] <= last["hours"] / 2)
    by_half = float(half["count"][-1]) if half.height else 0.0
    return (
        f"By {hours(last['hours'])} a machine has had {last['count']:.1f} faults on average, "
        f"{by_half:.1f} of them in the first half of those hours"
    )


def _last_sure(finding: RepeatsFinding) -> dict[str, Any]:
    """The last row that enough machines stand behind, or that is sure enough where none are counted."""
    curve = finding.mean_cumulative
    if "at_risk" in curve.columns:
        sure = curve.filter(pl.col("at_risk") >= finding.minimum_at_risk)
    else:
        sure = curve.filter(pl.col("upper") - pl.col("lower") <= pl.col("count") / 2)
    return (sure if sure.height else curve).row(-1, named=True)


@chart(mean_cumulative_title)
def mean_cumulative_chart(finding: RepeatsFinding, width: int, words: Words) -> Drawing:
    """Faults a machine has had on average by its running hours, with a 95% interval."""
    if finding.mean_cumulative.height == 0:
        return message("No fault is on record yet.", width), ()
    curve = thinned(finding.mean_cumulative.select("hours", "count", "lower", "upper"), "count", _MOST_STEPS)
    rows = [{"hours": 0.0, "count": 0.0, "lower": 0.0, "upper": 0.0}, *curve.to_dicts()]
    summary = _last_sure(finding)["hours"] if curve.height else 0.0
    sure = [row for row in rows if row["hours"] <= summary]
    unsure = [row for row in rows if row["hours"] >= summary]
    tallest = max((row["count"] for row in rows), default=0.0) * 1.3 or 1.0
    x = alt.X(
        "hours:Q",
        axis=dict(title="running hours of the machine", format=",.0f", grid=False),
        scale=dict(nice=False),
    )
    y_axis = dict(title="faults per machine so far", format=".1f")
    scale = dict(domain=[0, tallest])
    base = Plot(inline(rows))
    band = base.mark_area(interpolate="step-after", opacity=BAND_OPACITY, color=SERIES[0], clip=True).encode(
        x=x, y=alt.Y("lower:Q", axis=y_axis, scale=scale), y2=alt.Y2("upper:Q")
    )
    line = (
        Plot(inline(sure))
        .mark_line(interpolate="step-after", color=SERIES[0])
        .encode(
            x=x,
            y=alt.Y("count:Q", axis=y_axis, scale=scale),
            tooltip=tips("hours:Q||,.0f", "count:Q|faults per machine|.2f", "lower:Q||.2f", "upper:Q||.2f"),
        )
    )
    layers: list[alt.Chart] = [band, line]
    dashed = len(unsure) > 1
    if dashed:
        layers.append(
            Plot(inline(unsure))
            .mark_line(interpolate="step-after", color=SERIES[0], strokeDash=[5, 4], strokeWidth=1.7)
            .encode(x=x, y=alt.Y("count:Q", axis=y_axis, scale=scale))
        )
    picture = alt.layer(*layers, width=width - 90, height=280)
    notes = [
        "A curve that bends upward means that machines get worse with age. Shading: 95% interval.",
        "Dashed: too few machines ran that long to be sure." if dashed else "",
    ]
    return picture, notes
