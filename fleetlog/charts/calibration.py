"""How good past suspicions were: sureness against how often it was right."""

from __future__ import annotations

from typing import TYPE_CHECKING

import altair as alt

from fleetlog.charts.rows import Plot, inline, tips
from fleetlog.charts.theme import MUTED, RULE, SERIES, Drawing, chart
from fleetlog.phrasing import NO_WORDS, Words

if TYPE_CHECKING:
    from fleetlog.causes.backtest import BacktestFinding


def calibration_title(finding: BacktestFinding, _: Words = NO_WORDS) -> str:
    """How often the likeliest cause was the true one."""
    judged, right = int(finding.calibration["cases"].sum()), float(finding.calibration["happened"].sum())
    return f"The likeliest cause was the true one in {right:,.0f} of {judged:,} judgements"


@chart(calibration_title)
def calibration_chart(finding: BacktestFinding, width: int, words: Words) -> Drawing:
    """How often the likeliest cause was the true one, by how sure the model was; right on the diagonal."""
    bins = finding.calibration
    scale = alt.Scale(domain=[0, 1])
    percent = alt.Axis(format=".0%", values=[0, 0.25, 0.5, 0.75, 1])
    x = alt.X("mean_probability:Q", scale=scale, axis=alt.Axis(title="how sure it was", format=".0%"))
    y = alt.Y("share:Q", scale=scale, axis=alt.Axis(title="how often it was right", format=".0%"))
    diagonal = (
        Plot(inline([{"a": 0.0, "b": 0.0}, {"a": 1.0, "b": 1.0}]))
        .mark_line(color=RULE, strokeDash=[4, 4])
        .encode(x=alt.X("a:Q", scale=scale, axis=percent), y=alt.Y("b:Q", scale=scale))
    )
    base = Plot(inline(bins))
    spans = base.mark_rule(color=MUTED).encode(x=x, y=alt.Y("lower:Q", scale=scale), y2="upper:Q")
    points = base.mark_point(filled=True, size=90, color=SERIES[0]).encode(
        x=x, y=y, tooltip=tips("cases:Q", "share:Q||.0%")
    )
    counts = base.mark_text(dx=10, align="left", color=MUTED).encode(x=x, y=y, text="cases:Q")
    notes = ["Numbers: judgements in the bin. On the dashed line it was right as often as it was sure."]
    picture = alt.layer(diagonal, spans, points, counts).properties(width=width - 80, height=380)
    return picture, [*notes, *finding.notes]
