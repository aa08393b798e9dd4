"""Does the repair hold? Comebacks by action, the mean cumulative count, and units above their peers."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

import polars as pl

from fleetlog.findings.base import header

if TYPE_CHECKING:
    import altair as alt


@dataclass(frozen=True)
class RepeatsFinding:
    """Repeat faults of one family.

    Attributes:
        window_hours: running hours within which a return counts as a comeback.
        by_action: one row a repair: action, component, attempts, comebacks, censored, comeback_rate, lower,
            upper, median_hours_to_comeback, labour_hours, cost (per attempt, mean).
        mean_cumulative: episodes per machine by running hours of the machine: hours, count, lower, upper.
        units: machines with more episodes than their peers' rate explains: machine_id, episodes,
            running_hours, expected, ratio, lower, upper.
    """

    as_of: date
    fault: str
    window_hours: float
    by_action: pl.DataFrame
    mean_cumulative: pl.DataFrame
    units: pl.DataFrame
    notes: tuple[str, ...] = ()

    @property
    def frame(self) -> pl.DataFrame:
        """The comeback table by action."""
        return self.by_action

    def to_dict(self) -> dict[str, Any]:
        """See the interface: by_action (also as rows), mean_cumulative, units."""
        return header(
            self,
            self.by_action.to_dicts(),
            window_hours=self.window_hours,
            by_action=self.by_action.to_dicts(),
            mean_cumulative=self.mean_cumulative.to_dict(as_series=False),
            units=self.units.to_dicts(),
        )

    def chart(self) -> alt.TopLevelMixin:
        """Comeback rate by action, with intervals."""
        from fleetlog.charts import comeback_chart

        return comeback_chart(self)
