"""The life distributions whose logarithm has a location and a scale: Weibull, lognormal, log-logistic.

With z = (log t - mu) / sigma, each is given by the standard density f and survival S of z. Source:
Lawless 2003, chapter 5; Meeker, Escobar & Pascual 2021, chapter 4.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from scipy import special

from fleetlog.stats.arrays import Floats


class Family(Protocol):
    """Standard density and survival on the log scale, each with its first two derivatives by z."""

    @property
    def name(self) -> str:
        """What the distribution of the life itself is called."""

    def log_density(self, z: Floats) -> tuple[Floats, Floats, Floats]:
        """log f(z) and its first two derivatives."""

    def log_survival(self, z: Floats) -> tuple[Floats, Floats, Floats]:
        """log S(z) and its first two derivatives."""

    def quantile(self, p: float) -> float:
        """The z below which a share p fails."""


@dataclass(frozen=True)
class SmallestExtremeValue:
    """log of a Weibull life; shape 1/sigma, scale exp(mu).

    Examples:
        Half of all lives are longer than their median.

        >>> law = SmallestExtremeValue()
        >>> np.exp(law.log_survival(np.array([law.quantile(0.5)]))[0]).round(6).tolist()
        [0.5]
    """

    name: str = "weibull"

    def log_density(self, z: Floats) -> tuple[Floats, Floats, Floats]:
        """log f = z - exp(z).

        Args:
            z: standardised logarithms of age, any shape.

        Examples:
            The slope of log f = z - exp(z) is nothing at its peak, z = 0.

            >>> [part.tolist() for part in SmallestExtremeValue().log_density(np.zeros(1))]
            [[-1.0], [0.0], [-1.0]]
        """
        e = _exp(z)
        return z - e, 1.0 - e, -e

    def log_survival(self, z: Floats) -> tuple[Floats, Floats, Floats]:
        """log S = -exp(z)."""
        e = _exp(z)
        return -e, -e, -e

    def quantile(self, p: float) -> float:
        """log(-log(1 - p))."""
        return float(np.log(-np.log1p(-p)))


@dataclass(frozen=True)
class Normal:
    """log of a lognormal life.

    Examples:
        One in forty lies beyond 1.96 standard deviations.

        >>> round(Normal().quantile(0.975), 2), np.exp(Normal().log_survival(np.array([1.96]))[0]).round(3).tolist()
        (1.96, [0.025])
    """

    name: str = "lognormal"

    def log_density(self, z: Floats) -> tuple[Floats, Floats, Floats]:
        """log f = -z^2/2 - log(2 pi)/2.

        Args:
            z: standardised logarithms of age, any shape.

        Examples:
            The slope of the log-density is -z, its bend -1.

            >>> [part.tolist() for part in Normal().log_density(np.array([2.0]))[1:]]
            [[-2.0], [-1.0]]
        """
        return -0.5 * z**2 - 0.5 * np.log(2 * np.pi), -z, np.full_like(z, -1.0)

    def log_survival(self, z: Floats) -> tuple[Floats, Floats, Floats]:
        """log of the upper tail; its derivative is minus the inverse Mills ratio."""
        tail = special.log_ndtr(-z)
        hazard = np.exp(-0.5 * z**2 - 0.5 * np.log(2 * np.pi) - tail)
        return tail, -hazard, -hazard * (hazard - z)

    def quantile(self, p: float) -> float:
        """The standard normal quantile."""
        return float(special.ndtri(p))


@dataclass(frozen=True)
class Logistic:
    """log of a log-logistic life.

    Examples:
        At the logarithm of odds of 3 : 1, three of four have failed.

        >>> round(np.exp(Logistic().quantile(0.75)).item(), 6)
        3.0
        >>> np.exp(Logistic().log_survival(np.log([3.0]))[0]).round(6).tolist()
        [0.25]
    """

    name: str = "loglogistic"

    def log_density(self, z: Floats) -> tuple[Floats, Floats, Floats]:
        """log f = z - 2 log(1 + exp(z)).

        Args:
            z: standardised logarithms of age, any shape.

        Examples:
            The density is 1/4 at its peak, z = 0.

            >>> np.exp(Logistic().log_density(np.zeros(1))[0]).round(6).tolist()
            [0.25]
        """
        share = special.expit(z)
        return z - 2 * np.logaddexp(0, z), 1 - 2 * share, -2 * share * (1 - share)

    def log_survival(self, z: Floats) -> tuple[Floats, Floats, Floats]:
        """log S = -log(1 + exp(z))."""
        share = special.expit(z)
        return -np.logaddexp(0, z), -share, -share * (1 - share)

    def quantile(self, p: float) -> float:
        """The logit of p."""
        return float(special.logit(p))


WEIBULL: Family = SmallestExtremeValue()
LOGNORMAL: Family = Normal()
LOGLOGISTIC: Family = Logistic()


def _exp(z: Floats) -> Floats:
    """exp without overflow: at z = 700 a likelihood has long said no."""
    return np.exp(np.minimum(z, 700.0))
