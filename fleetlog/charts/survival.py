"""Survival by age: step curves with their intervals, and the numbers at risk beneath them."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Mapping, Sequence
from typing import Any

import altair as alt
import polars as pl

from fleetlog.charts.rows import MAX_ROWS, Plot, apart, at_x, inline, message, p_text, thinned, tips
from fleetlog.charts.theme import (
    BAND_OPACITY,
    INK,
    MUTED,
    NEUTRAL,
    Drawing,
    chart,
    colour_of,
    panel_title,
)
from fleetlog.lives.survival import SurvivalFinding, SurvivalGroup
from fleetlog.phrasing import (
    NO_WORDS,
    Words,
    capital,
    counted,
    group_name,
    group_names,
    hours,
    listed,
    percent,
    plural,
    plural_part,
    said,
)

_OVERLAID = 5
_HEIGHT = 300
#: Half the height of a mark for a part last seen running, of 1.
_MARK = 0.013
#: Failures, each by its chance, below which nothing can be seen in a curve.
_UNSEEN = 0.1
#: Failures so far, each by its chance, from which an interval is shaded: one that rests on less than half a failure
#: reaches from none to all, and shading it would hide the rest.
_BANDED = 0.5


# --- words


def enough_failures(finding: SurvivalFinding) -> list[SurvivalGroup]:
    """The groups whose failures say something of their lives, by the settings in force."""
    return [group for group in finding.groups if group.failures >= finding.minimum_failures]


def survival_title(finding: SurvivalFinding, words: Words = NO_WORDS) -> str:
    """What the curves say, in one sentence."""
    parts = capital(plural_part(finding.component))
    spells = sum(group.spells for group in finding.groups)
    failures = round(sum(group.failures for group in finding.groups))
    telling = enough_failures(finding)
    if not telling:
        return (
            f"{parts}: too few failures to say how long they last "
            f"({plural(failures, 'failure')} in {plural(spells, 'life', 'lives')})"
        )
    if not finding.by:
        return f"{parts}: {_lasting(finding, telling[0])}"
    if len(telling) <= 3:
        summary = [f"{group_name(group.group, words)}: {_lasting(finding, group)}" for group in telling]
        quiet = [group for group in finding.groups if group not in telling]
        if quiet:
            named = listed([group_name(group.group, words) for group in quiet])
            summary.append(
                f"too few failures to say for {named}" if len(quiet) <= 2 else "too few for the rest"
            )
        return f"{parts}, {'; '.join(summary)}"
    reached = sorted(
        (
            (group.median_hours, group)
            for group in telling
            if group.median_hours is not None and _well_watched(finding, group)
        ),
        key=lambda pair: pair[0],
    )
    by = listed([said(column, words) for column in finding.by])
    if len(reached) < 2:
        return f"{parts} by {by}: in most groups more than half outlast the record"
    (soonest, first), (latest, last) = reached[0], reached[-1]
    return f"{parts} by {by}: half fail by {hours(soonest)} ({first.label}) to {hours(latest)} ({last.label})"


def _lasting(finding: SurvivalFinding, group: SurvivalGroup) -> str:
    """How long one group's parts last, conditional start said."""
    whose = f"of those that reached {hours(group.from_hours)}, " if group.from_hours > 0 else ""
    if group.median_hours is not None:
        doubt = "" if _well_watched(finding, group) else ", though few were watched that long"
        return f"{whose}half fail by {hours(group.median_hours)}{doubt}"
    step = 100 if group.last_hours >= 100 else 1
    seen_to = math.floor(group.last_hours / step) * step
    lasting = float(group.curve["survival"][-1]) if group.curve.height else 1.0
    return f"{whose}{percent(lasting)} last {seen_to:,} h, as far as the record reaches"


def _well_watched(finding: SurvivalFinding, group: SurvivalGroup) -> bool:
    """Whether enough parts were still watched at the age by which half had failed."""
    reached = group.curve.filter(group.curve["hours"] <= (group.median_hours or 0.0))
    return reached.height > 0 and int(reached["at_risk"][-1]) >= finding.minimum_at_risk


