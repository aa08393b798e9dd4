"""Maximum likelihood for log-location-scale lives, exact, censored, interval-censored and left-truncated.

One row is a count of units with the same log age and covariates. A unit that failed at a known age adds
log f(z) - log sigma - log t, one still running log S(z), one that failed between two ages log(S(z1) -
S(z2)), and one that came under observation at an age above zero takes log S(z) of that age away.

Source: Lawless 2003, chapters 2 and 5; Meeker, Escobar & Pascual 2021, chapters 8 and 11.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy import optimize

from fleetlog.stats.arrays import Counts, Floats, dot, weighed
from fleetlog.stats.errors import DidNotConverge
from fleetlog.stats.families import Family

#: No logarithm of an age or a spread lies further out than this.
_FAR = 100.0

#: How far from a start the best value of the other parameter is sought.
_REACH = 4.0


class Derivatives(NamedTuple):
    """A log-likelihood with its gradient and Hessian."""

    value: float
    gradient: Floats
    hessian: Floats


@dataclass(frozen=True, eq=False)
class Rows:
    """Units of one kind: logs of ages, how many, and their covariates (an intercept if there are none)."""

    log_age: Floats
    count: Floats
    x: Floats

    @staticmethod
    def of(log_age: npt.ArrayLike, count: npt.ArrayLike, x: Floats | None = None) -> Rows:
        """Rows with an intercept when no covariates are given; rows that count nothing are left out.

        Args:
            log_age: logarithms of ages, shape (n,).
            count: how many units each row stands for, shape (n,).
            x: covariates, shape (n, p).

        Examples:
            >>> Rows.of([0.0, 1.0, 2.0], [3, 0, 1]).log_age.tolist()
            [0.0, 2.0]
        """
        ages, counts = np.asarray(log_age, dtype=np.float64), np.asarray(count, dtype=np.float64)
        design = np.ones((ages.size, 1)) if x is None else x
        kept = (counts != 0) & np.isfinite(ages)
        return Rows(ages[kept], counts[kept], design[kept])


@dataclass(frozen=True, eq=False)
class LifeData:
    """All that a likelihood of lives needs.

    Attributes:
        failed: failures at known ages.
        running: units still running at that age (right-censored).
        entered: units whose observation began at that age, known to have survived it (left-truncated).
        between: (lower, upper) rows of units that failed between two ages; -inf: from new.

    Examples:
        Two failures at known ages, and one between two others.

        >>> nobody = Rows.of([], [])
        >>> LifeData(Rows.of([1.0], [2]), nobody, nobody, (Rows.of([0.5], [1]), Rows.of([1.5], [1]))).failures
        3.0
    """

    failed: Rows
    running: Rows
    entered: Rows
    between: tuple[Rows, Rows] | None = None

    @property
    def failures(self) -> float:
        """Failures, at known ages or within intervals."""
        inside = 0.0 if self.between is None else float(self.between[1].count.sum())
        return float(self.failed.count.sum()) + inside


@dataclass(frozen=True, eq=False)
class Likelihood:
    """The log-likelihood of (coefficients…, log sigma) for one family; with `fixed_scale`, of the
    coefficients.

    Attributes:
        family: the standard distribution.
        data: the units.
        fixed_scale: sigma, where it is not to be estimated (1 with the Weibull family: exponential).
    """

    family: Family
    data: LifeData
    fixed_scale: float | None = None

    @property
    def size(self) -> int:
        """Number of free parameters."""
        return int(self.data.failed.x.shape[1]) + (0 if self.fixed_scale is not None else 1)

    def at(self, theta: Floats) -> Derivatives:
        """Value, gradient and Hessian; far out, where no double holds them, they are not finite.

        Args:
            theta: coefficients, then log sigma unless it is fixed, shape (size,).

        Source: Lawless 2003, chapter 5.

        Examples:
            Two lives of constant rate fail at 1 and 3 h. At a mean of 2 h the log-likelihood is -2 log 2 - 4 / 2, and
            level.

            >>> from fleetlog.stats.families import WEIBULL
            >>> data = life_data(np.log([1.0, 3.0]), np.ones(2), np.ones(2), np.zeros(2))
            >>> found = Likelihood(WEIBULL, data, fixed_scale=1.0).at(np.log([2.0]))
            >>> round(found.value, 4), found.gradient.round(6).tolist()
            (-3.3863, [0.0])
        """
        with np.errstate(over="ignore", invalid="ignore"):
            return self._at(theta)

    def _at(self, theta: Floats) -> Derivatives:
        p = self.data.failed.x.shape[1]
        beta = theta[:p]
        log_sigma = float(theta[p]) if self.fixed_scale is None else float(np.log(self.fixed_scale))
        sigma = float(np.exp(np.clip(log_sigma, -_FAR, _FAR)))
        total = _Sum(p)
        failed = self.data.failed
        z = (failed.log_age - failed.x @ beta) / sigma
        total.add(failed, z, self.family.log_density(z), sigma)
        total.value -= float((failed.count * (log_sigma + failed.log_age)).sum())
        total.gradient[p] -= float(failed.count.sum())
        for rows, sign in ((self.data.running, 1.0), (self.data.entered, -1.0)):
            z = (rows.log_age - rows.x @ beta) / sigma
            total.add(rows, z, self.family.log_survival(z), sigma, sign)
        if self.data.between is not None:
            self._add_intervals(total, self.data.between, beta, sigma)
        free = self.size
        return Derivatives(total.value, total.gradient[:free], total.hessian[:free, :free])

    def _add_intervals(self, total: _Sum, between: tuple[Rows, Rows], beta: Floats, sigma: float) -> None:
        """Add the units that failed between two ages: log(S(z1) - S(z2))."""
        lower, upper = between
        p = beta.size
        z2 = (upper.log_age - upper.x @ beta) / sigma
        s2 = np.exp(self.family.log_survival(z2)[0])
        from_new = ~np.isfinite(lower.log_age)
        z1 = np.where(from_new, 0.0, (np.where(from_new, 0.0, lower.log_age) - lower.x @ beta) / sigma)
        s1 = np.where(from_new, 1.0, np.exp(self.family.log_survival(z1)[0]))
        inside = np.maximum(s1 - s2, 1e-300)
        total.value += float((upper.count * np.log(inside)).sum())
        first = np.zeros((upper.count.size, p + 1))
        second = np.zeros((p + 1, p + 1))
        always = np.ones(z2.size, dtype=bool)
        for rows, z, sign, live in (
            (lower, z1, 1.0, ~from_new),
            (upper, z2, -1.0, always),
        ):
            log_f, slope, _ = self.family.log_density(z)
            f = np.where(live, np.exp(log_f), 0.0)
            dz = np.column_stack((-rows.x / sigma, -z))
            # S' = -f and S'' = -f' = -f * (log f)'
            first += sign * (-f)[:, None] * dz
            share = rows.count / inside
            second += sign * _curvature(dz, rows.x, z, share * -f * slope, share * -f, sigma)
        ratio = first / inside[:, None]
        total.gradient += (upper.count[:, None] * ratio).sum(axis=0)
        total.hessian += second - (upper.count[:, None] * ratio).T @ ratio


class _Sum:
    """A running log-likelihood with derivatives by (coefficients…, log sigma)."""

    def __init__(self, p: int) -> None:
        self.value = 0.0
        self.gradient = np.zeros(p + 1)
        self.hessian = np.zeros((p + 1, p + 1))

    def add(
        self, rows: Rows, z: Floats, terms: tuple[Floats, Floats, Floats], sigma: float, sign: float = 1.0
    ) -> None:
        """Add count * term(z) of every row, times `sign`."""
        if rows.count.size == 0:
            return
        value, slope, bend = terms
        dz = np.column_stack((-rows.x / sigma, -z))
        self.value += sign * float((rows.count * value).sum())
        self.gradient += sign * weighed(rows.count * slope, dz)
        self.hessian += sign * _curvature(dz, rows.x, z, rows.count * bend, rows.count * slope, sigma)


def _curvature(dz: Floats, x: Floats, z: Floats, bend: Floats, slope: Floats, sigma: float) -> Floats:
    """Sum over rows of bend dz dz' + slope d2z, where d2z/dbeta dlogsigma = x/sigma, d2z/dlogsigma^2 = z."""
    p = x.shape[1]
    result: Floats = (dz * bend[:, None]).T @ dz
    mixed = weighed(slope, x) / sigma
    result[:p, p] += mixed
    result[p, :p] += mixed
    result[p, p] += dot(slope, z)
    return result


