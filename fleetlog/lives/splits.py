"""Counted lives split into groups, and the checks of what a reader may ask to split them by."""

from __future__ import annotations

from typing import Any, Literal, get_args

import polars as pl

from fleetlog.errors import UsageError
from fleetlog.faults import FaultFamily
from fleetlog.phrasing import said
from fleetlog.questions import proposal
from fleetlog.session.fleet import Fleet
from fleetlog.stats.life_counts import Strata, count_lives
from fleetlog.stats.product_limit import ProductLimit, product_limit
from fleetlog.stats.risk_table import RiskTable
from fleetlog.store import Store
from fleetlog.store.statements import statement

Weighting = Literal["log-rank", "gehan", "tarone-ware", "peto-peto", "modified-peto"]
"""Weights of a log-rank test; all but the first give early failures more weight."""

UNKNOWN = "unknown"
"""What stands for a value that is not on record."""

# A thin beginning shorter than this, in which nothing failed, changes no number that anybody reads.
BRIEF_HOURS = 250.0


def followed_component(fleet: Fleet, family: FaultFamily, component: str | None) -> str:
    """The component whose lives are asked about; None: the first that the family follows.

    Raises:
        UsageError: nobody follows its lives, or the family follows none.
    """
    followed = sorted({part.component for one in fleet.families.values() for part in one.parts})
    if component is None and family.leading_component is not None:
        return family.leading_component
    if component is None:
        raise UsageError(
            f"The fault family {family.name} follows no part's lives; name one with --component"
            + (f": {', '.join(followed)}." if followed else " after adding [[parts]] to a fault family.")
        )
    if component not in followed:
        raise UsageError(
            f"The lives of {component!r} are not followed; {proposal(component, followed)} "
            "Or add the part to a fault family."
        )
    return component


def failure_finding(fleet: Fleet, component: str, cause: str | None) -> str | None:
    """The finding that alone is to count as a failure; None: any.

    Raises:
        UsageError: no family takes it for a failure of that component.
    """
    if cause is None:
        return None
    parts = (part for one in fleet.families.values() for part in one.parts if part.component == component)
    known = sorted({finding for part in parts for finding in part.failure_findings})
    if cause.strip().lower() not in known:
        raise UsageError(
            f"No failure of the {said(component)} is recorded as {cause!r}; {proposal(cause, known)}"
        )
    return cause.strip().lower()


def check_component(family: FaultFamily, component: str | None) -> None:
    """Refuses a component that the family neither follows, blames nor works on (UsageError)."""
    known = sorted(
        {part.component for part in family.parts}
        | {cause.component for cause in family.causes if cause.component}
        | {match.component for step in family.steps for match in step.matches}
    )
    if component is not None and component not in known:
        raise UsageError(
            f"The fault '{family.title}' knows no component {component!r}; {proposal(component, known)}"
        )


def check_split(columns: tuple[str, ...]) -> None:
    """Refuses a column that lives cannot be split by (UsageError)."""
    allowed = life_columns()
    for column in columns:
        if column not in allowed:
            raise UsageError(f"Survival cannot be split by {column!r}; {proposal(column, allowed)}")


def life_columns() -> tuple[str, ...]:
    """The columns that lives can be split by."""
    return statement("risk/survival").strata


def check_apart(by: tuple[str, ...], strata: tuple[str, ...]) -> None:
    """Refuses a column that is to make groups and strata at once, or named twice (UsageError)."""
    both = sorted(set(by) & set(strata))
    if both:
        raise UsageError(f"{both[0]} cannot make the groups and the strata at once; choose one.")
    for columns in (by, strata):
        if len(set(columns)) < len(columns):
            raise UsageError(f"A column is named twice in {', '.join(columns)}; name it once.")


def weighting(name: str) -> Weighting:
    """The weights of that name for a log-rank test.

    Raises:
        UsageError: there are none.
    """
    known: tuple[Weighting, ...] = get_args(Weighting)
    for test in known:
        if name == test:
            return test
    raise UsageError(f"There is no test {name!r}; {proposal(name, known)}")


def counted_lives(store: Store, by: tuple[str, ...], **parameters: Any) -> pl.DataFrame:
    """The risk table of one component's lives, as sql/risk/survival.sql makes it.

    Where the lives are at hand they are counted here, which is quicker: few of them share an age. An engine
    that holds them elsewhere makes the table itself.

    Args:
        store: where the lives are.
        by: columns to split by.
        **parameters: those of the file.
    """
    if not store.local:
        return store.run("risk/survival", by, **parameters)
    lives = store.run("risk/lives", by, **parameters)
    return count_lives(lives, Strata.of(lives, by))


def split(counted: pl.DataFrame, by: tuple[str, ...]) -> list[tuple[tuple[str, ...], pl.DataFrame]]:
    """The rows of each group, with the group's values as text; unknown values as "unknown"."""
    if not by:
        return [((), counted)] if counted.height else []
    parts = counted.partition_by(by, maintain_order=True)
    return [(tuple(_text(part[column][0]) for column in by), part) for part in parts]


def _text(value: object) -> str:
    return UNKNOWN if value is None else str(value)


def pooled(rows: pl.DataFrame) -> RiskTable:
    """The risk table of rows that may count several strata."""
    summed = rows.group_by("hours").agg(pl.col("entering", "failed", "leaving").sum())
    return RiskTable.from_frame(summed)


def curve_of(table: RiskTable, *, level: float, minimum: int, interval: str = "log-log") -> ProductLimit:
    """The product-limit curve, begun where enough are watched if some came under observation late.

    A brief thin beginning in which nothing failed does not make the curve conditional.
    """
    how = {"level": level, "interval": interval}
    needed = minimum if table.delayed_entry else 0
    curve = product_limit(table, minimum_at_risk=needed, **how)  # type: ignore[arg-type]
    if 0 < curve.from_hours < BRIEF_HOURS and curve.failed.sum() == table.failures:
        return product_limit(table, minimum_at_risk=0, **how)  # type: ignore[arg-type]
    return curve
