"""How long do parts live? Survival of a component by age, split by what the asker wants."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any, ClassVar

import numpy as np
import polars as pl

from fleetlog.errors import UsageError
from fleetlog.faults import FaultFamily
from fleetlog.lives.life_fit import LifeFit, fit_life, prior_for
from fleetlog.lives.naive import as_json, ignoring_late_entry, naive_notes, unknown_as_failed
from fleetlog.lives.remarks import comparison_remarks, group_remark
from fleetlog.lives.splits import (
    Weighting,
    check_apart,
    check_split,
    counted_lives,
    curve_of,
    failure_finding,
    followed_component,
    pooled,
    split,
    weighting,
)
from fleetlog.questions import proposal
from fleetlog.session.finding import Finding, header
from fleetlog.session.fleet import Fleet, selection
from fleetlog.session.scope import WHOLE_FLEET, Columns, Scope, columns_of
from fleetlog.stats.log_rank import log_rank
from fleetlog.stats.product_limit import INTERVALS, Interval, ProductLimit, positive_band
from fleetlog.stats.risk_table import RiskTable

CURVE_COLUMNS = (
    "hours",
    "at_risk",
    "failed",
    "survival",
    "std_error",
    "lower",
    "upper",
    "cumulative_hazard",
    "cumulative_hazard_std_error",
    "cumulative_hazard_lower",
    "cumulative_hazard_upper",
)


_SUMMARY = ("spells", "failures", "from_hours", "median_hours", "median_lower", "median_upper", "b10_hours")


@dataclass(frozen=True)
class SurvivalGroup:
    """One curve.

    Attributes:
        group: column -> value of the split; empty when not split.
        spells, failures: lives observed, and how many ended by the cause.
        curve: one row a failure age, with CURVE_COLUMNS: survival (product limit) with Greenwood's standard
            error and limits, cumulative hazard (Nelson–Aalen) with its own.
        from_hours: 0, or the age to which the curve is conditional because too few were at risk before.
        median_hours, median_lower, median_upper: None = not reached.
        b10_hours: age by which 10% have failed; None = not reached.
        weibull: shape, scale_hours, shape_ci, scale_ci, b10_hours, median_hours, … (see `LifeFit`) or None.
        note: what a reader must know about this curve, e.g. why there is no Weibull fit.
        last_hours: the greatest age observed.
        fits: the distributions compared, best first; empty where failures are too few.
        naive: what careless readings of the same lives would say, see `naive.py`.
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
    fits: tuple[Mapping[str, Any], ...] = ()
    naive: Mapping[str, Any] = field(default_factory=dict)

    @property
    def label(self) -> str:
        """The group in words, e.g. "original" or "2016, left"; "all" when not split."""
        return ", ".join(str(value) for value in self.group.values()) or "all"


@dataclass(frozen=True, repr=False)
class SurvivalFinding(Finding):
    """Survival of one component, one curve a group, and the log-rank test between them.

    Attributes:
        minimum_failures, minimum_at_risk: the settings in force: a group of fewer failures says nothing of
            the shape of its lives, and a curve that rests on fewer parts is no sure one.
    """

    question: ClassVar[str] = "survival"

    as_of: date
    fault: str
    component: str
    cause: str
    by: tuple[str, ...]
    groups: tuple[SurvivalGroup, ...]
    log_rank: Mapping[str, float] | None
    notes: tuple[str, ...] = ()
    interval: str = "log-log"
    test: str = "log-rank"
    strata: tuple[str, ...] = ()
    minimum_failures: int = 5
    minimum_at_risk: int = 5

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
                    **{name: getattr(group, name) for name in _SUMMARY},
                    "weibull_shape": group.weibull["shape"] if group.weibull else None,
                    "weibull_scale_hours": group.weibull["scale_hours"] if group.weibull else None,
                    "note": group.note,
                }
                for group in self.groups
            ],
            infer_schema_length=None,
        )

    @property
    def remarks(self) -> tuple[str, ...]:
        """The test between the groups and the notes about single groups."""
        about = [group_remark(group.label, group.note, bool(self.by)) for group in self.groups if group.note]
        return (*comparison_remarks(self.test, self.log_rank, self.strata), *about)

    def to_dict(self) -> dict[str, Any]:
        """See the interface: rows with group, component, cause, spells, failures, hours, survival, …."""
        rows = [
            {
                "group": group.group,
                "component": group.component,
                "cause": group.cause,
                "spells": group.spells,
                "failures": group.failures,
                **{
                    name: group.curve[name].to_list() for name in CURVE_COLUMNS if name in group.curve.columns
                },
                "from_hours": group.from_hours,
                "median_hours": group.median_hours,
                "median_ci": [group.median_lower, group.median_upper],
                "b10_hours": group.b10_hours,
                "weibull": group.weibull,
                "fits": group.fits,
                "naive": group.naive,
                "note": group.note,
            }
            for group in self.groups
        ]
        return header(
            self,
            rows,
            by=self.by,
            interval=self.interval,
            log_rank=self.log_rank,
            test=self.test,
            strata=self.strata,
        )


