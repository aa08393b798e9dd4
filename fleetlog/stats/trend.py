"""Is a machine getting better or worse? Trend tests and the power law for repeat failures.

Ages are running hours of one machine (or of many, pooled) at its failures. "Time truncated": observation
ended by the clock at a stated age; "failure truncated": it ended with the last failure, which then
carries no information about the trend.

Sources: Laplace's test as in Cox & Lewis 1966 and Ascher & Feingold 1984; MIL-HDBK-189C; Lewis & Robinson
1974; Crow 1975; NIST/SEMATECH e-Handbook of Statistical Methods, sections 8.2.3.4 and 8.4.5.2; IEC 61164;
IEC 61710.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import optimize, special

from fleetlog.stats.arrays import Floats, checked_level, normal_quantile
from fleetlog.stats.errors import BadAge, BadArgument, LengthMismatch, TooFewFailures
from fleetlog.stats.histories import MachineHistories
from fleetlog.stats.laws import chi2_above, chi2_below, chi2_exceeded, chi2_quantile, normal_above
from fleetlog.stats.risk_table import EventTable
from fleetlog.stats.weibull_contour import Contour, likelihood_drop


@dataclass(frozen=True)
class TrendTest:
    """A test of no trend.

    Attributes:
        statistic: positive (Laplace, Lewis-Robinson) or small (MIL-HDBK-189) when failures crowd late.
        df: degrees of freedom of a chi-square statistic, None for a normal one.
        p: two-sided p value.
        p_worse: chance of failures crowding as late if there is no trend.
        p_better: chance of failures crowding as early.
        events: events that the statistic rests on.
        direction: "worse", "better" or "neither", as the statistic points; read it with p.
    """

    statistic: float
    df: int | None
    p: float
    p_worse: float
    p_better: float
    events: int
    direction: str


def laplace_test(
    hours: npt.ArrayLike | MachineHistories,
    end_hours: npt.ArrayLike | None = None,
    *,
    start_hours: npt.ArrayLike = 0.0,
) -> TrendTest:
    """Laplace's test: are the mean failure ages later or earlier than the middle of observation?

    Args:
        hours: failure ages; for several machines their histories, or a list of lists.
        end_hours: age at which observation ended, one a machine; None: with the last failure.
        start_hours: age at which it began, one a machine.
    """
    seen = _Flat.of(hours, end_hours, start_hours)
    score = float((seen.ages - 0.5 * (seen.start + seen.end)).sum())
    variance = float(((seen.end - seen.start) ** 2).sum()) / 12.0
    return _normal_test(_ratio(score, variance, seen.ages.size), seen.ages.size)


def mil_hdbk_189_test(
    hours: npt.ArrayLike | MachineHistories, end_hours: npt.ArrayLike | None = None
) -> TrendTest:
    """The MIL-HDBK-189 test: twice the sum of log(end/age) is chi-square if there is no trend.

    It is the stronger test against a power law, with observation from age zero. A small statistic means
    that the machine is getting worse.

    Args:
        hours: failure ages; for several machines their histories, or a list of lists.
        end_hours: age at which observation ended, one a machine; None: with the last failure.
    """
    seen = _Flat.of(hours, end_hours, 0.0)
    used = int(seen.ages.size)
    if used == 0:
        raise _no_events()
    if (seen.start > 0).any():
        raise BadArgument("this test needs machines watched from new; use Laplace's test for later windows")
    statistic = 2.0 * float(np.log(seen.end / seen.ages).sum())
    df = 2 * used
    worse, better = chi2_below(statistic, df), chi2_above(statistic, df)
    return TrendTest(
        statistic, df, min(2.0 * min(worse, better), 1.0), worse, better, used, _way(better - worse)
    )


def lewis_robinson_test(hours: npt.ArrayLike, end_hours: float | None = None) -> TrendTest:
    """Laplace's statistic over the variation of the intervals: for renewals that are not Poisson."""
    laplace = laplace_test(hours, end_hours)
    intervals = np.diff(np.asarray(hours, dtype=np.float64), prepend=0.0)
    if intervals.size < 2:
        raise _no_events()
    variation = float(np.std(intervals, ddof=1) / intervals.mean())
    if variation == 0:
        raise BadArgument("all intervals are alike, so the test has nothing to measure a trend against")
    return _normal_test(laplace.statistic / variation, laplace.events)


