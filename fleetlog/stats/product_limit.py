"""Survival and cumulative incidence from a risk table.

Sources: Kaplan & Meier 1958 (product limit); Greenwood 1926 (variance); Brookmeyer & Crowley 1982 (quantile
limits by inverting the pointwise band); Aalen & Johansen 1978 (competing causes); Klein & Moeschberger 2003
(delayed entry, transformed intervals).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import numpy.typing as npt
import polars as pl

from fleetlog.stats.arrays import Counts, Floats, checked_level, normal_quantile, one_of, step_positions
from fleetlog.stats.errors import BadArgument
from fleetlog.stats.risk_table import CausesTable, RiskTable

Interval = Literal["log-log", "log", "plain"]
INTERVALS: tuple[Interval, ...] = ("log-log", "log", "plain")

#: A survival curve with delayed entry starts where this many are at risk (or half the most that ever are).
MINIMUM_AT_RISK = 5.0

#: Products of counts carry rounding of this size at most; S within it of a level counts as having reached it.
_EQUAL = 1e-10


@dataclass(frozen=True)
class Quantile:
    """An age by which a share of the units has failed, with its interval.

    Attributes:
        p: the share.
        estimate: age in hours, None if the curve does not come down that far ("not reached").
        lower: lower limit in hours, None if not reached.
        upper: upper limit in hours, None if not reached.
    """

    p: float
    estimate: float | None
    lower: float | None
    upper: float | None


@dataclass(frozen=True, eq=False)
class SurvivalAt:
    """A survival curve read off at chosen ages; arrays of the shape of `hours`."""

    hours: Floats
    survival: Floats
    std_error: Floats
    lower: Floats
    upper: Floats
    at_risk: Counts


@dataclass(frozen=True)
class RestrictedMean:
    """Mean life up to a horizon.

    Attributes:
        horizon_hours: the horizon.
        from_hours: where the curve starts; the mean counts hours from there.
        estimate: area under the curve, in hours.
        std_error: its standard error, in hours.
        lower: lower normal limit, in hours, at least 0.
        upper: upper normal limit, in hours, at most the hours from start to horizon.
    """

    horizon_hours: float
    from_hours: float
    estimate: float
    std_error: float
    lower: float
    upper: float


@dataclass(frozen=True, eq=False)
class ProductLimit:
    """A product-limit survival curve: one entry a failure age.

    Attributes:
        hours: failure ages in hours, rising.
        at_risk: Y(h) there.
        failed: failures there.
        survival: S(h) just after each age.
        std_error: Greenwood's standard error of S; not a number where S has come down to 0.
        lower: lower pointwise limit. Where S is 0: 0.
        upper: upper pointwise limit. Where S is 0: the last limit before (S never rises, so it still holds).
        level: confidence level.
        interval: kind of interval.
        from_hours: 0, or the age up to which survival is taken for granted.
        note: what a reader must be told, or None.
        spells: spells in the table.
        failures: failures in the table (those before `from_hours` included).
        table: the risk table behind the curve.

    Examples:
        Weeks in remission of the 21 patients on the drug in Freireich et al. 1963, as in table 4.1 of Klein &
        Moeschberger 2003: the curve, its errors by Greenwood's formula and the median.

        >>> weeks = [6, 6, 6, 6, 7, 9, 10, 10, 11, 13, 16, 17, 19, 20, 22, 23, 25, 32, 32, 34, 35]
        >>> ended = [1, 1, 1, 0, 1, 0, 1, 0, 0, 1, 1, 0, 0, 0, 1, 1, 0, 0, 0, 0, 0]
        >>> curve = product_limit(RiskTable.from_spells(0, weeks, ended, per_hour=1))
        >>> curve.survival.round(4).tolist()
        [0.8571, 0.8067, 0.7529, 0.6902, 0.6275, 0.5378, 0.4482]
        >>> curve.std_error.round(4).tolist()
        [0.0764, 0.0869, 0.0963, 0.1068, 0.1141, 0.1282, 0.1346]
        >>> curve.quantile(0.5).estimate
        23.0
    """

    hours: Floats
    at_risk: Counts
    failed: Counts
    survival: Floats
    std_error: Floats
    lower: Floats
    upper: Floats
    level: float
    interval: str
    from_hours: float
    note: str | None
    spells: float
    failures: float
    table: RiskTable = field(repr=False)

    def quantile(self, p: float) -> Quantile:
        """The age by which a share p has failed: the earliest at which S(h) <= 1 - p.

        Where all have failed, no lower limit of S is known; so one of the age is read off only before that (in a group
        of one that failed there is none).

        Args:
            p: share failed, between 0 and 1 (0.5: median, 0.1: B10).

        Raises:
            BadArgument: for a share outside of that.

        Source: Brookmeyer & Crowley 1982.
        """
        if not 0.0 < p < 1.0:
            raise BadArgument(f"a share failed lies between 0 and 1, not {p}")
        known = self.survival > 0
        return Quantile(
            p,
            _crossing(self.hours, self.survival, 1.0 - p),
            _crossing(self.hours[known], self.lower[known], 1.0 - p),
            _crossing(self.hours, self.upper, 1.0 - p),
        )

    def at(self, hours: npt.ArrayLike) -> SurvivalAt:
        """The curve at any ages in hours. Beyond the last age observed it is not known: not a number.

        Args:
            hours: ages in hours.

        Examples:
            >>> curve = product_limit(RiskTable.from_spells(0, [10, 20, 30, 40], [1, 0, 1, 0]), minimum_at_risk=0)
            >>> curve.at([0.5, 1.0, 3.5, 9.0]).survival.tolist()
            [1.0, 0.75, 0.375, nan]
        """
        points = np.atleast_1d(np.asarray(hours, dtype=np.float64))
        ticks = self.table.to_ticks(points)
        done = step_positions(self.table.to_ticks(self.hours), ticks, inclusive=True)
        known = ticks <= (self.table.hours[-1] if self.table.hours.size else -1)

        def read(values: Floats, start: float) -> Floats:
            return np.where(known, np.concatenate(([start], values))[done], np.nan)

        return SurvivalAt(
            points,
            read(self.survival, 1.0),
            read(self.std_error, 0.0),
            read(self.lower, 1.0),
            read(self.upper, 1.0),
            self.table.at_risk_at(points),
        )

    def restricted_mean(self, hours: float, *, small_sample: bool = False) -> RestrictedMean:
        """Mean life up to a horizon: the area under the curve from `from_hours` to `hours`.

        Args:
            hours: the horizon, in hours.
            small_sample: multiply the variance by D/(D-1), D failures, as Klein & Moeschberger do.

        Raises:
            BadArgument: if the horizon lies before the curve's start or beyond the last age observed.

        Source: Klein & Moeschberger 2003, section 4.5.

        Examples:
            Four parts fail at 1, 2, 3 and 4 h: up to 3 h they run (1 + 2 + 3 + 3) / 4 h.

            >>> curve = product_limit(RiskTable.from_spells(0, [10, 20, 30, 40], [1, 1, 1, 1]), minimum_at_risk=0)
            >>> round(curve.restricted_mean(3.0).estimate, 6)
            2.25
        """
        if hours <= self.from_hours:
            raise BadArgument(
                f"the horizon of {hours:g} h must lie beyond the curve's start at {self.from_hours:g} h"
            )
        last = float(self.table.hours[-1]) / self.table.per_hour if self.table.hours.size else 0.0
        if hours > last and (self.survival.size == 0 or self.survival[-1] > 0):
            raise BadArgument(f"nobody was followed to {hours:g} h; the last one left at {last:g} h")
        inside = self.hours < hours
        edges = np.concatenate(([self.from_hours], self.hours[inside], [hours]))
        heights = np.concatenate(([1.0], self.survival[inside]))
        areas = np.diff(edges) * heights
        beyond = np.cumsum(areas[::-1])[::-1][1:]
        d = self.failed[inside].astype(np.float64)
        y = self.at_risk[inside].astype(np.float64)
        open_ended = y > d
        variance = float((beyond**2 * d / np.where(open_ended, y * (y - d), 1.0))[open_ended].sum())
        deaths = float(d.sum())
        if small_sample and deaths > 1:
            variance *= deaths / (deaths - 1)
        mean, error = float(areas.sum()), float(np.sqrt(variance))
        z = normal_quantile(self.level)
        most = hours - self.from_hours
        return RestrictedMean(
            hours, self.from_hours, mean, error, max(mean - z * error, 0.0), min(mean + z * error, most)
        )

    def to_frame(self) -> pl.DataFrame:
        """One row a failure age: hours, at_risk, failed, survival, std_error, lower, upper."""
        names = ("hours", "at_risk", "failed", "survival", "std_error", "lower", "upper")
        return pl.DataFrame({name: getattr(self, name) for name in names})


def product_limit(
    table: RiskTable,
    *,
    level: float = 0.95,
    interval: Interval = "log-log",
    minimum_at_risk: float = MINIMUM_AT_RISK,
    from_hours: float | None = None,
) -> ProductLimit:
    """Product-limit survival by age, with delayed entry.

    Where units come under observation late, the first risk sets can be so small that one failure brings
    the curve down to zero. The curve then starts at the age from which enough are at risk, is conditional
    on surviving to it, and says so in `from_hours` and `note`.

    Args:
        level: confidence level of the pointwise interval.
        interval: "log-log" (default), "log" or "plain".
        minimum_at_risk: how many must be at risk before the curve may start (or half the most that ever
            are, if that is fewer). 0 starts at age zero whatever comes of it.
        from_hours: start the curve at this age instead.

    Examples:
        Of four parts two fail, at 1 and 3 h; one is last seen running at 2 h, one at 4 h.

        >>> table = RiskTable.from_spells(0, [10, 20, 30, 40], [1, 0, 1, 0])
        >>> product_limit(table, minimum_at_risk=0).survival.tolist()
        [0.75, 0.375]

    Raises:
        BadArgument: for a level or interval that does not exist.

    Source: Kaplan & Meier 1958; Greenwood 1926.
    """
    one_of("interval", interval, INTERVALS)
    start, note = _start(table, minimum_at_risk, from_hours)
    rows = np.flatnonzero((table.failed > 0) & (table.hours > start))
    hours, at_risk, failed = table.hours[rows] / table.per_hour, table.at_risk[rows], table.failed[rows]
    y, d = at_risk.astype(np.float64), failed.astype(np.float64)
    alive = np.where(y - d <= _EQUAL * y, 0.0, y - d)
    survival = np.cumprod(alive / y, dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        relative = np.sqrt(np.cumsum(d / (y * alive)))
        std_error = np.where(survival > 0, survival * relative, np.nan)
    lower, upper = band(survival, relative, normal_quantile(level), interval)
    return ProductLimit(
        hours=hours,
        at_risk=at_risk,
        failed=failed,
        survival=survival,
        std_error=std_error,
        lower=lower,
        upper=upper,
        level=level,
        interval=interval,
        from_hours=start / table.per_hour,
        note=note,
        spells=table.spells,
        failures=table.failures,
        table=table,
    )


def _start(table: RiskTable, minimum: float, from_hours: float | None) -> tuple[float, str | None]:
    """Where the curve may start, in ticks, and the sentence that says why."""
    if from_hours is not None:
        start = float(table.to_ticks(from_hours))
        if start <= 0:
            return 0.0, None
        return start, f"conditional on surviving to {from_hours:g} h, as asked"
    after = table.at_risk_after
    if minimum <= 0 or after.size == 0:
        return 0.0, None
    most = float(after.max())
    enough = after >= min(minimum, most, float(np.ceil(most / 2)))
    start = float(table.hours[np.argmax(enough)])
    restart = _restart_after_zero(table, start, enough)
    first = start if restart is None else restart
    if first <= 0:
        return 0.0, None
    left_out = table.failed[table.hours <= first].sum()
    why = (
        f"fewer than {minimum:g} were under observation at lower ages"
        if restart is None
        else "all that were at risk at a lower age failed before others came under observation"
    )
    lost = f", and {left_out:g} failures before it are left out" if left_out else ""
    return first, f"conditional on surviving to {first / table.per_hour:g} h: {why}{lost}"


def _restart_after_zero(table: RiskTable, start: float, enough: Counts) -> float | None:
    """The age to start again from, if the curve would hit zero with most of the failures still to come."""
    zero = (table.failed > 0) & (table.failed >= table.at_risk) & (table.hours > start)
    zero[np.flatnonzero(enough)[-1] + 1 :] = False
    if not zero.any():
        return None
    last = int(np.flatnonzero(zero)[-1])
    again = last + int(np.argmax(enough[last:]))
    before, beyond = table.failed[: again + 1].sum(), table.failed[again + 1 :].sum()
    return float(table.hours[again]) if beyond > before else None


def band(survival: Floats, relative: Floats, z: float, interval: str) -> tuple[Floats, Floats]:
    """Pointwise limits; `relative` is the standard error of log S.

    Examples:
        >>> lower, upper = band(np.array([0.5]), np.array([0.2]), 1.96, "log-log")
        >>> lower.round(3).tolist(), upper.round(3).tolist()
        ([0.295], [0.675])
    """
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        if interval == "plain":
            half = z * relative * survival
            lower, upper = survival - half, survival + half
        elif interval == "log":
            lower, upper = survival * np.exp(-z * relative), survival * np.exp(z * relative)
        else:
            spread = z * relative / np.log(survival)
            lower, upper = survival ** np.exp(-spread), survival ** np.exp(spread)
    lower, upper = np.clip(lower, 0.0, 1.0), np.clip(upper, 0.0, 1.0)
    at_zero = survival <= 0
    if at_zero.any():
        first = int(np.argmax(at_zero))
        lower[first:] = 0.0
        upper[first:] = upper[first - 1] if first > 0 else 1.0
    return lower, upper


def _crossing(hours: Floats, curve: Floats, level: float) -> float | None:
    """The earliest age at which a falling curve is at or below a level; None if it never is."""
    reached = np.flatnonzero(curve <= level + _EQUAL)
    return float(hours[reached[0]]) if reached.size else None


def positive_band(estimate: Floats, error: Floats, level: float) -> tuple[Floats, Floats]:
    """Limits of something positive with this standard error, on the log scale.

    Args:
        estimate, error: shape (n,).
        level: confidence level.

    Returns:
        Lower and upper limits, shape (n,).

    Raises:
        BadArgument: for a level outside 0 to 1.

    Examples:
        Within a factor of exp(1.96 * 0.5) either way.

        >>> lower, upper = positive_band(np.array([2.0]), np.array([1.0]), 0.95)
        >>> lower.round(3).tolist(), upper.round(3).tolist()
        ([0.751], [5.329])
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        factor = np.exp(normal_quantile(level) * error / estimate)
    return estimate / factor, estimate * factor


