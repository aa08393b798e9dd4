"""Months of build whose machines have more cases than their make, design and running hours let expect."""

from __future__ import annotations

import numpy as np
import polars as pl

from fleetlog.belief.weighing import WeighedCases
from fleetlog.session.fleet import Fleet, selection
from fleetlog.session.scope import WHOLE_FLEET
from fleetlog.stats.arrays import Floats
from fleetlog.stats.batches import Built, outstanding_run


def batch_notes(fleet: Fleet, weighed: WeighedCases) -> tuple[str, ...]:
    """A sentence on the run of months of build that stands out by more than chance; () where none does."""
    family, level = weighed.layout.family, fleet.settings.survival.confidence
    lives = fleet.store.run(
        "cases/first_cases",
        fault=family.name,
        component=family.leading_component or "",
        **selection(WHOLE_FLEET),
    ).with_columns(month=12 * pl.col("built").dt.year().cast(pl.Int64) + pl.col("built").dt.month() - 1)
    batch = outstanding_run(
        [
            Built(
                (str(make), str(variant)),
                *(
                    rows[name].cast(pl.Float64).to_numpy()
                    for name in ("month", "entry", "hours", "failed_at")
                ),
            )
            for (make, variant), rows in lives.group_by("make", "variant", maintain_order=True)
        ]
    )
    if batch is None or batch.p > 1.0 - level:
        return ()
    ratio, lower, upper = batch.ratio(level)
    if lower <= 1.0:
        return ()
    make, variant = batch.stratum
    within = pl.col("month").is_between(batch.first, batch.last)
    alike = lives.filter(make=make, variant=variant)
    inside, outside = (_shares(weighed, alike.filter(those)) for those in (within, ~within))
    raised = int(np.argmax(inside - outside))
    title = family.causes[raised].title
    whose = " ".join(word for word in (make, f"({variant})" if variant else "") if word) or "machines"
    return (
        f"Built {_month(batch.first)} to {_month(batch.last)}, {whose}: {batch.observed} of "
        f"{alike.filter(within).height} machines have had a case where the others of their make and design let expect "
        f"{batch.expected:.1f} at their hours, {ratio:.1f} times as many after shrinkage ({lower:.1f} to {upper:.1f}; "
        f"chance of any such run if all months are alike: {batch.p:.1%}). What their cases have more of than those of "
        f"the others: {title[:1].lower()}{title[1:]} ({inside[raised]:.0%} against {outside[raised]:.0%}). "
        "Ask the maker about these months.",
    )


def _shares(weighed: WeighedCases, machines: pl.DataFrame) -> Floats:
    """How common each cause is in the cases of these machines, all zero where they have none, shape (causes,)."""
    places = weighed.cases["machine_id"].is_in(machines["machine_id"].to_list()).to_numpy()
    shares: Floats = weighed.of_case[places].sum(axis=0) / max(int(places.sum()), 1)
    return shares


def _month(count: int) -> str:
    return f"{count // 12}-{count % 12 + 1:02d}"