def rising_pairs(intervals: npt.ArrayLike) -> tuple[int, float]:
    """Pairs of an earlier and a later interval of which the later is strictly longer, and their z score.

    Many such pairs mean improvement (NIST e-Handbook 8.2.3.4 counts them as reversals). Without a trend
    their mean is n(n-1)/4 and their variance (2n+5)n(n-1)/72.
    """
    x = np.asarray(intervals, dtype=np.float64)
    n = x.size
    pairs = int(np.triu(x[None, :] > x[:, None], 1).sum())
    variance = (2 * n + 5) * n * (n - 1) / 72
    return pairs, float((pairs - n * (n - 1) / 4) / np.sqrt(variance)) if n > 1 else 0.0


@dataclass(frozen=True)
class PowerLaw:
    """One machine's repeat failures with intensity lambda * beta * age^(beta - 1).

    Attributes:
        shape: maximum-likelihood beta; above 1 failures come ever faster.
        rate: maximum-likelihood lambda, per hour^beta.
        shape_ci: exact interval of beta.
        intensity: failures an hour at the end of observation, at the maximum-likelihood values.
        mean_hours_between: its inverse.
        shape_unbiased: beta corrected for bias: (n-1)/S if time truncated, (n-2)/S if failure truncated.
        rate_unbiased: lambda that goes with it.
        mean_hours_between_unbiased: hours between failures at the end that go with it.
        end_hours: end of observation.
        failures: failures seen.
        truncation: how observation ended.
        cramer_von_mises: goodness of fit, larger is worse.
    """

    shape: float
    rate: float
    shape_ci: tuple[float, float]
    intensity: float
    mean_hours_between: float
    shape_unbiased: float
    rate_unbiased: float
    mean_hours_between_unbiased: float
    end_hours: float
    failures: int
    truncation: str
    cramer_von_mises: float

    def expected(self, hours: npt.ArrayLike) -> Floats:
        """Expected failures by an age, at the maximum-likelihood values."""
        result: Floats = self.rate * np.asarray(hours, dtype=np.float64) ** self.shape
        return result

    def mean_hours_between_interval(self, *, level: float = 0.95) -> tuple[float, float]:
        """Approximate interval of the hours between failures at the end (NIST e-Handbook 8.4.5.2)."""
        z, n = normal_quantile(level), self.failures
        base = self.mean_hours_between_unbiased * n * (n - 1)
        wide = n + z**2 / 4 + float(np.sqrt(n * z**2 / 2 + z**4 / 16))
        narrow = n - z * float(np.sqrt(n / 2))
        if narrow <= 0:
            raise TooFewFailures(f"{n} failures are too few for this interval", failures=n, needed=3)
        return base / wide**2, base / narrow**2


def power_law(hours: npt.ArrayLike, end_hours: float | None = None, *, level: float = 0.95) -> PowerLaw:
    """Power law of one machine watched from new (Crow's closed forms).

    Args:
        hours: failure ages.
        end_hours: age at which observation ended; None: with the last failure.
        level: confidence level of the interval of beta.
    """
    ages = np.sort(np.asarray(hours, dtype=np.float64))
    n = int(ages.size)
    if n < 3:
        raise TooFewFailures(f"{n} failures are too few for a power law (3 needed)", failures=n, needed=3)
    truncation = "failure" if end_hours is None else "time"
    seen = _Flat.of(ages, end_hours, 0.0)
    used, end = seen.ages, float(ages[-1] if end_hours is None else end_hours)
    total = float(np.log(end / used).sum())
    shape = n / total
    unbiased = (n - 1 if truncation == "time" else n - 2) / total
    df = 2 * int(used.size)
    tail = 0.5 * (1.0 - checked_level(level))
    limits = (chi2_quantile(tail, df), chi2_exceeded(tail, df))
    rate, rate_unbiased = n / end**shape, n / end**unbiased
    ranks = (2.0 * np.arange(1, used.size + 1) - 1.0) / (2.0 * used.size)
    cvm = 1.0 / (12.0 * used.size) + float((((used / end) ** unbiased - ranks) ** 2).sum())
    return PowerLaw(
        shape=shape,
        rate=rate,
        shape_ci=(limits[0] / (2.0 * total), limits[1] / (2.0 * total)),
        intensity=n * shape / end,
        mean_hours_between=end / (n * shape),
        shape_unbiased=unbiased,
        rate_unbiased=rate_unbiased,
        mean_hours_between_unbiased=end / (n * unbiased),
        end_hours=end,
        failures=n,
        truncation=truncation,
        cramer_von_mises=cvm,
    )


