"""The month on two pages, for whoever decides: what stands, what to do, what it cost. Its words know no statistics."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import polars as pl
from markupsafe import Markup, escape

from fleetlog.charts.fonts import FONT
from fleetlog.phrasing import capital, listed, money, number, plural, plural_part, repair_name, said
from fleetlog.planning.open_work import OPEN
from fleetlog.reporting.sheet_findings import SheetFindings

#: Steps on the sheet, machines behind each, holds and questions: what fits two pages.
_STEPS, _MACHINES, _HOLDS, _ASKS, _SITES = 8, 10, 24, 8, 12
#: What is to be loaded where a table has no row, and what it then tells.
_LACKING = (
    (("meter_readings",), "meter_readings", "how old parts are and which are due"),
    (("fault_codes", "work_orders"), "fault_codes or work_orders", "which machines report the fault"),
    (("work_lines",), "work_orders and work_lines", "what was done, whether it held and what it cost"),
    (("rentals",), "rentals", "which machines are out, since when and when they come back"),
)


@dataclass(frozen=True)
class SheetJob:
    """One kind of work, and the machines that need it."""

    title: str
    why: str
    hours: float
    machines: tuple[tuple[str, str], ...]
    more: int


def sheet_page(sheet: SheetFindings, *, annex: bool) -> dict[str, Any]:
    """The context of sheet.html.j2.

    Args:
        annex: whether the report lies beside it.
    """
    open_cases = [case for case in sheet.suspects.cases if case.state == "open"]
    holds = sheet.suspects.safety.holds
    jobs = list(_jobs(sheet))
    late = sheet.plan.left_out
    asks = sheet.suspects.asks
    return {
        "root": "",
        "s": sheet,
        "annex": annex,
        "title": f"{sheet.fleet}, {sheet.month:%B %Y}, in two pages",
        "month": f"{sheet.month:%B %Y}",
        "headline": _headline(len(holds), len(open_cases)),
        "out": [_place(one.machine_id, one.sides, one.site) for one in holds if one.rental],
        "yard": [_place(one.machine_id, one.sides, one.site) for one in holds if not one.rental],
        "rentals": bool(sheet.loaded.get("rentals")),
        "most_holds": _HOLDS,
        "jobs": jobs[:_STEPS],
        "more_jobs": len(jobs) - _STEPS,
        "late": late.height,
        "changes": _changed(sheet),
        "spend": _money(sheet),
        "sound": _sound(sheet),
        "paid": sheet.money.notes[1] if sheet.plan.cost_ahead > 0 else "",
        "parts": _parts(sheet),
        "year": year_picture(sheet),
        "year_alt": year_in_words(sheet),
        "has_year": bool(sheet.months["cost"].sum()),
        "sites": sheet.sites.head(_SITES).to_dicts() if sheet.sites.height > 1 else [],
        "more_sites": max(sheet.sites.height - _SITES, 0),
        "asks": [
            (
                f"{row['machine_id']} {row['side']}".strip(),
                _site_of(sheet, row["machine_id"]),
                row["ask"],
                row["saving"],
            )
            for row in asks.head(_ASKS).iter_rows(named=True)
        ],
        "more_asks": max(asks.height - _ASKS, 0),
        "lacking": lacking(sheet),
    }


def lacking(sheet: SheetFindings) -> list[str]:
    """A sentence for each table without a row: what to load, and what it then tells."""
    return [
        f"Load {name} to know {tells}."
        for tables, name, tells in _LACKING
        if not any(sheet.loaded.get(table) for table in tables)
    ]


def _headline(holds: int, cases: int) -> str:
    if not holds and not cases:
        return "No machine on hold and no open case on record"
    held = f"{plural(holds, 'machine')} on hold"
    return capital(f"{held}, {plural(cases, 'open case')}")


def _place(machine: str, sides: Sequence[str], site: str) -> tuple[str, str]:
    named = " and ".join(side for side in sides if side)
    return machine, ", ".join(text for text in (named, site) if text)


# ---------------------------------------------------------------------------------------------- what to do


def _jobs(sheet: SheetFindings) -> Iterator[SheetJob]:
    """The work of the plan by what is done, open cases first; each machine with its place and week."""
    groups: dict[tuple[str, str], list[dict[str, Any]]] = {}
    for row in sheet.plan.frame.iter_rows(named=True):
        groups.setdefault((_step(row, sheet.words), row["reason"]), []).append(row)
    for (title, reason), rows in groups.items():
        visits: dict[tuple[str, str], list[str]] = {}
        for row in rows:
            visits.setdefault((row["machine_id"], where(row)), []).append(row["side"] or "")
        places = [_place(machine, sides, at) for (machine, at), sides in visits.items()]
        yield SheetJob(
            title=title,
            why="" if reason == OPEN else reason,
            hours=sum(row["labour_hours"] for row in rows),
            machines=tuple(places[:_MACHINES]),
            more=max(len(places) - _MACHINES, 0),
        )


def _step(row: Mapping[str, Any], words: Mapping[str, str]) -> str:
    """What is done, without what to look for: that differs from machine to machine."""
    action, _, part = str(row["action"]).partition(" ")
    if part and part == row["component"]:
        return capital(repair_name(action, part, words))
    return str(row["action"]).split(". Look for:")[0]


def where(row: Mapping[str, Any]) -> str:
    """Where a planned machine is, and in which week it is due."""
    site = row["site"] or "site not known"
    out = ""
    if row["on_rent_since"]:
        about = "" if row["due_back_is"] == "booked" else "about "
        out = (
            f", on rent to {about}{row['due_back'].day} {row['due_back']:%b}"
            if row["due_back"]
            else ", on rent"
        )
    return f"{site}{out}, {str(row['week']).rpartition('-')[2]}"


def _site_of(sheet: SheetFindings, machine: str) -> str:
    return next((case.site for case in sheet.suspects.cases if case.machine_id == machine), "")


def _changed(sheet: SheetFindings) -> list[tuple[str, int, str]]:
    """Kind of change, how many, and which machines."""
    groups: dict[str, list[str]] = {}
    for one in sheet.changes:
        groups.setdefault(one.kind, []).append(f"{one.case.machine_id} {one.case.side}".strip())
    return [
        (
            kind if len(names) == 1 or kind != "new case" else "new cases",
            len(names),
            listed(
                [*names[:_MACHINES], *([f"{len(names) - _MACHINES} more"] if len(names) > _MACHINES else [])]
            ),
        )
        for kind, names in groups.items()
    ]


# ---------------------------------------------------------------------------------------------- money


def _money(sheet: SheetFindings) -> list[tuple[str, str]]:
    """What it cost and what it saves, a label and an amount each."""
    currency = sheet.currency
    plan, spent, months = sheet.plan, sheet.money, sheet.months
    rows = []
    if spent.spent_in_all > 0:
        rows = [
            (f"Spent on this fault in {sheet.month:%B}", money(months["cost"][-1], currency)),
            ("Spent in twelve months", money(spent.spent_in_all, currency)),
            ("of it, on parts that were sound", money(spent.spent_in_vain, currency)),
        ]
    open_cases = [case for case in sheet.suspects.cases if case.state == "open"]
    expected = [case.expected_cost for case in open_cases if case.expected_cost is not None]
    custom = [case.custom_cost for case in open_cases if case.custom_cost is not None]
    if expected:
        rows.append(("Open cases, worked as advised", money(sum(expected), currency)))
        if len(custom) == len(expected):
            rows.append((f"the same by custom ({sheet.texts.custom})", money(sum(custom), currency)))
    if plan.cost_ahead > 0:
        rows.append(("Work ahead of failure costs", money(plan.cost_ahead, currency)))
        rows.append(("and saves against waiting", money(plan.saving, currency)))
        low, high = plan.saving_lower, plan.saving_upper
        rows.append(("of that, in 8 of 10 cases", f"{low:,.0f} to {high:,.0f}"))
    return rows


def _sound(sheet: SheetFindings) -> str:
    """Which parts were replaced although they were sound, as a sentence."""
    sums = (pl.col("in_vain").sum(), pl.col("replaced").sum())
    parts = sheet.money.in_vain.group_by("component", maintain_order=True).agg(*sums).to_dicts()
    told = [
        f"{number(row['in_vain'])} of {number(row['replaced'])} {plural_part(row['component'])}"
        for row in parts
        if row["in_vain"] >= 0.5
    ]
    return f"Of the parts replaced, about {listed(told)} were sound." if told else ""


def _parts(sheet: SheetFindings) -> list[tuple[str, int, date, str]]:
    """Parts to order within the plan: part, how many, by when the first, what all cost."""
    told: dict[str, list[Mapping[str, Any]]] = {}
    for row in sheet.plan.parts.iter_rows(named=True):
        told.setdefault(row["part"], []).append(row)
    return [
        (
            capital(said(part)),
            sum(row["quantity"] for row in rows),
            min(row["order_by"] for row in rows),
            money(sum(row["cost"] for row in rows), sheet.currency),
        )
        for part, rows in told.items()
    ]


# ---------------------------------------------------------------------------------------------- the year

_WIDTH, _HEIGHT, _LEFT, _TOP, _FOOT = 360, 170, 50, 12, 36


def year_picture(sheet: SheetFindings, colours: Mapping[str, str] | None = None) -> Markup:
    """Twelve months of money as columns, the part that went into sound parts set off.

    Args:
        colours: ink, rule, cost and vain; None: those of the page, which change at night.
    """
    own = colours or {
        "ink": "var(--muted)",
        "rule": "var(--rule)",
        "cost": "var(--mark)",
        "vain": "var(--warn)",
    }
    rows = sheet.months.to_dicts()
    step, top = _scale(max(row["cost"] for row in rows))
    height = _HEIGHT - _TOP - _FOOT
    room = (_WIDTH - _LEFT - 4) / len(rows)

    def down(value: float) -> float:
        return round(_TOP + height * (1 - value / top), 1)

    parts = []
    level = 0.0
    while level <= top + 1e-9:
        parts.append(
            f'<line x1="{_LEFT}" x2="{_WIDTH - 4}" y1="{down(level)}" y2="{down(level)}" stroke="{own["rule"]}"/>'
        )
        parts.append(_label(_LEFT - 5, down(level) + 4, f"{level:,.0f}", own["ink"], "end"))
        level += step
    for place, row in enumerate(rows):
        left = round(_LEFT + room * place + room * 0.14, 1)
        wide = round(room * 0.72, 1)
        for key, value in (("cost", row["cost"]), ("vain", row["cost_in_vain"])):
            if value > 0:
                parts.append(
                    f'<rect x="{left}" y="{down(value)}" width="{wide}" height="{round(down(0) - down(value), 1)}" '
                    f'fill="{own[key]}"/>'
                )
        middle = round(left + wide / 2, 1)
        parts.append(_label(middle, _HEIGHT - _FOOT + 14, f"{row['month']:%b}", own["ink"], "middle"))
        if place == 0 or row["month"].month == 1:
            parts.append(_label(middle, _HEIGHT - _FOOT + 28, f"{row['month']:%Y}", own["ink"], "middle"))
    alt = escape(year_in_words(sheet))
    size = f'viewBox="0 0 {_WIDTH} {_HEIGHT}" width="{_WIDTH}" height="{_HEIGHT}" font-family="{FONT}"'
    return Markup(
        f'<svg xmlns="http://www.w3.org/2000/svg" {size} role="img" aria-label="{alt}">{"".join(parts)}</svg>'
    )


def year_in_words(sheet: SheetFindings) -> str:
    """The picture for whoever does not see it: each month's money."""
    told = [f"{row['month']:%B %Y} {money(row['cost'], sheet.currency)}" for row in sheet.months.to_dicts()]
    return f"Spent on this fault month by month: {', '.join(told)}."


def _label(x: float, y: float, text: str, colour: str, anchor: str) -> str:
    return f'<text x="{x}" y="{y}" font-size="12" fill="{colour}" text-anchor="{anchor}">{text}</text>'


def _scale(highest: float) -> tuple[float, float]:
    """Step and top of an axis of round amounts with three to five steps."""
    if highest <= 0:
        return 1.0, 1.0
    power = 1.0
    while power * 10 <= highest:
        power *= 10
    while power > highest:
        power /= 10
    step = next(size * power for size in (0.2, 0.5, 1.0, 2.0, 5.0) if highest / (size * power) <= 5)
    top = step
    while top < highest:
        top += step
    return step, top
