"""How good were the forecasts? The same forecast as of past days, against what came.

Every forecast is made from a history as it would have been on that day; what came is taken from the history
as it is known now. The range that is to hold 80% holds more where counts are small, because a range of whole
counts cannot hold 80% exactly: the chance each range really had is shown beside it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Any, ClassVar
from zoneinfo import ZoneInfo

import polars as pl

from fleetlog.errors import UsageError
from fleetlog.planning.forecast import INNER, OUTER, followed_counts
from fleetlog.planning.outlook import Outlook, outlook_of
from fleetlog.session.finding import Finding
from fleetlog.session.fleet import Fleet, selection
from fleetlog.session.months import month_start
from fleetlog.session.past import fleet_of_the_past
from fleetlog.session.randomness import SEED
from fleetlog.session.scope import WHOLE_FLEET, Scope
from fleetlog.stats.counts import CountDistribution
from fleetlog.stats.proportions import wilson

#: Of no use before the records cover so many months: no season, no lives.
_SETTLED_MONTHS = 18


@dataclass(frozen=True, repr=False)
class ForecastCheck(Finding):
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

    question: ClassVar[str] = "forecast-check"
    answers = ("summary", "horizon_months", "seed", "draws")

    as_of: date
    fault: str
    horizon_months: int
    frame: pl.DataFrame
    summary: pl.DataFrame
    seed: int
    draws: int
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class PastForecast:
    """A forecast as a past day would have made it.

    Attributes:
        asked: the day.
        until: label of its last month.
        first, after: the days it reaches over, `after` no longer.
        watched: the machines it was made for.
        counts: component ("all" = together) -> how many fail.
    """

    asked: date
    until: str
    first: date
    after: date
    watched: pl.DataFrame
    counts: Mapping[str, CountDistribution]


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
        scope: which part of the fleet; its as-of day is the last that may have come.
        forecasts: how many past month ends.
        horizon_months: how far each forecast reaches.
        draws, seed: of each bootstrap.

    Raises:
        UsageError: when the records are too short for any.

    Examples:
        >>> june.forecast_check(forecasts=2, draws=20).frame["component"].unique().sort().to_list()
        ['all', 'drive_pump', 'internal_bushing', 'position_sensor']
    """
    asked = days_to_ask(fleet, scope, forecasts=forecasts, horizon_months=horizon_months)
    if not asked:
        raise UsageError(
            f"The records are too short to check forecasts of {horizon_months} months: they must begin "
            f"{_SETTLED_MONTHS} months before the first."
        )
    past = look_back(fleet, scope, asked, horizon_months=horizon_months, draws=draws, seed=seed)
    return held_against(fleet, scope, past, horizon_months=horizon_months, draws=draws, seed=seed)


def days_to_ask(
    fleet: Fleet, scope: Scope, *, forecasts: int = 24, horizon_months: int = 1
) -> tuple[date, ...]:
    """The month ends whose forecasts can be checked, earliest first; none where the records are too short.

    Raises:
        UsageError: for numbers below 1.
    """
    if horizon_months < 1 or forecasts < 1:
        raise UsageError("The number of forecasts and their horizon in months must be 1 at least.")
    last = scope.as_of or fleet.last_day()
    settled = _settled(fleet)
    return tuple(sorted(day for day in _month_ends(last, horizon_months, forecasts) if day >= settled))


def look_back(
    fleet: Fleet,
    scope: Scope,
    days: Sequence[date],
    *,
    horizon_months: int = 1,
    draws: int = 100,
    seed: int = SEED,
) -> tuple[PastForecast, ...]:
    """The forecasts of these past days, each from what was known then."""
    failures_of = []
    with fleet_of_the_past(fleet) as past:
        for day in days:
            then = Scope(scope.fault, day, scope.sites, scope.build_years, scope.machines)
            failures_of.append(past_of(outlook_of(past, then, months=horizon_months, draws=draws, seed=seed)))
    return tuple(failures_of)


def past_of(outlook: Outlook) -> PastForecast:
    """What an outlook over months, made for a day now past, expected of all of them together."""
    return PastForecast(
        asked=outlook.history.as_of,
        until=outlook.periods[-1].label,
        first=outlook.periods[0].first,
        after=outlook.periods[-1].after,
        watched=pl.DataFrame({"machine_id": outlook.machines}).filter(pl.Series(outlook.watched)),
        counts=followed_counts(outlook),
    )


def held_against(
    fleet: Fleet,
    scope: Scope,
    past: Sequence[PastForecast],
    *,
    horizon_months: int = 1,
    draws: int = 100,
    seed: int = SEED,
) -> ForecastCheck:
    """Past forecasts against what has come by the scope's day, as the history knows it now.

    Args:
        fleet, scope: as of the day up to which failures count.
        past: forecasts whose time is over by then, one at least.
        horizon_months, draws, seed: that they were made with.
    """
    now = fleet.history(scope.as_of)
    frame = pl.DataFrame(
        [row for forecast in past for row in _rows(fleet, scope, forecast)], infer_schema_length=None
    )
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


def _month_ends(last: date, horizon: int, most: int) -> list[date]:
    """Ends of months, latest first and a horizon apart, whose whole horizon has passed by `last`."""
    after = last + timedelta(days=1)
    return [month_start(after, -horizon * back) - timedelta(days=1) for back in range(1, most + 1)]


def _settled(fleet: Fleet) -> date:
    begin = fleet.store.run("history/last_record")["first_at"][0]
    days: date = begin.date() + timedelta(days=round(_SETTLED_MONTHS * 30.44))
    return days


def _rows(fleet: Fleet, scope: Scope, past: PastForecast) -> list[dict[str, Any]]:
    came = failures_found(fleet, scope, past)
    followed = {name: came.get(name, 0) for name in past.counts if name != "all"}
    together = {**followed, "all": sum(followed.values())}
    return [_row(past.asked, past.until, name, past.counts[name], together[name]) for name in past.counts]


def failures_found(fleet: Fleet, scope: Scope, past: PastForecast) -> dict[str, int]:
    """Failures by component over the days of a forecast, on the machines it was made for."""
    zone = fleet.settings.fleet.time_zone
    failures_of = fleet.store.run(
        "plan/failed_between",
        from_at=day_begins(past.first, zone),
        until_at=day_begins(past.after, zone),
        **selection(scope),
    ).join(past.watched, on="machine_id", how="semi")
    return dict(failures_of.group_by("component").agg(pl.col("failures").sum()).iter_rows())


def day_begins(day: date, zone: str) -> datetime:
    """The first instant (UTC, naive) of a day in a zone."""
    return datetime.combine(day, time(), ZoneInfo(zone)).astimezone(UTC).replace(tzinfo=None)


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
