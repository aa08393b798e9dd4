"""Lognormal lives by the shape and scale of the Weibull law whose logarithm of life has the same mean and spread.

The logarithm of a Weibull life has the mean log(scale) - g / shape (g: Euler's constant) and the standard deviation
pi / (sqrt(6) shape). A lognormal life of the same two has

    sigma = pi / (sqrt(6) shape),    mu = log(scale) - g / shape,

so that one shape and one scale tell a life in either form, and what is known of them beforehand serves both. Its hazard
rises from nothing to one peak and falls from there on.

Source: Lawless 2003, sections 1.3.2 and 1.3.3. Everything works elementwise on arrays.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import special

from fleetlog.stats.arrays import Floats

_SPREAD = float(np.pi / np.sqrt(6.0))
_HALVINGS = 80


def sigma_mu(shape: npt.ArrayLike, scale_hours: npt.ArrayLike) -> tuple[Floats, Floats]:
    """Standard deviation and mean of the logarithm of life.

    Args:
        shape, scale_hours: of the Weibull law, any shapes that go together.

    Returns:
        sigma and mu, of the logarithm of hours.

    Examples:
        At this shape the spread of the logarithm is 1, and at this scale its mean is 0: the standard lognormal law.

        >>> shape = np.pi / np.sqrt(6.0)
        >>> sigma, mu = sigma_mu(shape, np.exp(np.euler_gamma / shape))
        >>> round(sigma.item(), 6), abs(round(mu.item(), 6))
        (1.0, 0.0)
    """
    k = np.asarray(shape, dtype=np.float64)
    return _SPREAD / k, np.log(np.asarray(scale_hours, dtype=np.float64)) - np.euler_gamma / k


def log_life_cumulative(shape: npt.ArrayLike, scale_hours: npt.ArrayLike, hours: npt.ArrayLike) -> Floats:
    """Cumulative hazard at these ages, 0 or more.

    Args:
        shape, scale_hours: of the Weibull law of the same mean and spread.
        hours: ages.

    Examples:
        At its median, 1 h, half of the standard lognormal lives are over: log 2.

        >>> shape = np.pi / np.sqrt(6.0)
        >>> log_life_cumulative(shape, np.exp(np.euler_gamma / shape), [0.0, 1.0]).round(4).tolist()
        [0.0, 0.6931]
    """
    sigma, mu = sigma_mu(shape, scale_hours)
    with np.errstate(divide="ignore"):
        z = (np.log(np.asarray(hours, dtype=np.float64)) - mu) / sigma
    result: Floats = -special.log_ndtr(-z)
    return result


def log_life_age(shape: npt.ArrayLike, scale_hours: npt.ArrayLike, cumulative: npt.ArrayLike) -> Floats:
    """The ages at which the cumulative hazard is so much.

    Args:
        shape, scale_hours: of the Weibull law of the same mean and spread.
        cumulative: hazards, above 0.

    Returns:
        Ages in hours.

    Examples:
        Half of the standard lognormal lives are over at 1 h.

        >>> shape = np.pi / np.sqrt(6.0)
        >>> log_life_age(shape, np.exp(np.euler_gamma / shape), np.log([2.0])).round(6).tolist()
        [1.0]
    """
    sigma, mu = sigma_mu(shape, scale_hours)
    result: Floats = np.exp(mu - sigma * special.ndtri_exp(-np.asarray(cumulative, dtype=np.float64)))
    return result


def log_life_hazard(shape: npt.ArrayLike, scale_hours: npt.ArrayLike, hours: npt.ArrayLike) -> Floats:
    """Failures an hour at these ages.

    Args:
        shape, scale_hours: of the Weibull law of the same mean and spread.
        hours: ages.

    Examples:
        At the median, 1 h, the hazard is the density over a half: 2 / (2 pi)^(1/2).

        >>> shape = np.pi / np.sqrt(6.0)
        >>> log_life_hazard(shape, np.exp(np.euler_gamma / shape), [1.0]).round(4).tolist()
        [0.7979]
    """
    sigma, mu = sigma_mu(shape, scale_hours)
    with np.errstate(divide="ignore"):
        log_hours = np.log(np.asarray(hours, dtype=np.float64))
    result: Floats = np.exp(_log_hazard(sigma, (log_hours - mu) / sigma) - mu)
    return result


def log_life_hazards(shape: float, log_scale: float, log_hours: Floats) -> tuple[Floats, Floats]:
    """Cumulative hazard at these ages, and the hazard times the age: what a fit turns on.

    Args:
        shape: of the Weibull law of the same mean and spread.
        log_scale: logarithm of its scale in hours.
        log_hours: logarithms of ages in hours, shape (n,).

    Returns:
        Both of shape (n,).

    Examples:
        At the median of the standard lognormal law: log 2 and, at the age of 1 h, 2 / (2 pi)^(1/2).

        >>> shape = np.pi / np.sqrt(6.0)
        >>> [values.round(4).tolist() for values in log_life_hazards(shape, np.euler_gamma / shape, np.zeros(1))]
        [[0.6931], [0.7979]]
    """
    sigma = _SPREAD / shape
    z = (log_hours - log_scale + np.euler_gamma / shape) / sigma
    log_survival = special.log_ndtr(-z)
    return -log_survival, np.exp(-0.5 * z**2 - 0.5 * np.log(2.0 * np.pi) - log_survival) / sigma


def log_life_first_age(shape: Floats, scale_hours: Floats, hazard: Floats) -> Floats:
    """The age at which the hazard first reaches so much; inf: never.

    By halving, below the peak: the hazard rises there.

    Args:
        shape, scale_hours: of the Weibull law of the same mean and spread, shape (n,).
        hazard: failures an hour, shape (n,).

    Examples:
        The hazard at 0.3 h, below the peak, is first reached at 0.3 h; one of 5 an hour never is.

        >>> shape = np.full(2, np.pi / np.sqrt(6.0))
        >>> scale = np.exp(np.euler_gamma / shape)
        >>> early = log_life_hazard(shape[0], scale[0], 0.3)
        >>> log_life_first_age(shape, scale, np.array([early, 5.0])).round(6).tolist()
        [0.3, inf]
    """
    sigma, mu = sigma_mu(shape, scale_hours)
    # at the peak the ratio of density to survival, less z, is sigma; that difference falls as z grows
    low, high = np.full(sigma.shape, -38.0), np.maximum(1.0 / sigma, 1.0) + 40.0
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        before = np.exp(_log_ratio(middle)) - middle > sigma
        low, high = np.where(before, middle, low), np.where(before, high, middle)
    peak = low
    with np.errstate(divide="ignore"):
        wanted = np.log(np.asarray(hazard, dtype=np.float64)) + mu
    reached = _log_hazard(sigma, peak) >= wanted
    low, high = np.full(sigma.shape, -38.0), peak
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        before = _log_hazard(sigma, middle) < wanted
        low, high = np.where(before, middle, low), np.where(before, high, middle)
    result: Floats = np.where(reached, np.exp(mu + sigma * high), np.inf)
    return result


def _log_ratio(z: Floats) -> Floats:
    """Logarithm of the normal density over the chance to be above."""
    result: Floats = -0.5 * z**2 - 0.5 * np.log(2.0 * np.pi) - special.log_ndtr(-z)
    return result


def _log_hazard(sigma: Floats, z: Floats) -> Floats:
    """Logarithm of the hazard times exp(mu)."""
    with np.errstate(invalid="ignore"):
        result: Floats = _log_ratio(z) - np.log(sigma) - sigma * z
    return np.where(np.isneginf(z), -np.inf, result)
