"""Which parts a step is done to, of those that a statement names or that were spoken of."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

from fleetlog.wording.dictionary import Dictionary
from fleetlog.wording.note import Clause, Element
from fleetlog.wording.observations import NotedPart, Observation


def noun(part: NotedPart) -> str:
    """The last word of a part's name, in the singular."""
    words = [word for word in part.name if word not in ("kit", "assembly", "assy", "set")]
    word = words[-1] if words else part.component
    return word.removesuffix("es") if word.endswith("shes") else word.removesuffix("s")


def element_after(action: Element, statement: Clause) -> Element | None:
    """The element that follows an action in its statement."""
    return next((element for element in statement.elements if element.start >= action.end), None)


def objects(action: Element, actions: Sequence[Element], parts: list[NotedPart]) -> list[NotedPart]:
    """Of the parts in a statement with several actions, those of this one: after it, or else before it."""
    starts = sorted({one.start for one in actions})
    if len(starts) == 1 or len(parts) < 2:
        return parts
    places = sorted(part.place for part in parts)
    nth = starts.index(action.start)
    if places[0] < starts[0] and len(places) == len(starts):
        return [part for part in parts if part.place == places[nth]]
    until = starts[nth + 1] if nth + 1 < len(starts) else 10**9
    since = starts[nth - 1] if nth else -1
    after = [part for part in parts if action.start < part.place < until]
    return after or [part for part in parts if since < part.place < action.start] or parts[:1]


def both_of_them(joined: list[NotedPart], part: NotedPart, seen: Observation) -> NotedPart:
    """In "RH sensor & harness both replaced" the word "both" counts the parts, not the sides."""
    if len(joined) == 1 and joined[0].sides and all(e.words == ("both",) for e in seen.side_elements):
        return replace(part, sides=joined[0].sides)
    return part


def group_sides(seen: Observation) -> tuple[str, ...]:
    """The side that a list of parts shares: the one said beside its last part."""
    return seen.parts[-1].sides if seen.parts else seen.sides


def with_sides(part: NotedPart, seen: Observation) -> NotedPart:
    """A part with the sides that a statement says, where it says any."""
    if not seen.sides:
        return part
    return replace(part, sides=seen.sides, spans=[*part.spans, *seen.side_spans])


def distinct(parts: list[NotedPart]) -> list[NotedPart]:
    """The parts without those of the same component and sides as one before."""
    found: dict[tuple[str, tuple[str, ...]], NotedPart] = {}
    for part in parts:
        found.setdefault((part.component, part.sides), part)
    return list(found.values())


def done_to_another(action: Element, statement: Clause, dictionary: Dictionary) -> bool:
    """Whether a thing that is no part follows the word: "flushed the case"."""
    after = element_after(action, statement)
    first = action.start == statement.elements[0].start
    if not first or after is None or after.kind != "word" or statement.has("pronoun"):
        return False
    word = after.words[0]
    known = dictionary.words("manner") | dictionary.words("filler")
    return word.isalpha() and len(word) > 2 and not word.endswith("ly") and word not in known


def counted(statement: Clause) -> bool:
    """Whether parts are told as on a bill: "tires (4)", "rollers x2", "belt p/n 4-1092"."""
    words = [element.words[0] for element in statement.elements]
    marked = any(e.words[0] == "x" and then.kind == "number" for e, then in pairwise(statement.elements))
    return marked or any((word[0] == "(" and word[-1] == ")") or word.startswith("p/n") for word in words)
