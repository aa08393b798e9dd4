"""The week's work: what is open first, then which parts to replace ahead, on which machines, in which week.

Every open case gets a week before anything else, by what its waiting costs; then doubtful repairs; hours for the
breakdowns to be expected are kept back. In what is left, every job ahead of failure is worth what it saves against
waiting until the part fails: the breakdown that may come, worked as it is advised, less the job itself, in the week
it would be done, for the machine's own age and use. The two sides of a machine are one opening, now and at the first
failure. The visits that together save most, within the week's labour hours, the mechanics and the bays, are found
exactly (see `stats.schedule`); how far from the best a plan may be is always stated.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from typing import Any, ClassVar

import numpy as np
import numpy.typing as npt
import polars as pl

from fleetlog.causes.suspects import SuspectsFinding
from fleetlog.errors import UsageError
from fleetlog.phrasing import plural
from fleetlog.planning.comparators import words_of
from fleetlog.planning.open_work import BESIDE, DOUBTFUL, OPEN, OpenWork, open_work
from fleetlog.planning.outlook import Outlook, Period
from fleetlog.planning.plan_candidates import Candidates, gather
from fleetlog.planning.plan_money import AVOIDED_YEARS, JobAhead, plan_money
from fleetlog.planning.plan_range import saving_range, units_of
from fleetlog.planning.plan_told import FULL, TOLD, parts_to_order, told_in_full
from fleetlog.planning.plan_visits import Offers, ShopLimits, offer, too_small
from fleetlog.planning.whereabouts import out_now, rentals_ahead
from fleetlog.session.finding import Finding
from fleetlog.session.fleet import Fleet
from fleetlog.session.randomness import DRAWS, SEED
from fleetlog.session.safety import Safety
from fleetlog.session.scope import WHOLE_FLEET, Scope
from fleetlog.stats.arrays import Floats
from fleetlog.stats.schedule import Schedule, Visits, best_schedule

MOST_WEEKS = 104
AHEAD = "ahead of failure"
_NO_ROOM = "no room in the shop"


@dataclass(frozen=True, repr=False)
class PlanFinding(Finding):
    """The plan.

    Attributes:
        frame: one row a machine, side and job, in order of time: week, monday, machine_id, side, action,
            component, labour_hours, part (to have ready, null if none), parts_cost (of that), cost, saving (of work
            ahead: the visit's, in the first of its rows and null in the others), chance_without (to fail within the
            plan's weeks if nothing is done; of a case, that its fault stands), chance_horizon (the same within
            `horizon_years`), reason ("open case", "doubtful repair", "while it is open" or "ahead of failure"),
            together (number of jobs in the visit), site, age_hours, waiting_per_day (what a day of waiting costs),
            on_rent_since (null: in the yard), due_back, due_back_is ("booked", or "expected": by the mean remaining
            length of rentals).
        weeks: week, monday, labour_hours, labour_hours_reserved (for breakdowns to be expected, as forecast),
            labour_hours_limit, pump_hours, pump_hours_limit, engine_out_jobs, engine_out_limit, visits.
        left_out: open work and candidates without a week: machine_id, side, component, age_hours, chance_without,
            labour_hours, best_saving, hour_worth (what an hour more in the shop would save on it: of open work a week
            of its waiting, by its hours; null where room is not what it lacks), why.
        parts: to order for the visits: part, quantity, order_by (the lead time before), needed_by (the visit's
            Monday), cost, machines; a row a part and Monday.
        changes: against the last plan: machine_id, side, was, now, change ("kept", "moved", "new",
            "dropped"); empty without one.
        saving, bound, gap: money saved by the work ahead of failure, over the machines' remaining time, the most any
            plan could save, and how far below it this one may be, as a share.
        saving_lower, saving_upper: 80% range of the saving over the draws of the laws of life.
        failures_avoided: expected within `horizon_years` of the visits.
        horizon_years: the horizon over which failures and money avoided are stated.
        hour_worth: what another mechanic-hour would save, by the best of the work that found no room.
        cost_open, cost_ahead: expected cost of the open work with a week, and of the jobs ahead and beside it.
        cost_avoided: breakdowns that these jobs avoid within `horizon_years`, those of the new parts taken off.
        payback_months: months from the as-of day until what is avoided exceeds their cost; None: not within ten years,
            or nothing is spent.
        payback: month, avoided (money until its end).
        against: what the saving is measured against, in words: the policy "wait" of the comparison of policies.
        method: "exact", "best found in time" or "greedy".
        safety: holds, cautions and the release check; holds come before any preventive work.
        figures: where the money comes from.
        currency: of the money.
    """

    question: ClassVar[str] = "plan"
    answers = (
        "weeks", "left_out", "parts", "changes", "saving", "saving_lower", "saving_upper", "failures_avoided",
        "hour_worth", "horizon_years", "cost_open", "cost_ahead", "cost_avoided", "payback_months", "payback",
        "against", "bound", "gap", "method", "figures", "currency",
    )  # fmt: skip

    as_of: date
    fault: str
    frame: pl.DataFrame
    weeks: pl.DataFrame
    left_out: pl.DataFrame
    parts: pl.DataFrame
    changes: pl.DataFrame
    saving: float
    saving_lower: float
    saving_upper: float
    failures_avoided: float
    horizon_years: int
    hour_worth: float
    cost_open: float
    cost_ahead: float
    cost_avoided: float
    payback_months: int | None
    payback: pl.DataFrame
    against: str
    bound: float
    gap: float
    method: str
    safety: Safety = field()
    figures: pl.DataFrame
    currency: str
    notes: tuple[str, ...] = ()

    @property
    def summary(self) -> pl.DataFrame:
        """The visits without what stands before and beneath the table."""
        return self.frame.drop("hold", "cautions", strict=False)


def plan(
    fleet: Fleet,
    scope: Scope = WHOLE_FLEET,
    *,
    weeks: int = 26,
    shop_hours: float | None = None,
    previous: pl.DataFrame | None = None,
    must: Sequence[str] = (),
    engine_out: Mapping[str, str] | None = None,
    gap: float = 0.001,
    seconds: float = 60.0,
    draws: int = DRAWS,
    seed: int = SEED,
    known: SuspectsFinding | None = None,
    outlook: Outlook | None = None,
) -> PlanFinding:
    """The plan of preventive jobs that saves most within the shop's limits.

    Args:
        weeks: how many ISO weeks; the first begins on the Monday after the as-of day.
        shop_hours: weekly labour hours, in place of the setting.
        previous: the last plan's rows (machine_id, side, week): a job moves only where that saves more than
            the setting shop.replan_penalty.
        must: machines that must have a visit.
        engine_out: machine -> ISO week in which its engine is out for another job.
        gap: share below the best at which the search may stop.
        seconds: time for the search; 0 takes the greedy plan.
        draws, seed: of the bootstrap that decides whether a hazard is known to rise.
        known, outlook: the suspects and an outlook of this scope, where they have been found already.

    Raises:
        UsageError: for impossible numbers, unknown machines, or machines that must be visited and cannot.

    Examples:
        >>> june.plan(weeks=8, draws=20).weeks.height
        8
    """
    check_weeks(weeks)
    if must:
        fleet.begin(replace(scope, machines=tuple(must)))
    candidates = gather(fleet, scope, weeks=weeks, draws=draws, seed=seed, known=known, outlook=outlook)
    limits = ShopLimits.of(fleet, shop_hours)
    offers = offer(fleet, candidates, limits, engine_out or {})
    return solve(fleet, candidates, offers, limits, previous=previous, must=must, gap=gap, seconds=seconds)


def check_weeks(weeks: int) -> None:
    """Refuses a number of weeks that makes no sense.

    Raises:
        UsageError: naming what is allowed.
    """
    if not 1 <= weeks <= MOST_WEEKS:
        raise UsageError(f"A plan reaches over 1 to {MOST_WEEKS} weeks, not {weeks}; change --weeks.")


def solve(
    fleet: Fleet,
    candidates: Candidates,
    offers: Offers,
    limits: ShopLimits,
    *,
    previous: pl.DataFrame | None = None,
    must: Sequence[str] = (),
    gap: float = 0.001,
    seconds: float = 60.0,
) -> PlanFinding:
    """The plan out of these offers within these limits."""
    outlook = candidates.outlook
    whole = _caps(outlook.periods, limits)
    first = open_work(candidates, offers, limits, whole, must)
    caps = np.maximum(whole - first.used, 0.0)
    caps[:, 0] = np.maximum(caps[:, 0] - candidates.reserved, 0.0)
    required = _required(outlook, candidates, _without_open_work(first, must))
    kept = _kept_jobs(candidates, offers, previous)
    bonus = np.where(kept, fleet.settings.shop.replan_penalty, 0.0)
    solution = best_schedule(
        Visits(offers.machine, offers.week, offers.use, offers.worth + bonus, required),
        caps,
        gap=gap,
        seconds=seconds,
    )
    if solution is None:
        raise UsageError(_unmet(outlook, candidates, offers, whole, required))
    ahead = _rows(outlook, candidates, offers, solution)
    beside = sum(row["saving"] for row in first.rows)
    saving = float(offers.worth[solution.chosen].sum()) + beside
    bound = solution.bound - float(bonus[solution.chosen].sum()) + beside
    rows = pl.concat([pl.DataFrame(first.rows, schema=_ROWS), ahead]).sort("week", maintain_order=True)
    left_out = pl.concat([_late(first), _left_out(candidates, offers, rows, whole)])
    known = candidates.known.safety
    proposing = not rows.is_empty() or bool(known.holds)
    safety = replace(known, cautions=outlook.family.cautions if proposing else ())
    lower, upper = saving_range(candidates, offers, solution, first)
    money = plan_money(
        candidates, _jobs(candidates, offers, solution, first), rows, open_kinds=(OPEN, DOUBTFUL)
    )
    told = told_in_full(candidates, rows, out_now(rentals_ahead(fleet, outlook.history)))
    return PlanFinding(
        as_of=outlook.history.as_of,
        fault=outlook.family.name,
        frame=safety.attach(told),
        parts=parts_to_order(told, outlook.history.as_of, limits.lead_days),
        weeks=_week_rows(outlook, offers, solution, first, candidates.reserved, whole),
        left_out=left_out,
        changes=_changes(rows, previous, outlook),
        saving=saving,
        saving_lower=lower,
        saving_upper=upper,
        failures_avoided=_avoided(candidates, rows.filter(pl.col("reason").is_in([AHEAD, BESIDE]))),
        horizon_years=AVOIDED_YEARS,
        hour_worth=float(left_out["hour_worth"].fill_null(0.0).max() or 0.0),  # type: ignore[arg-type]
        cost_open=money.cost_open,
        cost_ahead=money.cost_ahead,
        cost_avoided=money.cost_avoided,
        payback_months=money.payback_months,
        payback=money.payback,
        against=words_of("wait", outlook.family),
        bound=max(bound, saving),
        gap=max(bound - saving, 0.0) / saving if saving > 0 else 0.0,
        method=solution.method,
        safety=safety,
        figures=pl.DataFrame(
            [row for cost in candidates.costs.values() for row in cost.trace()], infer_schema_length=None
        ),
        currency=fleet.settings.fleet.currency,
        notes=_notes(
            fleet, candidates, offers, limits, whole, solution, ahead, (lower, saving, upper), left_out
        ),
    )


def _caps(weeks: Sequence[Period], limits: ShopLimits) -> Floats:
    week = np.array([limits.hours, limits.pump_hours, limits.engine_out_jobs])
    caps = np.tile(week, (len(weeks), 1))
    caps[[week.label in limits.closed for week in weeks]] = 0.0
    return caps


def _without_open_work(first: OpenWork, must: Sequence[str]) -> list[str]:
    """Of the machines that must come, those that do not come for open work already."""
    late = {one["case"].machine_id: one["why"] for one in first.late}
    for machine in must:
        if machine in late:
            raise UsageError(f"Machine {machine} cannot be planned: {late[machine]}.")
    coming = {row["machine_id"] for row in first.rows}
    return [machine for machine in must if machine not in coming]


def _required(outlook: Outlook, candidates: Candidates, must: Sequence[str]) -> tuple[int, ...]:
    numbers = []
    listed = set(candidates.rows["machine_id"])
    for machine in must:
        if machine not in outlook.machines:
            raise UsageError(f"There is no machine {machine!r} on the list.")
        if machine not in listed:
            raise UsageError(
                f"Machine {machine} has no part here that is worth replacing ahead; leave it out of --must."
            )
        numbers.append(outlook.machines.index(machine))
    return tuple(sorted(set(numbers)))


def _unmet(
    outlook: Outlook, candidates: Candidates, offers: Offers, caps: Floats, required: tuple[int, ...]
) -> str:
    """Why machines that must be visited cannot all be, in one sentence."""
    names = [outlook.machines[number] for number in required]
    for number, name in zip(required, names, strict=True):
        if offers.away.get(number):
            return f"Machine {name} cannot be planned: {offers.away[number]}."
        mine = offers.machine == number
        if not mine.any():
            return (
                f"Machine {name} cannot be planned: no job on it saves money in any week it is in the yard."
            )
        if not (offers.use[mine] <= caps[offers.week[mine]] + 1e-9).all(axis=1).any():
            return f"Machine {name} cannot be planned: {too_small(offers.use[mine], caps)}."
    return (
        f"The machines {', '.join(names)} cannot all be planned: with the open cases they need more than the shop "
        "has in the weeks they are in the yard; take one off the list or raise the shop's hours."
    )


def _kept_jobs(
    candidates: Candidates, offers: Offers, previous: pl.DataFrame | None
) -> npt.NDArray[np.bool_]:
    """Visits that stand in the last plan: the same machine, sides and week."""
    if previous is None or previous.is_empty() or not offers.machine.size:
        return np.zeros(offers.machine.size, dtype=bool)
    for column in ("machine_id", "side", "week"):
        if column not in previous.columns:
            raise UsageError(f"The last plan lacks the column {column}; give the rows of an earlier plan.")
    labels = [week.label for week in candidates.outlook.periods]
    side, ids = candidates.rows["side"].to_list(), candidates.rows["machine_id"].to_list()
    text = previous.select(
        pl.col("machine_id", "week").cast(pl.String), pl.col("side").cast(pl.String).fill_null("")
    )
    was = set(
        text.group_by("machine_id", "week", maintain_order=True)
        .agg(pl.col("side").unique().sort().str.join(","))
        .select(pl.concat_str("machine_id", "week", "side", separator="\x1f"))
        .to_series()
    )
    names = {}
    keys = []
    for members, week in zip(offers.members.tolist(), offers.week.tolist(), strict=True):
        group = tuple(member for member in members if member >= 0)
        if group not in names:
            names[group] = (ids[group[0]], ",".join(sorted({side[member] for member in group})))
        machine, sides = names[group]
        keys.append("\x1f".join((machine, labels[week], sides)) in was)
    return np.array(keys, dtype=bool)


def _rows(outlook: Outlook, candidates: Candidates, offers: Offers, solution: Schedule) -> pl.DataFrame:
    """One row a machine, side and job."""
    listed = []
    columns = candidates.rows.to_dict(as_series=False)
    for visit in solution.chosen.tolist():
        week = outlook.periods[int(offers.week[visit])]
        members = [member for member in offers.members[visit].tolist() if member >= 0]
        for i, member in enumerate(members):
            component = columns["component"][member]
            step = candidates.costs[component].step
            hours = float(offers.hours[visit, i])
            listed.append(
                {
                    "week": week.label,
                    "monday": week.first,
                    "machine_id": columns["machine_id"][member],
                    "side": columns["side"][member],
                    "action": f"{step.action} {step.component}",
                    "component": component,
                    "labour_hours": hours,
                    "cost": float(offers.cost[visit]) * hours / max(float(offers.hours[visit].sum()), 1e-9),
                    "saving": float(offers.worth[visit] * offers.share[visit, i]),
                    "chance_without": columns["chance_without"][member],
                    "reason": AHEAD,
                    "together": len(members),
                    "site": columns["site"][member],
                    "age_hours": columns["age_hours"][member],
                    "waiting_per_day": 0.0,
                }
            )
    return pl.DataFrame(listed, schema=_ROWS).sort("week", "machine_id", "component", "side")


def _jobs(candidates: Candidates, offers: Offers, solution: Schedule, first: OpenWork) -> list[JobAhead]:
    """All that is done of the candidates: ahead of failure and beside open work."""
    ahead = [
        JobAhead(tuple(row for row in pair if row >= 0), week)
        for week, visit in zip(
            offers.week[solution.chosen].tolist(), units_of(candidates, offers, solution), strict=True
        )
        for pair in visit
    ]
    return [*ahead, *(JobAhead(one.candidates, one.week) for one in first.beside)]


def _avoided(candidates: Candidates, ahead: pl.DataFrame) -> float:
    """Failures that the jobs ahead and beside open work avoid within three years, the new parts' own taken off."""
    if ahead.is_empty():
        return 0.0
    outlook = candidates.outlook
    rows = candidates.rows.join(ahead, on=["machine_id", "side", "component"], how="semi")
    run = AVOIDED_YEARS * 365.25 * outlook.use.level[rows["machine_no"].to_numpy()]
    age = rows["age_hours"].to_numpy()
    total = 0.0
    for number, component in rows.select("model_no", "component").unique(maintain_order=True).iter_rows():
        mine = (rows["model_no"] == number).to_numpy()
        law = outlook.models[number].law
        fresh = outlook.family.fresh_variant(component)
        new = next(one for one in outlook.models if (one.component, one.variant) == (component, fresh)).law
        old_fails = -np.expm1(law.cumulative(age[mine]) - law.cumulative(age[mine] + run[mine]))
        new_fails = -np.expm1(-new.cumulative(run[mine]))
        total += float((old_fails - new_fails).sum())
    return total


