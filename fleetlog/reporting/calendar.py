"""A plan as a calendar file that any calendar program imports (RFC 5545): an all-day event a visit."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator, Mapping, Sequence
from datetime import date, timedelta
from typing import Any

from fleetlog.phrasing import capital, money, number, repair_name, said
from fleetlog.planning.plan import PlanFinding

#: Octets of a line, its break not counted (RFC 5545, 3.1).
LONGEST = 75
#: A visit is somewhere in its working week: Monday to Friday, as no day of it is settled.
_DAYS = 5
_CONTROL = re.compile("[\x00-\x09\x0b-\x1f\x7f]")


def plan_calendar(plan: PlanFinding) -> str:
    """The visits of a plan as the text of a calendar, the same for the same plan.

    A visit keeps its identifier when the plan moves it to another week, so that importing a later plan moves it in the
    calendar, too.
    """
    stamp = f"{plan.as_of:%Y%m%d}T000000Z"
    lines = [
        "BEGIN:VCALENDAR",
        "VERSION:2.0",
        "PRODID:-//fleetlog//plan//EN",
        "CALSCALE:GREGORIAN",
        f"X-WR-CALNAME:{escaped(f'Workshop plan of {plan.as_of.isoformat()}')}",
    ]
    turns: dict[str, int] = {}
    for visit in _visits(plan):
        machine = str(visit[0]["machine_id"])
        turns[machine] = turn = turns.get(machine, 0) + 1
        monday: date = visit[0]["monday"]
        lines += [
            "BEGIN:VEVENT",
            f"UID:{_identifier(plan.fault, machine, turn)}",
            f"DTSTAMP:{stamp}",
            f"DTSTART;VALUE=DATE:{monday:%Y%m%d}",
            f"DTEND;VALUE=DATE:{monday + timedelta(days=_DAYS):%Y%m%d}",
            f"SUMMARY:{escaped(_summary(machine, visit))}",
            f"DESCRIPTION:{escaped(_description(visit, plan.currency))}",
            *([f"LOCATION:{escaped(visit[0]['site'])}"] if visit[0]["site"] else []),
            "TRANSP:TRANSPARENT",
            "END:VEVENT",
        ]
    lines.append("END:VCALENDAR")
    return "".join(f"{piece}\r\n" for line in lines for piece in folded(line))


def escaped(text: str) -> str:
    """A text as a value of type TEXT (RFC 5545, 3.3.11)."""
    plain = _CONTROL.sub("", text.replace("\r\n", "\n").replace("\r", "\n"))
    return plain.replace("\\", "\\\\").replace(";", "\\;").replace(",", "\\,").replace("\n", "\\n")


def folded(line: str) -> Iterator[str]:
    """The line in pieces of at most `LONGEST` octets, no letter torn apart; all but the first begin with a space."""
    piece, size = "", 0
    for letter in line:
        octets = len(letter.encode("utf-8", "replace"))
        if size + octets > LONGEST:
            yield piece
            piece, size = " ", 1
        piece, size = piece + letter, size + octets
    yield piece


def _visits(plan: PlanFinding) -> list[Sequence[Mapping[str, Any]]]:
    """The rows of each visit, in the order of the plan."""
    visits: dict[tuple[Any, Any], list[Mapping[str, Any]]] = {}
    for row in plan.frame.iter_rows(named=True):
        visits.setdefault((row["monday"], row["machine_id"]), []).append(row)
    return list(visits.values())


def _identifier(fault: str, machine: str, turn: int) -> str:
    mark = hashlib.sha256("\x1f".join((fault, machine, str(turn))).encode("utf-8", "surrogatepass"))
    return f"{mark.hexdigest()[:32]}@plan.fleetlog"


def _summary(machine: str, visit: Sequence[Mapping[str, Any]]) -> str:
    total = sum(row["labour_hours"] for row in visit)
    sides = [row["side"] for row in visit if row["side"]]
    side = f" {' and '.join(dict.fromkeys(sides))}" if sides else ""
    hold = "HOLD " if visit[0].get("hold") else ""
    return f"{hold}{machine}{side}: {_work(visit[0]).split('. Look for:')[0]} ({number(total)} h)"


def _description(visit: Sequence[Mapping[str, Any]], currency: str) -> str:
    first = visit[0]
    lines = [first["hold"]] if first.get("hold") else []
    for row in visit:
        side = f"{capital(row['side'])}: " if row["side"] else ""
        part = (
            f"; part to have: {said(row['part'])}, {money(row['parts_cost'], currency)}"
            if row["part"]
            else ""
        )
        lines.append(f"{side}{_work(row)}; {row['reason']}; {number(row['labour_hours'])} h{part}")
    if first["on_rent_since"]:
        back = f", {first['due_back_is']} back {first['due_back']}" if first["due_back"] else ""
        lines.append(f"On rent since {first['on_rent_since']}{back}")
    lines.append(f"Planned for the week of {first['monday']}: any day of it")
    if first.get("cautions"):
        lines.append(f"Before any work on the machine: {first['cautions']}")
    return "\n".join(lines)


def _work(row: Mapping[str, Any]) -> str:
    """What is done; of a bare action and part, in words."""
    action, _, part = str(row["action"]).partition(" ")
    return capital(repair_name(action, part)) if part == row["component"] else str(row["action"])
