"""Which causes end without a note: what nobody wrote down was mostly a short step, and that ends some causes only.

A shop that keeps its books badly has left out the steps it takes most: so what silence says of a case depends on its
cause. At a first visit it is calibration and wiring that are mended in passing; a fault that a short step cannot reach
stands on. How likely an unrecorded step ends each cause is taken from the steps on record at that turn of a case and
from the family's chances to cure, and put on the scale of the fleet's own share of gaps that end without a note.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from fleetlog.belief.case_records import CASE, Observations
from fleetlog.belief.family_arrays import Layout
from fleetlog.belief.returns import Silence, burst_tenths
from fleetlog.stats.arrays import Floats, Ints, binned
from fleetlog.stats.hidden_repair import ReturnLaws
from fleetlog.stats.latent_cause import log_prior
from fleetlog.stats.posterior import posterior
from fleetlog.store import Store

#: Turns of a case told apart: no visit on record before, one, two, three or more.
TURNS = 4
#: Visits on record that an even choice among all steps is worth, at each turn. From memory.
VISITS = 10.0
#: No unrecorded step ends a cause more often than this.
MOST = 0.9


@dataclass(frozen=True, eq=False)
class Unrecorded:
    """What came after the reports of each case without a repair on record, by cause.

    Attributes:
        log_likelihood: of all of it if the case is a fault of each cause, shape (N, K).
        stands: chance that the fault still stands after it, by cause, shape (N, K); 1 where a repair answers.
        passed: likelihood of what came after a first burst, had it been a code that only passed, shape (N,); 0 of what
            had come back.
        waits: how often the fault showed again without a repair between, beyond a burst, shape (N,).
        ends: how likely an unrecorded step ends each cause.
    """

    log_likelihood: Floats
    stands: Floats
    passed: Floats
    waits: Ints
    ends: UnrecordedSteps


@dataclass(frozen=True, eq=False)
class UnrecordedSteps:
    """How likely an unrecorded step ends each cause.

    Attributes:
        times: 1 = as likely as the average fault of the fleet that had come back, shape (TURNS, K).
        passing: share of the fleet's first bursts of reports that are no fault.
    """

    times: Floats
    passing: float


def unrecorded_steps(
    layout: Layout, observations: Observations, first: Floats, back: Floats, laws: ReturnLaws
) -> UnrecordedSteps:
    """How likely an unrecorded step ends each cause, and what it leaves to first bursts that only passed.

    First bursts end without a note more often than faults that had come back: some were no fault, and some were of a
    cause that the first short step ends, which the others had withstood.

    Args:
        layout: of the family.
        observations: of all cases.
        first, back: gaps of each case at each turn, after its first burst and after it had come back, shape (N, TURNS).
        laws: of the fleet.
    """
    cases, family = observations.cases, layout.family
    turn = _turns(cases.visit_case)
    new, again = (
        np.stack([binned(turn, column.astype(np.float64), TURNS) for column in steps.T], axis=1)
        for steps in (cases.visit_steps, cases.visit_again)
    )
    new += VISITS / new.shape[1]
    # what is tried again has a share of its chance left
    taken = (new + family.comeback.repeat_share * again) / (new + again).sum(axis=1, keepdims=True)
    cure = np.array(
        [[family.step(step).cures.get(cause, 0.0) for cause in layout.causes] for step in layout.cures]
    )
    cure = np.maximum(cure, family.comeback.quiet_chance)
    ends: Floats = (taken[:, :, None] * cure[None]).sum(axis=1)
    # what no step of the family reaches is ended by what nobody knows: as often as the others
    reached = (cure > family.comeback.quiet_chance).any(axis=0)
    ends[:, ~reached] = ends[:, reached].mean(axis=1, keepdims=True)
    owner, likelihood, _ = observations.in_order(layout.defaults.model)
    share = posterior(log_prior(layout.defaults.model, cases), likelihood, owner).probability
    first, back = (np.einsum("nt,nk->tk", gaps, share) for gaps in (first, back))
    times: Floats = ends / ((back * ends).sum() / back.sum() if back.any() else ends.mean())
    # what has not come back yet ends without a note at least as often as what has
    average = max(float((first * times).sum() / first.sum()), 1.0) if first.any() else 1.0
    return UnrecordedSteps(times, laws.passing(average))


def _turns(owner: Ints) -> Ints:
    """How many visits of its case came before each, at most TURNS - 1, shape (V,)."""
    start = np.searchsorted(owner, owner)
    turn: Ints = np.minimum(np.arange(owner.size) - start, TURNS - 1)
    return turn


def unrecorded(
    store: Store,
    layout: Layout,
    observations: Observations,
    quiet: Silence,
    laws: ReturnLaws,
    ends: UnrecordedSteps | None = None,
) -> Unrecorded:
    """What silence says of each cause of each case.

    Args:
        store: with the table weighed_case.
        layout: of the family.
        observations: of all cases.
        quiet: hours without a report since the last, where no repair answers it.
        laws: of the fleet.
        ends: how likely an unrecorded step ends each cause, if that is known already.
    """
    waits = _waits(store, layout, observations.rows)
    tries = np.bincount(observations.cases.visit_case, minlength=observations.rows.height)
    last = np.minimum(tries, TURNS - 1)
    if ends is None:
        gaps = waits.copy()
        gaps[np.flatnonzero(quiet.unanswered), last[quiet.unanswered]] += 1.0
        # the first of a case came after its first burst
        first = np.where((np.cumsum(gaps, axis=1) > 0) & (np.cumsum(gaps, axis=1) - gaps == 0), 1.0, 0.0)
        ends = unrecorded_steps(layout, observations, first, gaps - first, laws)
    times = ends.times
    share = laws.back.ended_beyond
    ended = np.minimum(share * times, MOST)
    # no matrix product: its rounding may depend on the number of threads
    stood = np.einsum("nt,tk->nk", waits, np.log((1.0 - ended) / (1.0 - share)))
    unmended = np.ones(times[last].shape)
    kinds = zip(laws.first_mends, laws.back_mends, (quiet.blank_orders, quiet.looks), strict=True)
    for mends_first, mends_later, orders in kinds:
        mends = np.where(quiet.back, mends_later, mends_first)[:, None] * times[last]
        unmended *= (1.0 - np.minimum(mends, MOST)) ** orders[:, None]
    stands, gone, passed = laws.silence(
        quiet.quiet_hours, quiet.back, ended[last], 1.0 - unmended, quiet.blank_hours
    )
    either, heard = stands + gone, quiet.unanswered
    return Unrecorded(
        log_likelihood=stood + np.where(heard[:, None], np.log(either), 0.0),
        stands=np.where(heard[:, None], stands / either, 1.0),
        passed=np.where(heard, passed, np.where(quiet.back, 0.0, 1.0)),
        waits=waits.sum(axis=1).astype(np.int64),
        ends=ends,
    )


def _waits(store: Store, layout: Layout, rows: pl.DataFrame) -> Floats:
    """How often each case showed again without a repair between, beyond a burst, at each turn, shape (N, TURNS)."""
    known = store.run("cases/waits", fault=layout.family.name, burst_tenths=burst_tenths(layout.family))
    placed = rows.select("case_id", *CASE).join(known, on=CASE)
    waits = np.zeros((rows.height, TURNS))
    turn = np.minimum(placed["tries"].to_numpy(), TURNS - 1)
    np.add.at(waits, (placed["case_id"].to_numpy(), turn), placed["waits"].to_numpy().astype(np.float64))
    return waits
