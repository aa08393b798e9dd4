"""Published and computed cases from outside the project: what they say, and how near a result must come.

`expected.json` holds the cases: data file, statistic, arguments, expected values, tolerance, the source
of the method or data and the program and version that computed the values; where there is a `call`, `verify.R`
computes them again.

Many cases also say what others have printed. Each entry of `published` holds those figures as text, with the
digits that were printed; `where` names the print, and `verified` says how we know: "read", the text was read;
"R", the `call` beside it was made in the versions of `program`, as `verify.R` can repeat. The field `provenance`
is "published" where a text, a help page or an example prints the case, "R" where R was asked for it, else
"computed".

`datasets.csv` says where each file of `data/` comes from and under which terms; `NOTICE.md` tells on what
basis a file is handed on, and which stay out of the source archive.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from decimal import Decimal
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest

HERE = Path(__file__).parent
ROOT = HERE.parents[1]

#: ids handed to tests by `cases`; the completeness test compares them with those in the file.
exercised: set[str] = set()


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


@cache
def datasets() -> dict[str, dict[str, Any]]:
    """The rows of datasets.csv by file name."""
    listed = pl.read_csv(HERE / "datasets.csv", infer_schema_length=None)
    return {row["file"]: row for row in listed.to_dicts()}


def require(name: str) -> None:
    """Skips the test, saying why, where a source archive lacks the file; in the repository it must be there."""
    if not (HERE / "data" / name).exists() and is_archive() and datasets()[name]["in_sdist"] == "no":
        pytest.skip(
            f"{name} is not in this source archive, as its licence is unknown or does not go with Apache-2.0"
            f" ({datasets()[name]['licence']}); run the test in the repository."
        )


def is_archive() -> bool:
    """Whether the tests lie in an unpacked source archive."""
    return (ROOT / "PKG-INFO").exists()


def data(name: str) -> pl.DataFrame:
    """A data file; empty cells and NA are null."""
    require(name)
    return pl.read_csv(HERE / "data" / name, null_values=["", "NA"], infer_schema_length=None)


class Case:
    """One case: its arguments, and a check for each of its expected and published values."""

    def __init__(self, case_id: str) -> None:
        self.id = case_id
        self.record = all_cases()[case_id]
        self.arguments: dict[str, Any] = self.record.get("arguments") or {}
        self.expected: dict[str, Any] = self.record["expected"]
        self._expected = by_path(self.expected)
        self._published = [
            (entry["where"], by_path(entry["value"])) for entry in self.record.get("published", [])
        ]
        self._checked: set[str] = set()

    @property
    def paths(self) -> set[str]:
        """Every figure that the case gives, expected or published."""
        return set(self._expected).union(*(printed for _, printed in self._published))

    def data(self) -> pl.DataFrame:
        return data(self.record["dataset"])

    def check(self, path: str, got: Any) -> None:
        """Compare with the expected value at a path, and with what others have printed of it.

        None and not-a-number both mean "not there".
        """
        assert path in self.paths, f"{self.id} says nothing of {path}"
        self._checked.add(path)
        if path in self._expected:
            self._check_expected(path, got)
        for where, printed in self._published:
            if path in printed:
                compare_printed(f"{self.id} {path} ({where})", _flat(got), _flat(printed[path]))

    def _check_expected(self, path: str, got: Any) -> None:
        want = self._expected[path]
        tolerance = self.record["tolerance"]
        rel = tolerance.get("overrides", {}).get(path.split("/")[-1], tolerance["rel"])
        _compare(f"{self.id} {path}", _flat(got), _flat(want), rel, tolerance["abs"])

    def check_all(self, got: dict[str, Any], prefix: str = "") -> None:
        for key, value in got.items():
            self.check(prefix + key, value)

    def check_known(self, got: dict[str, Any]) -> None:
        """Check those of several figures that the case gives."""
        self.check_all({key: value for key, value in got.items() if key in self.paths})

    def unchecked(self) -> list[str]:
        """Expected and published values that the test never looked at."""
        return sorted(self.paths - self._checked)


def by_path(tree: dict[str, Any], prefix: str = "") -> dict[str, Any]:
    """The leaves of nested mappings by their path, its parts joined by a slash."""
    leaves: dict[str, Any] = {}
    for key, value in tree.items():
        leaves |= by_path(value, f"{prefix}{key}/") if isinstance(value, dict) else {prefix + key: value}
    return leaves


def compare_printed(where: str, got: list[Any], printed: list[str | None]) -> None:
    """Half a unit of the last digit printed is the most by which a result may differ."""
    assert len(got) == len(printed), f"{where}: {len(got)} values for {len(printed)}"
    for i, (g, text) in enumerate(zip(got, printed, strict=True)):
        if text is None:
            assert g is None or math.isnan(g), f"{where}[{i}]: {g!r} where nothing is printed"
            continue
        assert g is not None, f"{where}[{i}]: nothing where {text} is printed"
        exact, half = Decimal(float(g)), half_unit(text)
        assert abs(exact - Decimal(text)) <= half, f"{where}[{i}]: {g!r} does not round to {text}"


def half_unit(printed: str) -> Decimal:
    """Half a unit of the last digit of a number as printed."""
    exponent = Decimal(printed).as_tuple().exponent
    assert isinstance(exponent, int), f"{printed} is not a number"
    return Decimal(1).scaleb(exponent) / 2


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
