"""Every visit that could be made: which parts of a machine together, in which week, for how much."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta
from itertools import combinations
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

from fleetlog.errors import UsageError
from fleetlog.planning.job_costs import JobCosts, out_shares
from fleetlog.planning.plan_candidates import Candidates, Worth
from fleetlog.planning.whereabouts import rentals_ahead
from fleetlog.session.fleet import Fleet
from fleetlog.stats.arrays import Floats, Ints

#: A machine that is out on rent for more days of a week than this is not in the shop that week.
_MOST_DAYS_OUT = 3
#: So many places of one machine are weighed together; with more, the likeliest to fail.
_MOST_TOGETHER = 4


@dataclass(frozen=True)
class ShopLimits:
    """What a week of the shop holds.

    Attributes:
        hours: labour hours for planned jobs.
        pump_hours: labour hours of mechanics who can open a pump.
        engine_out_jobs: jobs with the engine out.
        closed: ISO weeks without any.
        lead_days: days until parts are there.
    """

    hours: float
    pump_hours: float
    engine_out_jobs: float
    closed: tuple[str, ...]
    lead_days: int

    @staticmethod
    def of(fleet: Fleet, shop_hours: float | None) -> ShopLimits:
        """As the settings say, with other weekly hours where given.

        Raises:
            UsageError: for negative hours.
        """
        shop = fleet.settings.shop
        if shop_hours is not None and not 0 <= shop_hours < float("inf"):
            raise UsageError(f"The shop's weekly hours cannot be {shop_hours:g}; give 0 or more, e.g. 40.")
        return ShopLimits(
            hours=shop.weekly_hours if shop_hours is None else shop_hours,
            pump_hours=shop.pump_mechanics * shop.mechanic_hours,
            engine_out_jobs=float(shop.engine_out_jobs),
            closed=shop.closed_weeks,
            lead_days=shop.parts_lead_days,
        )


def too_small(use: Floats, caps: Floats) -> str:
    """Which limit none of these jobs fits in.

    Args:
        use: labour hours, hours of pump mechanics and jobs with the engine out, shape (jobs, 3).
        caps: the same by week, shape (weeks, 3).
    """
    least, most = use.min(axis=0), caps.max(axis=0)
    if most[2] < least[2]:
        return "shop.engine_out_jobs allows none of the jobs"
    if most[1] < least[1] - 1e-9:
        return f"shop.pump_mechanics gives {most[1]:g} h a week and the shortest job takes {least[1]:.4g} h of theirs"
    return f"the shop has {most[0]:g} h a week and the shortest job takes {least[0]:.4g} h"


@dataclass(frozen=True, eq=False)
class Offers:
    """Every visit that could be made.

    Attributes:
        machine, week: of each visit; machines by the outlook's numbers.
        use: labour hours, hours of pump mechanics, jobs with the engine out, shape (n, 3).
        worth: money saved against waiting.
        cost: money of the visit itself.
        members: rows of the candidates done in it, -1 beyond the last, shape (n, together).
        hours: labour hours of each member, same shape.
        share: of the visit's worth that each member brings, same shape.
        away: machine number -> why it cannot come in any week ("" where it can).
        out_share, already_out: chance that a machine would be out, and whether its engine is out for another job, by
            machine and week.
    """

    machine: Ints
    week: Ints
    use: Floats
    worth: Floats
    cost: Floats
    members: Ints
    hours: Floats
    share: Floats
    away: Mapping[int, str]
    out_share: Floats
    already_out: npt.NDArray[np.bool_]


def offer(fleet: Fleet, candidates: Candidates, limits: ShopLimits, engine_out: Mapping[str, str]) -> Offers:
    """Every visit worth making: which candidates of a machine together, in which week it can be there."""
    outlook = candidates.outlook
    weeks = outlook.periods
    open_week, away = _open_weeks(fleet, candidates, limits)
    out_share = _out_share_by_week(fleet, candidates)
    already_out = _already_out(fleet, candidates, engine_out)
    pieces: list[tuple[Any, ...]] = []
    for units in _groups(candidates):
        for size in range(1, units.shape[1] + 1):
            for subset in combinations(range(units.shape[1]), size):
                pieces.append(
                    visits_of(candidates, candidates.worth, units[:, list(subset)], out_share, already_out)
                )
    if not pieces:
        empty = np.zeros((0, _MOST_TOGETHER))
        none = np.zeros(0, dtype=np.int64)
        return Offers(
            none,
            none,
            np.zeros((0, 3)),
            np.zeros(0),
            np.zeros(0),
            empty.astype(np.int64),
            empty,
            empty,
            away,
            out_share,
            already_out,
        )
    machine, week, use, worth, cost, rows, hours, share = (
        np.concatenate([piece[i] for piece in pieces]) for i in range(8)
    )
    feasible = (worth > 0) & open_week[machine, week]
    assert len(weeks) == open_week.shape[1]
    return Offers(
        machine[feasible],
        week[feasible],
        use[feasible],
        worth[feasible],
        cost[feasible],
        rows[feasible],
        hours[feasible],
        share[feasible],
        away,
        out_share,
        already_out,
    )


def _groups(candidates: Candidates) -> list[Ints]:
    """Jobs by machine, a part and its twin being one: rows of candidates, shape (machines, units, 2), -1 = no twin.

    Machines with the same kinds of jobs stand together.
    """
    urgent = pl.col("chance_without")
    together = (
        candidates.rows.with_row_index("row")
        .filter(~pl.col("beside_work"), (pl.col("twin") < 0) | (pl.col("row") < pl.col("twin")))
        .sort(["machine_no", urgent, "component", "side"], descending=[False, True, False, False])
        .group_by("machine_no", maintain_order=True)
        .head(_MOST_TOGETHER // 2)
        .sort("machine_no", "component", "side")
        .with_columns(
            kind=pl.concat_str("component", (pl.col("twin") >= 0).cast(pl.String), separator="\x1e")
        )
        .group_by("machine_no", maintain_order=True)
        .agg("row", "twin", kinds=pl.col("kind").str.join("\x1f"))
    )
    groups = []
    for kind in together["kinds"].unique(maintain_order=True):
        mine = together.filter(pl.col("kinds") == kind)
        groups.append(
            np.stack(
                [np.array(mine[column].to_list(), dtype=np.int64) for column in ("row", "twin")], axis=-1
            )
        )
    return groups


def visits_of(
    candidates: Candidates,
    worth: Worth,
    units: Ints,
    out_share: Floats,
    already_out: npt.NDArray[np.bool_],
) -> tuple[Any, ...]:
    """One visit a machine and week for these units: what it takes, costs and saves.

    Args:
        worth: of all candidates, by the laws to reckon with.
        units: rows of candidates, shape (machines, units, 2), -1 = no twin; all machines have the same kinds.
        out_share, already_out: by machine and week.
    """
    component = candidates.rows["component"].to_numpy()
    costs = [
        candidates.costs[str(component[units[0, u, 0]])]
        for u in range(units.shape[1])
        for member in units[0, u]
        if member >= 0
    ]
    members = units.reshape(len(units), -1)
    members = members[:, members[0] >= 0]
    machines = candidates.rows["machine_no"].to_numpy()[members[:, 0]].astype(np.int64)
    weeks = worth.value.shape[1]
    hours = _hours_together(costs)
    opens = any(cost.step.opens_pump for cost in costs)
    alone = max(costs, key=lambda cost: cost.planned_hours)
    rate = candidates.day_rate[members[:, 0]][:, None]

    def price(chosen: Sequence[JobCosts], saved: Any = 0.0) -> Any:
        """Money of these jobs in one visit."""
        longest = max(chosen, key=lambda cost: cost.planned_hours)
        total = float(sum(_hours_together(chosen))) - saved
        days = longest.planned_days * (total / longest.planned_hours if longest.planned_hours > 0 else 1.0)
        parts = sum(cost.planned_parts for cost in chosen)
        return total * longest.labour_rate + parts + days * rate * out_share[machines]

    saved = np.where(already_out[machines], min(alone.engine_out_hours, float(sum(hours))), 0.0)
    total_hours = float(sum(hours)) - saved
    whole = price(costs, saved)
    alive, value, single = [], [], []
    for u in range(units.shape[1]):
        one, two = units[:, u, 0], units[:, u, 1]
        twinned = bool(two[0] >= 0)
        alive.append(worth.alive[one] * (worth.alive[two] if twinned else 1.0))
        value.append(worth.value[one])
        cost = candidates.costs[str(component[one[0]])]
        single.append(price([cost, cost] if twinned else [cost]))
    all_alive = np.prod(alive, axis=0)
    # a part that has failed by then was opened then; what is left of the visit costs its jobs one by one
    expected_cost = all_alive * whole + sum(
        np.maximum(runs - all_alive, 0.0) * one for runs, one in zip(alive, single, strict=True)
    )
    gain = np.stack(alive) * np.stack(value)
    there = worth.there[members].max(axis=1)
    saving = there * (gain.sum(axis=0) - expected_cost)
    width = _MOST_TOGETHER
    shape = (machines.size, weeks)
    of_unit = np.maximum(gain, 1e-9) / np.maximum(gain, 1e-9).sum(axis=0)
    sizes = [int((units[0, u] >= 0).sum()) for u in range(units.shape[1])]
    share = np.concatenate([np.repeat(of_unit[u : u + 1] / n, n, axis=0) for u, n in enumerate(sizes)])
    use = np.stack(
        (
            np.broadcast_to(total_hours, shape),
            np.broadcast_to(total_hours if opens else 0.0, shape),
            np.full(shape, 1.0 if opens else 0.0),
        ),
        axis=-1,
    )
    padded = np.full((machines.size, width), -1, dtype=np.int64)
    padded[:, : members.shape[1]] = members
    member_hours = np.zeros((machines.size, weeks, width))
    scale = total_hours / max(float(sum(hours)), 1e-9)
    for i, one_hours in enumerate(hours):
        member_hours[:, :, i] = one_hours * scale
    member_share = np.zeros((machines.size, weeks, width))
    member_share[:, :, : len(costs)] = np.moveaxis(share, 0, -1)
    return (
        np.repeat(machines, weeks),
        np.tile(np.arange(weeks), machines.size),
        use.reshape(-1, 3),
        saving.reshape(-1),
        np.broadcast_to(whole, shape).reshape(-1),
        np.repeat(padded, weeks, axis=0),
        member_hours.reshape(-1, width),
        member_share.reshape(-1, width),
    )


def _hours_together(costs: Sequence[JobCosts]) -> list[float]:
    """Labour hours of each job of a visit: the longest in full, the others with the machine open for it."""
    first = max(range(len(costs)), key=lambda i: costs[i].planned_hours)
    hours = []
    for i, cost in enumerate(costs):
        if i == first:
            hours.append(cost.planned_hours)
        elif cost.step.name == costs[first].step.name:
            hours.append(cost.second_hours)
        elif cost.step.opens_pump and costs[first].step.opens_pump:
            hours.append(max(cost.planned_hours - cost.engine_out_hours, 0.0))
        else:
            hours.append(cost.planned_hours)
    return hours


def _open_weeks(
    fleet: Fleet, candidates: Candidates, limits: ShopLimits
) -> tuple[npt.NDArray[np.bool_], dict[int, str]]:
    """Which machine can be in the shop in which week, and why a machine cannot be at all."""
    outlook = candidates.outlook
    history = outlook.history
    weeks = outlook.periods
    begin = history.as_of + timedelta(days=limits.lead_days)
    shop = np.array([week.first >= begin and week.label not in limits.closed for week in weeks])
    out = np.zeros((len(outlook.machines), len(weeks)))
    booked = rentals_ahead(fleet, history)
    number = {machine: i for i, machine in enumerate(outlook.machines)}
    wanted = set(candidates.rows["machine_id"])
    mine = booked.filter(pl.col("machine_id").is_in(list(wanted)))
    for machine, first, last in mine.select("machine_id", "first", "last").iter_rows():
        for w, week in enumerate(weeks):
            days = (min(week.after, last) - max(week.first, first)).days
            out[number[machine], w] += max(days, 0)
    away = {}
    for machine in wanted:
        row = number[machine]
        if not shop.any():
            away[row] = "no week is open: the lead time of parts or closed weeks cover them all"
        elif not (shop & (out[row] <= _MOST_DAYS_OUT)).any():
            away[row] = "out on rent in every open week"
    return shop[None, :] & (out <= _MOST_DAYS_OUT), away


def _out_share_by_week(fleet: Fleet, candidates: Candidates) -> Floats:
    """Chance that a machine would be out, by machine and week, from the season of its site."""
    outlook = candidates.outlook
    shares = out_shares(fleet, outlook.history)
    if shares.is_empty():
        return np.ones((len(outlook.machines), len(outlook.periods)))
    table = np.ones((len(outlook.site_names), 12))
    for site, month, share in shares.iter_rows():
        table[outlook.site_names.index(site), month - 1] = share
    months = np.array([(week.first + timedelta(days=3)).month - 1 for week in outlook.periods])
    result: Floats = table[outlook.use.table.site][:, months]
    return result


def _already_out(
    fleet: Fleet, candidates: Candidates, engine_out: Mapping[str, str]
) -> npt.NDArray[np.bool_]:
    """Machines and weeks in which the engine is out for another job, shape (machines, weeks)."""
    outlook = candidates.outlook
    labels = [week.label for week in outlook.periods]
    already = np.zeros((len(outlook.machines), len(labels)), dtype=bool)
    for machine, week in engine_out.items():
        if machine not in outlook.machines:
            raise UsageError(f"There is no machine {machine!r} on the list to be planned.")
        if week not in labels:
            raise UsageError(
                f"Machine {machine} cannot be open in {week!r}: the plan covers {labels[0]} to {labels[-1]}."
            )
        already[outlook.machines.index(machine), labels.index(week)] = True
    known = fleet.store.run("plan/engine_out_orders", as_of_end=outlook.history.as_of_end)
    for machine in known["machine_id"]:
        if machine in outlook.machines:
            already[outlook.machines.index(machine), 0] = True
    return already
