"""The figures a manager expects: time between failures, time to restoration, availability, shares, cost.

Terms as in IEC 60050-192 and EN 13306, with the clock of each named. A failure here is what led to a
corrective order: maintenance after a fault was found. Intervals come from random weights of machines, so that
a few bad machines widen them; where failures are few, the exact interval of a count widens them further.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Any, ClassVar
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl

from fleetlog.errors import UsageError
from fleetlog.questions import proposal
from fleetlog.session.finding import Finding
from fleetlog.session.fleet import Fleet, selection
from fleetlog.session.randomness import SEED
from fleetlog.session.scope import WHOLE_FLEET, Columns, Scope, columns_of
from fleetlog.stats.arrays import Floats
from fleetlog.stats.proportions import garwood
from fleetlog.stats.weighted_lives import machine_weights

SPLITS = ("site", "make", "model", "machine_type", "build_year")
DRAWS = 400

#: figure -> what it is called by the standards, the clock it runs on, its unit.
TERMS = {
    "motbf_hours": ("mean operating time between failures (IEC 60050-192)", "running hours", "running hours"),
    "mttr_hours": ("mean time to restoration (IEC 60050-192)", "calendar, order opened to closed", "hours"),
    "availability": (
        "operational availability (IEC 60050-192): share of calendar time not in the shop",
        "calendar",
        "share",
    ),
    "corrective_share": ("corrective maintenance (EN 13306), share of labour hours", "labour hours", "share"),
    "cost_per_hour": ("maintenance cost per running hour", "running hours", "currency/running hour"),
}
_RATIOS = {
    "motbf_hours": (("running_hours",), ("corrective_orders",)),
    "mttr_hours": (("restoration_hours",), ("restored_orders",)),
    "availability": (("up_hours",), ("calendar_hours",)),
    "corrective_share": (("corrective_labour",), ("corrective_labour", "preventive_labour")),
    "cost_per_hour": (("corrective_cost", "preventive_cost"), ("running_hours",)),
}
_SUMS = (
    "running_hours",
    "calendar_hours",
    "corrective_orders",
    "preventive_orders",
    "restored_orders",
    "restoration_hours",
    "down_hours",
    "up_hours",
    "corrective_labour",
    "preventive_labour",
    "corrective_cost",
    "preventive_cost",
)


@dataclass(frozen=True, repr=False)
class FleetFiguresFinding(Finding):
    """Figures of a fleet over a stretch of time.

    Attributes:
        frame: one row a group: the columns of the split, machines, running_hours, calendar_hours, failures
            (corrective orders), preventive_orders, then each of motbf_hours, mttr_hours, availability,
            corrective_share, cost_per_hour with _lower and _upper (null where nothing bounds it),
            preventive_share, corrective_cost, preventive_cost.
        by: the split.
        first, after: the stretch: first day, and first day after it.
        terms: figure, term, clock, unit.
        seed, currency: of the intervals and of the money.
    """

    question: ClassVar[str] = "figures"
    answers = ("by", "first", "after", "terms", "seed", "currency")

    as_of: date
    fault: str
    frame: pl.DataFrame
    by: tuple[str, ...]
    first: date
    after: date
    terms: pl.DataFrame
    seed: int
    currency: str
    notes: tuple[str, ...] = ()


def fleet_figures(
    fleet: Fleet,
    scope: Scope = WHOLE_FLEET,
    *,
    by: Columns = (),
    days: int = 365,
    seed: int = SEED,
) -> FleetFiguresFinding:
    """Figures of the last days up to the as-of day, split as asked.

    Args:
        scope: which part of the fleet, as of when; its fault family does not matter, all work counts.
        by: columns to split by, out of SPLITS.
        days: length of the stretch.
        seed: of the intervals.

    Raises:
        UsageError: for another column or a stretch without a day.

    Examples:
        >>> june.figures(by="site").frame["site"].sort().to_list()
        ['Alder Cross', 'Brindle Fork', 'Tolbeck', 'Wrenmouth']
    """
    by = columns_of(by)
    for column in by:
        if column not in SPLITS:
            raise UsageError(f"Figures cannot be split by {column!r}; {proposal(column, SPLITS)}")
    if not 1 <= days <= 36_525:
        raise UsageError(f"The figures need a stretch of at least one day and at most a century, not {days}.")
    history, family = fleet.begin(scope)
    first = history.as_of - timedelta(days=days - 1)
    zone = ZoneInfo(fleet.settings.fleet.time_zone)
    machines = fleet.store.run(
        "figures/machine_maintenance",
        from_at=datetime.combine(first, time(), zone).astimezone(UTC).replace(tzinfo=None),
        until_at=history.as_of_end,
        labour_rate=fleet.settings.costs.labour_rate,
        **selection(scope),
    ).with_columns(up_hours=pl.col("calendar_hours") - pl.col("down_hours"))
    level = fleet.settings.survival.confidence
    return FleetFiguresFinding(
        as_of=history.as_of,
        fault=family.name,
        frame=_figures(machines, by, level, seed),
        by=by,
        first=first,
        after=history.as_of + timedelta(days=1),
        terms=pl.DataFrame(
            [
                {"figure": name, "term": term, "clock": clock, "unit": unit}
                for name, (term, clock, unit) in TERMS.items()
            ]
        ),
        seed=seed,
        currency=fleet.settings.fleet.currency,
        notes=_notes(machines, first, history.as_of, seed),
    )


def _figures(machines: pl.DataFrame, by: tuple[str, ...], level: float, seed: int) -> pl.DataFrame:
    """One row a group with every figure and its interval."""
    if machines.is_empty():
        return pl.DataFrame()
    named = machines.with_columns(pl.col("build_year").cast(pl.Int64))
    if by:
        ordered = named.with_row_index("_row").sort([*by, "machine_id"], nulls_last=True)
        groups = ordered.select(by).with_columns(new=pl.struct(by) != pl.struct(by).shift(1))
        begins = np.flatnonzero(groups["new"].fill_null(True).to_numpy())
        row = ordered["_row"].to_numpy().astype(np.int64)
    else:
        ordered, begins = named, np.zeros(1, dtype=np.int64)
        row = np.arange(named.height)
    columns = {name: ordered[name].to_numpy().astype(np.float64) for name in _SUMS}
    sums = {name: np.add.reduceat(values, begins) for name, values in columns.items()}
    drawn: dict[str, list[Floats]] = {name: [] for name in _RATIOS}
    for draw in range(DRAWS):
        weight = machine_weights(named.height, seed, draw)[row]
        weighed = {name: np.add.reduceat(values * weight, begins) for name, values in columns.items()}
        for name in _RATIOS:
            drawn[name].append(_ratio(weighed, name))
    sizes = np.diff(np.append(begins, named.height))
    table = ordered[begins.tolist()].select(by) if by else pl.DataFrame({"fleet": ["all"]}).select([])
    answer: dict[str, Any] = {
        "machines": sizes,
        "running_hours": sums["running_hours"],
        "calendar_hours": sums["calendar_hours"],
        "failures": sums["corrective_orders"].astype(np.int64),
        "preventive_orders": sums["preventive_orders"].astype(np.int64),
    }
    for name in _RATIOS:
        low, high = _interval(np.stack(drawn[name]), level)
        if name == "motbf_hours":
            low, high = _widened(low, high, sums, level)
        for suffix, values in (("", _ratio(sums, name)), ("_lower", low), ("_upper", high)):
            answer[name + suffix] = values
    answer["preventive_share"] = 1.0 - answer["corrective_share"]
    answer["corrective_cost"] = sums["corrective_cost"]
    answer["preventive_cost"] = sums["preventive_cost"]
    numbers = pl.DataFrame(answer).with_columns(pl.selectors.float().fill_nan(None))
    infinite = [
        pl.when(pl.col(name).is_infinite()).then(None).otherwise(pl.col(name)).alias(name)
        for name, kind in numbers.schema.items()
        if kind == pl.Float64
    ]
    numbers = numbers.with_columns(infinite)
    return pl.concat([table, numbers], how="horizontal") if by else numbers


def _ratio(sums: dict[str, Floats], name: str) -> Floats:
    """A figure from sums over its machines; not a number where there is nothing to divide by."""
    above, below = _RATIOS[name]
    top = np.sum([sums[one] for one in above], axis=0)
    bottom = np.sum([sums[one] for one in below], axis=0)
    ratio: Floats = np.divide(top, bottom, out=np.full_like(top, np.nan), where=bottom > 0)
    return ratio


def _interval(drawn: Floats, level: float) -> tuple[Floats, Floats]:
    """Range over the draws, group by group; a group that is nowhere defined has none."""
    finite = np.isfinite(drawn).all(axis=0)
    safe = np.where(finite, drawn, 0.0)
    low, high = np.quantile(safe, (0.5 - level / 2, 0.5 + level / 2), axis=0)
    return np.where(finite, low, np.nan), np.where(finite, high, np.nan)


def _widened(low: Floats, high: Floats, sums: dict[str, Floats], level: float) -> tuple[Floats, Floats]:
    """At least as wide as the exact interval of the count of failures."""
    exact = [garwood(float(count), level=level) for count in sums["corrective_orders"]]
    hours = sums["running_hours"]
    least = np.array([bounds.upper for bounds in exact])
    most = np.array([bounds.lower for bounds in exact])
    with np.errstate(divide="ignore", invalid="ignore"):
        shortest, longest = hours / least, np.where(most > 0, hours / most, np.inf)
    return np.fmin(low, shortest), np.fmax(high, longest)


def _notes(machines: pl.DataFrame, first: date, last: date, seed: int) -> tuple[str, ...]:
    if machines.is_empty():
        return (f"No machine was in this part of the fleet from {first.isoformat()} to {last.isoformat()}.",)
    unfinished = int((machines["corrective_orders"] - machines["restored_orders"]).sum())
    notes = [
        f"From {first.isoformat()} to {last.isoformat()}. A failure is what led to a corrective order: a "
        "repair, a part found faulty, a test failed, or a step of a reported fault; any other order is "
        "preventive (the standards' terms; the rule is common practice, no source).",
        "Time to restoration runs from the opening of the order to its closing, waiting counted; a machine "
        "counts as down while an order is open, so availability is on the low side.",
        f"Intervals from {DRAWS} random weightings of the machines, seed {seed}.",
    ]
    if unfinished:
        notes.append(f"{unfinished} corrective orders are not closed and not in the time to restoration.")
    return tuple(notes)