@dataclass(frozen=True, eq=False)
class CumulativeIncidence:
    """Aalen–Johansen cumulative incidence: one row an age at which anything failed, one column a cause.

    Attributes:
        causes: names of the columns.
        hours: failure ages in hours, shape (n,).
        at_risk: Y(h) there, shape (n,).
        failed: failures, shape (n, causes).
        survival: chance of no failure of any cause, shape (n,).
        incidence: chance of having failed by each cause, shape (n, causes).
        std_error: delta-method (Aalen) standard errors, shape (n, causes).
        lower: lower limits on the complementary log-log scale, shape (n, causes).
        upper: upper limits, shape (n, causes).
        level: confidence level.
        from_hours: age up to which survival is taken for granted.
        note: what a reader must be told, or None.
        table: the table behind the curves.
    """

    causes: tuple[str, ...]
    hours: Floats
    at_risk: Counts
    failed: Counts
    survival: Floats
    incidence: Floats
    std_error: Floats
    lower: Floats
    upper: Floats
    level: float
    from_hours: float
    note: str | None
    table: CausesTable = field(repr=False)


def aalen_johansen(
    table: CausesTable,
    *,
    level: float = 0.95,
    minimum_at_risk: float = MINIMUM_AT_RISK,
) -> CumulativeIncidence:
    """Cumulative incidence of competing causes, with delayed entry.

    One minus the product-limit curve of a single cause overstates its incidence, since units that fail by
    another cause can no longer fail by this one. The variance is the delta method's (Aalen 1978, binomial
    increments), which equals the infinitesimal jackknife.

    Args:
        table: one group's risk table with several causes.
        minimum_at_risk: as in `product_limit`.
        level: confidence level of the limits.

    Raises:
        BadArgument: for a level outside 0 to 1.

    Source: Aalen & Johansen 1978; Aalen 1978 (the variance).

    Examples:
        Of four parts one fails by wear at 1 h, one by dirt at 2 h and one by wear at 3 h; the last runs on. With nobody
        censored before, incidence is failures over parts.

        >>> hours, failed = [0, 10, 20, 30, 40], [(0, 0), (1, 0), (0, 1), (1, 0), (0, 0)]
        >>> table = CausesTable(hours, [4, 0, 0, 0, 0], failed, [0, 1, 1, 1, 1], ("wear", "dirt"))
        >>> aalen_johansen(table, minimum_at_risk=0).incidence.round(6).tolist()
        [[0.25, 0.0], [0.25, 0.25], [0.5, 0.25]]
    """
    checked_level(level)
    start, note = _start(table.any_cause(), minimum_at_risk, None)
    rows = (table.failed.sum(axis=1) > 0) & (table.hours > start)
    y = table.at_risk[rows].astype(np.float64)
    by_cause = table.failed[rows].astype(np.float64)
    d = by_cause.sum(axis=1)
    alive = np.where(y - d <= _EQUAL * y, 0.0, y - d)
    survival = np.cumprod(alive / y, dtype=np.float64)
    before = np.concatenate(([1.0], survival[:-1]))[: survival.size]
    incidence = np.cumsum(before[:, None] * by_cause / y[:, None], axis=0)
    spread = _incidence_variance(y, by_cause, before, incidence)
    std_error = np.sqrt(np.maximum(spread, 0.0))
    lower, upper = _incidence_band(incidence, std_error, level)
    return CumulativeIncidence(
        causes=table.causes,
        hours=table.hours[rows] / table.per_hour,
        at_risk=table.at_risk[rows],
        failed=table.failed[rows],
        survival=survival,
        incidence=incidence,
        std_error=std_error,
        lower=lower,
        upper=upper,
        level=level,
        from_hours=start / table.per_hour,
        note=note,
        table=table,
    )


