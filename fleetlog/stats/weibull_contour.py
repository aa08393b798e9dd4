"""The Weibull likelihood of a table along its contours, in closed form.

Shared by lives (each ends with its failure) and by repeat events with a power-law intensity (none does): with
M(b) = sum over ages of (leaving - entering) * age^b, both have log-likelihood

    r log b - r b log scale + (b - 1) * sum of log failure ages - M(b) / scale^b,

so for a given shape b the best scale is (M / r)^(1/b) and one root in b remains.

Source: Lawless 2003, section 5.2; MIL-HDBK-189C and Crow 1975 for the repeat events.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache, cached_property

import numpy as np
from numpy.polynomial import Chebyshev
from scipy import optimize, special

from fleetlog.stats.arrays import Counts, Floats, binned, checked_level, distinct_ticks, dot
from fleetlog.stats.errors import DidNotConverge
from fleetlog.stats.laws import chi2_quantile
from fleetlog.stats.risk_table import EventTable, RiskTable

#: Shapes outside this range are no property of a component but a sign that the data do not hold a Weibull.
_SHAPES = (0.02, 500.0)

#: Beyond this many ages a table's moments are kept as a smooth curve instead of summed again each time.
_LONG = 2000

#: Degree that carries such a curve to rounding where it is narrower than this (in log shape); wide ones have
#: thrice the degree.
_DEGREE, _NARROW = 8, 0.1

#: Below this the exponential leaves no digits. Log hours beyond which no limit is one: 10^13 hours.
_UNDERFLOW, _BOUNDED = -690.0, 30.0


@dataclass(frozen=True, eq=False)
class Contour:
    """The Weibull likelihood of a risk table along its contours, in closed form.

    For a fixed shape b, with M(b) = sum of (leaving - entering) * age^b and u = M(b) / scale^b, the
    log-likelihood is profile(b) + r (log(u/r) + 1) - u: every point of a contour follows from the shape
    and Lambert's W.

    Attributes:
        log_age: logs of ages in hours less `shift`, ages at which anything changed.
        exposure: leaving - entering there.
        failed: failures there.
        shift: log of the largest age, so that powers stay between 0 and 1.
        prior: (median, standard deviation of the log) of a lognormal prior of the shape, if there is one.
        best: the best shape, once found.
        maximum: the likelihood there.
        smooth: log M by log shape near the best shape, for tables so long that M is worth saving.

    Examples:
        Five lives: at the best shape the likelihood has no slope, and the shape's limits lie on either side.

        >>> table = RiskTable.from_spells(0, [9_000, 14_000, 18_000, 21_000, 26_000], np.ones(5))
        >>> contour = Contour.of_lives(table).solve()
        >>> low, high = contour.shape(likelihood_drop(0.95))
        >>> abs(round(contour.slope(np.log(contour.best)), 6)), low < contour.best < high
        (0.0, True)
        >>> round(contour.profile(np.log(low).item()) - contour.maximum, 4)
        -1.9207
    """

    log_age: Floats
    exposure: Floats
    failed: Floats
    shift: float
    prior: tuple[float, float] | None = None
    best: float = 1.0
    maximum: float = 0.0
    smooth: Chebyshev | None = None

    @staticmethod
    def of_lives(table: RiskTable, prior: tuple[float, float] | None = None) -> Contour:
        """The likelihood of lives that end with their failure."""
        return Contour._of(table.hours / table.per_hour, table.leaving - table.entering, table.failed, prior)

    @staticmethod
    def of_events(table: EventTable) -> Contour:
        """The likelihood of repeat events whose intensity is a power of machine age: the same in form."""
        return Contour._of(table.hours / table.per_hour, table.leaving - table.entering, table.events, None)

    @staticmethod
    def _of(hours: Floats, exposure: Counts, failed: Counts, prior: tuple[float, float] | None) -> Contour:
        kept = ((exposure != 0) | (failed > 0)) & (hours > 0)
        log_age = np.log(hours[kept])
        shift = float(log_age.max()) if log_age.size else 0.0
        return Contour(
            log_age - shift, exposure[kept].astype(np.float64), failed[kept].astype(np.float64), shift, prior
        )

    @cached_property
    def failures(self) -> float:
        """How many failures or events there are."""
        return float(self.failed.sum())

    @cached_property
    def log_failure_ages(self) -> float:
        """Sum of the (shifted) logs of failure ages."""
        return dot(self.failed, self.log_age)

    def moments(self, shape: float) -> tuple[float, float]:
        """M(b) and its derivative by log b.

        Args:
            shape: b, above 0.

        Examples:
            Lives of 1 and 2 h from new, in units of the longer one: M(2) = 1/4 + 1.

            >>> round(Contour.of_lives(RiskTable.from_spells(0, [10, 20], [1, 1])).moments(2.0)[0], 6)
            1.25
        """
        # Where everybody entered late the counts sum to zero: exp(x) - 1 keeps what is left for small shapes.
        grown = np.expm1(shape * self.log_age)
        grown *= self.exposure
        count, slope = self._at_zero
        return count + float(grown.sum()), shape * (slope + dot(grown, self.log_age))

    @cached_property
    def _at_zero(self) -> tuple[float, float]:
        """M(0) and its derivative by the shape."""
        return float(self.exposure.sum()), dot(self.exposure, self.log_age)

    def log_moment(self, log_shape: float) -> float:
        """log M(b), from the smooth curve where there is one.

        Examples:
            Lives of 1 and 2 h from new, in units of the longer one: M(2) = 1/4 + 1.

            >>> contour = Contour.of_lives(RiskTable.from_spells(0, [10, 20], [1, 1]))
            >>> round(contour.log_moment(np.log(2.0)), 6), round(np.log(1.25).item(), 6)
            (0.223144, 0.223144)
        """
        if self.smooth is not None:
            low, high = self.smooth.domain
            if low <= log_shape <= high:
                return float(self.smooth(log_shape))
        return float(np.log(self.moments(float(np.exp(log_shape)))[0]))

    def slope(self, log_shape: float) -> float:
        """Derivative of the profile likelihood by log shape."""
        shape = float(np.exp(log_shape))
        m, dm = self.moments(shape)
        r = self.failures
        pull = 0.0 if self.prior is None else -(log_shape - np.log(self.prior[0])) / self.prior[1] ** 2
        return float(r + shape * self.log_failure_ages - r * dm / m + pull)

    def profile(self, log_shape: float) -> float:
        """The likelihood at the best scale for this shape, prior included."""
        r = self.failures
        # ages enter the density per hour through -log(age), on the true scale
        density = (float(np.exp(log_shape)) - 1.0) * self.log_failure_ages - r * self.shift
        pull = 0.0
        if self.prior is not None:
            pull = -0.5 * float((log_shape - np.log(self.prior[0])) / self.prior[1]) ** 2
        return r * log_shape - r * (self.log_moment(log_shape) - float(np.log(r))) + density - r + pull

    def log_scale(self, shape: float, share: float = 1.0) -> float:
        """Log scale, in hours, at which u = share * failures.

        Examples:
            With shape 1 the best scale is hours over failures, 3 / 2.

            >>> contour = Contour.of_lives(RiskTable.from_spells(0, [10, 20], [1, 1]))
            >>> round(np.exp(contour.log_scale(1.0)).item(), 6)
            1.5
        """
        log_m = self.log_moment(float(np.log(shape)))
        return (log_m - float(np.log(share * self.failures))) / shape + self.shift

    def solve(self) -> Contour:
        """The same with the best shape found.

        Raises:
            DidNotConverge: if the likelihood rises without end towards very small or very large shapes.
        """
        long = self.log_age.size > _LONG
        rough = self._coarse() if long else self
        low, high = (float(np.log(b)) for b in _SHAPES)
        grid = np.linspace(low, high, 41)
        slopes = np.array([rough.slope(b) for b in grid])
        peaks = np.flatnonzero((slopes[:-1] > 0) & (slopes[1:] <= 0))
        roots = [_root(rough.slope, grid[i], grid[i + 1]) for i in peaks]
        if long:
            slope = cache(self.slope)
            roots = [_root(slope, *_around(slope, root)) for root in roots]
        best = max(roots, key=self.profile, default=None)
        if best is None:
            raise DidNotConverge(_ran_away(bool(slopes[-1] > 0)))
        for edge in (low, high):
            rising = slopes[0] <= 0 if edge == low else slopes[-1] > 0
            if rising and self.profile(edge) > self.profile(best):
                raise DidNotConverge(_ran_away(edge == high))
        found = replace(self, best=float(np.exp(best)), maximum=self.profile(best))
        return found._smoothed() if long else found

    def _coarse(self) -> Contour:
        """The table in a few hundred classes of age, good enough to see where to look."""
        edges = np.linspace(float(self.log_age.min()), 0.0, 401)
        at = np.clip(np.searchsorted(edges, self.log_age, side="right") - 1, 0, 399)
        middle = 0.5 * (edges[1:] + edges[:-1])
        used = distinct_ticks(at)
        exposure, failed = binned(at, self.exposure, 400), binned(at, self.failed, 400)
        return Contour(middle[used], exposure[used], failed[used], self.shift, self.prior)

    def _smoothed(self) -> Contour:
        """With log M kept as a polynomial over all shapes that limits may lie at."""
        width = 6.0 * float(np.sqrt(self.covariance[0, 0]))
        centre = float(np.log(self.best))
        domain = [centre - width, centre + width]
        curve = Chebyshev.interpolate(
            lambda xs: np.array([self.log_moment(x) for x in xs]),
            _DEGREE if width < _NARROW else 3 * _DEGREE,
            domain=domain,
        )
        return replace(self, smooth=curve)

    def shape(self, drop: float) -> tuple[float | None, float | None]:
        """Likelihood-ratio limits of the shape."""
        level = self.maximum - drop
        first = 2.5 * float(np.sqrt(self.covariance[0, 0]))
        limits: list[float | None] = []
        for edge in _SHAPES:
            inner, outer = float(np.log(self.best)), float(np.log(edge))
            step = first * float(np.sign(outer - inner))
            found = None
            while abs(inner - np.log(self.best)) < abs(outer - np.log(self.best)):
                beyond = inner + step
                if self.profile(beyond) < level:
                    found = float(np.exp(_root(lambda b: self.profile(b) - level, inner, beyond)))
                    break
                inner, step = beyond, step * 1.5
            limits.append(found)
        return limits[0], limits[1]

    def log_life(self, z: float, drop: float) -> tuple[float | None, float | None]:
        """Likelihood-ratio limits of log scale + z / shape.

        Args:
            z: standard quantile of the share, 0 for the scale itself.
            drop: how far the likelihood falls.

        Returns:
            Lower and upper limit of a log age in hours; None where there is none.

        Examples:
            The limits lie on either side of the best scale.

            >>> table = RiskTable.from_spells(0, [9_000, 14_000, 18_000, 21_000, 26_000], np.ones(5))
            >>> contour = Contour.of_lives(table).solve()
            >>> low, high = contour.log_life(0.0, likelihood_drop(0.95))
            >>> low < contour.log_scale(contour.best) < high
            True
        """
        low, high = self.shape(drop)
        if low is None or high is None:
            return None, None
        level, r = self.maximum - drop, self.failures
        edges = float(np.log(low)), float(np.log(high))

        @cache  # both limits are looked for from the same shapes on
        def ends(log_shape: float) -> tuple[float, float]:
            shape = float(np.exp(log_shape))
            near, far = _contour_log_shares((level - self.profile(log_shape)) / r)
            best = self.log_scale(shape) + z / shape
            return best - near / shape, best - far / shape

        lower = _extreme(lambda b: ends(b)[0], edges)
        upper = -_extreme(lambda b: -ends(b)[1], edges)
        return lower, upper if upper < _BOUNDED else None

    @cached_property
    def covariance(self) -> Floats:
        """Inverse observed information of (log shape, log scale)."""
        shape = self.best
        z = shape * (self.log_age + self.shift - self.log_scale(shape))
        hazard = self.exposure * np.exp(z)
        aa = dot(self.failed, z) - dot(hazard, z**2 + z)
        ab = shape * dot(hazard, z + 1.0) - shape * self.failures
        bb = -(shape**2) * float(hazard.sum())
        if self.prior is not None:
            aa -= 1.0 / self.prior[1] ** 2
        return np.linalg.inv(-np.array([[aa, ab], [ab, bb]])).astype(np.float64)


def likelihood_drop(level: float) -> float:
    """How far the log-likelihood falls at the limits of a likelihood-ratio interval for one quantity.

    Args:
        level: confidence level, between 0 and 1.

    Raises:
        BadArgument: for a level outside of that.

    Source: Wilks 1938.

    Examples:
        Half of the 95% quantile of chi-square with one degree of freedom, 3.8415.

        >>> round(likelihood_drop(0.95), 4)
        1.9207
    """
    return 0.5 * chi2_quantile(checked_level(level), 1)


def _ran_away(upwards: bool) -> str:
    if upwards:
        return (
            "the Weibull likelihood rises without end as the shape grows: all failures came at nearly one age"
            " with nothing running beyond; fix the shape or take it from a prior"
        )
    return (
        "the Weibull likelihood rises without end as the shape falls towards zero: what is observed"
        " starts late or falls off steadily and does not bound the shape;"
        " fix the shape or take it from a prior"
    )


def _contour_log_shares(fall: float) -> tuple[float, float]:
    """The logarithms of the two v, above and below 1, with log(v) - v + 1 = fall; fall is not positive."""
    if fall > -1e-14:
        return 0.0, 0.0
    if fall < _UNDERFLOW:  # v is as good as 0, or solves v = 1 - fall + log(v)
        above = 1.0 - fall
        for _ in range(4):
            above = 1.0 - fall + float(np.log(above))
        return float(np.log(above)), fall - 1.0
    argument = -float(np.exp(fall - 1.0))
    above, below = (-float(special.lambertw(argument, branch).real) for branch in (-1, 0))
    return float(np.log(above)), float(np.log(below))


def _extreme(call: Callable[[float], float], edges: tuple[float, float]) -> float:
    """The least value of a smooth function between two edges."""
    grid = np.linspace(edges[0], edges[1], 17)
    values = [call(b) for b in grid]
    i = int(np.argmin(values))
    span = (float(grid[max(i - 1, 0)]), float(grid[min(i + 1, grid.size - 1)]))
    width = span[1] - span[0]
    found = optimize.minimize_scalar(call, bounds=span, method="bounded", options={"xatol": 1e-7 * width})
    return float(min(found.fun, values[i]))


def _root(function: Callable[[float], float], low: float, high: float) -> float:
    return float(optimize.brentq(function, low, high, xtol=1e-14, rtol=1e-14))


def _around(slope: Callable[[float], float], guess: float) -> tuple[float, float]:
    """Two points about a guess between which a falling slope goes through zero."""
    width = 0.01
    while slope(guess - width) <= 0 or slope(guess + width) > 0:
        width *= 2.0
        if width > 3.0:
            raise DidNotConverge("the Weibull likelihood has no clear maximum; fix the shape")
    return guess - width, guess + width
