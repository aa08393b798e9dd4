"""SAE J1939-73 failure mode identifiers (FMI 0-31): what each says, in our own short words, and its group.

An FMI describes the signal that the controller saw. It is evidence for a cause and never, by itself, a part
to replace. Source: SAE J1939-73, from memory; the wording and the groups are our own.
"""

from __future__ import annotations

from dataclasses import dataclass

SOURCE = "SAE J1939-73, from memory; wording and groups our own"

GROUPS: tuple[str, ...] = (
    "range",
    "erratic",
    "electrical",
    "mechanical",
    "signal",
    "communication",
    "unknown",
    "component",
    "calibration",
    "special",
    "drift",
    "reserved",
    "condition",
)


@dataclass(frozen=True)
class FailureMode:
    """One failure mode identifier.

    Attributes:
        fmi: the number, 0 to 31.
        wording: what it says about the signal, in a few words.
        group: one of GROUPS; modes of a group speak for the same kinds of cause.
    """

    fmi: int
    wording: str
    group: str


_RESERVED = "reserved by the standard, no meaning yet"

MODES: tuple[FailureMode, ...] = (
    FailureMode(0, "far above the normal range (most severe)", "range"),
    FailureMode(1, "far below the normal range (most severe)", "range"),
    FailureMode(2, "erratic, comes and goes, or not plausible", "erratic"),
    FailureMode(3, "voltage too high, or shorted to a high source", "electrical"),
    FailureMode(4, "voltage too low, or shorted to a low source", "electrical"),
    FailureMode(5, "current too low, or circuit open", "electrical"),
    FailureMode(6, "current too high, or circuit grounded", "electrical"),
    FailureMode(7, "mechanism does not follow, or is out of adjustment", "mechanical"),
    FailureMode(8, "frequency, pulse width or period out of order", "signal"),
    FailureMode(9, "messages arrive at the wrong rate", "communication"),
    FailureMode(10, "changes faster than it can", "erratic"),
    FailureMode(11, "cause not known to the controller", "unknown"),
    FailureMode(12, "device or component judged bad", "component"),
    FailureMode(13, "out of calibration", "calibration"),
    FailureMode(14, "see the maker's special instructions", "special"),
    FailureMode(15, "a little above the normal range (least severe)", "range"),
    FailureMode(16, "above the normal range (moderate)", "range"),
    FailureMode(17, "a little below the normal range (least severe)", "range"),
    FailureMode(18, "below the normal range (moderate)", "range"),
    FailureMode(19, "data received from the network in error", "communication"),
    FailureMode(20, "drifted high", "drift"),
    FailureMode(21, "drifted low", "drift"),
    *(FailureMode(fmi, _RESERVED, "reserved") for fmi in range(22, 31)),
    FailureMode(31, "the named condition exists", "condition"),
)


def failure_mode(fmi: int) -> FailureMode:
    """The meaning of one FMI.

    Raises:
        ValueError: when `fmi` is not 0 to 31 (five bits).
    """
    if not 0 <= fmi <= 31:
        raise ValueError(f"an FMI is a whole number from 0 to 31, not {fmi}")
    return MODES[fmi]
