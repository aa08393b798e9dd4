"""How soon a fault shows again in this fleet, how often one ends without a note, and what silence says of a side."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from fleetlog.belief.case_records import CASE
from fleetlog.faults import FaultFamily
from fleetlog.history import History
from fleetlog.session.fleet import selection
from fleetlog.session.scope import WHOLE_FLEET
from fleetlog.stats.arrays import Floats, Ints
from fleetlog.stats.hidden_repair import ReturnLaw, ReturnLaws, fit_return_law, mended_gaps
from fleetlog.store import Store

#: Gaps after a report that the family's return law is worth, and cases that its time to a new one is. From memory.
GAPS, ONSETS = 20.0, 20.0
#: Chance that an order ended the fault which is on record to have looked at it only. Ours, from memory: a look mends
#: nothing, but now and then the step that it led to is not written down.
LOOK_MENDS = 0.1
#: Turns in which the laws and what orders mend are taken from each other, and steps of the laws' fit in each. Measured
#: on four invented fleets: no figure is then more than 0.005 % from that after 60 turns of 500 steps.
_TURNS, _STEPS = 25, 20
#: A fault that is kept silent shows again after so many times the mean time. Ours, from memory.
SILENT_FOR = 4.0
#: Reports within so many times a burst's mean time from the first belong to the first burst: 0.7 % of bursts take
#: longer to go on.
BURSTS = 5.0


@dataclass(frozen=True, eq=False)
class Silence:
    """What silence says of cases whose last report no repair answers.

    Attributes:
        unanswered: which cases they are, shape (N,).
        quiet_hours: running hours read since the last report, else 0, shape (N,).
        blank_orders: orders of unknown content since then, shape (N,).
        looks: orders since then that only looked at the fault, shape (N,).
        blank_hours: running hours until the first of either was closed, else 0, shape (N,).
        back: which cases have come back beyond their first burst of reports, shape (N,).
        blank_order: the latest of either.
        late_repairs: repairs that came too late to answer the case: the columns of sql/cases/late_repairs.sql.
    """

    unanswered: npt.NDArray[np.bool_]
    quiet_hours: Floats
    blank_orders: Ints
    looks: Ints
    blank_hours: Floats
    back: npt.NDArray[np.bool_]
    blank_order: pl.Series
    late_repairs: pl.DataFrame

    def late_cure(self, cases: pl.DataFrame, steps: tuple[str, ...], cure: Floats) -> Floats:
        """Chance that a late repair has ended the fault of each case, by its cause, shape (N, K).

        Args:
            cases: all cases, in the order of the arrays.
            steps: names of the cures.
            cure: chance of each to end a fault of each cause, shape (S, K).
        """
        numbers = pl.DataFrame({"step": steps}).with_row_index("number")
        done = (
            cases.select(CASE).with_row_index("row").join(self.late_repairs, on=CASE).join(numbers, on="step")
        )
        missed = np.ones((cases.height, cure.shape[1]))
        np.multiply.at(missed, done["row"].to_numpy(), 1.0 - cure[done["number"].to_numpy()])
        return 1.0 - missed


def burst_tenths(family: FaultFamily) -> int:
    """Length of a first burst of reports at most, in tenths of a running hour."""
    return round(10 * BURSTS * family.comeback.burst_hours)


def came_back(family: FaultFamily, cases: pl.DataFrame) -> npt.NDArray[np.bool_]:
    """Which of these cases have come back beyond their first burst of reports, shape (N,).

    Args:
        cases: first_tenths, last_tenths of their reports.
    """
    span = (cases["last_tenths"] - cases["first_tenths"]).to_numpy()
    return np.asarray(span >= burst_tenths(family), dtype=np.bool_)


def return_laws(store: Store, family: FaultFamily, *, learn: bool) -> ReturnLaws:
    """How soon a standing fault shows again: the family's own figures, or learnt from the gaps of all cases."""
    own = family.comeback
    hours = max(own.mean_hours, 1.01 * own.burst_hours)
    background = own.background_mean_hours
    if learn:
        onsets = store.run("cases/onsets", fault=family.name, **selection(WHOLE_FLEET)).row(0, named=True)
        background = (ONSETS * background + onsets["side_hours"]) / (ONSETS + onsets["cases"])
    default = ReturnLaw(
        burst=0.5,
        silent=own.unrecorded,
        ended=own.unrecorded,
        burst_hours=own.burst_hours,
        comeback_hours=hours,
        silent_hours=SILENT_FOR * hours,
        background_hours=max(background, 1.1 * SILENT_FOR * hours),
    )
    mends = (own.blank_order_mends, LOOK_MENDS)
    if not learn:
        return ReturnLaws(default, default, mends, mends)
    gaps = store.run("cases/gaps", fault=family.name, burst_tenths=burst_tenths(family))
    return _fitted(gaps, default, mends)


