"""A store in memory, and a way to load bytes into it whose counts must add up."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import datetime
from pathlib import Path

import pytest

from fleetlog.intake import FileResult, load_paths
from fleetlog.store import Store, open_store

NOW = datetime(2026, 6, 1, 12)

LoadBytes = Callable[[bytes], FileResult]


@pytest.fixture
def store() -> Iterator[Store]:
    with open_store(None) as opened:
        yield opened


@pytest.fixture
def load(store: Store, tmp_path: Path) -> LoadBytes:
    """Writes bytes to a file, loads it, and returns what became of it."""

    def write_and_load(content: bytes) -> FileResult:
        path = tmp_path / "file.csv"
        path.write_bytes(content)
        (result,) = load_paths(store, [path], now=NOW).files
        became = (result.new, result.known, result.corrected, result.rejected, result.waiting)
        assert result.rows == sum(became), result
        assert min(became) >= 0, result
        return result

    return write_and_load
