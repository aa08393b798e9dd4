"""A note as words, numbers and marks, each with its place in the text."""

from __future__ import annotations

import re
from dataclasses import dataclass

# Sides and trades' signs that hold together ("l/h", "r.h.", "r&r", "w/o"), numbers, words, marks.
_TOKEN = re.compile(
    r"""
    (?P<code>  # the number of a part or an order, a count in brackets, a size
        \b(?:p/n|pn|part\s?(?:no|nr|number)\.?|w/?o|s/n)\s?[:\#]?\s?(?=[\w\-./]*\d)[\w\-./]*\w
        | \(\s?\d+\s?\) | \b[a-z]{1,5}-\d[\w\-]*\b | \b\d+-\d+(?:-\w+)+\b | \b\d+x\d[\w.\-]*\b
        | \b\d{2,}-(?:\d{4,}|[a-z]+\d{2,})[\w\-]*\b
    )
    | (?P<sign>
        \b[lr]\.\s?h\.(?![a-z]) | \b[lr]/[hs]\b | \b[lr]h?\s?[&+/\-]\s?[lr]h?\b(?:'d)? | \bs/b\b
        | \bo\.k\.(?![a-z]) | \bw/o\b | \bw/(?=\s|$)
    )
    | (?P<number>\d+(?:[.,]\d+)?(?:st|nd|rd|th)?|\.\d+)
    | (?P<word>[^\W\d_]+(?:['’\-][^\W\d_]+)*)
    | (?P<mark>->|\n|[^\w\s])
    """,
    re.VERBOSE | re.IGNORECASE,
)

SENTENCE_ENDS = frozenset({".", ";", "!", "?", "\n", "->", "→"})
COMMAS = frozenset({",", ":", "(", ")", "/", "|", "–", "—", "-"})


@dataclass(frozen=True)
class Token:
    """One word, number or mark.

    Attributes:
        text: as it stands.
        word: for comparison: lower case, straight apostrophes, no blanks.
        start, end: characters of the note, end exclusive.
        kind: "word", "number", "mark" or "code" (a part's number).
    """

    text: str
    word: str
    start: int
    end: int
    kind: str


def tokens_of(text: str) -> list[Token]:
    """The tokens of a note in order."""
    found = []
    for match in _TOKEN.finditer(text):
        kind = match.lastgroup or "mark"
        word = re.sub(r"\s", "", match[0].lower().replace("’", "'")) or match[0]
        if kind == "sign" and {"l", "r"} <= set(word):
            word = "l&r"
        found.append(Token(match[0], word, match.start(), match.end(), "word" if kind == "sign" else kind))
    return found


def is_number(token: Token) -> bool:
    """Whether the token is a plain number, not "2nd"."""
    return token.kind == "number" and not token.word[-1].isalpha()