@chart(survival_title)
def survival_chart(finding: SurvivalFinding, width: int, words: Words) -> Drawing:
    """Survival curves, one colour a group; with more than five groups one small picture each.

    A group of fewer failures than the settings ask for is drawn dashed and called too few to say; dashed too
    is what rests on fewer parts than they ask for, or follows the last failure. A small picture of a group without
    a failure would show a line along its top: the notes name such groups in its place.
    """
    seen = [group for group in finding.groups if group.spells > 0]
    if not seen:
        return message("No lives of this part on record.", width), finding.notes
    notes = [*survival_notes(finding, words), *finding.notes]
    if all(group.failures < _UNSEEN and not group.in_doubt for group in seen):
        return message("No failure of this part on record.", width), [*finding.notes]
    if len(seen) > _OVERLAID:
        folded = without_picture(finding)
        drawn = [group for group in seen if group not in folded]
        return _small_multiples(finding, drawn, width, words), notes
    return _overlaid(finding, seen, width, words), notes


def survival_notes(finding: SurvivalFinding, words: Words = NO_WORDS) -> list[str]:
    """What a reader must know to read the curves."""
    notes = []
    late = [group for group in finding.groups if group.from_hours > 0]
    if late:
        starts = list(dict.fromkeys(hours(group.from_hours) for group in late))
        named = [f"{hours(group.from_hours)} ({group_name(group.group, words)})" for group in late[:4]]
        ages = starts[0] if len(starts) == 1 else listed(named + ["…"] * (len(late) > 4))
        notes.append(
            f"Curves start at {ages} and hold for parts that reached that age: "
            "too few were watched before it."
        )
    folded = without_picture(finding)
    if folded:
        lives = plural(sum(group.spells for group in folded), "life", "lives")
        quiet = group_names([group.group for group in folded], words)
        notes.append(f"No failure in {quiet} ({lives}): not drawn.")
    few = [
        group
        for group in finding.groups
        if 0 < group.failures < finding.minimum_failures and group not in folded
    ]
    if few and len(finding.groups) > 1:
        few_each = listed(
            [f"{group_name(group.group, words)}: {counted(group.failures)}" for group in few[:6]]
        )
        notes.append(f"Dashed where there are too few failures to say ({few_each}).")
    marked = "" if len(finding.groups) > _OVERLAID else " Short upright marks: parts last seen running."
    notes.append(
        f"Shading: 95% interval. Dashed: fewer than {finding.minimum_at_risk} parts still watched, "
        f"or no failure seen any more.{marked}"
    )
    in_doubt = sum(group.in_doubt for group in finding.groups)
    if in_doubt:
        verb = "counts by its" if in_doubt == 1 else "count by their"
        notes.append(
            f"{plural(in_doubt, 'ending')} in doubt {verb} chance; dotted: if all of them had been failures of this "
            "part, or none."
        )
    if finding.log_rank and finding.log_rank.get("p") is not None:
        p = float(finding.log_rank.get("p_by_machine", finding.log_rank["p"]))
        size = p_text(p) if p < 0.1 else f"p = {p:.2f}"
        notes.append(
            f"Chance alone would hardly make the curves differ so much (log-rank test, {size})."
            if p < 0.05
            else f"The curves differ no more than chance could make them (log-rank test, {size})."
        )
    return notes


def without_picture(finding: SurvivalFinding) -> list[SurvivalGroup]:
    """The groups that get no small picture, since none of their parts failed and none may have."""
    seen = [group for group in finding.groups if group.spells > 0]
    if len(seen) <= _OVERLAID:
        return []
    return [group for group in seen if group.failures < _UNSEEN and not group.in_doubt]


# --- rows

_HEIGHTS = ("survival", "lower", "upper", "survival_worst", "survival_best")