def _late(first: OpenWork) -> pl.DataFrame:
    """Open work without a week: nothing open is left out without a line of its own."""
    return pl.DataFrame(
        [
            {
                "machine_id": one["case"].machine_id,
                "side": one["case"].side,
                "component": one["case"].top_cause,
                "age_hours": one["case"].age_hours,
                "chance_without": one["case"].standing,
                "labour_hours": one["hours"],
                "best_saving": 0.0,
                "hour_worth": 7.0 * one["case"].waiting_per_day / one["hours"] if one["hours"] > 0 else None,
                "why": one["why"],
            }
            for one in first.late
        ],
        schema=_LEFT_OUT,
    )


def _week_rows(
    outlook: Outlook,
    offers: Offers,
    solution: Schedule,
    first: OpenWork,
    reserved: Floats,
    caps: Floats,
) -> pl.DataFrame:
    used = first.used.copy()
    visits = np.zeros(caps.shape[0], dtype=np.int64)
    np.add.at(used, offers.week[solution.chosen], offers.use[solution.chosen])
    np.add.at(visits, offers.week[solution.chosen], 1)
    labels = [week.label for week in outlook.periods]
    for week, _ in dict.fromkeys((row["week"], row["machine_id"]) for row in first.rows):
        visits[labels.index(week)] += 1
    return pl.DataFrame(
        {
            "week": [week.label for week in outlook.periods],
            "monday": [week.first for week in outlook.periods],
            "labour_hours": used[:, 0],
            "labour_hours_reserved": reserved,
            "labour_hours_limit": caps[:, 0],
            "pump_hours": used[:, 1],
            "pump_hours_limit": caps[:, 1],
            "engine_out_jobs": used[:, 2],
            "engine_out_limit": caps[:, 2],
            "visits": visits,
        }
    )


