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
from fleetlog.lives.counting import ComponentLives, Endings, Stretches, endings_of, lives_of
from fleetlog.lives.group_test import compared, within_designs
from fleetlog.lives.inspected import fit_inspected, inspected_note
from fleetlog.lives.life_fit import LifeFit, fit_life, prior_for
from fleetlog.lives.naive import (
    Reading,
    as_json,
    doubt_note,
    ignoring_late_entry,
    naive_notes,
    reading,
    unknown_as_failed,
)
from fleetlog.lives.remarks import comparison_remarks, group_remark
from fleetlog.lives.splits import (
    Weighting,
    check_apart,
    check_split,
    curve_of,
    failure_finding,
    followed_component,
    pooled,
    split,
    weighting,
)
from fleetlog.lives.watched import left_running, watched_at
from fleetlog.questions import proposal
from fleetlog.session.finding import Finding, header
from fleetlog.session.fleet import Fleet, selection
from fleetlog.session.scope import WHOLE_FLEET, Columns, Scope, columns_of
from fleetlog.stats.arrays import Floats
from fleetlog.stats.by_machine import hazard_error, mean_by_machine, with_errors
from fleetlog.stats.product_limit import (
    INTERVALS,
    Interval,
    ProductLimit,
    RestrictedMean,
    positive_band,
    product_limit,
)
from fleetlog.stats.risk_table import RiskTable
from fleetlog.stats.weighted_lives import ObservedLives

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
    "survival_worst",
    "survival_best",
)


#: By how much of the way between the bounds the chances may be off together (standard deviation). Ours, by invented
#: fleets that took no part in the check (tests/benchmarks/bench_endings.py, seeds 1 to 12): without, 87% held untidy.
CHANCES_OFF = 0.12
#: The same for each unit of the logarithm of an age over that by which half have failed: how the risk of a part grows
#: is known less well than how large it is, so chances of parts much younger or older than most err more. Ours, by
#: invented fleets that took no part in the check (seeds 3001 to 3060): without, 87% held where 90% are alive.
CHANCES_OFF_BY_AGE = 0.3

_SUMMARY = (
    "spells",
    "failures",
    "found",
    "in_doubt",
    "from_hours",
    "median_hours",
    "median_lower",
    "median_upper",
    "b10_hours",
    "b10_lower",
    "b10_upper",
    "mean_hours",
    "mean_lower",
    "mean_upper",
    "mean_to_hours",
)


@dataclass(frozen=True)
class SurvivalGroup:
    """One curve.

    Attributes:
        group: column -> value of the split; empty when not split.
        spells, failures: lives observed, and how many ended by the cause; not whole where some ended in doubt.
        curve: one row a failure age, with CURVE_COLUMNS: survival (product limit) with its standard error
            (Greenwood's, or from machine to machine where endings are in doubt) and limits, cumulative hazard
            (Nelson–Aalen) with its own; survival_worst and survival_best, if all cases in doubt were failures of
            this part, or none.
        from_hours: 0, or the age to which the curve is conditional because too few were at risk before.
        median_hours, median_lower, median_upper: None = not reached.
        b10_hours, b10_lower, b10_upper: age by which 10% have failed; None = not reached.
        mean_hours, mean_std_error, mean_lower, mean_upper: hours that a part runs on average from `from_hours` up to
            `mean_to_hours`, the same age for all groups; None where that cannot be told.
        weibull: shape, scale_hours, shape_ci, scale_ci, b10_hours, median_hours, … (see `LifeFit`) or None.
        note: what a reader must know about this curve, e.g. why there is no Weibull fit.
        last_hours: the greatest age observed.
        fits: the distributions compared, best first; empty where failures are too few.
        naive: what careless readings of the same lives would say, see `naive.py`.
        at_risk_at: parts still watched just after each thousand hours.
        left_running: ages at which parts were last seen running.
        found: failures that the books name.
        inspected: Turnbull's curve and the Weibull life if failures that were only seen since the machine was open for
            its other side lie somewhere before (see `fit_inspected`); None without such.
        in_doubt: endings that may or may not have been failures of this part.
    """

    group: Mapping[str, str]
    component: str
    cause: str
    spells: int
    failures: float
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
    left_running: tuple[float, ...] = ()
    fits: tuple[Mapping[str, Any], ...] = ()
    naive: Mapping[str, Any] = field(default_factory=dict)
    found: int = 0
    in_doubt: int = 0
    inspected: Mapping[str, Any] | None = None
    b10_lower: float | None = None
    b10_upper: float | None = None
    mean_hours: float | None = None
    mean_std_error: float | None = None
    mean_lower: float | None = None
    mean_upper: float | None = None
    mean_to_hours: float | None = None

    @property
    def label(self) -> str:
        """The group in words, e.g. "original" or "2016, left"; "all" when not split."""
        return ", ".join(str(value) for value in self.group.values()) or "all"


