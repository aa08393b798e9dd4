"""What the fleet is made of."""

from __future__ import annotations

import altair as alt
import polars as pl

from fleetlog.charts.rows import Plot, inline, message, tips
from fleetlog.charts.theme import INK, NEUTRAL, SERIES, Drawing, chart
from fleetlog.phrasing import NO_WORDS, Words, hours, plural
from fleetlog.session.status import StatusFinding


def fleet_age_title(finding: StatusFinding, _: Words = NO_WORDS) -> str:
    """By which build year half of the machines were made, and how far they have run."""
    fleet = finding.fleet.filter(pl.col("build_year").is_not_null()).sort("build_year")
    machines = int(fleet["machines"].sum())
    if machines == 0:
        return "No machine with a build year on record"
    half = fleet.filter(fleet["machines"].cum_sum() * 2 >= machines)["build_year"][0]
    known = finding.fleet.filter(pl.col("running_hours").is_not_null())
    summary = f"{plural(machines, 'machine')} in the fleet, half of them built by {half}"
    if known.height == 0:
        return summary
    mean = float((known["running_hours"] * known["machines"]).sum()) / int(known["machines"].sum())
    return f"{summary}; on average they have run {hours(mean)}"


@chart(fleet_age_title)
def fleet_age_chart(finding: StatusFinding, width: int, words: Words) -> Drawing:
    """Machines by build year, those with electronic drive control apart from the others."""
    if finding.fleet.is_empty():
        return message("No machine is on the list.", width), ()
    kinds = ("electronic joystick", "manual or not known")
    rows = []
    for row in finding.fleet.sort("build_year", nulls_last=True).to_dicts():
        year = "not known" if row["build_year"] is None else str(row["build_year"])
        rows.append({"year": year, "control": kinds[0], "machines": row["electronic"], "order": 0})
        rows.append(
            {"year": year, "control": kinds[1], "machines": row["machines"] - row["electronic"], "order": 1}
        )
    years = list(dict.fromkeys(row["year"] for row in rows))
    totals = finding.fleet.sort("build_year", nulls_last=True)["machines"].to_list()
    x = alt.X("year:O", sort=years, axis=dict(title="build year", labelAngle=0, labelOverlap=True))
    bars = (
        Plot(inline(rows))
        .mark_bar(stroke="#ffffff", strokeWidth=0.6)
        .encode(
            x=x,
            y=alt.Y(
                "machines:Q",
                scale=dict(domain=[0, max(totals, default=1) * 1.12], nice=False),
                axis=dict(title="machines", tickMinStep=1, format=",.0f"),
            ),
            color=alt.Color(
                "control:N",
                scale=dict(domain=list(kinds), range=[SERIES[0], NEUTRAL]),
                legend=dict(title=None, symbolType="square"),
            ),
            order=alt.Order("order:O"),
            tooltip=tips("year:N", "control:N", "machines:Q"),
        )
    )
    counts = (
        Plot(inline([{"year": year, "machines": total} for year, total in zip(years, totals, strict=True)]))
        .mark_text(dy=-8, color=INK, fontSize=11.5)
        .encode(x=x, y=alt.Y("machines:Q"), text=alt.Text("machines:Q", format=",.0f"))
    )
    picture = alt.layer(bars, counts, width=width - 92, height=220)
    return picture, finding.notes
