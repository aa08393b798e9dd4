"""When to replace ahead of failure, and what a part of a given age still has in it.

Costs are in any one currency, hours are running hours. Replacing ahead pays only where the hazard rises
(Weibull shape above 1) and a failure costs more than a planned replacement.

Sources: Barlow & Hunter 1960; Barlow & Proschan 1965, chapter 4; Smith & Leadbetter 1963 (renewal
function); Abernethy et al. 1983, AFWAL-TR-83-2079 (substantiation).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import optimize, special

from fleetlog.stats.arrays import Floats, checked_level
from fleetlog.stats.errors import BadArgument


@dataclass(frozen=True)
class ReplacementPolicy:
    """The age at which replacing ahead costs least in the long run.

    Attributes:
        age_hours: that age; None: do not replace ahead.
        cost_per_hour: long-run cost of the policy; of running to failure where `age_hours` is None.
        run_to_failure_cost_per_hour: long-run cost of waiting for failures.
        saving_per_hour: what the policy saves against waiting.
        note: why not, where there is no such age.
    """

    age_hours: float | None
    cost_per_hour: float
    run_to_failure_cost_per_hour: float
    saving_per_hour: float
    note: str | None


def age_replacement(
    shape: float, scale_hours: float, *, planned_cost: float, failure_cost: float
) -> ReplacementPolicy:
    """Replace at failure or at a fixed age, whichever comes first: the age of least long-run cost.

    Cost per hour at age T is (planned S(T) + failure F(T)) / integral of S up to T. Its minimum solves
    h(T) * integral of S - F(T) = planned / (failure - planned), whose left side rises when the hazard does.

    Args:
        shape: Weibull shape.
        scale_hours: Weibull scale.
        planned_cost: of a replacement ahead of failure.
        failure_cost: of a failure, the replacement included.
    """
    _positive(shape=shape, scale_hours=scale_hours, planned_cost=planned_cost, failure_cost=failure_cost)
    waiting = failure_cost / (scale_hours * float(special.gamma(1.0 + 1.0 / shape)))
    if failure_cost <= planned_cost:
        return ReplacementPolicy(
            None, waiting, waiting, 0.0, "a failure costs no more than a planned replacement"
        )
    if shape <= 1.0:
        return ReplacementPolicy(None, waiting, waiting, 0.0, "the hazard does not rise with age")
    target = planned_cost / (failure_cost - planned_cost)

    def excess(log_age: float) -> float:
        t = float(np.exp(log_age))
        hazard = shape * t ** (shape - 1.0)
        return float(hazard * restricted_mean_life(shape, 1.0, t) + np.expm1(-(t**shape))) - target

    # the left side ends at h(inf) * mean - 1 = infinity, but so late that hardly any unit gets there
    latest = float(np.log(50.0)) / shape
    if excess(latest) < 0:
        return ReplacementPolicy(
            None, waiting, waiting, 0.0, "the best age lies beyond all but any unit's life"
        )
    low = latest
    while excess(low) > 0:
        low -= 1.0
    age = float(np.exp(optimize.brentq(excess, low, latest, xtol=1e-15, rtol=1e-15)))
    cost = (failure_cost - planned_cost) * shape * age ** (shape - 1.0) / scale_hours
    return ReplacementPolicy(age * scale_hours, cost, waiting, waiting - cost, None)


def age_replacement_cost(
    shape: float, scale_hours: float, age_hours: npt.ArrayLike, *, planned_cost: float, failure_cost: float
) -> Floats:
    """Long-run cost per hour of replacing at failure or at these ages."""
    t = np.asarray(age_hours, dtype=np.float64)
    survival = np.exp(-((t / scale_hours) ** shape))
    mean = (
        scale_hours
        / shape
        * special.gamma(1.0 / shape)
        * special.gammainc(1.0 / shape, (t / scale_hours) ** shape)
    )
    result: Floats = (planned_cost * survival + failure_cost * (1.0 - survival)) / mean
    return result


def minimal_repair_replacement(
    shape: float, scale_hours: float, *, planned_cost: float, repair_cost: float
) -> ReplacementPolicy:
    """Mend every failure as little as possible and renew the whole at a fixed age: the age of least cost.

    Expected repairs by age T are (T / scale)^shape, so the best age is
    scale * (planned / (repair * (shape - 1)))^(1 / shape).
    """
    _positive(shape=shape, scale_hours=scale_hours, planned_cost=planned_cost, repair_cost=repair_cost)
    if shape <= 1.0:
        return ReplacementPolicy(None, np.nan, np.nan, np.nan, "failures do not come faster with age")
    age = scale_hours * float((planned_cost / (repair_cost * (shape - 1.0))) ** (1.0 / shape))
    cost = (planned_cost + repair_cost * (age / scale_hours) ** shape) / age
    # never renewing lets repairs come ever faster: that cost has no limit
    return ReplacementPolicy(age, cost, np.inf, np.inf, None)


def renewal_function(shape: float, scale_hours: float, hours: npt.ArrayLike, *, steps: int = 4000) -> Floats:
    """Expected replacements by each age when every failure is replaced by a new part at once.

    M(t) = F(t) + integral of M(t - s) dF(s), by the midpoint Riemann-Stieltjes rule on a grid, twice as
    fine the second time, and extrapolated.

    Args:
        shape: Weibull shape.
        scale_hours: Weibull scale.
        hours: ages at which it is wanted.
        steps: steps of the coarser grid up to the largest age.
    """
    _positive(shape=shape, scale_hours=scale_hours)
    points = np.atleast_1d(np.asarray(hours, dtype=np.float64))
    last = float(points.max(initial=0.0))
    if last <= 0:
        return np.zeros_like(points)
    coarse, fine = (_renewals(shape, scale_hours, last, n) for n in (steps, 2 * steps))
    better = fine[::2] + (fine[::2] - coarse) / 3.0
    return np.interp(points, np.linspace(0.0, last, steps + 1), better).astype(np.float64)


def _renewals(shape: float, scale: float, last: float, n: int) -> Floats:
    step = last / n
    grid, middle = np.arange(n + 1) * step, (np.arange(n) + 0.5) * step
    f, f_mid = -np.expm1(-((grid / scale) ** shape)), -np.expm1(-((middle / scale) ** shape))
    m = np.zeros(n + 1)
    # m[i] = F(t_i) + sum over j of F(t_i - middle_j) (m[j] - m[j-1]), solved for the newest m[i]
    steps = np.zeros(n)
    for i in range(1, n + 1):
        past = float(f_mid[i - 1 : 0 : -1] @ steps[: i - 1])
        m[i] = (f[i] + past - f_mid[0] * m[i - 1]) / (1.0 - f_mid[0])
        steps[i - 1] = m[i] - m[i - 1]
    return m


def units_to_substantiate(
    shape: float, scale_hours: float, *, test_hours: float, confidence: float = 0.9
) -> float:
    """Units that must run so long without failure to show at least this scale (not rounded up)."""
    _positive(shape=shape, scale_hours=scale_hours, test_hours=test_hours)
    return float(-np.log1p(-checked_level(confidence)) * (scale_hours / test_hours) ** shape)


def conditional_survival(
    shape: float, scale_hours: float, *, age_hours: npt.ArrayLike, mission_hours: npt.ArrayLike
) -> Floats:
    """Chance that a part of this age runs these further hours."""
    age = np.asarray(age_hours, dtype=np.float64) / scale_hours
    end = age + np.asarray(mission_hours, dtype=np.float64) / scale_hours
    return np.exp(age**shape - end**shape)


def residual_life(shape: float, scale_hours: float, *, age_hours: npt.ArrayLike, p: float = 0.1) -> Floats:
    """Further hours by which a share p of parts of this age has failed."""
    if not 0.0 < p < 1.0:
        raise BadArgument(f"a share failed lies between 0 and 1, not {p}")
    age = np.asarray(age_hours, dtype=np.float64) / scale_hours
    result: Floats = scale_hours * ((age**shape - np.log1p(-p)) ** (1.0 / shape) - age)
    return result


def mean_residual_life(shape: float, scale_hours: float, *, age_hours: npt.ArrayLike) -> Floats:
    """Mean further hours of a part of this age."""
    h = (np.asarray(age_hours, dtype=np.float64) / scale_hours) ** shape
    tail = special.gamma(1.0 / shape) * special.gammaincc(1.0 / shape, h)
    with np.errstate(over="ignore", invalid="ignore"):
        exact = np.exp(h) * tail
    # far out, exp(h) times the tail is 1/shape * h^(1/shape - 1) and what follows is out of range
    far = np.maximum(h, 1.0) ** (1.0 / shape - 1.0)
    result: Floats = scale_hours / shape * np.where(h < 500.0, exact, far)
    return result


def restricted_mean_life(shape: float, scale_hours: float, hours: float) -> float:
    """Mean hours run up to a horizon: the integral of survival."""
    h = (hours / scale_hours) ** shape
    return float(scale_hours / shape * special.gamma(1.0 / shape) * special.gammainc(1.0 / shape, h))


def _positive(**values: float) -> None:
    for name, value in values.items():
        if not (value > 0 and np.isfinite(value)):
            raise BadArgument(f"{name} must be a positive number, not {value}")
