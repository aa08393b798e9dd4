"""A page's HTML as a tree of plain values, ready to be handed to a typesetter as data.

The tree is what a reader gets from the page: every text once, in order, with the elements around it. What
only a screen can use (scripts, styles, drawings beside a word) is gone. Text stays text: nothing of it is
ever code of the typesetter.

A node is a text, or a dictionary:

    tag     name of the element
    class   its classes, a list
    kids    what is in it, nodes in order
    place   its name, where links lead to it
    to      of an `a`: the place that it leads to;  url: an address on the web;  file: a file beside the page
    src     of an `img`: name of the picture;  alt: the picture in words
    head, rows  of a `table` instead of kids: cells, and rows of cells; a cell is a list of nodes
    styles  of a `table`: the class of each column's cells, "r" for flush right
    widths  of a `table`: relative widths of its columns;  size: of its type in points
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from html.parser import HTMLParser
from typing import Any

from fleetlog.reporting.pdf.columns import broken, fitted

Node = str | dict[str, Any]

_VOID = frozenset(["area", "br", "col", "hr", "img", "input", "link", "meta", "source", "wbr"])
_LEFT_OUT = frozenset(["head", "script", "style", "svg", "button", "template"])
# Of the screen only: the jump to the content, the tools over a table, a hint to point, a phone's picture.
_SCREEN = frozenset(["skip", "tools", "hint", "narrow", "screen"])
_INLINE = frozenset(
    (
        "a",
        "abbr",
        "b",
        "bdi",
        "br",
        "cite",
        "code",
        "em",
        "i",
        "img",
        "kbd",
        "mark",
        "q",
        "s",
        "samp",
        "small",
    )
) | {"span", "strong", "sub", "sup", "time", "u", "var"}
_HEADINGS = ("h1", "h2", "h3", "h4", "h5", "h6")
# As HTML counts white space: a space that does not break is none.
_WHITE = re.compile(r"[ \t\r\n\f]+")
_LONGEST_WORD = 40
_UNIT = re.compile(r", (?=\w{1,3}$)")


def tree_of(page: str) -> list[Node]:
    """What stands in the body of a page.

    Args:
        page: HTML as the report's own templates write it.
    """
    builder = _Builder()
    builder.feed(page)
    builder.close()
    body = _found(builder.root, "body") or builder.root
    _tidied(body)
    _leading(body)
    kids: list[Node] = body["kids"]
    return kids


def texts(nodes: list[Node]) -> Iterator[str]:
    """Every text of the tree, in order."""
    for node in nodes:
        if isinstance(node, str):
            yield node
        else:
            yield from texts(_inside(node))


class _Builder(HTMLParser):
    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.root: dict[str, Any] = {"tag": "root", "class": [], "kids": []}
        self._open: list[dict[str, Any]] = [self.root]
        self._away = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = {name: value or "" for name, value in attrs}
        classes = given.get("class", "").split()
        if self._away or tag in _LEFT_OUT or _SCREEN.intersection(classes):
            self._away += tag not in _VOID
            return
        node: dict[str, Any] = {"tag": tag, "class": classes, "kids": []}
        for name in ("id", "src", "alt", "href"):
            if given.get(name):
                node[name] = given[name]
        self._open[-1]["kids"].append(node)
        if tag not in _VOID:
            self._open.append(node)

    def handle_endtag(self, tag: str) -> None:
        if self._away:
            self._away -= tag not in _VOID
        elif len(self._open) > 1 and any(node["tag"] == tag for node in self._open[1:]):
            while self._open.pop()["tag"] != tag:
                pass

    def handle_data(self, data: str) -> None:
        if not self._away:
            self._open[-1]["kids"].append(data)


def _inside(node: dict[str, Any]) -> list[Node]:
    if node["tag"] != "table":
        kids: list[Node] = node["kids"]
        return kids
    return [part for row in (node["head"], *node["rows"]) for cell in row for part in cell]


def _found(node: dict[str, Any], tag: str) -> dict[str, Any] | None:
    for kid in node["kids"]:
        if isinstance(kid, dict):
            hit = kid if kid["tag"] == tag else _found(kid, tag)
            if hit is not None:
                return hit
    return None


def _every(node: dict[str, Any], *tags: str) -> Iterator[dict[str, Any]]:
    """The elements of these names below `node`, in order."""
    for kid in node["kids"]:
        if isinstance(kid, dict):
            if kid["tag"] in tags:
                yield kid
            yield from _every(kid, *tags)


def _tidied(node: dict[str, Any]) -> None:
    """Collapses white space as a browser would, and turns tables into head and rows."""
    if node["tag"] == "pre":
        node["kids"] = [broken("".join(texts(node["kids"])).rstrip("\n"), _LONGEST_WORD)]
    elif node["tag"] == "table":
        _tabled(node)
    else:
        _flowed(node)
        for kid in node["kids"]:
            if isinstance(kid, dict) and kid["tag"] not in _INLINE:
                _tidied(kid)


def _flowed(block: dict[str, Any]) -> None:
    """White space of the text that runs through a block: one space at a time, none at its ends."""
    last: list[Any] | None = None  # (list, place) of the last text that may have to lose its last space
    fresh = True

    def shorten() -> None:
        if last is not None:
            kids, place = last
            kids[place] = kids[place].rstrip(" ")

    def run(kids: list[Node]) -> None:
        nonlocal last, fresh
        for place, kid in enumerate(kids):
            if isinstance(kid, str):
                text = _WHITE.sub(" ", kid)
                text = text.lstrip(" ") if fresh else text
                kids[place] = broken(text, _LONGEST_WORD)
                if text:
                    fresh = text.endswith(" ")
                    last = [kids, place] if fresh else None
            elif kid["tag"] == "br" or kid["tag"] not in _INLINE:
                shorten()
                last, fresh = None, True
            else:
                run(kid["kids"])

    run(block["kids"])
    shorten()
    _emptied(block)


def _emptied(node: dict[str, Any]) -> None:
    for kid in node["kids"]:
        if isinstance(kid, dict) and kid["tag"] in _INLINE:
            _emptied(kid)
    node["kids"] = [kid for kid in node["kids"] if kid != ""]


def _tabled(table: dict[str, Any]) -> None:
    lines = [list(_every(row, "th", "td")) for row in _every(table, "tr")]
    for cell in (cell for line in lines for cell in line):
        _flowed(cell)
    headed = bool(lines) and all(cell["tag"] == "th" for cell in lines[0])
    head, body = (lines[0], lines[1:]) if headed else ([], lines)
    count = max((len(line) for line in lines), default=0)
    first = body[0] if body else head
    styles = [next((one for one in cell["class"] if one in ("r", "n", "s")), "") for cell in first]
    styles += [""] * (count - len(styles))
    for cell in head:
        _unit_kept(cell["kids"])
    head_texts = ["".join(texts(cell["kids"])) for cell in head] or [""] * count
    row_texts = [["".join(texts(cell["kids"])) for cell in line] for line in body]
    size, widths, letters = fitted(head_texts, row_texts, [style in ("r", "n") for style in styles])
    for line in lines:
        for place, cell in enumerate(line):
            _split(cell["kids"], letters[place])
    table |= {
        "head": [cell["kids"] for cell in head],
        "rows": [[cell["kids"] for cell in line] for line in body],
        "styles": styles,
        "widths": widths,
        "size": size,
    }
    table["kids"] = []


def _unit_kept(kids: list[Node]) -> None:
    """The unit at the end of a heading stays with its last word."""
    for place, kid in enumerate(kids):
        if isinstance(kid, str):
            kids[place] = _UNIT.sub(",\u00a0", kid)
        else:
            _unit_kept(kid["kids"])


def _split(kids: list[Node], longest: int) -> None:
    for place, kid in enumerate(kids):
        if isinstance(kid, str):
            kids[place] = broken(kid, longest)
        else:
            _split(kid["kids"], longest)


def _leading(body: dict[str, Any]) -> None:
    """Settles where links lead: a box that is named by its heading is reached through its heading.

    A heading always stands on the page where its text begins; a box around it may begin on the page before.
    """
    leads: dict[str, str] = {}
    for node in _every(body, "section", "article", "div", "details", "li", "p", "figure", *_HEADINGS):
        name = node.pop("id", "")
        if not name or name in leads:
            continue
        heading = node if node["tag"] in _HEADINGS else next(_every(node, *_HEADINGS), None)
        place = heading if heading is not None else node
        leads[name] = place.setdefault("place", name)
    for node in _every(body, "table"):
        node.pop("id", None)
    for link in _links([body]):
        href = link.pop("href", "")
        if href.startswith("#") and href[1:] in leads:
            link["to"] = leads[href[1:]]
        elif href.startswith(("https://", "http://")):
            link["url"] = href
        elif href:
            link["file"] = href


def _links(nodes: list[Node]) -> Iterator[dict[str, Any]]:
    for node in nodes:
        if isinstance(node, dict):
            if node["tag"] == "a":
                yield node
            yield from _links(_inside(node))
