"""How wide the columns of a printed table are, so that no word of it runs over its column.

The typesetter would share the room among columns without a thought for the longest word, so it is shared
here.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

#: Width of the text of an A4 page and the room beside a cell's text, in points, as reports/print/report.typ
#: sets them.
TEXT_WIDTH = 498.0
CELL_PADDING = 4.0

_SIZES = (8.8, 8.4, 8.0, 7.6, 7.3)
_EASE = 1.2
_SLACK = 1.03  # kerning, bold links
_WIDEST_WORD = 24  # letters; a longer one is broken
_WIDEST_TEXT = 60  # letters beyond which a column gains nothing
_BREAK = "\u200b"
# Where a line may end: at a space, and after a hyphen between letters.
_MAY_BREAK = re.compile(r" |(?<=[A-Za-z]-)(?=[A-Za-z])")
# Widths of the letters from the space to the tilde, in thousandths of an em: the font's own (Source Sans Pro
# Regular, table hmtx).
_EM = (
    200, 289, 425, 497, 497, 824, 609, 249, 303, 303, 418, 497, 249, 311, 249, 350, 497, 497, 497, 497,
    497, 497, 497, 497, 497, 497, 249, 249, 497, 497, 497, 425, 847, 544, 588, 571, 615, 527, 494, 617,
    652, 263, 480, 579, 486, 727, 647, 664, 566, 664, 569, 534, 536, 645, 515, 786, 513, 476, 539, 303,
    350, 303, 497, 500, 542, 504, 553, 456, 555, 496, 292, 504, 544, 246, 247, 495, 255, 829, 547, 542,
    555, 555, 347, 419, 338, 544, 467, 718, 446, 467, 425, 303, 241, 303, 497,
)  # fmt: skip
_OTHER, _FULL = 700, 1050  # any other letter; one of the scripts that fill a square


def wide(text: str) -> float:
    """Width of `text` in ems: exact for ASCII, rather too wide for the rest."""
    return sum(map(_letter, text)) / 1000


def _letter(letter: str) -> int:
    code = ord(letter) if letter != "\u00a0" else 32
    if 32 <= code < 127:
        return _EM[code - 32]
    return _OTHER if code < 0x3000 else _FULL


def broken(text: str, longest: int) -> str:
    """`text` with a place to break, which is not seen, in each word of more than `longest` letters."""
    if len(text) <= longest:
        return text
    step = max(1, longest // 2)

    def divided(found: re.Match[str]) -> str:
        word = found[0]
        return _BREAK.join(word[start : start + step] for start in range(0, len(word), step))

    return re.sub(rf"[^\s\u200b]{{{longest + 1},}}", divided, text)


def fitted(
    head: Sequence[str], rows: Sequence[Sequence[str]], whole: Sequence[bool]
) -> tuple[float, list[float], list[int]]:
    """Size of type, widths of the columns, and the letters that a word of each may have.

    Args:
        head: headings, one a column.
        rows: the texts of the cells.
        whole: whether the values of a column must stay on one line.

    Returns:
        points; widths in points that together fill the page; letters a word may have before it is broken.
    """
    count = len(head)
    if not count:
        return _SIZES[0], [], []
    least, most = [0.0] * count, [0.0] * count
    for place, title in enumerate(head):
        least[place] = max((wide(word) for word in title.split(" ")), default=0.0)
        most[place] = max(least[place], 0.6 * wide(title))  # two lines of heading are no harm
    for row in rows:
        for place, text in enumerate(row[:count]):
            cut = text[:_WIDEST_TEXT]
            most[place] = max(most[place], wide(cut))
            words = [cut] if whole[place] else _MAY_BREAK.split(text)
            least[place] = max(least[place], max(wide(word[:_WIDEST_WORD]) for word in words))
    least, most = [_SLACK * one for one in least], [_SLACK * one for one in most]
    room = TEXT_WIDTH - 2 * CELL_PADDING * count
    # Type grows smaller until columns of sentences get more than the room of their longest word.
    size = next((size for size in _SIZES if min(_EASE * sum(least), sum(most)) * size <= room), _SIZES[-1])
    widths = _shared([one * size for one in least], [one * size for one in most], room)
    letters = [
        _WIDEST_WORD if width >= one * size - 0.01 else max(2, int(width / (0.66 * size)))
        for width, one in zip(widths, least, strict=True)
    ]
    return size, [round(width + 2 * CELL_PADDING, 2) for width in widths], letters


def _shared(least: Sequence[float], most: Sequence[float], room: float) -> list[float]:
    if sum(most) <= room:
        return [one * room / max(1e-9, sum(most)) for one in most]
    if sum(least) >= room:
        return [one * room / sum(least) for one in least]
    part = (room - sum(least)) / sum(more - less for less, more in zip(least, most, strict=True))
    return [less + part * (more - less) for less, more in zip(least, most, strict=True)]
