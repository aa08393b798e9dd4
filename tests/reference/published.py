"""Published and computed cases from outside the project: what they say, and how near a result must come.

`expected.json` holds the cases: data file, statistic, arguments, expected values, tolerance, the source
of the numbers and the program and version that computed them. `datasets.csv` says where each file of
`data/` comes from.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest

HERE = Path(__file__).parent

#: ids handed to tests by `cases`; the completeness test compares them with those in the file.
exercised: set[str] = set()

#: Expected values that we dispute: (case, path) -> the tolerance they do meet, and why no better one.
DISPUTED: dict[tuple[str, str], tuple[float, str]] = {
    ("repeat.valve_seat.poisson", "se"): (
        2e-5,
        "for one common rate the standard error of the log is exactly 1 / sqrt(48) = 0.14433756729740643; the"
        " program that made the number stops when its deviance no longer moves, one step early",
    ),
}


@cache
def all_cases() -> dict[str, dict[str, Any]]:
    listed = json.loads((HERE / "expected.json").read_text(encoding="utf-8"))["cases"]
    by_id = {case["id"]: case for case in listed}
    assert len(by_id) == len(listed), "a case id occurs twice"
    return by_id


def cases(*ids: str) -> list[Any]:
    """Parameters for the fixture `case`, one a case id."""
    exercised.update(ids)
    return [pytest.param(case_id, id=case_id) for case_id in ids]


def data(name: str) -> pl.DataFrame:
    """A data file; empty cells and NA are null."""
    return pl.read_csv(HERE / "data" / name, null_values=["", "NA"], infer_schema_length=None)


class Case:
    """One case: its arguments, and a check for each of its expected values."""

    def __init__(self, case_id: str) -> None:
        self.id = case_id
        self.record = all_cases()[case_id]
        self.arguments: dict[str, Any] = self.record.get("arguments") or {}
        self.expected: dict[str, Any] = self.record["expected"]
        self._checked: set[str] = set()

    def data(self) -> pl.DataFrame:
        return data(self.record["dataset"])

    def check(self, path: str, got: Any) -> None:
        """Compare with the expected value at a dotted path; None and not-a-number both mean "not there"."""
        want: Any = self.expected
        for key in path.split("/"):
            want = want[key]
        self._checked.add(path)
        tolerance = self.record["tolerance"]
        rel = tolerance.get("overrides", {}).get(path.split("/")[-1], tolerance["rel"])
        if (self.id, path) in DISPUTED:
            with pytest.raises(AssertionError):  # else there is nothing to dispute
                _compare(path, _flat(got), _flat(want), rel, tolerance["abs"])
            rel = DISPUTED[self.id, path][0]
        _compare(f"{self.id} {path}", _flat(got), _flat(want), rel, tolerance["abs"])

    def check_all(self, got: dict[str, Any], prefix: str = "") -> None:
        for key, value in got.items():
            self.check(prefix + key, value)

    def unchecked(self) -> list[str]:
        """Expected values that the test never looked at."""
        return [path for path in _paths(self.expected) if path not in self._checked]


def _paths(tree: dict[str, Any], prefix: str = "") -> list[str]:
    found = []
    for key, value in tree.items():
        found += _paths(value, f"{prefix}{key}/") if isinstance(value, dict) else [prefix + key]
    return found


def _flat(value: Any) -> list[Any]:
    if isinstance(value, np.ndarray | pl.Series):
        value = value.tolist() if isinstance(value, np.ndarray) else value.to_list()
    if isinstance(value, Sequence) and not isinstance(value, str):
        return [part for item in value for part in _flat(item)]
    return [value]


def _compare(where: str, got: list[Any], want: list[Any], rel: float, absolute: float) -> None:
    assert len(got) == len(want), f"{where}: {len(got)} values for {len(want)}"
    for i, (g, w) in enumerate(zip(got, want, strict=True)):
        if isinstance(w, str | bool):
            assert g == w, f"{where}[{i}]: {g!r} is not {w!r}"
            continue
        if w is None:
            assert g is None or math.isnan(g), f"{where}[{i}]: {g!r} where nothing is expected"
            continue
        assert g is not None, f"{where}[{i}]: nothing where {w!r} is expected"
        assert abs(g - w) <= max(absolute, rel * abs(w)), f"{where}[{i}]: {g!r} is not {w!r} within {rel}"
