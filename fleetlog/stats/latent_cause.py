"""Cases with one unknown cause each, and the figures that govern them learnt from all cases at once.

The model of a case, given its cause k:

- it sets in at the cause's own hazard, Weibull in the age of the cause's part;
- what is seen of it (a failure mode, a test's result, a finding) falls on each outcome with the cause's own
  probabilities; a piece that partly repeats others of its case counts for a part, its `piece_weight`;
- each cure that had not been tried before in the case ends it with chance cure[s, k], once and for all; a
  cure that is tried again, with the share `repeat` of that. A fault not ended comes back after an exponential
  time with mean `comeback_hours`; one that was ended, only as an unrelated new case, with mean
  `background_hours`.

A cure tried again is taken to be held back with chance 1 - `repeat`, else to work as a first try would; that
makes both chances shares of trials, so that every step of learning keeps its closed form and never loses.

Since the cause is one of few, nothing is sampled: every sum is exact. The figures are found by expectation
and maximisation to a maximum a posteriori. Every prior is conjugate and written as so many pseudo-cases that
behave exactly as the default says, so that without cases the defaults come back unchanged.

Sources: Dempster, Laird & Rubin 1977 (EM); Varadhan & Roland 2008 (the accelerated steps); Prentice et al.
1978 (cause-specific hazards).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy import optimize, special

from fleetlog.stats.arrays import Floats, Ints, binned
from fleetlog.stats.posterior import by_turn

#: Running hours below which a follow-up counts as this much: meters do not tell shorter ones.
LEAST_HOURS = 0.1
#: Ages below one hour count as one: a hazard that starts at zero would rule its cause out for good.
LEAST_AGE = 1.0
#: Bounds of a learnt Weibull shape, as factors of the default's.
SHAPE_RANGE = (0.4, 2.5)


@dataclass(frozen=True, eq=False)
class CauseModel:
    """The figures of the model. H hazards, R rows of outcomes, S cures, K causes.

    Attributes:
        shape, scale_hours: of each Weibull hazard, shape (H,).
        outcome: chance of each outcome, one row a table and cause, padded with zeros, shape (R, outcomes).
        cure: chance that a cure ends the fault, shape (S, K).
        comeback_hours: mean running hours until an uncured fault shows again.
        background_hours: mean running hours until an unrelated new case.
        repeat: share of its chance that a cure has left when it is tried again in the same case.
    """

    shape: Floats
    scale_hours: Floats
    outcome: Floats
    cure: Floats
    comeback_hours: float
    background_hours: float
    repeat: float

    def log_hazard(self, row: Ints, log_age: Floats) -> Floats:
        """Logarithm of the hazards of these rows at these ages (per running hour).

        Args:
            row: which hazard, any shape.
            log_age: logarithms of ages in hours, of the same shape.

        Source: Lawless 2003, section 1.3.2 (the Weibull hazard).

        Examples:
            A Weibull hazard of shape 2 and scale 100 h is 2 age / 100^2 an hour: 0.01 at 50 h.

            >>> model = CauseModel(np.array([2.0]), np.array([100.0]), np.ones((1, 1)), np.zeros((0, 1)), 1.0, 2.0, 0.0)
            >>> np.exp(model.log_hazard(np.array([0]), np.log([50.0]))).round(6).tolist()
            [0.01]
        """
        shape, log_scale = self.shape, np.log(self.scale_hours)
        constant = np.log(shape) - shape * log_scale
        return constant[row] + (shape[row] - 1.0) * log_age

    @property
    def log_outcome(self) -> Floats:
        """Logarithm of `outcome`, zero where the table has no such outcome."""
        return np.log(self.outcome, out=np.zeros_like(self.outcome), where=self.outcome > 0)


@dataclass(frozen=True, eq=False)
class Defaults:
    """Where learning starts, and what it would take to leave it.

    Attributes:
        model: the default figures.
        failures: failures that each hazard is worth, shape (H,).
        wears: whether a hazard's shape is learnt; a constant hazard stays constant, shape (H,).
        counts: pseudo-counts of each outcome, shape (R, outcomes).
        learnt: whether a row of outcomes is learnt, shape (R,).
        quiet: cures that cannot reach the cause; they share one chance that the fault falls silent, shape
            (S, K).
        trials: trials that each chance to cure is worth, and the share left to a repeat.
        comebacks: comebacks that each of the two mean times is worth.
    """

    model: CauseModel
    failures: Floats
    wears: npt.NDArray[np.bool_]
    counts: Floats
    learnt: npt.NDArray[np.bool_]
    quiet: npt.NDArray[np.bool_]
    trials: float
    comebacks: float

    def weighing(self, factor: float) -> Defaults:
        """The same defaults, worth so many times as much.

        Args:
            factor: above 0.

        Examples:
            >>> model = CauseModel(np.array([2.0]), np.array([100.0]), np.ones((1, 1)), np.zeros((0, 1)), 1.0, 2.0, 0.0)
            >>> one, no = np.ones(1), np.zeros((0, 1), bool)
            >>> defaults = Defaults(model, 5.0 * one, one > 0, np.ones((1, 1)), one > 0, no, 8.0, 4.0)
            >>> half = defaults.weighing(0.5)
            >>> half.failures.tolist(), half.trials, half.comebacks
            ([2.5], 4.0, 2.0)
        """
        return replace(
            self,
            failures=factor * self.failures,
            counts=factor * self.counts,
            trials=factor * self.trials,
            comebacks=factor * self.comebacks,
        )


@dataclass(frozen=True, eq=False)
class Cases:
    """What is known of N cases. Pieces and visits stand in the order of their cases; visits, of time.

    Attributes:
        hazard: the hazard of each cause, shape (N, K).
        age_hours: age of each cause's part when the case set in, NaN = not known, shape (N, K).
        plain_weight: prior weights for cases of which an age is not known, shape (N, K).
        fresh: chance that the case is a new fault, 1 unless another came shortly before it, shape (N,).
        carried: weight of each cause as what is left of the fault before, on the scale of the hazards, shape
            (N, K); zero where the case is surely new.
        piece_case: whose piece of evidence it is, shape (P,).
        piece_row: its row of outcomes under each cause, shape (P, K).
        piece_outcome: the outcome seen, shape (P,).
        piece_weight: as how many independent pieces it counts, shape (P,).
        visit_case: whose visit to the shop it is, shape (V,).
        visit_steps: cures tried then for the first time in the case, shape (V, S).
        visit_again: cures tried then that had been tried in it before, shape (V, S).
        visit_hours: running hours after it until the fault came back, or without it, shape (V,).
        visit_back: whether it came back, shape (V,).
        weight: what each case counts for in learning: the chance that it is one, shape (N,).
        besides: log-likelihood of what else is on record of each case, by cause, that no figure here governs, shape
            (N, K), or 0.

    Examples:
        One case of two causes, without any evidence or visit.

        >>> none, no, both = np.zeros(0, int), np.zeros((0, 1), bool), np.array([[0, 1]])
        >>> Cases(both, 50.0 * (both + 1), np.ones((1, 2)), np.ones(1), np.zeros((1, 2)), none, both[:0], none,
        ...       none * 1.0, none, no, no, none * 1.0, none > 0, np.ones(1)).size
        1
    """

    hazard: Ints
    age_hours: Floats
    plain_weight: Floats
    fresh: Floats
    carried: Floats
    piece_case: Ints
    piece_row: Ints
    piece_outcome: Ints
    piece_weight: Floats
    visit_case: Ints
    visit_steps: npt.NDArray[np.bool_]
    visit_again: npt.NDArray[np.bool_]
    visit_hours: Floats
    visit_back: npt.NDArray[np.bool_]
    weight: Floats
    besides: Floats | float = 0.0

    @property
    def size(self) -> int:
        """How many cases there are."""
        return int(self.hazard.shape[0])


@dataclass(frozen=True, eq=False)
class Exposure:
    """Running hours under observation, by hazard.

    Attributes:
        hazard: which hazard, shape (E,).
        age_hours: an age at which observations begin or end, shape (E,).
        net: lives that end there less lives that begin there, shape (E,).
    """

    hazard: Ints
    age_hours: Floats
    net: Floats

    def powers(self, shape: Floats, unit: Floats) -> Floats:
        """Sum of (age / unit) to the power `shape` over the hours exposed, by hazard, shape (H,).

        Args:
            shape: of each hazard, shape (H,).
            unit: hours that ages are counted in, shape (H,).

        Examples:
            A life from new to 10 h and one from 4 to 6 h: with shape 1 they are 12 hours exposed, with shape 2 they are
            100 + 36 - 16 square hours.

            >>> lives = Exposure(np.zeros(4, int), np.array([0.0, 10.0, 4.0, 6.0]), np.array([-1.0, 1.0, -1.0, 1.0]))
            >>> [lives.powers(np.array([shape]), np.ones(1)).tolist() for shape in (1.0, 2.0)]
            [[12.0], [120.0]]
        """
        value = self.net * (self.age_hours / unit[self.hazard]) ** shape[self.hazard]
        return binned(self.hazard, value, shape.size)


@dataclass(frozen=True, eq=False)
class FollowUps:
    """What the times after the visits to the shop say.

    Attributes:
        gain: log-likelihood of each visit's follow-up given those before it, shape (V, K).
        unrelated: the same had there been no fault, shape (V,).
        uncured: chance that the fault is still there after the last one, by cause, shape (N, K).
    """

    gain: Floats
    unrelated: Floats
    uncured: Floats


@dataclass(frozen=True, eq=False)
class CauseFit:
    """The figures learnt.

    Attributes:
        model: the most probable figures.
        probability: of each cause in each case under them, shape (N, K).
        steps: evaluations of the model it took.
        converged: whether they ended by themselves.
        log_posterior: its logarithm (up to a constant) after each step that was kept.
        expected: cases expected of each hazard's cause, shape (H,).
    """

    model: CauseModel
    probability: Floats
    steps: int
    converged: bool
    log_posterior: tuple[float, ...]
    expected: Floats


def log_prior(model: CauseModel, cases: Cases) -> Floats:
    """Logarithm of each cause's weight before any evidence: its hazard at the age, shape (N, K).

    Args:
        model: the figures.
        cases: of which it is wanted.

    Source: Prentice et al. 1978.

    Examples:
        Two causes of constant rate, one every 100 h and one every 300 h: three to one.

        >>> none, no, both = np.zeros(0, int), np.zeros((0, 1), bool), np.array([[0, 1]])
        >>> cases = Cases(both, 50.0 * (both + 1), np.ones((1, 2)), np.ones(1), np.zeros((1, 2)), none, both[:0], none,
        ...               none * 1.0, none, no, no, none * 1.0, none > 0, np.ones(1))
        >>> model = CauseModel(np.ones(2), np.array([100.0, 300.0]), np.ones((1, 1)), np.zeros((0, 2)), 1.0, 2.0, 0.0)
        >>> weight = np.exp(log_prior(model, cases))[0]
        >>> round((weight[0] / weight[1]).item(), 6)
        3.0
    """
    return _log_prior(_log_new(model, cases), cases)


def _log_new(model: CauseModel, cases: Cases) -> Floats:
    """Logarithm of the part of it that a new fault has, shape (N, K)."""
    return _log_hazards(model, cases) + np.log(cases.fresh)[:, None]


def _log_prior(new: Floats, cases: Cases) -> Floats:
    weight = new.copy()
    doubted = np.flatnonzero(cases.fresh < 1.0)
    with np.errstate(divide="ignore"):
        weight[doubted] = np.logaddexp(weight[doubted], np.log(cases.carried[doubted]))
    return weight


def _log_hazards(model: CauseModel, cases: Cases) -> Floats:
    """Logarithm of the hazards; of the plain weights where an age is not known, shape (N, K)."""
    known = np.log(np.maximum(np.nan_to_num(cases.age_hours, nan=LEAST_AGE), LEAST_AGE))
    weight = model.log_hazard(cases.hazard, known)
    unknown = np.isnan(cases.age_hours).any(axis=1)
    weight[unknown] = np.log(cases.plain_weight[unknown])
    return weight


def piece_likelihood(model: CauseModel, cases: Cases) -> Floats:
    """Log-likelihood of each piece of evidence under each cause, shape (P, K).

    Args:
        model: the figures.
        cases: whose evidence it is.

    Examples:
        What shows in 9 of 10 cases of one cause and 1 of 10 of the other, counted for half a piece since it partly
        repeats another: the root of nine to one.

        >>> none, no, both = np.zeros(0, int), np.zeros((0, 1), bool), np.array([[0, 1]])
        >>> cases = Cases(both, 50.0 * (both + 1), np.ones((1, 2)), np.ones(1), np.zeros((1, 2)), both[0, :1], both,
        ...               both[0, :1], np.array([0.5]), none, no, no, none * 1.0, none > 0, np.ones(1))
        >>> outcome = np.array([[0.9, 0.1], [0.1, 0.9]])
        >>> model = CauseModel(np.ones(2), np.array([100.0, 100.0]), outcome, np.zeros((0, 2)), 1.0, 2.0, 0.0)
        >>> chance = np.exp(piece_likelihood(model, cases))[0]
        >>> round((chance[0] / chance[1]).item(), 6)
        3.0
    """
    pieces: Floats = model.log_outcome[cases.piece_row, cases.piece_outcome[:, None]]
    pieces *= cases.piece_weight[:, None]
    return pieces


def follow_ups(model: CauseModel, cases: Cases) -> FollowUps:
    """The times after the visits, taken one after the other.

    Args:
        model: the figures.
        cases: whose visits they are.

    Examples:
        A cure that ends one cause in half of all cases and the other never. The fault comes back after 10 h on average,
        an unrelated one hardly ever; 10 h log 2 without it have the chance 1/2 where it is still there. So for the
        first cause 1/2 * 1/2 against 1/2 is left, a third; the second is there for certain.

        >>> none, yes, both = np.zeros(0, int), np.ones((1, 1), bool), np.array([[0, 1]])
        >>> cases = Cases(both, 50.0 * (both + 1), np.ones((1, 2)), np.ones(1), np.zeros((1, 2)), none, both[:0], none,
        ...               none * 1.0, both[0, :1], yes, ~yes, 10.0 * np.log([2.0]), ~yes[0], np.ones(1))
        >>> model = CauseModel(np.ones(2), np.ones(2), np.ones((1, 1)), np.array([[0.5, 0.0]]), 10.0, 1e9, 0.0)
        >>> follow_ups(model, cases).uncured.round(4).tolist()
        [[0.3333, 1.0]]
    """
    chain = _Chain.of(model, cases)
    log_all = np.logaddexp(chain.present, chain.gone)
    return FollowUps(gain=chain.gain, unrelated=chain.slow, uncured=np.exp(chain.present - log_all))


def odds_without_a_fault(model: CauseModel, cases: Cases) -> Floats:
    """How many times better the times after a case's visits are foretold by no fault than by one, shape (N,).

    One that has no visit is told nothing by them: 1.

    Args:
        model: the figures.
        cases: whose visits they are.

    Source: Good 1950, Probability and the Weighing of Evidence (the factor in favour of a hypothesis).

    Examples:
        Nothing came in 10 h log 4 after a step that cures nothing, where a fault comes back after 10 h on average: the
        chance is a quarter with a fault and all but 1 without, so no fault foretells it four times as well.

        >>> none, yes, both = np.zeros(0, int), np.ones((1, 1), bool), np.array([[0, 1]])
        >>> cases = Cases(both, 50.0 * (both + 1), np.ones((1, 2)), np.ones(1), np.zeros((1, 2)), none, both[:0], none,
        ...               none * 1.0, both[0, :1], yes, ~yes, 10.0 * np.log([4.0]), ~yes[0], np.ones(1))
        >>> model = CauseModel(np.ones(2), np.ones(2), np.ones((1, 1)), np.array([[0.0, 0.0]]), 10.0, 1e9, 0.0)
        >>> odds_without_a_fault(model, cases).round(4).tolist()
        [4.0]
    """
    weight = _log_prior(_log_new(model, cases), cases)
    pieces, followed = piece_likelihood(model, cases), follow_ups(model, cases)
    for k in range(weight.shape[1]):
        weight[:, k] += binned(cases.piece_case, pieces[:, k], cases.size)
    weight -= special.logsumexp(weight, axis=1, keepdims=True) if cases.size else 0.0
    gain = np.column_stack([binned(cases.visit_case, column, cases.size) for column in followed.gain.T])
    fault = special.logsumexp(weight + gain, axis=1) if cases.size else np.zeros(0)
    odds: Floats = np.exp(binned(cases.visit_case, followed.unrelated, cases.size) - fault)
    return odds


def fit_causes(
    cases: Cases,
    exposure: Exposure,
    defaults: Defaults,
    *,
    tolerance: float = 1e-4,
    most_steps: int = 300,
) -> CauseFit:
    """Learns the figures from all cases, confirmed or not. Nothing is random.

    Args:
        cases: every case of the fleet.
        exposure: the hours over which cases would have been seen.
        defaults: where to start and what the defaults are worth.
        tolerance: the fit has converged when the last step raised the log-posterior by less than this.
        most_steps: evaluations of the model after which it stops all the same.

    Returns:
        The figures of greatest posterior, and how they were reached.

    Source: Dempster, Laird & Rubin 1977; Varadhan & Roland 2008.

    Examples:
        Of eight cases six show for certain that they are of the first cause, two of the second. Each cause was watched
        for 400 h at a constant rate, and its default, one in 100 h, is worth four failures: 800 h for 10 failures, and
        for 6.

        >>> none, no = np.zeros(0, int), np.zeros((0, 1), bool)
        >>> shown, table = np.array([0, 0, 0, 0, 0, 0, 1, 1]), np.tile([0, 1], (8, 1))
        >>> cases = Cases(table, np.full((8, 2), 50.0), np.ones((8, 2)), np.ones(8), np.zeros((8, 2)), np.arange(8),
        ...               table, shown, np.ones(8), none, no, no, none * 1.0, none > 0, np.ones(8))
        >>> sure = np.array([[1.0 - 1e-9, 1e-9], [1e-9, 1.0 - 1e-9]])
        >>> model = CauseModel(np.ones(2), np.full(2, 100.0), sure, np.zeros((0, 2)), 10.0, 1e4, 0.5)
        >>> never = np.zeros(2, bool)
        >>> weak = Defaults(model, np.full(2, 4.0), never, sure, never, no.reshape(0, 2), 1.0, 1.0)
        >>> hours = Exposure(np.array([0, 1]), np.full(2, 400.0), np.ones(2))
        >>> fit = fit_causes(cases, hours, weak)
        >>> fit.probability[:, 0].round(4).tolist()
        [1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 0.0, 0.0]
        >>> fit.model.scale_hours.round(3).tolist(), [(400 + 400) / (6 + 4), round((400 + 400) / (2 + 4), 3)]
        ([80.0, 133.333], [80.0, 133.333])
    """
    at = defaults.model
    seen = _expect(at, cases, exposure, defaults)
    kept = [seen.log_posterior]
    steps, converged = 1, False
    while steps < most_steps and not converged:
        one = _maximise(seen, exposure, defaults)
        after_one = _expect(one, cases, exposure, defaults)
        two = _maximise(after_one, exposure, defaults)
        after_two = _expect(two, cases, exposure, defaults)
        steps += 2
        gain = after_two.log_posterior - after_one.log_posterior
        leap = _leap(at, one, two, defaults)
        at, seen = two, after_two
        converged = gain < tolerance
        if leap is not None and not converged:
            after_leap = _expect(leap, cases, exposure, defaults)
            steps += 1
            if after_leap.log_posterior > seen.log_posterior:
                at, seen = leap, after_leap
        kept.append(seen.log_posterior)
    return CauseFit(at, seen.probability, steps, converged, tuple(kept), seen.failures)


@dataclass(frozen=True, eq=False)
class _Chain:
    """Each case's way through its visits, by cause: fault still present, or gone for good.

    Attributes:
        hit: log-chance that one of the visit's cures ends the fault, shape (V, K).
        before: log-weight of "still present" before the visit, shape (V, K).
        slow: log-likelihood of the follow-up once the fault is gone, shape (V,).
        gain: see FollowUps.
        present, gone: log-weights after the last visit, shape (N, K).
    """

    hit: Floats
    before: Floats
    slow: Floats
    gain: Floats
    present: Floats
    gone: Floats

    @staticmethod
    def of(model: CauseModel, cases: Cases) -> _Chain:
        miss = np.zeros((cases.visit_case.size, model.cure.shape[1]))
        for s, chance in enumerate(model.cure):
            miss[cases.visit_steps[:, s]] += np.log1p(-chance)
            miss[cases.visit_again[:, s]] += np.log1p(-model.repeat * chance)
        with np.errstate(divide="ignore"):
            hit = np.log(-np.expm1(miss))
        fast = _log_time(model.comeback_hours, cases.visit_hours, cases.visit_back)
        slow = _log_time(model.background_hours, cases.visit_hours, cases.visit_back)
        present = np.zeros(cases.hazard.shape)
        gone = np.full(cases.hazard.shape, -np.inf)
        before, gain = np.empty_like(miss), np.empty_like(miss)
        for rows in by_turn(cases.visit_case):
            owner = cases.visit_case[rows]
            was_present, was_gone = present[owner], gone[owner]
            still = was_present + miss[rows] + fast[rows, None]
            cured = np.logaddexp(was_gone, was_present + hit[rows]) + slow[rows, None]
            gain[rows] = np.logaddexp(still, cured) - np.logaddexp(was_present, was_gone)
            before[rows] = was_present
            present[owner], gone[owner] = still, cured
        return _Chain(hit, before, slow, gain, present, gone)

    def cured_at(self, cases: Cases) -> Floats:
        """Chance, all follow-ups known, that the visit was the one that ended the fault, shape (V, K)."""
        last = np.zeros(cases.size)
        later = np.empty_like(self.slow)  # the follow-ups of this visit and all after it, if gone
        backwards = np.arange(cases.visit_case.size)[::-1]
        mirrored = -cases.visit_case[backwards]
        for turn in by_turn(mirrored - mirrored.min(initial=0)):
            rows = backwards[turn]
            owner = cases.visit_case[rows]
            last[owner] += self.slow[rows]
            later[rows] = last[owner]
        log_all = np.logaddexp(self.present, self.gone)[cases.visit_case]
        return np.exp(self.before + self.hit + later[:, None] - log_all)


def _log_time(mean: float, hours: Floats, back: npt.NDArray[np.bool_]) -> Floats:
    """Log-density of a return after so many hours, or log-chance of none until then."""
    followed = np.maximum(hours, LEAST_HOURS)
    return -followed / mean - np.where(back, np.log(mean), 0.0)


@dataclass(frozen=True, eq=False)
class _Expected:
    """What the data are expected to have been, had the causes been seen.

    Attributes:
        probability: of each cause, shape (N, K).
        failures, log_ages: cases of each hazard's cause, and their ages' logarithms summed, shape (H,).
        counts: outcomes seen, shape (R, outcomes).
        trials, cures: of each cure under each cause, shape (S, K).
        repeats, repeats_open: cures tried again, and those of them that were not held back as repeats.
        comebacks, comeback_hours, fresh, fresh_hours: returns and hours followed while the fault was there,
            and after it was gone.
        log_posterior: of the figures that were used.
    """

    probability: Floats
    failures: Floats
    log_ages: Floats
    counts: Floats
    trials: Floats
    cures: Floats
    repeats: float
    repeats_open: float
    comebacks: float
    comeback_hours: float
    fresh: float
    fresh_hours: float
    log_posterior: float


def _expect(model: CauseModel, cases: Cases, exposure: Exposure, defaults: Defaults) -> _Expected:
    causes = cases.hazard.shape[1]
    new = _log_new(model, cases)
    weight = _log_prior(new, cases)
    new = np.exp(new - weight)
    pieces = piece_likelihood(model, cases)
    chain = _Chain.of(model, cases)
    for k in range(causes):
        weight[:, k] += binned(cases.piece_case, pieces[:, k], cases.size)
    weight += np.logaddexp(chain.present, chain.gone) + cases.besides
    log_case = special.logsumexp(weight, axis=1) if cases.size else np.zeros(0)
    probability = np.exp(weight - log_case[:, None])
    share = cases.weight[:, None] * probability

    known = ~np.isnan(cases.age_hours).any(axis=1)
    # Of a case that may be the fault before it, only the part that is new has set in at this age.
    aged = (share * new)[known]
    log_age = np.log(np.maximum(cases.age_hours[known], LEAST_AGE))
    hazards = model.shape.size
    failures = binned(cases.hazard[known].ravel(), aged.ravel(), hazards)
    log_ages = binned(cases.hazard[known].ravel(), (aged * log_age).ravel(), hazards)

    flat = cases.piece_row * model.outcome.shape[1] + cases.piece_outcome[:, None]
    counted = share[cases.piece_case] * cases.piece_weight[:, None]
    counts = binned(flat.ravel(), counted.ravel(), model.outcome.size).reshape(model.outcome.shape)

    owner = cases.visit_case
    cured = share[owner] * chain.cured_at(cases)
    gone_before = np.empty_like(cured)
    so_far = np.zeros(cases.hazard.shape)
    for rows in by_turn(owner):
        gone_before[rows] = so_far[owner[rows]]
        so_far[owner[rows]] += cured[rows]
    present_before = np.maximum(share[owner] - gone_before, 0.0)
    # Of several cures in one visit, each had worked with its own chance over the chance that any had.
    any_chance = np.exp(chain.hit)
    per_chance = np.divide(cured, any_chance, out=np.zeros_like(cured), where=any_chance > 0)
    trials = _by_step(cases.visit_steps, present_before)
    cures = np.minimum(_by_step(cases.visit_steps, per_chance) * model.cure, trials)
    repeats = _by_step(cases.visit_again, present_before)
    again = model.repeat * model.cure
    worked = np.minimum(_by_step(cases.visit_again, per_chance) * again, repeats)
    # A repeat works if it is not held back and would have worked as a first try: of those in vain, either failed.
    in_vain = (repeats - worked) / (1.0 - again)
    cures += worked + in_vain * model.cure * (1.0 - model.repeat)
    opened = worked + in_vain * model.repeat * (1.0 - model.cure)
    present_after = np.maximum(present_before - cured, 0.0).sum(axis=1)
    gone_after = (gone_before + cured).sum(axis=1)
    hours = np.maximum(cases.visit_hours, LEAST_HOURS)
    back = cases.visit_back.astype(np.float64)

    likelihood = float((cases.weight * log_case).sum()) - float(
        exposure.powers(model.shape, model.scale_hours).sum()
    )
    return _Expected(
        probability=probability,
        failures=failures,
        log_ages=log_ages,
        counts=counts,
        trials=trials + repeats,
        cures=cures,
        repeats=float(repeats.sum()),
        repeats_open=float(opened.sum()),
        comebacks=float((back * present_after).sum()),
        comeback_hours=float((hours * present_after).sum()),
        fresh=float((back * gone_after).sum()),
        fresh_hours=float((hours * gone_after).sum()),
        log_posterior=likelihood + _log_prior_density(model, defaults),
    )


def _by_step(tried: npt.NDArray[np.bool_], amount: Floats) -> Floats:
    """Sum of an amount over the visits that tried each cure, shape (S, K).

    No matrix product: its rounding may depend on the number of threads.
    """
    return np.stack([amount[those].sum(axis=0) for those in tried.T])


def _log_prior_density(model: CauseModel, defaults: Defaults) -> float:
    """Log-likelihood of the pseudo-cases: what `_maximise` weighs beside the data."""
    start = defaults.model
    log_rate = model.shape * np.log(start.scale_hours / model.scale_hours)  # in units of the default's scale
    lives = defaults.failures * (
        np.log(model.shape)
        + log_rate
        - (model.shape - 1.0) * np.euler_gamma / start.shape
        - np.exp(log_rate) * special.gamma(1.0 + model.shape / start.shape)
        - np.log(start.scale_hours)
    )
    outcomes = (defaults.counts * model.log_outcome)[defaults.learnt]
    reach = ~defaults.quiet
    cures = defaults.trials * _log_trials(start.cure, model.cure)[reach]
    repeat = float(_log_trials(np.array([start.repeat]), np.array([model.repeat]))[0])
    total = float(lives.sum() + outcomes.sum() + cures.sum()) + defaults.trials * repeat
    if defaults.quiet.any():
        total += defaults.trials * float(
            _log_trials(start.cure[defaults.quiet][:1], model.cure[defaults.quiet][:1])[0]
        )
    for mean, default in (
        (model.comeback_hours, start.comeback_hours),
        (model.background_hours, start.background_hours),
    ):
        total -= defaults.comebacks * (np.log(mean) + default / mean)
    return float(total)


def _log_trials(share: Floats, chance: Floats) -> Floats:
    """Log-likelihood of one trial of which `share` succeeds, at that chance."""
    return np.asarray(special.xlogy(share, chance) + special.xlog1py(1.0 - share, -chance), dtype=np.float64)


def _maximise(seen: _Expected, exposure: Exposure, defaults: Defaults) -> CauseModel:
    """The figures most probable for expected data and pseudo-cases together."""
    start = defaults.model
    shape, scale = _lives(seen, exposure, defaults)
    counts = np.where(defaults.learnt[:, None], defaults.counts + seen.counts, defaults.counts)
    cure = (defaults.trials * start.cure + seen.cures) / (defaults.trials + seen.trials)
    if defaults.quiet.any():
        silent = start.cure[defaults.quiet][0]
        cure[defaults.quiet] = (defaults.trials * silent + seen.cures[defaults.quiet].sum()) / (
            defaults.trials + seen.trials[defaults.quiet].sum()
        )
    repeat = (defaults.trials * start.repeat + seen.repeats_open) / (defaults.trials + seen.repeats)
    pseudo = defaults.comebacks
    return CauseModel(
        shape=shape,
        scale_hours=scale,
        outcome=counts / counts.sum(axis=1, keepdims=True),
        cure=np.clip(cure, 1e-9, 1.0 - 1e-9),
        comeback_hours=(pseudo * start.comeback_hours + seen.comeback_hours) / (pseudo + seen.comebacks),
        background_hours=(pseudo * start.background_hours + seen.fresh_hours) / (pseudo + seen.fresh),
        repeat=float(np.clip(repeat, 1e-8, 1.0 - 1e-8)),
    )


def _lives(seen: _Expected, exposure: Exposure, defaults: Defaults) -> tuple[Floats, Floats]:
    """Shape and scale of each hazard. Ages are in units of the default scale, so that no power overflows."""
    start, pseudo = defaults.model, defaults.failures
    unit = start.scale_hours
    total = seen.failures + pseudo
    log_ages = seen.log_ages - seen.failures * np.log(unit) - pseudo * np.euler_gamma / start.shape

    def exposed(shape: Floats) -> Floats:
        powers = np.maximum(exposure.powers(shape, unit), 0.0)
        return powers + pseudo * special.gamma(1.0 + shape / start.shape)

    shape = start.shape.copy()
    for h in np.flatnonzero(defaults.wears):
        own = exposure.hazard == h
        one = Exposure(np.zeros(int(own.sum()), dtype=np.int64), exposure.age_hours[own], exposure.net[own])

        def loss(log_shape: float, h: int = int(h), one: Exposure = one) -> float:
            s = float(np.exp(log_shape))
            powers = max(float(one.powers(np.array([s]), unit[h : h + 1])[0]), 0.0)
            hours = powers + pseudo[h] * float(special.gamma(1.0 + s / start.shape[h]))
            return float(-(total[h] * (log_shape - np.log(hours)) + (s - 1.0) * log_ages[h]))

        low, high = np.log(start.shape[h] * np.array(SHAPE_RANGE))
        found = optimize.minimize_scalar(loss, bounds=(low, high), method="bounded", options={"xatol": 1e-7})
        if loss(float(found.x)) < loss(float(np.log(start.shape[h]))):
            shape[h] = float(np.exp(found.x))
    rate = total / exposed(shape)
    return shape, unit * rate ** (-1.0 / shape)


def _leap(zero: CauseModel, one: CauseModel, two: CauseModel, defaults: Defaults) -> CauseModel | None:
    """Where two steps of EM seem to be heading (squared extrapolation), or None when they have arrived."""
    first = _vector(one, defaults) - _vector(zero, defaults)
    bend = _vector(two, defaults) - _vector(one, defaults) - first
    length = float(np.sqrt((bend**2).sum()))
    if length < 1e-12:
        return None
    far = min(-float(np.sqrt((first**2).sum())) / length, -1.0)
    return _model(_vector(zero, defaults) - 2.0 * far * first + far**2 * bend, two, defaults)


def _vector(model: CauseModel, defaults: Defaults) -> Floats:
    """The figures as one vector without bounds."""
    return np.concatenate(
        (
            np.log(model.shape),
            np.log(model.scale_hours),
            model.log_outcome.ravel(),
            special.logit(model.cure).ravel(),
            special.logit(np.clip([model.repeat], 1e-8, 1.0 - 1e-8)),
            np.log([model.comeback_hours, model.background_hours]),
        )
    )


def _model(vector: Floats, like: CauseModel, defaults: Defaults) -> CauseModel | None:
    """The figures of a vector; None where they are out of all reason."""
    h, r, s = like.shape.size, like.outcome.size, like.cure.size
    shape, scale, outcome, cure, repeat, times = np.split(vector, np.cumsum([h, h, r, s, 1]))
    start = defaults.model
    if (np.abs(shape - np.log(start.shape)) > np.log(SHAPE_RANGE[1])).any():
        return None
    if (
        (np.abs(scale - np.log(start.scale_hours)) > 12.0).any()
        or (np.abs(cure) > 20.0).any()
        or abs(repeat[0]) > 20.0
    ):
        return None
    if not np.isfinite(vector).all() or (np.abs(outcome) > 50.0).any() or (times > 16.0).any():
        return None
    shares = np.where(like.outcome > 0, np.exp(outcome.reshape(like.outcome.shape)), 0.0)
    return CauseModel(
        shape=np.exp(shape),
        scale_hours=np.exp(scale),
        outcome=shares / shares.sum(axis=1, keepdims=True),
        cure=special.expit(cure).reshape(like.cure.shape),
        comeback_hours=float(np.exp(times[0])),
        background_hours=float(np.exp(times[1])),
        repeat=float(special.expit(repeat[0])),
    )
