from __future__ import annotations

import pytest

from fleetlog.wording import Dictionary, load_dictionary


@pytest.fixture(scope="session")
def dictionary() -> Dictionary:
    return load_dictionary()