def _left_out(candidates: Candidates, offers: Offers, rows: pl.DataFrame, caps: Floats) -> pl.DataFrame:
    """Candidates that got no week, with the reason."""
    best, rate, hours = (np.zeros(len(candidates.rows)) for _ in range(3))
    fits = np.zeros(len(candidates.rows), dtype=bool)
    room = np.asarray((offers.use <= caps[offers.week] + 1e-9).all(axis=1))
    for i in range(offers.members.shape[1]):
        member = offers.members[:, i]
        there = member >= 0
        np.maximum.at(best, member[there], offers.worth[there] * offers.share[there, i])
        np.maximum.at(hours, member[there], offers.hours[there, i])
        fitting = there & room
        np.maximum.at(rate, member[fitting], offers.worth[fitting] / offers.use[fitting, 0])
        fits[member[fitting]] = True
    machine_no = candidates.rows["machine_no"].to_numpy()
    why = [
        offers.away.get(int(machine_no[row]))
        or (_NO_ROOM if fits[row] else "no job fits a week" if value > 0 else "saves nothing in these weeks")
        for row, value in enumerate(best.tolist())
    ]
    return (
        candidates.rows.select(
            "machine_id", "side", "component", "age_hours", "chance_without", "beside_work"
        )
        .with_columns(
            pl.Series("best_saving", best, dtype=pl.Float64),
            pl.Series("labour_hours", hours, dtype=pl.Float64),
            pl.Series("hour_worth", rate, dtype=pl.Float64),
            pl.Series("why", why, dtype=pl.String),
        )
        .with_columns(hour_worth=pl.when(pl.col("why") == _NO_ROOM).then("hour_worth"))
        .filter(~pl.col("beside_work"))
        .join(rows, on=["machine_id", "side", "component"], how="anti")
        .sort(["best_saving", "machine_id", "side"], descending=[True, False, False])
        .select(list(_LEFT_OUT))
    )


