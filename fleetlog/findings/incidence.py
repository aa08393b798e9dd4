"""In what ways do lives end? Cumulative incidence of each ending, the others competing with it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

import polars as pl

from fleetlog.findings.base import WHOLE_FLEET, Scope, header
from fleetlog.findings.fleet import Fleet, selection
from fleetlog.findings.survival import check_split
from fleetlog.stats.product_limit import aalen_johansen
from fleetlog.stats.risk_table import CausesTable

if TYPE_CHECKING:
    import altair as alt


@dataclass(frozen=True)
class IncidenceGroup:
    """The competing endings of one group.

    Attributes:
        group: column -> value of the split; empty when not split.
        spells: lives observed.
        endings: one row an ending: ending, count, incidence, lower, upper at the last age observed.
        curve: one row an age and ending: hours, at_risk, ending, incidence, lower, upper.
    """

    group: Mapping[str, str]
    spells: int
    endings: pl.DataFrame
    curve: pl.DataFrame
    from_hours: float
    note: str


@dataclass(frozen=True)
class IncidenceFinding:
    """Cumulative incidence of every way a component's life ends (Aalen–Johansen)."""

    as_of: date
    fault: str
    component: str
    by: tuple[str, ...]
    groups: tuple[IncidenceGroup, ...]
    notes: tuple[str, ...] = ()

    @property
    def frame(self) -> pl.DataFrame:
        """One row a group, age and ending."""
        parts = [group.curve.select(*_labels(self.by, group.group), pl.all()) for group in self.groups]
        return pl.concat(parts) if parts else pl.DataFrame()

    @property
    def summary(self) -> pl.DataFrame:
        """One row a group and ending: how many, and the share ended so by the last age observed."""
        parts = [group.endings.select(*_labels(self.by, group.group), pl.all()) for group in self.groups]
        return pl.concat(parts) if parts else pl.DataFrame()

    def to_dict(self) -> dict[str, Any]:
        """Rows: group, spells, and for each ending hours, incidence, lower, upper."""
        rows = [
            {
                "group": dict(group.group),
                "component": self.component,
                "spells": group.spells,
                "from_hours": group.from_hours,
                "note": group.note,
                "endings": [
                    {
                        **ending,
                        **group.curve.filter(pl.col("ending") == ending["ending"])
                        .select("hours", "incidence", "lower", "upper")
                        .to_dict(as_series=False),
                    }
                    for ending in group.endings.select("ending", "count").to_dicts()
                ],
            }
            for group in self.groups
        ]
        return header(self, rows, by=list(self.by), component=self.component)

    def chart(self) -> alt.TopLevelMixin:
        """The curves, one colour an ending."""
        from fleetlog.charts import incidence_chart

        return incidence_chart(self)


def incidence(
    fleet: Fleet,
    scope: Scope = WHOLE_FLEET,
    *,
    component: str = "internal_bushing",
    by: tuple[str, ...] = (),
) -> IncidenceFinding:
    """Cumulative incidence of failure by finding, of replacement while sound, and of removal.

    A part replaced while still sound can no longer fail: one minus the survival curve of a single ending would
    overstate it, so the endings compete.

    Raises:
        UsageError: for a component nobody follows or a column that cannot be split by.
    """
    history, family = fleet.begin(scope)
    check_split(fleet, component, by)
    counted = fleet.store.run("risk/incidence", by, component=component, **selection(scope))
    groups = [_group(dict(zip(by, key, strict=True)), rows, fleet) for key, rows in split(counted, by)]
    return IncidenceFinding(
        as_of=history.as_of,
        fault=family.name,
        component=component,
        by=by,
        groups=tuple(group for group in groups if group is not None),
        notes=() if groups else (f"No life of {component} is under observation in this part of the fleet.",),
    )


def split(counted: pl.DataFrame, by: tuple[str, ...]) -> list[tuple[tuple[str, ...], pl.DataFrame]]:
    """The rows of each group, with the group's values as text; unknown values as "unknown"."""
    if not by:
        return [((), counted)] if counted.height else []
    parts = counted.partition_by(by, maintain_order=True)
    return [
        (tuple("unknown" if part[column][0] is None else str(part[column][0]) for column in by), part)
        for part in parts
    ]


def _group(group: Mapping[str, str], rows: pl.DataFrame, fleet: Fleet) -> IncidenceGroup | None:
    endings = tuple(sorted(set(rows["ending"]) - {""}))
    if not endings:
        endings = ("failed",)
    wide = rows.group_by("hours", maintain_order=True).agg(
        pl.col("entering").sum(),
        pl.col("leaving").sum(),
        *(pl.col("leaving").filter(pl.col("ending") == name).sum().alias(f"_{name}") for name in endings),
    )
    table = CausesTable(
        hours=wide["hours"].to_numpy(),
        entering=wide["entering"].to_numpy(),
        failed=wide.select(f"_{name}" for name in endings).to_numpy(),
        leaving=wide["leaving"].to_numpy(),
        causes=endings,
    )
    found = aalen_johansen(
        table,
        level=fleet.settings.survival.confidence,
        minimum_at_risk=fleet.settings.survival.minimum_at_risk if table.entering[1:].any() else 0,
    )
    curve = pl.concat(
        pl.DataFrame(
            {
                "hours": found.hours,
                "at_risk": found.at_risk,
                "ending": [name] * found.hours.size,
                "incidence": found.incidence[:, j],
                "lower": found.lower[:, j],
                "upper": found.upper[:, j],
            }
        )
        for j, name in enumerate(endings)
    )
    totals = {name: int(table.failed[:, j].sum()) for j, name in enumerate(endings)}
    last = (
        curve.group_by("ending", maintain_order=True).last().select("ending", "incidence", "lower", "upper")
    )
    counts = pl.DataFrame(
        {"ending": list(totals), "count": list(totals.values())},
        schema={"ending": pl.String, "count": pl.Int64},
    )
    return IncidenceGroup(
        group=group,
        spells=int(table.leaving.sum()),
        endings=counts.join(last, on="ending", how="left", maintain_order="left"),
        curve=curve,
        from_hours=found.from_hours,
        note=found.note or "",
    )


def _labels(by: tuple[str, ...], group: Mapping[str, str]) -> list[pl.Expr]:
    return [pl.lit(group[column]).alias(column) for column in by]
