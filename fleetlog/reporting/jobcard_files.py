"""Job cards as files: pages, paper, or the workbook whose fields load back."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Any

from fleetlog.errors import UsageError
from fleetlog.phrasing import capital, plural, said
from fleetlog.reporting.files import write_bytes, write_text
from fleetlog.reporting.jobcard import JobCard
from fleetlog.session.fleet import Fleet
from fleetlog.store.dictionary import FINDINGS

ENDINGS = (".html", ".pdf", ".xlsx")


def check_ending(path: Path) -> None:
    """Refuses a file whose ending names none of the forms of a card.

    Raises:
        UsageError: naming what is allowed.
    """
    if path.suffix.lower() not in ENDINGS:
        raise UsageError(
            f"{path.name} must end in .html (page), .pdf (paper) or .xlsx (workbook to fill in and load)."
        )


def write_job_cards(fleet: Fleet, cards: tuple[JobCard, ...], path: Path, *, clock: datetime) -> Path:
    """Writes cards into one file, in the form that its ending names.

    Args:
        cards: at least one.
        clock: the time to print as the time of making, in the fleet's zone.

    Raises:
        UsageError: for another ending, or where the file cannot be written.
    """
    check_ending(path)
    ending = path.suffix.lower()
    if ending == ".xlsx":
        from fleetlog.reporting.jobcard_book import job_card_book

        return write_bytes(path, job_card_book(fleet, cards))
    from fleetlog.reporting.pages import render

    context = _context(fleet, cards)
    page = render("jobcard.html.j2", context, clock)
    if ending == ".html":
        return write_text(path, page)
    from fleetlog.reporting.pdf.tree import tree_of
    from fleetlog.reporting.pdf.typeset import PAPERS, typeset

    report = {
        "title": f"{context['title']}: {context['fault_title']}",
        "running": f"{context['fleet']}, {context['title'].lower()}",
        "author": "fleetlog",
        "keywords": [context["fleet"], context["fault_title"]],
        "paper": PAPERS[fleet.settings.fleet.paper],
        "body": tree_of(page),
        "pictures": {},
    }
    return write_bytes(path, typeset(report, {}, clock))


def _context(fleet: Fleet, cards: tuple[JobCard, ...]) -> dict[str, Any]:
    first = cards[0]
    many = f"{plural(len(cards), 'job card')}, {first.as_of.isoformat()}"
    return {
        "root": "",
        "title": f"Job card, {first.machine_id}" if len(cards) == 1 else capital(many),
        "fleet": fleet.settings.fleet.name or "The fleet",
        "fault_title": first.fault_title,
        "cautions_title": first.cautions_title,
        "cards": cards,
        "findings": [said(one) for one in FINDINGS],
        "readings": lambda card: [[capital(side), "", ""] for side in card.sides or ("machine",)],
        "work_rows": _work_rows,
        "release_rows": lambda card: [[text, "", ""] for text in card.safety.release.values()],
    }


def _work_rows(card: JobCard) -> list[list[str]]:
    """A row for each step that a work line can tell, and two for what comes besides."""
    rows = [[f"{one.title} ({one.side})" if one.side else one.title, *[""] * 5] for one in card.work]
    return [*rows, *[[""] * 6] * 2]
