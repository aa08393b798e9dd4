"""How likely a fault stood on a machine's sides, over its life: today's belief, asked of earlier days."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl

from fleetlog.belief.weighing import WeighedCases, weighed_at
from fleetlog.history import History
from fleetlog.session.fleet import Fleet
from fleetlog.session.months import month_start

_INSTANT = timedelta(microseconds=1)


def course_of(fleet: Fleet, history: History, weighed: WeighedCases, machines: Sequence[str]) -> pl.DataFrame:
    """The chance that a fault stood on each side, before and after each day with a report or a repair, at the ends of
    months, and today.

    The figures learnt and the bounds of the cases are those of today; evidence, silence and repairs are those on
    record by then. The last row of a side is what is said of it today.

    Args:
        machines: the fleet's own numbers.

    Returns:
        machine_id, at (UTC), hours, side, standing (null: not heard of); from each side's first report on.
    """
    moments = fleet.store.run("unit/moments", machines=list(machines), fault=weighed.layout.family.name)
    zone = ZoneInfo(fleet.settings.fleet.time_zone)
    looks = [
        _looks(own, history.as_of_end, zone)
        for own in moments.partition_by("machine_id", maintain_order=True)
        if own["happened"].any()
    ]
    if not looks:
        return pl.DataFrame(schema=_COURSE)
    seen = weighed_at(fleet.store, history, weighed, pl.concat(looks))
    return seen.select("machine_id", "at", (pl.col("tenths") / 10).alias("hours"), "side", "standing").sort(
        "machine_id", "side", "at"
    )


_COURSE: dict[str, type[pl.DataType] | pl.DataType] = {
    "machine_id": pl.String,
    "at": pl.Datetime("us"),
    "hours": pl.Float64,
    "side": pl.String,
    "standing": pl.Float64,
}


def _looks(own: pl.DataFrame, end: datetime, zone: ZoneInfo) -> pl.DataFrame:
    """When to look at one machine, and its running hours then: machine_id, at, tenths."""
    happened = own.filter("happened")["moment"]
    days = (
        pl.DataFrame({"at": happened})
        .group_by(pl.col("at").dt.date().alias("day"))
        .agg(pl.col("at").min().alias("first"), pl.col("at").max().alias("last"))
    )
    first, last = min(happened), min(max(own["moment"]), end)
    months, month = [], month_start(first.replace(tzinfo=UTC).astimezone(zone).date(), 1)
    while (
        at := datetime(month.year, month.month, 1, tzinfo=zone).astimezone(UTC).replace(tzinfo=None)
    ) < last:
        months.append(at)
        month = month_start(month, 1)
    times = sorted({*days["first"], *(at + _INSTANT for at in days["last"]), *months, end})
    known = own["moment"].dt.epoch("us").to_numpy()
    asked = pl.Series("at", times, dtype=pl.Datetime("us"))
    tenths = np.interp(asked.dt.epoch("us").to_numpy(), known, own["tenths"].to_numpy())
    return pl.DataFrame(
        {"at": asked, "tenths": np.floor(tenths).astype(np.int64)},
    ).select(pl.lit(own["machine_id"][0]).alias("machine_id"), "at", "tenths")
