"""In what ways lives end: the share ended so by each age, the endings competing."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import altair as alt
import polars as pl

from fleetlog.charts.rows import MAX_ROWS, Plot, apart, inline, legend, message, thinned, tips
from fleetlog.charts.theme import BAND_OPACITY, INK, MUTED, Drawing, chart, colour_of, panel_title
from fleetlog.phrasing import (
    NO_WORDS,
    Words,
    capital,
    group_names,
    hours,
    listed,
    percent,
    plural,
    plural_part,
    said,
)

if TYPE_CHECKING:
    from fleetlog.lives.incidence import IncidenceFinding, IncidenceGroup

_GROUPS = 6
#: Height of a mark for a part last seen running, of 1. Width of a number beneath, in points.
_MARK = 0.03
_ROOM = 46


def incidence_title(finding: IncidenceFinding, words: Words = NO_WORDS) -> str:
    """The share ended in each way by the last age watched."""
    parts = capital(plural_part(finding.component))
    summary = []
    for group in finding.groups[:2]:
        whose = f"{_name(group, words)}: " if finding.by else ""
        if int(group.endings["count"].sum()) < finding.minimum_failures:
            summary.append(f"{whose}too few endings to say")
            continue
        ranked = sorted(group.endings.to_dicts(), key=lambda row: -row["incidence"])[:2]
        last = hours(_last_age(group))
        shares = [f"{percent(row['incidence'])} {said(row['ending'], words)}" for row in ranked]
        summary.append(f"{whose}{listed(shares)} by {last}")
    if not summary:
        return f"{parts}: no life on record"
    more = len(finding.groups) - 2
    return f"{parts}, {'; '.join(summary)}" + (f"; and {plural(more, 'more group')}" if more > 0 else "")


def _name(group: IncidenceGroup, words: Words) -> str:
    return ", ".join(said(str(value), words) for value in group.group.values())


def _last_age(group: IncidenceGroup) -> float:
    return float(group.curve["hours"].to_numpy().max()) if group.curve.height else 0.0


@chart(incidence_title)
def incidence_chart(finding: IncidenceFinding, width: int, words: Words) -> Drawing:
    """Cumulative incidence with its interval, one colour an ending, one picture a group."""
    # A picture of a group of which no life has ended would be empty: a sentence says so.
    ended = [group for group in finding.groups if group.endings.height] or list(finding.groups)
    still = [group for group in finding.groups if group not in ended]
    groups = ended[:_GROUPS]
    endings = list(dict.fromkeys(ending for group in groups for ending in group.endings["ending"]))
    spoken = [said(ending, words) for ending in endings]
    hues = colour_of(endings)
    colour = alt.Color(
        "ending:N",
        scale=dict(domain=spoken, range=[hues[ending] for ending in endings]),
        legend=legend(width),
    )
    columns = 1 if len(groups) == 1 or width < 560 else 2
    plot = (width - 20 - 24 * (columns - 1)) // columns - 62
    top = max([1.0, *(group.last_hours for group in groups)])
    ages = max((tuple(age for age, _ in group.at_risk_at) for group in groups), key=len, default=())
    ages = ages[:: 1 + int(len(ages) * _ROOM / plot)]
    pictures = [_one(group, finding, words, colour, plot, top, ages) for group in groups]
    notes = [
        "Lives that end in one way cannot end in another any more, so the shares add up (Aalen–Johansen). "
        "Shading: 95% interval. Short marks at the foot: parts last seen running. Numbers beneath: parts still "
        "watched.",
        *(f"{capital(_name(group, words)) or 'All'}: {group.note}." for group in groups if group.note),
        f"No life has ended in {group_names([group.group for group in still], words)}: not drawn."
        if still
        else "",
        f"Not drawn: {plural(len(ended) - len(groups), 'further group')}."
        if len(ended) > len(groups)
        else "",
        *finding.notes,
    ]
    nothing = message("No lives of this part on record.", width)
    picture = alt.concat(*pictures, columns=columns, spacing=24) if pictures else nothing
    return picture, notes


def curve_rows(group: IncidenceGroup, words: Words = NO_WORDS) -> list[dict[str, Any]]:
    """Each ending's curve from nothing at its start, its rows as they stand in the table."""
    rows: list[dict[str, Any]] = []
    endings = group.endings["ending"].to_list()
    most = MAX_ROWS // max(len(endings), 1) - 1
    for ending in endings:
        name = said(ending, words)
        curve = group.curve.filter(pl.col("ending") == ending).select("hours", "incidence", "lower", "upper")
        rows.append({"ending": name, "hours": group.from_hours, "incidence": 0.0, "lower": 0.0, "upper": 0.0})
        rows += [{"ending": name, **row} for row in thinned(curve, "incidence", most).to_dicts()]
    return rows


def _one(
    group: IncidenceGroup,
    finding: IncidenceFinding,
    words: Words,
    colour: alt.Color,
    plot: int,
    top: float,
    ages: tuple[float, ...],
) -> alt.VConcatChart:
    rows = curve_rows(group, words)
    ends = {row["ending"]: {**row, "hours": group.last_hours} for row in rows}
    base = Plot(inline([*rows, *ends.values()]))
    x = alt.X(
        "hours:Q",
        scale=dict(domain=[0, top], nice=False),
        axis=dict(title="age, running hours", format=",.0f", grid=False, values=list(ages)),
    )
    scale, axis = (
        dict(domain=[0, 1]),
        dict(title="ended so far", format=".0%", values=[0, 0.25, 0.5, 0.75, 1]),
    )
    layers: Sequence[Any] = [
        base.mark_area(interpolate="step-after", opacity=BAND_OPACITY).encode(
            x=x, y=alt.Y("lower:Q", scale=scale, axis=axis), y2=alt.Y2("upper:Q"), color=colour
        ),
        base.mark_line(interpolate="step-after").encode(
            x=x,
            y=alt.Y("incidence:Q", scale=scale, axis=axis),
            color=colour,
            tooltip=tips("ending:N", "hours:Q||,.1f", "incidence:Q|ended so|.1%"),
        ),
    ]
    seen = [{"hours": age, "foot": 0.0, "top": _MARK} for age in apart(group.left_running, top)]
    marks = Plot(inline(seen)).mark_rule(color=MUTED, opacity=0.7)
    layers = [*layers, marks.encode(x=x, y=alt.Y("foot:Q", scale=scale, axis=axis), y2=alt.Y2("top:Q"))]
    title: Any = alt.Undefined
    if finding.by:
        title = panel_title(capital(_name(group, words)), plural(group.spells, "life", "lives"))
    panel = alt.layer(*layers, width=plot, height=min(240, round(plot * 0.7)), title=title)
    return alt.vconcat(panel, _watched(group, plot, top, ages), spacing=6)


def _watched(group: IncidenceGroup, plot: int, top: float, ages: tuple[float, ...]) -> alt.Chart:
    """A line of numbers: how many parts were still watched at each age."""
    rows = [{"hours": age, "watched": count} for age, count in group.at_risk_at if age in ages]
    line: alt.Chart = (
        Plot(inline(rows))
        .mark_text(fontSize=11.5, color=INK)
        .encode(
            x=alt.X("hours:Q", scale=dict(domain=[0, top], nice=False), axis=None),
            text=alt.Text("watched:Q", format=",.0f"),
        )
        .properties(width=plot, height=16)
    )
    return line
