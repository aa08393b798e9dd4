"""How long do parts live? Survival of a component by age, split by what the asker wants."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

import polars as pl

from fleetlog.errors import UsageError
from fleetlog.findings.base import WHOLE_FLEET, Scope, header
from fleetlog.findings.fleet import Fleet, selection
from fleetlog.stats.errors import StatsError
from fleetlog.stats.lifetimes import WeibullFit, fit_weibull
from fleetlog.stats.log_rank import log_rank
from fleetlog.stats.product_limit import ProductLimit, product_limit
from fleetlog.stats.risk_table import RiskTable
from fleetlog.store.statements import statement

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


def survival(
    fleet: Fleet,
    scope: Scope = WHOLE_FLEET,
    *,
    component: str = "internal_bushing",
    cause: str | None = None,
    by: tuple[str, ...] = (),
) -> SurvivalFinding:
    """Survival of a component by age in running hours, delayed entry respected.

    Args:
        fleet: whom to ask.
        scope: which part of the fleet, as of when.
        component: a part that a fault family follows.
        cause: a finding on removal ("worn", …) that counts as failure; None = any failure.
        by: columns to split by: build_year, variant, side, sensor_kind, site, make, model, machine_type,
            control.

    Raises:
        UsageError: for a component nobody follows or a column that cannot be split by.
    """
    history, family = fleet.begin(scope)
    check_split(fleet, component, by)
    counted = fleet.store.run("risk/survival", by, component=component, cause=cause, **selection(scope))
    level = fleet.settings.survival.confidence
    keys = counted.select(by).unique(maintain_order=True).rows() if by else [()]
    groups: list[SurvivalGroup] = []
    tables: list[RiskTable] = []
    for key in keys:
        rows = counted
        for column, value in zip(by, key, strict=True):
            rows = rows.filter(pl.col(column).eq_missing(pl.lit(value)))
        if rows.is_empty():
            continue
        table = RiskTable.from_frame(rows)
        curve = _curve(table, rows, level, fleet.settings.survival.minimum_at_risk)
        group = {
            column: "unknown" if value is None else str(value) for column, value in zip(by, key, strict=True)
        }
        weibull, why_not = _weibull(table, level, fleet.settings.survival.minimum_failures)
        groups.append(_group(group, component, cause or "any failure", table, curve, weibull, why_not))
        tables.append(table)
    return SurvivalFinding(
        as_of=history.as_of,
        fault=family.name,
        component=component,
        cause=cause or "any failure",
        by=by,
        groups=tuple(groups),
        log_rank=_compare(tables),
        notes=_notes(fleet, component, groups),
    )


def check_component(fleet: Fleet, component: str) -> None:
    """Refuses a component whose lives nobody follows (UsageError)."""
    followed = sorted({part.component for family in fleet.families.values() for part in family.parts})
    if component not in followed:
        raise UsageError(
            f"The lives of {component!r} are not followed; take one of {', '.join(followed)}, "
            "or add the part to a fault family."
        )


def check_split(fleet: Fleet, component: str, by: tuple[str, ...]) -> None:
    """Refuses a component whose lives nobody follows, or a column that cannot be split by (UsageError)."""
    check_component(fleet, component)
    allowed = statement("risk/survival").strata
    for column in by:
        if column not in allowed:
            raise UsageError(f"Survival cannot be split by {column!r}; take one of {', '.join(allowed)}.")


# A thin beginning shorter than this, in which nothing failed, changes no number that anybody reads.
_BRIEF_HOURS = 250.0


def _curve(table: RiskTable, rows: pl.DataFrame, level: float, minimum: int) -> ProductLimit:
    curve = product_limit(table, level=level, minimum_at_risk=minimum if _late(rows) else 0)
    if curve.from_hours < _BRIEF_HOURS and int(curve.failed.sum()) == int(table.failures):
        return product_limit(table, level=level, minimum_at_risk=0)
    return curve


def _late(rows: pl.DataFrame) -> bool:
    """Whether anybody came under observation after age zero."""
    return bool((rows.filter(pl.col("hours") > 0)["entering"] > 0).any())


def _weibull(table: RiskTable, level: float, minimum: int) -> tuple[WeibullFit | None, str]:
    if table.failures < minimum:
        return None, f"{table.failures:g} failures are too few for a Weibull fit (at least {minimum})"
    try:
        return fit_weibull(table, level=level), ""
    except StatsError as error:
        return None, f"no Weibull fit: {error}"


def _group(
    group: Mapping[str, str],
    component: str,
    cause: str,
    table: RiskTable,
    curve: ProductLimit,
    weibull: WeibullFit | None,
    why_not: str,
) -> SurvivalGroup:
    median = curve.quantile(0.5)
    last_hours = float(table.hours[-1]) / table.per_hour
    notes = [text for text in (curve.note, why_not, weibull.note if weibull else "") if text]
    return SurvivalGroup(
        group=group,
        component=component,
        cause=cause,
        spells=int(table.spells),
        failures=int(table.failures),
        curve=curve.to_frame().select("hours", "at_risk", "failed", "survival", "lower", "upper"),
        from_hours=curve.from_hours,
        last_hours=last_hours,
        median_hours=median.estimate,
        median_lower=median.lower,
        median_upper=median.upper,
        b10_hours=curve.quantile(0.1).estimate,
        weibull=_weibull_summary(weibull) if weibull else None,
        note="; ".join(notes),
        at_risk_at=_at_risk(table, last_hours),
    )


def _at_risk(table: RiskTable, last_hours: float) -> tuple[tuple[float, int], ...]:
    """Numbers at risk just after each thousand hours."""
    before = table.at_risk_after
    marks = []
    for thousand in range(int(last_hours // 1000) + 1):
        position = int((table.hours <= thousand * 1000 * table.per_hour).sum()) - 1
        marks.append((thousand * 1000.0, int(before[position]) if position >= 0 else 0))
    return tuple(marks)


def _weibull_summary(fit: WeibullFit) -> dict[str, Any]:
    b10, median = fit.b_life(0.1), fit.b_life(0.5)
    return {
        "shape": fit.shape,
        "scale_hours": fit.scale_hours,
        "shape_ci": list(fit.shape_ci) if fit.shape_ci else None,
        "scale_ci": list(fit.scale_ci) if fit.scale_ci else None,
        "b10_hours": b10.estimate,
        "b10_ci": [b10.lower, b10.upper],
        "median_hours": median.estimate,
        "median_ci": [median.lower, median.upper],
        "log_likelihood": fit.log_likelihood,
        "total_hours": fit.total_hours,
        "method": fit.method,
    }


def _compare(tables: list[RiskTable]) -> dict[str, float] | None:
    if len(tables) < 2:
        return None
    test = log_rank(tables)
    return {"chi2": test.chi2, "df": test.df, "p": test.p}


def _notes(fleet: Fleet, component: str, groups: list[SurvivalGroup]) -> tuple[str, ...]:
    if not groups:
        return (f"No life of {component} is under observation in this part of the fleet.",)
    left_out = fleet.store.run("risk/unobserved_lives", component=component)
    notes = []
    if left_out["before_records"][0]:
        notes.append(
            f"{left_out['before_records'][0]} lives ended before records began and are not counted; "
            "the others count from the age at which records begin (delayed entry)."
        )
    if left_out["inferred"][0]:
        notes.append(
            f"{left_out['inferred'][0]} parts are inferred from the machine's build date and control."
        )
    return tuple(notes)
