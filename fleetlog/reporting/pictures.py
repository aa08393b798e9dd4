"""Charts as part of a page: inline SVG that follows the page's colours, with its words outside."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ElementTree
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass
from typing import Any

import altair as alt
from markupsafe import Markup

from fleetlog.charts.drawer import Drawer
from fleetlog.charts.output import spec_of
from fleetlog.charts.rows import NOTHING
from fleetlog.charts.theme import INK, MUTED, PAPER, RULE

# The picture for a desk is that for paper, too: at the width of an A4 page its letters are 8 points high, and
# a desk's page shows it a little larger than drawn.
WIDE = 760
NARROW = 310
_LARGER = 1.2
_SVG = "http://www.w3.org/2000/svg"
# On paper as in the picture; on a screen the page's own colours, light or dark.
_PAGE_COLOURS = {
    PAPER: "var(--paper)",
    "white": "var(--paper)",
    INK: "var(--ink)",
    MUTED: "var(--muted)",
    RULE: "var(--rule)",
}
_NO_CHANGE = (("opacity", "1"), ("transform", "translate(0,0)"))
_NOT_NEEDED = ("class", "role", "pointer-events", "stroke-miterlimit", "font-family")


@dataclass(frozen=True)
class Picture:
    """A chart ready for a page.

    Attributes:
        title: the finding in words; notes: how to read it; alt: both, for who cannot see it.
        wide, narrow: the picture for a desk and for a phone, as SVG.
        table: the CSV that it was drawn from, relative to the page.
        drawn: the picture for a desk as it was drawn, a whole SVG of its own, for paper; "" where there is nothing to
            draw, which the title says.
    """

    title: str
    notes: tuple[str, ...]
    alt: str
    wide: Markup
    narrow: Markup
    table: str
    drawn: str


@dataclass(frozen=True)
class Sketch:
    """A chart that is being drawn for both widths; `finished` waits for it."""

    title: str
    notes: tuple[str, ...]
    alt: str
    table: str
    mark: str
    wide: Future[str]
    narrow: Future[str]
    empty: bool = False

    def finished(self) -> Picture:
        """The picture, once it is drawn."""
        desk = self.wide.result()
        if self.empty:
            return Picture(self.title, self.notes, self.alt, Markup(""), Markup(""), self.table, "")
        return Picture(
            title=self.title,
            notes=self.notes,
            alt=self.alt,
            wide=_inline(desk, self.alt, f"{self.mark}-w"),
            narrow=_inline(self.narrow.result(), self.alt, f"{self.mark}-n"),
            table=self.table,
            drawn=desk,
        )


def sketch(draw: Callable[[int], alt.TopLevelMixin], table: str, mark: str, drawer: Drawer) -> Sketch:
    """Have a chart drawn for both widths.

    Args:
        draw: width in pixels -> chart.
        table: the CSV beside the page that the chart was drawn from.
        mark: short name, unique on the page, for ids inside the SVG.
        drawer: who draws.
    """
    title, notes, said, empty = "", (), "", False
    drawn = []
    for width in (WIDE, NARROW):
        spec = spec_of(draw(width))
        heading: dict[str, Any] = spec.pop("title")
        title = _joined(heading["text"])
        notes = tuple(heading.get("subtitle", ()))
        said = str(spec.get("description", title))
        empty = spec.get("name") == NOTHING
        drawn.append(drawer.svg(spec))
    return Sketch(title, (_joined(notes),) if notes else (), said, table, mark, drawn[0], drawn[1], empty)


def _joined(text: Any) -> str:
    return text if isinstance(text, str) else " ".join(text)


def _inline(svg: str, said: str, mark: str) -> Markup:
    """The SVG without what only a stand-alone file needs, in the page's colours, with an alternative text."""
    root = ElementTree.fromstring(svg)
    width, height = root.get("width", "0"), root.get("height", "0")
    _cleaned(root, mark)
    root.attrib.clear()
    root.set("viewBox", f"0 0 {width} {height}")
    root.set("style", f"max-width:{_LARGER * float(width):.0f}px")
    root.set("role", "img")
    root.set("aria-label", said)
    text = ElementTree.tostring(root, encoding="unicode", short_empty_elements=True)
    return Markup(text.replace(f' xmlns:ns0="{_SVG}"', "").replace("<ns0:", "<").replace("</ns0:", "</"))


def _cleaned(element: ElementTree.Element, mark: str) -> None:
    for child in list(element):
        if child.get("display") == "none" or _blank(child):
            element.remove(child)
            continue
        _cleaned(child, mark)
        if child.tag == f"{{{_SVG}}}g" and not child.attrib:
            _unwrapped(element, child)
    for name, value in list(element.attrib.items()):
        if name in _NOT_NEEDED or name.startswith("aria-") or (name, value) in _NO_CHANGE:
            del element.attrib[name]
        elif name in ("fill", "stroke"):
            element.set(name, _PAGE_COLOURS.get(value, value))
        elif name in ("d", "transform"):
            element.set(name, _FRACTION.sub(_tenth, value))
        elif name == "id":
            element.set(name, f"{mark}-{value}")
        elif value.startswith("url(#"):
            element.set(name, f"url(#{mark}-{value[5:]}")


#: A place to more than a tenth of a pixel, which nobody sees.
_FRACTION = re.compile(r"-?\d+\.\d{2,}")


def _tenth(found: re.Match[str]) -> str:
    return f"{float(found[0]):.1f}".removesuffix(".0")


def _unwrapped(element: ElementTree.Element, group: ElementTree.Element) -> None:
    """Puts what is in a group that says nothing of its own in its place."""
    place = list(element).index(group)
    element.remove(group)
    for offset, child in enumerate(list(group)):
        element.insert(place + offset, child)


def _blank(element: ElementTree.Element) -> bool:
    """Whether nothing would be seen: the white sheet behind a picture, an empty path."""
    tag = element.tag.rpartition("}")[2]
    sheet = tag == "rect" and element.get("fill") in (PAPER, "white") and element.get("stroke") is None
    return sheet or (tag == "path" and element.get("d") in ("", "M0,0h0v0h0Z"))