def _fitted(gaps: pl.DataFrame, default: ReturnLaw, known: tuple[float, float]) -> ReturnLaws:
    """The laws of the fleet, and how often an order without a repair ended the fault, by turns until they agree.

    Args:
        gaps: the rows of sql/cases/gaps.sql.
        default: the law known beforehand.
        known: the chance known beforehand that an order of unknown content ended the fault, and that a look did.
    """
    hours, again, back = gaps["gap_tenths"].to_numpy() / 10, gaps["again"].to_numpy(), gaps["back"].to_numpy()
    count, looked = gaps["gaps"].to_numpy().astype(np.float64), gaps["looked"].to_numpy()
    ordered = gaps["blank_tenths"].is_not_null().to_numpy()
    until = gaps["blank_tenths"].fill_null(0).to_numpy() / 10
    # of first bursts apart: what passes by itself seems mended, whatever the order was
    mends, laws = np.array([known, known]), {False: default, True: default}
    for _ in range(_TURNS):
        before = mends[back.astype(np.int64), looked.astype(np.int64)]
        mended = np.zeros(count.size)
        for mine, law in laws.items():
            at = np.flatnonzero(ordered & (back == mine))
            mended[at] = mended_gaps(hours[at], again[at], until[at], before[at], law)
        for group, look in np.ndindex(mends.shape):
            those = ordered & (back == group) & (looked == look)
            found, of = float((count * mended)[those].sum()), float(count[those].sum())
            mends[group, look] = (found + GAPS * known[look]) / (of + GAPS)
        # what an order ended had stood until then; the rest ran on as if there had been none
        for mine in laws:
            whole, cut = back == mine, (back == mine) & ordered
            laws[mine] = fit_return_law(
                np.concatenate((hours[whole], np.minimum(until, hours)[cut])),
                np.concatenate((again[whole], np.zeros(int(cut.sum()), dtype=bool))),
                np.concatenate(((count * (1.0 - mended))[whole], (count * mended)[cut])),
                default,
                worth=GAPS,
                start=laws[mine],
                most_rounds=_STEPS,
            )
    first, later = ((float(blank), float(look)) for blank, look in mends)
    return ReturnLaws(laws[False], laws[True], first, later)


def silence(store: Store, history: History, family: FaultFamily, rows: pl.DataFrame) -> Silence:
    """What is on record since the last report of sides where no repair answers it.

    Args:
        store: with the table weighed_case.
        history: whose end the records reach to.
        family: whose cases they are.
        rows: all cases.
    """
    since = store.run("cases/unanswered", fault=family.name, as_of_end=history.as_of_end)
    known = rows.select(*CASE).join(since, on=CASE, how="left", maintain_order="left")
    return Silence(
        unanswered=known["heard_tenths"].is_not_null().to_numpy(),
        quiet_hours=known["heard_tenths"].fill_null(0).to_numpy() / 10,
        blank_orders=known["blank_orders"].fill_null(0).to_numpy(),
        looks=known["looks"].fill_null(0).to_numpy(),
        blank_hours=known["blank_tenths"].fill_null(0).to_numpy() / 10,
        back=came_back(family, rows) | known["came_back"].fill_null(False).to_numpy(),
        blank_order=known["blank_order"],
        late_repairs=store.run("cases/late_repairs", fault=family.name, as_of_end=history.as_of_end),
    )
