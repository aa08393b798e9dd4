"""In what ways do lives end? Cumulative incidence of each ending, the others competing with it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, ClassVar

import numpy as np
import polars as pl

from fleetlog.lives.remarks import group_remark, p_value
from fleetlog.lives.splits import BRIEF_HOURS, check_split, followed_component, split
from fleetlog.lives.watched import left_running, watched_at
from fleetlog.session.finding import Finding, header
from fleetlog.session.fleet import Fleet, selection
from fleetlog.session.scope import WHOLE_FLEET, Columns, Scope, columns_of
from fleetlog.stats.product_limit import CumulativeIncidence, aalen_johansen
from fleetlog.stats.risk_table import CausesTable


@dataclass(frozen=True)
class IncidenceGroup:
    """The competing endings of one group.

    Attributes:
        group: column -> value of the split; empty when not split.
        spells: lives observed.
        from_hours: 0, or the age to which the curves are conditional because too few were at risk before.
        note: what a reader must know about these curves, or "".
        last_hours: the greatest age observed.
        at_risk_at: parts still watched just after each thousand hours.
        left_running: ages at which parts were last seen running.
        endings: one row an ending: ending, count, incidence, lower, upper at the last age observed.
        curve: one row an age and ending: hours, at_risk, ending, incidence, std_error, lower, upper.
    """

    group: Mapping[str, str]
    spells: int
    endings: pl.DataFrame
    curve: pl.DataFrame
    from_hours: float
    note: str
    last_hours: float = 0.0
    at_risk_at: tuple[tuple[float, int], ...] = ()
    left_running: tuple[float, ...] = ()


@dataclass(frozen=True)
class EndingTest:
    """Gray's test that the groups share one cumulative incidence of an ending.

    Attributes:
        ending: the ending compared.
        chi2: the statistic.
        df: its degrees of freedom.
        p: its p value.
        p_holm: the p value after Holm's correction for as many looks as there are endings.
    """

    ending: str
    chi2: float
    df: int
    p: float
    p_holm: float

    @property
    def sentence(self) -> str:
        """Gray's test of this ending as a sentence."""
        result = (
            f"chi-square {self.chi2:.4g}, {self.df} df, {p_value(self.p)} ({p_value(self.p_holm)} after Holm)"
        )
        return f"Test that no group differs in {self.ending} (Gray): {result}."


@dataclass(frozen=True, repr=False)
class IncidenceFinding(Finding):
    """Cumulative incidence of every way a component's life ends (Aalen–Johansen).

    Attributes:
        tests: one an ending that came to pass, when split into groups that can be compared.
        minimum_failures: the setting in force: fewer endings than that say nothing.
    """

    question: ClassVar[str] = "incidence"

    as_of: date
    fault: str
    component: str
    by: tuple[str, ...]
    groups: tuple[IncidenceGroup, ...]
    notes: tuple[str, ...] = ()
    tests: tuple[EndingTest, ...] = ()
    minimum_failures: int = 5

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

    @property
    def remarks(self) -> tuple[str, ...]:
        """The tests of each ending and the notes about single groups."""
        about = [
            group_remark(", ".join(group.group.values()), group.note, bool(self.by))
            for group in self.groups
            if group.note
        ]
        return (*(test.sentence for test in self.tests), *about)

    def to_dict(self) -> dict[str, Any]:
        """Rows: group, spells, for each ending hours, incidence, lower, upper; `tests` between groups."""
        rows = [
            {
                "group": group.group,
                "component": self.component,
                "spells": group.spells,
                "from_hours": group.from_hours,
                "note": group.note,
                "endings": [
                    {
                        **ending,
                        **group.curve.filter(pl.col("ending") == ending["ending"])
                        .select("hours", "incidence", "std_error", "lower", "upper")
                        .to_dict(as_series=False),
                    }
                    for ending in group.endings.select("ending", "count").to_dicts()
                ],
            }
            for group in self.groups
        ]
        return header(self, rows, by=self.by, component=self.component, tests=self.tests)