def _incidence_variance(y: Floats, by_cause: Floats, before: Floats, incidence: Floats) -> Floats:
    """Variance of each cumulative incidence at each age, shape (n, causes).

    F(t) is the sum over ages s of a dk/Y with a = S(s-). If dk/Y at s grows by e, F(t) grows by (a - b g)
    e; if the other causes' count grows, by -b g e, where g = F(t) - F(s) was still to come and b = 1 / (1
    - d/Y). What is left is the covariance of the counts at s, and the sums over s separate because g is
    linear in F(t).
    """
    d = by_cause.sum(axis=1)
    last = y - d <= _EQUAL * y
    b = np.where(last, 0.0, 1.0 / np.where(last, 1.0, 1.0 - d / y))
    result = np.empty_like(incidence)
    for k in range(incidence.shape[1]):
        f, dk = incidence[:, k], by_cause[:, k]
        own, cross, all_causes = (x / y**3 for x in (dk * (y - dk), dk * (y - d), d * (y - d)))
        constant = np.cumsum(before**2 * own + 2.0 * before * b * f * cross + (b * f) ** 2 * all_causes)
        linear = np.cumsum(before * b * cross + b**2 * f * all_causes)
        result[:, k] = constant - 2.0 * f * linear + f**2 * np.cumsum(b**2 * all_causes)
    return result


def _incidence_band(incidence: Floats, error: Floats, level: float) -> tuple[Floats, Floats]:
    """Limits on the complementary log-log scale, which keeps them between 0 and 1."""
    z = normal_quantile(level)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        stay = 1.0 - incidence
        spread = np.exp(z * error / (stay * -np.log(stay)))
        lower, upper = 1.0 - stay ** (1.0 / spread), 1.0 - stay**spread
    settled = (incidence <= 0) | (stay <= 0)
    return np.where(settled, incidence, lower), np.where(settled, incidence, upper)
