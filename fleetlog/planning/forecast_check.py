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

from fleetlog.belief.weighing import weighed_now
from fleetlog.causes.suspects import in_scope
from fleetlog.errors import UsageError
from fleetlog.planning.forecast import INNER, OUTER, counts_to_come
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
        frame: one row a day asked, component and cause ("all" = together): asked, until, component, cause, expected,
            lower_80, upper_80, lower, upper, came (failures that began in that time, each counted as surely as
            it is known now to be of that cause), held (within the 80% range), chance_80 (what that range had by
            the forecast itself).
        summary: one row a component and cause: forecasts, held, held_share with lower and upper (95%), chance_80
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

    @property
    def shown(self) -> pl.DataFrame:
        """The forecasts as a screen shows them: what is counted by its probability to one decimal."""
        return self.frame.with_columns(pl.col("expected", "came").round(1), pl.col("chance_80").round(2))


@dataclass(frozen=True, eq=False)
class PastForecast:
    """A forecast as a past day would have made it.

    Attributes:
        asked: the day.
        until: label of its last month.
        first, after: the days it reaches over, `after` no longer.
        watched: the machines it was made for.
        counts: component and cause ("all" = together) -> how many fail.
    """

    asked: date
    until: str
    first: date
    after: date
    watched: pl.DataFrame
    counts: Mapping[tuple[str, str], CountDistribution]


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
        >>> june.forecast_check(forecasts=2, draws=20).summary["cause"].to_list()[1:3]
        ['internal_bushing', 'position_sensor']
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
            failures_of.append(
                past_of(past, then, outlook_of(past, then, months=horizon_months, draws=draws, seed=seed))
            )
    return tuple(failures_of)


def past_of(fleet: Fleet, scope: Scope, outlook: Outlook) -> PastForecast:
    """What an outlook over months, made for a day now past, expected of all of them together."""
    return PastForecast(
        asked=outlook.history.as_of,
        until=outlook.periods[-1].label,
        first=outlook.periods[0].first,
        after=outlook.periods[-1].after,
        watched=pl.DataFrame({"machine_id": outlook.machines}).filter(pl.Series(outlook.watched)),
        counts=counts_to_come(fleet, scope, outlook),
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
    came = failures_begun(fleet, scope, past)
    return [_row(past.asked, past.until, way, counted, came[way]) for way, counted in past.counts.items()]


def failures_begun(fleet: Fleet, scope: Scope, past: PastForecast) -> dict[tuple[str, str], float]:
    """Failures that began in the days of a forecast, on its machines: by component and cause, and all."""
    history, family = fleet.begin(scope)
    weighed = weighed_now(fleet, history, family)
    zone = fleet.settings.fleet.time_zone
    begun = (
        weighed.cases.select("machine_id", "first_at")
        .with_row_index("row")
        .filter(
            pl.Series(in_scope(weighed.cases, scope)),
            pl.col("first_at") >= day_begins(past.first, zone),
            pl.col("first_at") < day_begins(past.after, zone),
        )
        .join(past.watched, on="machine_id", how="semi")
    )
    # a millionth of a case is no case: what is shown and compared is rounded once, here
    counted = weighed.of_case[begun["row"].to_numpy()].sum(axis=0).round(4)
    of_cause = dict(zip(weighed.causes, counted.tolist(), strict=True))
    found = fleet.store.run(
        "plan/failed_between",
        from_at=day_begins(past.first, zone),
        until_at=day_begins(past.after, zone),
        **selection(scope),
    ).join(past.watched, on="machine_id", how="semi")
    uncaused = dict(found.group_by("component").agg(pl.col("failures").sum()).iter_rows())
    ways = [way for way in past.counts if way != ("all", "all")]
    came = {
        (component, cause): of_cause[cause] if cause in of_cause else float(uncaused.get(component, 0))
        for component, cause in ways
    }
    return {**came, ("all", "all"): sum(came.values())}


def day_begins(day: date, zone: str) -> datetime:
    """The first instant (UTC, naive) of a day in a zone."""
    return datetime.combine(day, time(), ZoneInfo(zone)).astimezone(UTC).replace(tzinfo=None)


def _row(
    asked: date | None, until: str, way: tuple[str, str], counted: CountDistribution, came: float
) -> dict[str, Any]:
    lower_80, upper_80 = counted.interval(INNER)
    lower, upper = counted.interval(OUTER)
    return {
        "asked": asked,
        "until": until,
        "component": way[0],
        "cause": way[1],
        "expected": counted.mean,
        "lower_80": lower_80,
        "upper_80": upper_80,
        "lower": lower,
        "upper": upper,
        "came": came,
        "held": lower_80 <= round(came) <= upper_80,
        "held_95": lower <= round(came) <= upper,
        "chance_80": counted.mass(lower_80, upper_80),
    }


def _summary(frame: pl.DataFrame) -> pl.DataFrame:
    rows = []
    for (component, cause), mine in frame.group_by("component", "cause", maintain_order=True):
        held = int(mine["held"].sum())
        low, high = wilson(held, mine.height)
        rows.append(
            {
                "component": component,
                "cause": cause,
                "forecasts": mine.height,
                "held": held,
                "held_share": held / mine.height,
                "lower": low,
                "upper": high,
                "chance_80": float(mine["chance_80"].to_numpy().mean()),
                "held_95_share": int(mine["held_95"].sum()) / mine.height,
                "expected": float(mine["expected"].sum()),
                "came": float(mine["came"].sum()),
            }
        )
    return pl.DataFrame(rows)
