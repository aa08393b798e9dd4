"""The week's work that is there already: every open case first, by what a day of waiting costs, then doubtful repairs.

A machine with an open case is kept from use, so it is called in from wherever it is; both sides of one machine are
one visit. The dearest to wait takes the first week in which the shop has room for its expected hours; what finds no
room within the plan is told with the first week that would have it. Where a machine is open for its case, a sound
part beside the failed one is an opportunity at the price of the second side.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from math import prod
from typing import Any

import numpy as np
import polars as pl

from fleetlog.causes.case import Suspect
from fleetlog.faults import FaultFamily
from fleetlog.planning.outlook import Period, iso_week
from fleetlog.planning.plan_candidates import Candidates, Worth
from fleetlog.planning.plan_visits import Offers, ShopLimits, too_small
from fleetlog.stats.arrays import Floats

OPEN, DOUBTFUL, BESIDE = "open case", "doubtful repair", "while it is open"
#: Weeks after the plan that are looked through for the first with room.
_WEEKS_BEYOND = 104


@dataclass(frozen=True, eq=False)
class OpenWork:
    """Open work with its weeks.

    Attributes:
        rows: one a case, in order of urgency: the columns of a plan's rows; week None where there is no room.
        late: case, its labour hours, and why it has no week, for those.
        beside: the sound parts among the rows.
        used: hours, pump hours and jobs with the engine out, by week, shape (weeks, 3).
    """

    rows: list[dict[str, Any]]
    late: list[dict[str, Any]]
    used: Floats
    beside: tuple[BesideJob, ...]


@dataclass(frozen=True)
class BesideJob:
    """A sound part, or both sides of one, done while its machine is open: rows of the candidates, week, and price."""

    candidates: tuple[int, ...]
    week: int
    price: float

    def saving(self, worth: Worth) -> float:
        """What it saves against waiting until it fails; two sides carry their value together."""
        first = self.candidates[0], self.week
        alive = prod(float(worth.alive[one, self.week]) for one in self.candidates)
        return float(worth.there[first] * alive * (worth.value[first] - self.price))


def open_work(
    candidates: Candidates, offers: Offers, limits: ShopLimits, caps: Floats, must: Sequence[str] = ()
) -> OpenWork:
    """Gives every open case, and then every doubtful repair, its week.

    Args:
        candidates: with the cases as they are known.
        offers: whose weeks tell where a machine would be out.
        limits, caps: of the shop; caps by week, shape (weeks, 3).
        must: machines whose work goes before any other's of its kind.
    """
    outlook = candidates.outlook
    week = np.array([limits.hours, limits.pump_hours, limits.engine_out_jobs])
    last = outlook.periods[-1]
    beyond = [
        Period(iso_week(day), day, day + timedelta(days=7))
        for day in (last.first + timedelta(days=7 * k) for k in range(1, _WEEKS_BEYOND + 1))
    ]
    weeks = (*outlook.periods, *beyond)
    room = np.vstack((caps, np.tile(week, (_WEEKS_BEYOND, 1))))
    room[[one.label in limits.closed for one in weeks]] = 0.0
    parts_there = outlook.history.as_of + timedelta(days=limits.lead_days)
    rows: list[dict[str, Any]] = []
    late: list[dict[str, Any]] = []
    jobs: list[BesideJob] = []
    used = np.zeros_like(room)
    for kind, visit in _visits(candidates.known.cases, outlook.family, must):
        hours = sum(hours for _, hours in visit)
        opens = any(case.opens for case, _ in visit)
        need = np.array([hours, hours if opens else 0.0, 1.0 if opens else 0.0])
        fits = (room - used >= need - 1e-9).all(axis=1)
        if opens:
            fits &= np.array([one.first >= parts_there for one in weeks])
        at = int(fits.argmax()) if fits.any() else -1
        if at >= 0:
            used[at] += need
        if not 0 <= at < len(outlook.periods):
            why = (
                f"no room: first possible week {weeks[at].label}"
                if at >= 0
                else f"no week holds it: {too_small(need[None], room)}"
            )
            late += [{"case": case, "hours": own, "why": why} for case, own in visit]
            continue
        rows += [_row(candidates, kind, case, own, weeks[at], len(visit)) for case, own in visit]
        for job, done in _beside(candidates, offers, visit, weeks[at], at) if opens else []:
            added = sum(row["labour_hours"] for row in done)
            if (used[at, :2] + added > room[at, :2] + 1e-9).any():
                continue
            used[at, :2] += added
            rows += done
            jobs.append(job)
    return OpenWork(rows, late, used[: len(outlook.periods)], tuple(jobs))


def _visits(
    cases: Sequence[Suspect], family: FaultFamily, must: Sequence[str]
) -> list[tuple[str, list[tuple[Suspect, float]]]]:
    """Cases by machine with their hours: open work first, then repairs in doubt, the dearest to wait first."""
    look = min((step.labour_hours for step in family.steps if step.kind != "cure"), default=1.0)
    found = []
    for kind in (OPEN, DOUBTFUL):
        mine: dict[str, list[tuple[Suspect, float]]] = {}
        for case in cases:
            if kind == OPEN and case.state == "open":
                mine.setdefault(case.machine_id, []).append((case, case.labour_hours or 0.0))
            elif kind == DOUBTFUL and case.state == "watch" and case.repaired:
                mine.setdefault(case.machine_id, []).append((case, look))
        waiting = {name: sum(case.waiting_per_day for case, _ in visit) for name, visit in mine.items()}
        order = sorted(mine, key=lambda name: (name not in must, -waiting[name], name))
        found += [(kind, mine[name]) for name in order]
    return found


def _row(
    candidates: Candidates, kind: str, case: Suspect, hours: float, week: Period, together: int
) -> dict[str, Any]:
    family = candidates.outlook.family
    return {
        "week": week.label,
        "monday": week.first,
        "machine_id": case.machine_id,
        "side": case.side,
        "action": case.next_step,
        "component": family.cause(case.top_cause).component,
        "labour_hours": hours,
        "cost": case.expected_cost if kind == OPEN else hours * candidates.labour_rate,
        "saving": 0.0,
        "chance_without": case.standing,
        "reason": kind,
        "together": together,
        "site": case.site,
        "age_hours": case.age_hours,
        "waiting_per_day": case.waiting_per_day,
    }


def _beside(
    candidates: Candidates,
    offers: Offers,
    visit: list[tuple[Suspect, float]],
    week: Period,
    at: int,
) -> list[tuple[BesideJob, list[dict[str, Any]]]]:
    """Sound parts of the machine that are worth doing while it is open, at the price of the second side.

    Of another part than the one it is opened for, at the price of the work behind the opening that they share.
    """
    machine, family = visit[0][0].machine_id, candidates.outlook.family
    opened_for = {family.cause(case.top_cause).component for case, _ in visit if case.opens}
    shared = {opening.name: opening.labour_hours for opening in family.openings}
    rows = candidates.rows.with_row_index("row").filter(
        pl.col("machine_id") == machine,
        pl.col("beside_work"),
        (pl.col("twin") < 0) | (pl.col("row") < pl.col("twin")),
    )
    numbered = candidates.rows.rows(named=True) if rows.height else []
    found = []
    for row in rows.iter_rows(named=True):
        cost = candidates.costs[row["component"]]
        if cost.step.opening not in shared:
            continue
        together = (row["row"], row["twin"]) if row["twin"] >= 0 else (row["row"],)
        first = (
            cost.second_hours
            if row["component"] in opened_for
            else max(cost.planned_hours - shared[cost.step.opening], 0.0)
        )
        hours = (first, cost.second_hours)[: len(together)]
        a_day = candidates.day_rate[row["row"]] * offers.out_share[row["machine_no"], at]
        prices = [cost.added(one, a_day) for one in hours]
        job = BesideJob(together, at, float(sum(prices)))
        saving = job.saving(candidates.worth)
        if saving <= 0:
            continue
        done = [
            {
                "week": week.label,
                "monday": week.first,
                "machine_id": machine,
                "side": numbered[one]["side"],
                "action": f"{cost.step.action} {cost.step.component}",
                "component": row["component"],
                "labour_hours": own,
                "cost": float(price),
                "saving": saving / len(together),
                "chance_without": numbered[one]["chance_without"],
                "reason": BESIDE,
                "together": len(visit) + len(together),
                "site": row["site"],
                "age_hours": numbered[one]["age_hours"],
                "waiting_per_day": 0.0,
            }
            for one, own, price in zip(together, hours, prices, strict=True)
        ]
        found.append((job, done))
    return found