def survival(
    fleet: Fleet,
    scope: Scope = WHOLE_FLEET,
    *,
    component: str | None = None,
    cause: str | None = None,
    by: Columns = (),
    interval: Interval = "log-log",
    test: Weighting = "log-rank",
    strata: Columns = (),
) -> SurvivalFinding:
    """Survival of a component by age in running hours, delayed entry respected.

    Args:
        component: a part that a fault family follows; None: the one the family is about.
        cause: a finding on removal ("worn", …) that counts as failure; None = any failure.
        by: columns to split by: build_year, variant, side, sensor_kind, site, make, model, machine_type,
            control.
        interval: kind of pointwise interval: log-log, log or plain.
        test: weights of the test between the groups: log-rank, gehan, tarone-ware, peto-peto, modified-peto.
        strata: columns within whose values alone the groups are compared by the test; the curves do not use
            them.

    Raises:
        UsageError: for a component nobody follows, a finding that is no failure of it, a
            column that cannot be split by, or an unknown interval
            or test.

    Examples:
        >>> june.survival(by="variant").summary["variant"].to_list()
        ['improved', 'original']
    """
    by, strata = columns_of(by), columns_of(strata)
    history, family = fleet.begin(scope)
    component = followed_component(fleet, family, component)
    cause = failure_finding(fleet, component, cause)
    check_split((*by, *strata))
    check_apart(by, strata)
    weights = weighting(test)
    if interval not in INTERVALS:
        raise UsageError(f"There is no interval {interval!r}; {proposal(interval, INTERVALS)}")
    chosen = selection(scope)
    counted = counted_lives(fleet.store, (*by, *strata), component=component, cause=cause, **chosen)
    unknown = fleet.store.run("risk/unknown_endings", by, component=component, **chosen)
    silent = dict(split(unknown, by))
    groups = []
    for key, rows in split(counted, by):
        table = pooled(rows) if strata else RiskTable.from_frame(rows)
        groups.append(
            _group(
                fleet,
                family,
                dict(zip(by, key, strict=True)),
                component,
                cause or "any failure",
                table,
                silent.get(key, unknown.clear()),
                interval,
            )
        )
    return SurvivalFinding(
        as_of=history.as_of,
        fault=family.name,
        component=component,
        cause=cause or "any failure",
        by=by,
        groups=tuple(groups),
        log_rank=_compare(counted, by, strata, weights),
        notes=_notes(fleet, component, groups, chosen),
        interval=interval,
        test=test,
        strata=strata,
        minimum_failures=fleet.settings.survival.minimum_failures,
        minimum_at_risk=fleet.settings.survival.minimum_at_risk,
    )


