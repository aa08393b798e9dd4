"""Failure mode identifiers. Source: SAE J1939-73, from memory."""

from __future__ import annotations

import pytest

from fleetlog.faults.failure_modes import GROUPS, MODES, failure_mode


def test_every_fmi_has_its_place() -> None:
    assert [mode.fmi for mode in MODES] == list(range(32))
    assert {mode.group for mode in MODES} == set(GROUPS)
    assert all(mode.wording for mode in MODES)


@pytest.mark.parametrize(
    ("group", "numbers"),
    [
        ("range", [0, 1, 15, 16, 17, 18]),
        ("erratic", [2, 10]),
        ("electrical", [3, 4, 5, 6]),
        ("mechanical", [7]),
        ("signal", [8]),
        ("communication", [9, 19]),
        ("unknown", [11]),
        ("component", [12]),
        ("calibration", [13]),
        ("special", [14]),
        ("drift", [20, 21]),
        ("reserved", list(range(22, 31))),
        ("condition", [31]),
    ],
)
def test_groups(group: str, numbers: list[int]) -> None:
    assert [mode.fmi for mode in MODES if mode.group == group] == numbers


@pytest.mark.parametrize("fmi", [-1, 32, 127])
def test_five_bits_only(fmi: int) -> None:
    with pytest.raises(ValueError, match="0 to 31"):
        failure_mode(fmi)


def test_lookup() -> None:
    assert failure_mode(7).group == "mechanical"
    assert "calibration" in failure_mode(13).wording
