"""What last month's forecast expected of the month now over, what came, and how past forecasts did.

The forecast is made again as of the last day before the month, from what was known then: the same digits that
the report of that month printed. What came is taken from the history as it is known at the month's end: failures
count as surely as each case is known now to be of the cause. Work is counted like for like: the step by which a
shop mends a cause, not the looking for it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

import polars as pl

from fleetlog.planning.forecast import ForecastFinding, Way, forecast_of, ways_to_fail
from fleetlog.planning.forecast_check import (
    ForecastCheck,
    PastForecast,
    day_begins,
    failures_begun,
    held_against,
    past_of,
)
from fleetlog.planning.outlook import outlook_of
from fleetlog.session.finding import header
from fleetlog.session.fleet import Fleet, selection
from fleetlog.session.randomness import DRAWS, SEED
from fleetlog.session.scope import Scope

#: So many past months are looked back on: a quarter. 'fleetlog forecast --check' looks back further.
RECORD_MONTHS = 3
#: Machines whose history is made anew for it at most, all months together: a great fleet's single month tells
#: as much as many months of a small one, and its history takes long to make.
RECORD_MACHINES = 6_000
#: Draws of each forecast of the record: enough for ranges of whole counts, and nobody is kept waiting.
RECORD_DRAWS = 40


@dataclass(frozen=True)
class ForecastVerification:
    """One month's forecast beside what came.

    Attributes:
        asked: the day whose knowledge the forecast rests on.
        month: the month forecast, "2026-06".
        frame: one row a component and cause, then all together (component "all"): component, cause, expected,
            lower_80, upper_80, lower, upper, came (failures that began, each as surely as it is of that cause), held
            (within the 80% range), parts and parts_to_hold as forecast, parts_used, labour_hours and
            labour_hours_upper as forecast, labour_hours_spent.
        record: the past months, forecast by forecast; None where the records are too short.
        seed, draws: of the bootstrap of `frame`.
    """

    as_of: date
    fault: str
    asked: date
    month: str
    frame: pl.DataFrame
    record: ForecastCheck | None
    seed: int
    draws: int
    notes: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Rows by component and cause, and the record of past months."""
        return header(
            self,
            self.frame,
            asked=self.asked,
            month=self.month,
            record=self.record.to_dict() if self.record is not None else None,
            seed=self.seed,
            draws=self.draws,
        )


@dataclass(frozen=True, eq=False)
class Expected:
    """The forecast of one month as the day before it would have made it.

    Attributes:
        past, forecast: as `forecast` would have said it then.
        for_record: the same with the draws of the record: a draw does not depend on how many there are.
        ways: its rows.
    """

    past: PastForecast
    for_record: PastForecast
    forecast: ForecastFinding
    ways: tuple[Way, ...]


