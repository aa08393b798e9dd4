"""What drives the hazard? Cox regression on the lives of a part, or on the recurrences of a fault."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import polars as pl

from fleetlog.errors import UsageError
from fleetlog.findings.base import WHOLE_FLEET, Scope, header
from fleetlog.findings.fleet import Fleet, selection
from fleetlog.findings.survival import check_component
from fleetlog.stats.cox import CoxFit, Spells, cluster_robust, fit_cox_cells
from fleetlog.stats.cox_cells import CoxCells
from fleetlog.stats.errors import StatsError

if TYPE_CHECKING:
    import altair as alt

Clock = Literal["lives", "total", "gap"]
CLOCKS = ("lives", "total", "gap")
LIFE_COLUMNS = (
    "build_year",
    "variant",
    "side",
    "sensor_kind",
    "site",
    "make",
    "model",
    "machine_type",
    "control",
)
RECURRENCE_COLUMNS = ("build_year", "site", "make", "model", "machine_type")


@dataclass(frozen=True)
class DriversFinding:
    """Hazard ratios with machine-robust intervals.

    Attributes:
        clock: "lives" (age of the part), "total" (running hours of the machine, recurrences in their order) or
            "gap" (running hours since the last recurrence).
        ratios: one row a level: name, term, hazard_ratio, lower, upper, p, coefficient, std_error,
            robust_std_error.
        terms: one row a factor: term, chi2, df, p, and the test that its ratio holds at all ages: ph_chi2, ph_p.
        model: spells, failures, machines, ties, likelihood_ratio (chi2, df, p), proportional (chi2, df, p).
    """

    as_of: date
    fault: str
    component: str
    clock: str
    factors: tuple[str, ...]
    strata: tuple[str, ...]
    ratios: pl.DataFrame
    terms: pl.DataFrame
    model: Mapping[str, Any]
    notes: tuple[str, ...] = ()

    @property
    def frame(self) -> pl.DataFrame:
        """One row a level of a factor."""
        return self.ratios

    def to_dict(self) -> dict[str, Any]:
        """Hazard ratios as rows, the tests by term, and the model's figures."""
        return header(
            self,
            self.ratios.to_dicts(),
            component=self.component,
            clock=self.clock,
            factors=list(self.factors),
            strata=list(self.strata),
            terms=self.terms.to_dicts(),
            model=dict(self.model),
        )

    def chart(self) -> alt.TopLevelMixin:
        """Hazard ratios with intervals on a log scale."""
        from fleetlog.charts import drivers_chart

        return drivers_chart(self)


def drivers(
    fleet: Fleet,
    scope: Scope = WHOLE_FLEET,
    *,
    component: str = "internal_bushing",
    factors: tuple[str, ...] = ("variant", "site"),
    strata: tuple[str, ...] = (),
    clock: Clock = "lives",
    ties: Literal["efron", "breslow"] = "efron",
) -> DriversFinding:
    """Cox regression with delayed entry, strata, ties, and variances robust to lives of one machine being alike.

    Args:
        fleet: whom to ask.
        scope: which part of the fleet, as of when.
        component: a part that a fault family follows (for the clock "lives").
        factors: columns to explain the hazard by; the level with most hours is the one compared with.
        strata: columns whose values get a baseline hazard of their own.
        clock: "lives", or for recurrences of the fault "total" or "gap" (strata by recurrence number added).
        ties: "efron" or "breslow".

    Raises:
        UsageError: for unknown columns, or where the data cannot carry the model.
    """
    history, family = fleet.begin(scope)
    columns = LIFE_COLUMNS if clock == "lives" else RECURRENCE_COLUMNS
    _check(factors, strata, columns)
    if clock == "lives":
        check_component(fleet, component)
        lives = fleet.store.run("risk/lives", component=component, **selection(scope))
    else:
        lives = fleet.store.run("risk/recurrences", fault=family.name, **selection(scope))
        # Beyond the fifth recurrence there are too few machines for baselines of their own.
        lives = lives.with_columns(pl.min_horizontal("number", pl.lit(5)).alias("number"))
        strata = (*strata, "number")
        if clock == "gap":
            lives = lives.with_columns(
                (pl.col("hours") - pl.col("entry")).alias("hours"), pl.lit(0).alias("entry")
            )
    factors, dropped = _with_two_levels(lives, factors)
    if not factors:
        raise UsageError("No factor has two values in this part of the fleet, so nothing can be compared.")
    try:
        fit = _fit(lives, factors, strata, ties, fleet.settings.survival.confidence)
    except StatsError as error:
        raise UsageError(f"The data cannot carry this model: {error}.") from error
    return DriversFinding(
        as_of=history.as_of,
        fault=family.name,
        component=component if clock == "lives" else "",
        clock=clock,
        factors=factors,
        strata=strata,
        ratios=fit.to_frame().select(
            "name",
            "term",
            "hazard_ratio",
            "lower",
            "upper",
            "p",
            "coefficient",
            "std_error",
            "robust_std_error",
        ),
        terms=_terms(fit),
        model=_model(fit),
        notes=_notes(fit, dropped, clock),
    )


