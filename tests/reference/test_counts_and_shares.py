"""Intervals for shares and counts against published tables."""

from __future__ import annotations

import pytest
from published import Case, cases

from fleetlog.stats.proportions import garwood, wilson


@pytest.mark.parametrize(
    "case",
    cases("binom.81_263", "binom.0_20", "binom.1_29", "binom.20_20", "binom.3_10"),
    indirect=True,
)
def test_share(case: Case) -> None:
    x, n, level = (case.arguments[key] for key in ("x", "n", "level"))
    case.check("wilson", wilson(x, n, level=level))


@pytest.mark.parametrize("case", cases("poisson.garwood"), indirect=True)
def test_count(case: Case) -> None:
    counts, level = case.expected["x"], case.arguments["level"]
    exact = [garwood(x, level=level) for x in counts]
    case.check_all({"x": counts, "lower": [b.lower for b in exact], "upper": [b.upper for b in exact]})
