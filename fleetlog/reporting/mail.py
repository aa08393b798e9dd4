"""The month as plain text for the body of a mail: the sheet's figures, in lines that any program shows."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping
from typing import Any

from fleetlog.phrasing import money, number, printable
from fleetlog.reporting.sheet import sheet_page
from fleetlog.reporting.sheet_findings import SheetFindings

_WIDTH = 76
"""Letters of a line: mails are quoted, and 78 is the most that RFC 5322 recommends."""


def mail_of(sheet: SheetFindings) -> str:
    """The text of a month's sheet."""
    return mail_text(sheet, sheet_page(sheet, annex=False))


def mail_text(sheet: SheetFindings, context: Mapping[str, Any]) -> str:
    """The text, the same for the same month.

    Args:
        context: as `sheet_page` gives it.
    """
    lines: list[str] = []
    for text, indent in _lines(sheet, context):
        first = "  " * max(indent - 1, 0) + ("- " if indent else "")
        rest = " " * len(first)
        plain = " ".join(printable(text.replace("\u00a0", " ")).split())
        lines += textwrap.wrap(
            plain, _WIDTH, initial_indent=first, subsequent_indent=rest, break_on_hyphens=False
        ) or [""]
    return "\n".join(lines) + "\n"


def _lines(sheet: SheetFindings, context: Mapping[str, Any]) -> Iterator[tuple[str, int]]:
    """Texts with their indent: 0 a paragraph, 1 an item."""
    safety = sheet.suspects.safety
    yield f"{sheet.fleet}, {context['month']}: {sheet.fault_title}", 0
    yield "", 0
    yield f"{context['headline']}.", 0
    yield f"{safety.records_sentence} {' '.join(context['lacking'])}", 0
    if safety.holds:
        yield "", 0
        yield f"HOLD: {safety.instruction} {safety.danger}", 0
        yard = "Not on rent, keep in" if context["rentals"] else "Keep in, or call back"
        for title, places in (("On rent, call back", context["out"]), (yard, context["yard"])):
            if places:
                shown = places[: context["most_holds"]]
                names = "; ".join(f"{name} ({where})" if where else name for name, where in shown)
                more = f"; and {len(places) - len(shown)} more" if len(places) > len(shown) else ""
                yield f"{title}: {names}{more}.", 1
    yield "", 0
    yield "What needs doing:" if context["jobs"] else "Nothing on record needs work.", 0
    for job in context["jobs"]:
        names = "; ".join(f"{name} ({where})" for name, where in job.machines)
        why = f", {job.why}" if job.why else ""
        yield (
            f"{job.title}{why}, {number(job.hours)} h: {names}{f'; and {job.more} more' if job.more else ''}.",
            1,
        )
    if context["more_jobs"] > 0:
        yield f"and {context['more_jobs']} further kinds of work.", 1
    if context["parts"]:
        yield "", 0
        yield "Parts to order:", 0
        yield from (
            (f"{part}: {count}, the first by {by}, {cost} in all", 1)
            for part, count, by, cost in context["parts"]
        )
    yield "", 0
    yield "Since last month:" if context["changes"] else "Since last month no case came, went or turned.", 0
    yield from ((f"{count} {kind}: {names}", 1) for kind, count, names in context["changes"])
    yield "", 0
    yield "Money:" if context["spend"] else "No money spent on this fault is on record for twelve months.", 0
    yield from ((f"{label}: {amount}", 1) for label, amount in context["spend"])
    if context["asks"]:
        yield "", 0
        yield "Whom to ask what:", 0
        for name, site, ask, saving in context["asks"]:
            yield (
                f"{site or 'Site not known'}, about {name}: {ask} Worth about {money(saving, sheet.currency)}.",
                1,
            )
    yield "", 0
    yield (
        "Before any work the maker's service manual, local rules and licensed practice come first. This says where to "
        "look first; it does not say that a machine is fit for work.",
        0,
    )