def _check(factors: tuple[str, ...], strata: tuple[str, ...], columns: tuple[str, ...]) -> None:
    for column in (*factors, *strata):
        if column not in columns:
            raise UsageError(
                f"The hazard cannot be explained by {column!r}; take one of {', '.join(columns)}."
            )
    both = set(factors) & set(strata)
    if both:
        raise UsageError(f"{', '.join(sorted(both))} cannot be a factor and a stratum at once; choose one.")


def _with_two_levels(
    lives: pl.DataFrame, factors: tuple[str, ...]
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    varied = tuple(name for name in factors if lives[name].n_unique() > 1)
    return varied, tuple(name for name in factors if name not in varied)


def _fit(
    lives: pl.DataFrame, factors: tuple[str, ...], strata: tuple[str, ...], ties: str, level: float
) -> CoxFit:
    """Collapses lives to counts by cell and age, fits, and sums score residuals by machine."""
    keys = [*strata, *factors]
    risk = pl.concat(
        [
            lives.select(*keys, pl.col("entry").alias("hours"), entering=1, failed=0, leaving=0),
            lives.select(*keys, "hours", entering=0, failed=pl.col("failed").cast(pl.Int32), leaving=1),
        ],
        how="vertical_relaxed",
    )
    risk = risk.group_by(*keys, "hours").sum().sort(*keys, "hours")
    reference = {name: _commonest(lives, name) for name in factors}
    cells = CoxCells.from_frame(risk, factors, strata=strata, reference=reference)
    fit = fit_cox_cells(cells, ties=ties, level=level)  # type: ignore[arg-type]
    cell_of = lives.select(keys).unique().sort(keys).with_row_index("cell")
    placed = lives.join(cell_of, on=keys, how="left", maintain_order="left")
    spells = Spells(
        entry=placed["entry"].to_numpy(),
        exit=placed["hours"].to_numpy(),
        failed=placed["failed"].cast(pl.Float64).to_numpy(),
        cell=placed["cell"].cast(pl.Int64).to_numpy(),
        weight=np.ones(len(placed)),
    )
    return cluster_robust(fit, spells, lives["machine_id"].to_numpy())


def _commonest(lives: pl.DataFrame, name: str) -> str:
    """The level with most hours under observation; of equals the first by name."""
    hours = lives.group_by(name).agg((pl.col("hours") - pl.col("entry")).sum().alias("watched"))
    level: str = hours.sort(["watched", name], descending=[True, False])[name][0]
    return level


def _terms(fit: CoxFit) -> pl.DataFrame:
    proportional = fit.proportionality()
    rows = []
    for term, test in zip(proportional.terms, proportional.tests, strict=True):
        own = fit.test_term(term)
        rows.append(
            {
                "term": term,
                "chi2": own.chi2,
                "df": own.df,
                "p": own.p,
                "ph_chi2": test.chi2,
                "ph_p": test.p,
            }
        )
    return pl.DataFrame(rows)


def _model(fit: CoxFit) -> dict[str, Any]:
    whole = fit.proportionality().all_terms
    return {
        "spells": int(fit.spells),
        "failures": int(fit.failures),
        "machines": fit.clusters,
        "ties": fit.ties,
        "log_likelihood": fit.log_likelihood,
        "likelihood_ratio": {
            "chi2": fit.likelihood_ratio.chi2,
            "df": fit.likelihood_ratio.df,
            "p": fit.likelihood_ratio.p,
        },
        "proportional": {"chi2": whole.chi2, "df": whole.df, "p": whole.p},
    }


def _notes(fit: CoxFit, dropped: tuple[str, ...], clock: str) -> tuple[str, ...]:
    notes = [f"{name} has one value only here and was left out." for name in dropped]
    if fit.note:
        notes.append(f"{fit.note[0].upper()}{fit.note[1:]}.")
    if clock != "lives":
        notes.append("Recurrences are stratified by their number (first, second, … fifth and later).")
    return tuple(notes)
