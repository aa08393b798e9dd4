"""Lines suggested by a note while it is read, and what the whole note does to them."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

from fleetlog.wording.note import Element
from fleetlog.wording.suggestion import FOR_SIDE_FROM_ELSEWHERE, Span


@dataclass
class SuggestedLine:
    """A suggestion while its note is read.

    Attributes:
        component, action, side, finding, result: as in a suggestion.
        spans: the words it rests on so far.
        doubt: what it loses of its confidence.
        refit: the action may mean taking out and putting back.
        bare: a part merely named.
        statement: number of the statement it comes from.
    """

    component: str
    action: str
    side: str
    spans: list[Span]
    doubt: float = 0.0
    finding: str = ""
    result: str = ""
    refit: bool = False
    bare: bool = False
    statement: int = 0


def fill_sides(lines: Sequence[SuggestedLine], said: Sequence[Element], unsided: Collection[str]) -> None:
    """Where the whole note names one side, it holds for every part that has sides."""
    values = {side.value for side in said}
    if len(values) != 1 or values == {"both"}:
        return
    for line in lines:
        if not line.side and line.component not in unsided:
            line.side = said[0].value
            line.spans.append((said[0].start, said[0].end))
            line.doubt += FOR_SIDE_FROM_ELSEWHERE


def drop_refits(lines: Sequence[SuggestedLine], outer: str, inside: Collection[str]) -> list[SuggestedLine]:
    """Without the pump where it was taken out and put back for something inside it."""
    opened = any(line.component in inside and line.action for line in lines)
    return [line for line in lines if not (opened and line.refit and line.component == outer)]


def unite(lines: Sequence[SuggestedLine]) -> list[SuggestedLine]:
    """One line for each part, action and side; a bare state joins the step on the same part."""
    found: dict[tuple[str, str, str], SuggestedLine] = {}
    for line in lines:
        first = found.setdefault((line.component, line.action, line.side), line)
        if first is not line:
            first.finding = first.finding or line.finding
            first.result = line.result or first.result
            first.spans.extend(line.spans)
            first.doubt = min(first.doubt, line.doubt)
    kept = []
    for line in found.values():
        host = next((other for other in found.values() if _takes(other, line)), None)
        if host is None:
            kept.append(line)
        elif line.finding:
            host.finding = host.finding or line.finding
            host.spans.extend(line.spans)
    return kept


def _takes(host: SuggestedLine, line: SuggestedLine) -> bool:
    """Whether a line without action is covered by another on the same part that says more."""
    if line.action or host is line or host.component != line.component:
        return False
    if line.side and host.side != line.side:
        return False
    return bool(host.action) or (line.bare and not host.bare) or (bool(host.side) and not line.side)