@dataclass(frozen=True)
class GroupedPowerLaw:
    """A power law fitted to counts between inspections of one machine.

    Attributes:
        shape: beta.
        rate: lambda.
        expected: expected count of each interval.
        chi2: sum of (observed - expected)^2 / expected.
        df: intervals less two.
        p: its p value.
        mean_hours_between: at the end of observation.
    """

    shape: float
    rate: float
    expected: tuple[float, ...]
    chi2: float
    df: int
    p: float
    mean_hours_between: float


def grouped_power_law(edges: npt.ArrayLike, failures: npt.ArrayLike) -> GroupedPowerLaw:
    """Power law where only the counts between inspection ages are known.

    Args:
        edges: inspection ages, starting at 0, shape (intervals + 1,).
        failures: failures between them, shape (intervals,).
    """
    t, count = np.asarray(edges, dtype=np.float64), np.asarray(failures, dtype=np.float64)
    if t.size != count.size + 1 or t.size < 3 or t[0] < 0 or (np.diff(t) <= 0).any():
        raise LengthMismatch("give rising inspection ages and one count for each interval between them")
    end, total = float(t[-1]), float(count.sum())
    x = t / end
    logs = np.log(np.where(x > 0, x, 1.0))

    def score(log_shape: float) -> float:
        powers = np.where(x > 0, x, 0.0) ** float(np.exp(log_shape))
        return float((count * np.diff(powers * logs) / np.diff(powers)).sum())

    low, high = float(np.log(0.01)), float(np.log(100.0))
    if not score(low) * score(high) < 0:
        raise TooFewFailures("all failures fall into one interval: no trend to fit", failures=total, needed=2)
    shape = float(np.exp(optimize.brentq(score, low, high, xtol=1e-14)))
    rate = total / end**shape
    expected = total * np.diff(x**shape)
    chi2 = float(((count - expected) ** 2 / expected).sum())
    df = count.size - 2
    p = chi2_above(chi2, df) if df > 0 else 1.0
    return GroupedPowerLaw(shape, rate, tuple(expected.tolist()), chi2, df, p, end / (total * shape))


@dataclass(frozen=True, eq=False)
class FleetPowerLaw:
    """One power law for many machines, whatever windows they were watched over.

    Attributes:
        shape: beta.
        rate: lambda, per machine and hour^beta.
        shape_ci: likelihood-ratio interval of beta, None if it does not close.
        level: confidence level.
        log_likelihood: its maximum, with intensity per hour.
        constant_rate_chi2: likelihood-ratio statistic against a constant rate (beta = 1).
        constant_rate_p: its p value, 1 degree of freedom.
        events: events.
        machine_hours: hours under observation.
    """

    shape: float
    rate: float
    shape_ci: tuple[float, float] | None
    level: float
    log_likelihood: float
    constant_rate_chi2: float
    constant_rate_p: float
    events: float
    machine_hours: float
    contour: Contour = field(repr=False)

    def intensity(self, hours: npt.ArrayLike) -> Floats:
        """Failures per machine and hour at an age."""
        age = np.asarray(hours, dtype=np.float64)
        with np.errstate(divide="ignore"):
            result: Floats = self.rate * self.shape * age ** (self.shape - 1.0)
        return result

    def expected(self, hours: npt.ArrayLike) -> Floats:
        """Expected failures per machine by an age."""
        result: Floats = self.rate * np.asarray(hours, dtype=np.float64) ** self.shape
        return result


def fleet_power_law(table: EventTable, *, level: float = 0.95) -> FleetPowerLaw:
    """Power law of a fleet from its event table; windows may begin and end at any age.

    Raises:
        TooFewFailures: with fewer than three events.
        DidNotConverge: when the likelihood has no maximum.
    """
    events = float(table.events.sum())
    if events < 3:
        raise TooFewFailures(
            f"{events:g} events are too few for a power law (3 needed)", failures=events, needed=3
        )
    contour = Contour.of_events(table).solve()
    low, high = contour.shape(likelihood_drop(level))
    chi2 = max(2.0 * (contour.maximum - contour.profile(0.0)), 0.0)
    machine_hours = float(((table.leaving - table.entering) * table.hours).sum()) / table.per_hour
    return FleetPowerLaw(
        shape=contour.best,
        rate=float(np.exp(-contour.best * contour.log_scale(contour.best))),
        shape_ci=None if low is None or high is None else (low, high),
        level=level,
        log_likelihood=contour.maximum,
        constant_rate_chi2=chi2,
        constant_rate_p=chi2_above(chi2, 1),
        events=events,
        machine_hours=machine_hours,
        contour=contour,
    )


