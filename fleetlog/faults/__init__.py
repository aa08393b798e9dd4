"""Fault families: TOML files and their loader.

A family groups the codes, complaints and repairs that belong to one complaint on the machine. It is data:
who can have it, how it is recognised, what can cause it, what each cause leaves as evidence, what a shop
can do about it.
"""

from __future__ import annotations

from fleetlog.faults.design_changes import DesignChange
from fleetlog.faults.failure_modes import FailureMode, failure_mode
from fleetlog.faults.hold import HoldRules, ReleaseItem
from fleetlog.faults.loader import load_families, parse_family
from fleetlog.faults.model import (
    COMMON_PRACTICE,
    FROM_MEMORY,
    Cause,
    Comeback,
    Evidence,
    FaultFamily,
    Hazard,
    Match,
    Opening,
    Part,
    Rule,
    SideWord,
    Step,
    Voltage,
    Windows,
)

__all__ = [
    "COMMON_PRACTICE",
    "FROM_MEMORY",
    "Cause",
    "Comeback",
    "DesignChange",
    "Evidence",
    "FailureMode",
    "FaultFamily",
    "Hazard",
    "HoldRules",
    "Match",
    "Opening",
    "Part",
    "ReleaseItem",
    "Rule",
    "SideWord",
    "Step",
    "Voltage",
    "Windows",
    "failure_mode",
    "load_families",
    "parse_family",
]
