"""Is it getting better or worse? Trend of a fault over the running hours of the machines."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from datetime import date
from typing import Any, ClassVar

import numpy as np
import polars as pl

from fleetlog.errors import UsageError
from fleetlog.faults import FaultFamily
from fleetlog.lives.repeats import machine_histories
from fleetlog.lives.splits import split
from fleetlog.questions import proposal
from fleetlog.session.finding import Finding, header
from fleetlog.session.fleet import Fleet, selection
from fleetlog.session.scope import WHOLE_FLEET, Scope
from fleetlog.stats.errors import StatsError
from fleetlog.stats.histories import MachineHistories
from fleetlog.stats.log_rank import holm
from fleetlog.stats.recurrent import mean_cumulative
from fleetlog.stats.trend import TrendTest, fleet_power_law, laplace_test, mil_hdbk_189_test, unit_trends
from fleetlog.stats.trend_by_machine import FEWEST_MACHINES, laplace_by_machine, power_law_by_machine

# Below this many episodes a test of one machine cannot tell a trend from chance.
FEWEST_EPISODES = 4


@dataclass(frozen=True, repr=False)
class TrendFinding(Finding):
    """Trend tests and the power law of the fleet, and trend tests of single machines.

    Attributes:
        tests: one row a test: test, statistic, df, p, direction, events. With an episode in ten machines or more each
            machine is compared with itself alone and its episodes count together (Student's t, df = machines less
            one); with fewer, episodes are taken for independent.
        power_law: shape (above 1: faults come ever faster), shape_ci, rate (per machine and hour ^ shape),
            events, machine_hours, by_machine (whether each machine has a rate of its own), and the test of a
            constant rate (chi2, p); None with a note where it cannot be fitted.
        groups: the same by group where asked: group, machines, events, statistic, p, shape, lower, upper.
        units: machines with at least FEWEST_EPISODES episodes: machine_id, episodes, statistic, p, p_holm
            (adjusted for looking at all of them), direction.
        curve: episodes per machine by running hours: hours, count, lower, upper, at_risk, and fitted (by the
            power law from the first age on record).
    """

    question: ClassVar[str] = "trend"

    as_of: date
    fault: str
    tests: pl.DataFrame
    power_law: Mapping[str, Any] | None
    units: pl.DataFrame
    notes: tuple[str, ...] = ()
    curve: pl.DataFrame = field(default_factory=pl.DataFrame)
    by: str = ""
    groups: pl.DataFrame = field(default_factory=pl.DataFrame)

    @property
    def frame(self) -> pl.DataFrame:
        """One row a test of the fleet."""
        return self.tests

    @property
    def summary(self) -> pl.DataFrame:
        """The tests, and the power law as one more: its statistic the shape, its p that of a steady rate."""
        rows = self.tests.with_columns(
            pl.lit(None, dtype=pl.Float64).alias("lower"), pl.lit(None, dtype=pl.Float64).alias("upper")
        )
        if self.power_law is None:
            return rows
        lower, upper = self.power_law["shape_ci"] or (None, None)
        shape = self.power_law["shape"]
        law = {
            "test": "power_law_shape",
            "statistic": shape,
            "df": None,
            "p": self.power_law["constant_rate"]["p"],
            "direction": "worse" if shape > 1 else "better" if shape < 1 else "neither",
            "events": int(self.power_law["events"]),
            "lower": lower,
            "upper": upper,
        }
        return pl.concat([rows, pl.DataFrame([law], schema=rows.schema)])

    def to_dict(self) -> dict[str, Any]:
        """The fleet's tests as rows, the power law and the units."""
        return header(
            self,
            self.tests,
            power_law=self.power_law,
            units=self.units,
            curve=self.curve.to_dict(as_series=False),
            by=self.by,
            groups=self.groups,
        )


GENERATION = "generation"
"""The design of the leading part that a machine left the factory with."""

GROUPS = (GENERATION, "build_year", "site", "make", "model", "machine_type")


