"""Whether a note says that the fault came back, and after how many running hours."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from fleetlog.wording.dictionary import Dictionary
from fleetlog.wording.note import Clause, Element

_BEFORE = frozenset({"after", "within", "lasted", "held", "hold", "in", "for"})
_AFTER = frozenset({"after", "later", "since", "on", "good"})
_SPELT = dict(
    zip(
        ("ten", "twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety", "hundred"),
        range(10, 101, 10),
        strict=True,
    )
)
_KIND_OF_HOURS = frozenset({"running", "meter", "machine", "more"})
MOST_HOURS = 10_000.0


@dataclass(frozen=True)
class Recurrence:
    """The fault came back.

    Attributes:
        hours: running hours until it did, None where the note gives none.
        spans: characters of the words that say so.
    """

    hours: float | None
    spans: tuple[tuple[int, int], ...]


def recurrence_in(statements: Sequence[Clause], dictionary: Dictionary) -> Recurrence | None:
    """The recurrence that a note tells of, None where it tells of none."""
    words = [e for s in statements for e in s.elements if e.kind != "word" or e.words]
    joined = " ".join(" ".join(element.words) for element in words)
    spoken = f" {joined} "
    again = [p for p in dictionary.words("recurrence", "again") if f" {p} " in spoken]
    stated = [p for p in dictionary.words("recurrence") if f" {p} " in spoken]
    units = dictionary.words("recurrence", "hours")
    for statement in statements:
        found = _hours(statement.elements, units)
        if found is None and again and len(statement.elements) == 2:
            found = _number_of_hours(statement.elements, 0, units)
        if found is not None and stated and not _is_denied(statement):
            return found
    if not again:
        return None
    spans = tuple(
        (element.start, element.end)
        for element in words
        if " ".join(element.words) in again and not _follows_negation(element, statements)
    )
    return Recurrence(None, spans) if spans else None


def _hours(elements: Sequence[Element], units: frozenset[str]) -> Recurrence | None:
    """A number of hours with a word beside it such as "after" or "later"."""
    for i in range(len(elements)):
        before = {word for other in elements[max(0, i - 3) : i] for word in other.words}
        after = {word for other in elements[i + 2 : i + 6] for word in other.words}
        told = i > 0 and elements[i - 1].kind == "recurrence"
        if before & _BEFORE or after & _AFTER or told:
            found = _number_of_hours(elements, i, units)
            if found is not None:
                return found
    return None


def _number_of_hours(elements: Sequence[Element], i: int, units: frozenset[str]) -> Recurrence | None:
    unit = i + 1
    if unit < len(elements) and elements[unit].words[0] in _KIND_OF_HOURS:
        unit += 1
    word = elements[i].words[0]
    spelt = word in _SPELT
    if not (spelt or elements[i].kind == "number"):
        return None
    if unit >= len(elements) or elements[unit].words[0] not in units:
        return None
    hours = float(_SPELT[word] if spelt else word.replace(",", "."))
    if not 0 < hours <= MOST_HOURS:
        return None
    return Recurrence(hours, ((elements[i].start, elements[unit].end),))


def _is_denied(statement: Clause) -> bool:
    return statement.has("negation") or any(
        " ".join(e.words) in ("no code", "no codes") for e in statement.elements
    )


def _follows_negation(element: Element, statements: Sequence[Clause]) -> bool:
    """Whether a negation stands before the word in its statement: "did not come back"."""
    for statement in statements:
        if element in statement.elements:
            before = statement.elements[: statement.elements.index(element)]
            return any(other.kind == "negation" for other in before)
    return False
