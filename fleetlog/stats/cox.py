"""What drives the hazard: Cox regression on collapsed counts.

Late entry, strata, ties by Efron or Breslow, the test of proportional hazards, and what a variance robust
to machines that come with several spells is summed from.

Sources: Cox 1972; Breslow 1974; Efron 1977; Lin & Wei 1989; Grambsch & Therneau 1994; Therneau & Grambsch
2000.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
import polars as pl

from fleetlog.stats.arrays import (
    Floats,
    Ints,
    binned,
    normal_quantile,
    one_of,
    weighed,
)
from fleetlog.stats.cox_cells import CoxCells
from fleetlog.stats.cox_likelihood import AgeSums, PartialLikelihood, expected_x
from fleetlog.stats.errors import BadArgument, DidNotConverge, TooFewFailures
from fleetlog.stats.laws import chi2_above
from fleetlog.stats.log_rank import quadratic_form

Ties = Literal["efron", "breslow"]

#: With fewer machines robust standard errors come out too small.
FEWEST_MACHINES = 20


def few_machines(machines: int) -> str | None:
    """What a reader must be told of errors by machine where machines are few.

    Examples:
        >>> few_machines(9)
        'only 9 machines: robust standard errors are then too small'
    """
    few = f"only {machines} machines: robust standard errors are then too small"
    return None if machines >= FEWEST_MACHINES else few


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
        log_likelihood: at the maximum.
        likelihood_ratio: test of all coefficients together.
        ties: how ties were treated.
        spells: spells in the data.
        failures: failures among them.
        clusters: number of clusters, None without.
        note: what a reader must be told, or None.

    Examples:
        The fit of `fit_cox_cells`: the ratio is the root of 1/2. A fleet of twice the same parts tells twice as much,
        so that its Wald test is twice as great.

        >>> names = ["kind", "hours", "entering", "failed", "leaving"]
        >>> rows = [(1, 0, 2, 0, 0), (0, 0, 1, 0, 0), (1, 10, 0, 1, 1), (0, 20, 0, 1, 1), (1, 30, 0, 1, 1)]
        >>> frame = pl.DataFrame(rows, names, orient="row")
        >>> twice = frame.with_columns(pl.col("entering", "failed", "leaving") * 2)
        >>> one, two = (fit_cox_cells(CoxCells.from_frame(part, ["kind"]), ties="breslow") for part in (frame, twice))
        >>> one.to_frame()["hazard_ratio"].round(4).to_list()
        [0.7071]
        >>> round(two.test_term("kind").chi2 / one.test_term("kind").chi2, 6)
        2.0
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
    log_likelihood: float
    likelihood_ratio: Chi2
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
        """Wald test of all levels of one term together (robust where there are clusters).

        Raises:
            BadArgument: for a term that the model has not.

        Source: Wald 1943.
        """
        chosen = np.array([t == term for t in self.terms])
        if not chosen.any():
            raise BadArgument(
                f"the model has no term {term!r}; it has {', '.join(dict.fromkeys(self.terms))}"
            )
        covariance = self.covariance if self.robust_covariance is None else self.robust_covariance
        return _chi2(self.coefficients[chosen], covariance[np.ix_(chosen, chosen)])

    def robust(self, influence: Floats) -> CoxFit:
        """The same fit with limits, tests and p values robust to what the spells of one machine have in common.

        Args:
            influence: score residuals summed by machine, shape (machines, p).

        Source: Lin & Wei 1989.

        Examples:
            Where every machine adds to the score as much as the information lets expect, both errors agree.

            >>> names = ["kind", "hours", "entering", "failed", "leaving"]
            >>> rows = [(1, 0, 2, 0, 0), (0, 0, 1, 0, 0), (1, 10, 0, 1, 1), (0, 20, 0, 1, 1), (1, 30, 0, 1, 1)]
            >>> fit = fit_cox_cells(CoxCells.from_frame(pl.DataFrame(rows, names, orient="row"), ["kind"]))
            >>> added = np.full((30, 1), (1.0 / fit.covariance[0, 0] / 30.0) ** 0.5)
            >>> robust = fit.robust(added)
            >>> (robust.robust_std_errors / fit.std_errors).round(6).tolist(), robust.note
            ([1.0], None)
        """
        moved = np.einsum("ij,jk->ik", influence, self.covariance)
        covariance = np.einsum("ij,ik->jk", moved, moved)
        errors, machines = np.sqrt(np.diag(covariance)), len(influence)
        robust = replace(
            self,
            robust_std_errors=errors,
            robust_covariance=covariance,
            clusters=machines,
            note=few_machines(machines),
        )
        return _with_limits(robust, errors)

    def residual_steps(self) -> tuple[Floats, Floats]:
        """What a spell adds to the score, by row of the fit's cells (a cell and an age).

        A spell adds `leave` at the age at which it leaves, less `leave` at that at which it entered, and
        `fail` at the former if it fails there. With risk score r = exp((x - centre)'b), leave = r (drift -
        (x - centre) hazard) and fail = x - centre - mean x + r ((x - centre) tie hazard - tie drift), each of
        them at the last failure age not beyond the row's.

        Returns:
            leave and fail, shape (rows, coefficients).
        """
        likelihood, cells = self.likelihood, self.likelihood.cells
        leave, fail = np.zeros((2, cells.cell.size, self.coefficients.size))
        risk = np.exp(np.einsum("ij,j->i", likelihood.x, self.coefficients))
        of_row = cells.stratum[cells.cell]
        for stratum in likelihood.strata:
            rows = np.flatnonzero(of_row == stratum.label)
            sums = likelihood.sums(stratum, self.coefficients)
            hazard, drift = _running(sums)
            reached = np.searchsorted(stratum.ages, cells.hours[rows], side="right")
            at = np.maximum(reached - 1, 0)
            died = (reached > 0) & (stratum.ages[at] == cells.hours[rows])
            mean, tie = expected_x(sums) / stratum.deaths[:, None], _tie_drift(sums)
            x, r = likelihood.x[cells.cell[rows]], risk[cells.cell[rows]][:, None]
            leave[rows] = r * (drift[reached] - x * hazard[reached][:, None])
            own = x - mean[at] + r * (x * sums.a1[at][:, None] - tie[at])
            fail[rows] = np.where(died[:, None], own, 0.0)
        return leave, fail

    def proportionality(self) -> ProportionalityTest:
        """Do the hazard ratios hold at all ages? The score test of coefficients that change with g(age).

        g is one minus the survival of all spells together just before the age.

        Source: Grambsch & Therneau 1994.
        """
        p = len(self.names)
        cells = self.likelihood.cells
        by_age = _share_failed_before(cells)
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
            return Chi2(chi2, df, chi2_above(chi2, df))

        terms = tuple(dict.fromkeys(self.terms))
        tests = [test([j for j in range(p) if self.terms[j] == term]) for term in terms]
        return ProportionalityTest(terms, tuple(tests), test(list(range(p))))


@dataclass(frozen=True)
class ProportionalityTest:
    """A test that hazard ratios hold at all ages.

    Attributes:
        terms: the terms of the model.
        tests: one test a term.
        all_terms: the test of all together.
    """

    terms: tuple[str, ...]
    tests: tuple[Chi2, ...]
    all_terms: Chi2


def fit_cox_cells(cells: CoxCells, *, ties: Ties = "efron", level: float = 0.95) -> CoxFit:
    """Cox regression from collapsed counts.

    Raises:
        TooFewFailures: without failures.
        BadArgument: when covariates say the same thing twice.
        DidNotConverge: when a coefficient runs away, as when one group has no failure.

    Args:
        cells: counts by cell and age.
        ties: "efron" or "breslow".
        level: confidence level of the limits.

    Source: Cox 1972; Breslow 1974; Efron 1977.

    Examples:
        Of three parts those of kind 1 fail at 1 and 3 h, that of kind 0 at 2 h. With r the ratio, the partial
        likelihood is r / (2 r + 1) at 1 h, 1 / (r + 1) at 2 h and 1 at 3 h, which is greatest where 2 r^2 = 1.

        >>> names = ["kind", "hours", "entering", "failed", "leaving"]
        >>> rows = [(1, 0, 2, 0, 0), (0, 0, 1, 0, 0), (1, 10, 0, 1, 1), (0, 20, 0, 1, 1), (1, 30, 0, 1, 1)]
        >>> fit = fit_cox_cells(CoxCells.from_frame(pl.DataFrame(rows, names, orient="row"), ["kind"]))
        >>> fit.hazard_ratios.round(4).tolist()
        [0.7071]
    """
    one_of("ties", ties, ("efron", "breslow"))
    likelihood = PartialLikelihood(cells, efron=ties != "breslow")
    failures = float(cells.failed.sum())
    if failures <= 0:
        raise TooFewFailures("no failure, so nothing can be compared", failures=failures, needed=1)
    p = len(cells.names)
    zero = np.zeros(p)
    null_value, null_score, null_information = likelihood.derivatives(zero)
    _check_distinct(null_information, cells)
    beta, value, information = _newton(likelihood, zero, (null_value, null_score, null_information))
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
        log_likelihood=value,
        likelihood_ratio=Chi2(ratio, p, chi2_above(ratio, p) if p else 1.0),
        ties=ties,
        spells=cells.spells,
        failures=failures,
        clusters=None,
        note=None,
        likelihood=likelihood,
    )
    return _with_limits(fit, fit.std_errors)


def _running(sums: AgeSums) -> tuple[Floats, Floats]:
    """Cumulative baseline hazard and its integral of mean covariates, each starting with zero."""
    step = sums.b0[:, None] * sums.s1 - sums.b1[:, None] * sums.d1
    hazard = np.concatenate(([0.0], np.cumsum(sums.a0)))
    return hazard, np.concatenate((np.zeros((1, step.shape[1])), np.cumsum(step, axis=0)))


def _tie_drift(sums: AgeSums) -> Floats:
    """What a tied failure is spared of the drift at its own age."""
    return sums.b1[:, None] * sums.s1 - sums.b2[:, None] * sums.d1


def _newton(
    likelihood: PartialLikelihood, beta: Floats, start: tuple[float, Floats, Floats]
) -> tuple[Floats, float, Floats]:
    value, score, information = start
    cells = likelihood.cells
    # so that steps are counted in typical differences of a covariate between failures
    spread = np.sqrt(np.maximum(np.diag(information), 0.0) / max(float(cells.failed.sum()), 1.0))
    for _ in range(60):
        try:
            step = np.linalg.solve(information, score)
        except np.linalg.LinAlgError:
            break
        step = step / max(1.0, float(np.abs(step * spread).max()) / 5.0)
        while True:
            trial = beta + step
            found = likelihood.derivatives(trial)
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
    flat = scale <= 1e-6 * np.sqrt(float(cells.failed.sum())) * reach
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
    b = fit.coefficients
    with np.errstate(divide="ignore", invalid="ignore"):
        p = np.array([math.erfc(abs(z) / math.sqrt(2.0)) for z in b / errors])
    return replace(fit, lower=np.exp(b - half), upper=np.exp(b + half), p_values=p)


def _chi2(vector: Floats, matrix: Floats) -> Chi2:
    """v' M^-1 v as a test, for v with covariance M."""
    chi2, df = quadratic_form(vector, matrix)
    return Chi2(chi2, df, chi2_above(chi2, df) if df else 1.0)


def _share_failed_before(cells: CoxCells) -> Callable[[Ints], Floats]:
    """Share of all spells together failed before failure ages in ticks, by the product limit."""
    ages, at = np.unique(cells.hours, return_inverse=True)
    at = at.reshape(-1).astype(np.int64)
    failed = binned(at, cells.failed, ages.size)
    died = ages[failed > 0]
    net = binned(at, cells.entering - cells.leaving, ages.size)
    at_risk = np.concatenate(([0.0], np.cumsum(net)[:-1]))[failed > 0]
    before = np.concatenate(([1.0], np.cumprod(1.0 - failed[failed > 0] / at_risk)[:-1]))
    return lambda when: 1.0 - before[np.searchsorted(died, when)]
