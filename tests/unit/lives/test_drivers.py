"""Hazard ratios: sums by machine in the store against numpy, levels without failures, clocks, notes."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import polars as pl
import pytest
from parts import Pump, Repeater, fleet_of_pumps, fleet_of_repeaters
from spells import Spells

from fleetlog.charts.comparisons import drivers_chart
from fleetlog.charts.output import spec_of
from fleetlog.errors import UsageError
from fleetlog.lives.counting import Endings
from fleetlog.lives.drivers import DriversFinding, drivers
from fleetlog.session.fleet import Fleet
from fleetlog.session.scope import Scope
from fleetlog.stats.cox import CoxFit, fit_cox_cells
from fleetlog.stats.cox_cells import CoxCells


def by_numpy(lives: pl.DataFrame, found: DriversFinding, *, gap: bool = False) -> CoxFit:
    """The same model by the second road: single lives in memory, residuals summed there."""
    lives = lives.with_columns(pl.col(name).cast(pl.String).fill_null("unknown") for name in found.factors)
    for name in found.factors:
        kept = found.levels.filter((pl.col("term") == name) & (pl.col("failures") > 0))["level"]
        lives = lives.filter(pl.col(name).is_in(kept.to_list()))
    x = [(lives[row["term"]] == row["level"]).cast(pl.Float64).to_numpy() for row in found.ratios.to_dicts()]
    entry, hours = lives["entry"].to_numpy(), lives["hours"].to_numpy()
    spells = Spells.of(
        hours - entry if gap else hours,
        lives["failed"].to_numpy(),
        np.column_stack(x),
        entry=0 if gap else entry,
        strata=lives.select(found.strata).rows() if found.strata else None,
    )
    return spells.robust(spells.fit(), lives["machine_id"].to_numpy())


def agree(found: DriversFinding, other: CoxFit) -> None:
    robust = other.robust_std_errors
    assert robust is not None
    assert found.ratios["coefficient"].to_numpy() == pytest.approx(other.coefficients, rel=1e-9)
    assert found.ratios["std_error"].to_numpy() == pytest.approx(other.std_errors, rel=1e-9)
    assert found.ratios["robust_std_error"].to_numpy() == pytest.approx(robust, rel=1e-9)
    assert found.ratios["lower"].to_numpy() == pytest.approx(other.lower, rel=1e-9)
    assert found.ratios["upper"].to_numpy() == pytest.approx(other.upper, rel=1e-9)
    assert found.ratios["p"].to_numpy() == pytest.approx(other.p_values, rel=1e-9)
    covariance = other.robust_covariance
    assert covariance is not None
    for row in found.terms.to_dicts():
        own = np.flatnonzero((found.ratios["term"] == row["term"]).to_numpy())
        b = other.coefficients[own]
        chi2 = b @ np.linalg.solve(covariance[np.ix_(own, own)], b)
        assert (row["chi2"], row["df"]) == (pytest.approx(chi2, rel=1e-8), own.size)
    assert found.model["machines"] == other.clusters


def observed(fleet: Fleet) -> pl.DataFrame:
    return fleet.store.select("FROM spell WHERE component = 'internal_bushing' AND entry < hours")


@pytest.mark.parametrize(
    ("factors", "strata"),
    [
        (("variant",), ()),
        (("variant", "site", "side"), ()),
        (("site", "side"), ("variant",)),
        (("build_year", "site"), ("side",)),
        (("build_year", "site", "side"), ()),  # more coefficients than one run of the sums takes
    ],
)
def test_sums_in_the_store_are_those_of_numpy(
    demo: Fleet, factors: tuple[str, ...], strata: tuple[str, ...]
) -> None:
    found = drivers(demo, factors=factors, strata=strata, endings="recorded")
    agree(found, by_numpy(observed(demo), found))


@pytest.mark.parametrize("clock", ["total", "ordered", "gap"])
def test_recurrences_too(demo: Fleet, clock: str) -> None:
    found = drivers(demo, factors=("site", "machine_type"), clock=clock)
    assert found.strata == (() if clock == "total" else ("number",))
    agree(found, by_numpy(demo.store.select("FROM recurrence"), found, gap=clock == "gap"))


def test_what_lives_add_sums_to_the_score(demo: Fleet) -> None:
    """At the maximum the score is zero: all lives' residuals cancel, whatever the ties."""
    demo.history()
    counted = demo.store.run(
        "risk/survival",
        ["side"],
        component="internal_bushing",
        cause=None,
        sites=None,
        build_years=None,
        machines=None,
    )
    fit = fit_cox_cells(CoxCells.from_frame(counted, ["side"]))
    leave, fail = fit.residual_steps()
    cells = fit.likelihood.cells
    total = (leave[:, 0] * (cells.leaving - cells.entering) + fail[:, 0] * cells.failed).sum()
    assert total == pytest.approx(0.0, abs=1e-9)