@dataclass(frozen=True, repr=False)
class SurvivalFinding(Finding):
    """Survival of one component, one curve a group, and the log-rank test between them.

    Attributes:
        log_rank: chi2, df, p; chi2_by_machine and p_by_machine allow for lives of one machine being alike.
        endings: "believed", or "recorded" where the books alone were read.
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
    endings: str = "recorded"

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
                "found": group.found,
                "in_doubt": group.in_doubt,
                **{
                    name: group.curve[name].to_list() for name in CURVE_COLUMNS if name in group.curve.columns
                },
                "from_hours": group.from_hours,
                "median_hours": group.median_hours,
                "median_ci": [group.median_lower, group.median_upper],
                "b10_hours": group.b10_hours,
                "b10_ci": [group.b10_lower, group.b10_upper],
                "mean_hours": group.mean_hours,
                "mean_std_error": group.mean_std_error,
                "mean_ci": [group.mean_lower, group.mean_upper],
                "mean_to_hours": group.mean_to_hours,
                "weibull": group.weibull,
                "fits": group.fits,
                "inspected": group.inspected,
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
            endings=self.endings,
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
    strata: Columns | None = None,
    endings: Endings = "believed",
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
            them. None: within designs (variant) where build years are compared, else none.
        endings: believed: a life that may have ended by failure counts by the chance of its case; recorded: by
            the findings on record alone, as it does where `cause` names one.

    Raises:
        UsageError: for a component nobody follows, a finding that is no failure of it, a
            column that cannot be split by, or an unknown interval, test
            or way of counting.

    Examples:
        >>> june.survival(by="variant").summary["variant"].to_list()
        ['improved', 'original']
    """
    by = columns_of(by)
    strata = within_designs(by) if strata is None else columns_of(strata)
    history, family = fleet.begin(scope)
    component = followed_component(fleet, family, component)
    cause = failure_finding(fleet, component, cause)
    check_split((*by, *strata))
    check_apart(by, strata)
    weights = weighting(test)
    if interval not in INTERVALS:
        raise UsageError(f"There is no interval {interval!r}; {proposal(interval, INTERVALS)}")
    chosen = selection(scope)
    lives = lives_of(
        fleet,
        history,
        family,
        component,
        (*by, *strata),
        chosen,
        cause=cause,
        endings=endings_of(endings),
    )
    unknown = fleet.store.run("risk/unknown_endings", by, component=component, **chosen)
    known = _Known.of(lives, unknown, by)
    groups = []
    tables = {
        key: pooled(rows) if strata else RiskTable.from_frame(rows) for key, rows in split(lives.counts, by)
    }
    horizon = min(
        (_well_watched(table, fleet.settings.survival.minimum_at_risk) for table in tables.values()),
        default=0.0,
    )
    for key, table in tables.items():
        groups.append(
            _group(
                fleet,
                family,
                dict(zip(by, key, strict=True)),
                component,
                cause or "any failure",
                table,
                known,
                key,
                interval,
                horizon,
            )
        )
    return SurvivalFinding(
        as_of=history.as_of,
        fault=family.name,
        component=component,
        cause=cause or "any failure",
        by=by,
        groups=tuple(groups),
        log_rank=compared(lives, by, strata, weights),
        notes=(*_notes(fleet, component, groups, chosen), *([lives.note] if lives.note else [])),
        interval=interval,
        test=test,
        strata=strata,
        minimum_failures=fleet.settings.survival.minimum_failures,
        minimum_at_risk=fleet.settings.survival.minimum_at_risk,
        endings="believed" if lives.believed else "recorded",
    )


