"""Is it getting better or worse? Trend of a fault over the running hours of the machines."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

import polars as pl

from fleetlog.findings.base import WHOLE_FLEET, Scope, header
from fleetlog.findings.fleet import Fleet, selection
from fleetlog.findings.repeats import machine_histories
from fleetlog.stats.errors import StatsError
from fleetlog.stats.histories import MachineHistories
from fleetlog.stats.trend import TrendTest, fleet_power_law, laplace_test, mil_hdbk_189_test
from fleetlog.stats.unit_trends import unit_trends

if TYPE_CHECKING:
    import altair as alt

# Below this many episodes a test of one machine cannot tell a trend from chance.
FEWEST_EPISODES = 4


@dataclass(frozen=True)
class TrendFinding:
    """Trend tests and the power law of the fleet, and trend tests of single machines.

    Attributes:
        tests: one row a test: test, statistic, df, p, direction, events.
        power_law: shape (above 1: faults come ever faster), shape_ci, rate, events, machine_hours, and the test of
            a constant rate chi2, p; None with a note where it cannot be fitted.
        units: machines with at least FEWEST_EPISODES episodes: machine_id, episodes, statistic, p, direction.
    """

    as_of: date
    fault: str
    tests: pl.DataFrame
    power_law: Mapping[str, Any] | None
    units: pl.DataFrame
    notes: tuple[str, ...] = ()

    @property
    def frame(self) -> pl.DataFrame:
        """One row a test of the fleet."""
        return self.tests

    def to_dict(self) -> dict[str, Any]:
        """The fleet's tests as rows, the power law and the units."""
        return header(
            self,
            self.tests.to_dicts(),
            power_law=dict(self.power_law) if self.power_law else None,
            units=self.units.to_dicts(),
        )

    def chart(self) -> alt.TopLevelMixin:
        """Episodes per machine by running hours, whose bend shows the trend."""
        from fleetlog.charts import trend_chart

        return trend_chart(self)


def trend(fleet: Fleet, scope: Scope = WHOLE_FLEET) -> TrendFinding:
    """Laplace and MIL-HDBK-189 tests and the power law of a fault's episodes over machine hours.

    Args:
        fleet: whom to ask.
        scope: which part of the fleet, as of when.
    """
    history, family = fleet.begin(scope)
    exposure = fleet.store.run("risk/machine_exposure", fault=family.name, **selection(scope))
    histories = machine_histories(fleet, family.name, exposure)
    notes: list[str] = []
    law = _power_law(histories, fleet.settings.survival.confidence, notes)
    return TrendFinding(
        as_of=history.as_of,
        fault=family.name,
        tests=_fleet_tests(histories, notes),
        power_law=law,
        units=_unit_tests(histories, exposure),
        notes=(*notes, "The clock is the running hours of each machine, not the calendar."),
    )


def _power_law(histories: MachineHistories, level: float, notes: list[str]) -> dict[str, Any] | None:
    try:
        law = fleet_power_law(histories.table(), level=level)
    except StatsError as error:
        notes.append(f"No power law: {error}.")
        return None
    return {
        "shape": law.shape,
        "shape_ci": list(law.shape_ci) if law.shape_ci else None,
        "rate": law.rate,
        "events": law.events,
        "machine_hours": law.machine_hours,
        "constant_rate": {"chi2": law.constant_rate_chi2, "p": law.constant_rate_p},
    }


def _fleet_tests(histories: MachineHistories, notes: list[str]) -> pl.DataFrame:
    rows = []
    for name, test in (("laplace", laplace_test), ("mil_hdbk_189", mil_hdbk_189_test)):
        try:
            rows.append({"test": name, **_row(test(histories))})
        except StatsError as error:
            notes.append(f"No {name} test: {error}.")
    schema = {
        "test": pl.String,
        "statistic": pl.Float64,
        "df": pl.Int64,
        "p": pl.Float64,
        "direction": pl.String,
        "events": pl.Int64,
    }
    return pl.DataFrame(rows, schema=schema)


def _row(test: TrendTest) -> dict[str, Any]:
    return {
        "statistic": test.statistic,
        "df": test.df,
        "p": test.p,
        "direction": test.direction,
        "events": test.events,
    }


def _unit_tests(histories: MachineHistories, exposure: pl.DataFrame) -> pl.DataFrame:
    """Laplace's test of every machine with enough episodes."""
    found = unit_trends(histories)
    return (
        exposure.select("machine_id")
        .sort("machine_id")
        .with_columns(
            pl.Series("episodes", found.events),
            pl.Series("statistic", found.statistic),
            pl.Series("p", found.p),
        )
        .filter(pl.col("episodes") >= FEWEST_EPISODES)
        .with_columns(
            pl.when(pl.col("statistic") > 0)
            .then(pl.lit("worse"))
            .otherwise(pl.lit("better"))
            .alias("direction")
        )
        .sort("p", "machine_id")
    )