def _changes(rows: pl.DataFrame, previous: pl.DataFrame | None, outlook: Outlook) -> pl.DataFrame:
    """What a new plan changes, job by job; jobs of weeks gone by are no change."""
    schema = {
        "machine_id": pl.String,
        "side": pl.String,
        "was": pl.String,
        "now": pl.String,
        "change": pl.String,
    }
    if previous is None or previous.is_empty():
        return pl.DataFrame(schema=schema)
    first = outlook.periods[0].label
    was = previous.select(
        pl.col("machine_id").cast(pl.String), pl.col("side").cast(pl.String).fill_null(""), was=pl.col("week")
    ).filter(pl.col("was") >= first)
    both = was.join(
        rows.select("machine_id", "side", now="week"), on=["machine_id", "side"], how="full", coalesce=True
    )
    change = (
        pl.when(pl.col("was").is_null())
        .then(pl.lit("new"))
        .when(pl.col("now").is_null())
        .then(pl.lit("dropped"))
        .when(pl.col("was") == pl.col("now"))
        .then(pl.lit("kept"))
        .otherwise(pl.lit("moved"))
    )
    return both.with_columns(change=change).select(list(schema)).sort("machine_id", "side")


def _notes(
    fleet: Fleet,
    candidates: Candidates,
    offers: Offers,
    limits: ShopLimits,
    caps: Floats,
    solution: Schedule,
    rows: pl.DataFrame,
    saved: tuple[float, float, float],
    left_out: pl.DataFrame,
) -> tuple[str, ...]:
    notes = [_result_note(fleet, candidates, offers, solution, rows, saved)]
    fits = (offers.use <= caps[offers.week] + 1e-9).all(axis=1) if offers.machine.size else np.zeros(0, bool)
    if limits.hours <= 0:
        notes.append("The shop has no hours (shop.weekly_hours is 0): no work gets a week.")
    elif offers.machine.size and not fits.any():
        notes.append(f"No job fits: {too_small(offers.use, caps)}; raise that setting.")
    opened = [week.label for week in candidates.outlook.periods if week.label not in limits.closed]
    begin = candidates.outlook.history.as_of + timedelta(days=limits.lead_days)
    if candidates.outlook.periods[-1].first < begin:
        notes.append(
            f"Parts take {limits.lead_days} days (shop.parts_lead_days), longer than the plan: "
            "no job can begin."
        )
    elif not opened:
        notes.append("Every week of the plan is closed (shop.closed_weeks).")
    notes.append(
        f"Savings are expected money against the policy: {words_of('wait', candidates.outlook.family)}; over the "
        "machine's remaining time. A job's worth falls when the machine would be out, so slack weeks are preferred."
    )
    notes.append(_hour_note(fleet, left_out))
    for (component, variant), why in candidates.why_not.items():
        kind = component.replace("_", " ")
        design = "" if variant == "unknown" else f" ({variant})"
        notes.append(f"The {kind}{design} is not planned ahead: {why}.")
    notes.append(
        "Open cases come first, by what a day of waiting costs; hours for the breakdowns to be expected are kept back, "
        "as the forecast has them."
    )
    return (*notes, *candidates.outlook.notes)


