"""Makes the small hand-written fleets and the published cases importable by the tests beside it."""

from __future__ import annotations

import sys
from pathlib import Path

TESTS = Path(__file__).parents[2]

for place in (Path(__file__).parent, TESTS / "unit" / "history", TESTS / "reference"):
    sys.path.insert(0, str(place))