def curve_rows(
    finding: SurvivalFinding, group: SurvivalGroup, name: str, most: int = MAX_ROWS
) -> list[dict[str, Any]]:
    """One curve as drawn: its start at 1, the table's rows as they stand, its end at the last age watched.

    `drawn` is "solid", or "dashed" where few parts or failures carry the curve.
    """
    known = group.curve.select(
        "hours", "at_risk", "failed", *_HEIGHTS, banded=pl.col("failed").cum_sum() >= _BANDED
    )
    rows = thinned(known, "survival", most).to_dicts()
    sure = dict.fromkeys(_HEIGHTS, 1.0)
    drawn = [{"hours": group.from_hours, "at_risk": None, "failed": 0, **sure, "banded": True}, *rows]
    last = drawn[-1]
    if group.last_hours > last["hours"]:
        drawn.append({**last, "hours": group.last_hours, "failed": 0, "at_risk": None})
    thin = group.failures < finding.minimum_failures
    last_failure = rows[-1]["hours"] if rows else -1.0
    marked = []
    for row in drawn:
        thin = thin or (row["at_risk"] is not None and row["at_risk"] < finding.minimum_at_risk)
        tail = row["hours"] > last_failure
        drawn_as = "dashed" if thin or tail else "solid"
        marked.append({"group": name, **row, "drawn": drawn_as, "in_doubt": group.in_doubt > 0})
    return marked


def _pieces(rows: Sequence[Mapping[str, Any]]) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """The solid and the dashed piece of one curve; the dashed one begins where the solid one ends."""
    solid = [dict(row) for row in rows if row["drawn"] == "solid"]
    dashed = [dict(row) for row in rows if row["drawn"] == "dashed"]
    if solid and dashed:
        dashed.insert(0, solid[-1])
    return solid, dashed


def running_marks(
    group: SurvivalGroup, curve: Sequence[Mapping[str, Any]], top: float
) -> list[dict[str, Any]]:
    """A short upright mark on the curve where parts were last seen running, as many as can be told apart."""
    known = [row["hours"] for row in curve]
    marks = []
    for age in apart([age for age in group.left_running if age >= group.from_hours], top):
        height = curve[bisect_right(known, age) - 1]["survival"]
        ends = {"foot": max(height - _MARK, 0.0), "top": min(height + _MARK, 1.0)}
        marks.append({"group": curve[0]["group"], "hours": age, **ends})
    return marks


# --- marks


def _axis_x(finding: SurvivalFinding, top: float, values: Sequence[float] | None, title: str) -> alt.X:
    axis = dict(format=",.0f", title=title, grid=False, values=list(values) if values else alt.Undefined)
    return alt.X("hours:Q", scale=dict(domain=[0, top], nice=False), axis=axis)


def _curves(
    rows: Sequence[Sequence[Mapping[str, Any]]],
    x: alt.X,
    colour: alt.Color,
    *,
    y_title: str | None,
) -> list[alt.Chart]:
    y_axis = dict(format=".0%", title=y_title, values=[0, 0.25, 0.5, 0.75, 1])
    y = alt.Y("survival:Q", scale=dict(domain=[0, 1]), axis=y_axis)
    everything = [dict(row) for curve in rows for row in curve]
    solid = [row for curve in rows for row in _pieces(curve)[0]]
    dashed = [row for curve in rows for row in _pieces(curve)[1]]
    tooltip = tips(
        "group:N|group",
        "hours:Q|age, running hours|,.1f",
        "survival:Q|still working|.1%",
        "lower:Q|from|.1%",
        "upper:Q|to|.1%",
        "at_risk:Q|watched|,.0f",
        "failed:Q|failed here|,.0f",
    )
    layers = [
        Plot(inline([row for row in everything if row["banded"]]))
        .mark_area(interpolate="step-after", opacity=BAND_OPACITY, line=False)
        .encode(
            x=x,
            y=alt.Y("lower:Q", axis=y_axis, scale=dict(domain=[0, 1])),
            y2=alt.Y2("upper:Q"),
            color=colour,
        )
    ]
    doubtful = [row for row in everything if row.get("in_doubt")]
    if doubtful:
        layers += [
            Plot(inline(doubtful))
            .mark_line(interpolate="step-after", strokeWidth=1.2, strokeDash=[1, 3], strokeCap="round")
            .encode(x=x, y=alt.Y(f"{bound}:Q", axis=y_axis, scale=dict(domain=[0, 1])), color=colour)
            for bound in ("survival_worst", "survival_best")
        ]
    for piece, dash in ((solid, None), (dashed, [5, 4])):
        if piece:
            mark: dict[str, Any] = {"interpolate": "step-after", "strokeWidth": 2.2 if dash is None else 1.7}
            if dash:
                mark["strokeDash"] = dash
            layers.append(
                Plot(inline(piece)).mark_line(**mark).encode(x=x, y=y, color=colour, tooltip=tooltip)
            )
    return layers