def maximise(likelihood: Likelihood, start: Floats) -> tuple[Floats, Derivatives]:
    """The maximum of a likelihood by a trust-region Newton method.

    Raises:
        DidNotConverge: when the likelihood keeps rising towards the edge of what is sensible, or is flat.

    Args:
        likelihood: of the units.
        start: where to begin, shape (size,).

    Returns:
        The parameters, shape (size,), and the likelihood there with its derivatives.

    Source: Conn, Gould & Toint 2000 (trust regions).

    Examples:
        Two lives of constant rate fail at 1 and 3 h: the mean is hours over failures, 4 / 2.

        >>> from fleetlog.stats.families import WEIBULL
        >>> data = life_data(np.log([1.0, 3.0]), np.ones(2), np.ones(2), np.zeros(2))
        >>> best, _ = maximise(Likelihood(WEIBULL, data, fixed_scale=1.0), np.zeros(1))
        >>> np.exp(best).round(6).tolist()
        [2.0]
    """

    latest: dict[bytes, Derivatives] = {}

    def there(theta: Floats) -> Derivatives:
        # the method asks for the value, the slope and the bend of one place one after the other
        key = theta.tobytes()
        if key not in latest:
            latest.clear()
            latest[key] = likelihood.at(theta)
        return latest[key]

    def minus(theta: Floats) -> float:
        value = there(theta).value
        return -value if np.isfinite(value) else 1e300

    def slope(theta: Floats) -> Floats:
        return -there(theta).gradient

    def bend(theta: Floats) -> Floats:
        return -there(theta).hessian

    result = optimize.minimize(
        minus,
        start,
        jac=slope,
        hess=bend,
        method="trust-exact",
        options={"gtol": 1e-9, "maxiter": 500},
    )
    theta = np.asarray(result.x, dtype=np.float64)
    at = likelihood.at(theta)
    for _ in range(5):
        try:
            step = np.linalg.solve(at.hessian, -at.gradient)
        except np.linalg.LinAlgError:
            break
        trial = likelihood.at(theta + step)
        if not trial.value >= at.value - 1e-12 * abs(at.value):
            break
        theta, at = theta + step, trial
    curvature = np.linalg.eigvalsh(-at.hessian)
    spread = np.abs(at.gradient) @ np.ones(theta.size) / max(1.0, likelihood.data.failures)
    if curvature[0] <= 1e-12 * max(curvature[-1], 1e-300) or spread > 1e-4 or np.abs(theta).max() > 500:
        raise DidNotConverge(
            "the likelihood has no maximum for sensible parameters: the data do not hold this model;"
            " look for failures all at one age or spells all observed over the same short stretch"
        )
    return theta, at


