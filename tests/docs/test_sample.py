"""The committed sample report is what the program writes today."""

from __future__ import annotations

import importlib.util
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pypdf
import pytest

HERE = Path(__file__).parent
SAMPLE = HERE.parents[1] / "reports" / "sample"

_spec = importlib.util.spec_from_file_location("rebuild_sample", HERE / "rebuild_sample.py")
assert _spec is not None
assert _spec.loader is not None
rebuild_sample = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(rebuild_sample)

NUMBER = re.compile(r"-?\d+\.\d+(?:[eE][-+]?\d+)?")


def compared(path: Path) -> str:
    """The text with its decimals to six figures: the last digits of a float may differ between processors.

    Of the PDF its words page by page, its bookmarks and what it says of itself: in the file those last digits
    are compressed, where no one can round them.
    """
    if path.suffix == ".pdf":
        return printed(path)
    return NUMBER.sub(lambda found: f"{float(found[0]):.6g}", path.read_text(encoding="utf-8"))


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
def test_the_sample_is_current(tmp_path: Path) -> None:
    rebuild_sample.write_sample(tmp_path / "sample")
    again = "run python tests/docs/rebuild_sample.py and look at what changed"
    assert files(tmp_path / "sample") == files(SAMPLE), again
    for name in files(SAMPLE):
        assert compared(tmp_path / "sample" / name) == compared(SAMPLE / name), f"{name}: {again}"


def test_the_sample_needs_no_network() -> None:
    for path in SAMPLE.rglob("*.html"):
        text = path.read_text(encoding="utf-8")
        assert not re.search(r"""(?:src|href)=["'](?:https?:)?//""", text), path.name
