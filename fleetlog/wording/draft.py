"""Suggestions in the making, and what the whole note does to them."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

from fleetlog.wording.note import Element
from fleetlog.wording.suggestion import FOR_SIDE_FROM_ELSEWHERE, Span


@dataclass
class Draft:
    """A suggestion in the making.

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


def fill_sides(drafts: Sequence[Draft], said: Sequence[Element], unsided: Collection[str]) -> None:
    """Where the whole note names one side, it holds for every part that has sides."""
    values = {side.value for side in said}
    if len(values) != 1 or values == {"both"}:
        return
    for draft in drafts:
        if not draft.side and draft.component not in unsided:
            draft.side = said[0].value
            draft.spans.append((said[0].start, said[0].end))
            draft.doubt += FOR_SIDE_FROM_ELSEWHERE


def without_refits(drafts: Sequence[Draft], outer: str, inside: Collection[str]) -> list[Draft]:
    """Without the pump where it was taken out and put back for something inside it."""
    opened = any(draft.component in inside and draft.action for draft in drafts)
    return [draft for draft in drafts if not (opened and draft.refit and draft.component == outer)]


def united(drafts: Sequence[Draft]) -> list[Draft]:
    """One draft for each part, action and side; a bare state joins the step on the same part."""
    found: dict[tuple[str, str, str], Draft] = {}
    for draft in drafts:
        first = found.setdefault((draft.component, draft.action, draft.side), draft)
        if first is not draft:
            first.finding = first.finding or draft.finding
            first.result = draft.result or first.result
            first.spans.extend(draft.spans)
            first.doubt = min(first.doubt, draft.doubt)
    kept = []
    for draft in found.values():
        host = next((other for other in found.values() if _takes(other, draft)), None)
        if host is None:
            kept.append(draft)
        elif draft.finding:
            host.finding = host.finding or draft.finding
            host.spans.extend(draft.spans)
    return kept


def _takes(host: Draft, draft: Draft) -> bool:
    """Whether a draft without action is told by another on the same part that says more."""
    if draft.action or host is draft or host.component != draft.component:
        return False
    if draft.side and host.side != draft.side:
        return False
    return bool(host.action) or (draft.bare and not host.bare) or (bool(host.side) and not draft.side)
