"""What `fleetlog export NAME` can write."""

from __future__ import annotations

from difflib import get_close_matches
from typing import TYPE_CHECKING

from fleetlog.errors import UsageError

if TYPE_CHECKING:
    import polars as pl

    from fleetlog.session.fleet import Fleet
    from fleetlog.session.scope import Scope

ALL_TABLES = "tables"
"""The name by which all tables that a yard loads are written at once."""

FINDINGS = (
    "survival",
    "incidence",
    "comparison",
    "drivers",
    "repeats",
    "units",
    "trend",
    "suspects",
    "status",
)


def frame_of(fleet: Fleet, name: str, scope: Scope, component: str) -> pl.DataFrame:
    """The table or finding of that name.

    Raises:
        UsageError: for a name that is neither.
    """
    from fleetlog.causes.suspects import suspects
    from fleetlog.lives.comparison import compare
    from fleetlog.lives.drivers import drivers
    from fleetlog.lives.incidence import incidence
    from fleetlog.lives.repeats import repeats
    from fleetlog.lives.survival import survival
    from fleetlog.lives.trend import trend
    from fleetlog.session.status import status
    from fleetlog.store.connection import quoted

    if name == "survival":
        return survival(fleet, scope, component=component, by=("variant",)).frame
    if name == "incidence":
        return incidence(fleet, scope, component=component, by=("variant",)).frame
    if name == "comparison":
        return compare(fleet, scope, component=component).groups
    if name == "drivers":
        return drivers(fleet, scope, component=component).levels
    if name == "trend":
        return trend(fleet, scope).units
    if name == "repeats":
        return repeats(fleet, scope).by_action
    if name == "units":
        return repeats(fleet, scope).units
    if name == "suspects":
        return suspects(fleet, scope).frame
    if name == "status":
        return status(fleet, scope).frame
    tables = fleet.store.tables()
    history = () if name in tables else fleet.history(scope.as_of).tables
    if name not in tables and name not in history:
        near = get_close_matches(name, [*FINDINGS, *tables, *history], n=1)
        hint = (
            f"did you mean {near[0]!r}?"
            if near
            else f"take one of {', '.join([*FINDINGS, ALL_TABLES, *tables])}."
        )
        raise UsageError(f"There is no table or finding {name!r}; {hint}")
    return fleet.store.select(f"FROM {quoted(name)}")
