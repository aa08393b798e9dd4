"""Groups compared: observed over expected, competing endings, repeats by group, trends of machines."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from parts import Pump, Repeater, fleet_of_pumps, fleet_of_repeaters

from fleetlog.errors import UsageError
from fleetlog.lives.comparison import compare
from fleetlog.lives.incidence import incidence
from fleetlog.lives.repeats import _above_peers, _bunching, repeats
from fleetlog.lives.survival import survival
from fleetlog.lives.trend import FEWEST_EPISODES, trend
from fleetlog.session.fleet import Fleet, selection
from fleetlog.session.scope import WHOLE_FLEET, Scope
from fleetlog.stats.histories import MachineHistories
from fleetlog.stats.recurrent import mean_cumulative


def test_expected_failures_by_hand(tmp_path: Path) -> None:
    """Five pumps. Failures at 10 (A), 20 (B), 30 (A); the others are still running at 25 (B) and 40 (B).

    At risk of A and B: at 10 h 2 and 3, at 20 h 1 and 3, at 30 h 1 and 1. Expected of A: 2/5 + 1/4 + 1/2 = 23/20;
    of B: 3/5 + 3/4 + 1/2 = 37/20.
    """
    lives = [
        Pump(0, 10, "worn", "A"),
        Pump(0, 20, "worn", "B"),
        Pump(0, 30, "worn", "A"),
        Pump(0, 25, "", "B"),
        Pump(0, 40, "", "B"),
    ]
    with fleet_of_pumps(tmp_path, lives) as fleet:
        found = compare(fleet, component="drive_pump", by="site")
    rows = {row["group"]: row for row in found.groups.to_dicts()}
    assert (rows["A"]["observed"], rows["B"]["observed"]) == (2, 1)
    assert rows["A"]["expected"] == pytest.approx(23 / 20)
    assert rows["B"]["expected"] == pytest.approx(37 / 20)
    assert rows["A"]["ratio"] == pytest.approx(40 / 23)
    # Drawn towards 1, and not beyond it.
    assert 1 < rows["A"]["shrunk"] < rows["A"]["ratio"]
    assert rows["B"]["ratio"] < rows["B"]["shrunk"] < 1
    assert found.log_rank is not None
    # With two groups, one against the rest is the test of both, and Holm doubles it.
    assert rows["A"]["p_holm"] == pytest.approx(min(1.0, 2 * found.log_rank["p"]))
    assert any("From 2 groups little can be learnt" in note for note in found.notes)


def test_observed_and_expected_add_up_to_the_same(demo: Fleet) -> None:
    for strata in ((), ("variant",)):
        found = compare(demo, by="build_year", strata=strata)
        assert found.groups["expected"].sum() == pytest.approx(found.groups["observed"].sum())
        assert any("ratio is raw" in note for note in found.notes)
        assert (found.groups["lower"] < found.groups["shrunk"]).all()
        assert (found.groups["shrunk"] < found.groups["upper"]).all()


def test_years_are_compared_within_designs_unless_asked_otherwise(demo: Fleet) -> None:
    told, across = compare(demo), compare(demo, strata=())
    assert (told.strata, across.strata) == (("variant",), ())
    assert told.to_dict() == compare(demo, strata=("variant",)).to_dict()
    assert told.log_rank is not None
    assert across.log_rank is not None
    # what the older years have more of is the older design
    assert abs(told.log_rank["trend_z"]) < abs(across.log_rank["trend_z"])
    assert told.log_rank["trend_p_by_machine"] > across.log_rank["trend_p_by_machine"]
    assert compare(demo, by="variant").strata == ()
    assert any(
        "Test for a trend from group to group (log-rank within variant)" in one for one in told.remarks
    )


def test_the_groups_of_no_order_have_no_trend(demo: Fleet) -> None:
    found = compare(demo, by="site")
    assert found.log_rank is not None
    assert not any("trend" in name for name in found.log_rank)


def test_a_group_never_watched_when_anything_failed_is_named(tmp_path: Path) -> None:
    lives = [
        Pump(0, 100, "worn", "A"),
        Pump(0, 120, "worn", "B"),
        Pump(0, 300, "", "A"),
        Pump(0, 50, "", "New"),
    ]
    with fleet_of_pumps(tmp_path, lives) as fleet:
        found = compare(fleet, component="drive_pump", by="site")
    assert found.groups["group"].to_list() == ["A", "B"]
    assert any("never watched at an age at which anything failed: New" in note for note in found.notes)


@pytest.mark.parametrize(
    ("lives", "words"),
    [
        ([Pump(0, 100, "worn", "A"), Pump(0, 120, "", "A")], "There are not two groups of site"),
        ([Pump(0, 100, "", "A"), Pump(0, 120, "", "B")], "Nothing has failed here"),
    ],
)
def test_nothing_to_compare(tmp_path: Path, lives: list[Pump], words: str) -> None:
    with fleet_of_pumps(tmp_path, lives) as fleet:
        found = compare(fleet, component="drive_pump", by="site")
    assert found.groups.height == 0
    assert found.log_rank is None
    assert found.notes[0].startswith(words)


def test_endings_compete_by_hand(tmp_path: Path) -> None:
    """Four pumps: worn at 10, sound at 20, silent at 30, running at 40.

    F(worn) = 1/4; then of the 3/4 left a third: 1/4; then of the half left a half: 1/4.
    """
    lives = [Pump(0, 10, "worn"), Pump(0, 20, "sound"), Pump(0, 30, "silent"), Pump(0, 40)]
    with fleet_of_pumps(tmp_path, lives) as fleet:
        found = incidence(fleet, component="drive_pump")
        alone = survival(fleet, component="drive_pump").groups[0]
    (group,) = found.groups
    assert group.spells == 4
    assert group.endings.select("ending", "count").rows() == [
        ("replaced_sound", 1),
        ("replaced_unknown", 1),
        ("worn", 1),
    ]
    assert group.endings["incidence"].to_list() == pytest.approx([0.25, 0.25, 0.25])
    # One ending alone gives one minus the survival curve.
    assert 1 - alone.curve["survival"][-1] == pytest.approx(0.25)
    assert group.last_hours == 40.0


def test_incidences_add_up_to_all_that_ended(demo: Fleet) -> None:
    """Σ of the incidences and the share still running is one at every age; the counts are those of the lives."""
    for by in ((), ("variant",), ("variant", "side")):
        found = incidence(demo, by=by)
        for group in found.groups:
            total = group.curve.group_by("hours").agg(pl.col("incidence").sum())
            assert total["incidence"].max() <= 1 + 1e-12  # type: ignore[operator]
        spells = sum(group.spells for group in found.groups)
        ended = demo.store.execute(
            "SELECT count(*) FILTER (WHERE end_reason IN ('failed', 'replaced', 'removed')), count(*) FROM spell "
            "WHERE component = 'internal_bushing' AND entry < hours"
        )[0]
        assert (int(found.summary["count"].sum()), spells) == ended


def test_endings_are_compared_from_where_every_group_is_watched(tmp_path: Path) -> None:
    """One pump watched early fails at once; the test begins where five are watched, like the curve."""
    late = [Pump(500.0 + i, 900.0 + 40 * i, "worn" if i % 2 else "sound", "B") for i in range(10)]
    others = [Pump(0.0, 600.0 + 60 * i, "worn" if i % 3 else "sound", "A") for i in range(20)]
    tested = []
    for early in ([], [Pump(100.0, 300.0, "worn", "B")]):
        place = tmp_path / str(len(early))
        place.mkdir()
        with fleet_of_pumps(place, [*others, *late, *early]) as fleet:
            found = incidence(fleet, component="drive_pump", by=("site",))
        assert [test.ending for test in found.tests] == ["replaced_sound", "worn"]
        assert found.to_dict()["tests"][0]["ending"] == "replaced_sound"
        tested.append(found.tests)
    assert tested[0] == tested[1]
    with fleet_of_pumps(tmp_path, others) as fleet:
        assert incidence(fleet, component="drive_pump", by=("site",)).tests == ()


def test_a_group_in_which_nothing_ended(tmp_path: Path) -> None:
    with fleet_of_pumps(tmp_path, [Pump(0, 10), Pump(0, 20)]) as fleet:
        found = incidence(fleet, component="drive_pump", by=("site",))
    (group,) = found.groups
    assert (group.spells, group.endings.height, group.curve.height) == (2, 0, 0)
    assert found.frame.columns[0] == "site"
    assert found.to_dict()["rows"][0]["endings"] == []


UNITS = [
    *(Repeater(f"A{i}", 1000 + 20 * i, (300.0 + i, 700.0 + i), "A") for i in range(12)),
    *(Repeater(f"B{i}", 1000 + 20 * i, (500.0 + i,), "B") for i in range(12)),
]


def test_repeats_by_group(tmp_path: Path) -> None:
    with fleet_of_repeaters(tmp_path, UNITS) as fleet:
        found = repeats(fleet, by="site")
        whole = repeats(fleet)
    rows = {row["group"]: row for row in found.groups.to_dicts()}
    assert (rows["A"]["episodes"], rows["B"]["episodes"]) == (24, 12)
    hours = sum(unit.exit for unit in UNITS[:12])
    assert rows["A"]["per_1000_hours"] == pytest.approx(1000 * 24 / hours)
    # All are watched alike at every fault, so half of the 36 is expected of each.
    assert rows["A"]["expected"] == pytest.approx(18)
    assert rows["A"]["ratio"] == pytest.approx(24 / 18)
    assert found.group_test is not None
    assert found.group_test["df"] == 1
    assert found.group_test["p"] < 1e-6  # every machine of A has two, every machine of B one
    # First less second: two faults of A against one of B, each group alike, so the difference is one at the end.
    last = found.difference.row(-1, named=True)
    assert last["difference"] == pytest.approx(1.0)
    curves = found.group_curves.group_by("group").agg(pl.col("count").max())
    assert dict(curves.iter_rows()) == {"A": pytest.approx(2.0), "B": pytest.approx(1.0)}
    assert found.by_action.equals(whole.by_action)
    answer = found.to_dict()
    assert [row["group"] for row in answer["groups"]] == ["A", "B"]
    assert len(answer["groups"][0]["curve"]["hours"]) == 24


def test_more_than_two_groups_have_no_difference(demo: Fleet) -> None:
    found = repeats(demo, by="site")
    assert found.groups.height > 2
    assert found.difference.height == 0
    assert found.groups["expected"].sum() == pytest.approx(found.groups["episodes"].sum())
    assert (
        found.groups["episodes"].sum()
        == demo.store.execute("SELECT count(*) FROM episode WHERE fault = 'neutral-return'")[0][0]
    )


def test_groups_are_named_where_few(demo: Fleet) -> None:
    few = repeats(demo, Scope(sites=("Wrenmouth",)), by="build_year")
    assert (few.groups["machines"] < 10).any()
    assert any("Fewer than 10 machines in" in note for note in few.notes)
    alone = repeats(demo, Scope(sites=("Tolbeck",)), by="site")
    assert alone.group_test is None
    assert any("not two groups of site" in note for note in alone.notes)
    with pytest.raises(UsageError, match="compared by 'side'"):
        repeats(demo, by="side")


def test_trend_of_machines_by_hand(tmp_path: Path) -> None:
    """Four faults crowding late in (0, 1000]: U = (mean - 500) / (1000 / sqrt(12 · 4))."""
    late = (700.0, 800.0, 900.0, 950.0)
    units = [
        Repeater("Late", 1000, late),
        Repeater("Early", 1000, tuple(1000 - age for age in late)),
        Repeater("Few", 1000, (500.0, 600.0)),
        Repeater("Used", 2000, (1500.0,), entry=1000.0),
    ]
    with fleet_of_repeaters(tmp_path, units) as fleet:
        found = trend(fleet)
    rows = {row["machine_id"]: row for row in found.units.to_dicts()}
    assert set(rows) == {"Late", "Early"}
    assert len(late) == FEWEST_EPISODES
    u = (sum(late) / 4 - 500) / (1000 / math.sqrt(48))
    assert rows["Late"]["statistic"] == pytest.approx(u)
    assert rows["Early"]["statistic"] == pytest.approx(-u)
    assert (rows["Late"]["direction"], rows["Early"]["direction"]) == ("worse", "better")
    assert rows["Late"]["p_holm"] == pytest.approx(2 * rows["Late"]["p"])
    tests = {row["test"]: row for row in found.tests.to_dicts()}
    assert tests["laplace"]["events"] == 11
    # MIL-HDBK-189 takes the three machines watched from new: 2 · Σ log(1000 / age) over their ten faults.
    ages = [*late, *(1000 - age for age in late), 500.0, 600.0]
    assert tests["mil_hdbk_189"]["statistic"] == pytest.approx(2 * sum(math.log(1000 / age) for age in ages))
    assert tests["mil_hdbk_189"]["df"] == 20
    assert any("rests on the 3 machines watched from new" in note for note in found.notes)
    assert found.curve["count"].is_sorted()
    assert found.curve["fitted"].is_sorted()


def test_trend_by_generation(demo: Fleet) -> None:
    found = trend(demo, by="generation")
    assert set(found.groups["group"]) >= {"original", "improved"}
    assert found.groups["events"].sum() == found.tests["events"][0]
    told = found.groups.filter(pl.col("p").is_not_null())
    assert told.height >= 1
    assert (told["lower"] < told["shape"]).all()
    assert (told["shape"] < told["upper"]).all()
    # what contradicts the test by machine, since it takes episodes for independent, is not shown
    assert found.tests["test"].to_list() == ["laplace"]
    assert found.power_law is not None
    assert found.power_law["by_machine"]
    assert trend(demo).groups.is_empty()
    with pytest.raises(UsageError, match="cannot be grouped by 'side'"):
        trend(demo, by="side")


def test_no_trend_where_nothing_happened(tmp_path: Path) -> None:
    units = [Repeater("A", 1000, ()), Repeater("B", 1000, ())]
    with fleet_of_repeaters(tmp_path, units) as fleet:
        found = trend(fleet)
        by_site = repeats(fleet, by="site")
    assert found.tests.height == 0
    assert found.power_law is None
    assert found.summary.height == 0
    assert [note[:2] for note in found.notes[:3]] == ["No"] * 3
    assert by_site.group_test is None


def test_the_power_law_is_one_more_row_of_the_summary(demo: Fleet) -> None:
    found = trend(demo)
    assert found.power_law is not None
    last = found.summary.row(-1, named=True)
    assert last["test"] == "power_law_shape"
    assert last["statistic"] == found.power_law["shape"]
    assert [last["lower"], last["upper"]] == found.power_law["shape_ci"]
    assert last["p"] == found.power_law["constant_rate"]["p"]


def test_a_machine_that_left_before_anybody_had_a_fault_is_not_above_its_peers(tmp_path: Path) -> None:
    """Nothing was expected of it and nothing came: no ratio says anything."""
    units = [
        Repeater("often", 4000, tuple(range(1000, 4000, 300))),
        *(Repeater(f"seldom {place}", 4000, (3500.0 + place,)) for place in range(9)),
        Repeater("young", 500, ()),
    ]
    with fleet_of_repeaters(tmp_path, units) as fleet:
        found = repeats(fleet, Scope(fault="neutral-return")).units
    assert found["machine_id"].to_list() == ["often"]
    assert found["ratio"].is_finite().all()


def test_units_are_flagged_at_their_level_where_all_are_alike() -> None:
    """Cases at random, episodes in bunches: 1 to 3% stand out; taken for independent, thrice as many."""
    rng = np.random.default_rng(5)
    flagged = {True: 0, False: 0}
    fleets, machines = 20, 150
    for _ in range(fleets):
        hours = rng.integers(20_000, 100_000, machines)
        unit, at = [], []
        sizes = []
        for i, last in enumerate(hours):
            for _ in range(rng.poisson(last / 40_000)):
                size = int(rng.geometric(0.45))
                sizes.append(size)
                first = int(rng.integers(1, last))
                for k in range(size):
                    unit.append(i)
                    at.append(min(first + 50 * k, int(last)))
        names = np.arange(machines)
        curve = mean_cumulative(MachineHistories.of(names, 0, hours, np.array(unit), np.array(at)))
        exposure = pl.DataFrame(
            {
                "machine_id": [f"{i:03}" for i in names],
                "site": "A",
                "model": "B",
                "build_year": 2020,
                "entry": 0,
                "hours": hours,
                "episodes": np.bincount(unit, minlength=machines),
            }
        )
        bunching = float((np.array(sizes) ** 2).sum() / sum(sizes))
        for allowed in flagged:
            much = pl.Series([bunching if allowed else 1.0] * machines)
            flagged[allowed] += _above_peers(exposure, curve, 0.95, much).height
    share = {allowed: count / (fleets * machines) for allowed, count in flagged.items()}
    assert 0.008 <= share[True] <= 0.03
    assert share[False] > 2.5 * share[True]


def test_episodes_of_a_fleet_come_in_bunches(demo: Fleet) -> None:
    _, family = demo.begin(WHOLE_FLEET)
    exposure = demo.store.run("risk/machine_exposure", fault=family.name, **selection(WHOLE_FLEET))
    found = _bunching(demo, family.name, exposure)
    cases = demo.store.select("FROM case_file").filter(
        pl.col("fault") == family.name,
        pl.col("machine_id").is_in(exposure["machine_id"].to_list()),
        pl.col("machine_id") != exposure["machine_id"][0],
    )
    own = cases["episodes"].to_numpy()
    assert found[0] == float((own**2).sum() / own.sum()) > 1.0
    assert _bunching(demo, family.name, exposure.clear()).is_empty()
