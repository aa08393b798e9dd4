"""Is a machine getting better or worse? Trend tests and the power law for repeat failures.

Ages are running hours of machines at their failures; observation ends by the clock ("time truncated").

Sources: Laplace's test as in Cox & Lewis 1966 and Ascher & Feingold 1984; MIL-HDBK-189C; Crow 1975; NIST/SEMATECH
e-Handbook of Statistical Methods, section 8.2.3.4; IEC 61164; IEC 61710.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fleetlog.stats.arrays import Floats, Ints
from fleetlog.stats.errors import BadArgument, TooFewFailures
from fleetlog.stats.histories import MachineHistories
from fleetlog.stats.laws import chi2_above, chi2_below, normal_above
from fleetlog.stats.risk_table import EventTable
from fleetlog.stats.weibull_contour import Contour, likelihood_drop


@dataclass(frozen=True)
class TrendTest:
    """A test of no trend.

    Attributes:
        statistic: positive (Laplace) or small (MIL-HDBK-189) when failures crowd late.
        df: degrees of freedom of a chi-square statistic, None for a normal one.
        p: two-sided p value.
        events: events that the statistic rests on.
        direction: "worse", "better" or "neither", as the statistic points; read it with p.
    """

    statistic: float
    df: int | None
    p: float
    events: int
    direction: str


def laplace_test(histories: MachineHistories) -> TrendTest:
    """Laplace's test: are the mean failure ages later or earlier than the middle of observation?

    Raises:
        TooFewFailures: without any failure.

    Args:
        histories: windows and events of single machines.

    Source: Cox & Lewis 1966; Ascher & Feingold 1984.

    Examples:
        A machine watched for 100 h fails at 60, 70 and 80 h, which is 60 h in all beyond the middle; the sum of three
        has the standard deviation 100 (3 / 12)^(1/2).

        >>> test = laplace_test(MachineHistories.of(["A"], 0, [1000], ["A"] * 3, [600, 700, 800]))
        >>> round(test.statistic, 6), test.direction
        (1.2, 'worse')
    """
    ages, start, end = _failures(histories)
    variance = float(((end - start) ** 2).sum()) / 12.0
    z = float((ages - 0.5 * (start + end)).sum()) / float(np.sqrt(variance))
    worse, better = float(normal_above(z)), float(normal_above(-z))
    return TrendTest(z, None, 2.0 * min(worse, better), ages.size, _direction(z))


def mil_hdbk_189_test(histories: MachineHistories) -> TrendTest:
    """The MIL-HDBK-189 test: twice the sum of log(end/age) is chi-square if there is no trend.

    It is the stronger test against a power law, with observation from age zero. A small statistic means
    that the machine is getting worse.

    Raises:
        TooFewFailures: without any failure.
        BadArgument: for machines not watched from new.

    Args:
        histories: windows and events of single machines.

    Source: MIL-HDBK-189C; Crow 1975.

    Examples:
        Ten repairs at 5 to 1,478 h of 1,500 h (ages as in the NIST/SEMATECH e-Handbook, section 8.2.3.4, from memory):
        the statistic lies above its 20 degrees of freedom, so repairs become rarer.

        >>> hours = [5, 40, 43, 175, 389, 712, 747, 795, 1299, 1478]
        >>> test = mil_hdbk_189_test(MachineHistories.of(["A"], 0, [1500], ["A"] * 10, hours, per_hour=1))
        >>> round(test.statistic, 2), test.df, round(2 * sum(np.log(1500 / h).item() for h in hours), 2)
        (37.23, 20, 37.23)
    """
    ages, start, end = _failures(histories)
    if (start > 0).any():
        raise BadArgument("this test needs machines watched from new; use Laplace's test for later windows")
    statistic = 2.0 * float(np.log(end / ages).sum())
    df = 2 * ages.size
    worse, better = chi2_below(statistic, df), chi2_above(statistic, df)
    p = min(2.0 * min(worse, better), 1.0)
    return TrendTest(statistic, df, p, ages.size, _direction(better - worse))


@dataclass(frozen=True, eq=False)
class UnitTrends:
    """One entry a machine, in the order of the histories.

    Attributes:
        events: events of the machine.
        statistic: positive when they crowd late; not a number without events.
        p: two-sided p value.
    """

    events: Ints
    statistic: Floats
    p: Floats


def unit_trends(histories: MachineHistories) -> UnitTrends:
    """Laplace's statistic of each machine: mean event age less the middle of its window, over its error.

    Source: Cox & Lewis 1966; the single-machine case of `laplace_test`, time-truncated.

    Args:
        histories: windows and events of single machines.

    Examples:
        Events at 60, 70 and 80 h of 100 h, and a machine without any.

        >>> fleet = MachineHistories.of(["A", "B"], 0, [1000, 1000], ["A"] * 3, [600, 700, 800])
        >>> unit_trends(fleet).statistic.round(6).tolist()
        [1.2, nan]
    """
    machines = histories.entry.size
    who, count = histories.event_machine, histories.event_count.astype(np.float64)
    events = np.bincount(who, weights=count, minlength=machines)
    middle = 0.5 * (histories.entry + histories.exit)
    score = np.bincount(who, weights=count * (histories.event_ticks - middle[who]), minlength=machines)
    spread = (histories.exit - histories.entry) * np.sqrt(events / 12.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        statistic = np.where(events > 0, score / spread, np.nan)
    return UnitTrends(events.astype(np.int64), statistic, 2.0 * normal_above(np.abs(statistic)))


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


def fleet_power_law(table: EventTable, *, level: float = 0.95) -> FleetPowerLaw:
    """Power law of a fleet from its event table; windows may begin and end at any age.

    Raises:
        TooFewFailures: with fewer than three events.
        DidNotConverge: when the likelihood has no maximum.

    Args:
        table: of the fleet.
        level: confidence level of the shape's interval.

    Source: Crow 1975; MIL-HDBK-189C; Lawless 2003, section 5.2 (the likelihood).

    Examples:
        For one machine watched from new the shape is events over the sum of log(end / age).

        >>> hours = [5, 40, 43, 175, 389, 712, 747, 795, 1299, 1478]
        >>> law = fleet_power_law(EventTable.from_units([0], [1500], hours, per_hour=1))
        >>> round(law.shape, 4), round(10 / sum(np.log(1500 / h).item() for h in hours), 4)
        (0.5372, 0.5372)
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
    )


def _failures(histories: MachineHistories) -> tuple[Floats, Floats, Floats]:
    """Age in hours of every failure, with the window that its machine was watched over."""
    count = histories.event_count.astype(np.int64)
    who, ticks = np.repeat(histories.event_machine, count), np.repeat(histories.event_ticks, count)
    if ticks.size == 0:
        raise TooFewFailures("too few failures to speak of a trend", failures=0, needed=1)
    ages, start, end = (a / histories.per_hour for a in (ticks, histories.entry[who], histories.exit[who]))
    return ages, start, end


def _direction(late: float) -> str:
    return "worse" if late > 0 else "better" if late < 0 else "neither"
