"""How good were the forecasts? The same forecast as of past days, against what came.

Every forecast is made from a history as it would have been on that day; what came is taken from the history
as it is known now. The range that is to hold 80% holds more where counts are small, because a range of whole
counts cannot hold 80% exactly: the chance each range really had is shown beside it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

import polars as pl

from fleetlog.errors import UsageError
from fleetlog.findings.base import WHOLE_FLEET, Scope, header
from fleetlog.findings.fleet import Fleet, selection
from fleetlog.findings.forecast import INNER, OUTER, followed_counts
from fleetlog.findings.outlook import SEED, look_ahead
from fleetlog.stats.counts import CountDistribution
from fleetlog.stats.proportions import wilson

if TYPE_CHECKING:
    import altair as alt

#: Of no use before the records cover so many months: no season, no lives.
_SETTLED_MONTHS = 18


@dataclass(frozen=True)
class ForecastCheck:
    """Past forecasts against what came.

    Attributes:
        frame: one row a day asked and component ("all" = together): asked, until, component, expected,
            lower_80, upper_80, lower, upper, came, held (within the 80% range), chance_80 (what that range
            had by the forecast itself).
        summary: one row a component: forecasts, held, held_share with lower and upper (95%), chance_80
            (mean), held_95_share, expected, came.
        horizon_months: how far each forecast reached.
        seed, draws: of the bootstrap.
    """

    as_of: date
    fault: str
    horizon_months: int
    frame: pl.DataFrame
    summary: pl.DataFrame
    seed: int
    draws: int
    notes: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Rows by day asked and component, and the summary."""
        return header(
            self,
            self.frame.to_dicts(),
            summary=self.summary.to_dicts(),
            horizon_months=self.horizon_months,
            seed=self.seed,
            draws=self.draws,
        )

    def chart(self) -> alt.TopLevelMixin:
        """Ranges month by month, and what came."""
        from fleetlog.charts.planning import forecast_check_chart

        return forecast_check_chart(self)


def check_forecasts(
    fleet: Fleet,
    scope: Scope = WHOLE_FLEET,
    *,
    forecasts: int = 24,
    horizon_months: int = 1,
    draws: int = 100,
    seed: int = SEED,
) -> ForecastCheck:
    """Forecasts as of the ends of past months, against the failures that came.

    Args:
        fleet: whom to ask.
        scope: which part of the fleet; its as-of day is the last that may have come.
        forecasts: how many past month ends.
        horizon_months: how far each forecast reaches.
        draws, seed: of each bootstrap.

    Raises:
        UsageError: when the records are too short for any.
    """
    if horizon_months < 1 or forecasts < 1:
        raise UsageError("The number of forecasts and their horizon in months must be 1 at least.")
    now = fleet.history(scope.as_of)
    came = fleet.store.run("plan/failed_by_month", **selection(scope))
    asked = [day for day in _month_ends(now.as_of, horizon_months, forecasts) if day >= _settled(fleet)]
    if not asked:
        raise UsageError(
            f"The records are too short to check forecasts of {horizon_months} months: they must begin "
            f"{_SETTLED_MONTHS} months before the first."
        )
    rows: list[dict[str, Any]] = []
    for day in sorted(asked):
        then = Scope(scope.fault, day, scope.sites, scope.build_years, scope.machines)
        rows.extend(_one(fleet, then, came, horizon_months, draws, seed))
    # leaves the history as it was asked for
    fleet.history(scope.as_of)
    frame = pl.DataFrame(rows, infer_schema_length=None)
    return ForecastCheck(
        as_of=now.as_of,
        fault=scope.fault,
        horizon_months=horizon_months,
        frame=frame,
        summary=_summary(frame),
        seed=seed,
        draws=draws,
        notes=(
            f"Each forecast reaches {horizon_months} month{'s' if horizon_months > 1 else ''} ahead, begins "
            "where the one before ends, and knows only what had happened by its day; causes without a "
            "followed part are left out.",
            "A range of whole counts cannot hold exactly 80%: chance_80 says what it had by the forecast.",
        ),
    )


def _month_ends(last: date, horizon: int, most: int) -> Iterator[date]:
    """Ends of months, latest first and a horizon apart, whose whole horizon has passed by `last`."""
    first = (last + timedelta(days=1)).replace(day=1)
    for _ in range(horizon):
        first = (first - timedelta(days=1)).replace(day=1)
    for _ in range(most):
        yield first - timedelta(days=1)
        for _ in range(horizon):
            first = (first - timedelta(days=1)).replace(day=1)


def _settled(fleet: Fleet) -> date:
    begin = fleet.store.run("history/last_record")["first_at"][0]
    days: date = begin.date() + timedelta(days=round(_SETTLED_MONTHS * 30.44))
    return days


def _one(
    fleet: Fleet, then: Scope, came: pl.DataFrame, horizon: int, draws: int, seed: int
) -> list[dict[str, Any]]:
    outlook = look_ahead(fleet, then, months=horizon, draws=draws, seed=seed)
    watched = pl.DataFrame({"machine_id": outlook.machines}).filter(pl.Series(outlook.watched))
    first, after = outlook.periods[0].first, outlook.periods[-1].after
    months = range((first.year - 1970) * 12 + first.month - 1, (after.year - 1970) * 12 + after.month - 1)
    seen = came.filter(pl.col("month").is_in(list(months))).join(watched, on="machine_id", how="semi")
    counts = dict(seen.group_by("component").agg(pl.col("failures").sum()).iter_rows())
    distributions = followed_counts(outlook)
    rows = []
    for component, counted in distributions.items():
        happened = (
            sum(counts.get(name, 0) for name in distributions if name != "all")
            if component == "all"
            else counts.get(component, 0)
        )
        rows.append(_row(then.as_of, outlook.periods[-1].label, component, counted, int(happened)))
    return rows


def _row(
    asked: date | None, until: str, component: str, counted: CountDistribution, came: int
) -> dict[str, Any]:
    lower_80, upper_80 = counted.interval(INNER)
    lower, upper = counted.interval(OUTER)
    return {
        "asked": asked,
        "until": until,
        "component": component,
        "expected": counted.mean,
        "lower_80": lower_80,
        "upper_80": upper_80,
        "lower": lower,
        "upper": upper,
        "came": came,
        "held": lower_80 <= came <= upper_80,
        "held_95": lower <= came <= upper,
        "chance_80": counted.mass(lower_80, upper_80),
    }


def _summary(frame: pl.DataFrame) -> pl.DataFrame:
    rows = []
    for component in frame["component"].unique(maintain_order=True):
        mine = frame.filter(pl.col("component") == component)
        held = int(mine["held"].sum())
        low, high = wilson(held, mine.height)
        rows.append(
            {
                "component": component,
                "forecasts": mine.height,
                "held": held,
                "held_share": held / mine.height,
                "lower": low,
                "upper": high,
                "chance_80": float(mine["chance_80"].to_numpy().mean()),
                "held_95_share": int(mine["held_95"].sum()) / mine.height,
                "expected": float(mine["expected"].sum()),
                "came": int(mine["came"].sum()),
            }
        )
    return pl.DataFrame(rows)
