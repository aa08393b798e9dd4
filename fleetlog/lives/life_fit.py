"""Which life distribution fits, and what can be said where failures are too few to let the data choose."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple

from fleetlog.faults import FaultFamily, Hazard
from fleetlog.session.fleet import Fleet
from fleetlog.stats.by_machine import weibull_spread
from fleetlog.stats.errors import StatsError
from fleetlog.stats.lifetimes import (
    WeibullFit,
    compare_fits,
    fit_weibull,
    fit_weibull_fixed_shape,
    fit_weibull_prior,
    with_spread,
)
from fleetlog.stats.risk_table import RiskTable
from fleetlog.stats.weighted_lives import Law, ObservedLives

PRIOR_LOG_SD = 0.3
"""How sure a family's default shape is: within a factor of 1.8 either way (default from memory)."""

# By so much Akaike's criterion must speak for another distribution before it is told (Burnham & Anderson
# 2002, section 2.6: models 4 or more behind have considerably less support).
_TELLING_AIC = 4.0


@dataclass(frozen=True)
class LifeFit:
    """The fitted lives of one group.

    Attributes:
        weibull: shape, scale_hours, shape_ci, scale_ci, b10_hours, b10_ci, median_hours, median_ci,
            log_likelihood, total_hours, method, prior (None, or shape, log_sd, family, cause,
            source) and constant_rate
            (None, or the test that the rate does not change with age: chi2, p). Without a failure the shape
            is the prior's and every other value is a one-sided lower limit, its estimate None. None: nothing
            fits.
        fits: one row a distribution, best first: distribution, parameters, log_likelihood, aic, delta_aic,
            weight, note. Empty where failures are too few.
        note: what a reader must be told, or "".
    """

    weibull: Mapping[str, Any] | None
    fits: tuple[Mapping[str, Any], ...]
    note: str


class Prior(NamedTuple):
    """What a fault family says of a part's life, where the data cannot.

    Attributes:
        family: its name.
        hazard: its default for the cause that lies in this part.
    """

    family: str
    hazard: Hazard


def fit_life(
    table: RiskTable, *, level: float, minimum: int, prior: Prior | None, lives: ObservedLives | None = None
) -> LifeFit:
    """Weibull and its rivals; below `minimum` failures, a Weibull whose shape is taken from the fault family.

    Args:
        minimum: failures from which the shape is estimated freely.
        prior: the fault family's default for this part, None where it has none.
        lives: those behind the table where some count by shares: intervals are then robust by machine.
    """
    if table.failures >= minimum:
        try:
            return _free(table, level, lives)
        except StatsError as error:
            return LifeFit(None, (), f"no Weibull fit: {error}")
    few = f"too few failures for a Weibull fit of its own ({table.failures:.3g}, at least {minimum} needed)"
    if prior is None:
        return LifeFit(None, (), few)
    family, hazard = prior
    said = f"the default of the fault family {family} ({hazard.source})"
    known = {
        "shape": hazard.shape,
        "log_sd": PRIOR_LOG_SD,
        "family": family,
        "cause": hazard.cause,
        "source": hazard.source,
    }
    try:
        if table.failures > 0:
            fit = fit_weibull_prior(table, shape=hazard.shape, log_sd=PRIOR_LOG_SD, level=level)
            return LifeFit(_summary(fit, prior=known), (), f"{few}: {fit.note}, {said}")
        bound = fit_weibull_fixed_shape(table, shape=hazard.shape, level=level)
    except StatsError as error:
        return LifeFit(None, (), f"{few}; {error}")
    return LifeFit(
        _lower_limits(bound, {**known, "log_sd": 0.0}),
        (),
        f"no failure yet: with the shape fixed at {hazard.shape:g}, {said}, half last at least "
        f"{bound.b_life(0.5).estimate:,.0f} h ({level:.0%} confidence); that is a limit, no estimate",
    )


def prior_for(fleet: Fleet, family: FaultFamily, component: str, variant: str) -> Prior | None:
    """The default hazard of a part: of the family asked about, else of the first that knows one."""
    others = [fleet.families[name] for name in sorted(fleet.families) if name != family.name]
    for one in (family, *others):
        for cause in one.causes:
            if cause.component == component:
                return Prior(one.name, one.hazard(cause.name, variant))
    return None


def _free(table: RiskTable, level: float, lives: ObservedLives | None) -> LifeFit:
    fit = fit_weibull(table, level=level)
    if lives is not None:
        fit = with_spread(fit, weibull_spread(lives, Law(fit.shape, fit.scale_hours), fit.covariance))
    compared = compare_fits(table, level=level, weibull=fit)
    fits = tuple(compared.frame.to_dicts())
    constant = {"chi2": compared.rising_hazard_chi2, "p": compared.rising_hazard_p}
    notes = [fit.note] if fit.note else []
    best = fits[0]
    behind = next((row["delta_aic"] for row in fits if row["distribution"] == "weibull"), None)
    if behind is not None and behind >= _TELLING_AIC:
        notes.append(
            f"a {best['distribution']} life fits better than the Weibull (AIC lower by {behind:.1f})"
        )
    return LifeFit(_summary(fit, constant_rate=constant), fits, "; ".join(notes))


def _summary(
    fit: WeibullFit, *, prior: Mapping[str, Any] | None = None, constant_rate: Mapping[str, Any] | None = None
) -> dict[str, Any]:
    b10, median = fit.b_life(0.1), fit.b_life(0.5)
    return {
        "shape": fit.shape,
        "scale_hours": fit.scale_hours,
        "shape_ci": list(fit.shape_ci) if fit.shape_ci else None,
        "scale_ci": list(fit.scale_ci) if fit.scale_ci else None,
        "b10_hours": b10.estimate,
        "b10_ci": [b10.lower, b10.upper],
        "median_hours": median.estimate,
        "median_ci": [median.lower, median.upper],
        "log_likelihood": fit.log_likelihood,
        "total_hours": fit.total_hours,
        "method": fit.method,
        "prior": prior,
        "constant_rate": constant_rate,
    }


def _lower_limits(fit: WeibullFit, prior: Mapping[str, Any]) -> dict[str, Any]:
    """A fit without failures: what it gives as estimates are one-sided limits, and are told as such."""

    def at_least(share: float) -> list[float | None]:
        return [fit.scale_hours * math.pow(-math.log1p(-share), 1.0 / fit.shape), None]

    return {
        **_summary(fit, prior=prior),
        "scale_hours": None,
        "scale_ci": [fit.scale_hours, None],
        "b10_hours": None,
        "b10_ci": at_least(0.1),
        "median_hours": None,
        "median_ci": at_least(0.5),
    }
