"""Does the repair hold? Comebacks by action, the mean cumulative count, and units above their peers."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

import polars as pl

from fleetlog.findings.base import WHOLE_FLEET, Scope, header
from fleetlog.findings.fleet import Fleet, selection
from fleetlog.stats.histories import MachineHistories
from fleetlog.stats.proportions import comeback_rate, garwood
from fleetlog.stats.recurrent import MeanCumulative, mean_cumulative
from fleetlog.stats.risk_table import RiskTable

if TYPE_CHECKING:
    import altair as alt


@dataclass(frozen=True)
class RepeatsFinding:
    """Repeat faults of one family.

    Attributes:
        window_hours: running hours within which a return counts as a comeback.
        by_action: one row a repair: action, component, attempts, comebacks, censored, comeback_rate, lower,
            upper, median_hours_to_comeback, labour_hours, cost (per attempt, mean).
        mean_cumulative: episodes per machine by running hours of the machine: hours, count, lower, upper.
        units: machines with more episodes than their peers' rate explains: machine_id, episodes,
            running_hours, expected, ratio, lower, upper.
    """

    as_of: date
    fault: str
    window_hours: float
    by_action: pl.DataFrame
    mean_cumulative: pl.DataFrame
    units: pl.DataFrame
    notes: tuple[str, ...] = ()

    @property
    def frame(self) -> pl.DataFrame:
        """The comeback table by action."""
        return self.by_action

    def to_dict(self) -> dict[str, Any]:
        """See the interface: by_action (also as rows), mean_cumulative, units."""
        return header(
            self,
            self.by_action.to_dicts(),
            window_hours=self.window_hours,
            by_action=self.by_action.to_dicts(),
            mean_cumulative=self.mean_cumulative.to_dict(as_series=False),
            units=self.units.to_dicts(),
        )

    def chart(self) -> alt.TopLevelMixin:
        """Comeback rate by action, with intervals."""
        from fleetlog.charts import comeback_chart

        return comeback_chart(self)


def repeats(
    fleet: Fleet,
    scope: Scope = WHOLE_FLEET,
    *,
    window_hours: float | None = None,
    component: str | None = None,
) -> RepeatsFinding:
    """Comeback rates by repair, the mean cumulative count of episodes, and units above their peers.

    Args:
        fleet: whom to ask.
        scope: which part of the fleet, as of when.
        window_hours: running hours within which a return counts; None takes the family's.
        component: only repairs of this component; None = all.
    """
    history, family = fleet.begin(scope)
    window = window_hours if window_hours is not None else family.windows.comeback_hours
    level = fleet.settings.survival.confidence
    chosen = selection(scope)
    exposure = fleet.store.run("risk/machine_exposure", fault=family.name, **chosen)
    by_action = _by_action(fleet, family.name, window, level, chosen)
    curve = mean_cumulative(machine_histories(fleet, family.name, exposure), level=level)
    return RepeatsFinding(
        as_of=history.as_of,
        fault=family.name,
        window_hours=window,
        by_action=by_action if component is None else by_action.filter(pl.col("component") == component),
        mean_cumulative=curve.to_frame().select("hours", "count", "lower", "upper", "at_risk"),
        units=_above_peers(exposure, curve, level),
        notes=_notes(exposure, window),
    )


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


def _above_peers(exposure: pl.DataFrame, curve: MeanCumulative, level: float) -> pl.DataFrame:
    """Machines whose count exceeds what the fleet's curve expects over the same stretch of hours."""
    begin, _ = curve.at(exposure["entry"].to_numpy() / 10)
    end, _ = curve.at(exposure["hours"].to_numpy() / 10)
    with_expected = exposure.select(
        "machine_id",
        "site",
        "model",
        "build_year",
        "episodes",
        ((pl.col("hours") - pl.col("entry")) / 10).alias("running_hours"),
        pl.Series("expected", end - begin),
    )
    limits = {count: garwood(count, level=level) for count in with_expected["episodes"].unique()}
    bounds = pl.DataFrame(
        [{"episodes": count, "low": low, "high": high} for count, (low, high) in limits.items()],
        schema={"episodes": pl.Int64, "low": pl.Float64, "high": pl.Float64},
    )
    return (
        with_expected.join(bounds, on="episodes", maintain_order="left")
        .with_columns(
            (pl.col("episodes") / pl.col("expected")).alias("ratio"),
            (pl.col("low") / pl.col("expected")).alias("lower"),
            (pl.col("high") / pl.col("expected")).alias("upper"),
        )
        .drop("low", "high")
        .filter(pl.col("lower") > 1)
        .sort(["ratio", "machine_id"], descending=[True, False])
    )


def _notes(exposure: pl.DataFrame, window: float) -> tuple[str, ...]:
    if exposure.is_empty():
        return ("No machine here can have this fault, or none has running hours.",)
    return (
        f"A comeback is the same fault on the same machine and side within {window:g} running hours of the "
        "repair; of several steps in one visit the most far-reaching one counts.",
        "Units are compared with the fleet's own curve over the same running hours; of many units some stand "
        "out by chance alone.",
    )
