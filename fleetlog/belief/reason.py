"""Why a cause is thought likely."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Reason:
    """One piece of evidence and what it adds, in natural-log odds, for the top cause against the rest."""

    evidence: str
    weight: float
