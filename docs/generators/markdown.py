"""Small pieces of Markdown."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

_CODE = re.compile(r"(`[^`]*`)")


def words(text: str) -> str:
    """A text on one line in which nothing but code, links and lists is markup."""
    parts = _CODE.split(" ".join(text.split()))
    return "".join(part if part.startswith("`") else _plain(part) for part in parts)


def _plain(text: str) -> str:
    return text.replace("&", "&amp;").replace("<", "&lt;")


def cell(text: str) -> str:
    """A text as a cell of a table: one line, no bar that would end the cell."""
    return words(text).replace("|", "\\|")


def code(text: str) -> str:
    """A text as code, or nothing where it is empty."""
    return f"`{text}`" if text else ""


def table(headings: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """A table; cells are made fit for it."""
    lines = [headings, ["---"] * len(headings), *([cell(value) for value in row] for row in rows)]
    return "\n".join(f"| {' | '.join(line)} |" for line in lines)


def page(title: str, *parts: str) -> str:
    """A page from its parts."""
    return "\n\n".join([f"# {title}", *(part.strip("\n") for part in parts if part.strip())]) + "\n"