def _overlaid(
    finding: SurvivalFinding, groups: Sequence[SurvivalGroup], width: int, words: Words
) -> alt.VConcatChart:
    names = [group_name(group.group, words) for group in groups]
    short = [group.label for group in groups]
    split = bool(finding.by)
    room = (max(len(name) for name in short) * 8 + 11) if split else 18
    plot = width - 66 - min(room, 130)
    top = max(group.last_hours for group in groups) or 1.0
    ages = _shown_ages(groups, plot)
    x = _axis_x(finding, top, ages, f"age of the {said(finding.component)}, running hours")
    hues = colour_of(names)
    colour = alt.Color("group:N", scale=dict(domain=names, range=[hues[name] for name in names]), legend=None)
    most = MAX_ROWS // len(groups) - 2
    rows = [curve_rows(finding, group, name, most) for group, name in zip(groups, names, strict=True)]
    layers: list[Any] = list(_curves(rows, x, colour, y_title="still working"))
    seen = [
        row for group, curve in zip(groups, rows, strict=True) for row in running_marks(group, curve, top)
    ]
    layers.append(
        Plot(inline(seen))
        .mark_rule(strokeWidth=1.2)
        .encode(x=x, y=alt.Y("foot:Q"), y2=alt.Y2("top:Q"), color=colour)
    )
    if split:
        layers.append(_end_labels(rows, short, x, colour))
    picture = alt.layer(*layers, width=plot, height=_HEIGHT)
    beneath = _numbers_at_risk(groups, names, ages, top, plot, colour, split)
    return alt.vconcat(picture, *([beneath] if beneath is not None else []), spacing=10)


def _end_labels(
    rows: Sequence[Sequence[Mapping[str, Any]]], short: Sequence[str], x: alt.X, colour: alt.Color
) -> alt.Chart:
    """Each group's name at the end of its curve, kept apart."""
    ends = sorted(
        ({**curve[-1], "name": name} for curve, name in zip(rows, short, strict=True)),
        key=lambda row: (-row["survival"], row["group"]),
    )
    apart, above = 17 / _HEIGHT, 1.0 + 17 / _HEIGHT
    placed = []
    for row in ends:
        above = min(row["survival"], above - apart)
        placed.append({"group": row["group"], "name": row["name"], "hours": row["hours"], "place": above})
    sunk = min(0.0, placed[-1]["place"] - 0.02)
    for row in placed:
        row["place"] -= sunk
    labels: alt.Chart = (
        Plot(inline(placed))
        .mark_text(align="left", dx=6, fontWeight="bold", fontSize=12.5, limit=130)
        .encode(x=x, y=alt.Y("place:Q"), text=alt.Text("name:N"), color=colour)
    )
    return labels


def _shown_ages(groups: Sequence[SurvivalGroup], plot: int) -> list[float]:
    """The ages of the numbers-at-risk table, as many as fit side by side."""
    ages = sorted({age for group in groups for age, _ in group.at_risk_at})
    every = 1
    while ages and len(ages[::every]) * 44 > plot:
        every += 1
    return ages[::every]