@dataclass(frozen=True, eq=False)
class ProfileLimits:
    """Profile-likelihood limits of a two-parameter fit.

    Attributes:
        likelihood: of (mu, log sigma).
        theta: the maximum.
        maximum: the log-likelihood there.
        covariance: inverse information there, as a first idea of distances.
    """

    likelihood: Likelihood
    theta: Floats
    maximum: float
    covariance: Floats = field(repr=False)

    def log_sigma(self, drop: float) -> tuple[float | None, float | None]:
        """Limits of log sigma at which the profile likelihood has fallen by `drop`; None: it never does.

        Args:
            drop: how far the likelihood falls.

        Source: Meeker, Escobar & Pascual 2021, chapter 8.

        Examples:
            Three normal values of variance 2/3: with the mean at its best the likelihood falls by 3 log(s) + (1 / s^2 -
            1) 3/2, where s is how many times too great sigma is taken. The limits lie where that is as much as at s =
            2.

            >>> from fleetlog.stats.families import LOGNORMAL
            >>> data = life_data(np.array([-1.0, 0.0, 1.0]), np.ones(3), np.ones(3), np.zeros(3))
            >>> theta, at = maximise(Likelihood(LOGNORMAL, data), np.zeros(2))
            >>> fit = ProfileLimits(Likelihood(LOGNORMAL, data), theta, at.value, np.linalg.inv(-at.hessian))
            >>> _, high = fit.log_sigma(3.0 * np.log(2.0) - 1.5 * (1.0 - 0.25))
            >>> round(np.exp(high - theta[1]).item(), 4)
            2.0
        """
        return self._limits(lambda psi, mu: np.array([mu, psi]), np.array([0.0, 1.0]), 0, drop)

    def log_quantile(self, z: float, drop: float) -> tuple[float | None, float | None]:
        """Limits of mu + z sigma, the log age at which a given share has failed.

        Args:
            z: standard quantile of the share, 0 for mu itself.
            drop: how far the likelihood falls.

        Returns:
            Lower and upper limit of a log age; None where there is none.

        Source: Meeker, Escobar & Pascual 2021, chapter 8.

        Examples:
            Three normal values -1, 0 and 1 (mean 0, variance 2/3): the profile falls by 3/2 log(1 + mu^2 / variance),
            which is 3/2 log 2 where mu is one standard deviation off.

            >>> from fleetlog.stats.families import LOGNORMAL
            >>> data = life_data(np.array([-1.0, 0.0, 1.0]), np.ones(3), np.ones(3), np.zeros(3))
            >>> theta, at = maximise(Likelihood(LOGNORMAL, data), np.zeros(2))
            >>> fit = ProfileLimits(Likelihood(LOGNORMAL, data), theta, at.value, np.linalg.inv(-at.hessian))
            >>> [round(limit, 4) for limit in fit.log_quantile(0.0, 1.5 * np.log(2.0))], round((2 / 3) ** 0.5, 4)
            ([-0.8165, 0.8165], 0.8165)
        """

        def point(psi: float, log_sigma: float) -> Floats:
            return np.array([psi - z * np.exp(np.clip(log_sigma, -_FAR, _FAR)), log_sigma])

        return self._limits(point, np.array([1.0, z * float(np.exp(self.theta[1]))]), 1, drop)

    def _limits(
        self, point: Callable[[float, float], Floats], slope: Floats, free: int, drop: float
    ) -> tuple[float | None, float | None]:
        """Limits of one quantity.

        Args:
            point: (mu, log sigma) from the quantity and the parameter left free beside it.
            slope: derivatives of the quantity by (mu, log sigma) at the maximum.
            free: which of the two is left free.
            drop: how far the likelihood falls.
        """
        variance = float(slope @ self.covariance @ slope)
        drift = float(slope @ self.covariance[:, free]) / variance
        anchor = float(self.theta[free])
        # what of the quantity the free parameter leaves at the maximum
        best = float(self.theta[1]) if free == 0 else float(self.theta[0] + slope[1])

        def excess(fixed: float) -> float:
            # with late entry there can be a second hump far out, so one start is not enough
            starts = (anchor, anchor + drift * (fixed - best))
            return max(self._highest(partial(point, fixed), start) for start in starts) - self.maximum + drop

        error = float(np.sqrt(variance))
        return _fall(excess, best, -error), _fall(excess, best, error)

    def _highest(self, along: Callable[[float], Floats], start: float) -> float:
        """The largest likelihood along a path, within a few units of a start."""

        def minus(free: float) -> float:
            value = self.likelihood.at(along(free)).value
            return -value if np.isfinite(value) else 1e300

        bounds = (start - _REACH, start + _REACH)
        return -float(optimize.minimize_scalar(minus, bounds=bounds, options={"xatol": 1e-9}).fun)