@dataclass(frozen=True)
class EventRate:
    """A common event rate of several machines, and whether they share it.

    Attributes:
        rate: events an hour.
        std_error_log: standard error of its logarithm if events are Poisson.
        lower: exact (Garwood) lower limit.
        upper: exact upper limit.
        deviance: likelihood-ratio statistic of machines having rates of their own.
        pearson: Pearson's statistic of the same.
        df: machines less one.
        p: p value of Pearson's statistic.
        dispersion: pearson over df; well above 1: some machines fail more than chance allows.
    """

    rate: float
    std_error_log: float
    lower: float
    upper: float
    deviance: float
    pearson: float
    df: int
    p: float
    dispersion: float


def event_rate(events: npt.ArrayLike, hours: npt.ArrayLike, *, level: float = 0.95) -> EventRate:
    """One rate for all machines, with tests that it is one.

    Args:
        events: events of each machine, shape (machines,).
        hours: hours each was watched, shape (machines,).
        level: confidence level.
    """
    x, t = np.asarray(events, dtype=np.float64), np.asarray(hours, dtype=np.float64)
    if x.shape != t.shape or x.ndim != 1 or x.size == 0 or not (t > 0).all() or (x < 0).any():
        raise BadArgument("give events (not negative) and hours (positive) of each machine")
    total, watched = float(x.sum()), float(t.sum())
    if total <= 0:
        raise TooFewFailures(
            "no event yet: only an upper limit of the rate can be given", failures=0, needed=1
        )
    expected = t * total / watched
    deviance = 2.0 * float((special.xlogy(x, x / expected) - (x - expected)).sum())
    pearson = float(((x - expected) ** 2 / expected).sum())
    df = x.size - 1
    tail = 0.5 * (1.0 - checked_level(level))
    return EventRate(
        rate=total / watched,
        std_error_log=1.0 / float(np.sqrt(total)),
        lower=float(special.gammaincinv(total, tail)) / watched,
        upper=float(special.gammainccinv(total + 1.0, tail)) / watched,
        deviance=deviance,
        pearson=pearson,
        df=df,
        p=chi2_above(pearson, df) if df else 1.0,
        dispersion=pearson / df if df else 1.0,
    )


@dataclass(frozen=True, eq=False)
class _Flat:
    """Failure ages of all machines in one array, each with the window it was seen in."""

    ages: Floats
    start: Floats
    end: Floats

    @staticmethod
    def of(
        hours: npt.ArrayLike | MachineHistories, end_hours: npt.ArrayLike | None, start_hours: npt.ArrayLike
    ) -> _Flat:
        """Failure truncation (no end given) drops the last failure of each machine."""
        if isinstance(hours, MachineHistories):
            who = np.repeat(hours.event_machine, hours.event_count.astype(np.int64))
            ages = np.repeat(hours.event_ticks, hours.event_count.astype(np.int64))
            return _Flat(*(a / hours.per_hour for a in (ages, hours.entry[who], hours.exit[who])))
        given: Any = hours
        several = len(given) > 0 and np.ndim(given[0]) > 0
        machines = [np.sort(np.asarray(ages, dtype=np.float64)) for ages in (given if several else [given])]
        if end_hours is None:
            if any(ages.size == 0 for ages in machines):
                raise _no_events()
            ends = np.array([ages[-1] for ages in machines])
            machines = [ages[:-1] for ages in machines]
        else:
            ends = np.broadcast_to(np.asarray(end_hours, dtype=np.float64), len(machines))
        starts = np.broadcast_to(np.asarray(start_hours, dtype=np.float64), len(machines))
        sizes = [ages.size for ages in machines]
        flat = _Flat(np.concatenate(machines), np.repeat(starts, sizes), np.repeat(ends, sizes))
        outside = (flat.ages <= flat.start) | (flat.ages > flat.end)
        if outside.any() or (ends <= starts).any():
            raise BadAge(
                "every failure must lie after the start of observation and not beyond its end;"
                f" {int(outside.sum())} do not"
            )
        return flat


def _ratio(score: float, variance: float, events: int) -> float:
    if events == 0 or variance <= 0:
        raise _no_events()
    return score / float(np.sqrt(variance))


def _normal_test(z: float, events: int) -> TrendTest:
    worse, better = float(normal_above(z)), float(normal_above(-z))
    return TrendTest(z, None, 2.0 * min(worse, better), worse, better, events, _way(z))


def _way(late: float) -> str:
    return "worse" if late > 0 else "better" if late < 0 else "neither"


def _no_events() -> TooFewFailures:
    return TooFewFailures("too few failures to speak of a trend", failures=0, needed=1)