def _group(
    fleet: Fleet,
    family: FaultFamily,
    group: Mapping[str, str],
    component: str,
    cause: str,
    table: RiskTable,
    unknown: pl.DataFrame,
    interval: str,
) -> SurvivalGroup:
    """One curve with its fits, and what careless readings of it would say."""
    figures = fleet.settings.survival
    curve = curve_of(table, level=figures.confidence, minimum=figures.minimum_at_risk, interval=interval)
    late, silent = ignoring_late_entry(curve), unknown_as_failed(curve, unknown)
    life: LifeFit = fit_life(
        table,
        level=figures.confidence,
        minimum=figures.minimum_failures,
        prior=prior_for(fleet, family, component, group.get("variant", "")),
    )
    median = curve.quantile(0.5)
    last_hours = float(table.hours[-1]) / table.per_hour
    return SurvivalGroup(
        group=group,
        component=component,
        cause=cause,
        spells=int(table.spells),
        failures=int(table.failures),
        curve=_with_hazard(curve),
        from_hours=curve.from_hours,
        last_hours=last_hours,
        median_hours=median.estimate,
        median_lower=median.lower,
        median_upper=median.upper,
        b10_hours=curve.quantile(0.1).estimate,
        weibull=life.weibull,
        note="; ".join(text for text in (curve.note, life.note, *naive_notes(late, silent)) if text),
        at_risk_at=_at_risk(table, last_hours),
        fits=life.fits,
        naive=as_json(late, silent),
    )


def _with_hazard(curve: ProductLimit) -> pl.DataFrame:
    """The curve's rows with the cumulative hazard (sum of d/Y, variance sum of d/Y²) from the same start."""
    y, d = curve.at_risk.astype(np.float64), curve.failed.astype(np.float64)
    hazard, error = np.cumsum(d / y), np.sqrt(np.cumsum(d / y**2))
    lower, upper = positive_band(hazard, error, curve.level)
    return (
        curve.to_frame()
        .with_columns(
            pl.Series("cumulative_hazard", hazard),
            pl.Series("cumulative_hazard_std_error", error),
            pl.Series("cumulative_hazard_lower", lower),
            pl.Series("cumulative_hazard_upper", upper),
        )
        .select(CURVE_COLUMNS)
    )


def _at_risk(table: RiskTable, last_hours: float) -> tuple[tuple[float, int], ...]:
    """Numbers at risk just after each thousand hours."""
    before = table.at_risk_after
    marks = []
    for thousand in range(int(last_hours // 1000) + 1):
        position = int((table.hours <= thousand * 1000 * table.per_hour).sum()) - 1
        marks.append((thousand * 1000.0, int(before[position]) if position >= 0 else 0))
    return tuple(marks)


def _compare(
    counted: pl.DataFrame, by: tuple[str, ...], strata: tuple[str, ...], weights: Any
) -> dict[str, float] | None:
    """The test that no group differs, within strata."""
    parts = split(counted, (*by, *strata))
    groups = [key[: len(by)] for key, _ in parts]
    if len(set(groups)) < 2:
        return None
    tables = [RiskTable.from_frame(rows) for _, rows in parts]
    test = log_rank(tables, groups=groups, strata=[key[len(by) :] for key, _ in parts], weights=weights)
    return {"chi2": test.chi2, "df": test.df, "p": test.p}


def _notes(
    fleet: Fleet, component: str, groups: list[SurvivalGroup], chosen: Mapping[str, Any]
) -> tuple[str, ...]:
    left_out = fleet.store.run("risk/unobserved_lives", component=component, **chosen).row(0, named=True)
    notes = []
    if not groups:
        notes.append(f"No life of {component} is under observation in this part of the fleet.")
    if left_out["before_records"]:
        notes.append(
            f"{left_out['before_records']} lives ended before records began and are not counted; "
            "the others count from the age at which records begin (delayed entry)."
        )
    if left_out["no_time"]:
        notes.append(
            f"{left_out['no_time']} lives end at the age at which their observation begins (entry = exit): "
            "they were watched over no running hours and are not counted."
        )
    if left_out["inferred"]:
        notes.append(f"{left_out['inferred']} parts are inferred from the machine's build date and control.")
    return tuple(notes)
