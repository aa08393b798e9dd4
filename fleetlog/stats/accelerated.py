"""Life regressions: covariates that stretch or shrink life (accelerated failure time).

log life = x' coefficients + scale * error, with the error of a Weibull, lognormal or log-logistic life. A
coefficient of 0.7 doubles life at every quantile. For the Weibull the same model is a
proportional-hazards one with log hazard ratio -coefficient / scale.

Source: Lawless 2003, chapter 6; Meeker, Escobar & Pascual 2021, chapter 17.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from fleetlog.stats.arrays import Floats, Ints, normal_quantile, one_of
from fleetlog.stats.censored_fit import LifeData, Likelihood, Rows, maximise
from fleetlog.stats.errors import BadAge, LengthMismatch, TooFewFailures
from fleetlog.stats.families import LOGLOGISTIC, LOGNORMAL, WEIBULL, Family
from fleetlog.stats.laws import chi2_above

_FAMILIES = {"weibull": WEIBULL, "exponential": WEIBULL, "lognormal": LOGNORMAL, "loglogistic": LOGLOGISTIC}
Distribution = Literal["weibull", "exponential", "lognormal", "loglogistic"]


@dataclass(frozen=True, eq=False)
class AcceleratedFit:
    """A fitted life regression.

    Attributes:
        distribution: of the life.
        names: names of the coefficients, the intercept first.
        coefficients: on log hours, shape (p,).
        std_errors: their standard errors, shape (p,).
        lower: lower normal limits, shape (p,).
        upper: upper normal limits, shape (p,).
        scale: spread of the log life (1 / shape for the Weibull).
        log_scale_std_error: standard error of its logarithm, None where the scale is fixed.
        covariance: of (coefficients, log scale), shape (p + 1, p + 1), or (p, p) where the scale is fixed.
        log_likelihood: its maximum, with density per hour.
        null_log_likelihood: without covariates.
        chi2: likelihood-ratio statistic of all covariates together.
        df: number of covariates.
        p: its p value.
        robust_covariance: as covariance, but from machine to machine; None where no machines are told. std_errors and
            limits are then taken from it.
    """

    distribution: str
    names: tuple[str, ...]
    coefficients: Floats
    std_errors: Floats
    lower: Floats
    upper: Floats
    scale: float
    log_scale_std_error: float | None
    covariance: Floats
    log_likelihood: float
    null_log_likelihood: float
    chi2: float
    df: int
    p: float
    robust_covariance: Floats | None = None


def fit_accelerated(
    exit_hours: npt.ArrayLike,
    failed: npt.ArrayLike,
    x: npt.ArrayLike,
    *,
    names: Sequence[str] | None = None,
    entry_hours: npt.ArrayLike = 0.0,
    weights: npt.ArrayLike | None = None,
    distribution: Distribution = "weibull",
    machine: Ints | None = None,
    level: float = 0.95,
) -> AcceleratedFit:
    """Fit a life regression by maximum likelihood, censoring and late entry respected.

    Args:
        exit_hours: ages at which spells end, in hours, shape (n,).
        failed: whether they ended by failure, shape (n,).
        x: covariates without an intercept, shape (n, p).
        names: names of the covariates.
        entry_hours: ages at which observation began.
        weights: spells a row stands for; collapse rows that are alike.
        distribution: "weibull", "exponential" (scale 1), "lognormal" or "loglogistic".
        machine: number of the machine each row belongs to, shape (n,); errors are then robust to what lives of one
            machine have in common (sandwich: the score of each machine, as Lin & Wei 1989 do for another model).
        level: confidence level.

    Raises:
        TooFewFailures: with no more failures than coefficients.
        DidNotConverge: when the likelihood has no maximum, as when a covariate separates the failures.
        LengthMismatch: where the columns are not of one length.
        BadAge: for a spell that ends before it begins.
        BadArgument: for a distribution or level that does not exist.

    Examples:
        Lives of the second kind are twice as long, each of the first has its double.

        >>> first = np.array([1000.0, 1500.0, 1800.0, 2100.0, 2600.0])
        >>> kind = np.repeat([0, 1], 5)
        >>> fit = fit_accelerated(np.concatenate((first, 2 * first)), np.ones(10), kind, names=["improved"])
        >>> round(float(np.exp(fit.coefficients[1])), 6)
        2.0
    """
    one_of("distribution", distribution, tuple(_FAMILIES))
    end = np.asarray(exit_hours, dtype=np.float64)
    design = np.asarray(x, dtype=np.float64).reshape(end.size, -1)
    flag = np.asarray(failed).astype(bool)
    count = np.ones(end.size) if weights is None else np.asarray(weights, dtype=np.float64)
    start = np.broadcast_to(np.asarray(entry_hours, dtype=np.float64), end.shape)
    labels = tuple(names) if names is not None else tuple(f"x{i + 1}" for i in range(design.shape[1]))
    if flag.shape != end.shape or count.shape != end.shape or len(labels) != design.shape[1]:
        raise LengthMismatch(
            "exit, failed, weights and rows of x must be equally many, and each column needs a name"
        )
    if not ((end > start) & (start >= 0)).all():
        raise BadAge("every spell must end after it begins, and not begin before age zero")
    failures = float(count[flag].sum())
    if failures <= design.shape[1] + 1:
        raise TooFewFailures(
            f"{failures:g} failures are too few for {design.shape[1]} covariates; leave some out",
            failures=failures,
            needed=design.shape[1] + 2,
        )
    fixed = 1.0 if distribution == "exponential" else None
    ones = np.ones((end.size, 1))
    family = _FAMILIES[distribution]
    null = Likelihood(family, _data(end, start, flag, count, ones), fixed)
    centre = float(np.average(np.log(end), weights=count))
    spread = max(float(np.sqrt(np.average((np.log(end) - centre) ** 2, weights=count))), 0.05)
    tail = [] if fixed else [np.log(spread)]
    null_theta, null_at = maximise(null, np.array([centre, *tail]))
    # centred and scaled covariates keep the search well conditioned; the answer is mapped back
    middle, unit = np.average(design, axis=0, weights=count), np.maximum(design.std(axis=0), 1e-12)
    full = Likelihood(
        family, _data(end, start, flag, count, np.hstack((ones, (design - middle) / unit))), fixed
    )
    begin = np.concatenate((null_theta[:1], np.zeros(design.shape[1]), null_theta[1:]))
    theta, at = maximise(full, begin)
    p = design.shape[1] + 1
    back = np.eye(theta.size)
    back[1:p, 1:p] = np.diag(1.0 / unit)
    back[0, 1:p] = -middle / unit
    covariance = back @ np.linalg.inv(-at.hessian) @ back.T
    whole = back @ theta
    coefficients = whole[:p]
    robust = None
    if machine is not None:
        x_rows = np.hstack((ones, design))
        added = _scores(
            family, end, start, flag, x_rows, coefficients, float(np.exp(theta[p])) if theta.size > p else 1.0
        )
        sums = np.zeros((int(machine.max(initial=0)) + 1, p + 1))
        np.add.at(sums, machine, count[:, None] * added)
        moved = sums[:, : theta.size] @ covariance
        robust = moved.T @ moved
    errors = np.sqrt(np.diag(covariance if robust is None else robust))
    half = normal_quantile(level) * errors[:p]
    chi2 = max(2.0 * (at.value - null_at.value), 0.0)
    return AcceleratedFit(
        distribution=distribution,
        names=("intercept", *labels),
        coefficients=coefficients,
        std_errors=errors[:p],
        lower=coefficients - half,
        upper=coefficients + half,
        scale=fixed or float(np.exp(theta[p])),
        log_scale_std_error=None if fixed else float(errors[p]),
        covariance=covariance,
        log_likelihood=at.value,
        null_log_likelihood=null_at.value,
        chi2=chi2,
        df=p - 1,
        p=chi2_above(chi2, p - 1) if p > 1 else 1.0,
        robust_covariance=robust,
    )


def _scores(
    family: Family,
    end: Floats,
    start: Floats,
    flag: npt.NDArray[np.bool_],
    x: Floats,
    beta: Floats,
    sigma: float,
) -> Floats:
    """What each row adds to the gradient by (coefficients, log scale), shape (n, p + 1)."""
    z = (np.log(end) - x @ beta) / sigma
    slope = np.where(flag, family.log_density(z)[1], family.log_survival(z)[1])
    late = start > 0
    z0 = (np.log(np.where(late, start, 1.0)) - x @ beta) / sigma
    slope0 = np.where(late, family.log_survival(z0)[1], 0.0)
    by_beta = (-(slope - slope0) / sigma)[:, None] * x
    return np.column_stack((by_beta, -slope * z + slope0 * z0 - flag))


def _data(end: Floats, start: Floats, flag: npt.NDArray[np.bool_], count: Floats, x: Floats) -> LifeData:
    late = start > 0
    return LifeData(
        failed=Rows.of(np.log(end[flag]), count[flag], x[flag]),
        running=Rows.of(np.log(end[~flag]), count[~flag], x[~flag]),
        entered=Rows.of(np.log(start[late]), count[late], x[late]),
    )
