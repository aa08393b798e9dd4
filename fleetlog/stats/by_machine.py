"""Errors of curves and tests that hold where lives of one machine are alike, and where lives count by shares.

Two sides of a machine share its oil and its operator, and a life whose end nobody saw counts as failed by the chance
that it was. Neither is a coin tossed by itself, as Greenwood's formula and the hypergeometric variance take it. What
each machine adds to the estimate (its influence) is summed over all its lives; the spread of these sums from machine
to machine is the error, whatever the lives of a machine have in common.

Why shares and not multiple imputation: the share is the mean over all imputations, so the curve is what infinitely many
of them would average to, without a seed and without the noise of a few; and the influence of a machine with its shares
in place varies from machine to machine exactly as much as the estimate does from fleet to fleet. Rubin's rules
would add the spread within a completed fleet, Greenwood's, which takes the lives for independent, to that between
completions, and count what is shared by a machine in neither. What both leave out is that the chances themselves are
learnt, and may be off together: that is what `common` adds.

Source: Williams 1995, Product-limit survival functions with correlated survival times (the curve); Lee, Wei & Amato
1992 (the log-rank test); Lin & Wei 1989; Rubin 1987 (what was weighed against it).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from fleetlog.stats.arrays import Counts, Floats, Ints, normal_quantile
from fleetlog.stats.errors import BadArgument
from fleetlog.stats.laws import chi2_above
from fleetlog.stats.log_rank import Weights, age_weights, quadratic_form
from fleetlog.stats.product_limit import ProductLimit, RestrictedMean, band
from fleetlog.stats.weighted_lives import Law, ObservedLives

#: Numbers that the test between groups may hold at a time: machines times groups.
MOST_SCORES = 20_000_000


def with_errors(curve: ProductLimit, lives: ObservedLives, common: Floats | None = None) -> ProductLimit:
    """The curve with standard errors and limits that are robust by machine.

    Args:
        curve: the product limit of their risk table.
        lives: those behind it, each of some machine.
        common: standard error of log S by what errs alike for all machines, such as chances that were learnt
            together, at the curve's ages; None: nothing does.

    Returns:
        The same curve with other `std_error`, `lower` and `upper`, each of shape (ages,).

    Source: Williams 1995.

    Examples:
        Four machines of one life each, of which the first fails: S = 3/4. With one life a machine the variance is that
        of four coins of which one fell, S (1 - S) / 4, times 4 / 3 for so few machines: 0.25 squared.

        >>> from fleetlog.stats.product_limit import product_limit
        >>> from fleetlog.stats.risk_table import RiskTable
        >>> ends, failed = np.array([10, 20, 30, 40]), np.array([1, 0, 0, 0])
        >>> lives = ObservedLives(np.zeros(4, np.int64), ends, failed, np.arange(4))
        >>> curve = product_limit(RiskTable.from_spells(0, ends, failed), minimum_at_risk=0)
        >>> with_errors(curve, lives).std_error.round(6).tolist()
        [0.25]

    Raises:
        BadArgument: for a curve of a kind of interval or level that does not exist.
    """
    y, d = curve.at_risk.astype(np.float64), curve.failed.astype(np.float64)
    alive = curve.survival > 0
    y, d, ages = y[alive], d[alive], _ticks(curve)[alive]
    relative = np.full(curve.hours.size, np.nan)
    relative[alive] = _error(lives, ages, -1.0 / (y - d), d / (y * (y - d)))
    if common is not None:
        relative = np.hypot(relative, common)
    lower, upper = band(curve.survival, relative, normal_quantile(curve.level), curve.interval)
    return replace(curve, std_error=curve.survival * relative, lower=lower, upper=upper)


def hazard_error(curve: ProductLimit, lives: ObservedLives, common: Floats | None = None) -> Floats:
    """Standard error of the cumulative hazard (sum of d/Y) at the curve's ages, robust by machine.

    Args:
        curve, lives, common: as for `with_errors`.

    Returns:
        Standard errors, shape (ages,).

    Source: Williams 1995.

    Examples:
        Of four machines the first to fail adds 1/4 - 1/16 to the hazard's error, the others 1/16 less: the root of
        12/256, times 4 / 3 for so few machines, is 1/4.

        >>> from fleetlog.stats.product_limit import product_limit
        >>> from fleetlog.stats.risk_table import RiskTable
        >>> ends = np.array([10, 20, 30, 40])
        >>> lives = ObservedLives(np.zeros(4, np.int64), ends, np.ones(4, np.int64), np.arange(4))
        >>> curve = product_limit(RiskTable.from_spells(0, ends, np.ones(4)), minimum_at_risk=0)
        >>> round(float(hazard_error(curve, lives)[0]), 6)
        0.25
    """
    y, d = curve.at_risk.astype(np.float64), curve.failed.astype(np.float64)
    error = _error(lives, _ticks(curve), 1.0 / y, -d / y**2)
    return error if common is None else np.asarray(np.hypot(error, common), dtype=np.float64)


def mean_by_machine(
    curve: ProductLimit, lives: ObservedLives, hours: float, common: Floats | None = None
) -> RestrictedMean:
    """Mean life up to a horizon (area under the curve) with an error that is robust by machine.

    What a machine adds to log S at an age, it adds to the mean times the area that is still to come from there on.

    Args:
        curve, lives, common: as for `with_errors`; `common` counts fully over the area.
        hours: the horizon, in hours.

    Raises:
        BadArgument: as for `ProductLimit.restricted_mean`.

    Examples:
        Four machines of one life each, which fail at 1, 2, 3 and 4 h: up to 3 h they run (1 + 2 + 3 + 3) / 4 h.

        >>> from fleetlog.stats.product_limit import product_limit
        >>> from fleetlog.stats.risk_table import RiskTable
        >>> ends = np.array([10, 20, 30, 40])
        >>> lives = ObservedLives(np.zeros(4, np.int64), ends, np.ones(4, np.int64), np.arange(4))
        >>> curve = product_limit(RiskTable.from_spells(0, ends, np.ones(4)), minimum_at_risk=0)
        >>> round(mean_by_machine(curve, lives, 3.0).estimate, 2)
        2.25
    """
    plain = curve.restricted_mean(hours)
    inside = (curve.hours < hours) & (curve.survival > 0)
    if not inside.any():
        return plain
    y, d = curve.at_risk[inside].astype(np.float64), curve.failed[inside].astype(np.float64)
    areas = np.diff(np.append(curve.hours[inside], hours)) * curve.survival[inside]
    still = np.cumsum(areas[::-1])[::-1]
    error = float(_error(lives, _ticks(curve)[inside], -still / (y - d), still * d / (y * (y - d)))[-1])
    if common is not None:
        error = float(np.hypot(error, (common[inside] * areas).sum()))
    half, most = normal_quantile(curve.level) * error, hours - curve.from_hours
    return replace(
        plain,
        std_error=error,
        lower=max(plain.estimate - half, 0.0),
        upper=min(plain.estimate + half, most),
    )


def _ticks(curve: ProductLimit) -> Floats:
    return np.rint(curve.table.to_ticks(curve.hours))


def _error(lives: ObservedLives, ages: Floats, by_failing: Floats, by_watching: Floats) -> Floats:
    """Root of the summed squares of what each machine adds to a sum over ages.

    A life adds `by_failing` at the age at which it fails, and `by_watching` at every age at which it is at risk. With
    G the running sum of the latter, a machine has added a + b G, where a and b change only as its lives come and go;
    so the sums of squares over all machines are kept up to date from change to change.

    Args:
        ages: ticks, rising, shape (n,).
        by_failing, by_watching: shape (n,).
    """
    gain = np.concatenate(([0.0], np.cumsum(by_watching)))
    share = np.ones(lives.spells) if lives.share is None else lives.share
    first = np.searchsorted(ages, lives.entry, side="right")
    last = np.searchsorted(ages, lives.exit, side="right")
    counted = (lives.failed > 0) & (last > 0)
    counted[counted] = ages[last[counted] - 1] == lives.exit[counted]
    failing = np.zeros(lives.spells)
    failing[counted] = by_failing[last[counted] - 1]
    # one row a coming and one a going
    machine = np.concatenate((lives.machine, lives.machine))
    place = np.concatenate((first, last))
    adds = np.concatenate((-share * gain[first], share * (gain[last] + failing)))
    watches = np.concatenate((share, -share))
    order = np.lexsort((place, machine))
    machine, place, adds, watches = machine[order], place[order], adds[order], watches[order]
    starts = np.flatnonzero(np.concatenate(([True], machine[1:] != machine[:-1])))
    a, b = _running(adds, starts), _running(watches, starts)
    a_before, b_before = a - adds, b - watches
    # a change counts from the age at its place on: what has place 0 changed before the first of them
    at = np.maximum(place - 1, 0)
    squares, mixed, watched = (
        np.cumsum(np.bincount(at, weights=change, minlength=ages.size)[: ages.size])
        for change in (a**2 - a_before**2, a * b - a_before * b_before, b**2 - b_before**2)
    )
    g = gain[1:]
    variance = squares + 2.0 * g * mixed + g**2 * watched
    machines = starts.size
    return np.sqrt(np.maximum(variance, 0.0) * (machines / max(machines - 1, 1)))


def _running(values: Floats, starts: Ints) -> Floats:
    """Running sums that begin anew at each start."""
    total = np.cumsum(values)
    before = np.concatenate(([0.0], total[starts[1:] - 1])) if starts.size else np.zeros(0)
    return np.asarray(total - np.repeat(before, np.diff(np.append(starts, values.size))), dtype=np.float64)


class TestByMachine(NamedTuple):
    """A log-rank test robust by machine.

    Attributes:
        chi2: the statistic.
        df: its degrees of freedom.
        p: chance of one as large if the groups do not differ.
    """

    chi2: float
    df: int
    p: float


def log_rank_by_machine(
    lives: ObservedLives,
    group: Ints,
    stratum: Ints | None = None,
    weights: Weights = "log-rank",
    order: Floats | None = None,
) -> TestByMachine | None:
    """The log-rank test with the variance of its score from machine to machine.

    Args:
        lives: each of some machine.
        group: number of each life's group, from 0, shape (n,).
        stratum: number of each life's stratum; groups are compared within strata only.
        weights: as for `log_rank`.
        order: a number for each group, to test for a trend along it (see `LogRank.trend`); None: for any difference.

    Returns:
        The test; None where machines times groups are more than can be held, or there is one group.

    Raises:
        BadArgument: where a life has no group.

    Source: Lee, Wei & Amato 1992.

    Examples:
        The two lives of group 0 fail at 1 and 2 h, those of group 1 at 3 and 4 h. Beyond what is expected they add
        27/72, 23/72, and 17/72 each, which sums to 84/72; so chi2 is 84 squared over 27, 23, 17 and 17 squared.

        >>> ends = np.array([10, 20, 30, 40])
        >>> lives = ObservedLives(np.zeros(4, np.int64), ends, np.ones(4, np.int64), np.arange(4))
        >>> round(log_rank_by_machine(lives, np.array([0, 0, 1, 1])).chi2, 3), round(84**2 / 1836, 3)
        (3.843, 3.843)
    """
    if group.shape != lives.exit.shape:
        raise BadArgument("every life needs the number of its group")
    groups, machines = int(group.max(initial=0)) + 1, int(lives.machine.max(initial=0)) + 1
    if groups < 2 or groups * machines > MOST_SCORES:
        return None
    share = np.ones(lives.spells) if lives.share is None else lives.share
    scores = np.zeros((groups, machines))
    of = np.zeros(lives.spells, dtype=np.int64) if stratum is None else stratum
    for one in np.unique(of):
        rows = of == one
        _add_scores(
            scores,
            (lives.entry[rows], lives.exit[rows], lives.failed[rows] > 0, share[rows]),
            group[rows],
            lives.machine[rows],
            weights,
        )
    if order is not None:
        scores = order[None, :] @ scores
    chi2, df = quadratic_form(scores.sum(axis=1), scores @ scores.T)
    return TestByMachine(chi2, df, chi2_above(chi2, df) if df else 1.0)


def _add_scores(
    scores: Floats, lives: tuple[Ints, Ints, Counts, Floats], group: Ints, machine: Ints, weights: Weights
) -> None:
    """What each life of a stratum adds to observed less expected failures of each group, by machine."""
    entry, exit, failed, share = lives
    ages = np.unique(exit[failed])
    if not ages.size:
        return
    begin, end = np.searchsorted(ages, entry, side="right"), np.searchsorted(ages, exit, side="right")
    at_failure = np.maximum(end - 1, 0)

    def watched(weight: Floats) -> Floats:
        steps = np.bincount(begin, weights=weight, minlength=ages.size + 1)
        steps -= np.bincount(end, weights=weight, minlength=ages.size + 1)
        return np.asarray(np.cumsum(steps)[: ages.size], dtype=np.float64)

    y: Floats = watched(share)
    d = np.bincount(at_failure[failed], weights=share[failed], minlength=ages.size)
    w = age_weights(y, d.astype(np.float64), weights)

    def summed(steps: Floats) -> Floats:
        total = np.concatenate(([0.0], np.cumsum(steps)))
        return np.asarray(total[end] - total[begin], dtype=np.float64)

    common = summed(w * d / y)
    for g in range(scores.shape[0]):
        mine = group == g
        part = watched(share * mine) / y
        value = failed * w[at_failure] * (mine - part[at_failure]) - (
            mine * common - summed(w * part * d / y)
        )
        scores[g] += np.bincount(machine, weights=share * value, minlength=scores.shape[1])


def weibull_spread(lives: ObservedLives, law: Law, covariance: Floats) -> Floats:
    """Covariance of (log shape, log scale) of a Weibull fit, robust by machine.

    Args:
        lives: those fitted.
        law: the fit.
        covariance: by the information of the fit, shape (2, 2).

    Returns:
        Covariance, shape (2, 2).

    Source: Lin & Wei 1989.

    Examples:
        Machines with two lives that are the same tell no more than machines with one: their spread is the same, though
        the information, which takes the lives for independent, has doubled.

        >>> ends, law = np.array([90, 140, 180, 210, 260]), Law(3.44, 19.64)
        >>> once = ObservedLives(np.zeros(5, np.int64), ends, np.ones(5, np.int64), np.arange(5))
        >>> pairs = np.repeat(np.arange(5), 2)
        >>> twice = ObservedLives(np.zeros(10, np.int64), ends[pairs], np.ones(10, np.int64), pairs)
        >>> informed = np.array([[0.1, 0.02], [0.02, 0.05]])
        >>> same = weibull_spread(once, law, informed) / weibull_spread(twice, law, informed / 2.0)
        >>> same.round(6).tolist()
        [[1.0, 1.0], [1.0, 1.0]]
    """
    share = np.ones(lives.spells) if lives.share is None else lives.share
    with np.errstate(divide="ignore"):
        begin, end = (np.log(age / lives.per_hour / law.scale_hours) for age in (lives.entry, lives.exit))
    hazards = [np.exp(law.shape * z) for z in (begin, end)]
    moments = [
        np.where(h > 0, h * np.where(h > 0, z, 0.0), 0.0) for h, z in zip(hazards, (begin, end), strict=True)
    ]
    by_shape = lives.failed * (1.0 + law.shape * end) - law.shape * (moments[1] - moments[0])
    by_scale = law.shape * (hazards[1] - hazards[0] - lives.failed)
    sums = np.array([np.bincount(lives.machine, weights=share * part) for part in (by_shape, by_scale)])
    robust: Floats = covariance @ (sums @ sums.T) @ covariance
    return robust


def numbered(names: Sequence[object]) -> Ints:
    """A number for each distinct name, in the order in which they first come.

    Examples:
        >>> numbered(["b", "a", "b"]).tolist()
        [0, 1, 0]
    """
    codes = {name: number for number, name in enumerate(dict.fromkeys(names))}
    return np.array([codes[name] for name in names], dtype=np.int64)
