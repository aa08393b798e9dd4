"""What a plan makes of an invented fleet: makers and their changes, rentals, habits, set cases, free text."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from fleetlog.faults import load_families
from fleetlog.simulation.arrays import days_since_epoch
from fleetlog.simulation.law import World
from fleetlog.simulation.machines import RentalClock
from fleetlog.simulation.options import ORDER, DesignChange, Facts, FleetPlan, Habit, Make, RecordKeeping
from fleetlog.simulation.scripted import Story, Visit
from fleetlog.simulation.simulate import SimulatedFleet, simulate
from fleetlog.simulation.wording import Phrases, worded

CODES = {"left": (524100, "XL"), "right": (524101, "XR")}
MAKES = (
    Make("Early", 0.5, (("E1", "skid_steer_loader"),), CODES, "E"),
    Make("Serial", 0.5, (("S1", "compact_track_loader"),), {"left": (0, "SL"), "right": (0, "SR")}, "S"),
)
CHANGES = (
    DesignChange("internal_bushing", "improved", "Early", built_from=date(2015, 1, 1)),
    DesignChange("internal_bushing", "improved", "Serial", serial_from="S200000"),
)
NAMES = tuple(f"U{number:03}" for number in range(150))
PLAN = FleetPlan(
    names=NAMES,
    sites=("North", "South"),
    makes=MAKES,
    changes=CHANGES,
    manual=0.2,
    season=(0.5, 0.5, 1.0, 1.0, 1.2, 1.2, 1.2, 1.2, 1.0, 1.0, 1.0, 0.5),
    day_rates={"skid_steer_loader": 200.0, "compact_track_loader": 300.0},
)


def made(folder: Path, plan: FleetPlan = PLAN, **more: object) -> SimulatedFleet:
    return simulate(folder, machines=150, years=5, seed=6, plan=plan, **more)  # type: ignore[arg-type]


def table(fleet: SimulatedFleet, kind: str) -> pl.DataFrame:
    return pl.read_csv(fleet.files / f"{kind}.csv", infer_schema_length=None, try_parse_dates=True)


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> SimulatedFleet:
    return made(tmp_path_factory.mktemp("planned"))


def test_makers_send_their_own_codes_and_number_in_the_order_of_build_dates(fleet: SimulatedFleet) -> None:
    machines = table(fleet, "machines")
    assert set(machines["make"]) == {"Early", "Serial"}
    assert set(machines["site"]) == {"North", "South"}
    for _, rows in machines.group_by("make"):
        ordered = rows.sort("build_date")["serial_number"]
        assert ordered.str.slice(0, 3).to_list() == sorted(ordered.str.slice(0, 3).to_list())
    codes = table(fleet, "fault_codes").join(machines, on="machine_id")
    assert set(codes.filter(make="Early")["spn"]) == {524100, 524101}
    assert codes.filter(make="Serial")["spn"].null_count() == codes.filter(make="Serial").height > 0
    assert set(codes.filter(make="Serial", side="left")["code"]) == {"SL"}


def test_manual_machines_have_no_case(fleet: SimulatedFleet) -> None:
    machines = table(fleet, "machines")
    manual = machines.filter(control="manual")["machine_id"].to_list()
    assert 15 < len(manual) < 50
    assert not fleet.true_cases().filter(pl.col("machine_id").is_in(manual)).height


def test_each_maker_has_its_own_change() -> None:
    family = load_families()["neutral-return"]
    world = World.of(family, ORDER, PLAN, 5, date(2026, 6, 30), 30)
    k = world.causes.index("internal_bushing")
    built = np.array([float(days_since_epoch(day)) for day in (date(2014, 12, 31), date(2015, 1, 1))] * 2)
    rows = world.hazard_built(k, built, np.array([0, 0, 1, 1]), ["E199999", "E100000", "S199999", "S200000"])
    assert [family.hazards[row].variant for row in rows] == ["original", "improved"] * 2
    kept = replace(PLAN, changes=CHANGES[:1])
    rows = World.of(family, ORDER, kept, 5, date(2026, 6, 30), 30).hazard_built(
        k, built + 4000, np.array([0, 0, 1, 1]), ["E1", "E1", "S3", "S3"]
    )
    assert [family.hazards[row].variant for row in rows] == ["improved", "improved", "original", "original"]


@pytest.mark.slow
def test_machines_run_while_they_are_out_and_only_then(fleet: SimulatedFleet) -> None:
    """Between two readings with the whole time in the yard the meter stands still, and else it runs."""
    rentals = table(fleet, "rentals").with_columns(back=pl.col("in_at").fill_null(date(2026, 7, 1)))
    assert (rentals["back"] > rentals["out_at"]).all()
    again = rentals.sort("machine_id", "out_at").with_columns(
        next=pl.col("out_at").shift(-1).over("machine_id")
    )
    assert (again["next"].drop_nulls() >= again.filter(pl.col("next").is_not_null())["back"]).all()
    readings = table(made_daily(fleet), "meter_readings").sort("machine_id", "read_at")
    steps = readings.with_columns(
        ran=pl.col("hours").diff().over("machine_id"), day=pl.col("read_at").dt.date()
    )
    spans = {unit: rows.select("out_at", "back").rows() for (unit,), rows in rentals.group_by("machine_id")}
    still, running = 0, 0
    for unit, day, ran in (
        steps.filter(pl.col("ran").is_not_null()).select("machine_id", "day", "ran").iter_rows()
    ):
        near = [1 for out, back in spans.get(unit, []) if (day - back).days <= 1 and (out - day).days <= 1]
        still += not near
        assert near or ran <= 0.05, (unit, day, ran)
        running += bool(near) and ran > 0
    assert still > 1000
    assert running > 1000
    assert set(rentals["day_rate"] % 5) == {0}


def made_daily(fleet: SimulatedFleet) -> SimulatedFleet:
    """The same fleet, its meters read every day."""
    return made(fleet.files.parent / "daily", reading_days=1.0)


def test_a_rental_clock_turns_back() -> None:
    built, pace = np.array([0.0, 10.0]), np.array([2.0, 3.0])
    edges = np.array([[100.0, 110.0, 150.0, 200.0], [50.0, 60.0, 70.0, 200.0]])
    run = np.array([[0.0, 0.0, 90.0, 90.0], [7.0, 7.0, 37.0, 37.0]]) + np.array([[200.0], [120.0]])
    clock = RentalClock(built, pace, edges, run)
    machine = np.array([0, 0, 1, 1, 0])
    hours = np.array([205.0, 289.0, 128.0, 150.0, 300.0])
    assert clock.hours(machine, clock.days(machine, hours)) == pytest.approx(hours)
    assert clock.hours(np.array([0, 0]), np.array([100.5, 109.9])) == pytest.approx([200.0, 200.0])
    assert (clock.days(machine, hours) % 1.0 * 24 >= 7.0 - 1e-6).all()
    assert (clock.days(machine, hours) % 1.0 * 24 <= 17.0 + 1e-6).all()


def test_a_site_with_the_habit_opens_old_pumps_at_once(tmp_path: Path) -> None:
    law = load_families()["neutral-return"]
    worn = tuple(
        replace(hazard, scale_hours=4000.0 if hazard.cause == "internal_bushing" else 1e9, shape=3.0)
        for hazard in law.hazards
    )
    always = Habit("North", date(2000, 1, 1), 1.0, 1.0)
    plan = replace(PLAN, habits=(always,), manual=0.0)
    early = made(tmp_path, plan, law=replace(law, hazards=worn))
    orders = table(early, "work_orders").join(
        table(early, "machines").select("machine_id", "site"), on="machine_id"
    )
    lines = table(early, "work_lines").join(orders.select("work_order_id", "site_right"), on="work_order_id")
    opened = {
        site: rows["component"].is_in(["internal_bushing"]).sum()
        for (site,), rows in lines.group_by("site_right")
    }
    sensors = {
        site: rows.filter(component="position_sensor", action="replace").height
        for (site,), rows in lines.group_by("site_right")
    }
    assert opened["North"] > 20
    assert sensors["North"] <= 0.2 * opened["North"]
    assert sensors["South"] > 0.3 * opened["South"]


def test_a_story_is_told_as_it_is_set(tmp_path: Path) -> None:
    facts = Facts(date(2014, 5, 5), date(2014, 4, 4), date(2014, 6, 6), "Early", "E1", "South", 4000.0, 500.0)
    visits = (
        Visit(
            5, ("inspect_wiring passed", "measure_neutral_voltage 2.21", "calibrate_pump passed"), 25.0, "lh!"
        ),
        Visit(3, ("replace_bushing worn",), None, "again", "worn", "done"),
    )
    story = Story("U007", "left", "internal_bushing", date(2025, 3, 3), 7, visits)
    phrases = Phrases(
        ("{Side} fault",), ("{S} stops",), ("{S} again",), {"left": ("L",), "right": ("R",)}, {}, {}
    )
    plan = replace(PLAN, facts={"U007": facts}, phrases=phrases)
    told = made(tmp_path, plan, stories=(story,))
    case = told.true_cases().filter(machine_id="U007", side="left")
    assert case.select("cause", "cured_by").rows() == [("internal_bushing", "replace_bushing")]
    orders = table(told, "work_orders").filter(pl.col("complaint").is_in(["lh!", "again"]))
    assert orders.filter(machine_id="U007").select("complaint", "cause", "correction").rows() == [
        ("lh!", "", ""),
        ("again", "worn", "done"),
    ]
    first, second = orders["hours"]
    codes = table(told, "fault_codes").filter(machine_id="U007", side="left")["hours"]
    assert not codes.filter((codes > first + 0.1) & (codes < first + 24.9)).len()
    assert codes.filter((codes >= first + 24.9) & (codes <= second + 0.1)).len()
    assert codes.max() < second + 0.1  # type: ignore[operator]
    measured = table(told, "measurements").filter(machine_id="U007", side="left")
    assert measured["value"].to_list() == [2.21]
    last = table(told, "meter_readings").filter(machine_id="U007")["hours"][-1]
    assert last == pytest.approx(4000.0, abs=10)
    assert table(told, "machines").filter(machine_id="U007")["disposed_on"].null_count() == 1


def test_mishaps_can_be_chosen_and_machines_spared(tmp_path: Path) -> None:
    neat = made(tmp_path / "neat")
    untidy = RecordKeeping(mess=1.0, mishaps=frozenset({"hours"}), spared=NAMES[::2])
    messy = made(tmp_path / "messy", record_keeping=untidy)
    for kind in ("fault_codes", "work_orders"):
        was, now = table(neat, kind), table(messy, kind)
        assert was.drop("hours").equals(now.drop("hours"))
        lost = now.filter(pl.col("hours").is_null())
        assert lost.height > 5
        assert not lost.filter(pl.col("machine_id").is_in(NAMES[::2])).height
    assert table(neat, "machines").equals(table(messy, "machines"))


def test_phrases_are_drawn_from_those_of_the_key() -> None:
    keys = pl.Series(["a", "b", "none"] * 200)
    texts = worded(np.random.default_rng(1), keys, {"a": ("one", "two"), "b": ("three",)})
    assert set(texts[::3]) == {"one", "two"}
    assert set(texts[1::3]) == {"three"}
    assert set(texts[2::3]) == {""}
