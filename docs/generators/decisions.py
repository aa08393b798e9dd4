"""The decisions, in the order of their file names: for the navigation, and for the page that lists them."""

from __future__ import annotations

import re
from pathlib import Path

from generators.markdown import table

MARK = "<!-- decisions -->"


def navigation(pages: Path) -> list[dict[str, str]]:
    """The list of decisions, then one entry a decision, titled as its page is."""
    listed = [{"All decisions": "decisions/index.md"}]
    return listed + [{title(path): f"decisions/{path.name}"} for path in _files(pages)]


def filled(markdown: str, pages: Path) -> str:
    """The page that lists the decisions, with each title and what was decided."""
    rows = ([f"[{title(path)}]({path.name})", decided(path)] for path in _files(pages))
    return markdown.replace(MARK, table(["decision", "what was decided"], rows))


def title(path: Path) -> str:
    """The heading of a page.

    Raises:
        ValueError: it does not begin with one.
    """
    first = path.read_text(encoding="utf-8").split("\n", 1)[0]
    if not first.startswith("# "):
        raise ValueError(f"{path}: the first line must be '# Title'")
    return first.removeprefix("# ")


def decided(path: Path) -> str:
    """The first paragraph: what was decided.

    Raises:
        ValueError: the page does not say it.
    """
    match = re.search(
        r"^\*\*Decided\.\*\* (.*?)\n\n", path.read_text(encoding="utf-8"), re.DOTALL | re.MULTILINE
    )
    if match is None:
        raise ValueError(f"{path}: it lacks a paragraph that begins with '**Decided.**'")
    return re.sub(r"\[([^]]+)\]\([^)]*\)", r"\1", match[1])


def _files(pages: Path) -> list[Path]:
    return sorted(path for path in (pages / "decisions").glob("*.md") if path.name != "index.md")
