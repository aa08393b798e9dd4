"""Does the repair hold? Comebacks by action, the mean cumulative count, and units above their peers."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any, ClassVar

import numpy as np
import polars as pl

from fleetlog.errors import UsageError
from fleetlog.lives.remarks import comparison_remarks
from fleetlog.lives.splits import check_component, split
from fleetlog.questions import proposal
from fleetlog.session.finding import Finding, header
from fleetlog.session.fleet import Fleet, selection
from fleetlog.session.scope import WHOLE_FLEET, Scope
from fleetlog.stats.errors import StatsError
from fleetlog.stats.histories import MachineHistories
from fleetlog.stats.proportions import comeback_rate, garwood
from fleetlog.stats.recurrent import (
    MeanCumulative,
    compare_event_rates,
    mean_cumulative,
    mean_cumulative_difference,
)
from fleetlog.stats.risk_table import RiskTable

_LONGEST_WINDOW = 1_000_000
MACHINE_COLUMNS = ("site", "build_year", "make", "model", "machine_type")

# A variance made of so few machines comes out too small.
_FEW_MACHINES = 10


@dataclass(frozen=True, repr=False)
class RepeatsFinding(Finding):
    """Repeat faults of one family.

    Attributes:
        window_hours: running hours within which a return counts as a comeback.
        by_action: one row a repair: action, component, step, attempts, comebacks, censored, comeback_rate,
            lower, upper, method (of the interval), found_sound, labour_hours, cost (per attempt, mean).
        mean_cumulative: episodes per machine by running hours of the machine: hours, count, lower, upper,
            at_risk.
        units: machines with more episodes than their peers' rate explains: machine_id, episodes,
            running_hours, expected, ratio, lower, upper.
        by: the column that makes groups of machines, "" without.
        groups: one row a group: group, machines, running_hours, episodes, per_1000_hours, expected (if
            groups did not differ) and ratio.
        group_curves: the mean cumulative count by group: group, hours, count, lower, upper, at_risk.
        group_test: that the groups have the same rate of episodes at every age, robust by machine: chi2, df,
            p; None without groups to compare.
        difference: of exactly two groups, first less second, over the ages at which enough machines of both
            are watched: hours, difference, std_error, lower, upper; empty otherwise.
        minimum_at_risk: the setting in force: a rate of fewer repairs, or a count of fewer machines, is no
            sure one.
    """

    question: ClassVar[str] = "repeats"

    as_of: date
    fault: str
    window_hours: float
    by_action: pl.DataFrame
    mean_cumulative: pl.DataFrame
    units: pl.DataFrame
    notes: tuple[str, ...] = ()
    by: str = ""
    groups: pl.DataFrame = field(default_factory=pl.DataFrame)
    group_curves: pl.DataFrame = field(default_factory=pl.DataFrame)
    group_test: Mapping[str, float] | None = None
    difference: pl.DataFrame = field(default_factory=pl.DataFrame)
    minimum_at_risk: int = 5

    @property
    def frame(self) -> pl.DataFrame:
        """The comeback table by action."""
        return self.by_action

    @property
    def summary(self) -> pl.DataFrame:
        """The repairs, or the groups where the machines are compared by a column."""
        return self.groups if self.by else self.by_action

    @property
    def remarks(self) -> tuple[str, ...]:
        """The test between the groups."""
        return comparison_remarks("mean cumulative counts, robust by machine", self.group_test)

    def to_dict(self) -> dict[str, Any]:
        """See the interface: by_action (also as rows), mean_cumulative, units."""
        return header(
            self,
            self.by_action,
            window_hours=self.window_hours,
            by_action=self.by_action,
            mean_cumulative=self.mean_cumulative.to_dict(as_series=False),
            units=self.units,
            by=self.by,
            groups=[
                {
                    **row,
                    "curve": self.group_curves.filter(pl.col("group") == row["group"])
                    .drop("group")
                    .to_dict(as_series=False),
                }
                for row in self.groups.to_dicts()
            ],
            group_test=self.group_test,
            difference=self.difference.to_dict(as_series=False),
        )


def repeats(
    fleet: Fleet,
    scope: Scope = WHOLE_FLEET,
    *,
    window_hours: float | None = None,
    component: str | None = None,
    by: str = "",
) -> RepeatsFinding:
    """Comeback rates by repair, the mean cumulative count of episodes, and units above their peers.

    Args:
        window_hours: running hours within which a return counts; None takes the family's.
        component: only repairs of this component; None = all.
        by: column of the machines to compare episodes by: site, build_year, make, model, machine_type.

    Raises:
        UsageError: for a column that machines cannot be compared by, or a component that the family does not know.

    Examples:
        >>> june.repeats(component="position_sensor").by_action["action"].to_list()
        ['adjust', 'replace']
    """
    if by and by not in MACHINE_COLUMNS:
        raise UsageError(f"Machines cannot be compared by {by!r}; {proposal(by, MACHINE_COLUMNS)}")
    history, family = fleet.begin(scope)
    check_component(family, component)
    window = window_hours if window_hours is not None else family.windows.comeback_hours
    if not 0 < window <= _LONGEST_WINDOW:
        raise UsageError(f"A return counts within 1 to {_LONGEST_WINDOW:,} running hours, not {window:g}.")
    level = fleet.settings.survival.confidence
    chosen = selection(scope)
    exposure = fleet.store.run("risk/machine_exposure", fault=family.name, **chosen)
    by_action = _by_action(fleet, family.name, window, level, chosen)
    curve = mean_cumulative(machine_histories(fleet, family.name, exposure), level=level)
    grouped = _by_group(fleet, family.name, exposure, by, level) if by else Grouped()
    return RepeatsFinding(
        as_of=history.as_of,
        fault=family.name,
        window_hours=window,
        by_action=by_action if component is None else by_action.filter(pl.col("component") == component),
        mean_cumulative=curve.to_frame().select("hours", "count", "lower", "upper", "at_risk"),
        units=_above_peers(exposure, curve, level, _bunching(fleet, family.name, exposure)),
        notes=(*_notes(exposure, window), *grouped.notes),
        by=by,
        groups=grouped.groups,
        group_curves=grouped.curves,
        group_test=grouped.test,
        difference=grouped.difference,
        minimum_at_risk=fleet.settings.survival.minimum_at_risk,
    )


@dataclass(frozen=True)
class Grouped:
    """Episodes compared between groups of machines, as RepeatsFinding shows them."""

    groups: pl.DataFrame = field(default_factory=pl.DataFrame)
    curves: pl.DataFrame = field(default_factory=pl.DataFrame)
    test: Mapping[str, float] | None = None
    difference: pl.DataFrame = field(default_factory=pl.DataFrame)
    notes: tuple[str, ...] = ()


def _by_group(fleet: Fleet, fault: str, exposure: pl.DataFrame, by: str, level: float) -> Grouped:
    """Mean cumulative counts by group, the test between them, and the difference of two."""
    parts = split(exposure.sort(by, "machine_id", nulls_last=True), (by,))
    if not parts:
        return Grouped()
    names = [key[0] for key, _ in parts]
    histories = [machine_histories(fleet, fault, part) for _, part in parts]
    curves = [mean_cumulative(one, level=level) for one in histories]
    groups = pl.DataFrame(
        [
            {
                "group": name,
                "machines": part.height,
                "running_hours": float((part["hours"] - part["entry"]).sum()) / 10,
                "episodes": int(part["episodes"].sum()),
            }
            for name, (_, part) in zip(names, parts, strict=True)
        ],
        schema=_GROUPS,
    )
    curve_rows = pl.concat(
        curve.to_frame().select(pl.lit(name).alias("group"), "hours", "count", "lower", "upper", "at_risk")
        for name, curve in zip(names, curves, strict=True)
    )
    if len(names) < 2 or not groups["episodes"].sum():
        why = f"There are not two groups of {by} with episodes to compare."
        return Grouped(groups, curve_rows, notes=(why,))
    compared = compare_event_rates(histories, names=names)
    groups = groups.with_columns(
        (1000 * pl.col("episodes") / pl.col("running_hours")).alias("per_1000_hours"),
        pl.Series("expected", compared.expected),
        (pl.col("episodes") / pl.Series("expected", compared.expected)).alias("ratio"),
    )
    test = {"chi2": compared.chi2, "df": compared.df, "p": compared.p}
    return Grouped(groups, curve_rows, test, _difference(histories, curves, level), _group_notes(groups))


_GROUPS = {
    "group": pl.String,
    "machines": pl.Int64,
    "running_hours": pl.Float64,
    "episodes": pl.Int64,
}


def _difference(
    histories: list[MachineHistories], curves: list[MeanCumulative], level: float
) -> pl.DataFrame:
    """First group's count less the second's, where there are just two, over the ages that both know well."""
    if len(curves) != 2:
        return pl.DataFrame()
    first, last = zip(*(_well_watched(one) for one in histories), strict=True)
    try:
        contrast = mean_cumulative_difference(curves[0], curves[1], level=level)
    except StatsError:
        return pl.DataFrame()
    return pl.DataFrame(
        {
            "hours": contrast.hours,
            "difference": contrast.difference,
            "std_error": contrast.std_error,
            "lower": contrast.lower,
            "upper": contrast.upper,
        }
    ).filter((pl.col("hours") > max(first)) & (pl.col("hours") <= min(last)))


def _well_watched(histories: MachineHistories) -> tuple[float, float]:
    """The ages in hours between which enough machines of a group are under observation (or half of them)."""
    table = histories.table()
    after = table.at_risk + table.entering - table.leaving
    enough = np.flatnonzero(after >= min(_FEW_MACHINES, math.ceil(after.max(initial=0) / 2)))
    ages = table.hours[enough] / table.per_hour
    beyond = table.hours[min(int(enough[-1]) + 1, table.hours.size - 1)] / table.per_hour
    return float(ages[0]), float(beyond)


def _group_notes(groups: pl.DataFrame) -> tuple[str, ...]:
    few = groups.filter(pl.col("machines") < _FEW_MACHINES)["group"].to_list()
    notes = [
        "Expected is what the machines of all groups together let expect at the same running hours; the test "
        "lets single machines be worse than others."
    ]
    if few:
        notes.append(
            f"Fewer than {_FEW_MACHINES} machines in {', '.join(few)}: the test between the groups is rough."
        )
    return tuple(notes)


def _by_action(fleet: Fleet, fault: str, window: float, level: float, chosen: dict[str, Any]) -> pl.DataFrame:
    counts = fleet.store.run(
        "risk/attempts_by_action", fault=fault, window_tenths=round(window * 10), **chosen
    )
    followed = fleet.store.run("risk/comeback", ["step"], fault=fault, **chosen)
    rates = []
    for step in counts["step"]:
        rows = followed.filter(pl.col("step") == step)
        if rows.is_empty():
            rates.append({"step": step, "comeback_rate": None, "lower": None, "upper": None, "method": ""})
            continue
        rate = comeback_rate(RiskTable.from_frame(rows), window, level=level)
        rates.append(
            {
                "step": step,
                "comeback_rate": rate.rate,
                "lower": rate.lower,
                "upper": rate.upper,
                "method": rate.method,
            }
        )
    schema = {"step": pl.String, "comeback_rate": pl.Float64, "lower": pl.Float64, "upper": pl.Float64}
    joined = counts.join(
        pl.DataFrame(rates, schema={**schema, "method": pl.String}), on="step", maintain_order="left"
    )
    return joined.select(
        "action",
        "component",
        "step",
        "attempts",
        "comebacks",
        "censored",
        "comeback_rate",
        "lower",
        "upper",
        "method",
        "found_sound",
        "labour_hours",
        "cost",
    )


def machine_histories(fleet: Fleet, fault: str, exposure: pl.DataFrame) -> MachineHistories:
    """The fault episodes of the machines in `exposure` (rows of sql/risk/machine_exposure.sql)."""
    events = fleet.store.run("risk/machine_events", fault=fault).join(
        exposure.select("machine_id"), on="machine_id", how="semi", maintain_order="left"
    )
    return MachineHistories.of(
        exposure["machine_id"].to_numpy(),
        exposure["entry"].to_numpy(),
        exposure["hours"].to_numpy(),
        events["machine_id"].to_numpy(),
        events["hours"].to_numpy(),
        events["count"].to_numpy(),
    )


def _bunching(fleet: Fleet, fault: str, exposure: pl.DataFrame) -> pl.Series:
    """By how much the episodes of the other machines vary more, coming in cases, than so many by themselves.

    For cases that befall machines at random, with B episodes each, the variance of a machine's count is its mean times
    E(B²) / E(B) (a compound Poisson count). A machine's own cases do not excuse it.

    Returns:
        One value a row of `exposure`, in its order.
    """
    own = (
        fleet.store.run("risk/case_episodes", fault=fault)
        .group_by("machine_id")
        .agg(own=pl.col("episodes").sum(), squares=(pl.col("episodes") ** 2).sum())
    )
    rows = (
        exposure.select("machine_id")
        .join(own, on="machine_id", how="left", maintain_order="left")
        .fill_null(0)
    )
    total, squares = (rows[name].sum() - rows[name] for name in ("own", "squares"))
    return pl.Series(
        [max(s / t, 1.0) if t else 1.0 for s, t in zip(squares, total, strict=True)], dtype=pl.Float64
    )


def _above_peers(
    exposure: pl.DataFrame, curve: MeanCumulative, level: float, bunching: pl.Series
) -> pl.DataFrame:
    """Machines whose count exceeds what the fleet's curve expects over the same stretch of hours.

    Episodes that come in bunches count like so many fewer that do not: count and expectation are divided by how much
    more they vary, and exact limits of such a count are taken. Where all machines are alike, 1 to 2.5% are flagged.
    """
    begin, _ = curve.at(exposure["entry"].to_numpy() / 10)
    end, _ = curve.at(exposure["hours"].to_numpy() / 10)
    pairs = list(zip(exposure["episodes"], bunching, strict=True))
    known = {
        (count, much): [limit * much for limit in garwood(count / much, level=level)]
        for count, much in set(pairs)
    }
    limits = [known[pair] for pair in pairs]
    return (
        exposure.select(
            "machine_id",
            "site",
            "model",
            "build_year",
            "episodes",
            ((pl.col("hours") - pl.col("entry")) / 10).alias("running_hours"),
            pl.Series("expected", end - begin),
            pl.Series("low", [low for low, _ in limits], dtype=pl.Float64),
            pl.Series("high", [high for _, high in limits], dtype=pl.Float64),
        )
        # Not by the ratio: of a machine without episodes where none were expected it is no number.
        .filter(pl.col("low") > pl.col("expected"))
        .with_columns(
            (pl.col("episodes") / pl.col("expected")).alias("ratio"),
            (pl.col("low") / pl.col("expected")).alias("lower"),
            (pl.col("high") / pl.col("expected")).alias("upper"),
        )
        .drop("low", "high")
        .sort(["ratio", "machine_id"], descending=[True, False])
    )


def _notes(exposure: pl.DataFrame, window: float) -> tuple[str, ...]:
    if exposure.is_empty():
        return ("No machine here can have this fault, or none has running hours.",)
    return (
        f"A comeback is the same fault on the same machine and side within {window:g} running hours of the "
        "repair; of several steps in one visit the most far-reaching one counts.",
        "Units are compared with the fleet's own curve over the same running hours, episodes of one case taken "
        "for a bunch; where all are alike, up to one in 40 stands out by chance alone. The ratio is raw: episodes "
        "over those expected.",
    )
