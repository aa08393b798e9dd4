"""Whether a fault still stands that nobody is on record to have mended: silence against books with gaps.

After each report of a fault, and until the next report or a repair on record, one of four stories runs. The fault
stands and shows again in the same burst of reports, after an exponential time of a few hours; it stands and shows
again when the machine next gets there, after a longer exponential time; it stands but is kept silent for longer, by
light work or a box that sends nothing; or it ended and nobody wrote it down, and then only an unrelated new case
would show. How common each story is, and how long its times are, is learnt from all such gaps of the fleet by
expectation and maximisation (the times to a new case are not: they are what tells the last story from the third);
silence is then weighed by Bayes' rule. Hours that nobody read are no gap and say nothing.

A first burst of reports is another matter than a fault that has come back: some bursts are no fault at all, a code that
passes by itself. So there are two such laws, and the share by which first bursts end more often without a note than
faults that had come back before is the share of those that only passed.

The priors are conjugate: a Dirichlet over the stories, and of each mean time a gamma prior of its rate, all worth so
many gaps (Gelman et al., Bayesian Data Analysis, 3rd edition, sections 2.6 and 3.4; Dempster, Laird & Rubin 1977).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fleetlog.stats.arrays import Floats, Ints
from fleetlog.stats.errors import BadArgument

#: Hours below which a gap counts as this much: meters do not tell shorter ones.
_LEAST_HOURS = 0.1
_MOST_ROUNDS = 500


@dataclass(frozen=True)
class ReturnLaw:
    """How soon a fault shows again, and how often it ends without a note.

    Attributes:
        burst: share of gaps within one burst of reports.
        silent: share of gaps in which a standing fault is kept silent for long.
        ended: share of gaps in which the fault ended and nobody wrote it down.
        burst_hours, comeback_hours, silent_hours, background_hours: mean running hours to the next report within a
            burst, of a standing fault beyond it, of one kept silent, and of an unrelated new case.
    """

    burst: float
    silent: float
    ended: float
    burst_hours: float
    comeback_hours: float
    silent_hours: float
    background_hours: float

    def __post_init__(self) -> None:
        if min(self.shares) <= 0.0:
            raise BadArgument("shares of gaps lie between 0 and 1 and leave room for the comeback")
        if not (self.means[0] > 0.0 and np.all(np.diff(self.means) > 0.0)):
            raise BadArgument(
                "mean hours are above 0, and longer from burst to comeback to silence to new case"
            )

    @property
    def shares(self) -> Floats:
        """Of the stories: burst, comeback, long silence, ended, shape (4,)."""
        return np.array([self.burst, 1.0 - self.burst - self.silent - self.ended, self.silent, self.ended])

    @property
    def means(self) -> Floats:
        """Of the stories' times, shape (4,)."""
        return np.array([self.burst_hours, self.comeback_hours, self.silent_hours, self.background_hours])

    @property
    def ended_beyond(self) -> float:
        """Share of gaps beyond a burst in which the fault ended and nobody wrote it down."""
        return self.ended / (1.0 - self.burst)

    @property
    def standing_hours(self) -> float:
        """Mean running hours until a standing fault shows again, bursts left out."""
        share = self.shares[1:3]
        return float((share * self.means[1:3]).sum() / share.sum())

    def settling_hours(self, share: float = 0.9) -> float:
        """Running hours after which a fault that stood when watching began has shown with this chance.

        What shows before may have begun unseen: it is a prevalent fault, no new one (Rothman, Greenland & Lash,
        Modern Epidemiology, 3rd edition, chapter 3: incidence counts who was free of it at the start).

        Raises:
            BadArgument: for a share outside 0 to 1.

        Examples:
            >>> round(ReturnLaw(0.5, 0.01, 0.02, 4.0, 60.0, 240.0, 8000.0).settling_hours(), 1)
            146.8
        """
        if not 0.0 < share < 1.0:
            raise BadArgument(f"a share lies between 0 and 1, not {share}")
        return -float(np.log1p(-share)) * self.standing_hours

    def standing(self, quiet_hours: Floats, mended: Floats | None = None) -> Floats:
        """Chance that the fault still stands after so many running hours without a report, shape (n,).

        Args:
            quiet_hours: running hours that were read since the last report, shape (n,).
            mended: chance of each that something else on record ended it, such as an order of unknown content.

        Raises:
            BadArgument: for hours below 0, or chances outside 0 to 1.

        Examples:
            >>> law = ReturnLaw(0.5, 0.01, 0.02, 4.0, 60.0, 240.0, 8000.0)
            >>> law.standing(np.array([0.0, 100.0, 400.0])).round(2)
            array([0.98, 0.83, 0.12])
        """
        other = np.zeros_like(quiet_hours) if mended is None else mended
        if np.any(quiet_hours < 0) or np.any((other < 0) | (other > 1)):
            raise BadArgument("hours are not negative and chances lie between 0 and 1")
        silent = self.shares * np.exp(-quiet_hours[:, None] / self.means)
        # what was mended besides is mended whichever story ran: its silence is that of the last
        stands: Floats = silent[:, :3].sum(axis=1) * (1.0 - other)
        over = silent[:, 3] + other * (1.0 - self.ended) * np.exp(-quiet_hours / self.background_hours)
        return stands / (stands + over)

    def same(self, gap_hours: Floats) -> Floats:
        """Chance that a report after so many hours, without a repair between, is of the same fault, shape (n,).

        Examples:
            >>> ReturnLaw(0.5, 0.01, 0.02, 4.0, 60.0, 240.0, 8000.0).same(np.array([50.0, 600.0])).round(3)
            array([0.999, 0.619])
        """
        density = self.shares / self.means * np.exp(-gap_hours[:, None] / self.means)
        same: Floats = density[:, :3].sum(axis=1) / density.sum(axis=1)
        return same


