"""Makes the case loader importable by the tests beside it, and sees that no value of a case goes unchecked."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from published import Case, require


@pytest.fixture
def case(request: pytest.FixtureRequest) -> Iterator[Case]:
    loaded = Case(request.param)
    if loaded.record["dataset"].endswith(".csv"):
        require(loaded.record["dataset"])
    yield loaded
    assert loaded.unchecked() == [], "the test passed over some of the values expected or published"
