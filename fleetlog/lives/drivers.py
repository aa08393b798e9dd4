"""What drives the hazard, or stretches life? Regressions on the lives of a part, or on the recurrences of a fault."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from datetime import date
from typing import Any, ClassVar, Literal

import polars as pl

from fleetlog.errors import UsageError
from fleetlog.lives.counting import Endings, Stretches, endings_of, lives_of
from fleetlog.lives.cox_by_machine import Counted, counts_by, fit_by_machine, fit_stretches
from fleetlog.lives.life_ratios import FittedRatios, fit_life_ratios, recorded_stretches
from fleetlog.lives.remarks import p_value
from fleetlog.lives.silent_level import LEAST_FAILURES, with_limits
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
Scale = Literal["hazard", "time"]
SCALES: tuple[Scale, ...] = ("hazard", "time")
#: What each scale's ratio is called.
RATIO = {"hazard": "hazard_ratio", "time": "life_ratio"}

# Failures wanted for each coefficient (Peduzzi et al. 1995: fewer, and intervals come out too narrow).
_ENOUGH_EACH = 10


@dataclass(frozen=True, repr=False)
class DriversFinding(Finding):
    """Ratios of hazards, or of lives, with machine-robust intervals.

    Attributes:
        clock: "lives" (age of the part), or for recurrences of the fault "total" (running hours of the
            machine, one baseline), "ordered" (the same, a baseline for the first, second, …) or "gap" (hours
            since the last one, a baseline for the first, second, …).
        factors, strata: the columns that explain the hazard, and those with baselines of their own.
        scale: "hazard", or "time": then each table below has life_ratio (by what factor life is longer) in place of
            hazard_ratio, terms has no test of ages, and model tells distribution, spread (of the log life) and laws
            (one row a law compared: distribution, aic) in place of ties and proportional.
        ratios: one row an estimated level: name, term, level, hazard_ratio, lower, upper, p, coefficient,
            std_error, robust_std_error.
        terms: one row a factor: term, chi2, df, p, and the test that its ratio holds at all ages: ph_chi2,
            ph_p.
        model: spells, failures, machines, ties, log_likelihood, likelihood_ratio (chi2, df, p), proportional
            (chi2, df, p).
        reference: factor -> the level that the others are compared with.
        levels: one row a level, estimated or not: term, level, failures, hours (under observation),
            hazard_ratio, lower, upper, p. The level compared with has ratio 1 and no interval; a level
            without a failure has ratio 0 and an upper limit only (see `silent_level.py`).
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
    scale: str = "hazard"

    @property
    def frame(self) -> pl.DataFrame:
        """One row a level of a factor."""
        return self.ratios

    @property
    def remarks(self) -> tuple[str, ...]:
        """Whether the model holds, and how well it orders failures."""
        order = self.concordance
        sooner = "longer expected life failed last" if self.scale == "time" else "higher ratio failed first"
        return (
            self._check,
            f"Concordance {order['c']:.2f} ({order['lower']:.2f} to {order['upper']:.2f}): of two parts of which one "
            f"failed while the other went on, so often the one of the {sooner}; 0.5 would be chance.",
        )

    @property
    def _check(self) -> str:
        if self.scale == "time":
            laws = ", ".join(f"{law['distribution']} {law['aic']:.1f}" for law in self.model["laws"])
            return f"Law of the lives: {self.model['distribution']}, the best by Akaike's criterion ({laws})."
        tests = [f"{row['term']} {p_value(row['ph_p'])}" for row in self.terms.iter_rows(named=True)]
        together = f"; all together {p_value(self.model['proportional']['p'])}" if len(tests) > 1 else ""
        return f"Test that the ratios are the same at all ages (proportional hazards): {', '.join(tests)}{together}."


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
    scale: Scale = "hazard",
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
        scale: hazard: what multiplies the risk at each age (Cox); time: what multiplies the life, by the best of four
            laws (for the clock "lives", without strata).

    Raises:
        UsageError: for unknown columns, clocks or ties, or where the data cannot carry the model.

    Examples:
        >>> june.drivers(factors=("variant", "site")).terms["term"].to_list()
        ['variant', 'site']
    """
    factors, strata = columns_of(factors), columns_of(strata)
    history, family = fleet.begin(scope)
    _check(factors, strata, clock, ties)
    _check_scale(fleet, scale, strata, clock)
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
    if scale == "time" and believed is None:
        lives_told = fleet.store.run("risk/observed_lives", component=component, **selection(scope))
        believed = recorded_stretches(lives_told, keys)
    everything = counted = believed.counts(keys) if believed else counts_by(fleet.store, question, keys)
    levels = _levels(counted, factors)
    empty = levels.filter(pl.col("failures") < LEAST_FAILURES)
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
    confidence = fleet.settings.survival.confidence
    try:
        if scale == "time" and believed:
            told = fit_life_ratios(believed, estimable, reference, level=confidence)
        else:
            fit, ordered = (
                fit_stretches(believed, estimable, (*strata, *order), reference, level=confidence)
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
                    level=confidence,
                )
            )
            told = FittedRatios(
                _ratios(fit),
                _terms(fit),
                {**_model(fit), **({"spells": _lives_in(believed)} if believed else {})},
                ordered,
                fit.note or "",
            )
            levels = with_limits(levels, everything, fit, (*strata, *order), 1.0 - confidence)
    except StatsError as error:
        raise UsageError(f"The data cannot carry this model: {error}.") from error
    return DriversFinding(
        as_of=history.as_of,
        fault=family.name,
        component=component or "" if clock == "lives" else "",
        clock=clock,
        factors=estimable,
        strata=(*strata, *order),
        ratios=told.ratios,
        terms=told.terms,
        model=told.model,
        concordance=asdict(told.concordance),
        notes=_notes(told, factors, levels, clock, 1.0 - confidence),
        reference=reference,
        levels=_all_levels(told.ratios, levels, reference, RATIO[scale]),
        scale=scale,
    )


def _check_scale(fleet: Fleet, scale: str, strata: tuple[str, ...], clock: str) -> None:
    if scale not in SCALES:
        raise UsageError(f"There is no scale {scale!r}; {proposal(scale, SCALES)}")
    if scale == "time" and (clock != "lives" or strata):
        raise UsageError("Ratios of lives (scale time) need the clock lives, and know no strata.")
    if scale == "time" and not fleet.store.local:
        raise UsageError(
            "Ratios of lives (scale time) need the lives one by one, as a store has them and a lake has not."
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
    return levels.filter((pl.col("term") == name) & (pl.col("failures") >= LEAST_FAILURES)).height


def _commonest(levels: pl.DataFrame, name: str) -> str:
    """The level with most hours under observation of those with a failure; of equals the first by name."""
    own = levels.filter((pl.col("term") == name) & (pl.col("failures") >= LEAST_FAILURES))
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


def _all_levels(
    ratios: pl.DataFrame, levels: pl.DataFrame, reference: Mapping[str, str], ratio: str
) -> pl.DataFrame:
    """Every level with its ratio: estimated, 1 for the level compared with, 0 (of hazards) without a failure."""
    known = pl.DataFrame(
        {"term": list(reference), "level": list(reference.values()), "one": [1.0] * len(reference)},
        schema={"term": pl.String, "level": pl.String, "one": pl.Float64},
    )
    none = pl.when((pl.col("failures") < LEAST_FAILURES) & (ratio == "hazard_ratio")).then(pl.lit(0.0))
    silent = pl.col("limit") if "limit" in levels.columns else pl.lit(None, pl.Float64)
    return (
        levels.join(
            ratios.select("term", "level", ratio, "lower", "upper", "p"),
            on=["term", "level"],
            how="left",
            maintain_order="left",
        )
        .join(known, on=["term", "level"], how="left", maintain_order="left")
        .with_columns(
            pl.coalesce(ratio, "one", none).alias(ratio), pl.coalesce("upper", silent).alias("upper")
        )
        .select("term", "level", "failures", "hours", ratio, "lower", "upper", "p")
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
    told: FittedRatios, factors: tuple[str, ...], levels: pl.DataFrame, clock: str, chance: float
) -> tuple[str, ...]:
    notes = []
    for name in factors:
        own = levels.filter(pl.col("term") == name)
        if own.height == 1:
            notes.append(f"{name} has one value only here ({own['level'][0]}) and was left out.")
        silent = own.filter(pl.col("failures") < LEAST_FAILURES)
        if silent.height:
            limited = "limit" in silent.columns and silent["limit"].null_count() < silent.height
            said = (
                "so that the estimate of the ratio is 0; the upper limit is the ratio at which that silence would have "
                f"a chance of {chance:.0%}, taking lives for independent"
                if limited
                else "so that the estimate of the ratio is 0 and has no interval"
                if "limit" in silent.columns
                else "so that no ratio of lives can be told"
            )
            part = ", or with less than half of one" if silent["failures"].sum() > 0 else ""
            notes.append(
                f"Without a failure{part}, {said}: {name} {', '.join(silent['level'].to_list())}. "
                f"'fleetlog compare --by {name}' says how far to believe it."
            )
    each = told.model["failures"] / told.ratios.height
    if each < _ENOUGH_EACH:
        notes.append(
            f"{each:.1f} failures a coefficient are few (about {_ENOUGH_EACH} are wanted): the intervals are too "
            "hopeful."
        )
    if "ph_p" in told.terms.columns:
        doubtful = [
            f"{row['term']} (p = {row['ph_p']:.2g})" for row in told.terms.to_dicts() if row["ph_p"] < 0.05
        ]
        if doubtful:
            notes.append(
                f"The ratio does not hold at all ages for {', '.join(doubtful)}: read it as an average over the "
                "ages seen, or make it a stratum."
            )
    if told.note:
        notes.append(f"{told.note[0].upper()}{told.note[1:]}.")
    if clock != "lives":
        notes.append(_STRATIFIED[clock])
    return tuple(notes)