def trend(fleet: Fleet, scope: Scope = WHOLE_FLEET, *, by: str | None = None) -> TrendFinding:
    """Laplace and MIL-HDBK-189 tests and the power law of a fault's episodes over machine hours.

    Args:
        by: groups of machines to test one by one as well: generation (design of the leading part that they left the
            factory with), build_year, site, make, model or machine_type.

    Raises:
        UsageError: for another column, or generations of a fault that follows no part.

    Examples:
        >>> june.trend().summary["test"].to_list()
        ['laplace', 'power_law_shape']
    """
    history, family = fleet.begin(scope)
    if by is not None and by not in GROUPS:
        raise UsageError(f"Machines cannot be grouped by {by!r} here; {proposal(by, GROUPS)}")
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
        curve=_curve(histories, law, fleet.settings.survival.confidence),
        by=by or "",
        groups=_by_group(fleet, family, exposure, by, selection(scope)) if by else pl.DataFrame(),
        notes=(*notes, "The clock is the running hours of each machine, not the calendar."),
    )


def _by_group(
    fleet: Fleet, family: FaultFamily, exposure: pl.DataFrame, by: str, chosen: dict[str, Any]
) -> pl.DataFrame:
    """The test and the shape of each group; null where too few of its machines had an episode."""
    if by == GENERATION:
        if family.leading_component is None:
            raise UsageError(
                f"The fault family {family.name} follows no part, so machines have no generations."
            )
        facts = fleet.store.run(
            "risk/life_columns", ["variant"], component=family.leading_component, **chosen
        )
        own = facts.sort("of_machine", "of_fit", "of_side").unique(
            "of_machine", keep="first", maintain_order=True
        )
        exposure = exposure.join(
            own.select(machine_id="of_machine", generation="variant"),
            on="machine_id",
            how="left",
            maintain_order="left",
        )
    rows = []
    for (name,), part in split(exposure.sort(by, "machine_id", nulls_last=True), (by,)):
        histories = machine_histories(fleet, family.name, part)
        row: dict[str, Any] = {"group": name, "machines": part.height, "events": int(part["episodes"].sum())}
        try:
            test = laplace_by_machine(histories)
            row |= {"statistic": test.statistic, "p": test.p}
        except StatsError:
            pass
        law = _own_rates(histories, fleet.settings.survival.confidence)
        if law is not None:
            row |= {"shape": law["shape"], "lower": law["shape_ci"][0], "upper": law["shape_ci"][1]}
        rows.append(row)
    return pl.DataFrame(rows, schema=_GROUP_COLUMNS)


_GROUP_COLUMNS = {
    "group": pl.String,
    "machines": pl.Int64,
    "events": pl.Int64,
    **dict.fromkeys(("statistic", "p", "shape", "lower", "upper"), pl.Float64),
}


def _curve(histories: MachineHistories, law: Mapping[str, Any] | None, level: float) -> pl.DataFrame:
    """Episodes per machine as counted and as the power law has them."""
    curve = mean_cumulative(histories, level=level).to_frame()
    if law is None:
        fitted = pl.lit(None, dtype=pl.Float64)
    else:
        begin = float(histories.entry.min()) / histories.per_hour
        fitted = law["rate"] * (pl.col("hours").pow(law["shape"]) - begin ** law["shape"])
    return curve.select("hours", "count", "lower", "upper", "at_risk", fitted.alias("fitted"))


def _from_new(histories: MachineHistories) -> MachineHistories:
    """Only the machines watched from new."""
    new = histories.entry == 0
    number = np.cumsum(new) - 1
    own = new[histories.event_machine]
    return MachineHistories(
        histories.entry[new],
        histories.exit[new],
        number[histories.event_machine[own]],
        histories.event_ticks[own],
        histories.event_count[own],
        histories.per_hour,
    )