@dataclass(frozen=True)
class ReturnLaws:
    """Return laws of a fleet: after the reports of a first burst, and of a fault that has come back before.

    Attributes:
        first: of the gaps after reports of a first burst.
        back: of the gaps after reports of a fault that had come back before.
    """

    first: ReturnLaw
    back: ReturnLaw

    @property
    def passing(self) -> float:
        """Share of first bursts that are no fault: 1 - (1 - e1) / (1 - e2), of the shares e that end without a note.

        Examples:
            >>> first = ReturnLaw(0.5, 0.01, 0.2, 4.0, 60.0, 240.0, 8000.0)
            >>> back = ReturnLaw(0.5, 0.01, 0.05, 4.0, 60.0, 240.0, 8000.0)
            >>> round(ReturnLaws(first, back).passing, 3)
            0.333
        """
        return max(1.0 - (1.0 - self.first.ended_beyond) / (1.0 - self.back.ended_beyond), 0.0)

    def standing(
        self, quiet_hours: Floats, back: npt.NDArray[np.bool_], mended: Floats | None = None
    ) -> Floats:
        """Chance that a fault still stands after so many running hours without a report, shape (n,).

        Args:
            quiet_hours: running hours that were read since the last report, shape (n,).
            back: whether the fault had come back before, shape (n,).
            mended: see `ReturnLaw.standing`.
        """
        return np.where(
            back, self.back.standing(quiet_hours, mended), self.first.standing(quiet_hours, mended)
        )

    def real(self, standing: Floats, back: npt.NDArray[np.bool_]) -> Floats:
        """Chance that reports which nobody answered were of a fault, given the chance that it stands, shape (n,).

        What does not stand had ended without a note: it was mended, or it was a first burst that only passed.

        Args:
            standing: chance that the fault stands, shape (n,).
            back: whether it had come back before, shape (n,).

        Examples:
            What stands is real, and so is what had come back before. Of first bursts that do not stand 0.4 had ended
            without a note, and a third of all first bursts only passed: 1/3 of 0.4.

            >>> first = ReturnLaw(0.5, 0.01, 0.2, 4.0, 60.0, 240.0, 8000.0)
            >>> back = ReturnLaw(0.5, 0.01, 0.05, 4.0, 60.0, 240.0, 8000.0)
            >>> laws = ReturnLaws(first, back)
            >>> laws.real(np.array([1.0, 0.0, 0.0]), np.array([False, True, False])).round(4).tolist()
            [1.0, 1.0, 0.1667]
        """
        ended = self.first.ended_beyond
        passed = self.passing / ended * (1.0 - standing)
        return np.where(back, 1.0, 1.0 - passed)

    def same(self, gap_hours: Floats, back: npt.NDArray[np.bool_]) -> Floats:
        """Chance that a report after so many hours, without a repair between, is of the same fault, shape (n,)."""
        return np.where(back, self.back.same(gap_hours), self.first.same(gap_hours))


def fit_return_law(
    hours: Floats, again: npt.NDArray[np.bool_], count: Ints, default: ReturnLaw, *, worth: float
) -> ReturnLaw:
    """The return law of a fleet from the gaps after its reports; the default comes back unchanged without any.

    Args:
        hours: running hours of each gap, to the next report or to where nothing more is known, shape (n,).
        again: whether it ended with a report, shape (n,).
        count: how many such gaps there are, shape (n,).
        default: what is known beforehand.
        worth: gaps that the default is worth, for each of its figures.

    Raises:
        BadArgument: for a worth that is not above 0.

    Examples:
        >>> default = ReturnLaw(0.5, 0.01, 0.02, 4.0, 60.0, 240.0, 8000.0)
        >>> none = np.zeros(0)
        >>> fit_return_law(none, none.astype(bool), none.astype(int), default, worth=20.0) == default
        True
    """
    if worth <= 0:
        raise BadArgument(f"a default is worth more than no gap, not {worth}")
    gap = np.maximum(hours, _LEAST_HOURS)
    shares, means = default.shares, default.means
    if not gap.size:
        return default
    for _ in range(_MOST_ROUNDS):
        log_weight = np.log(shares) - gap[:, None] / means - again[:, None] * np.log(means)
        weight = np.exp(log_weight - log_weight.max(axis=1, keepdims=True))
        weight *= (count / weight.sum(axis=1))[:, None]
        was = np.concatenate((np.log(shares), np.log(means)))
        shares = weight.sum(axis=0) + worth * default.shares
        shares /= shares.sum()
        returns = (weight * again[:, None]).sum(axis=0) + worth
        means = ((weight * gap[:, None]).sum(axis=0) + worth * default.means) / returns
        means[-1] = default.background_hours
        if np.abs(np.concatenate((np.log(shares), np.log(means))) - was).max() < 1e-9:
            break
    # a gap is told by its length alone, so the stories keep their order
    order = np.append(np.argsort(means[:3], kind="stable"), 3)
    shares, means = shares[order], np.minimum(means[order], default.background_hours * (1.0 - 1e-9))
    means[-1] = default.background_hours
    return ReturnLaw(float(shares[0]), float(shares[2]), float(shares[3]), *(float(mean) for mean in means))