def _fall(excess: Callable[[float], float], best: float, step: float) -> float | None:
    """Where, going from the best value in steps, an excess over a level comes down to 0."""
    inner, outer = best, best
    for _ in range(20):
        outer = outer + step
        height = excess(outer)
        if not np.isfinite(height):
            return None
        if height < 0:
            return float(optimize.brentq(excess, inner, outer, xtol=1e-12, rtol=1e-12))
        inner, step = outer, step * 1.3
    return None


def life_data(log_hours: Floats, failed: Counts, leaving: Counts, entering: Counts) -> LifeData:
    """Risk-table counts as rows of a likelihood; what happens at age zero (log age -inf) says nothing.

    Args:
        log_hours: logarithms of the ages, shape (n,).
        failed, leaving, entering: counts there, `failed` counted in `leaving`, shape (n,).

    Examples:
        Of three units from new two fail at 1 h and one is last seen running at 2 h.

        >>> hours = np.array([-np.inf, 0.0, np.log(2.0)])
        >>> data = life_data(hours, np.array([0, 2, 0]), np.array([0, 2, 1]), np.array([3, 0, 0]))
        >>> data.failures, data.running.count.tolist(), data.entered.count.tolist()
        (2.0, [1.0], [])
    """
    return LifeData(
        failed=Rows.of(log_hours, failed),
        running=Rows.of(log_hours, leaving - failed),
        entered=Rows.of(log_hours, entering),
    )
