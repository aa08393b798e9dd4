"""The lives of a component as a frame, for an analyst's own work with another library."""

from __future__ import annotations

import polars as pl

from fleetlog.lives.splits import followed_component
from fleetlog.session.fleet import Fleet, selection
from fleetlog.session.scope import WHOLE_FLEET, Scope


def observed_lives(fleet: Fleet, scope: Scope = WHOLE_FLEET, component: str | None = None) -> pl.DataFrame:
    """One row a life under observation, ages in running hours.

    Args:
        component: a part that a fault family follows; None: the one the family is about.

    Returns:
        machine_id, component, side, fit (1 = the first fitted), variant, fitted_at, ended_at, entry_hours and
        exit_hours (at risk on (entry_hours, exit_hours]), failed, cause, end_reason (failed, replaced,
        removed, disposed, records_end), estimated, and the columns that lives can be split by.

    Raises:
        UsageError: for a component nobody follows.

    Examples:
        >>> june.lives("internal_bushing").select("entry_hours", "exit_hours", "failed").columns
        ['entry_hours', 'exit_hours', 'failed']
    """
    _, family = fleet.begin(scope)
    return fleet.store.run(
        "risk/observed_lives", component=followed_component(fleet, family, component), **selection(scope)
    )