def _hour_note(fleet: Fleet, left_out: pl.DataFrame) -> str:
    """What another mechanic-hour is worth, in a sentence."""
    worth = float(left_out["hour_worth"].fill_null(0.0).max() or 0.0)  # type: ignore[arg-type]
    if worth <= 0:
        return "Another mechanic-hour would save nothing: no work lacks room."
    waiting = left_out.filter(pl.col("hour_worth") > 0).height
    currency = fleet.settings.fleet.currency
    return f"Another mechanic-hour is worth up to {currency} {worth:,.0f}; {plural(waiting, 'job')} without room."


def _result_note(
    fleet: Fleet,
    candidates: Candidates,
    offers: Offers,
    solution: Schedule,
    rows: pl.DataFrame,
    saved: tuple[float, float, float],
) -> str:
    if rows.is_empty() and not offers.machine.size:
        return "No sound part is worth replacing ahead in these weeks: wait, and follow the advice when a fault comes."
    currency = fleet.settings.fleet.currency
    lower, saving, upper = saved
    more = f"may save up to {solution.gap:.2%} more"
    how = {
        "exact": "proven the best within these limits"
        if solution.gap < 5e-5
        else f"no plan within these limits saves over {solution.gap:.2%} more",
        "best found in time": f"time ran out: another plan {more}",
        "greedy": f"a quick plan, not the best: another {more}",
    }[solution.method]
    of = candidates.rows.filter(~pl.col("beside_work")).height
    return (
        f"{rows.height} of {of} jobs ahead of failure get a week; with the parts done while a machine is open for its "
        f"case they save {currency} {saving:,.0f}, 80% range {lower:,.0f} to {upper:,.0f} ({how})."
    )


#: A plan's rows before all that can be told of them.
_ROWS = {name: kind for name, kind in FULL.items() if name not in TOLD}
_LEFT_OUT: dict[str, Any] = {
    "machine_id": pl.String,
    "side": pl.String,
    "component": pl.String,
    "age_hours": pl.Float64,
    "chance_without": pl.Float64,
    "labour_hours": pl.Float64,
    "best_saving": pl.Float64,
    "hour_worth": pl.Float64,
    "why": pl.String,
}