def incidence(
    fleet: Fleet,
    scope: Scope = WHOLE_FLEET,
    *,
    component: str | None = None,
    by: Columns = (),
) -> IncidenceFinding:
    """Cumulative incidence of failure by finding, of replacement while sound or unsaid, and of removal.

    A part replaced while still sound can no longer fail: one minus the survival curve of a single ending
    would overstate it, so the endings compete. A replacement that says nothing of the old part is an ending
    of its own, `replaced_unknown`. Groups are compared by Gray's test, ending by ending.

    Args:
        component: a part that a fault family follows; None: the one the family is about.
        by: columns to split by.

    Raises:
        UsageError: for a component nobody follows or a column that cannot be split by.

    Examples:
        >>> june.incidence(by="variant").frame["ending"].unique().sort().to_list()
        ['replaced_sound', 'replaced_unknown', 'worn']
    """
    by = columns_of(by)
    history, family = fleet.begin(scope)
    component = followed_component(fleet, family, component)
    check_split(by)
    counted = _endings(fleet, component, by, selection(scope))
    parts = split(counted, by)
    groups = [_group(dict(zip(by, key, strict=True)), rows, fleet) for key, rows in parts]
    return IncidenceFinding(
        as_of=history.as_of,
        fault=family.name,
        component=component,
        by=by,
        groups=tuple(groups),
        notes=(_AS_RECORDED, *_untested(len(groups)))
        if groups
        else (f"No life of {component} is under observation in this part of the fleet.",),
        tests=_tests(groups, parts),
        minimum_failures=fleet.settings.survival.minimum_failures,
    )


_AS_RECORDED = (
    "Endings count as the books tell them: a repair that says nothing of the old part is an ending of its own here, "
    "which 'fleetlog survival' counts as a failure by the chance of its case."
)


#: Gray's test holds a covariance of all groups at every age; and its law is that of groups with several endings each.
MOST_TESTED = 60


def _untested(groups: int) -> tuple[str, ...]:
    if groups <= MOST_TESTED:
        return ()
    return (
        f"{groups:,} groups are too many for Gray's test, which compares up to {MOST_TESTED}: split by fewer.",
    )


def _endings(fleet: Fleet, component: str, by: tuple[str, ...], chosen: Mapping[str, Any]) -> pl.DataFrame:
    """The risk table of all endings, with replacements that say nothing told apart from sound ones."""
    counted = fleet.store.run("risk/incidence", by, component=component, **chosen)
    unknown = fleet.store.run("risk/unknown_endings", by, component=component, **chosen)
    moved = [
        unknown.select(
            *by,
            "hours",
            pl.lit(ending).alias("ending"),
            pl.lit(0, dtype=pl.Int64).alias("entering"),
            (pl.col("lives") * sign).alias("leaving"),
        )
        for ending, sign in (("replaced_sound", -1), ("replaced_unknown", 1))
    ]
    keys = (*by, "hours", "ending")
    return (
        pl.concat([counted, *moved], how="vertical_relaxed")
        .group_by(keys)
        .agg(pl.col("entering", "leaving").sum())
        .filter((pl.col("entering") != 0) | (pl.col("leaving") != 0))
        .sort(keys, nulls_last=True)
    )


def _endings_of(rows: pl.DataFrame) -> tuple[str, ...]:
    return tuple(sorted(set(rows["ending"]) - {""}))


