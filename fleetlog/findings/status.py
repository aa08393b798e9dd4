"""What the store holds, over which time, how complete and how clean."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

import polars as pl

from fleetlog.findings.base import header

if TYPE_CHECKING:
    import altair as alt


@dataclass(frozen=True)
class StatusFinding:
    """The state of a store.

    Attributes:
        tables: table -> rows.
        quality: one row a question of sql/checks/: check, count, of, meaning.
        fleet: one row a build year: build_year, machines, electronic, running_hours.
    """

    as_of: date
    fault: str
    machines: int
    tables: Mapping[str, int]
    rejected: int
    waiting: int
    first: date | None
    last: date | None
    quality: pl.DataFrame
    fleet: pl.DataFrame
    notes: tuple[str, ...] = ()

    @property
    def frame(self) -> pl.DataFrame:
        """One row a table and a row a quality question: topic, count, of."""
        return pl.concat(
            [
                pl.DataFrame(
                    [{"topic": name, "count": rows, "of": None} for name, rows in self.tables.items()],
                    schema={"topic": pl.String, "count": pl.Int64, "of": pl.Int64},
                ),
                self.quality.select(pl.col("check").alias("topic"), "count", "of"),
            ]
        )

    def to_dict(self) -> dict[str, Any]:
        """See the interface: machines, tables, rejected, waiting, first, last, quality."""
        return header(
            self,
            self.frame.to_dicts(),
            machines=self.machines,
            tables=dict(self.tables),
            rejected=self.rejected,
            waiting=self.waiting,
            first=self.first,
            last=self.last,
            quality=self.quality.to_dicts(),
        )

    def chart(self) -> alt.TopLevelMixin:
        """Machines by build year."""
        from fleetlog.charts import fleet_age_chart

        return fleet_age_chart(self)
