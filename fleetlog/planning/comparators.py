"""What plans and proposals are measured against, in the same words wherever money is told."""

from __future__ import annotations

from fleetlog.faults import FaultFamily

POLICIES = ("wait", "by_custom", "on_suspicion", "older_design_ahead")


def words_of(policy: str, family: FaultFamily) -> str:
    """A policy in words: what is computed, the custom as the family's file says it."""
    return {
        "wait": "wait, then the advised steps",
        "by_custom": f"wait, then by custom: {family.texts.custom_step}",
        "on_suspicion": "wait, then replace the part at the first complaint",
        "older_design_ahead": "replace all of the older design ahead",
    }[policy]
