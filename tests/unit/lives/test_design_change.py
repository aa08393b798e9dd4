"""Changes of design learnt by date of build: which lives count, what is told of which make, and what is not."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from dataclasses import replace
from datetime import date, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any, NamedTuple

import numpy as np
import polars as pl
import pytest
from small_fleet import fleet_of, reading

from fleetlog.charts.design_change import design_change_chart, likelihood_rows
from fleetlog.charts.output import spec_of
from fleetlog.errors import UsageError
from fleetlog.lives.design_change import ALL_MAKES, CHECK, DesignChangeFinding, design_changes
from fleetlog.session.fleet import Fleet
from fleetlog.stats.change_point import change_point

HOURS_A_DAY = 20.0
CHANGED = 2016 * 12  # January 2016
EVERYTHING = {"sites": None, "build_years": None, "machines": None}


def machine(name: str, built: str, **more: Any) -> dict[str, Any]:
    kind = {"machine_type": "skid_steer_loader", "control": "electronic_joystick"}
    return {"machine_id": name, "build_date": built, **kind, **more}


def month_text(month: int) -> str:
    return f"{month // 12}-{month % 12 + 1:02d}"


def yard(folder: Path, makes: dict[str, float], machines: int = 70) -> Fleet:
    """Pumps watched from new. Of each make those built from January 2016 on live so many times as long."""
    rng = np.random.default_rng(4)
    tables: dict[str, list[dict[str, Any]]] = {}
    for make, ratio in makes.items():
        for number in range(machines):
            name, month = f"{make[:1]}{number:03d}", 2014 * 12 + int(rng.integers(0, 48))
            life = 5000 * rng.weibull(2.5) * (ratio if month >= CHANGED else 1.0)
            hours = round(min(life, rng.uniform(2000, 8000)), 1)
            begin = datetime(month // 12, month % 12 + 1, 5)
            end = begin + timedelta(days=hours / HOURS_A_DAY)
            dates = {"acquired_on": f"{begin:%Y-%m-%d}", "disposed_on": f"{end:%Y-%m-%d}"}
            tables.setdefault("machines", []).append(machine(name, f"{begin:%Y-%m-%d}", make=make, **dates))
            for at, shown in ((begin, 0.0), (end, hours)):
                tables.setdefault("meter_readings", []).append(reading(f"{at:%Y-%m-%dT%H:%M}", shown, name))
            if hours >= life - 0.1:
                order = {
                    "work_order_id": f"W{name}",
                    "machine_id": name,
                    "opened_at": f"{end:%Y-%m-%dT%H:%M}",
                }
                line = {"work_order_id": f"W{name}", "line_no": 1, "done_at": f"{end:%Y-%m-%dT%H:%M}"}
                line |= {"component": "drive_pump", "action": "replace", "finding": "worn"}
                tables.setdefault("work_orders", []).append(order)
                tables.setdefault("work_lines", []).append(line)
    return fleet_of(folder, tables)


@pytest.fixture(scope="module")
def two_makes(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Fleet]:
    """One make whose pumps live three times as long since January 2016, and one that never changed."""
    with yard(tmp_path_factory.mktemp("yard"), {"Alder": 3.0, "Birch": 1.0}) as fleet:
        yield fleet


@pytest.fixture(scope="module")
def answer(two_makes: Fleet) -> DesignChangeFinding:
    return design_changes(two_makes, component="drive_pump")


def row_of(found: DesignChangeFinding, make: str) -> dict[str, Any]:
    (row,) = found.changes.filter(make=make).to_dicts()
    return dict(row)


def test_first_parts_count_by_the_date_that_is_nearest_to_them(tmp_path: Path) -> None:
    """Of the part itself, of the pump that it came in, of the machine: what was put in later is left out."""
    names = {"A": "2016-03-01", "B": "2016", "C": "2017-05-20", "D": "2018-06-11", "E": "2018-06"}
    pump, bushing = {"component": "drive_pump"}, {"component": "internal_bushing"}
    tables: dict[str, list[dict[str, Any]]] = {
        "machines": [
            machine(name, built, make="Alder", acquired_on="2019-01-01") for name, built in names.items()
        ],
        "meter_readings": [
            reading(at, hours, name)
            for name in names
            for at, hours in (("2019-01-01T08:00", 1000.0), ("2021-12-31T08:00", 4000.0))
        ],
        "components": [
            {"machine_id": "C", **pump, "built_on": "2017-02-11", "fitted_on": "2017-05-25"},
            {
                "machine_id": "D",
                **pump,
                "built_on": "2020-05-17",
                "fitted_on": "2020-07-01",
                "fitted_hours": 2500,
            },
            {"machine_id": "E", **bushing, "side": "left", "built_on": "2018-01", "fitted_on": "2018-06-20"},
        ],
        "work_orders": [{"work_order_id": "W1", "machine_id": "A", "opened_at": "2020-06-30T08:00"}],
        "work_lines": [
            {
                **{"work_order_id": "W1", "line_no": 1, "done_at": "2020-06-30T08:00"},
                **{**bushing, "side": "left", "action": "replace", "finding": "worn"},
            }
        ],
    }
    with fleet_of(tmp_path, tables) as fleet:
        fleet.history()
        lives = fleet.store.run("risk/built_lives", component="internal_bushing", **EVERYTHING)
        found = design_changes(fleet, component="internal_bushing")
    months = {
        (row["machine_id"], row["side"]): month_text(row["built_month"]) if row["built_month"] else None
        for row in lives.to_dicts()
    }
    assert months == {
        **{("A", side): "2016-03" for side in ("left", "right")},
        **{("B", side): None for side in ("left", "right")},
        **{("C", side): "2017-02" for side in ("left", "right")},
        **{("D", side): "2018-06" for side in ("left", "right")},
        **{("E", "left"): "2018-01", ("E", "right"): "2018-06"},
    }
    assert lives.filter(pl.col("failed")).select("machine_id", "side").rows() == [("A", "left")]
    assert lives.filter(machine_id="A", side="left")["entry"].to_list() == [10_000]
    # D's bushings ended with the pump that was put in at 2,500 h.
    assert lives.filter(machine_id="D")["hours"].to_list() == [25_000, 25_000]
    assert any("not known to the month: 2 lives" in note for note in found.notes)


def test_the_make_that_changed_is_told_and_the_other_is_not(answer: DesignChangeFinding) -> None:
    alder, birch = row_of(answer, "Alder"), row_of(answer, "Birch")
    assert alder["earliest"] <= "2016-01" <= alder["latest"]
    assert alder["earliest"] <= alder["change_from"] <= alder["latest"]
    assert alder["ratio_lower"] < 3.0
    assert alder["ratio_upper"] is None or alder["ratio_upper"] > 3.0
    assert alder["failures_before"] + alder["failures_after"] == alder["failures"]
    assert alder["p_holm"] <= 0.05
    assert birch["change_from"] is birch["life_ratio"] is birch["earliest"] is None
    assert birch["p_holm"] >= birch["p"] > 0.05
    assert birch["failures"] > 20
    assert birch["note"].startswith(
        f"From when on the newer part was built in cannot be told from {birch['failures']} failures: no month"
    )
    assert answer.changes["make"].to_list() == [ALL_MAKES, "Alder", "Birch"]


def test_a_row_is_what_the_estimator_says_of_its_lives(two_makes: Fleet, answer: DesignChangeFinding) -> None:
    lives = two_makes.store.run("risk/built_lives", component="drive_pump", **EVERYTHING).filter(make="Alder")
    columns = (lives[name].to_numpy() for name in ("entry", "hours", "failed", "built_month"))
    expected = change_point(*columns, level=0.95, seed=answer.seed)
    row = row_of(answer, "Alder")
    assert row["lives"] == lives.height
    assert (row["change_from"], row["p"]) == (month_text(expected.group), expected.p)
    assert (row["life_ratio"], row["ratio_lower"]) == (expected.ratio, expected.ratio_lower)
    own = answer.likelihood.filter(make="Alder")
    assert own["drop"].to_numpy() == pytest.approx(expected.drop)
    assert own.filter(pl.col("drop") == 0)["month"].to_list() == [row["change_from"]]


def test_the_lines_for_the_settings_are_toml_with_a_warning(answer: DesignChangeFinding) -> None:
    written = tomllib.loads(answer.settings_lines)["design_changes"]
    row = row_of(answer, "Alder")
    (one,) = written
    assert (one["component"], one["make"]) == ("drive_pump", "Alder")
    assert f"{one['built_from']:%Y-%m}" == row["change_from"]
    assert answer.settings_lines.count(CHECK) == 1
    assert any(answer.settings_lines in remark and CHECK in remark for remark in answer.remarks)
    assert answer.to_dict()["settings_lines"] == answer.settings_lines


def test_parts_that_grew_worse_are_told_and_get_no_lines(tmp_path: Path) -> None:
    """The settings name the newer design; that the lives are shorter is for a person to look into."""
    with yard(tmp_path, {'O"Hara': 0.3}) as fleet:
        found = design_changes(fleet, component="drive_pump")
    row = row_of(found, 'O"Hara')  # one make alone is one row
    assert row["life_ratio"] < 1
    assert row["change_from"] is not None
    assert found.settings_lines == ""


def test_a_make_is_written_so_that_toml_reads_it(tmp_path: Path) -> None:
    with yard(tmp_path, {'O"Hara \\ Söhne': 4.0}) as fleet:
        found = design_changes(fleet, component="drive_pump")
    assert tomllib.loads(found.settings_lines)["design_changes"][0]["make"] == 'O"Hara \\ Söhne'


def test_what_the_settings_say_stands_beside_it_and_is_not_proposed_again(two_makes: Fleet) -> None:
    serial = Stated("drive_pump", "newer", "ALDER", "A100", None)
    day = Stated("internal_bushing", "improved", "", "", date(2016, 4, 1))
    own = two_makes.settings
    said = SimpleNamespace(fleet=own.fleet, survival=own.survival, design_changes=(serial, day))
    found = design_changes(replace(two_makes, settings=said), component="drive_pump")  # type: ignore[arg-type]
    assert found.changes["stated"].to_list() == [None, "newer from A100", None]
    assert "The settings say: newer from A100." in row_of(found, "Alder")["note"]
    assert found.settings_lines == ""


class Stated(NamedTuple):
    """A change of design as settings hold it."""

    component: str
    variant: str
    make: str
    serial_from: str
    built_from: date | None


def test_one_make_alone_can_be_asked_about(two_makes: Fleet, answer: DesignChangeFinding) -> None:
    found = design_changes(two_makes, component="drive_pump", make="Alder")
    assert found.changes["make"].to_list() == ["Alder"]
    assert row_of(found, "Alder")["p"] == row_of(answer, "Alder")["p"]
    with pytest.raises(UsageError, match="did you mean 'Alder'"):
        design_changes(two_makes, make="Aldr")


def test_too_few_failures_make_one_row_that_says_so(two_makes: Fleet) -> None:
    found = design_changes(two_makes)
    assert {"drive_pump", "internal_bushing", "position_sensor"} == set(found.changes["component"])
    (row,) = found.changes.filter(component="internal_bushing").to_dicts()
    assert row["make"] == ALL_MAKES
    assert row["p"] is None
    assert row["note"] == (
        "From when on the newer part was built in cannot be told from no failures: a change needs at least "
        "8 failures."
    )


def test_the_demo_fleet(demo: Fleet) -> None:
    """Its script changed the bushing of Tolvane in summer 2017 and that of Quernby never."""
    found = design_changes(demo, component="internal_bushing")
    tolvane, quernby = row_of(found, "Tolvane"), row_of(found, "Quernby")
    assert "2017-05" <= tolvane["earliest"] <= tolvane["latest"] <= "2017-10"
    assert tolvane["ratio_lower"] > 1
    assert quernby["change_from"] is None
    assert row_of(found, "Dunlin")["p"] is None
    assert any("none of theirs" in note for note in found.notes)


def test_the_picture_shows_the_table(answer: DesignChangeFinding) -> None:
    spec = spec_of(design_change_chart(answer))
    title = " ".join(spec["title"]["text"])
    alder = row_of(answer, "Alder")
    assert f"drive pump (Alder) from {alder['change_from']} on" in title
    drawn = [row for rows in spec["datasets"].values() for row in rows if "likelihood" in row]
    own = likelihood_rows(answer, alder)
    assert [row for row in drawn if row in own] == own
    assert max(row["likelihood"] for row in own) == 1.0
    ends = [row for rows in spec["datasets"].values() for row in rows if "best" in row]
    assert {"from": f"{alder['earliest']}-01", "to": f"{alder['latest']}-01"}.items() <= next(
        row.items() for row in ends if row["best"] == f"{alder['change_from']}-01"
    )


def test_a_picture_of_nothing_says_so(two_makes: Fleet) -> None:
    found = design_changes(two_makes, component="internal_bushing")
    spec = spec_of(design_change_chart(found))
    assert "cannot be told" in " ".join(spec["title"]["text"])


def test_a_fleet_without_dates_of_build_says_so(tmp_path: Path) -> None:
    tables = {
        "machines": [machine("A", "2016", acquired_on="2019-01-01")],
        "meter_readings": [reading("2019-01-01T08:00", 100.0), reading("2020-01-01T08:00", 900.0)],
    }
    with fleet_of(tmp_path, tables) as fleet:
        found = design_changes(fleet, component="drive_pump")
    (row,) = found.changes.to_dicts()
    assert (row["lives"], row["failures"], row["make"]) == (0, 0, ALL_MAKES)
    assert found.likelihood.height == 0
    assert any("not known to the month: 1 life" in note for note in found.notes)
