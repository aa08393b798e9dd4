"""Weibull lives fitted many times over with weights: the bootstrap by machine, and what is known beforehand.

A draw gives every machine a random weight with mean one and fits again; all spells of a machine share its
weight, so that what machines have in common widens the ranges. Weights are exponential rather than whole
numbers: with few failures, drawing machines with replacement would now and then draw none that failed.

What is known beforehand (`Default`) leans on the fit in two ways, each as strongly as so many failures of
one's own would: on how many failures the hours observed should have brought (a gamma prior), and on the shape
(a normal prior of its logarithm). With plenty of failures it vanishes, with none it is the answer, and in
between nothing jumps. In a draw it is drawn anew as well: a default worth five failures is as uncertain as
five failures are. A default that the data contradict yields (`Default.yielding`): what it is worth is uncertain itself,
each halving half as likely as what it was halved from, so that its tails are wide; Bayes' rule says what it is worth,
from the failures that came, and a draw takes one of the worths.

Sources: Lawless 2003 (likelihood); Rubin 1981, The Bayesian Bootstrap; Xu, Gotwalt, Hong, King & Meeker 2020,
Applications of the fractional-random-weight bootstrap; Gaver & O'Muircheartaigh 1987 (gamma prior); Schmidli et al.
2014, Robust meta-analytic-predictive priors (a mixture that yields).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import NamedTuple

import numpy as np
from scipy import optimize, special

from fleetlog.stats.arrays import TICKS_PER_HOUR, Counts, Floats, Ints
from fleetlog.stats.errors import BadArgument, LengthMismatch, TooFewFailures
from fleetlog.stats.lognormal_life import log_life_age, log_life_cumulative, log_life_hazard, log_life_hazards

#: Variance of the logarithm of a Weibull shape learnt from one complete life, times lives: 6 / pi^2.
_SHAPE_VARIANCE = 6.0 / np.pi**2
#: By so much the logarithm of the likelihood of a complete Weibull life exceeds that of the nearest lognormal one, on
#: average: entropy of the normal law of the same spread, less that of the law of the least extreme.
_FORM_INFORMATION = float(0.5 * np.log(np.pi**3 * np.e / 3.0) - 1.0 - np.euler_gamma)
#: The worth of a default may be halved, each time half as likely, down to so many failures. Ours.
_LEAST_WORTH = 0.25
#: Ages beyond so many are put together before a lognormal law is fitted.
_FINE, _STEPS = 1000, 500.0
#: Shapes outside of this are no life of a part: the search stops there.
_SHAPES = (0.05, 30.0)


@dataclass(frozen=True)
class Default:
    """A Weibull law known beforehand, worth so many failures.

    Attributes:
        shape: Weibull shape.
        scale_hours: Weibull scale.
        failures: how many observed failures it is worth.
        worths: what else it may be worth, and how surely; empty: nothing else.

    Raises:
        BadArgument: for a shape, scale or worth that is not positive.
    """

    shape: float
    scale_hours: float
    failures: float
    worths: tuple[tuple[float, float], ...] = ()

    def __post_init__(self) -> None:
        if not (self.shape > 0 and self.scale_hours > 0 and self.failures > 0):
            raise BadArgument(
                "a default law needs a positive shape and scale, and must be worth more than no failure"
            )

    @property
    def spread(self) -> float:
        """Standard deviation of the logarithm of its shape."""
        return float(np.sqrt(_SHAPE_VARIANCE / self.failures))

    def yielding(self, expected: float, failed: float) -> Default:
        """The default as it is worth after so many failures where it had expected others.

        How likely each worth is goes by how well the default, worth so much, foretold the failures (a negative binomial
        count, since the rate has a gamma prior). The worth in one number is the one that gives the mean of their rates.

        Args:
            expected: failures that this default gives over the hours observed.
            failed: failures that came.

        Examples:
            >>> default = Default(2.0, 5000.0, 5.0)
            >>> round(default.yielding(25.0, 27.0).failures, 1), round(default.yielding(25.0, 500.0).failures, 1)
            (3.8, 0.2)
        """
        if expected <= 0:
            return self
        halvings = np.arange(max(int(np.ceil(np.log2(self.failures / _LEAST_WORTH))), 0) + 1)
        worths = self.failures * 0.5**halvings
        logs = np.array([_log_foretold(float(worth), expected, failed) for worth in worths])
        odds = np.exp(logs - logs.max()) * 0.5**halvings
        chance = odds / odds.sum()
        rate = float((chance * (failed + worths) / (expected + worths)).sum())
        mean = float((chance * worths).sum())
        surprise = failed / expected - 1.0
        # worth n gives (failed + n) / (expected + n): solved for n; where the default was right all worths say the same
        worth = (failed - rate * expected) / (rate - 1.0) if abs(surprise) > 1e-3 else mean
        pairs = tuple((float(one), float(share)) for one, share in zip(worths, chance, strict=True))
        return replace(self, failures=float(np.clip(worth, worths[-1], worths[0])), worths=pairs)

    def drawn(self, seed: int, draw: int, kind: int) -> DefaultDraw:
        """What the default says in one draw.

        Args:
            seed, draw: as for `machine_weights`.
            kind: number of the law, so that laws are independent.

        Source: Schmidli et al. 2014.

        Examples:
            What is worth a million failures says the same in every draw.

            >>> said = Default(2.0, 5000.0, 1e6).drawn(seed=1, draw=7, kind=0)
            >>> round(said.shape, 1), round(said.failures / 1e6, 1), said.worth
            (2.0, 1.0, 1000000.0)
        """
        rng = np.random.default_rng([seed, draw, 2, kind])
        worth = self.drawn_worth(float(rng.random()))
        spread = float(np.sqrt(_SHAPE_VARIANCE / worth))
        shape = self.shape * float(np.exp(spread * rng.standard_normal()))
        return DefaultDraw(shape, float(rng.standard_gamma(worth)), worth)

    def drawn_worth(self, at: float) -> float:
        """One of its worths, by a number between 0 and 1.

        Examples:
            >>> [Default(2.0, 5000.0, 4.0, ((4.0, 0.75), (2.0, 0.25))).drawn_worth(at) for at in (0.1, 0.7, 0.8)]
            [4.0, 4.0, 2.0]
        """
        if not self.worths:
            return self.failures
        reached = np.cumsum([share for _, share in self.worths])
        return self.worths[min(int((reached <= at).sum()), len(self.worths) - 1)][0]


def _log_foretold(worth: float, expected: float, failed: float) -> float:
    """Log-chance of so many failures where a gamma prior worth so many had expected others (negative binomial)."""
    total = worth + expected
    return float(
        special.gammaln(failed + worth)
        - special.gammaln(worth)
        - special.gammaln(failed + 1.0)
        + worth * np.log(worth / total)
        + failed * np.log(expected / total)
    )


class DefaultDraw(NamedTuple):
    """A default in one draw: the centre of its shape, the failures seen in the hours it is worth, and its worth."""

    shape: float
    failures: float
    worth: float


class Law(NamedTuple):
    """A fitted Weibull law.

    One of another form has the shape and scale of the Weibull law of the same mean and spread of the logarithm of life.

    Examples:
        >>> law = Law(2.0, 100.0)
        >>> law.cumulative(np.array([50.0])).tolist(), law.age_at(np.array([0.25])).tolist(), law.lognormal
        ([0.25], [50.0], False)
    """

    shape: float
    scale_hours: float

    @property
    def lognormal(self) -> bool:
        """Whether the form is the lognormal one."""
        return isinstance(self, LognormalLaw)

    def cumulative(self, hours: Floats) -> Floats:
        """Cumulative hazard at these ages, 0 or more."""
        if self.lognormal:
            return log_life_cumulative(self.shape, self.scale_hours, hours)
        result: Floats = (hours / self.scale_hours) ** self.shape
        return result

    def age_at(self, cumulative: Floats) -> Floats:
        """The ages at which the cumulative hazard is so much."""
        if self.lognormal:
            return log_life_age(self.shape, self.scale_hours, cumulative)
        result: Floats = self.scale_hours * cumulative ** (1.0 / self.shape)
        return result


class LognormalLaw(Law):
    """A fitted lognormal law, told by the Weibull law of the same mean and spread of the logarithm of life."""

    __slots__ = ()


@dataclass(frozen=True, eq=False)
class ObservedLives:
    """Spells of one kind of part, each of some machine.

    Attributes:
        entry: ages in ticks at which observation begins, shape (n,).
        exit: ages in ticks at which it ends, shape (n,).
        failed: whether the spell ended by failure, shape (n,).
        machine: number of the spell's machine, shape (n,).
        per_hour: ticks in one hour.
        share: how surely the spell was so, shape (n,), for lives of which it is not known how they ended; None:
            all are known.

    Raises:
        BadArgument: for a spell without any time, or shares that are negative or not one a spell.
        LengthMismatch: where not all columns have one value a spell.
    """

    entry: Ints
    exit: Ints
    failed: Counts
    machine: Ints
    per_hour: float = TICKS_PER_HOUR
    share: Floats | None = None

    def __post_init__(self) -> None:
        if self.share is not None and (self.share.size != self.exit.size or bool((self.share < 0).any())):
            raise BadArgument("shares are not negative, and one a spell")
        sizes = {column.size for column in (self.entry, self.exit, self.failed, self.machine)}
        if len(sizes) > 1:
            raise LengthMismatch("entry, exit, failed and machine must have one value a spell each")
        if self.entry.size and bool((self.entry >= self.exit).any()):
            raise BadArgument("every spell must be observed over some time: leave out those that are not")

    @property
    def spells(self) -> int:
        """How many spells."""
        return int(self.exit.size)

    @property
    def failures(self) -> float:
        """How many of them ended by failure."""
        return float(self.failed.sum() if self.share is None else (self.failed * self.share).sum())

    @property
    def total_hours(self) -> float:
        """Hours under observation."""
        hours = self.exit - self.entry
        return float(hours.sum() if self.share is None else (hours * self.share).sum()) / self.per_hour

    @cached_property
    def _grid(self) -> tuple[Ints, Ints, Floats]:
        """Where each spell enters and leaves among the distinct ages, and the logs of those in hours."""
        ages = np.unique(np.concatenate((self.entry[self.entry > 0], self.exit)))
        # what enters at age zero says nothing: it goes to a place beyond the end
        begins = np.where(self.entry > 0, np.searchsorted(ages, self.entry), ages.size)
        ends = np.searchsorted(ages, self.exit)
        return begins.astype(np.int64), ends.astype(np.int64), np.log(ages / self.per_hour)

    def expected(self, law: Law | Default) -> float:
        """Failures that a law gives over the hours observed."""
        return _Ages.of(self, None).hazard(law.shape, law.scale_hours) if self.spells else 0.0

    def rise(self) -> float:
        """Chance that a hazard which is constant in age would seem to rise as much as this one, or more.

        The one-sided likelihood-ratio test of a Weibull shape of 1, from these lives alone: no default is leant on
        (Lawless 2003, section 4.1; the boundary of one side as in Self & Liang 1987). 1 with fewer than two failures.
        """
        if self.failures < 2:
            return 1.0
        found = _Ages.of(self, None)
        shape = found.best_shape(None, 0.0)
        ratio = max(2.0 * (found.profile(shape) - found.profile(1.0)), 0.0)
        tail = float(special.ndtr(-np.sqrt(ratio)))
        return tail if shape > 1.0 else 1.0 - tail

    def fit(
        self,
        default: Default | None = None,
        weights: Floats | None = None,
        drawn: DefaultDraw | None = None,
        share: Floats | None = None,
        lognormal: bool = False,
    ) -> Law:
        """The most likely law, leaning on the default.

        With default hazard H0 and E0 = (its sum over the hours observed), the failures expected of the fitted
        law over those hours are E0 * (failed + worth) / (E0 + worth); the shape is that of the greatest
        likelihood times its prior.

        Args:
            default: what is known beforehand; None: nothing.
            weights: of each machine, by its number; None: all one.
            drawn: the default in this draw; None: as it is.
            share: how surely each spell was so in this draw, in place of `self.share`.
            lognormal: fit the lognormal form instead of the Weibull one.

        Raises:
            TooFewFailures: with fewer than two failures and no default.

        Source: Lawless 2003 (likelihood); Gaver & O'Muircheartaigh 1987 (the gamma prior).

        Examples:
            Ten parts ran 100 h each without a failure. A default of shape 1 and 500 h, worth four failures, had
            expected two: four failures are left for six, so that the scale is 500 * 6 / 4.

            >>> lives = ObservedLives(np.zeros(10, int), np.full(10, 1000), np.zeros(10, int), np.arange(10))
            >>> law = lives.fit(Default(1.0, 500.0, 4.0))
            >>> round(lives.expected(Default(1.0, 500.0, 4.0)), 6), round(law.shape, 6), round(law.scale_hours, 6)
            (2.0, 1.0, 750.0)
        """
        failed = self.failures
        if default is None:
            if failed < 2:
                raise TooFewFailures(
                    f"{failed:g} failures and no default law: nothing can be fitted",
                    failures=failed,
                    needed=2,
                )
            found = _Ages.of(self, weights, share)
            if lognormal:
                return found.best_lognormal(None, 0.0, found.failed)
            shape = found.best_shape(None, 0.0)
            return Law(shape, found.scale(shape, found.failed))
        said = drawn if drawn is not None else DefaultDraw(default.shape, default.failures, default.failures)
        if self.spells == 0:
            factor = said.failures / said.worth
            # no hours of one's own: the default's law, with its failures as drawn
            form = LognormalLaw if lognormal else Law
            return form(said.shape, default.scale_hours * factor ** (-1.0 / said.shape))
        found = _Ages.of(self, weights, share)
        precision = said.worth / _SHAPE_VARIANCE
        expected = found.hazard(default.shape, default.scale_hours)
        wanted = expected * (found.failed + said.failures) / (expected + said.worth)
        if lognormal:
            return found.best_lognormal(said.shape, precision, wanted)
        shape = found.best_shape(said.shape, precision)
        return Law(shape, found.scale(shape, wanted))

    def lognormal_weight(self, default: Default | None = None) -> float:
        """How surely the form is the lognormal one rather than the Weibull one.

        By the likelihoods of both at their best, leaning on the default alike: both have two parameters, so that no
        criterion would take more from the one than from the other (Burnham & Anderson 2002, section 2.9). A default is
        a Weibull law: it speaks for that form as so many complete lives as it is worth do on average.

        Examples:
            Without failures both forms are as likely; lives all of whose logarithms are normal speak for the lognormal
            one.

            >>> none = ObservedLives(np.zeros(1, int), np.array([1000]), np.zeros(1, int), np.zeros(1, int))
            >>> none.lognormal_weight()
            0.5
            >>> ends = np.round(10_000 * np.exp(special.ndtri((np.arange(200) + 0.5) / 200))).astype(int)
            >>> lives = ObservedLives(np.zeros(200, int), ends, np.ones(200, int), np.arange(200))
            >>> lives.lognormal_weight() > 0.99
            True
        """
        said = _FORM_INFORMATION * default.failures if default is not None else 0.0
        if self.spells == 0 or self.failures < 2:
            return float(1.0 / (1.0 + np.exp(said)))
        found = _Ages.of(self, None)
        best = [found.log_likelihood(self.fit(default, lognormal=form)) for form in (False, True)]
        return float(1.0 / (1.0 + np.exp(np.clip(best[0] - best[1] + said, -700.0, 700.0))))


@dataclass(frozen=True, eq=False)
class _Ages:
    """Distinct ages with weights: all that a fit needs.

    Attributes:
        x: log ages less the greatest log age, shape (ages,).
        top: the greatest log age.
        flow: weight of spells leaving less entering at each age.
        failed: weight of failures.
        mean_log: mean of x over the failures, 0 without any.
        deaths: weight of failures at each age.
    """

    x: Floats
    top: float
    flow: Floats
    failed: float
    mean_log: float
    deaths: Floats

    @staticmethod
    def of(lives: ObservedLives, weights: Floats | None, share: Floats | None = None) -> _Ages:
        """The ages of these lives under these weights of their machines; `share`: in place of that of the lives."""
        begins, ends, log_hours = lives._grid
        weight = np.ones(lives.spells) if weights is None else weights[lives.machine]
        share = lives.share if share is None else share
        if share is not None:
            weight = weight * share
        size = log_hours.size
        flow = (
            np.bincount(ends, weights=weight, minlength=size)
            - (np.bincount(begins, weights=weight, minlength=size + 1)[:size])
        )
        top = float(log_hours[-1])
        x = log_hours - top
        deaths = weight * lives.failed
        failed = float(deaths.sum())
        mean_log = float((deaths * x[ends]).sum()) / failed if failed > 0 else 0.0
        at_age = np.bincount(ends, weights=deaths, minlength=size).astype(np.float64)
        return _Ages(x, top, flow.astype(np.float64), failed, mean_log, at_age)

    def hazard(self, shape: float, scale_hours: float) -> float:
        """Failures that a law would give over the hours observed."""
        return float((self.flow * np.exp(shape * (self.x + self.top - np.log(scale_hours)))).sum())

    def scale(self, shape: float, failures: float) -> float:
        """The scale at which so many failures are expected over the hours observed."""
        moment = float((self.flow * np.exp(shape * self.x)).sum())
        return float(np.exp(self.top + np.log(moment / failures) / shape))

    def profile(self, shape: float) -> float:
        """Log-likelihood of a shape at its best scale, up to a constant."""
        moment = float((self.flow * np.exp(shape * self.x)).sum())
        return self.failed * (float(np.log(shape)) + shape * self.mean_log - float(np.log(moment)))

    def log_likelihood(self, law: Law) -> float:
        """Log-likelihood of a law of either form."""
        hours = np.exp(self.x + self.top)
        return float(
            -(self.flow * law.cumulative(hours)).sum() + (self.deaths * _log_hazard(law, hours)).sum()
        )

    def binned(self) -> _Ages:
        """The same with ages no finer than 0.2%: what a fit without a closed form needs."""
        if self.x.size <= _FINE:
            return self
        place = np.round((self.x - self.x[0]) * _STEPS).astype(np.int64)
        there, of = np.unique(place, return_inverse=True)
        flow, deaths = (np.bincount(of, weights=one).astype(np.float64) for one in (self.flow, self.deaths))
        return _Ages(there / _STEPS + self.x[0], self.top, flow, self.failed, self.mean_log, deaths)

    def best_lognormal(self, centre: float | None, precision: float, wanted: float) -> LognormalLaw:
        """The lognormal law of greatest likelihood times prior under which so many failures are expected."""
        ages = self.binned()
        middle = float(np.log(centre)) if centre is not None else 0.0
        log_hours, aim = ages.x + ages.top, float(np.log(wanted))

        def law(log_shape: float) -> LognormalLaw:
            shape = float(np.exp(log_shape))
            at = float(np.log(ages.scale(shape, wanted)))
            for _ in range(50):  # Newton in logarithms: the failures expected fall as the scale grows
                cumulative, turning = log_life_hazards(shape, at, log_hours)
                expected = max(float((ages.flow * cumulative).sum()), 1e-300)
                slope = max(float((ages.flow * turning).sum()), 1e-300) / expected
                step = (float(np.log(expected)) - aim) / slope
                at += float(np.clip(step, -1.0, 1.0))
                if abs(step) < 1e-9:
                    break
            return LognormalLaw(shape, float(np.exp(at)))

        def worse(log_shape: float) -> float:
            return 0.5 * precision * (log_shape - middle) ** 2 - ages.log_likelihood(law(log_shape))

        if self.failed <= 0:
            return law(middle)
        low, high = float(np.log(_SHAPES[0])), float(np.log(_SHAPES[1]))
        near = float(np.log(self.best_shape(centre, precision)))
        span = max(near - 1.5, low), min(near + 1.5, high)
        best = optimize.minimize_scalar(worse, bounds=span, method="bounded", options={"xatol": 1e-3})
        return law(float(best.x))

    def best_shape(self, centre: float | None, precision: float) -> float:
        """The shape of greatest profile likelihood times prior, by Newton steps in its logarithm.

        With M(k) = sum of flow * age^k the score by log k is
        failed * (1 + k * (mean log age of the failed - M'(k) / M(k))) - precision * (log k - log centre).
        """
        low, high = float(np.log(_SHAPES[0])), float(np.log(_SHAPES[1]))
        middle = float(np.log(centre)) if centre is not None else 0.0
        if self.failed <= 0:
            return float(np.exp(min(max(middle, low), high)))
        at = middle if centre is not None else 0.5
        at = min(max(at, low + 1e-6), high - 1e-6)
        for _ in range(100):
            k = float(np.exp(at))
            power = self.flow * np.exp(k * self.x)
            m0 = float(power.sum())
            first = power * self.x
            m1, m2 = float(first.sum()), float((first * self.x).sum())
            if m0 <= 0:  # rounding only: no age has more entered than left so far
                high, proposed = at, 0.5 * (low + at)
            else:
                pull = self.mean_log - m1 / m0
                slope = self.failed * (1.0 + k * pull) - precision * (at - middle)
                bend = self.failed * (k * pull - k**2 * (m2 / m0 - (m1 / m0) ** 2)) - precision
                low, high = (at, high) if slope > 0 else (low, at)
                proposed = at - slope / bend if bend < 0 else np.nan
                if not low < proposed < high:
                    proposed = 0.5 * (low + high)
            moved, at = abs(proposed - at), float(proposed)
            if moved < 1e-13:
                break
        return float(np.exp(at))


def _log_hazard(law: Law, hours: Floats) -> Floats:
    """Logarithm of the hazard of a law of either form."""
    if law.lognormal:
        result: Floats = np.log(np.maximum(log_life_hazard(law.shape, law.scale_hours, hours), 1e-300))
        return result
    weibull: Floats = np.log(law.shape / law.scale_hours) + (law.shape - 1.0) * np.log(
        hours / law.scale_hours
    )
    return weibull


def machine_weights(machines: int, seed: int, draw: int) -> Floats:
    """Random weights of all machines in one draw: exponential with mean one, the same on every computer.

    Args:
        machines: how many.
        seed: of the whole bootstrap.
        draw: number of the draw; draws do not depend on each other or on their order.

    Returns:
        Weights, shape (machines,).

    Source: Rubin 1981; Xu et al. 2020.

    Examples:
        Each machine counts once on average, and the same draw gives the same weights.

        >>> weights = machine_weights(100_000, seed=1, draw=7)
        >>> round(weights.mean().item(), 1), bool((weights == machine_weights(100_000, 1, 7)).all())
        (1.0, True)
    """
    weights: Floats = np.random.default_rng([seed, draw, 1]).standard_exponential(machines)
    return weights