def test_the_level_with_most_hours_is_compared_with_and_levels_without_failures_are_told(
    tmp_path: Path,
) -> None:
    lives = [
        *(Pump(0, 100 + 10 * i, "worn", "North") for i in range(5)),
        *(Pump(0, 90 + 8 * i, "worn", "South") for i in range(4)),
        *(Pump(0, 120 + i, "", "West") for i in range(3)),
    ]
    with fleet_of_pumps(tmp_path, lives) as fleet:
        found = drivers(fleet, component="drive_pump", factors=("site", "model"))
        only = drivers(fleet, Scope(sites=("North", "South")), component="drive_pump", factors=("site",))
    levels = {row["level"]: row for row in found.levels.filter(pl.col("term") == "site").to_dicts()}
    assert found.reference == {"site": "North"}
    assert (levels["North"]["hazard_ratio"], levels["North"]["lower"]) == (1.0, None)
    assert (levels["West"]["hazard_ratio"], levels["West"]["lower"]) == (0.0, None)
    # the chance that none of the failures came from West, at the limit: a product over them of the others' share
    south, limit, silence = found.ratios["hazard_ratio"][0], levels["West"]["upper"], 1.0
    for hours in sorted(life.exit for life in lives[:9]):
        others = sum(1.0 if life.site == "North" else south for life in lives[:9] if life.exit >= hours)
        west = sum(life.exit >= hours for life in lives[9:])
        silence *= others / (others + limit * west)
    assert silence == pytest.approx(0.05, rel=1e-6)
    assert levels["West"]["failures"] == 0
    assert levels["West"]["hours"] == 120 + 121 + 122
    assert found.ratios["level"].to_list() == ["South"]
    # in the picture: an interval from an arrow to its limit, without a point
    drawn = [row for rows in spec_of(drivers_chart(found))["datasets"].values() for row in rows]
    west = [row for row in drawn if row.get("name") == "Site West"]
    assert west
    assert {(row["shown"], row["to"], row["lower"]) for row in west} == {
        (None, levels["West"]["upper"], None)
    }
    # Lives of a level whose ratio is 0 weigh nothing: the others come out as if they were not there.
    assert found.ratios.equals(only.ratios)
    assert any("site West" in note and "compare --by site" in note for note in found.notes)
    assert any(note.startswith("model has one value only here (all)") for note in found.notes)
    assert any(note.startswith("9.0 failures a coefficient are few") for note in found.notes)
    assert any(note.startswith("Only 9 machines") and "too small" in note for note in found.notes)