@dataclass(frozen=True, eq=False)
class _Known:
    """What lies behind each group's risk table.

    Attributes:
        recorded: its table as the books say.
        silent: its replacements that say nothing of the old part.
        stretches: where endings are in doubt, the stretches of lives as believed, at best and at worst.
    """

    recorded: Mapping[tuple[str, ...], pl.DataFrame]
    silent: Mapping[tuple[str, ...], pl.DataFrame]
    stretches: tuple[Mapping[tuple[str, ...], pl.DataFrame], ...] | None

    @staticmethod
    def of(lives: ComponentLives, unknown: pl.DataFrame, by: tuple[str, ...]) -> _Known:
        parts = (lives.believed, lives.best, lives.worst)
        told = [part for part in parts if part is not None]
        return _Known(
            recorded=dict(split(lives.recorded, by)),
            silent=dict(split(unknown, by)),
            stretches=tuple(dict(split(one.rows, by)) for one in told) if told else None,
        )


def _group(
    fleet: Fleet,
    family: FaultFamily,
    group: Mapping[str, str],
    component: str,
    cause: str,
    table: RiskTable,
    known: _Known,
    key: tuple[str, ...],
    interval: str,
    horizon: float,
) -> SurvivalGroup:
    """One curve with its fits, and what careless readings of it would say."""
    figures = fleet.settings.survival
    curve = curve_of(table, level=figures.confidence, minimum=figures.minimum_at_risk, interval=interval)
    found = int(known.recorded[key]["failed"].sum()) if key in known.recorded else 0
    if known.stretches is None:
        lives, error, in_doubt, common = None, None, 0, None
        bounds: tuple[ProductLimit, ...] = (curve, curve)
        spells = int(table.spells)
        late, doubted = ignoring_late_entry(curve), None
        silent = unknown_as_failed(curve, known.silent[key]) if key in known.silent else None
    else:
        own, best, worst = (
            Stretches(part.get(key, known.stretches[0][key].clear())) for part in known.stretches
        )
        lives = own.lives()
        spells = own.rows.select("of_machine", "of_side", "of_fit").n_unique()
        bounds = tuple(
            product_limit(pooled(one.counts(())), minimum_at_risk=0, from_hours=curve.from_hours)
            for one in (worst, best)
        )
        common = _chances_off(curve, bounds)
        curve, error = with_errors(curve, lives, common), hazard_error(curve, lives, common)
        in_doubt = round(bounds[0].failures - bounds[1].failures)
        late = _late(curve, own)
        silent = reading(curve, bounds[0], in_doubt)
        doubted = reading(curve, bounds[1], in_doubt)
    life: LifeFit = fit_life(
        table,
        level=figures.confidence,
        minimum=figures.minimum_failures,
        prior=prior_for(fleet, family, component, group.get("variant", "")),
        lives=lives,
    )
    seen = fit_inspected(lives, own.ordered["beside"].to_numpy(), curve, common) if lives else None
    mean = _mean(curve, lives, horizon, common)
    median, tenth = curve.quantile(0.5), curve.quantile(0.1)
    last_hours = float(table.hours[-1]) / table.per_hour
    notes = naive_notes(late, None if known.stretches else silent)
    if seen is not None:
        notes.append(inspected_note(seen))
    if doubted is not None and silent is not None:
        notes += doubt_note(table.failures, found, silent, doubted)
    return SurvivalGroup(
        group=group,
        component=component,
        cause=cause,
        spells=spells,
        failures=table.failures,
        curve=_with_hazard(curve, error, bounds),
        from_hours=curve.from_hours,
        last_hours=last_hours,
        median_hours=median.estimate,
        median_lower=median.lower,
        median_upper=median.upper,
        b10_hours=tenth.estimate,
        b10_lower=tenth.lower,
        b10_upper=tenth.upper,
        mean_hours=mean.estimate if mean else None,
        mean_std_error=mean.std_error if mean else None,
        mean_lower=mean.lower if mean else None,
        mean_upper=mean.upper if mean else None,
        mean_to_hours=mean.horizon_hours if mean else None,
        weibull=life.weibull,
        note="; ".join(text for text in (curve.note, life.note, *notes) if text),
        at_risk_at=watched_at(table, last_hours),
        left_running=left_running(table),
        fits=life.fits,
        naive=as_json(late, silent, doubted),
        found=found,
        in_doubt=in_doubt,
        inspected=seen,
    )


