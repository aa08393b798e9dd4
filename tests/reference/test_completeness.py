"""No case is left out: every id of the file is handed to some test of this folder."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import published


def test_every_case_is_exercised() -> None:
    # importing the test modules registers their cases, whichever of them this run has selected
    for path in sorted(Path(__file__).parent.glob("test_*.py")):
        if "from published import" not in path.read_text(encoding="utf-8"):
            continue
        spec = importlib.util.spec_from_file_location(f"registering_{path.stem}", path)
        assert spec is not None
        assert spec.loader is not None
        spec.loader.exec_module(importlib.util.module_from_spec(spec))
    assert published.exercised == set(published.all_cases())
