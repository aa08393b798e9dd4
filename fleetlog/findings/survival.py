"""How long do parts live? Survival of a component by age, split by what the asker wants."""

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
class SurvivalGroup:
    """One curve.

    Attributes:
        group: column -> value of the split; empty when not split.
        spells, failures: lives observed, and how many ended by the cause.
        curve: one row a failure age: hours, at_risk, failed, survival, lower, upper.
        from_hours: 0, or the age to which the curve is conditional because too few were at risk before.
        median_hours, median_lower, median_upper: None = not reached.
        b10_hours: age by which 10% have failed; None = not reached.
        weibull: shape, scale_hours, shape_ci, scale_ci, b10_hours, median_hours, … or None.
        note: what a reader must know about this curve, e.g. why there is no Weibull fit.
        last_hours: the greatest age observed.
    """

    group: Mapping[str, str]
    component: str
    cause: str
    spells: int
    failures: int
    curve: pl.DataFrame
    from_hours: float
    last_hours: float
    median_hours: float | None
    median_lower: float | None
    median_upper: float | None
    b10_hours: float | None
    weibull: Mapping[str, Any] | None
    note: str = ""
    at_risk_at: tuple[tuple[float, int], ...] = ()

    @property
    def label(self) -> str:
        """The group in words, e.g. "original" or "2016, left"; "all" when not split."""
        return ", ".join(str(value) for value in self.group.values()) or "all"


@dataclass(frozen=True)
class SurvivalFinding:
    """Survival of one component, one curve a group, and the log-rank test between them."""

    as_of: date
    fault: str
    component: str
    cause: str
    by: tuple[str, ...]
    groups: tuple[SurvivalGroup, ...]
    log_rank: Mapping[str, float] | None
    notes: tuple[str, ...] = ()

    @property
    def frame(self) -> pl.DataFrame:
        """One row a group and failure age, the group's columns first."""
        parts = [
            group.curve.select(
                *(pl.lit(str(group.group[column])).alias(column) for column in self.by),
                pl.lit(group.component).alias("component"),
                pl.lit(group.cause).alias("cause"),
                pl.all(),
            )
            for group in self.groups
        ]
        return pl.concat(parts) if parts else pl.DataFrame()

    @property
    def summary(self) -> pl.DataFrame:
        """One row a group: spells, failures, median with interval, B10, Weibull shape and scale."""
        return pl.DataFrame(
            [
                {
                    **{column: str(group.group[column]) for column in self.by},
                    "spells": group.spells,
                    "failures": group.failures,
                    "from_hours": group.from_hours,
                    "median_hours": group.median_hours,
                    "median_lower": group.median_lower,
                    "median_upper": group.median_upper,
                    "b10_hours": group.b10_hours,
                    "weibull_shape": group.weibull["shape"] if group.weibull else None,
                    "weibull_scale_hours": group.weibull["scale_hours"] if group.weibull else None,
                    "note": group.note,
                }
                for group in self.groups
            ],
            infer_schema_length=None,
        )

    def to_dict(self) -> dict[str, Any]:
        """See the interface: rows with group, component, cause, spells, failures, hours, survival, …."""
        rows = [
            {
                "group": dict(group.group),
                "component": group.component,
                "cause": group.cause,
                "spells": group.spells,
                "failures": group.failures,
                **{
                    name: group.curve[name].to_list()
                    for name in ("hours", "survival", "lower", "upper", "at_risk", "failed")
                },
                "from_hours": group.from_hours,
                "median_hours": group.median_hours,
                "median_ci": [group.median_lower, group.median_upper],
                "b10_hours": group.b10_hours,
                "weibull": dict(group.weibull) if group.weibull else None,
                "note": group.note,
            }
            for group in self.groups
        ]
        return header(self, rows, by=list(self.by), log_rank=self.log_rank)

    def chart(self) -> alt.TopLevelMixin:
        """The curves with their intervals and the numbers at risk."""
        from fleetlog.charts import survival_chart

        return survival_chart(self)
