"""Our colours, type and spacing: one look for every picture.

The colours of SERIES were searched for, not borrowed: six hues whose luminance keeps a contrast of at least
3:1 against both PAPER and a dark page (WCAG 2.2, criterion 1.4.11), chosen so that the nearest two stay as far
apart as can be for readers with full colour vision and with protan, deutan or tritan vision.
tests/unit/charts/test_theme.py measures both.
"""

from __future__ import annotations

import re
import textwrap
from collections.abc import Callable, Mapping, Sequence
from functools import wraps
from typing import Any, Protocol

import altair as alt

from fleetlog.charts.fonts import FONT
from fleetlog.phrasing import NO_WORDS, Words

PAPER = "#ffffff"
INK = "#1c2430"
MUTED = "#586271"
RULE = "#d3d8de"
NEUTRAL = "#7b838e"
SERIES = ("#2b6cc4", "#db7a12", "#29a47a", "#925777", "#9486c3", "#c13a12")
ALERT = SERIES[5]
BAND_OPACITY = 0.22


WIDE = 700

_TITLE_SIZE = 16
_SUBTITLE_SIZE = 12.5


def colour_of(names: Sequence[str]) -> dict[str, str]:
    """A colour for each name, in order; "unknown" is always grey, and so is what comes after the sixth."""
    hues = iter(SERIES)
    return {name: NEUTRAL if name == "unknown" else next(hues, NEUTRAL) for name in names}


def lines(text: str, width: int, size: float, share: float = 1.0) -> list[str]:
    """`text` broken into lines that fit `width` pixels (a letter is about half as wide as it is high)."""
    letters = max(16, int(width * share / (size * 0.53)))
    return textwrap.wrap(text, letters) or [""]


def finish(
    chart: alt.TopLevelMixin,
    *,
    title: str,
    notes: Sequence[str] = (),
    width: int,
    description: str | None = None,
) -> alt.TopLevelMixin:
    """The chart under its title, with its notes as subtitle, in our type and colours.

    Args:
        title: the finding in words.
        notes: what a reader must know to read the picture, a sentence each.
        width: of the whole picture in pixels; titles are broken to fit.
        description: the alternative text; title and notes unless given.
    """
    notes = [told for note in notes if (told := without_internals(note))]
    subtitle = [line for note in notes for line in lines(note, width, _SUBTITLE_SIZE)]
    heading = alt.TitleParams(lines(title, width, _TITLE_SIZE), subtitle=subtitle or alt.Undefined)
    said = description or " ".join([_sentence(title), *(_sentence(note) for note in notes)])
    # Set in place: altair's own way copies the whole chart deeply for each of the three.
    for name, value in {"title": heading, "description": said, "config": dict(CONFIG)}.items():
        setattr(chart, name, value)
    return chart


def without_internals(note: str) -> str:
    """A note without sentences that speak of columns, seeds and rounds: these belong to the table, not to a picture."""
    return " ".join(text for text in _ENDS.split(note) if not _INTERNAL.search(text))


_ENDS = re.compile(r"(?<=[.]) |(?<=;) (?=[A-Z])")
_INTERNAL = re.compile(r"\b[a-z]+(?:_[a-z0-9]+)+\b|\bseed \d|\bconverge|\[\w+\]")

#: A picture, and what a reader must know to read it, a sentence each.
Drawing = tuple[alt.TopLevelMixin, Sequence[str]]


class DrawnChart(Protocol):
    """What draws a finding: `width` is that of the whole picture in pixels."""

    def __call__(self, finding: Any, *, width: int = ..., words: Words = ...) -> alt.TopLevelMixin:
        """The finished chart."""
        ...


def chart(title: Callable[[Any, Words], str]) -> Callable[[Callable[[Any, int, Words], Drawing]], DrawnChart]:
    """Makes a drawing of a finding a finished chart, under the title that says the finding in words."""

    def finishing(draw: Callable[[Any, int, Words], Drawing]) -> DrawnChart:
        @wraps(draw)
        def finished(finding: Any, *, width: int = WIDE, words: Words = NO_WORDS) -> alt.TopLevelMixin:
            picture, notes = draw(finding, width, words)
            return finish(picture, title=title(finding, words), notes=notes, width=width)

        return finished

    return finishing


def panel_title(name: str, summary: str) -> alt.TitleParams:
    """The heading of one of several pictures side by side, with a line beneath it."""
    return alt.TitleParams(
        name,
        subtitle=summary,
        fontSize=13,
        lineHeight=15,
        subtitleFontSize=11.5,
        subtitleLineHeight=14,
        subtitlePadding=2,
        offset=6,
    )


def _sentence(text: str) -> str:
    return text if text.endswith((".", "!", "?", ":")) else text + "."


CONFIG: Mapping[str, Any] = {
    "background": PAPER,
    "font": FONT,
    "padding": {"left": 8, "right": 12, "top": 8, "bottom": 8},
    "view": {"stroke": None},
    "title": {
        "anchor": "start",
        "frame": "bounds",
        "align": "left",
        "color": INK,
        "fontSize": _TITLE_SIZE,
        "fontWeight": "bold",
        "lineHeight": 21,
        "offset": 14,
        "subtitleColor": MUTED,
        "subtitleFontSize": _SUBTITLE_SIZE,
        "subtitleLineHeight": 17,
        "subtitlePadding": 6,
    },
    "axis": {
        "labelColor": MUTED,
        "labelFontSize": 12,
        "titleColor": MUTED,
        "titleFontSize": 12,
        "titleFontWeight": "normal",
        "titlePadding": 8,
        "gridColor": RULE,
        "gridOpacity": 0.6,
        "domainColor": RULE,
        "tickColor": RULE,
        "labelLimit": 220,
    },
    "legend": {
        "labelColor": INK,
        "labelFontSize": 12,
        "labelLimit": 320,
        "titleColor": MUTED,
        "titleFontSize": 12,
        "titleFontWeight": "normal",
        "symbolSize": 120,
        "symbolOpacity": 1,
        "orient": "top",
        "direction": "horizontal",
        "offset": 6,
        "columnPadding": 16,
    },
    "header": {"labelColor": INK, "labelFontSize": 12.5, "labelFontWeight": "bold", "title": None},
    "text": {"color": INK, "fontSize": 12},
    "line": {"strokeWidth": 2},
    "concat": {"spacing": 8},
}
