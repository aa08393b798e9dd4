"""Small pieces of Markdown."""

from __future__ import annotations

from collections.abc import Iterable, Sequence


def cell(text: str) -> str:
    """A text as a cell of a table: one line, no bar that would end the cell."""
    return " ".join(text.split()).replace("|", "\\|")


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
