"""Life distributions from risk tables: Weibull above all, with censoring and late entry.

The likelihood needs no spells, only the table: with cumulative hazard H and hazard h,

    log L = sum over ages of  failed * log h(age) - (leaving - entering) * H(age),

since a spell that entered at a and left at b was exposed to H(b) - H(a). For the Weibull, H(t) = (t /
scale)^shape, so the scale can be solved for and one root in the shape remains: nothing to start from and
nothing to get lost in.

Sources: IEC 61649; Lawless 2003; Meeker, Escobar & Pascual 2021; Abernethy et al. 1983 (AFWAL-TR-83-2079:
fixed shape); Epstein & Sobel 1953 (constant rate).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Protocol

import numpy as np
import numpy.typing as npt
import polars as pl

from fleetlog.stats.arrays import Floats, checked_level, dot
from fleetlog.stats.censored_fit import LifeData, Likelihood, ProfileLimits, Rows, life_data, maximise
from fleetlog.stats.errors import BadArgument, DidNotConverge, LengthMismatch, TooFewFailures
from fleetlog.stats.families import LOGLOGISTIC, LOGNORMAL, WEIBULL, Family
from fleetlog.stats.laws import chi2_above, chi2_exceeded, chi2_quantile
from fleetlog.stats.product_limit import Quantile
from fleetlog.stats.risk_table import RiskTable
from fleetlog.stats.weibull_contour import Contour, likelihood_drop

#: A shape is not estimated from fewer failures than this.
FEWEST_FAILURES = 3


class _Limits(Protocol):
    """Likelihood-ratio limits of a Weibull fit; each None where the likelihood never falls far enough."""

    def shape(self, drop: float) -> tuple[float | None, float | None]: ...

    def log_life(self, z: float, drop: float) -> tuple[float | None, float | None]: ...


@dataclass(frozen=True, eq=False)
class WeibullFit:
    """A Weibull life distribution fitted to one group.

    Attributes:
        shape: how the hazard moves: above 1 it rises (wear), below 1 it falls.
        scale_hours: age by which 63.2 per cent have failed.
        shape_ci: likelihood-ratio interval of the shape, None if it does not close or the shape was fixed.
        scale_ci: likelihood-ratio interval of the scale, None if it does not close.
        level: confidence level.
        log_likelihood: its maximum, with density per hour.
        covariance: covariance of (log shape, log scale), from the observed information, shape (2, 2);
            zeros in the first row and column where the shape was fixed.
        failures: failures in the table.
        spells: spells in the table.
        total_hours: hours under observation.
        method: "maximum likelihood", "fixed shape" or "shape from a prior".
        note: what a reader must be told, or None.
    """

    shape: float
    scale_hours: float
    shape_ci: tuple[float, float] | None
    scale_ci: tuple[float, float] | None
    level: float
    log_likelihood: float
    covariance: Floats
    failures: float
    spells: float
    total_hours: float
    method: str
    note: str | None
    limits: _Limits = field(repr=False)

    def b_life(self, p: float, *, level: float | None = None) -> Quantile:
        """Age by which a share p has failed, with its likelihood-ratio interval (None: does not close).

        Args:
            p: share failed, between 0 and 1 (0.1: B10).
            level: of the interval; None: that of the fit.

        Raises:
            BadArgument: for a share or level outside of that.

        Source: Lawless 2003, section 5.2.

        Examples:
            With a constant rate of one failure in 1,000 h half have failed by 1,000 h times the logarithm of 2.

            >>> table = RiskTable.from_spells(0, [4_000, 6_000], [1, 0])
            >>> round(fit_weibull_fixed_shape(table, shape=1.0).b_life(0.5).estimate, 1)
            693.1
        """
        z = WEIBULL.quantile(_share(p))
        low, high = self.limits.log_life(z, likelihood_drop(self.level if level is None else level))
        estimate = self.scale_hours * float(np.exp(z / self.shape))
        return Quantile(p, estimate, _exp_or_none(low), _exp_or_none(high))


@dataclass(frozen=True, eq=False)
class _FixedShape:
    """Limits where the shape is taken as known: the failures are then a Poisson count."""

    known_shape: float
    exposure: float
    failures: float

    def shape(self, drop: float) -> tuple[float | None, float | None]:
        return None, None

    def log_life(self, z: float, drop: float) -> tuple[float | None, float | None]:
        tail = 0.5 * chi2_above(2.0 * drop, 1)
        low = chi2_exceeded(tail, 2.0 * self.failures + 2.0)
        high = chi2_quantile(tail, 2.0 * self.failures) if self.failures > 0 else np.nan
        limits = [
            float(np.log(2.0 * self.exposure / q) / self.known_shape + z / self.known_shape)
            for q in (low, high)
        ]
        return limits[0], limits[1] if self.failures > 0 else None


@dataclass(frozen=True, eq=False)
class _General:
    """Limits of a Weibull fit by the general profile likelihood (interval-censored lives)."""

    profile: ProfileLimits

    def shape(self, drop: float) -> tuple[float | None, float | None]:
        low, high = self.profile.log_sigma(drop)
        return (None if high is None else float(np.exp(-high))), (
            None if low is None else float(np.exp(-low))
        )

    def log_life(self, z: float, drop: float) -> tuple[float | None, float | None]:
        return self.profile.log_quantile(z, drop)


def fit_weibull(table: RiskTable, *, level: float = 0.95) -> WeibullFit:
    """Weibull life by maximum likelihood from a risk table, late entry and censoring respected.

    Args:
        level: confidence level of the likelihood-ratio intervals.

    Raises:
        TooFewFailures: with fewer than three failures; take the shape from a prior or fix it instead.
        DidNotConverge: when the likelihood has no maximum for a sensible shape.

    Examples:
        >>> fit = fit_weibull(RiskTable.from_spells(0, [9_000, 14_000, 18_000, 21_000, 26_000], np.ones(5)))
        >>> round(fit.shape, 2), round(fit.scale_hours)
        (3.44, 1964)

    Source: Lawless 2003, section 5.2.
    """
    _enough(table.failures)
    contour = Contour.of_lives(table).solve()
    return _from_contour(contour, table, level, "maximum likelihood", contour.maximum, [])


def fit_weibull_prior(
    table: RiskTable, *, shape: float, log_sd: float = 0.3, level: float = 0.95
) -> WeibullFit:
    """Weibull life where failures are few: the shape leans on what is known of such parts.

    The shape has a lognormal prior; what is reported is the most probable value and the interval over
    which the penalised likelihood falls no further than for a likelihood-ratio interval.

    Args:
        shape: median of the prior of the shape.
        log_sd: its standard deviation on the log scale; 0.3 says "within a factor of 1.8 either way".

    Raises:
        TooFewFailures: without any failure; `fit_weibull_fixed_shape` then gives a lower limit.
        BadArgument: for a shape or spread that is not positive.
        DidNotConverge: when the likelihood has no maximum for a sensible shape.

    Source: Meeker, Escobar & Pascual 2021, chapter 10 (life data with prior information).

    Examples:
        Three failures at 10, 20 and 20 h under a prior that leaves nothing open: shape 2, so that the scale is the root
        of the mean square, (100 + 400 + 400) / 3.

        >>> table = RiskTable.from_spells(0, [100, 200, 200], [1, 1, 1])
        >>> fit = fit_weibull_prior(table, shape=2.0, log_sd=1e-6)
        >>> round(fit.shape, 3), round(fit.scale_hours, 2), round(300**0.5, 2)
        (2.0, 17.32, 17.32)
    """
    if not (shape > 0 and log_sd > 0):
        raise BadArgument(f"the prior's shape and spread must be positive, not {shape} and {log_sd}")
    if table.failures <= 0:
        raise TooFewFailures(
            "no failure yet: a prior of the shape cannot give a scale; fix the shape to get a lower limit",
            failures=table.failures,
            needed=1,
        )
    contour = Contour.of_lives(table, (shape, log_sd)).solve()
    pull = -0.5 * float((np.log(contour.best / shape) / log_sd) ** 2)
    stated = f"the shape leans on a prior with median {shape:g} and log standard deviation {log_sd:g}"
    return _from_contour(contour, table, level, "shape from a prior", contour.maximum - pull, [stated])


def fit_weibull_fixed_shape(table: RiskTable, *, shape: float, level: float = 0.95) -> WeibullFit:
    """Weibull life with the shape taken as known, for few failures or none.

    The transformed ages are exponential, so limits are exact chi-square limits (2 M / chi2). With no
    failure there is no estimate: the scale reported is the lower limit at `level`, one-sided, and the
    note says so.

    Args:
        shape: the shape taken as known.
        level: confidence level.

    Raises:
        BadArgument: for a shape that is not positive, or a level that is none.

    Source: Epstein & Sobel 1953; Abernethy et al. 1983 (AFWAL-TR-83-2079).

    Examples:
        Ten parts ran 100 h each without a failure, at a constant rate: one failure in 1,000 h / -log(0.05) is the most
        that 95% confidence leaves.

        >>> fit = fit_weibull_fixed_shape(RiskTable.from_spells(0, [1_000] * 10, [0] * 10), shape=1.0)
        >>> round(fit.scale_hours, 1), round(1000 / -np.log(0.05).item(), 1)
        (333.8, 333.8)
    """
    if not shape > 0:
        raise BadArgument(f"a shape is positive, not {shape}")
    checked_level(level)
    contour = Contour.of_lives(table)
    r = contour.failures
    log_m = float(np.log(contour.moments(shape)[0])) + shape * contour.shift
    limits = _FixedShape(shape, float(np.exp(log_m)), r)
    notes = [f"the shape is fixed at {shape:g}, not estimated"]
    if r > 0:
        log_scale = (log_m - float(np.log(r))) / shape
        scale_ci = _pair(limits.log_life(0.0, likelihood_drop(level)))
    else:
        log_scale = (log_m - float(np.log(-np.log(1.0 - level)))) / shape
        scale_ci = None
        notes.append(
            f"no failure yet: the scale is a one-sided lower limit at {level:.0%} confidence, no estimate"
        )
    scale = float(np.exp(log_scale))
    log_hours = contour.log_age + contour.shift
    density = dot(contour.failed, np.log(shape) + shape * (log_hours - log_scale) - log_hours)
    variance = 1.0 / (shape**2 * r) if r > 0 else np.inf
    return WeibullFit(
        shape=shape,
        scale_hours=scale,
        shape_ci=None,
        scale_ci=scale_ci,
        level=level,
        log_likelihood=density - float(np.exp(log_m - shape * log_scale)),
        covariance=np.array([[0.0, 0.0], [0.0, variance]]),
        failures=table.failures,
        spells=table.spells,
        total_hours=table.total_hours,
        method="fixed shape",
        note="; ".join(notes),
        limits=limits,
    )


@dataclass(frozen=True, eq=False)
class _Spread:
    """Limits whose likelihood falls as far as a spread asks that is not the information's.

    Attributes:
        limits: by the likelihood.
        at: shape of the fit.
        informed, spread: covariances of (log shape, log scale), shape (2, 2).
    """

    limits: _Limits
    at: float
    informed: Floats
    spread: Floats

    def shape(self, drop: float) -> tuple[float | None, float | None]:
        return self.limits.shape(drop * float(self.spread[0, 0] / self.informed[0, 0]))

    def log_life(self, z: float, drop: float) -> tuple[float | None, float | None]:
        slope = np.array([-z / self.at, 1.0])
        ratio = float(slope @ self.spread @ slope) / float(slope @ self.informed @ slope)
        return self.limits.log_life(z, drop * ratio)


def with_spread(fit: WeibullFit, spread: Floats) -> WeibullFit:
    """A fit whose intervals have another spread than the information gives, that from machine to machine, say.

    The likelihood ratio is taken to fall so much farther as the variance is greater.

    Args:
        spread: covariance of (log shape, log scale), shape (2, 2).

    Source: Rotnitzky & Jewell 1990 (likelihood ratios under clustering).

    Examples:
        Four times the variance is twice the error: about twice as wide on the scale of logarithms.

        >>> fit = fit_weibull(RiskTable.from_spells(0, np.arange(9_000, 29_000, 100), np.ones(200)))
        >>> wide = with_spread(fit, 4.0 * fit.covariance)
        >>> one, two = (np.log(limits[1] / limits[0]).item() for limits in (fit.scale_ci, wide.scale_ci))
        >>> round(two / one, 1)
        2.0
    """
    limits = _Spread(fit.limits, fit.shape, fit.covariance, spread)
    shape, scale, unbounded = _closed(limits, fit.level)
    return replace(
        fit,
        shape_ci=shape,
        scale_ci=scale,
        covariance=spread,
        limits=limits,
        note="; ".join(unbounded) or None,
    )


def fit_weibull_intervals(
    lower_hours: npt.ArrayLike,
    upper_hours: npt.ArrayLike,
    counts: npt.ArrayLike | None = None,
    *,
    entry_hours: npt.ArrayLike = 0.0,
    level: float = 0.95,
) -> WeibullFit:
    """Weibull life from inspections: units found failed between two ages, or still sound at the last one.

    Args:
        lower_hours: last age at which the unit was known to be sound, shape (n,).
        upper_hours: first age at which it was known to have failed; not a number or infinite: not yet.
            Equal to the lower age: failed at exactly that age.
        counts: units a row stands for.
        entry_hours: ages at which observation began.
        level: confidence level.

    Raises:
        LengthMismatch: if there are not as many lower as upper ages.
        BadArgument: for an upper age below the lower one.
        TooFewFailures: with fewer than three failures.
        DidNotConverge: when the likelihood has no maximum.

    Source: Lawless 2003, chapter 5 (interval-censored lives).

    Examples:
        Of sixteen parts eight are found failed at a look after 1 h, seven more at 2 h, and one is still sound. Survival
        is 1/2, then 1/16 = (1/2)^4: the cumulative hazard goes with the square of the age, and is 1 at 1 / (log
        2)^(1/2) h.

        >>> fit = fit_weibull_intervals([0.0, 1.0, 2.0], [1.0, 2.0, np.inf], [8, 7, 1])
        >>> round(fit.shape, 4), round(fit.scale_hours, 4), round(np.log(2.0).item() ** -0.5, 4)
        (2.0, 1.2011, 1.2011)
    """
    data, spells, exposure = _interval_data(lower_hours, upper_hours, counts, entry_hours)
    _enough(data.failures)
    fit = _fit_location_scale(WEIBULL, data)
    mu, log_sigma = fit.theta
    to_natural = np.array([[0.0, -1.0], [1.0, 0.0]])
    limits = _General(fit)
    shape_ci, scale_ci, notes = _closed(limits, level)
    return WeibullFit(
        shape=float(np.exp(-log_sigma)),
        scale_hours=float(np.exp(mu)),
        shape_ci=shape_ci,
        scale_ci=scale_ci,
        level=level,
        log_likelihood=fit.maximum,
        covariance=to_natural @ fit.covariance @ to_natural.T,
        failures=data.failures,
        spells=spells,
        total_hours=exposure,
        method="maximum likelihood, failures known to intervals",
        note="; ".join(notes) or None,
        limits=limits,
    )


@dataclass(frozen=True, eq=False)
class FitComparison:
    """Several distributions fitted to one table.

    Attributes:
        frame: one row a distribution, best first: distribution, parameters, log_likelihood, aic, delta_aic,
            weight (Akaike weight), note.
        rising_hazard_chi2: likelihood-ratio statistic of Weibull against a constant rate, None if it did
            not fit.
        rising_hazard_p: its p value.
    """

    frame: pl.DataFrame
    rising_hazard_chi2: float | None
    rising_hazard_p: float | None


def compare_fits(
    table: RiskTable, *, level: float = 0.95, weibull: WeibullFit | None = None
) -> FitComparison:
    """Weibull, lognormal, log-logistic and exponential side by side; a fit that fails says why.

    Of the lognormal and the log-logistic only the greatest likelihood is sought: intervals, which take far
    longer, are not compared.

    Args:
        level: confidence level of what the notes say.
        weibull: the Weibull fit to the same table, where it is there already.

    Source: Akaike 1974; Burnham & Anderson 2002 (weights).

    Examples:
        Five failures in 8,800 h: at a constant rate the likelihood is 5 log(5 / 8800) - 5. They come so much at one age
        that this is the worst of four.

        >>> table = RiskTable.from_spells(0, [9_000, 14_000, 18_000, 21_000, 26_000], np.ones(5))
        >>> last = compare_fits(table).frame.row(-1, named=True)
        >>> last["distribution"], round(last["log_likelihood"], 3), round(5 * np.log(5 / 8800).item() - 5, 3)
        ('exponential', -42.365, -42.365)
    """
    rows: list[dict[str, object]] = []
    scores: dict[str, float] = {}
    fits: tuple[tuple[str, int, Callable[[], tuple[float, str | None]]], ...] = (
        ("weibull", 2, lambda: _scored(weibull or fit_weibull(table, level=level))),
        ("lognormal", 2, lambda: (fit_log_life(LOGNORMAL, table).maximum, None)),
        ("loglogistic", 2, lambda: (fit_log_life(LOGLOGISTIC, table).maximum, None)),
        ("exponential", 1, lambda: (_constant_rate(table), None)),
    )
    for name, parameters, fit in fits:
        try:
            score, note = fit()
        except (TooFewFailures, DidNotConverge) as reason:
            rows.append({"distribution": name, "note": str(reason)})
            continue
        scores[name] = score
        rows.append(
            {
                "distribution": name,
                "parameters": parameters,
                "log_likelihood": score,
                "aic": 2.0 * parameters - 2.0 * score,
                "note": note,
            }
        )
    schema = {
        "distribution": pl.String,
        "parameters": pl.Int64,
        "log_likelihood": pl.Float64,
        "aic": pl.Float64,
        "note": pl.String,
    }
    frame = pl.DataFrame(rows, schema=schema).sort("aic", nulls_last=True)
    delta = pl.col("aic") - pl.col("aic").min()
    likely = (-0.5 * delta).exp()
    frame = frame.with_columns(delta.alias("delta_aic"), (likely / likely.sum()).alias("weight"))
    chi2 = p = None
    if "weibull" in scores:
        chi2 = max(2.0 * (scores["weibull"] - scores["exponential"]), 0.0)
        p = chi2_above(chi2, 1)
    return FitComparison(frame, chi2, p)


def _scored(fit: WeibullFit) -> tuple[float, str | None]:
    return fit.log_likelihood, fit.note


def _constant_rate(table: RiskTable) -> float:
    """The greatest log-likelihood of a constant failure rate: failures over hours."""
    r = float(table.failures)
    return r * float(np.log(r / table.total_hours)) - r if r > 0 else 0.0


def fit_log_life(family: Family, table: RiskTable) -> ProfileLimits:
    """A life whose logarithm has a location and a scale, late entry and censoring respected.

    Args:
        family: of the logarithm; mu and log sigma are the parameters.

    Raises:
        TooFewFailures: with fewer than three failures.
        DidNotConverge: when the likelihood has no maximum.

    Source: Lawless 2003, chapter 5.

    Examples:
        A lognormal law fitted to lives of 1, 10 and 100 h has the mean of their logarithms, that of 10 h.

        >>> fit = fit_log_life(LOGNORMAL, RiskTable.from_spells(0, [10, 100, 1000], [1, 1, 1]))
        >>> round(np.exp(fit.theta[0]).item(), 4)
        10.0
    """
    _enough(table.failures)
    with np.errstate(divide="ignore"):
        log_hours = np.log(table.hours / table.per_hour)
    return _fit_location_scale(family, life_data(log_hours, table.failed, table.leaving, table.entering))


def _fit_location_scale(family: Family, data: LifeData) -> ProfileLimits:
    """Maximum, information and profile of a two-parameter fit."""
    rows = [data.failed, data.running] + ([] if data.between is None else [data.between[1]])
    ages = np.concatenate([part.log_age for part in rows])
    counts = np.concatenate([part.count for part in rows])
    centre = float(np.average(ages, weights=counts))
    spread = float(np.sqrt(np.average((ages - centre) ** 2, weights=counts)))
    likelihood = Likelihood(family, data)
    middle = float(np.log(max(spread, 0.05)))
    # with late entry the likelihood can have more than one hump
    widths = (middle, middle - 1.0, middle + 1.0) if data.entered.count.size else (middle,)
    found, refused = [], None
    for width in widths:
        try:
            found.append(maximise(likelihood, np.array([centre, width])))
        except DidNotConverge as reason:
            refused = reason
    if not found:
        raise refused or DidNotConverge("the likelihood has no maximum")
    theta, at = max(found, key=lambda pair: pair[1].value)
    covariance: Floats = np.linalg.inv(-at.hessian).astype(np.float64)
    return ProfileLimits(likelihood, theta, at.value, covariance)


def _interval_data(
    lower_hours: npt.ArrayLike,
    upper_hours: npt.ArrayLike,
    counts: npt.ArrayLike | None,
    entry_hours: npt.ArrayLike,
) -> tuple[LifeData, float, float]:
    lower, upper = np.asarray(lower_hours, dtype=np.float64), np.asarray(upper_hours, dtype=np.float64)
    if lower.ndim != 1 or lower.shape != upper.shape:
        raise LengthMismatch(f"the lower ages have shape {lower.shape}, the upper ones {upper.shape}")
    count = np.ones(lower.size) if counts is None else np.asarray(counts, dtype=np.float64)
    entry = np.broadcast_to(np.asarray(entry_hours, dtype=np.float64), lower.shape)
    open_ended = ~np.isfinite(upper)
    wrong = ~open_ended & (upper < lower)
    if wrong.any():
        row = int(np.flatnonzero(wrong)[0])
        raise BadArgument(f"row {row}: found failed at {upper[row]:g} h but still sound at {lower[row]:g} h")
    exact = ~open_ended & (upper == lower)
    inside = ~open_ended & ~exact
    with np.errstate(divide="ignore"):
        low, high, start = np.log(lower), np.log(np.where(open_ended, 1.0, upper)), np.log(entry)
    ones = np.ones((int(inside.sum()), 1))
    data = LifeData(
        failed=Rows.of(high[exact], count[exact]),
        running=Rows.of(low[open_ended], count[open_ended]),
        entered=Rows.of(start, count),
        between=(Rows(low[inside], count[inside], ones), Rows(high[inside], count[inside], ones)),
    )
    last = np.where(open_ended, lower, 0.5 * (lower + np.where(open_ended, lower, upper)))
    return data, float(count.sum()), float((count * (last - entry)).sum())


def _from_contour(
    contour: Contour,
    table: RiskTable,
    level: float,
    method: str,
    log_likelihood: float,
    notes: list[str],
) -> WeibullFit:
    shape_ci, scale_ci, unbounded = _closed(contour, level)
    return WeibullFit(
        shape=contour.best,
        scale_hours=float(np.exp(contour.log_scale(contour.best))),
        shape_ci=shape_ci,
        scale_ci=scale_ci,
        level=level,
        log_likelihood=log_likelihood,
        covariance=contour.covariance,
        failures=table.failures,
        spells=table.spells,
        total_hours=table.total_hours,
        method=method,
        note="; ".join(notes + unbounded) or None,
        limits=contour,
    )


def _closed(
    limits: _Limits, level: float
) -> tuple[tuple[float, float] | None, tuple[float, float] | None, list[str]]:
    """Intervals of shape and scale, and a sentence for each that does not close."""
    drop = likelihood_drop(level)
    shape, scale = _both(limits.shape(drop)), _pair(limits.log_life(0.0, drop))
    notes = [
        f"the {level:.0%} interval of the {name} does not close: the data do not bound it"
        for name, pair in (("shape", shape), ("scale", scale))
        if pair is None
    ]
    return shape, scale, notes


def _enough(failures: float) -> None:
    if failures < FEWEST_FAILURES:
        raise TooFewFailures(
            f"{failures:g} failures are too few to estimate a shape ({FEWEST_FAILURES} needed);"
            " fix the shape or take it from a prior",
            failures=failures,
            needed=FEWEST_FAILURES,
        )


def _share(p: float) -> float:
    if not 0.0 < p < 1.0:
        raise BadArgument(f"a share failed lies between 0 and 1, not {p}")
    return p


def _exp_or_none(value: float | None) -> float | None:
    return None if value is None else float(np.exp(value))


def _both(pair: tuple[float | None, float | None]) -> tuple[float, float] | None:
    low, high = pair
    return None if low is None or high is None else (low, high)


def _pair(log_pair: tuple[float | None, float | None]) -> tuple[float, float] | None:
    """An interval on the natural scale from one on the log scale."""
    pair = _both(log_pair)
    return None if pair is None else (float(np.exp(pair[0])), float(np.exp(pair[1])))
