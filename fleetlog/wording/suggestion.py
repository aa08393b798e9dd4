"""What a note is taken to say, with the words that it rests on."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

FIELDS = ("complaint", "cause", "correction", "note")
"""The texts that can be read. A complaint tells of no step of its order: what it mentions was done before."""

# How often readings proved right on labelled notes (tests/unit/wording/LABELS.md), and what each thing that the words
# do not say outright takes from that: a least-squares fit without negative parts on all notes by other hands, rounded,
# a hundredth at the least. The first is what fits the half of the second file whose errors had not been looked at:
# notes of hands never read before are read worse than those that the rules were written on.
SURE = 0.96
LEAST = 0.20
FOR_MISSPELT = 0.01
FOR_SIDE_FROM_ELSEWHERE = 0.03
FOR_PART_FROM_ELSEWHERE = 0.10
FOR_PART_IMPLIED = 0.01
FOR_LIST = 0.01
FOR_STATE_ALONE = 0.22
FOR_UNKNOWN = 0.39
"""Times the share of the note's words that the dictionary does not know."""

FOR_TEN_WORDS = 0.03
"""For every ten words of the note beyond the first ten …"""

MOST_FOR_WORDS = 0.09
"""… up to so much."""

FOR_NO_OUTCOME = 0.07
FOR_DOUBT = 0.30
"""For a question mark; from memory, default."""

Span = tuple[int, int]
"""Characters of the note, end exclusive."""


@dataclass(frozen=True)
class Suggestion:
    """What a note says, as far as its words carry it.

    Attributes:
        component, side, action, finding, result: words of the dictionary; "" = not said.
        recurrence_hours: running hours after which the fault came back, None where not said.
        again: whether the note says that the fault came back.
        earlier: whether it was done before this order, or by others.
        spans: the words it rests on, in order.
        words: those words as they stand.
        confidence: from 0 to 1; about how often such readings proved right on labelled notes.
    """

    component: str = ""
    side: str = ""
    action: str = ""
    finding: str = ""
    result: str = ""
    recurrence_hours: float | None = None
    again: bool = False
    earlier: bool = False
    spans: tuple[Span, ...] = ()
    words: str = ""
    confidence: float = SURE


def merge_spans(spans: Iterable[Span]) -> tuple[Span, ...]:
    """Spans in order; those that touch, or have a single character between them, as one."""
    found: list[Span] = []
    for start, end in sorted(set(spans)):
        if found and start <= found[-1][1] + 1:
            found[-1] = (found[-1][0], max(found[-1][1], end))
        else:
            found.append((start, end))
    return tuple(found)


def quote_words(spans: Iterable[Span], text: str) -> str:
    """The words of the spans, with an ellipsis where something was left out."""
    return " … ".join(text[start:end] for start, end in spans)
