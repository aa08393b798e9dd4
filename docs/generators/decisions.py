"""The decisions in the navigation, in the order of their file names."""

from __future__ import annotations

from pathlib import Path


def navigation(pages: Path) -> list[dict[str, str]]:
    """The list of decisions, then one entry a decision, titled as its page is."""
    files = sorted(path for path in (pages / "decisions").glob("*.md") if path.name != "index.md")
    listed = [{"All decisions": "decisions/index.md"}]
    return listed + [{title(path): f"decisions/{path.name}"} for path in files]


def title(path: Path) -> str:
    """The heading of a page."""
    first = path.read_text(encoding="utf-8").split("\n", 1)[0]
    if not first.startswith("# "):
        raise ValueError(f"{path}: the first line must be '# Title'")
    return first.removeprefix("# ")
