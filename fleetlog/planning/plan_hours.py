"""What would more hours in the shop save? Plans for several weekly hours side by side."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, ClassVar

import polars as pl

from fleetlog.planning.plan import PlanFinding, check_weeks, solve
from fleetlog.planning.plan_candidates import gather
from fleetlog.planning.plan_visits import ShopLimits, offer
from fleetlog.session.finding import Finding
from fleetlog.session.fleet import Fleet
from fleetlog.session.randomness import DRAWS, SEED
from fleetlog.session.scope import WHOLE_FLEET, Scope


@dataclass(frozen=True, repr=False)
class ShopHoursFinding(Finding):
    """Plans for several weekly hours side by side.

    Attributes:
        frame: shop_hours, jobs, visits, labour_hours, saving, gap, method, saving_per_extra_hour (against
            the row before, an hour a week more; null in the first).
        plans: the plans, in the same order.
    """

    question: ClassVar[str] = "shop-hours"
    answers = ("currency",)

    as_of: date
    fault: str
    frame: pl.DataFrame
    plans: tuple[PlanFinding, ...]
    currency: str
    notes: tuple[str, ...] = ()


def compare_shop_hours(
    fleet: Fleet,
    scope: Scope = WHOLE_FLEET,
    *,
    shop_hours: Sequence[float] = (),
    weeks: int = 26,
    gap: float = 0.001,
    seconds: float = 60.0,
    draws: int = DRAWS,
    seed: int = SEED,
) -> ShopHoursFinding:
    """What a plan saves with each of several weekly labour hours.

    Args:
        shop_hours: weekly hours to compare; sorted, each once; none: the settings' own, half and half as many
            again.
        scope, weeks, gap, seconds, draws, seed: as for `plan`; `seconds` for each plan.

    Raises:
        UsageError: as for `plan`.

    Examples:
        >>> june.shop_hours(shop_hours=(40.0, 80.0), weeks=8, draws=20).frame["shop_hours"].to_list()
        [40.0, 80.0]
    """
    usual = fleet.settings.shop.weekly_hours
    wanted = sorted(set(shop_hours or (usual / 2, usual, usual * 1.5)))
    check_weeks(weeks)
    candidates = gather(fleet, scope, weeks=weeks, draws=draws, seed=seed)
    plans = []
    for hours in wanted:
        limits = ShopLimits.of(fleet, hours)
        offers = offer(fleet, candidates, limits, {})
        plans.append(solve(fleet, candidates, offers, limits, gap=gap, seconds=seconds))
    rows: list[dict[str, Any]] = []
    for hours, one in zip(wanted, plans, strict=True):
        before = rows[-1] if rows else None
        rows.append(
            {
                "shop_hours": float(hours),
                "jobs": one.frame.height,
                "visits": int(one.weeks["visits"].sum()),
                "labour_hours": float(one.frame["labour_hours"].sum()),
                "saving": one.saving,
                "gap": one.gap,
                "method": one.method,
                "saving_per_extra_hour": (one.saving - before["saving"]) / (hours - before["shop_hours"])
                if before
                else None,
            }
        )
    return ShopHoursFinding(
        as_of=plans[0].as_of,
        fault=plans[0].fault,
        frame=pl.DataFrame(rows, infer_schema_length=None),
        plans=tuple(plans),
        currency=plans[0].currency,
        notes=(
            f"Mechanics and bays stay as [shop] of the settings says; where they bind, more hours save nothing. "
            f"Each plan covers {weeks} weeks.",
        ),
    )