def _own_rates(histories: MachineHistories, level: float) -> dict[str, Any] | None:
    """The power law with a rate of each machine's own; None where machines are too few to tell how they differ."""
    try:
        law = power_law_by_machine(histories, level=level)
    except StatsError:
        return None
    hours = histories.table()
    log_hours = np.log(np.maximum(hours.hours, 1) / hours.per_hour)
    net = np.where(hours.hours > 0, hours.leaving - hours.entering, 0)
    expected = float((net * np.exp(law.shape * log_hours)).sum())
    return {
        "shape": law.shape,
        "shape_ci": list(law.shape_ci),
        "rate": law.test.events / expected,
        "events": float(law.test.events),
        "machine_hours": float((net * hours.hours).sum()) / hours.per_hour,
        "constant_rate": {"chi2": law.test.statistic**2, "p": law.test.p},
        "by_machine": True,
    }


def _power_law(histories: MachineHistories, level: float, notes: list[str]) -> dict[str, Any] | None:
    own = _own_rates(histories, level)
    if own is not None:
        return own
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
        "by_machine": False,
    }


_TESTS = {
    "test": pl.String,
    "statistic": pl.Float64,
    "df": pl.Int64,
    "p": pl.Float64,
    "direction": pl.String,
    "events": pl.Int64,
}


def _fleet_tests(histories: MachineHistories, notes: list[str]) -> pl.DataFrame:
    """By machine where there are enough of them: the tests that take episodes for independent are then not shown."""
    try:
        test = laplace_by_machine(histories)
    except StatsError:
        pass
    else:
        notes.append(
            "Each machine is compared with itself alone, and its episodes count together: neither bunches nor a mix of "
            "good and bad machines make a trend."
        )
        direction = "worse" if test.statistic > 0 else "better" if test.statistic < 0 else "neither"
        return pl.DataFrame([{"test": "laplace", **asdict(test), "direction": direction}], schema=_TESTS)
    new = int((histories.entry == 0).sum())
    rows = []
    try:
        rows.append({"test": "laplace", **_row(laplace_test(histories))})
    except StatsError as error:
        notes.append(f"No laplace test: {error}.")
    if new == 0:
        notes.append("No mil_hdbk_189 test: it needs machines watched from new, and none was.")
    else:
        try:
            rows.append({"test": "mil_hdbk_189", **_row(mil_hdbk_189_test(_from_new(histories)))})
            if new < histories.machines:
                notes.append(f"mil_hdbk_189 rests on the {new} machines watched from new.")
        except StatsError as error:
            notes.append(f"No mil_hdbk_189 test: {error}.")
    if rows:
        notes.append(
            f"With episodes in fewer than {FEWEST_MACHINES} machines, episodes are taken for independent: "
            "bunches of them can look like a trend."
        )
    return pl.DataFrame(rows, schema=_TESTS)


def _row(test: TrendTest) -> dict[str, Any]:
    """A test as a row."""
    return {
        "statistic": test.statistic,
        "df": test.df,
        "p": test.p,
        "direction": test.direction,
        "events": test.events,
    }


def _unit_tests(histories: MachineHistories, exposure: pl.DataFrame) -> pl.DataFrame:
    """Laplace's test of every machine with enough episodes."""
    tests_by_unit = unit_trends(histories)
    tried = (
        exposure.select("machine_id")
        .sort("machine_id")
        .with_columns(
            pl.Series("episodes", tests_by_unit.events),
            pl.Series("statistic", tests_by_unit.statistic),
            pl.Series("p", tests_by_unit.p),
        )
        .filter(pl.col("episodes") >= FEWEST_EPISODES)
        .sort("p", "machine_id")
    )
    return tried.select(
        "machine_id",
        "episodes",
        "statistic",
        "p",
        pl.Series("p_holm", holm(tried["p"].to_numpy()), dtype=pl.Float64),
        pl.when(pl.col("statistic") > 0)
        .then(pl.lit("worse"))
        .when(pl.col("statistic") < 0)
        .then(pl.lit("better"))
        .otherwise(pl.lit("neither"))
        .alias("direction"),
    )
