"""What drives the hazard? Cox regression on the lives of a part, or on the recurrences of a fault."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from datetime import date
from typing import Any, ClassVar, Literal

import polars as pl

from fleetlog.errors import UsageError
from fleetlog.lives.counting import Endings, Stretches, endings_of, lives_of
from fleetlog.lives.cox_by_machine import Counted, counts_by, fit_by_machine, fit_stretches
from fleetlog.lives.remarks import p_value
from fleetlog.lives.splits import check_apart, followed_component, life_columns
from fleetlog.questions import proposal
from fleetlog.session.finding import Finding
from fleetlog.session.fleet import Fleet, selection
from fleetlog.session.scope import WHOLE_FLEET, Columns, Scope, columns_of
from fleetlog.stats.cox import CoxFit
from fleetlog.stats.errors import StatsError
from fleetlog.store.statements import statement

Clock = Literal["lives", "total", "ordered", "gap"]
CLOCKS: tuple[Clock, ...] = ("lives", "total", "ordered", "gap")
Ties = Literal["efron", "breslow"]
TIES: tuple[Ties, ...] = ("efron", "breslow")

# Failures wanted for each coefficient (Peduzzi et al. 1995: fewer, and intervals come out too narrow).
_ENOUGH_EACH = 10


@dataclass(frozen=True, repr=False)
class DriversFinding(Finding):
    """Hazard ratios with machine-robust intervals.

    Attributes:
        clock: "lives" (age of the part), or for recurrences of the fault "total" (running hours of the
            machine, one baseline), "ordered" (the same, a baseline for the first, second, …) or "gap" (hours
            since the last one, a baseline for the first, second, …).
        factors, strata: the columns that explain the hazard, and those with baselines of their own.
        ratios: one row an estimated level: name, term, level, hazard_ratio, lower, upper, p, coefficient,
            std_error, robust_std_error.
        terms: one row a factor: term, chi2, df, p, and the test that its ratio holds at all ages: ph_chi2,
            ph_p.
        model: spells, failures, machines, ties, log_likelihood, likelihood_ratio (chi2, df, p), proportional
            (chi2, df, p).
        reference: factor -> the level that the others are compared with.
        levels: one row a level, estimated or not: term, level, failures, hours (under observation),
            hazard_ratio, lower, upper, p. The level compared with has ratio 1 and no interval; a level
            without a failure has ratio 0 and no interval.
        concordance: share of pairs of which the one of the higher ratio failed first (c, std_error, lower, upper).
    """

    question: ClassVar[str] = "drivers"
    answers = (
        "component",
        "clock",
        "factors",
        "strata",
        "reference",
        "levels",
        "terms",
        "model",
        "concordance",
    )

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
    reference: Mapping[str, str] = field(default_factory=dict)
    levels: pl.DataFrame = field(default_factory=pl.DataFrame)
    concordance: Mapping[str, float] = field(default_factory=dict)

    @property
    def frame(self) -> pl.DataFrame:
        """One row a level of a factor."""
        return self.ratios

    @property
    def remarks(self) -> tuple[str, ...]:
        """The check that the ratios hold at all ages, factor by factor and together."""
        tests = [f"{row['term']} {p_value(row['ph_p'])}" for row in self.terms.iter_rows(named=True)]
        order = self.concordance
        together = f"; all together {p_value(self.model['proportional']['p'])}" if len(tests) > 1 else ""
        return (
            f"Test that the ratios are the same at all ages (proportional hazards): {', '.join(tests)}{together}.",
            f"Concordance {order['c']:.2f} ({order['lower']:.2f} to {order['upper']:.2f}): of two parts of which one "
            "failed while the other went on, so often the one with the higher ratio failed first; 0.5 would be chance.",
        )


def drivers(
    fleet: Fleet,
    scope: Scope = WHOLE_FLEET,
    *,
    component: str | None = None,
    factors: Columns = ("variant", "site"),
    strata: Columns = (),
    clock: Clock = "lives",
    ties: Ties = "efron",
    endings: Endings = "believed",
) -> DriversFinding:
    """Cox regression with delayed entry, strata and ties, robust to lives of one machine being alike.

    Args:
        component: a part that a fault family follows (for the clock "lives"); None: the one the
            family is about.
        factors: columns to explain the hazard by; the level with most hours is the one compared with.
        strata: columns whose values get a baseline hazard of their own.
        clock: "lives", or for recurrences of the fault "total", "ordered" or "gap".
        ties: "efron" or "breslow"; where lives count by shares, ties are always taken as Breslow did.
        endings: for the clock "lives", believed: a life that may have ended by failure counts by the chance of its
            case; recorded: by the findings on record alone.

    Raises:
        UsageError: for unknown columns, clocks or ties, or where the data cannot carry the model.

    Examples:
        >>> june.drivers(factors=("variant", "site")).terms["term"].to_list()
        ['variant', 'site']
    """
    factors, strata = columns_of(factors), columns_of(strata)
    history, family = fleet.begin(scope)
    _check(factors, strata, clock, ties)
    believed: Stretches | None = None
    if clock == "lives":
        component = followed_component(fleet, family, component)
        question = Counted(
            "risk/survival",
            "risk/score_sums",
            component,
            {"component": component, "cause": None, **selection(scope)},
            lives="risk/lives",
        )
        lives = lives_of(
            fleet,
            history,
            family,
            component,
            (*strata, *factors),
            selection(scope),
            endings=endings_of(endings),
        )
        believed = lives.believed.in_words((*strata, *factors)) if lives.believed else None
    else:
        chosen = {"fault": family.name, **selection(scope)}
        fleet.store.create("recurrence", statement("risk/recurrences"), temporary=True, **chosen)
        question = Counted(
            "risk/recurrence_counts",
            "risk/recurrence_score_sums",
            family.name,
            {"fault": family.name, "from_last": clock == "gap"},
        )
    order = () if clock in ("lives", "total") else ("number",)
    keys = (*strata, *order, *factors)
    counted = believed.counts(keys) if believed else counts_by(fleet.store, question, keys)
    levels = _levels(counted, factors)
    empty = levels.filter(pl.col("failures") == 0)
    for term, level in empty.select("term", "level").iter_rows():
        # Its ratio is estimated as 0, and then its lives weigh nothing in any risk set.
        counted = counted.filter(pl.col(term) != level)
        believed = believed.without(term, level) if believed else None
    estimable = tuple(name for name in factors if _failing(levels, name) > 1)
    if not estimable:
        raise UsageError(
            "No factor has two values with failures in this part of the fleet, so nothing can be compared."
        )
    reference = {name: _commonest(levels, name) for name in estimable}
    try:
        fit, ordered = (
            fit_stretches(
                believed, estimable, (*strata, *order), reference, level=fleet.settings.survival.confidence
            )
            if believed
            else fit_by_machine(
                fleet.store,
                question,
                counted,
                keys,
                estimable,
                (*strata, *order),
                reference,
                ties="efron" if ties == "efron" else "breslow",
                level=fleet.settings.survival.confidence,
            )
        )
    except StatsError as error:
        raise UsageError(f"The data cannot carry this model: {error}.") from error
    terms = _terms(fit)
    return DriversFinding(
        as_of=history.as_of,
        fault=family.name,
        component=component or "" if clock == "lives" else "",
        clock=clock,
        factors=estimable,
        strata=(*strata, *order),
        ratios=_ratios(fit),
        terms=terms,
        model={**_model(fit), **({"spells": _lives_in(believed)} if believed else {})},
        concordance=asdict(ordered),
        notes=_notes(fit, terms, factors, levels, clock),
        reference=reference,
        levels=_all_levels(fit, levels, reference),
    )


def _check(factors: tuple[str, ...], strata: tuple[str, ...], clock: str, ties: str) -> None:
    if clock not in CLOCKS:
        raise UsageError(f"There is no clock {clock!r}; {proposal(clock, CLOCKS)}")
    if ties not in TIES:
        raise UsageError(f"There is no treatment of ties {ties!r}; {proposal(ties, TIES)}")
    if not factors:
        raise UsageError("Name at least one column to explain the hazard by.")
    columns = life_columns() if clock == "lives" else _recurrence_columns()
    for column in (*factors, *strata):
        if column not in columns:
            raise UsageError(f"The hazard cannot be explained by {column!r}; {proposal(column, columns)}")
    check_apart(factors, strata)


def _recurrence_columns() -> tuple[str, ...]:
    """The columns that recurrences can be split by; their number is a stratum of its own."""
    return tuple(name for name in statement("risk/recurrence_counts").strata if name != "number")


def _levels(counted: pl.DataFrame, factors: tuple[str, ...]) -> pl.DataFrame:
    """One row a factor and level: term, level, failures, hours (under observation)."""
    watched = ((pl.col("leaving") - pl.col("entering")) * pl.col("hours")).sum() / 10
    return pl.concat(
        counted.group_by(pl.col(name).alias("level"))
        .agg(pl.col("failed").sum().alias("failures"), watched.alias("hours"))
        .select(pl.lit(name).alias("term"), "level", "failures", "hours")
        .sort("level")
        for name in factors
    )


def _failing(levels: pl.DataFrame, name: str) -> int:
    """How many levels of a factor have a failure."""
    return levels.filter((pl.col("term") == name) & (pl.col("failures") > 0)).height


def _commonest(levels: pl.DataFrame, name: str) -> str:
    """The level with most hours under observation of those with a failure; of equals the first by name."""
    own = levels.filter((pl.col("term") == name) & (pl.col("failures") > 0))
    level: str = own.sort(["hours", "level"], descending=[True, False])["level"][0]
    return level


def _ratios(fit: CoxFit) -> pl.DataFrame:
    """The estimated levels."""
    return fit.to_frame().select(
        "name",
        "term",
        pl.col("name").str.slice(pl.col("term").str.len_chars() + 1).alias("level"),
        "hazard_ratio",
        "lower",
        "upper",
        "p",
        "coefficient",
        "std_error",
        "robust_std_error",
    )


def _all_levels(fit: CoxFit, levels: pl.DataFrame, reference: Mapping[str, str]) -> pl.DataFrame:
    """Every level with its ratio: estimated, 1 for the level compared with, 0 without a failure."""
    known = pl.DataFrame(
        {"term": list(reference), "level": list(reference.values()), "one": [1.0] * len(reference)},
        schema={"term": pl.String, "level": pl.String, "one": pl.Float64},
    )
    none = pl.when(pl.col("failures") == 0).then(pl.lit(0.0))
    return (
        levels.with_columns(pl.concat_str("term", pl.lit("="), "level").alias("name"))
        .join(fit.to_frame().drop("term"), on="name", how="left", maintain_order="left")
        .join(known, on=["term", "level"], how="left", maintain_order="left")
        .with_columns(pl.coalesce("hazard_ratio", "one", none).alias("hazard_ratio"))
        .select("term", "level", "failures", "hours", "hazard_ratio", "lower", "upper", "p")
    )


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


def _lives_in(believed: Stretches) -> int:
    return believed.rows.select("of_machine", "of_side", "of_fit").n_unique()


def _model(fit: CoxFit) -> dict[str, Any]:
    whole = fit.proportionality().all_terms
    return {
        "spells": int(fit.spells),
        "failures": int(fit.failures) if fit.failures == int(fit.failures) else fit.failures,
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


_STRATIFIED = {
    "ordered": "The clock is the running hours of the machine; the first, second, … fifth and later "
    "recurrence have a baseline each.",
    "gap": "The clock starts anew at each recurrence; the first, second, … fifth and later recurrence have a "
    "baseline each.",
    "total": "The clock is the running hours of the machine; all recurrences share one baseline.",
}


def _notes(
    fit: CoxFit, terms: pl.DataFrame, factors: tuple[str, ...], levels: pl.DataFrame, clock: str
) -> tuple[str, ...]:
    notes = []
    for name in factors:
        own = levels.filter(pl.col("term") == name)
        if own.height == 1:
            notes.append(f"{name} has one value only here ({own['level'][0]}) and was left out.")
        silent = own.filter(pl.col("failures") == 0)["level"].to_list()
        if silent:
            notes.append(
                f"Without a failure, so that the estimate of the ratio is 0 and has no interval: {name} "
                f"{', '.join(silent)}. 'fleetlog compare --by {name}' says how far to believe it."
            )
    if fit.failures < _ENOUGH_EACH * len(fit.names):
        notes.append(
            f"{fit.failures / len(fit.names):.1f} failures a coefficient are few (about {_ENOUGH_EACH} are "
            "wanted): the intervals are too hopeful."
        )
    doubtful = [f"{row['term']} (p = {row['ph_p']:.2g})" for row in terms.to_dicts() if row["ph_p"] < 0.05]
    if doubtful:
        notes.append(
            f"The ratio does not hold at all ages for {', '.join(doubtful)}: read it as an average over the "
            "ages seen, or make it a stratum."
        )
    if fit.note:
        notes.append(f"{fit.note[0].upper()}{fit.note[1:]}.")
    if clock != "lives":
        notes.append(_STRATIFIED[clock])
    return tuple(notes)