def _tests(
    groups: Sequence[IncidenceGroup], parts: Sequence[tuple[tuple[str, ...], pl.DataFrame]]
) -> tuple[EndingTest, ...]:
    """Gray's test of each ending, from the age on at which every group has enough at risk.

    Before it a group of one or two under watch could end at once, and its whole weight would be lost.
    """
    if not 2 <= len(groups) <= MOST_TESTED:
        return ()
    from fleetlog.stats.incidence_comparison import compare_incidence
    from fleetlog.stats.log_rank import holm

    start = max(group.from_hours for group in groups)
    endings = tuple(sorted({name for _, rows in parts for name in _endings_of(rows)}))
    tables = [_table(rows, endings).conditional_on(start) for _, rows in parts]
    tables = [table for table in tables if table.hours.size]
    came = [name for k, name in enumerate(endings) if any(table.failed[:, k].any() for table in tables)]
    if len(tables) < 2 or not came:
        return ()
    estimate = [compare_incidence(tables, name) for name in came]
    corrected = holm([test.p for test in estimate])
    return tuple(
        EndingTest(test.cause, test.chi2, test.df, test.p, float(p))
        for test, p in zip(estimate, corrected, strict=True)
        if test.df
    )


def _table(rows: pl.DataFrame, endings: tuple[str, ...]) -> CausesTable:
    """The counts of one group, one column of `failed` an ending."""
    wide = rows.group_by("hours", maintain_order=True).agg(
        pl.col("entering", "leaving").sum(),
        *(pl.col("leaving").filter(pl.col("ending") == name).sum().alias(f"_{name}") for name in endings),
    )
    failed = [wide[f"_{name}"].to_numpy() for name in endings]
    return CausesTable(
        hours=wide["hours"].to_numpy(),
        entering=wide["entering"].to_numpy(),
        failed=np.column_stack(failed) if failed else np.zeros((wide.height, 0), dtype=np.int64),
        leaving=wide["leaving"].to_numpy(),
        causes=endings,
    )


def _group(group: Mapping[str, str], rows: pl.DataFrame, fleet: Fleet) -> IncidenceGroup:
    endings = _endings_of(rows)
    table = _table(rows, endings)
    estimate = _curves(table, fleet)
    curve = pl.DataFrame(
        {
            "hours": np.tile(estimate.hours, len(endings)),
            "at_risk": np.tile(estimate.at_risk, len(endings)),
            "ending": [name for name in endings for _ in range(estimate.hours.size)],
            "incidence": estimate.incidence.T.reshape(-1),
            "std_error": estimate.std_error.T.reshape(-1),
            "lower": estimate.lower.T.reshape(-1),
            "upper": estimate.upper.T.reshape(-1),
        },
        schema=_CURVE,
    )
    last_hours = float(table.hours[-1]) / table.per_hour
    last = curve.group_by("ending", maintain_order=True).last()
    counts = pl.DataFrame(
        {"ending": endings, "count": table.failed.sum(axis=0)},
        schema={"ending": pl.String, "count": pl.Int64},
    )
    return IncidenceGroup(
        group=group,
        spells=int(table.leaving.sum()),
        endings=counts.join(
            last.select("ending", "incidence", "lower", "upper"),
            on="ending",
            how="left",
            maintain_order="left",
        ),
        curve=curve,
        from_hours=estimate.from_hours,
        note=estimate.note or "",
        last_hours=last_hours,
        at_risk_at=watched_at(table.any_cause(), last_hours),
        left_running=left_running(table.any_cause()),
    )


_CURVE = {
    "hours": pl.Float64,
    "at_risk": pl.Int64,
    "ending": pl.String,
    "incidence": pl.Float64,
    "std_error": pl.Float64,
    "lower": pl.Float64,
    "upper": pl.Float64,
}


def _curves(table: CausesTable, fleet: Fleet) -> CumulativeIncidence:
    """Begun where enough are watched; a brief thin beginning in which nothing ended is passed over."""
    figures = fleet.settings.survival
    late = bool((table.entering[table.hours > 0] > 0).any())
    estimate = aalen_johansen(
        table, level=figures.confidence, minimum_at_risk=figures.minimum_at_risk if late else 0
    )
    if 0 < estimate.from_hours < BRIEF_HOURS and int(estimate.failed.sum()) == int(table.failed.sum()):
        return aalen_johansen(table, level=figures.confidence, minimum_at_risk=0)
    return estimate


def _labels(by: tuple[str, ...], group: Mapping[str, str]) -> list[pl.Expr]:
    return [pl.lit(group[column]).alias(column) for column in by]
