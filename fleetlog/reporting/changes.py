"""What changed between the suspects of two months."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import polars as pl

from fleetlog.causes.case import Suspect
from fleetlog.causes.suspects import SuspectsFinding
from fleetlog.phrasing import NO_WORDS, percent, said

MUCH = 0.15
KINDS = (
    "new case",
    "now open",
    "now another cause",
    "surer",
    "less sure",
    "no longer open",
    "new on watch",
    "off watch",
)


@dataclass(frozen=True)
class Change:
    """One machine (and side) whose standing differs from a month ago.

    Attributes:
        kind: one of KINDS.
        before, now: its standing then and now in words; "" where it had none.
        case: the case as it stands now, or as it stood.
    """

    kind: str
    before: str
    now: str
    case: Suspect


def changes(
    before: SuspectsFinding, now: SuspectsFinding, words: Mapping[str, str] = NO_WORDS
) -> tuple[Change, ...]:
    """Every change between the two lists, the gravest kind first, then in the order of the lists."""
    earlier = {(case.machine_id, case.side): case for case in before.cases}
    later = {(case.machine_id, case.side): case for case in now.cases}
    pairs = [
        *((earlier.get(key), case) for key, case in later.items()),
        *((case, None) for key, case in earlier.items() if key not in later),
    ]
    every = [
        Change(_kind(then, today), _standing(then, words), _standing(today, words), case)
        for then, today in pairs
        if (case := today or then) is not None
    ]
    return tuple(sorted((one for one in every if one.kind), key=lambda change: KINDS.index(change.kind)))


def _kind(before: Suspect | None, now: Suspect | None) -> str:
    if now is None:
        return "no longer open" if before is not None and before.state == "open" else "off watch"
    if before is None:
        return "new case" if now.state == "open" else "new on watch"
    if before.state != now.state:
        return "now open" if now.state == "open" else "no longer open"
    if not (before.faulty and now.faulty):
        return "new on watch" if now.faulty and not before.faulty else ""
    if before.top_cause != now.top_cause:
        return "now another cause"
    if now.certainty - before.certainty >= MUCH:
        return "surer"
    if before.certainty - now.certainty >= MUCH:
        return "less sure"
    return ""


def _standing(case: Suspect | None, words: Mapping[str, str]) -> str:
    if case is None:
        return ""
    state = "" if case.state == "open" else f"{case.state}: "
    if not case.faulty:
        return f"{state}no fault on record"
    return f"{state}{said(case.top_cause, words)}, {percent(case.certainty)}"


def as_frame(changed: tuple[Change, ...]) -> pl.DataFrame:
    """The changes as a table: machine_id, side, change, before, now."""
    return pl.DataFrame(
        [(one.case.machine_id, one.case.side, one.kind, one.before, one.now) for one in changed],
        schema={name: pl.String for name in ("machine_id", "side", "change", "before", "now")},
        orient="row",
    )
