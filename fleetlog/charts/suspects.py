"""Which cause, how sure, and why."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import altair as alt

from fleetlog.causes.case import Suspect
from fleetlog.causes.suspects import SuspectsFinding
from fleetlog.charts.rows import Plot, at_x, inline, message, tips
from fleetlog.charts.theme import (
    ALERT,
    INK,
    MUTED,
    RULE,
    SERIES,
    Drawing,
    chart,
    colour_of,
    lines,
)
from fleetlog.errors import UsageError
from fleetlog.phrasing import NO_WORDS, Words, capital, listed, percent, plural, said

MOST_CASES = 30
#: Width of a letter of a name, which is bold, and of a verdict, in pixels, a little more than most have.
_BOLD, _LETTER = 7.4, 6.4
MOST_REASONS = 12


def case_name(case: Suspect) -> str:
    """The machine and, where known, the side: "SK-104 left"."""
    return f"{case.machine_id} {case.side}".strip()


def cause_order(cases: Sequence[Suspect]) -> list[str]:
    """Every cause named by any case, in the family's order, the unknown one last."""
    order: dict[str, None] = {}
    for case in cases:
        order.update(dict.fromkeys(case.causes))
    return [cause for cause in order if cause != "unknown"] + [c for c in order if c == "unknown"]


def suspects_title(finding: SuspectsFinding, words: Words = NO_WORDS) -> str:
    """How many cases are open and what most of them point to."""
    open_cases = [case for case in finding.cases if case.state == "open"]
    watched = len(finding.cases) - len(open_cases)
    if not finding.cases:
        return "No open case and nothing to watch"
    counted = listed(
        ([plural(len(open_cases), "open case")] if open_cases else [])
        + (
            [f"{watched:,} to watch" if open_cases else f"No open case, {watched:,} to watch"]
            if watched
            else []
        )
    )
    looked_at = open_cases or [case for case in finding.cases if case.faulty]
    if not looked_at:
        return counted
    tally: dict[str, int] = {}
    for case in looked_at:
        tally[case.top_cause] = tally.get(case.top_cause, 0) + 1
    top = max(tally, key=lambda cause: (tally[cause], -cause_order(finding.cases).index(cause)))
    return f"{counted}: {tally[top]} of {len(looked_at)} point to the {said(top, words)}"


@chart(suspects_title)
def suspects_chart(finding: SuspectsFinding, width: int, words: Words) -> Drawing:
    """One bar a case, cut into the probability of each cause; no bar for a side without a fault."""
    if not any(case.faulty for case in finding.cases):
        return message(f"{suspects_title(finding, words)}.", width), ()
    shown = finding.cases[:MOST_CASES]
    causes = cause_order(finding.cases)
    spoken = [said(cause, words) for cause in causes]
    hues = colour_of(causes)
    plot = width - 40
    named = [case_name(case) + ("" if case.state == "open" else " (watch)") for case in shown]
    judged = [
        f"{percent(case.certainty)} {said(case.top_cause, words)}" if case.faulty else "no fault on record"
        for case in shown
    ]
    # Where name and verdict find no room side by side, the verdict gets a line of its own.
    beside = all(
        len(name) * _BOLD + len(verdict) * _LETTER + 12 <= plot
        for name, verdict in zip(named, judged, strict=True)
    )
    line, below = (40, 0) if beside else (56, 16)
    rows: list[dict[str, Any]] = []
    heads: list[dict[str, Any]] = []
    for place, (case, name, verdict) in enumerate(zip(shown, named, judged, strict=True)):
        start = 0.0
        for cause in causes if case.faulty else ():
            share = float(case.causes.get(cause, 0.0))
            rows.append(
                {
                    "case": case_name(case),
                    "state": case.state,
                    "cause": said(cause, words),
                    "probability": share,
                    "start": start,
                    "end": start + share,
                    "top": place * line + 19 + below,
                    "bottom": place * line + 33 + below,
                }
            )
            start += share
        heads.append(
            {
                "case": name,
                "summary": verdict,
                "middle": place * line + 10,
                "verdict": place * line + 10 + below,
            }
        )
    height = max(len(shown), 1) * line
    scale = dict(domain=[0, height], range=[0, height])
    bars = (
        Plot(inline(rows))
        .mark_rect(stroke="#ffffff", strokeWidth=1)
        .encode(
            x=alt.X(
                "start:Q",
                scale=dict(domain=[0, 1]),
                axis=dict(format=".0%", title="how likely each cause is", values=[0, 0.25, 0.5, 0.75, 1]),
            ),
            x2=alt.X2("end:Q"),
            y=alt.Y("top:Q", scale=scale, axis=None),
            y2=alt.Y2("bottom:Q"),
            color=alt.Color(
                "cause:N",
                scale=dict(domain=spoken, range=[hues[cause] for cause in causes]),
                legend=dict(title=None, columns=_legend_columns(spoken, width), symbolType="square"),
            ),
            tooltip=tips("case:N", "cause:N", "probability:Q||.1%"),
        )
    )
    base = Plot(inline(heads))
    y = alt.Y("middle:Q", scale=scale, axis=None)
    names = base.mark_text(align="left", fontWeight="bold", fontSize=12.5, color=INK, limit=plot).encode(
        x=at_x(0), y=y, text=alt.Text("case:N")
    )
    summary = base.mark_text(
        align="right" if beside else "left", fontSize=12.5, color=INK, limit=plot
    ).encode(
        x=at_x(plot if beside else 0),
        y=alt.Y("verdict:Q", scale=scale, axis=None),
        text=alt.Text("summary:N"),
    )
    notes = list(finding.notes)
    if len(finding.cases) > len(shown):
        notes.insert(0, f"The first {len(shown)} of {len(finding.cases):,} cases are drawn.")
    picture = alt.layer(bars, names, summary, width=plot, height=height)
    return picture, notes


