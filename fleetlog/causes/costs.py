"""What a fault cost, what of it went into sound parts, and what the open cases are expected to cost."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from typing import Any
from zoneinfo import ZoneInfo

import polars as pl

from fleetlog.belief.case_records import CASE
from fleetlog.belief.weighing import WeighedCases, weighed_now
from fleetlog.causes.suspects import SuspectsFinding
from fleetlog.faults import FaultFamily, Step
from fleetlog.session.finding import header
from fleetlog.session.fleet import Fleet, selection
from fleetlog.session.months import month_start
from fleetlog.session.scope import WHOLE_FLEET, Scope


@dataclass(frozen=True)
class CostFinding:
    """Money of a stretch of time, in the fleet's currency.

    Attributes:
        first: the first day whose work counts.
        spent: action, component, jobs, labour_hours, labour_cost, parts_cost, cost.
        in_vain: parts replaced for the fault, by site and component: site, component, replaced, cost, in_vain (how
            many of them were sound: each as surely as another cause was behind its case, by all that is on record
            since), cost_in_vain.
        cases: what each open case is expected to cost until cured, by the steps proposed and by custom:
            machine_id, side, expected_cost, custom_cost, saving.
        assumptions: the settings behind it: figure, value, unit, source.
    """

    as_of: date
    fault: str
    first: date
    currency: str
    spent: pl.DataFrame
    in_vain: pl.DataFrame
    cases: pl.DataFrame
    assumptions: pl.DataFrame
    notes: tuple[str, ...] = ()

    @property
    def frame(self) -> pl.DataFrame:
        """The parts replaced, those in vain told apart."""
        return self.in_vain

    @property
    def spent_in_all(self) -> float:
        """Money spent on the fault."""
        return float(self.spent["cost"].sum())

    @property
    def spent_in_vain(self) -> float:
        """Of that, expected money that went into parts that were sound."""
        return float(self.in_vain["cost_in_vain"].sum())

    def to_dict(self) -> dict[str, Any]:
        """The finding as a JSON object: the rows of `frame`, the sums, then the other tables."""
        more = ("spent_in_all", "spent_in_vain", "spent", "cases", "assumptions", "currency")
        return header(self, self.frame, **{name: getattr(self, name) for name in more})


def costs(
    fleet: Fleet, answer: SuspectsFinding, first: date, after: date, scope: Scope = WHOLE_FLEET
) -> CostFinding:
    """Money spent on a fault from `first` until before `after`, and the outlook of the cases found.

    Args:
        answer: the suspects at the end of that time.
        first, after: days in the fleet's zone.
        scope: which part of the fleet, as of when.
    """
    history, family = fleet.begin(scope)
    weighed = weighed_now(fleet, history, family)
    ((spent, in_vain),) = _of_stretches(fleet, weighed, [(first, after)], scope)
    return CostFinding(
        as_of=history.as_of,
        fault=family.name,
        first=first,
        currency=fleet.settings.fleet.currency,
        spent=spent,
        in_vain=in_vain,
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
        notes=(
            f"Work done from {first.isoformat()} until before {after.isoformat()}. A part replaced was sound as surely "
            "as another cause was behind its case.",
        ),
    )


def costs_by_month(fleet: Fleet, months: Sequence[date], scope: Scope = WHOLE_FLEET) -> pl.DataFrame:
    """What months cost, each as `costs` counts it: month, cost, cost_in_vain.

    Args:
        months: their first days, in the fleet's zone.
        scope: which part of the fleet, as of when.
    """
    history, family = fleet.begin(scope)
    weighed = weighed_now(fleet, history, family)
    every = _of_stretches(fleet, weighed, [(first, month_start(first, 1)) for first in months], scope)
    rows = [
        (first, float(spent["cost"].sum()), float(in_vain["cost_in_vain"].sum()))
        for first, (spent, in_vain) in zip(months, every, strict=True)
    ]
    return pl.DataFrame(
        rows, schema={"month": pl.Date, "cost": pl.Float64, "cost_in_vain": pl.Float64}, orient="row"
    )


def costs_by_site(fleet: Fleet, first: date, after: date, scope: Scope = WHOLE_FLEET) -> pl.DataFrame:
    """The machines of each site and what it spent on the fault, as `costs` counts it: site ("" = not known), machines,
    cost; the most spent first."""
    history, _ = fleet.begin(scope)
    zone = ZoneInfo(fleet.settings.fleet.time_zone)
    return fleet.store.run(
        "fleet/sites",
        as_of_end=history.as_of_end,
        from_at=_midnight(first, zone),
        until_at=_midnight(after, zone),
        **_of_what(fleet, scope),
    )


def _of_what(fleet: Fleet, scope: Scope) -> dict[str, Any]:
    return {"fault": scope.fault, "labour_rate": fleet.settings.costs.labour_rate, **selection(scope)}


def _of_stretches(
    fleet: Fleet, weighed: WeighedCases, stretches: Sequence[tuple[date, date]], scope: Scope
) -> list[tuple[pl.DataFrame, pl.DataFrame]]:
    """What each stretch of time, from its first day until before its last, spent, and on which parts in vain."""
    zone = ZoneInfo(fleet.settings.fleet.time_zone)
    asked = pl.DataFrame(
        {
            "stretch": list(range(len(stretches))),
            "from_at": [_midnight(first, zone) for first, _ in stretches],
            "until_at": [_midnight(after, zone) for _, after in stretches],
        }
    )
    fleet.store.register("asked_time", asked)
    what = _of_what(fleet, scope)
    spent = fleet.store.run("fleet/spent", **what)
    replaced = _judged(weighed, fleet.store.run("fleet/replaced", **what))
    return [
        (spent.filter(stretch=number).drop("stretch"), _in_vain(replaced.filter(stretch=number)))
        for number in range(len(stretches))
    ]


def _judged(weighed: WeighedCases, replaced: pl.DataFrame) -> pl.DataFrame:
    """The parts replaced with their site, and how surely each was sound."""
    family = weighed.layout.family
    keys = weighed.cases.select(*CASE, site=pl.col("site").fill_null(""))
    chances = [
        keys.with_columns(
            step=pl.lit(step.name), sound=1.0 - weighed.of_case[:, _behind(family, step)].sum(axis=1)
        )
        for step in family.steps
        if step.kind == "cure" and step.action == "replace"
    ]
    # a step is known by its component and action, but lines that mean the same have their own component
    of_step = pl.concat(chances) if chances else keys.clear().with_columns(step=pl.lit(""), sound=pl.lit(0.0))
    return replaced.join(of_step, on=[*CASE, "step"], how="inner", maintain_order="left")


def _in_vain(replaced: pl.DataFrame) -> pl.DataFrame:
    """The parts replaced, by site and component, with how many of them were sound."""
    return (
        replaced.group_by("site", "component")
        .agg(
            replaced=pl.col("share").sum(),
            cost=pl.col("cost").sum(),
            in_vain=(pl.col("share") * pl.col("sound")).sum(),
            cost_in_vain=(pl.col("cost") * pl.col("sound")).sum(),
        )
        .sort(["cost_in_vain", "site", "component"], descending=[True, False, False])
    )


def _behind(family: FaultFamily, step: Step) -> list[int]:
    """The causes by which the part that a step replaces was faulty: its own, else those that a new part cures."""
    own = [k for k, cause in enumerate(family.causes) if cause.component == step.component]
    return own or [k for k, cause in enumerate(family.causes) if step.cures.get(cause.name, 0.0) >= 0.5]


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
