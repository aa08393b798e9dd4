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

    def silence(
        self, quiet_hours: Floats, ended: Floats, mended: Floats, mended_after: Floats
    ) -> tuple[Floats, Floats]:
        """Chance of so many running hours without a report, with the fault still there and with it gone.

        Args:
            quiet_hours: running hours that were read since the last report, shape (n,).
            ended: share of the gaps beyond a burst in which the fault ends without a note, by cause, shape (n, k).
            mended: chance that something else on record ended it, such as an order of unknown content, shape (n, k).
            mended_after: running hours from the last report until then, shape (n,); until then the fault stood.

        Returns:
            Of a fault that stands at the end and of one that does not, shapes (n, k).

        Raises:
            BadArgument: for hours below 0, or chances outside 0 to 1.

        Examples:
            >>> law = ReturnLaw(0.5, 0.01, 0.02, 4.0, 60.0, 240.0, 8000.0)
            >>> none = np.zeros((3, 1))
            >>> ended = np.full((3, 1), law.ended_beyond)
            >>> stands, gone = law.silence(np.array([0.0, 100.0, 400.0]), ended, none, none[:, 0])
            >>> (stands / (stands + gone))[:, 0].round(2)
            array([0.98, 0.83, 0.12])
        """
        chances = np.concatenate((ended.ravel(), mended.ravel()))
        if min(quiet_hours.min(initial=0), mended_after.min(initial=0)) < 0 or np.any(
            (chances < 0) | (chances > 1)
        ):
            raise BadArgument("hours are not negative and chances lie between 0 and 1")
        stands, gone = self._silent(quiet_hours, ended)
        before = np.minimum(mended_after, quiet_hours)
        until, _ = self._silent(before, ended)
        later = np.exp(-(quiet_hours - before) / self.background_hours)[:, None]
        return stands * (1.0 - mended), gone + mended * until * later

    def _silent(self, hours: Floats, ended: Floats) -> tuple[Floats, Floats]:
        """The same without anything on record."""
        silent = np.exp(-hours[:, None] / self.means)
        beyond = (self.shares[1:3] * silent[:, 1:3]).sum(axis=1, keepdims=True) / self.shares[1:3].sum()
        stands: Floats = self.burst * silent[:, :1] + (1.0 - self.burst) * (1.0 - ended) * beyond
        return stands, (1.0 - self.burst) * ended * silent[:, 3:]

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
        first_mends, back_mends: after either, chance that an order of unknown content, closed since the last report,
            ended the fault, and that one did which is on record to have looked at it only.
    """

    first: ReturnLaw
    back: ReturnLaw
    first_mends: tuple[float, float] = (0.0, 0.0)
    back_mends: tuple[float, float] = (0.0, 0.0)

    def passing(self, times: float = 1.0) -> float:
        """Share of first bursts that are no fault: 1 - (1 - e1) / (1 - e2), of the shares e that end without a note.

        Args:
            times: how many times as often the faults among first bursts end without a note as those that had come back.

        Examples:
            >>> first = ReturnLaw(0.5, 0.01, 0.2, 4.0, 60.0, 240.0, 8000.0)
            >>> back = ReturnLaw(0.5, 0.01, 0.05, 4.0, 60.0, 240.0, 8000.0)
            >>> round(ReturnLaws(first, back).passing(), 3), round(ReturnLaws(first, back).passing(3.0), 3)
            (0.333, 0.143)
        """
        ended = min(times * self.back.ended_beyond, self.first.ended_beyond)
        return 1.0 - (1.0 - self.first.ended_beyond) / (1.0 - ended)

    def silence(
        self,
        quiet_hours: Floats,
        back: npt.NDArray[np.bool_],
        ended: Floats,
        mended: Floats,
        mended_after: Floats,
    ) -> tuple[Floats, Floats, Floats]:
        """Chance of the hours without a report with the fault there, with it gone, and had there been none.

        Args:
            quiet_hours, ended, mended, mended_after: see `ReturnLaw.silence`.
            back: whether the fault had come back before, shape (n,).

        Returns:
            Of a fault that stands and of one that does not, shapes (n, k); of a first burst of reports that only
            passed, shape (n,): what had come back before did not pass.
        """
        laws = ((self.first, ~back), (self.back, back))
        stands, gone = np.zeros(ended.shape), np.zeros(ended.shape)
        for law, mine in laws:
            stands[mine], gone[mine] = law.silence(
                quiet_hours[mine], ended[mine], mended[mine], mended_after[mine]
            )
        burst, never = (np.exp(-quiet_hours / self.first.means[story]) for story in (0, 3))
        passed = np.where(back, 0.0, self.first.burst * burst + (1.0 - self.first.burst) * never)
        return stands, gone, passed

    def same(
        self, gap_hours: Floats, back: npt.NDArray[np.bool_], orders: tuple[Ints, Ints], order_hours: Floats
    ) -> Floats:
        """Chance that a report after so many hours, without a repair between, is of the same fault, shape (n,).

        Args:
            gap_hours: running hours between the two reports, shape (n,).
            back: whether the fault had come back before, shape (n,).
            orders: orders of unknown content closed between the two, and such that only looked at the fault.
            order_hours: running hours until the first of them was closed, shape (n,).
        """
        same = np.zeros(gap_hours.size)
        again = np.ones(gap_hours.size, dtype=bool)
        for law, (blank, look), mine in (
            (self.first, self.first_mends, ~back),
            (self.back, self.back_mends, back),
        ):
            mends = 1.0 - (1.0 - blank) ** orders[0][mine] * (1.0 - look) ** orders[1][mine]
            ended = mended_gaps(gap_hours[mine], again[mine], order_hours[mine], mends, law)
            same[mine] = law.same(gap_hours[mine]) * (1.0 - ended)
        return same


def fit_return_law(
    hours: Floats,
    again: npt.NDArray[np.bool_],
    count: Ints | Floats,
    default: ReturnLaw,
    *,
    worth: float,
    start: ReturnLaw | None = None,
    most_rounds: int = _MOST_ROUNDS,
) -> ReturnLaw:
    """The return law of a fleet from the gaps after its reports; the default comes back unchanged without any.

    Args:
        hours: running hours of each gap, to the next report or to where nothing more is known, shape (n,).
        again: whether it ended with a report, shape (n,).
        count: how many such gaps there are, shape (n,).
        default: what is known beforehand.
        worth: gaps that the default is worth, for each of its figures.
        start: where to begin; the default if not told.
        most_rounds: rounds of expectation and maximisation at most.

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
    begin = start or default
    shares, means = begin.shares, begin.means
    if not gap.size:
        return default
    for _ in range(most_rounds):
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