def _legend_columns(names: Sequence[str], width: int) -> int:
    """How many names fit side by side (a letter is some 6.5 pixels wide, the square and the gap some 36)."""
    longest = max((len(name) for name in names), default=0)
    return max(1, min(len(names), int(width / (longest * 6.5 + 36))))


def reasons_title(case: Suspect, words: Words = NO_WORDS) -> str:
    """The case, its likeliest cause and what speaks loudest for it."""
    if not case.faulty:
        return (
            f"{case_name(case)}: no fault on record; what would speak for the {said(case.top_cause, words)}"
        )
    summary = f"{case_name(case)}: {said(case.top_cause, words)}, {percent(case.certainty)} sure"
    telling = [reason for reason in case.reasons if reason.weight > 0]
    if not telling:
        return summary
    loudest = max(telling, key=lambda reason: reason.weight)
    return f"{summary}. What tells most: {loudest.evidence}"


def first_case_chart(finding: SuspectsFinding, **how: Any) -> alt.TopLevelMixin:
    """The reasons of the first case, of a finding that was asked about one machine.

    Raises:
        UsageError: it has no case.
    """
    if not finding.cases:
        raise UsageError(f"There is no open or doubtful case here as of {finding.as_of}.")
    return reasons_chart(finding.cases[0], **how)


@chart(reasons_title)
def reasons_chart(case: Suspect, width: int, words: Words) -> Drawing:
    """What speaks for the likeliest cause and what against it: one bar a piece of evidence, in log-odds."""
    ranked = sorted(case.reasons, key=lambda reason: (-abs(reason.weight), reason.evidence))
    shown = ranked[:MOST_REASONS]
    rest = ranked[MOST_REASONS:]
    entries = [(reason.evidence, reason.weight) for reason in shown]
    if rest:
        entries.append((f"{len(rest)} smaller pieces of evidence together", sum(r.weight for r in rest)))
    plot = width - 60
    rows: list[dict[str, Any]] = []
    top = 8
    for evidence, weight in entries:
        summary = lines(capital(evidence), plot, 12.5)
        rows.append(
            {
                "evidence": evidence,
                "text": "\n".join(summary),
                "weight": weight,
                "speaks": f"for the {said(case.top_cause, words)}" if weight >= 0 else "against it",
                "top": top,
                "bar_top": top + 16 * len(summary),
                "bar_bottom": top + 16 * len(summary) + 11,
                "amount": f"{weight:+.1f}".replace("-", "−"),
            }
        )
        top += 16 * len(summary) + 11 + 14
    weights = [row["weight"] for row in rows]
    high, low = max([*weights, 0.0]), min([*weights, 0.0])
    room = 0.14 * (high - low or 1.0)
    reach, floor = high + room, low - room if low < 0 else 0.0
    scale = dict(domain=[0, top], range=[0, top])
    x = alt.X(
        "weight:Q",
        scale=dict(domain=[floor, reach], nice=False),
        axis=dict(
            title="strength of the evidence (natural log of the odds)",
            tickCount=5,
            labelExpr="datum.value == 0 ? '0' : format(datum.value, '+.1f')",
        ),
    )
    base = Plot(inline(rows))
    bars = base.mark_rect().encode(
        x=x,
        x2=alt.X2Datum(0),
        y=alt.Y("bar_top:Q", scale=scale, axis=None),
        y2=alt.Y2("bar_bottom:Q"),
        color=alt.Color(
            "speaks:N",
            scale=dict(
                domain=[f"for the {said(case.top_cause, words)}", "against it"], range=[SERIES[0], ALERT]
            ),
            legend=dict(title=None, symbolType="square"),
        ),
        tooltip=tips("evidence:N", "weight:Q||+.2f"),
    )
    texts = base.mark_text(
        align="left", baseline="top", lineBreak="\n", lineHeight=16, fontSize=12.5, color=INK
    ).encode(x=at_x(0), y=alt.Y("top:Q", scale=scale, axis=None), text=alt.Text("text:N"))
    amounts = (
        base.transform_calculate(middle="(datum.bar_top + datum.bar_bottom) / 2")
        .mark_text(
            fontSize=11.5,
            color=MUTED,
            align=alt.expr("datum.weight < 0 ? 'right' : 'left'"),
            dx=alt.expr("datum.weight < 0 ? -5 : 5"),
        )
        .encode(x=x, y=alt.Y("middle:Q", scale=scale, axis=None), text=alt.Text("amount:N"))
    )
    zero = Plot(inline([{"weight": 0}])).mark_rule(color=RULE).encode(x=x)
    picture = alt.layer(zero, bars, texts, amounts, width=plot, height=top)
    notes = [
        "Bars add up to how sure the answer is. 0.7 doubles the odds, 1.1 triples them, "
        "2.3 makes them ten times as high."
    ]
    return picture, notes
