"""What drives the hazard: Cox regression on collapsed counts.

Late entry, strata, ties by Efron or Breslow (or the exact discrete likelihood for small data), variance
robust to machines that come with several spells, the test of proportional hazards, baseline and
prediction. Repeat failures go through the same model: total time (Andersen & Gill; Prentice, Williams &
Peterson with strata by event number) or gap time.

Sources: Cox 1972; Breslow 1974; Efron 1977; Andersen & Gill 1982; Prentice, Williams & Peterson 1981; Lin
& Wei 1989; Grambsch & Therneau 1994; Therneau & Grambsch 2000.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Any, Literal, TypeAlias

import numpy as np
import numpy.typing as npt
import polars as pl
from scipy import stats

from fleetlog.stats.arrays import (
    TICKS_PER_HOUR,
    Floats,
    Ints,
    binned,
    normal_quantile,
    one_of,
    step_positions,
    tick_positions,
    weighed,
)
from fleetlog.stats.cox_cells import CoxCells
from fleetlog.stats.cox_exact import exact_derivatives
from fleetlog.stats.cox_likelihood import AgeSums, PartialLikelihood, Stratum, expected_x
from fleetlog.stats.errors import BadArgument, DidNotConverge, LengthMismatch, TooFewFailures
from fleetlog.stats.log_rank import quadratic_form

Ties = Literal["efron", "breslow", "exact"]
Evaluate: TypeAlias = Callable[[Floats], tuple[float, Floats, Floats]]


@dataclass(frozen=True)
class Chi2:
    """A chi-square test."""

    chi2: float
    df: int
    p: float


@dataclass(frozen=True, eq=False)
class CoxFit:
    """A fitted Cox model.

    Attributes:
        names: names of the coefficients.
        terms: the term each belongs to (levels of one factor share a term).
        coefficients: log hazard ratios, shape (p,).
        std_errors: from the information, shape (p,).
        robust_std_errors: robust to clusters, None without clusters.
        hazard_ratios: exp(coefficients).
        lower: lower limits of the hazard ratios (robust where there are clusters).
        upper: upper limits.
        p_values: two-sided, for each coefficient.
        level: confidence level.
        covariance: inverse information, shape (p, p).
        robust_covariance: sandwich covariance, None without clusters.
        null_log_likelihood: log partial likelihood without covariates.
        log_likelihood: at the maximum.
        likelihood_ratio: test of all coefficients together.
        score: the score test at zero (equals the log-rank test without ties).
        wald: the Wald test.
        robust_score: score test robust to clusters, None without clusters.
        robust_wald: Wald test robust to clusters, None without clusters.
        ties: how ties were treated.
        spells: spells in the data.
        failures: failures among them.
        clusters: number of clusters, None without.
        note: what a reader must be told, or None.
    """

    names: tuple[str, ...]
    terms: tuple[str, ...]
    coefficients: Floats
    std_errors: Floats
    robust_std_errors: Floats | None
    hazard_ratios: Floats
    lower: Floats
    upper: Floats
    p_values: Floats
    level: float
    covariance: Floats
    robust_covariance: Floats | None
    null_log_likelihood: float
    log_likelihood: float
    likelihood_ratio: Chi2
    score: Chi2
    wald: Chi2
    robust_score: Chi2 | None
    robust_wald: Chi2 | None
    ties: str
    spells: float
    failures: float
    clusters: int | None
    note: str | None
    likelihood: PartialLikelihood = field(repr=False)

    def to_frame(self) -> pl.DataFrame:
        """One row a coefficient."""
        robust = {} if self.robust_std_errors is None else {"robust_std_error": self.robust_std_errors}
        return pl.DataFrame(
            {
                "name": self.names,
                "term": self.terms,
                "coefficient": self.coefficients,
                "std_error": self.std_errors,
                **robust,
                "hazard_ratio": self.hazard_ratios,
                "lower": self.lower,
                "upper": self.upper,
                "p": self.p_values,
            }
        )

    def test_term(self, term: str) -> Chi2:
        """Wald test of all levels of one term together (robust where there are clusters)."""
        chosen = np.array([t == term for t in self.terms])
        if not chosen.any():
            raise BadArgument(
                f"the model has no term {term!r}; it has {', '.join(dict.fromkeys(self.terms))}"
            )
        covariance = self.covariance if self.robust_covariance is None else self.robust_covariance
        return _chi2(self.coefficients[chosen], covariance[np.ix_(chosen, chosen)])

    def baseline(self, x: npt.ArrayLike | None = None, *, stratum: Any = None) -> CoxCurve:
        """Cumulative hazard and survival for one set of covariates.

        Args:
            x: covariates, shape (p,); by default all zero.
            stratum: which stratum's baseline; needed when there are several.
        """
        at = np.zeros(len(self.names)) if x is None else np.asarray(x, dtype=np.float64).reshape(-1)
        if at.size != len(self.names):
            raise LengthMismatch(f"{at.size} covariates were given, the model has {len(self.names)}")
        chosen = self._stratum(stratum)
        sums = self.likelihood.sums(chosen, self.coefficients)
        hazard, drift = _running(sums)
        moved = at - self.likelihood.centre
        risk = float(np.exp(moved @ self.coefficients))
        pull = drift[1:] - np.outer(hazard[1:], moved)
        own = np.cumsum(sums.b0)
        variance = risk**2 * (own + np.einsum("ij,jk,ik->i", pull, self.covariance, pull))
        return CoxCurve(
            chosen.ages / self.likelihood.cells.per_hour,
            risk * hazard[1:],
            np.sqrt(variance),
            self.level,
        )

    def _stratum(self, label: Any) -> Stratum:
        strata, names = self.likelihood.strata, self.likelihood.cells.strata
        if label is None and len(names) == 1:
            return strata[0]
        for stratum in strata:
            if names[stratum.label] == label:
                return stratum
        listed = ", ".join(str(names[s.label]) for s in strata)
        raise BadArgument(f"there is no baseline for stratum {label!r}; strata with failures: {listed}")

    def score_steps(self) -> pl.DataFrame:
        """What a spell needs, by age, for its score residual: to sum residuals by machine outside of memory.

        A spell with risk score r = exp((x - centre)'b) over (entry, exit] has residual -r [(x - centre)
        (hazard(exit) - hazard(entry)) - (drift(exit) - drift(entry))], and if it fails at exit further (x
        - centre) - mean_x(exit) + r [(x - centre) tie_hazard(exit) - tie_drift(exit)], where hazard and
        drift are those of the last failure age not beyond the age asked for.

        Returns:
            One row a stratum and failure age: stratum, hours (ticks), hazard, tie_hazard, and for each
                coefficient
            j (from 0) drift_j, mean_x_j, tie_drift_j.
        """
        parts = []
        for stratum in self.likelihood.strata:
            sums = self.likelihood.sums(stratum, self.coefficients)
            hazard, drift = _running(sums)
            mean, tie = expected_x(sums) / stratum.weight[:, None], _tie_drift(sums)
            columns: dict[str, Any] = {
                "stratum": [str(self.likelihood.cells.strata[stratum.label])] * stratum.ages.size,
                "hours": stratum.ages,
                "hazard": hazard[1:],
                "tie_hazard": sums.a1,
            }
            for j in range(len(self.names)):
                columns |= {
                    f"drift_{j}": drift[1:, j],
                    f"mean_x_{j}": mean[:, j],
                    f"tie_drift_{j}": tie[:, j],
                }
            parts.append(pl.DataFrame(columns))
        return pl.concat(parts)

    def proportionality(
        self, *, transform: Literal["km", "log", "identity", "rank"] = "km"
    ) -> ProportionalityTest:
        """Do the hazard ratios hold at all ages? The score test of coefficients that change with g(age).

        Args:
            transform: g: one minus the survival of all spells together just before the age ("km"), log
                age, age, or the order of the failure ages ("rank").
        """
        one_of("transform", transform, ("km", "log", "identity", "rank"))
        p = len(self.names)
        cells = self.likelihood.cells
        by_age = _transform(cells, transform)
        u, moments = np.zeros(p), np.zeros((3, p, p))
        for stratum in self.likelihood.strata:
            sums = self.likelihood.sums(stratum, self.coefficients)
            g = by_age(stratum.ages)
            u += weighed(g, self.likelihood.failed_x(stratum) - expected_x(sums))
            for power in range(3):
                moments[power] += self.likelihood.information(stratum, self.coefficients, sums, g**power)

        def test(columns: list[int]) -> Chi2:
            mixed = moments[1][:, columns]
            left = moments[2][np.ix_(columns, columns)] - mixed.T @ np.linalg.solve(moments[0], mixed)
            chi2, df = quadratic_form(u[columns], left)
            return Chi2(chi2, df, float(stats.chi2.sf(chi2, df)))

        terms = tuple(dict.fromkeys(self.terms))
        tests = [test([j for j in range(p) if self.terms[j] == term]) for term in terms]
        return ProportionalityTest(terms, tuple(tests), test(list(range(p))), transform)


@dataclass(frozen=True)
class ProportionalityTest:
    """A test that hazard ratios hold at all ages.

    Attributes:
        terms: the terms of the model.
        tests: one test a term.
        all_terms: the test of all together.
        transform: how coefficients were let to change with age.
    """

    terms: tuple[str, ...]
    tests: tuple[Chi2, ...]
    all_terms: Chi2
    transform: str


@dataclass(frozen=True, eq=False)
class CoxCurve:
    """Predicted cumulative hazard and survival for one set of covariates.

    Attributes:
        hours: failure ages in hours.
        cumulative_hazard: just after each.
        std_error: of the cumulative hazard.
        level: confidence level.
    """

    hours: Floats
    cumulative_hazard: Floats
    std_error: Floats
    level: float

    @property
    def survival(self) -> Floats:
        """exp(-cumulative hazard)."""
        return np.exp(-self.cumulative_hazard)

    def at(self, hours: npt.ArrayLike) -> pl.DataFrame:
        """Columns hours, survival, std_error, lower, upper (log interval) at any ages."""
        points = np.atleast_1d(np.asarray(hours, dtype=np.float64))
        done = step_positions(self.hours, points + 1e-9, inclusive=True)
        hazard = np.concatenate(([0.0], self.cumulative_hazard))[done]
        error = np.concatenate(([0.0], self.std_error))[done]
        z = normal_quantile(self.level)
        survival = np.exp(-hazard)
        return pl.DataFrame(
            {
                "hours": points,
                "survival": survival,
                "std_error": survival * error,
                "lower": np.exp(-hazard - z * error),
                "upper": np.minimum(np.exp(-hazard + z * error), 1.0),
            }
        )


def fit_cox(
    exit: npt.ArrayLike,
    failed: npt.ArrayLike,
    x: npt.ArrayLike,
    *,
    entry: npt.ArrayLike = 0,
    names: Sequence[str] | None = None,
    strata: npt.ArrayLike | None = None,
    cluster: npt.ArrayLike | None = None,
    counts: npt.ArrayLike | None = None,
    weights: npt.ArrayLike | None = None,
    ties: Ties = "efron",
    level: float = 0.95,
    per_hour: float = TICKS_PER_HOUR,
) -> CoxFit:
    """Cox regression from spells.

    Args:
        exit: ages in ticks at which spells end, shape (n,).
        failed: whether they ended by failure.
        x: covariates as numbers, shape (n, p).
        entry: ages in ticks at which observation began.
        names: names of the covariates.
        strata: a baseline hazard of its own for each value.
        cluster: machines, or whatever spells depend on each other within: gives robust variances.
        counts: spells a row stands for.
        weights: sampling weights.
        ties: "efron", "breslow", or "exact" (discrete likelihood; small data without weights).
        level: confidence level.
        per_hour: ticks in one hour.
    """
    cells, of_spell = CoxCells.from_spells(
        entry, exit, failed, x, names=names, strata=strata, counts=counts, weights=weights, per_hour=per_hour
    )
    fit = fit_cox_cells(cells, ties=ties, level=level)
    if cluster is None:
        return fit
    end = np.asarray(exit, dtype=np.int64)
    weight = counts if weights is None else weights
    spells = Spells(
        entry=np.broadcast_to(np.asarray(entry, dtype=np.int64), end.shape),
        exit=end,
        failed=np.asarray(failed).astype(np.float64),
        cell=of_spell,
        weight=np.ones(end.size) if weight is None else np.asarray(weight, dtype=np.float64),
    )
    return cluster_robust(fit, spells, cluster)


def fit_cox_cells(cells: CoxCells, *, ties: Ties = "efron", level: float = 0.95) -> CoxFit:
    """Cox regression from collapsed counts.

    Raises:
        TooFewFailures: without failures.
        BadArgument: when covariates say the same thing twice.
        DidNotConverge: when a coefficient runs away, as when one group has no failure.
    """
    one_of("ties", ties, ("efron", "breslow", "exact"))
    likelihood = PartialLikelihood(cells, efron=ties != "breslow")
    failures = float(cells.failures.sum())
    if failures <= 0:
        raise TooFewFailures("no failure, so nothing can be compared", failures=failures, needed=1)
    evaluate: Evaluate = partial(exact_derivatives, likelihood) if ties == "exact" else likelihood.derivatives
    p = len(cells.names)
    zero = np.zeros(p)
    null_value, null_score, null_information = evaluate(zero)
    _check_distinct(null_information, cells)
    beta, value, information = _newton(evaluate, zero, (null_value, null_score, null_information), cells)
    covariance = np.linalg.inv(information).astype(np.float64)
    ratio = max(2.0 * (value - null_value), 0.0)
    fit = CoxFit(
        names=cells.names,
        terms=cells.terms,
        coefficients=beta,
        std_errors=np.sqrt(np.diag(covariance)),
        robust_std_errors=None,
        hazard_ratios=np.exp(beta),
        lower=zero,
        upper=zero,
        p_values=zero,
        level=level,
        covariance=covariance,
        robust_covariance=None,
        null_log_likelihood=null_value,
        log_likelihood=value,
        likelihood_ratio=Chi2(ratio, p, float(stats.chi2.sf(ratio, p)) if p else 1.0),
        score=_chi2(null_score, null_information),
        wald=_chi2(beta, covariance),
        robust_score=None,
        robust_wald=None,
        ties=ties,
        spells=cells.spells,
        failures=failures,
        clusters=None,
        note=None,
        likelihood=likelihood,
    )
    return _with_limits(fit, fit.std_errors)


@dataclass(frozen=True, eq=False)
class Spells:
    """Single spells with the cell each belongs to; arrays of one length.

    Attributes:
        entry: age in ticks at which observation begins.
        exit: age at which it ends.
        failed: 1 if it ended by failure, else 0.
        cell: index of its cell.
        weight: spells it stands for, or its sampling weight.
    """

    entry: Ints
    exit: Ints
    failed: Floats
    cell: Ints
    weight: Floats


def cluster_robust(fit: CoxFit, spells: Spells, cluster: npt.ArrayLike) -> CoxFit:
    """The same fit with variances robust to dependence within clusters (Lin & Wei 1989)."""
    names, of_cluster = np.unique(np.asarray(cluster), return_inverse=True)
    if of_cluster.size != spells.exit.size:
        raise LengthMismatch(f"{of_cluster.size} clusters for {spells.exit.size} spells")
    if fit.ties == "exact":
        raise BadArgument("robust variances are not defined for the exact treatment of ties; use efron")
    of_cluster = of_cluster.reshape(-1).astype(np.int64)

    def summed(beta: Floats) -> Floats:
        residuals = score_residuals(fit.likelihood, beta, spells)
        columns = [binned(of_cluster, column * spells.weight, names.size) for column in residuals.T]
        return np.column_stack(columns)

    influence = summed(fit.coefficients) @ fit.covariance
    covariance = influence.T @ influence
    at_zero = summed(np.zeros_like(fit.coefficients))
    robust = replace(
        fit,
        robust_std_errors=np.sqrt(np.diag(covariance)),
        robust_covariance=covariance,
        robust_wald=_chi2(fit.coefficients, covariance),
        robust_score=_chi2(at_zero.sum(axis=0), at_zero.T @ at_zero),
        clusters=int(names.size),
        note=None
        if names.size >= 20
        else f"only {names.size} clusters: robust standard errors are then too small",
    )
    return _with_limits(robust, np.sqrt(np.diag(covariance)))


def score_residuals(likelihood: PartialLikelihood, beta: Floats, spells: Spells) -> Floats:
    """What each spell adds to the score, shape (spells, p)."""
    risk = np.exp(likelihood.x @ beta)[spells.cell]
    result = np.zeros((spells.exit.size, beta.size), order="F")
    of_spell = likelihood.cells.stratum[spells.cell]
    for stratum in likelihood.strata:
        rows = np.flatnonzero(of_spell == stratum.label)
        cell, r = spells.cell[rows], risk[rows]
        sums = likelihood.sums(stratum, beta)
        hazard, drift = _running(sums)
        enters = tick_positions(stratum.ages, spells.entry[rows], inclusive=True)
        leaves = tick_positions(stratum.ages, spells.exit[rows], inclusive=True)
        exposure = hazard[leaves] - hazard[enters]
        died = np.flatnonzero(spells.failed[rows] > 0)
        at = leaves[died] - 1
        mean, tie = expected_x(sums) / stratum.weight[:, None], _tie_drift(sums)
        # column by column: a million spells need no second matrix of their size
        for j in range(beta.size):
            x, along = likelihood.x[cell, j], np.ascontiguousarray(drift[:, j])
            part = r * (along[leaves] - along[enters] - x * exposure)
            own = x[died]
            part[died] += own - mean[at, j] + r[died] * (own * sums.a1[at] - tie[at, j])
            result[rows, j] = part
    return result


def martingale_residuals(likelihood: PartialLikelihood, beta: Floats, spells: Spells) -> Floats:
    """Failures less expected failures of each spell, shape (spells,)."""
    risk = np.exp(likelihood.x[spells.cell] @ beta)
    of_spell = likelihood.cells.stratum[spells.cell]
    result = spells.failed.copy()
    for stratum in likelihood.strata:
        rows = np.flatnonzero(of_spell == stratum.label)
        sums = likelihood.sums(stratum, beta)
        hazard, _ = _running(sums)
        enters = tick_positions(stratum.ages, spells.entry[rows], inclusive=True)
        leaves = tick_positions(stratum.ages, spells.exit[rows], inclusive=True)
        spared = np.where(spells.failed[rows] > 0, sums.a1[np.maximum(leaves - 1, 0)], 0.0)
        result[rows] -= risk[rows] * (hazard[leaves] - hazard[enters] - spared)
    return result


def schoenfeld_residuals(likelihood: PartialLikelihood, beta: Floats, spells: Spells) -> Floats:
    """Covariates of each failed spell less those expected of a failure then, shape (failures, p)."""
    x = likelihood.x[spells.cell]
    of_spell = likelihood.cells.stratum[spells.cell]
    result = np.zeros_like(x)
    for stratum in likelihood.strata:
        rows = np.flatnonzero((of_spell == stratum.label) & (spells.failed > 0))
        mean = expected_x(likelihood.sums(stratum, beta)) / stratum.weight[:, None]
        result[rows] = x[rows] - mean[np.searchsorted(stratum.ages, spells.exit[rows])]
    return result[spells.failed > 0]


def _running(sums: AgeSums) -> tuple[Floats, Floats]:
    """Cumulative baseline hazard and its integral of mean covariates, each starting with zero."""
    step = sums.b0[:, None] * sums.s1 - sums.b1[:, None] * sums.d1
    hazard = np.concatenate(([0.0], np.cumsum(sums.a0)))
    return hazard, np.concatenate((np.zeros((1, step.shape[1])), np.cumsum(step, axis=0)))


def _tie_drift(sums: AgeSums) -> Floats:
    """What a tied failure is spared of the drift at its own age."""
    return sums.b1[:, None] * sums.s1 - sums.b2[:, None] * sums.d1


def _newton(
    evaluate: Evaluate, beta: Floats, start: tuple[float, Floats, Floats], cells: CoxCells
) -> tuple[Floats, float, Floats]:
    value, score, information = start
    # so that steps are counted in typical differences of a covariate between failures
    spread = np.sqrt(np.maximum(np.diag(information), 0.0) / max(float(cells.failures.sum()), 1.0))
    for _ in range(60):
        try:
            step = np.linalg.solve(information, score)
        except np.linalg.LinAlgError:
            break
        step = step / max(1.0, float(np.abs(step * spread).max()) / 5.0)
        while True:
            trial = beta + step
            found = evaluate(trial)
            if found[0] >= value - 1e-12 * abs(value):
                break
            step = step / 2.0
            if np.abs(step).max() < 1e-14:
                return beta, value, information
        moved, gained = float(np.abs(step * spread).max()), found[0] - value
        beta, (value, score, information) = trial, found
        if moved < 1e-10:
            return beta, value, information
        # a likelihood that no longer gains while the coefficient still walks has its maximum at infinity
        if (moved > 0.1 and gained < 1e-6) or np.abs(beta * spread).max() > 20.0:
            break
    else:
        raise DidNotConverge("the Cox model has not settled after 60 steps; look at its covariates")
    which = cells.names[int(np.argmax(np.abs(beta * spread)))]
    raise DidNotConverge(
        f"the coefficient of {which} runs away: its groups are separated, such as one without any failure;"
        " pool levels or leave it out"
    )


def _check_distinct(information: Floats, cells: CoxCells) -> None:
    """Covariates that do not vary among those at risk, or repeat one another, cannot be told apart."""
    scale = np.sqrt(np.maximum(np.diag(information), 0.0))
    reach = np.ptp(cells.x, axis=0) if cells.x.size else np.zeros(scale.size)
    # what is left of taking equal things from each other is rounding
    flat = scale <= 1e-6 * np.sqrt(float(cells.failures.sum())) * reach
    if flat.any():
        raise BadArgument(
            f"{cells.names[int(np.argmax(flat))]} does not differ among those at risk together; leave it out"
        )
    if information.size:
        values, vectors = np.linalg.eigh(information / np.outer(scale, scale))
        if values[0] < 1e-10:
            which = [cells.names[j] for j in np.flatnonzero(np.abs(vectors[:, 0]) > 0.05)]
            raise BadArgument(f"{', '.join(which)} say the same thing together; leave one of them out")


def _with_limits(fit: CoxFit, errors: Floats) -> CoxFit:
    half = normal_quantile(fit.level) * errors
    with np.errstate(divide="ignore", invalid="ignore"):
        p = 2.0 * stats.norm.sf(np.abs(fit.coefficients / errors))
    return replace(
        fit, lower=np.exp(fit.coefficients - half), upper=np.exp(fit.coefficients + half), p_values=p
    )


def _chi2(vector: Floats, matrix: Floats) -> Chi2:
    """v' M^-1 v as a test, for v with covariance M."""
    chi2, df = quadratic_form(vector, matrix)
    return Chi2(chi2, df, float(stats.chi2.sf(chi2, df)) if df else 1.0)