def _numbers_at_risk(
    groups: Sequence[SurvivalGroup],
    names: Sequence[str],
    ages: Sequence[float],
    top: float,
    plot: int,
    colour: alt.Color,
    split: bool,
) -> alt.LayerChart | None:
    """How many parts were still watched at each age: a line with the group's name, a line of numbers."""
    if not ages:
        return None
    numbers, titles = [], []
    line = 17
    for place, (group, name) in enumerate(zip(groups, names, strict=True)):
        at = dict(group.at_risk_at)
        titles.append({"group": name, "row": 2 * place * line, "text": capital(name)})
        numbers += [
            {"group": name, "row": (2 * place + 1) * line if split else 4, "hours": age, "at_risk": at[age]}
            for age in ages
            if age in at
        ]
    height = 2 * len(groups) * line if split else line
    x = alt.X("hours:Q", scale=dict(domain=[0, top], nice=False), axis=None)
    y = alt.Y("row:Q", scale=dict(domain=[0, height], range=[0, height]), axis=None)
    heading = (
        Plot(inline([{"row": 0, "text": "Parts still watched at that age"}]))
        .mark_text(align="left", color=MUTED, fontSize=12, dy=-17)
        .encode(x=at_x(0), y=y, text=alt.Text("text:N"))
    )
    layers: list[alt.Chart] = [heading]
    if split:
        layers.append(
            Plot(inline(titles))
            .mark_text(align="left", fontSize=12, fontWeight="bold", limit=plot)
            .encode(x=at_x(0), y=y, text=alt.Text("text:N"), color=colour)
        )
    layers.append(
        Plot(inline(numbers))
        .mark_text(align="center", fontSize=12, color=INK)
        .encode(x=x, y=y, text=alt.Text("at_risk:Q", format=",.0f"))
    )
    beneath: alt.LayerChart = alt.layer(*layers).properties(width=plot, height=height)  # type: ignore[assignment]
    return beneath


def _ticks(top: float, most: int) -> list[float]:
    """Round ages from 0 to `top`, at most `most` steps of them."""
    power = 10 ** math.floor(math.log10(top))
    steps = (size * factor for factor in (power / 10, power) for size in (1, 2, 5))
    step = next((step for step in steps if top / step < most + 1), power * 10)
    return [place * step for place in range(int(top / step) + 1)]


def _small_multiples(
    finding: SurvivalFinding, groups: Sequence[SurvivalGroup], width: int, words: Words
) -> alt.ConcatChart:
    """One small picture a group, all curves grey behind it, so that twelve build years stay readable."""
    columns = min(4 if width > 800 else 3 if width > 560 else 2, len(groups))
    plot = (width - 20 - 18 * (columns - 1)) // columns - 46
    top = max(group.last_hours for group in groups) or 1.0
    most = max(20, MAX_ROWS // (len(groups) * len(groups)) - 2)
    names = [group_name(group.group, words) for group in groups]
    rows = [curve_rows(finding, group, name, most) for group, name in zip(groups, names, strict=True)]
    behind = [
        {"group": row["group"], "hours": row["hours"], "survival": row["survival"]}
        for group, curve in zip(groups, rows, strict=True)
        if group.failures >= finding.minimum_failures
        for row in thinned(pl.DataFrame(curve), "survival", 60, 1 / 50).to_dicts()
    ]
    x = alt.X(
        "hours:Q",
        scale=dict(domain=[0, top], nice=False),
        axis=dict(format=",.0f", title=None, grid=False, values=_ticks(top, max(2, min(plot // 55, 6)))),
    )
    hue = colour_of(["it"])["it"]
    pictures = []
    for group, name, curve in zip(groups, names, rows, strict=True):
        colour = alt.Color("group:N", scale=dict(domain=[name], range=[hue]), legend=None)
        layers: list[Any] = []
        if behind:
            layers.append(
                Plot(inline(behind))
                .mark_line(interpolate="step-after", strokeWidth=1, opacity=0.45, color=NEUTRAL)
                .encode(x=x, y=alt.Y("survival:Q"), detail=alt.Detail("group:N"))
            )
        layers += _curves([curve], x, colour, y_title=None)
        enough = group.failures >= finding.minimum_failures
        summary = (
            f"{counted(group.failures)} of {group.spells:,}{' failed' if enough else ': too few to say'}"
        )
        pictures.append(
            alt.layer(
                *layers,
                width=plot,
                height=min(round(plot * 0.62), _HEIGHT),
                title=panel_title(capital(name), summary),
                resolve=alt.Resolve(scale={"color": "independent"}),
            )
        )
    return alt.concat(*pictures, columns=columns, spacing=18)
