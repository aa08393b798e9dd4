"""The committed sample report is what the program writes today."""

from __future__ import annotations

import importlib.util
import math
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pypdf
import pytest

from fleetlog.reporting.findings import ReportFindings

HERE = Path(__file__).parent
SAMPLE = HERE.parents[1] / "reports" / "sample"

_spec = importlib.util.spec_from_file_location("rebuild_sample", HERE / "rebuild_sample.py")
assert _spec is not None
assert _spec.loader is not None
rebuild_sample = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(rebuild_sample)

NUMBER = re.compile(r"-?\d+(?:\.\d+)?(?:[eE][-+]?\d+)?")


def text_of(path: Path) -> str:
    """What the file says. Of the PDF its words page by page, its bookmarks and what it says of itself: in the
    file the last digits are compressed, where no one can compare them.
    """
    return printed(path) if path.suffix == ".pdf" else path.read_text(encoding="utf-8")


def same(one: str, other: str) -> bool:
    """Whether the words are the same, and the decimals but for what may differ between processors."""
    if NUMBER.sub("#", one) != NUMBER.sub("#", other):
        return False
    pairs = zip(NUMBER.findall(one), NUMBER.findall(other), strict=True)
    return all(a == b or ("." in a + b and isclose(float(a), float(b))) for a, b in pairs)


def isclose(one: float, other: float) -> bool:
    return math.isclose(one, other, rel_tol=2e-6, abs_tol=1e-9)


def printed(path: Path) -> str:
    pdf = pypdf.PdfReader(path)
    pages = [page.extract_text() for page in pdf.pages]
    marks = [str(mark.title) for mark in flat(pdf.outline)]
    return "\n".join([str(sorted((pdf.metadata or {}).items())), *marks, *pages])


def flat(marks: list[Any]) -> Iterator[Any]:
    for mark in marks:
        if isinstance(mark, list):
            yield from flat(mark)
        else:
            yield mark


def files(folder: Path) -> list[str]:
    return sorted(str(path.relative_to(folder)) for path in folder.rglob("*") if path.is_file())


@pytest.mark.slow
def test_the_sample_is_current(june_findings: ReportFindings, tmp_path: Path) -> None:
    assert june_findings.month == rebuild_sample.MONTH
    rebuild_sample.write_sample(june_findings, tmp_path / "sample")
    again = "run python tests/docs/rebuild_sample.py and look at what changed"
    assert files(tmp_path / "sample") == files(SAMPLE), again
    for name in files(SAMPLE):
        assert same(text_of(tmp_path / "sample" / name), text_of(SAMPLE / name)), f"{name}: {again}"


def test_the_sample_needs_no_network() -> None:
    for path in SAMPLE.rglob("*.html"):
        text = path.read_text(encoding="utf-8")
        assert not re.search(r"""(?:src|href)=["'](?:https?:)?//""", text), path.name


def test_what_counts_as_the_same() -> None:
    assert same("36,0.30959349", "36,0.30959351")
    assert same("x 2.9999999996", "x 3")
    assert not same("36,0.30959349", "37,0.30959349")
    assert not same("36,0.3095", "36,0.3096")
    assert not same("0.5 h", "0.5 d")