def _transform(cells: CoxCells, kind: str) -> Any:
    """g as a function of failure ages in ticks."""
    ages, at = np.unique(cells.hours, return_inverse=True)
    at = at.reshape(-1).astype(np.int64)
    failed = binned(at, cells.failed, ages.size)
    if kind == "log":
        return lambda when: np.log(when / cells.per_hour)
    if kind == "identity":
        return lambda when: when / cells.per_hour
    died = ages[failed > 0]
    if kind == "rank":
        rank = np.cumsum(failed[failed > 0])
        return lambda when: rank[np.searchsorted(died, when)]
    net = binned(at, cells.entering - cells.leaving, ages.size)
    at_risk = np.concatenate(([0.0], np.cumsum(net)[:-1]))[failed > 0]
    before = np.concatenate(([1.0], np.cumprod(1.0 - failed[failed > 0] / at_risk)[:-1]))
    return lambda when: 1.0 - before[np.searchsorted(died, when)]


def andersen_gill(
    entry: npt.ArrayLike,
    exit: npt.ArrayLike,
    failed: npt.ArrayLike,
    x: npt.ArrayLike,
    machine: npt.ArrayLike,
    **options: Any,
) -> CoxFit:
    """Repeat failures on the machine's own clock, one hazard for all of them, variance robust by machine."""
    return fit_cox(exit, failed, x, entry=entry, cluster=machine, **options)


def conditional_total_time(
    entry: npt.ArrayLike,
    exit: npt.ArrayLike,
    failed: npt.ArrayLike,
    x: npt.ArrayLike,
    machine: npt.ArrayLike,
    event_number: npt.ArrayLike,
    **options: Any,
) -> CoxFit:
    """Repeat failures on the machine's own clock, a hazard of its own for the first, second, … failure.

    A machine is at risk of its second failure only after its first (Prentice, Williams & Peterson 1981).
    """
    return fit_cox(exit, failed, x, entry=entry, strata=event_number, cluster=machine, **options)


def conditional_gap_time(
    entry: npt.ArrayLike,
    exit: npt.ArrayLike,
    failed: npt.ArrayLike,
    x: npt.ArrayLike,
    machine: npt.ArrayLike,
    event_number: npt.ArrayLike,
    **options: Any,
) -> CoxFit:
    """The same on a clock that starts anew at each failure: does a repair make the next one likelier?"""
    gap = np.asarray(exit) - np.asarray(entry)
    return fit_cox(gap, failed, x, strata=event_number, cluster=machine, **options)
