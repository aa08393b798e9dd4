"""What changed between two months."""

from __future__ import annotations

from dataclasses import replace
from types import ModuleType

import pytest

from fleetlog.reporting.changes import as_frame, changes


def test_the_invented_month(months: ModuleType) -> None:
    now, before = months.examples.suspects(), months.examples.suspects_before()
    found = changes(before, now)
    assert [(change.kind, change.case.machine_id) for change in found] == [
        ("new case", "SK-104"),
        ("new case", months.examples.HOSTILE),
        ("now open", "=1+1"),
        ("surer", "SK-131"),
        ("no longer open", "SK-122"),
        ("new on watch", "../x"),
    ]
    assert found[2].before == "watch: internal bushing, 30%"
    assert found[2].now == "calibration, 52%"
    assert as_frame(found).columns == ["machine_id", "side", "change", "before", "now"]


def test_nothing_changed(months: ModuleType) -> None:
    now = months.examples.suspects()
    assert changes(now, now) == ()
    assert as_frame(()).height == 0


@pytest.mark.parametrize(
    ("before", "now", "kind"),
    [
        ((0.5, 0.1, 0.1, 0.2, 0.05, 0.05), (0.66, 0.1, 0.1, 0.1, 0.02, 0.02), "surer"),
        ((0.66, 0.1, 0.1, 0.1, 0.02, 0.02), (0.5, 0.1, 0.1, 0.2, 0.05, 0.05), "less sure"),
        ((0.5, 0.1, 0.1, 0.2, 0.05, 0.05), (0.2, 0.1, 0.5, 0.1, 0.05, 0.05), "now another cause"),
        ((0.5, 0.1, 0.1, 0.2, 0.05, 0.05), (0.6, 0.1, 0.1, 0.1, 0.05, 0.05), None),
    ],
)
def test_kinds(
    months: ModuleType, before: tuple[float, ...], now: tuple[float, ...], kind: str | None
) -> None:
    finding = months.examples.suspects()
    stood = replace(finding, cases=(months.examples.suspect("A", "left", before),))
    stands = replace(finding, cases=(months.examples.suspect("A", "left", now),))
    assert [change.kind for change in changes(stood, stands)] == ([kind] if kind else [])


def test_the_two_sides_of_a_machine_are_two_cases(months: ModuleType) -> None:
    finding = months.examples.suspects()
    left, right = (
        months.examples.suspect("A", side, (0.5, 0.1, 0.1, 0.2, 0.05, 0.05)) for side in ("left", "right")
    )
    found = changes(replace(finding, cases=(left,)), replace(finding, cases=(right,)))
    assert [(change.kind, change.case.side) for change in found] == [
        ("new case", "right"),
        ("no longer open", "left"),
    ]
