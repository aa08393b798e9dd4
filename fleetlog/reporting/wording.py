"""The words of a fault family: what pages say for the names of its causes and steps."""

from __future__ import annotations

from fleetlog.faults import FaultFamily


def words_of_family(family: FaultFamily) -> dict[str, str]:
    """Cause or step -> its title."""
    return {
        **{cause.name: cause.title for cause in family.causes},
        **{step.name: step.title for step in family.steps},
    }
