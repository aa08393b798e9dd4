"""From which month of build on a newer design was built in: how likely each month is, and the interval."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import altair as alt
import polars as pl

from fleetlog.charts.rows import Plot, across, inline, message, tips, up
from fleetlog.charts.theme import BAND_OPACITY, INK, SERIES, Drawing, chart, panel_title
from fleetlog.phrasing import NO_WORDS, Words, capital, listed, said

if TYPE_CHECKING:
    from fleetlog.lives.design_change import DesignChangeFinding

MOST_PANELS = 6
_HEIGHT = 90


def stated_rows(finding: DesignChangeFinding) -> list[dict[str, Any]]:
    """The rows of which a change is told, the clearest first."""
    return (
        finding.changes.filter(pl.col("change_from").is_not_null()).sort("p", maintain_order=True).to_dicts()
    )


def design_change_title(finding: DesignChangeFinding, words: Words = NO_WORDS) -> str:
    """Since when the newer parts were built in, where that can be told."""
    stated = stated_rows(finding)
    if not stated:
        return "From when on a newer design was built in cannot be told from these lives"
    changes = [f"{_name(row, words)} from {row['change_from']} on" for row in stated[:3]]
    return f"Newer design built in: {listed(changes)}"


def _name(row: dict[str, Any], words: Words) -> str:
    return f"{said(row['component'], words)} ({row['make']})"


@chart(design_change_title)
def design_change_chart(finding: DesignChangeFinding, width: int, words: Words) -> Drawing:
    """Likelihood of each month of build over that of the likeliest; the interval is shaded."""
    stated = stated_rows(finding)[:MOST_PANELS]
    if not stated:
        return message("No month of build parts the lives by more than chance.", width), finding.notes
    notes = [
        "Line: likelihood that the newer design began with machines or parts built in that month, over that of "
        f"the likeliest month. Shaded: {finding.level:.0%} interval. Upright line: the likeliest month.",
        *finding.notes,
    ]
    return alt.vconcat(*(_panel(finding, row, width, words) for row in stated)), notes


def likelihood_rows(finding: DesignChangeFinding, row: dict[str, Any]) -> list[dict[str, Any]]:
    """Month, likelihood over the greatest, and whether the interval holds it, of one row of the answer."""
    own = finding.likelihood.filter(component=row["component"], make=row["make"])
    return [
        {"month": f"{one['month']}-01", "likelihood": math.exp(-0.5 * one["drop"]), "within": one["within"]}
        for one in own.to_dicts()
    ]


def _panel(
    finding: DesignChangeFinding, row: dict[str, Any], width: int, words: Words
) -> alt.LayerChart | alt.FacetChart:
    """One component and make."""
    rows = likelihood_rows(finding, row)
    ends = {
        "from": f"{row['earliest']}-01" if row["earliest"] else rows[0]["month"],
        "to": f"{row['latest']}-01" if row["latest"] else rows[-1]["month"],
        "best": f"{row['change_from']}-01",
    }
    month = across("month:T", None, format="%Y", tickCount="year", labelOverlap=True, grid=False)
    share = up("likelihood:Q", None, scale=alt.Scale(domain=[0, 1]), tickCount=2, format=".1f")
    interval = Plot(inline([ends]))
    layers = (
        interval.mark_rect(color=SERIES[0], opacity=BAND_OPACITY).encode(
            x=alt.X("from:T"), x2=alt.X2("to:T")
        ),
        interval.mark_rule(color=INK).encode(x="best:T"),
        Plot(inline(rows))
        .mark_line(
            color=SERIES[0], interpolate="step-before", point=alt.OverlayMarkDef(size=18, color=SERIES[0])
        )
        .encode(
            x=month,
            y=share,
            tooltip=tips(
                "month:T|first month of the newer design|%Y-%m", "likelihood:Q|over the likeliest|.2f"
            ),
        ),
    )
    between = f"{row['earliest'] or 'no first month'} to {row['latest'] or 'no last month'}"
    failed = f"{row['failures_before']} of the older and {row['failures_after']} of the newer failed"
    title = panel_title(f"{capital(_name(row, words))}: {row['change_from']}", f"{between}; {failed}")
    return alt.layer(*layers, width=width - 80, height=_HEIGHT, title=title)