def test_efron_and_breslow_differ_where_failures_tie(tmp_path: Path) -> None:
    lives = [Pump(0, 100 + 10 * (i // 3), "worn", ("A", "B")[i % 2]) for i in range(18)]
    with fleet_of_pumps(tmp_path, lives) as fleet:
        efron, breslow = (
            drivers(fleet, component="drive_pump", factors=("site",), ties=ties)
            for ties in ("efron", "breslow")
        )
    assert abs(efron.ratios["coefficient"][0]) > abs(breslow.ratios["coefficient"][0])


def test_a_worse_site_shows_on_every_clock_of_repeats(tmp_path: Path) -> None:
    def events(first: float, gap: float) -> tuple[float, ...]:
        return tuple(first + gap * i for i in range(int((2000 - first) // gap) + 1))

    units = [
        *(Repeater(f"B{i}", 2100, events(220 + 13 * i, 310 + 7 * i), "Bad") for i in range(12)),
        *(Repeater(f"G{i}", 2100, events(230 + 97 * i, 300 + 41 * i), "Good") for i in range(12)),
    ]
    with fleet_of_repeaters(tmp_path, units) as fleet:
        for clock in ("total", "ordered", "gap"):
            found = drivers(fleet, factors=("site",), clock=clock)
            ratio = {row["level"]: row["hazard_ratio"] for row in found.levels.to_dicts()}
            assert ratio["Bad"] > ratio["Good"]
            assert found.model["failures"] == sum(len(unit.events) for unit in units)


@pytest.mark.parametrize(
    ("how", "words"),
    [
        ({"factors": ("colour",)}, "cannot be explained by 'colour'"),
        ({"factors": ("variant",), "clock": "gap"}, "cannot be explained by 'variant'"),
        ({"factors": ("site",), "strata": ("site",)}, "site cannot make the groups and the strata at once"),
        ({"factors": ("site", "site")}, "named twice"),
        ({"factors": ()}, "at least one column"),
        ({"clock": "sundial"}, "no clock 'sundial'"),
        ({"ties": "cut"}, "no treatment of ties 'cut'"),
        ({"component": "hat"}, "'hat' are not followed"),
        ({"factors": ("control",)}, "No factor has two values"),
        (
            {
                "factors": ("side", "site"),
                "strata": ("build_year",),
                "component": "position_sensor",
                "endings": "recorded",
            },
            "this model",
        ),
    ],
)
def test_what_cannot_be_answered_is_said_in_a_sentence(
    demo: Fleet, how: dict[str, object], words: str
) -> None:
    with pytest.raises(UsageError, match=r"^[^\n]+$") as error:
        drivers(demo, **how)  # type: ignore[arg-type]
    assert words in str(error.value)


@pytest.mark.parametrize("endings", ["believed", "recorded"])
def test_ratios_of_lives_find_what_stretches_them(tmp_path: Path, endings: Endings) -> None:
    """Lives at South are made twice as long, quantile by quantile."""
    share = (np.arange(60) + 0.5) / 60
    north = np.round(600 * (-np.log1p(-share)) ** 0.5).astype(int)
    lives = [Pump(0, int(h) + 2, "worn", "North") for h in north]
    lives += [Pump(0, 2 * int(h) + 4, "worn", "South") for h in north]
    with fleet_of_pumps(tmp_path, lives) as fleet:
        found = drivers(fleet, component="drive_pump", factors=("site",), scale="time", endings=endings)
        hazard = drivers(fleet, component="drive_pump", factors=("site",), endings=endings)
    (row,) = found.ratios.to_dicts()
    assert (found.reference, row["level"]) == ({"site": "South"}, "North")
    assert row["life_ratio"] == pytest.approx(0.5, rel=0.01)
    assert row["lower"] < 0.5 < row["upper"] < 1
    assert found.model["distribution"] == "weibull"
    assert [law["aic"] for law in found.model["laws"]] == sorted(law["aic"] for law in found.model["laws"])
    assert found.concordance["c"] == pytest.approx(hazard.concordance["c"])
    assert found.concordance["std_error"] == pytest.approx(hazard.concordance["std_error"], rel=1e-6)
    assert found.levels.columns == ["term", "level", "failures", "hours", "life_ratio", "lower", "upper", "p"]
    assert "Law of the lives: weibull" in found.remarks[0]


def test_ratios_of_lives_need_lives(demo: Fleet) -> None:
    with pytest.raises(UsageError, match="clock lives"):
        drivers(demo, factors=("site",), clock="gap", scale="time")
    with pytest.raises(UsageError, match="no strata"):
        drivers(demo, factors=("site",), strata=("side",), scale="time")
    with pytest.raises(UsageError, match="no scale 'ages'"):
        drivers(demo, factors=("site",), scale="ages")  # type: ignore[arg-type]
