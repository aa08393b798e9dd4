"""What the rows of a plan tell beside their week: where the machine is, the longer chance, the part to have."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import numpy as np
import polars as pl

from fleetlog.causes.case import Suspect
from fleetlog.faults import FaultFamily, Step
from fleetlog.planning.open_work import OPEN
from fleetlog.planning.outlook import cure_of, months_after
from fleetlog.planning.plan_candidates import Candidates
from fleetlog.planning.plan_money import AVOIDED_YEARS

JOB = ("machine_id", "side", "component")


def told_in_full(candidates: Candidates, rows: pl.DataFrame, rentals: pl.DataFrame) -> pl.DataFrame:
    """The rows of a plan with all that they tell, in `FULL`'s order.

    Args:
        candidates: that the plan chose from.
        rows: of the plan, in its order; each job's saving its share of the visit's.
        rentals: `whereabouts.out_now`.
    """
    known = {(one.machine_id, one.side): one for one in candidates.known.cases if one.state == "open"}
    part = [_part(candidates, known, row) for row in rows.rows(named=True)]
    return (
        rows.join(_over_horizon(candidates, rows), on=JOB, how="left", maintain_order="left")
        .join(rentals, on="machine_id", how="left", maintain_order="left")
        .with_columns(
            # a fault that stands does so over any horizon
            pl.coalesce("chance_horizon", "chance_without").alias("chance_horizon"),
            pl.Series("part", part, dtype=pl.String),
        )
        .with_columns(saving=_once_a_visit(), parts_cost=_parts_cost(candidates))
        .select(list(FULL))
    )


def _once_a_visit() -> pl.Expr:
    """The visit's saving in the first of its rows that has one, and nothing in the others."""
    visit = ("week", "machine_id")
    saves = pl.col("saving") > 0
    first = saves & (saves.cast(pl.Int64).cum_sum().over(visit) == 1)
    return pl.when(first).then(pl.col("saving").sum().over(visit))


def _over_horizon(candidates: Candidates, rows: pl.DataFrame) -> pl.DataFrame:
    """Chance of the candidates among the rows to fail within the horizon: `JOB` and chance_horizon."""
    outlook = candidates.outlook
    mine = candidates.rows.join(rows, on=JOB, how="semi", maintain_order="left")
    ahead = replace(
        outlook,
        places=outlook.places[mine["place"].to_numpy().astype(np.int64)],
        periods=months_after(outlook.history.as_of, 12 * AVOIDED_YEARS),
    )
    chance = ahead.failure_chances().sum(axis=1)
    return mine.select(JOB).with_columns(chance_horizon=pl.Series(chance, dtype=pl.Float64))


def _part(
    candidates: Candidates, known: Mapping[tuple[str, str], Suspect], row: Mapping[str, Any]
) -> str | None:
    """The part to have ready: what a job ahead replaces, or the cure of an open case whose next step takes it apart."""
    if row["reason"] == OPEN:
        return _part_of_case(candidates.outlook.family, known[row["machine_id"], row["side"]])
    cost = candidates.costs.get(row["component"])
    replaces = row["saving"] > 0 and cost is not None and cost.step.action == "replace"
    return row["component"] if replaces else None


def _part_of_case(family: FaultFamily, case: Suspect) -> str | None:
    own = next((step for step in family.steps if step.title == case.next_step), None)
    if own is not None and own.kind == "cure":
        return own.component if own.action == "replace" else None
    cure = cure_of(family, family.cause(case.top_cause).component, case.top_cause) if case.opens else None
    return cure.component if cure is not None and cure.action == "replace" else None


def _parts_cost(candidates: Candidates) -> pl.Expr:
    """What the part to have ready costs."""
    steps: dict[str, Step] = {
        step.component: step for step in reversed(candidates.outlook.family.steps) if step.action == "replace"
    }
    prices = {name: step.parts_cost for name, step in steps.items()}
    return pl.col("part").replace_strict(prices, default=None, return_dtype=pl.Float64)


def parts_to_order(rows: pl.DataFrame, as_of: date, lead_days: int) -> pl.DataFrame:
    """The parts that the rows of a plan call for, a row a part and the day by which it must be there.

    Args:
        rows: of a plan, with part and parts_cost.
        lead_days: until a part is there; an order is due so long before, at the earliest the day after the as-of day.
    """
    first = pl.lit(as_of + timedelta(days=1))
    return (
        rows.filter(pl.col("part").is_not_null())
        .group_by("monday", "part")
        .agg(
            quantity=pl.len().cast(pl.Int64),
            cost=pl.col("parts_cost").sum(),
            machines=pl.col("machine_id").unique(maintain_order=True).str.join(", "),
        )
        .select(
            "part",
            "quantity",
            order_by=pl.max_horizontal(pl.col("monday") - pl.duration(days=lead_days), first),
            needed_by="monday",
            cost="cost",
            machines="machines",
        )
        .sort("needed_by", "part")
    )


FULL: dict[str, Any] = {
    "week": pl.String,
    "monday": pl.Date,
    "machine_id": pl.String,
    "side": pl.String,
    "action": pl.String,
    "component": pl.String,
    "labour_hours": pl.Float64,
    "part": pl.String,
    "parts_cost": pl.Float64,
    "cost": pl.Float64,
    "saving": pl.Float64,
    "chance_without": pl.Float64,
    "chance_horizon": pl.Float64,
    "reason": pl.String,
    "together": pl.Int64,
    "site": pl.String,
    "age_hours": pl.Float64,
    "waiting_per_day": pl.Float64,
    "on_rent_since": pl.Date,
    "due_back": pl.Date,
    "due_back_is": pl.String,
}
"""Columns of a plan's rows."""
TOLD = ("part", "parts_cost", "chance_horizon", "on_rent_since", "due_back", "due_back_is")
"""Those of them that are looked up once the weeks are settled."""
