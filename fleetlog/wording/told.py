"""From a note to suggestions: what was done to which part, on which side, and what was found.

The statements are taken in the order of reading; what one leaves out, those before it supply.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from fleetlog.wording.dictionary import Dictionary
from fleetlog.wording.note import Clause, statements_of
from fleetlog.wording.observations import sides_in, values_of
from fleetlog.wording.reading import NoteReading
from fleetlog.wording.recurrence import Recurrence, recurrence_in
from fleetlog.wording.suggested_line import SuggestedLine
from fleetlog.wording.suggestion import (
    FIELDS,
    FOR_NO_OUTCOME,
    FOR_STATE_ALONE,
    FOR_TEN_WORDS,
    FOR_UNKNOWN,
    LEAST,
    MOST_FOR_WORDS,
    SURE,
    Suggestion,
    merge_spans,
    quote_words,
)


def read_note(text: str, field_name: str, dictionary: Dictionary) -> list[Suggestion]:
    """The suggestions that a text gives for its own order, steps first in the order of the text, then a recurrence.

    Without what was done before the order or by others; of a step with several outcomes, the last. A part told to be
    sound was inspected; a finding that the store has no word for is left out.

    Args:
        text: the note as it stands.
        field_name: "complaint", "cause", "correction" or "note".
        dictionary: the words to read it by.

    Raises:
        ValueError: for another field.
    """
    own: dict[tuple[str, str, str, bool], Suggestion] = {}
    for one in all_told(text, field_name, dictionary):
        if one.finding in dictionary.words("told_only", "findings"):
            one = replace(one, finding="")
        if one.earlier or not (one.action or one.finding or one.result or one.again):
            continue
        if one.finding == "no_fault_found" and not one.action and field_name != "complaint":
            one = replace(one, action="inspect")
        key = (one.component, one.action, one.side, one.again)
        before = own.get(key)
        own[key] = one if before is None else replace(one, finding=before.finding or one.finding)
    return list(own.values())


def all_told(text: str, field_name: str, dictionary: Dictionary) -> list[Suggestion]:
    """Everything that a text tells was done or seen: earlier and others' work too, every outcome of a step by itself.

    Args, Raises: as for `read_note`.
    """
    if field_name not in FIELDS:
        raise ValueError(f"{field_name!r} is none of {', '.join(FIELDS)}")
    statements = statements_of(text, dictionary)
    doubt = _doubt_of_note(statements, text, dictionary)
    found = [
        _suggestion(line, text, doubt) for line in NoteReading(statements, field_name, dictionary).lines()
    ]
    recurrence = recurrence_in(statements, dictionary)
    return found if recurrence is None else [*found, _recurred(recurrence, statements, text, dictionary)]


def _suggestion(line: SuggestedLine, text: str, doubt: float) -> Suggestion:
    spans = merge_spans(line.spans)
    return Suggestion(
        line.component,
        line.side,
        line.action,
        line.finding,
        line.result,
        earlier=line.earlier,
        spans=spans,
        words=quote_words(spans, text),
        confidence=round(max(LEAST, SURE - doubt - line.doubt - _doubt_of(line)), 2),
    )


def _doubt_of_note(statements: Sequence[Clause], text: str, dictionary: Dictionary) -> float:
    """What all suggestions of a note lose: for its length, and for words that the dictionary does not know."""
    known = dictionary.words("filler") | dictionary.words("manner")
    words = [element for statement in statements for element in statement.elements]
    unknown = sum(e.kind == "word" and e.words[0].isalpha() and e.words[0] not in known for e in words)
    more = max(0, len(text.split()) - 10) / 10
    return min(MOST_FOR_WORDS, FOR_TEN_WORDS * more) + FOR_UNKNOWN * unknown / max(1, len(words))


def _doubt_of(line: SuggestedLine) -> float:
    """What a suggestion loses for a state without a step, and a step without an outcome."""
    state = FOR_STATE_ALONE * (not line.action)
    outcome = FOR_NO_OUTCOME * (bool(line.action) and line.action != "calibrate" and not line.result)
    return state + outcome


def _recurred(
    recurrence: Recurrence, statements: Sequence[Clause], text: str, dictionary: Dictionary
) -> Suggestion:
    """A recurrence, with the side where the note names one alone."""
    sides = [side for statement in statements for side in sides_in(statement, dictionary)]
    named = values_of(sides)
    with_side = len(named) == 1
    spans = merge_spans([*recurrence.spans, *((side.start, side.end) for side in sides if with_side)])
    return Suggestion(
        side=named[0] if with_side else "",
        recurrence_hours=recurrence.hours,
        again=True,
        spans=spans,
        words=quote_words(spans, text),
    )