def _well_watched(table: RiskTable, minimum: float) -> float:
    """The last age, in whole hundreds of hours, up to which a group is watched by enough parts."""
    after = table.at_risk_after
    enough = np.flatnonzero(after >= min(minimum, after.max(initial=0.0) / 2.0))
    return float(table.hours[enough[-1]] / table.per_hour // 100 * 100) if enough.size else 0.0


def _mean(
    curve: ProductLimit, lives: ObservedLives | None, horizon: float, common: Floats | None
) -> RestrictedMean | None:
    """Hours run on average up to the horizon; None without a failure before it, which would leave it without limits."""
    if not (curve.hours < horizon).any() or horizon <= curve.from_hours:
        return None
    return curve.restricted_mean(horizon) if lives is None else mean_by_machine(curve, lives, horizon, common)


def _chances_off(curve: ProductLimit, bounds: tuple[ProductLimit, ...]) -> Floats:
    """Standard error of log S by the chances being off together, from how much hangs on them."""
    worst, best = (bound.at(curve.hours).survival for bound in bounds)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(curve.survival > 0, np.abs(best - worst) / curve.survival, 0.0)
    if not curve.hours.size:
        return np.asarray(share, dtype=np.float64)
    middle = curve.quantile(0.5).estimate or float(curve.hours[-1])
    by_age = CHANCES_OFF_BY_AGE * np.log(np.maximum(curve.hours, 1.0) / max(middle, 1.0))
    return np.asarray(np.nan_to_num(np.hypot(CHANCES_OFF, by_age) * share), dtype=np.float64)


def _late(curve: ProductLimit, own: Stretches) -> Reading | None:
    """The same lives counted as if watched from new; None where they were."""
    first = own.rows.filter(pl.col("entry") == pl.col("watched_from"), pl.col("entry") > 0)
    if first.is_empty():
        return None
    other = product_limit(
        pooled(own.counts((), from_new=True)), minimum_at_risk=0, from_hours=curve.from_hours
    )
    return reading(curve, other, first.select("of_machine", "of_side", "of_fit").n_unique())


def _with_hazard(curve: ProductLimit, error: Floats | None, bounds: tuple[ProductLimit, ...]) -> pl.DataFrame:
    """The curve's rows with the cumulative hazard (sum of d/Y; variance sum of d/Y² unless given) and bounds."""
    y, d = curve.at_risk.astype(np.float64), curve.failed.astype(np.float64)
    hazard, plain = np.cumsum(d / y), np.sqrt(np.cumsum(d / y**2))
    rows = (
        curve.to_frame()
        if error is None
        else curve.to_frame().cast({"at_risk": pl.Float64, "failed": pl.Float64})
    )
    error = plain if error is None else error
    lower, upper = positive_band(hazard, error, curve.level)
    worst, best = (bound.at(curve.hours).survival for bound in bounds)
    return rows.with_columns(
        pl.Series("cumulative_hazard", hazard),
        pl.Series("cumulative_hazard_std_error", error),
        pl.Series("cumulative_hazard_lower", lower),
        pl.Series("cumulative_hazard_upper", upper),
        pl.Series("survival_worst", np.fmin(worst, curve.survival)),
        pl.Series("survival_best", np.fmax(best, curve.survival)),
    ).select(CURVE_COLUMNS)


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
