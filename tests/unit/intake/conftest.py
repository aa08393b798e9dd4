"""A store in memory, and a way to load a file's text into it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from fleetlog.intake import FileResult, PlainSettings, load_paths
from fleetlog.store import Store, open_store

NOW = datetime(2026, 6, 1, 12)

Load = Callable[..., FileResult]


def balanced(result: FileResult) -> bool:
    """Every row became exactly one thing."""
    became = (result.new, result.known, result.corrected, result.rejected, result.waiting)
    return result.rows == sum(became) and min(became) >= 0


@pytest.fixture
def store() -> Iterator[Store]:
    with open_store(None) as opened:
        yield opened


@pytest.fixture
def load(store: Store, tmp_path: Path) -> Load:
    """Writes text or bytes to a file, loads it, and returns what became of it; the counts must add up."""

    def write_and_load(content: str | bytes, name: str = "file.csv", **options: Any) -> FileResult:
        path = tmp_path / name
        path.write_bytes(content.encode("utf-8") if isinstance(content, str) else content)
        options.setdefault("now", NOW)
        options.setdefault("settings", PlainSettings())
        (result,) = load_paths(store, [path], **options).files
        assert balanced(result), result
        return result

    return write_and_load
