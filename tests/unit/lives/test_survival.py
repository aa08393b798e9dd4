"""Few failures, careless readings, unknown endings: what survival says beside its curve."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from parts import Pump, fleet_of_pumps
from small_fleet import MACHINE, fleet_of
from test_episodes_and_repairs import STEADY, line, order
from trade import SINCE_2017_TOML

from fleetlog.errors import UsageError
from fleetlog.lives.life_fit import LifeFit, fit_life, prior_for
from fleetlog.lives.splits import counted_lives, pooled, split
from fleetlog.lives.survival import SurvivalGroup, survival
from fleetlog.session.fleet import Fleet
from fleetlog.stats.lifetimes import fit_weibull_fixed_shape, fit_weibull_prior
from fleetlog.stats.risk_table import RiskTable

# tests/reference/fleets.py asks for a free shape from two failures on; here the default of five holds.
FIVE = "[survival]\nminimum_at_risk = 1\nminimum_failures = 5\n"


def one(fleet: Fleet, component: str = "internal_bushing", **how: object) -> SurvivalGroup:
    return next(iter(survival(fleet, component=component, **how).groups))  # type: ignore[arg-type]


def table_of(fleet: Fleet, component: str) -> RiskTable:
    counted = fleet.store.run(
        "risk/survival",
        component=component,
        cause=None,
        sites=None,
        build_years=None,
        machines=None,
    )
    return RiskTable.from_frame(counted)


def bushings(folder: Path, *lines: dict[str, object], machine: dict[str, str] = MACHINE) -> Fleet:
    orders = [order(name, "2020-03-01") for name in dict.fromkeys(str(one["work_order_id"]) for one in lines)]
    tables = {
        "machines": [machine],
        "meter_readings": STEADY,
        "work_orders": orders,
        "work_lines": list(lines),
    }
    return fleet_of(folder, {kind: rows for kind, rows in tables.items() if rows}, FIVE + SINCE_2017_TOML)


def replaced(name: str, side: str, finding: str) -> dict[str, object]:
    done = line(name, "internal_bushing", "replace", side=side, finding=finding, done_at="2020-03-01T00:00")
    return dict(done)


def test_one_failure_leans_on_the_shape_of_the_family(tmp_path: Path) -> None:
    with bushings(tmp_path, replaced("W1", "left", "worn")) as fleet:
        group = one(fleet, by=("variant",), cause="worn")
        other = next(
            found for found in survival(fleet, by=("variant",)).groups if found.group["variant"] == "original"
        )
        hazard = fleet.family("neutral-return").hazard("internal_bushing", "original")
    assert group.weibull is not None
    fit = other.weibull
    assert fit is not None
    assert fit["method"] == "shape from a prior"
    assert fit["prior"] == {
        "shape": hazard.shape,
        "log_sd": 0.3,
        "family": "neutral-return",
        "cause": "internal_bushing",
        "source": hazard.source,
    }
    assert fit["scale_ci"] is not None
    assert fit["scale_ci"][0] < fit["scale_hours"] < fit["scale_ci"][1]
    assert "too few failures" in other.note
    assert f"prior with median {hazard.shape:g}" in other.note
    assert hazard.source in other.note
    assert other.fits == ()


def test_the_prior_fit_is_that_of_the_risk_table(demo: Fleet) -> None:
    found = survival(demo, by=("variant",), endings="recorded")
    improved = next(group for group in found.groups if group.group["variant"] == "improved")
    assert improved.failures < demo.settings.survival.minimum_failures
    hazard = demo.family("neutral-return").hazard("internal_bushing", "improved")
    counted = demo.store.run(
        "risk/survival",
        ["variant"],
        component="internal_bushing",
        cause=None,
        sites=None,
        build_years=None,
        machines=None,
    )
    table = pooled(dict(split(counted, ("variant",)))[("improved",)])
    fit = fit_weibull_prior(table, shape=hazard.shape, log_sd=0.3)
    assert improved.weibull is not None
    assert improved.weibull["shape"] == fit.shape
    assert improved.weibull["scale_hours"] == fit.scale_hours


@pytest.mark.parametrize("by", [(), ("build_year",), ("variant", "site", "side")])
@pytest.mark.parametrize("cause", [None, "worn"])
def test_lives_counted_here_make_the_table_that_the_store_makes(
    demo: Fleet, by: tuple[str, ...], cause: str | None
) -> None:
    demo.history()
    chosen = {"component": "internal_bushing", "cause": cause, "sites": None, "build_years": None}
    here = counted_lives(demo.store, by, **chosen, machines=None)
    assert here.equals(demo.store.run("risk/survival", by, **chosen, machines=None))
    assert here.height > 100


def test_without_a_failure_there_is_a_limit_and_no_estimate(tmp_path: Path) -> None:
    with bushings(tmp_path) as fleet:
        group = one(fleet)
        table = table_of(fleet, "internal_bushing")
        shape = fleet.family("neutral-return").hazard("internal_bushing", "").shape
    fit = group.weibull
    assert fit is not None
    assert (fit["method"], fit["shape"], fit["shape_ci"]) == ("fixed shape", shape, None)
    assert fit["scale_hours"] is None
    assert fit["b10_hours"] is None
    assert fit["median_hours"] is None
    bound = fit_weibull_fixed_shape(table, shape=shape)
    assert fit["scale_ci"] == [bound.scale_hours, None]
    assert fit["median_ci"] == [pytest.approx(bound.b_life(0.5).estimate), None]
    # No failure over an exposure of M = sum of x^k - e^k: exp(-M / scale^k) = 0.05 at the limit.
    hours, net = table.hours / 10, table.leaving - table.entering
    exposure = float((net * hours**shape).sum())
    assert fit["scale_ci"][0] == pytest.approx((exposure / 2.995732273553991) ** (1 / shape))
    assert "no failure yet" in group.note
    assert "a limit, no estimate" in group.note


def test_without_a_prior_few_failures_have_no_fit(demo: Fleet) -> None:
    assert prior_for(demo, demo.family("neutral-return"), "track", "") is None
    table = RiskTable.from_spells(0, [1000, 1500], [1, 0])
    found = fit_life(table, level=0.95, minimum=5, prior=None)
    assert found == LifeFit(None, (), "too few failures for a Weibull fit of its own (1, at least 5 needed)")


def test_a_part_of_another_family_leans_on_that_family(demo: Fleet) -> None:
    found = prior_for(demo, demo.family("neutral-return"), "drive_pump", "")
    assert found is not None
    assert found.family == "oil-overheating"
    assert found.hazard in demo.family("oil-overheating").hazards


def test_late_entry_ignored_would_make_old_parts_look_immortal(tmp_path: Path) -> None:
    """Twenty pumps watched from new, of which ten fail by 500 h; forty bought at 600 h, of which twenty fail.

    Worked by hand. Rightly, the tenth failure at 500 h leaves 10 of the 20 at risk: half. With the forty counted
    at risk from new it leaves 50 of 60; the other ten go at 700 h, and of the forty the 16th to fail, at 900 +
    15 x 5 = 975 h, brings 50/60 x 24/40 down to a half.
    """
    young = [Pump(0, 410 + 10 * i, "worn") for i in range(10)] + [Pump(0, 700)] * 10
    old = [Pump(600, 900 + 5 * i, "worn" if i < 20 else "") for i in range(40)]
    with fleet_of_pumps(tmp_path, [*young, *old]) as fleet:
        group = one(fleet, "drive_pump")
    reading = group.naive["ignoring_delayed_entry"]
    assert reading == {"lives": 40, "share": 0.5, "hours": 500.0, "naive_hours": 975.0, "material": True}
    assert "half would fail by 975 h instead of 500 h" in group.note
    assert group.naive["unknown_as_failed"] is None


def test_watched_from_new_there_is_nothing_to_ignore(tmp_path: Path) -> None:
    with fleet_of_pumps(tmp_path, [Pump(0, 100 + i, "worn") for i in range(6)]) as fleet:
        group = one(fleet, "drive_pump")
    assert set(group.naive.values()) == {None}


def test_replacements_without_a_finding_are_counted_both_ways(tmp_path: Path) -> None:
    """Ten pumps in a row of ages; three replaced in silence, one found sound.

    As given: the silent ones censor. S = 9/10 · 8/9 at 110 h, then at 150, 160, … one of five, four, …
    As failures: half of the ten have failed by 140 h.
    """
    endings = ("worn", "worn", "silent", "silent", "silent", "worn", "worn", "worn", "worn", "sound")
    lives = [Pump(0, 100 + 10 * i, ending) for i, ending in enumerate(endings)]
    with fleet_of_pumps(tmp_path, lives) as fleet:
        group = one(fleet, "drive_pump")
    assert group.failures == 6
    reading = group.naive["unknown_as_failed"]
    assert reading == {"lives": 3, "share": 0.5, "hours": 160.0, "naive_hours": 140.0, "material": True}
    assert "3 parts replaced without a finding count as sound" in group.note
    assert "half would fail by 140 h instead of 160 h" in group.note


@pytest.mark.parametrize(
    ("lines", "unknown"),
    [
        ([("W1", "left", "no_fault_found")], 0),
        ([("W1", "left", "dirty")], 0),
        ([("W1", "left", "")], 1),
        ([("W1", "", "worn")], 2),  # which side was worn is not told, so nothing is known of either
        ([("W1", "left", ""), ("W2", "left", "no_fault_found")], 0),
    ],
)
def test_what_counts_as_unknown(tmp_path: Path, lines: list[tuple[str, str, str]], unknown: int) -> None:
    with bushings(tmp_path, *(replaced(*told) for told in lines)) as fleet:
        fleet.history()
        found = fleet.store.run(
            "risk/unknown_endings",
            component="internal_bushing",
            sites=None,
            build_years=None,
            machines=None,
        )
    assert int(found["lives"].sum()) == unknown


def test_a_pump_replaced_says_nothing_of_the_bushings_inside(tmp_path: Path) -> None:
    done = dict(line("W1", "drive_pump", "replace", finding="worn", done_at="2020-03-01T00:00"))
    with bushings(tmp_path, done) as fleet:
        assert one(fleet).naive["unknown_as_failed"]["lives"] == 2


def test_a_life_watched_over_no_hours_is_named(tmp_path: Path) -> None:
    """The bushing goes on the day records begin: it enters and leaves at 1,000 h."""
    done = dict(
        line(
            "W1",
            "internal_bushing",
            "replace",
            side="left",
            finding="worn",
            done_at="2020-01-01T00:00",
        )
    )
    with bushings(tmp_path, done) as fleet:
        found = survival(fleet)
        spells = fleet.store.execute(
            "SELECT entry = hours FROM spell WHERE component = 'internal_bushing' AND side = 'left' AND fit = 1"
        )
    assert spells == [(True,)]
    assert any("entry = exit" in note and note.startswith("1 lives") for note in found.notes)
    assert sum(group.spells for group in found.groups) == 2


def test_the_test_respects_strata_and_the_curves_do_not(demo: Fleet) -> None:
    plain = survival(demo, by=("site",))
    within = survival(demo, by=("site",), strata=("variant",))
    assert plain.log_rank != within.log_rank
    for one_group, other in zip(plain.groups, within.groups, strict=True):
        assert one_group.curve.equals(other.curve)
    answer = json.loads(json.dumps(within.to_dict()))
    assert (answer["strata"], answer["test"], answer["interval"]) == (["variant"], "log-rank", "log-log")


def test_json_has_the_hazard_and_the_fits(demo: Fleet) -> None:
    for row in survival(demo, by=("variant",)).to_dict()["rows"]:
        steps = len(row["hours"])
        for name in ("std_error", "cumulative_hazard", "cumulative_hazard_lower", "cumulative_hazard_upper"):
            assert len(row[name]) == steps
        if row["fits"]:
            assert {one_fit["distribution"] for one_fit in row["fits"]} == {
                "weibull",
                "lognormal",
                "loglogistic",
                "exponential",
            }


@pytest.mark.parametrize(
    ("how", "words"),
    [
        ({"interval": "wide"}, "no interval 'wide'"),
        ({"test": "eyeball"}, "no test 'eyeball'"),
        ({"by": ("site",), "strata": ("site",)}, "site cannot make the groups and the strata"),
        ({"strata": ("colour",)}, "cannot be split by 'colour'"),
    ],
)
def test_unknown_choices_are_refused(demo: Fleet, how: dict[str, object], words: str) -> None:
    with pytest.raises(UsageError, match=words):
        survival(demo, **how)  # type: ignore[arg-type]