def mended_gaps(
    hours: Floats, again: npt.NDArray[np.bool_], order_hours: Floats, mends: Floats, law: ReturnLaw
) -> Floats:
    """Chance that an order within a gap ended the fault, given when it showed again if it did, shape (n,).

    Args:
        hours, again: the gaps: see `fit_return_law`.
        order_hours: running hours of each until the order was closed, shape (n,).
        mends: chance beforehand that it ended the fault, shape (n,).
        law: of gaps without an order.

    Examples:
        Back after 40 h: the order mended nothing. Quiet for 2,000 h: it did, unless the fault ended by itself.

        >>> law = ReturnLaw(0.5, 0.01, 0.001, 4.0, 60.0, 240.0, 8000.0)
        >>> back = np.array([True, False])
        >>> mended_gaps(np.array([40.0, 2000.0]), back, np.full(2, 5.0), np.full(2, 0.1), law).round(3).tolist()
        [0.002, 0.985]
    """
    gap = np.maximum(hours, _LEAST_HOURS)[:, None]
    before = np.minimum(order_hours, hours)[:, None]

    def density(time: Floats, means: Floats) -> Floats:
        found: Floats = np.exp(-time / means) / np.where(again[:, None], means, 1.0)
        return found

    unmended = (law.shares * density(gap, law.means)).sum(axis=1)
    standing = (law.shares * np.exp(-before / law.means)).sum(axis=1)
    mended = mends * standing * density(gap - before, law.means[3:])[:, 0]
    chance: Floats = mended / (mended + (1.0 - mends) * unmended)
    return chance
