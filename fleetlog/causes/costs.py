"""What a fault cost, and what the open cases are expected to cost."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from zoneinfo import ZoneInfo

import polars as pl

from fleetlog.causes.suspects import SuspectsFinding
from fleetlog.session.fleet import Fleet
from fleetlog.session.scope import WHOLE_FLEET, Scope


@dataclass(frozen=True)
class CostFinding:
    """Money of a stretch of time, in the fleet's currency.

    Attributes:
        spent: action, component, jobs, labour_hours, labour_cost, parts_cost, cost.
        cases: what each open case is expected to cost until cured, by the steps proposed and by custom:
            machine_id, side, expected_cost, custom_cost, saving.
        assumptions: the settings behind it: figure, value, unit, source.
    """

    as_of: date
    fault: str
    currency: str
    spent: pl.DataFrame
    cases: pl.DataFrame
    assumptions: pl.DataFrame


def costs(
    fleet: Fleet, answer: SuspectsFinding, first: date, after: date, scope: Scope = WHOLE_FLEET
) -> CostFinding:
    """Money spent on a fault from `first` until before `after`, and the outlook of the cases found.

    Args:
        answer: the suspects at the end of that time.
        first, after: days in the fleet's zone.
        scope: fault family and as-of date.
    """
    history, family = fleet.begin(scope)
    zone = ZoneInfo(fleet.settings.fleet.time_zone)
    spent = fleet.store.run(
        "fleet/spent",
        fault=family.name,
        from_at=_midnight(first, zone),
        until_at=_midnight(after, zone),
        labour_rate=fleet.settings.costs.labour_rate,
    )
    return CostFinding(
        as_of=history.as_of,
        fault=family.name,
        currency=fleet.settings.fleet.currency,
        spent=spent,
        cases=_outlook(answer),
        assumptions=pl.DataFrame(
            [
                {
                    "figure": row["meaning"],
                    "value": float(row["value"]),
                    "unit": row["unit"],
                    "source": row["source"],
                }
                for row in fleet.settings.to_rows()
                if row["section"].startswith("costs")
            ]
        ),
    )


def _outlook(answer: SuspectsFinding) -> pl.DataFrame:
    rows = [
        {
            "machine_id": case.machine_id,
            "side": case.side,
            "expected_cost": case.expected_cost,
            "custom_cost": case.custom_cost,
            "saving": case.custom_cost - case.expected_cost,
        }
        for case in answer.cases
        if case.state == "open" and case.expected_cost is not None and case.custom_cost is not None
    ]
    money = dict.fromkeys(("expected_cost", "custom_cost", "saving"), pl.Float64)
    return pl.DataFrame(rows, schema={"machine_id": pl.String, "side": pl.String, **money})


def _midnight(day: date, zone: ZoneInfo) -> datetime:
    return datetime.combine(day, time(), zone).astimezone(UTC).replace(tzinfo=None)
