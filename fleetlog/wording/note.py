"""A note cut into statements, each with what its words mean."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from fleetlog.wording.dictionary import ARTICLES, Dictionary, Meaning
from fleetlog.wording.tokens import COMMAS, SENTENCE_ENDS, Token, is_number, tokens_of

SENTENCE, COMMA, JOIN, BREAK = "sentence", "comma", "join", "break"
"""How a statement hangs on the one before."""


@dataclass(frozen=True)
class Element:
    """A phrase of the dictionary, or a word that it does not know (kind "word").

    Attributes:
        kind, value, weak: its meaning.
        words: the phrase as the dictionary compares it.
        start, end: characters of the note.
        guessed: whether a misspelt word was taken for a known one.
    """

    kind: str
    value: str
    words: tuple[str, ...]
    start: int
    end: int
    weak: bool = False
    guessed: bool = False


@dataclass(frozen=True)
class Clause:
    """A stretch of the note between two marks or joining words.

    Attributes:
        link: how it hangs on the one before.
        elements: what stands in it, in order.
        doubtful: whether it ends in a question mark.
        heading: whether it ends in a colon.
    """

    link: str
    elements: tuple[Element, ...]
    doubtful: bool = False
    heading: bool = False

    def of(self, *kinds: str) -> list[tuple[int, Element]]:
        """The elements of these kinds with their places."""
        return [(i, element) for i, element in enumerate(self.elements) if element.kind in kinds]

    def has(self, *kinds: str) -> bool:
        """Whether there is an element of one of these kinds."""
        return any(element.kind in kinds for element in self.elements)

    def has_action(self, value: str) -> bool:
        """Whether a step of this kind is spoken of."""
        return any(element.kind == "action" and element.value == value for element in self.elements)


def statements_of(text: str, dictionary: Dictionary) -> list[Clause]:
    """The statements of a note."""
    found: list[Clause] = []
    link = SENTENCE
    held: list[Element] = []

    def close(next_link: str, doubtful: bool = False, heading: bool = False) -> None:
        nonlocal link, held
        if held:
            found.append(Clause(link, tuple(held), doubtful, heading))
            link = next_link
        elif next_link in (SENTENCE, BREAK) or link == COMMA:
            link = next_link
        held = []

    elements = _join_sides(_corrected(list(_elements(text, dictionary)), dictionary))
    for element, following in zip(elements, [*elements[1:], None], strict=False):
        if element.kind == "end":
            close(SENTENCE, doubtful=element.words == ("?",))
        elif element.kind == "comma":
            close(COMMA, heading=element.words == (":",))
        elif element.kind == "join":
            close(JOIN)
        elif element.kind == "break" and (following is None or following.kind not in ("finding", "result")):
            close(BREAK)
            if " ".join(element.words) in dictionary.words("correction", "all"):
                held.append(element)
        else:
            held.append(element)
    close(SENTENCE)
    return [part for clause in found for part in _run_on(clause)]


def _judged_next(elements: Sequence[Element], i: int) -> bool:
    """Whether a verdict or a finding follows a side before another side or part: "LH pass RH fail"."""
    kinds = ("finding", "result", "side", "component", "action", "place")
    following = next((other.kind for other in elements[i + 1 :] if other.kind in kinds), "")
    return following in ("finding", "result") and not any(other.value == "both" for other in elements)


def _run_on(clause: Clause) -> list[Clause]:
    """A clause cut where a second part or side with a state of its own follows without a mark.

    "bushing fine servo scored", "LH pass RH fail".
    """
    elements = clause.elements
    state = ("finding", "result")
    last = max((i for i, element in enumerate(elements) if element.kind in (*state, "action")), default=-1)
    starts = [0]
    named = told = False  # whether the part of the piece at hand, and then its state, have been told
    sided = judged = False  # and so for its side
    for i, element in enumerate(elements):
        if element.kind in state:
            told = told or named
            judged = judged or sided
        if element.kind == "side" and judged and _judged_next(elements, i):
            starts.append(i)
            judged = told = False
        sided = sided or element.kind == "side"
        if element.kind != "component":
            continue
        start = i
        while start > starts[-1] and elements[start - 1].kind in ("side", "number"):
            start -= 1
        ends = start > starts[-1] and elements[start - 1].kind in (*state, "word", "action")
        if not element.weak and named and told and ends and i < last:
            starts.append(start)
            told = False
        named = True
    pieces = zip(starts, [*starts[1:], len(elements)], strict=True)
    return [
        Clause(COMMA if start else clause.link, elements[start:end], clause.doubtful, clause.heading)
        for start, end in pieces
    ]


def _elements(text: str, dictionary: Dictionary) -> Iterator[Element]:
    every = tokens_of(text)
    tokens = [token for token in every if token.word not in ARTICLES]
    verbs = {token.start for token, then in pairwise(every) if then.word in ("the", "it", "a", "his")}
    words = [_base(token.word, dictionary) for token in tokens]
    read = [_correct(token, dictionary) for token in tokens]
    i = 0
    before = ""
    while i < len(tokens):
        for length in range(min(dictionary.longest, len(tokens) - i), 0, -1):
            exact = tuple(words[i : i + length])
            meaning = dictionary.phrases.get(exact)
            key = exact
            if meaning is None:
                key = tuple(read[i : i + length])
                meaning = dictionary.phrases.get(key)
            if (
                meaning is not None
                and not _is_litres(meaning, tokens, i, dictionary)
                and not (meaning.kind == "side" and tokens[i].word == "left" and tokens[i].start in verbs)
                and not (before == "place" and _starts_with_side(meaning, key, dictionary))
            ):
                before = meaning.kind
                yield _element(meaning, key, tokens[i], tokens[i + length - 1], guessed=key != exact)
                i += length
                break
        else:
            unknown = _unknown_element(tokens, i, text, dictionary)
            before = unknown.kind
            yield unknown
            i += 1


def _starts_with_side(meaning: Meaning, key: tuple[str, ...], dictionary: Dictionary) -> bool:
    """Whether a phrase to read past begins with a side, which after "on" is one: "on the left that …"."""
    first = dictionary.phrases.get(key[:1])
    return meaning.kind == "read_past" and len(key) > 1 and first is not None and first.kind == "side"


def _base(word: str, dictionary: Dictionary) -> str:
    """A word without "'s" where that makes it a known one: "the battery's dead"."""
    base = word.removesuffix("'s")
    return (
        base if base != word and (word,) not in dictionary.phrases and (base,) in dictionary.phrases else word
    )


def _correct(token: Token, dictionary: Dictionary) -> str:
    return (dictionary.speller.nearest(token.word) or token.word) if token.kind == "word" else token.word


def _is_litres(meaning: Meaning, tokens: Sequence[Token], i: int, dictionary: Dictionary) -> bool:
    """Whether an "l" is a unit: "topped up 4 l"."""
    return (
        meaning.kind == "side"
        and tokens[i].word in dictionary.words("numbers", "units_of_volume")
        and i > 0
        and is_number(tokens[i - 1])
        and "." not in tokens[i - 1].word
    )


def _element(meaning: Meaning, key: tuple[str, ...], first: Token, last: Token, *, guessed: bool) -> Element:
    return Element(meaning.kind, meaning.value, key, first.start, last.end, meaning.weak, guessed)


def _unknown_element(tokens: Sequence[Token], i: int, text: str, dictionary: Dictionary) -> Element:
    token = tokens[i]
    kind = "word"
    if is_number(token):
        kind = "number"
    elif token.word in SENTENCE_ENDS:
        short = i > 0 and tokens[i - 1].word in dictionary.words("short_forms")
        if short and tokens[i - 1].word == "in":
            short = i > 1 and tokens[i - 2].kind == "number"  # inches
        last = i + 1 == len(tokens)
        kind = "comma" if token.word == "." and short and not last else "end"
        if kind == "comma":
            kind = "nothing"
    elif token.word in COMMAS:
        kind = "comma" if token.word != "-" or _stands_free(token, text) else "nothing"
        if (
            token.word == "/"
            and 0 < i < len(tokens) - 1
            and is_number(tokens[i - 1])
            and is_number(tokens[i + 1])
        ):
            kind = "nothing"  # "2.01/1.99 V"
    return Element(kind, "", (token.word,), token.start, token.end)


def _stands_free(token: Token, text: str) -> bool:
    return text[token.start - 1 : token.start].isspace() or text[token.end : token.end + 1].isspace()


def _corrected(elements: list[Element], dictionary: Dictionary) -> list[Element]:
    """Without a side that the next words take back: "left - no, right"."""
    taken_back = dictionary.words("correction")
    found: list[Element] = []
    for i, element in enumerate(elements):
        if element.kind == "side":
            k = i + 1
            said = False
            while k < len(elements) and (
                elements[k].kind in ("comma", "end", "nothing") or " ".join(elements[k].words) in taken_back
            ):
                said = said or elements[k].kind not in ("comma", "end", "nothing")
                k += 1
            if (
                said
                and k < len(elements)
                and elements[k].kind == "side"
                and elements[k].value != element.value
            ):
                k += k + 1 < len(elements) and elements[k + 1].kind == "comma"
                elements[i + 1 : k + 1] = [
                    e if e.kind == "side" else replace(e, kind="nothing") for e in elements[i + 1 : k + 1]
                ]
                continue
        found.append(element)
    return found


def _join_sides(elements: list[Element]) -> list[Element]:
    """ "left and right" as one: both."""
    found: list[Element] = []
    for element in elements:
        if element.kind == "nothing":
            continue
        found.append(element)
        if (
            len(found) >= 3
            and (found[-2].kind == "join" or found[-2].words == ("/",))
            and found[-1].kind == found[-3].kind == "side"
            and {found[-1].value, found[-3].value} == {"left", "right"}
        ):
            both = replace(found[-3], value="both", end=found[-1].end, words=("both",))
            found[-3:] = [both]
    return found