def record_length(fleet: Fleet) -> int:
    """How many past months a report looks back on, the month's own forecast among them."""
    machines = int(fleet.store.execute("SELECT count(*) FROM machines")[0][0])
    return max(1, min(RECORD_MONTHS, RECORD_MACHINES // max(machines, 1)))


def expected_of(fleet: Fleet, scope: Scope, *, draws: int = DRAWS, seed: int = SEED) -> Expected:
    """The forecast of the month after the scope's day.

    Args:
        scope: which part of the fleet, as of the last day of the month before.
        draws, seed: of the bootstrap; as they are by themselves, the digits are those of `forecast`.
    """
    outlook = outlook_of(fleet, scope, months=1, draws=draws, seed=seed)
    brief = replace(outlook, draw_count=min(RECORD_DRAWS, draws))
    return Expected(
        past_of(fleet, scope, outlook),
        past_of(fleet, scope, brief),
        forecast_of(fleet, scope, outlook),
        ways_to_fail(fleet, scope, outlook),
    )


def verification(
    fleet: Fleet, scope: Scope, expected: Expected, past: Sequence[PastForecast] = ()
) -> ForecastVerification:
    """A month's forecast, and past ones, against what has come by the scope's day.

    Args:
        fleet, scope: as of the month's last day, or later.
        expected: the month's forecast.
        past: forecasts of the months before it and of itself, for the record.
    """
    history = fleet.history(scope.as_of)
    forecast = expected.forecast
    came = failures_begun(fleet, scope, expected.past)
    rows = _rows(fleet, scope, expected, came)
    record = held_against(fleet, scope, past, draws=RECORD_DRAWS, seed=forecast.seed) if past else None
    return ForecastVerification(
        as_of=history.as_of,
        fault=scope.fault,
        asked=expected.past.asked,
        month=expected.past.until,
        frame=pl.DataFrame(rows, schema=_SCHEMA),
        record=record,
        seed=forecast.seed,
        draws=forecast.draws,
        notes=_notes(expected, record),
    )


def _rows(
    fleet: Fleet, scope: Scope, expected: Expected, came: dict[tuple[str, str], float]
) -> list[dict[str, Any]]:
    zone = fleet.settings.fleet.time_zone
    done = fleet.store.run(
        "plan/work_done",
        from_at=day_begins(expected.past.first, zone),
        until_at=day_begins(expected.past.after, zone),
        **selection(scope),
    )
    work = {(row["component"], row["action"]): row for row in done.to_dicts()}
    totals = {(row["component"], row["cause"]): row for row in expected.forecast.totals.to_dicts()}
    counted: set[tuple[str, str]] = set()
    rows = []
    for way in expected.ways:
        row = totals[way.component, way.cause]
        step = (way.step.component, way.step.action) if way.step is not None else None
        # two causes that one step mends share its work: it is told once, at the first of them
        job = work.get(step) if step is not None and step not in counted else None
        stated = step is not None and step not in counted
        if step is not None:
            counted.add(step)
        came_of = came[way.component, way.cause]
        replaces = way.step is not None and way.step.action == "replace"
        rows.append(
            {
                **{name: row[name] for name in _FORECAST},
                "came": came_of,
                "held": row["lower_80"] <= round(came_of) <= row["upper_80"],
                "parts_used": (job["pieces"] if job else 0.0) if stated and replaces else None,
                "labour_hours_spent": (job["labour_hours"] if job else 0.0) if stated else None,
            }
        )
    return [*rows, _together(expected, rows, came["all", "all"])]


def _together(expected: Expected, rows: Sequence[dict[str, Any]], came: float) -> dict[str, Any]:
    """Every cause together."""
    counts = expected.past.counts["all", "all"]
    inner, outer = counts.interval(0.80), counts.interval(0.95)
    whole = expected.forecast.totals.filter(pl.col("component") == "all").row(0, named=True)
    return {
        "component": "all",
        "cause": "all",
        "expected": counts.mean,
        "lower_80": inner[0],
        "upper_80": inner[1],
        "lower": outer[0],
        "upper": outer[1],
        "came": came,
        "held": inner[0] <= round(came) <= inner[1],
        "parts": whole["parts"],
        "parts_to_hold": None,
        "parts_used": sum(row["parts_used"] or 0.0 for row in rows),
        "labour_hours": whole["labour_hours"],
        "labour_hours_upper": whole["labour_hours_upper"],
        "labour_hours_spent": sum(row["labour_hours_spent"] or 0.0 for row in rows),
    }


def _notes(expected: Expected, record: ForecastCheck | None) -> tuple[str, ...]:
    notes = [
        f"The forecast knows what was known on {expected.past.asked.isoformat()}, no more; "
        f"{expected.forecast.draws} draws, seed {expected.forecast.seed}.",
        "A failure counts from its first report, as surely as it is known now to be of that cause. Parts and hours are "
        "those of the step that mends the cause, looking for it left out, whether or not the part taken out had "
        "failed.",
    ]
    if record is not None and record.draws != expected.forecast.draws:
        notes.append(
            f"The past months are forecast with {record.draws} draws each, so that a range may differ by a "
            "failure from the one printed then; 'fleetlog forecast --check' looks back further."
        )
    return tuple(notes)


_FORECAST = (
    "component",
    "cause",
    "expected",
    "lower_80",
    "upper_80",
    "lower",
    "upper",
    "parts",
    "parts_to_hold",
    "labour_hours",
    "labour_hours_upper",
)
_SCHEMA: dict[str, Any] = {
    "component": pl.String,
    "cause": pl.String,
    "expected": pl.Float64,
    "lower_80": pl.Int64,
    "upper_80": pl.Int64,
    "lower": pl.Int64,
    "upper": pl.Int64,
    "came": pl.Float64,
    "held": pl.Boolean,
    "parts": pl.Float64,
    "parts_to_hold": pl.Int64,
    "parts_used": pl.Float64,
    "labour_hours": pl.Float64,
    "labour_hours_upper": pl.Float64,
    "labour_hours_spent": pl.Float64,
}
