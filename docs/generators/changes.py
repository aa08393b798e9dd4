"""The log of changes as a page of the site."""

from __future__ import annotations

from pathlib import Path

CHANGELOG = Path(__file__).resolve().parents[2] / "CHANGELOG.md"


def page() -> str:
    """CHANGELOG.md as it stands at the top of the repository."""
    return CHANGELOG.read_text(encoding="utf-8")
