"""The demo fleet: made anew byte for byte, shaped as the dictionary says, and true to its README."""

from __future__ import annotations

import csv
import importlib.util
import re
import sys
import tomllib
from collections import Counter
from datetime import date, timedelta
from itertools import pairwise
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import polars as pl
import pytest

from fleetlog.resources import folder
from fleetlog.session.fleet import open_fleet
from fleetlog.stats.product_limit import product_limit
from fleetlog.stats.risk_table import RiskTable

Rows = list[dict[str, str]]

# Column names as users are told them; written out so that the script cannot drift from what can be loaded.
DICTIONARY = {
    "machines": "machine_id pin serial_number make model machine_type build_date control site owner"
    " acquired_on hours_at_acquisition disposed_on hours_at_disposal",
    "components": "machine_id component side variant serial_number built_on fitted_on fitted_hours removed_on"
    " removed_hours removal_reason",
    "meter_readings": "machine_id read_at hours source",
    "meter_changes": "machine_id changed_at old_meter_hours new_meter_hours",
    "fault_codes": "machine_id seen_at hours spn fmi occurrence_count code description status side source",
    "work_orders": "work_order_id machine_id opened_at closed_at hours site complaint cause correction"
    " status",
    "work_lines": "work_order_id line_no done_at component side action result finding variant part_number"
    " quantity labour_hours labour_cost parts_cost note",
    "measurements": "machine_id measured_at hours quantity side value unit",
    "rentals": "machine_id out_at in_at day_rate",
}
ACTIONS = {"inspect", "test", "adjust", "calibrate", "clean", "repair", "replace", "overhaul"}
COMPONENTS = {
    "drive_pump", "position_sensor", "internal_bushing", "wiring", "controller", "servo", "rotating_group",
    "drive_motor", "hydraulic_oil", "engine", "battery", "cooling", "track", "tire", "other",
}  # fmt: skip


@pytest.fixture(scope="module")
def demo() -> Path:
    return folder("demo_data")


@pytest.fixture(scope="module")
def script(demo: Path) -> ModuleType:
    spec = importlib.util.spec_from_file_location("make_demo_for_test", demo / "make_demo.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # dataclasses look their module up
    writes, sys.dont_write_bytecode = sys.dont_write_bytecode, True
    spec.loader.exec_module(module)
    sys.dont_write_bytecode = writes
    return module


@pytest.fixture(scope="module")
def yard(script: ModuleType) -> Any:
    return script.Demo()


@pytest.fixture(scope="module")
def summary(yard: Any) -> dict[str, Any]:
    figures: dict[str, Any] = yard.summary
    return figures


@pytest.fixture(scope="module")
def mess(demo: Path) -> dict[str, list[dict[str, Any]]]:
    """The planted rows by the first words of what is wrong with them."""
    planted: dict[str, list[dict[str, Any]]] = {}
    for one in tomllib.loads((demo / "demo.toml").read_text(encoding="utf-8"))["mess"]:
        name = " ".join(one["what"].replace(":", "").split()[:2])
        planted.setdefault(name, []).extend([*one.get("add", ()), *one.get("find", ())])
    return planted


@pytest.fixture(scope="module")
def readme(demo: Path) -> str:
    return " ".join((demo / "README.md").read_text(encoding="utf-8").split())


@pytest.fixture(scope="module")
def files(demo: Path) -> dict[str, Rows]:
    tables = {}
    for name in DICTIONARY:
        with (demo / f"{name}.csv").open(encoding="utf-8", newline="") as file:
            tables[name] = list(csv.DictReader(file))
    return tables


def day(text: str) -> date:
    """The first day that a text of year, month or day leaves open."""
    return date.fromisoformat((text + "-01-01")[:10])


def of(rows: Rows, **wanted: str) -> Rows:
    return [row for row in rows if all(row[key] == value for key, value in wanted.items())]


# -- the files as such -----------------------------------------------------------------------------


def test_made_anew_the_files_are_the_same_bytes(demo: Path, yard: Any, tmp_path: Path) -> None:
    yard.write(tmp_path)
    written = sorted(path.name for path in tmp_path.iterdir())
    assert written == sorted([*(f"{name}.csv" for name in DICTIONARY), "README.md"])
    for name in written:
        assert (tmp_path / name).read_bytes() == (demo / name).read_bytes(), name


def test_all_files_together_stay_under_three_megabytes(demo: Path) -> None:
    assert sum(path.stat().st_size for path in demo.iterdir() if path.is_file()) <= 3_000_000


def test_every_table_is_there_and_nothing_else_that_could_be_loaded(demo: Path) -> None:
    assert {path.stem for path in demo.glob("*.csv")} == set(DICTIONARY)


@pytest.mark.parametrize("name", DICTIONARY)
def test_columns_are_those_of_the_dictionary(files: dict[str, Rows], name: str) -> None:
    assert files[name]
    assert set(files[name][0]) <= set(DICTIONARY[name].split())


def test_words_are_those_of_the_dictionary_except_the_one_planted(files: dict[str, Rows]) -> None:
    lines = files["work_lines"]
    assert {line["action"] for line in lines} - ACTIONS == {"jiggle"}
    assert {line["component"] for line in lines} <= COMPONENTS
    assert {line["side"] for line in lines} <= {"", "left", "right"}
    assert {line["result"] for line in lines} <= {"", "passed", "failed"}
    assert {row["component"] for row in files["components"]} <= COMPONENTS
    assert {row["status"] for row in files["work_orders"]} == {"open", "closed", "cancelled"}
    assert {row["machine_type"] for row in files["machines"]} == {
        "skid_steer_loader",
        "compact_track_loader",
    }


def test_days_lie_within_the_books_except_the_planted_ones(files: dict[str, Rows]) -> None:
    days = {
        "meter_readings": ("read_at",),
        "meter_changes": ("changed_at",),
        "fault_codes": ("seen_at",),
        "work_orders": ("opened_at", "closed_at"),
        "work_lines": ("done_at",),
        "measurements": ("measured_at",),
        "rentals": ("out_at", "in_at"),
    }
    strange = [
        (name, row[column])
        for name, columns in days.items()
        for row in files[name]
        for column in columns
        if row[column] and not "2020-07-01" <= row[column][:10] <= "2026-06-30"
    ]
    assert strange == [("meter_readings", "2062-03-01T12:00:00")]


def test_the_settings_of_the_fleet_know_all_its_drive_codes(demo: Path, files: dict[str, Rows]) -> None:
    settings = tomllib.loads((demo / "fleetlog.toml").read_text(encoding="utf-8"))
    rules = settings["faults"]["neutral-return"]["codes"]
    known = {str(rule.get("spn", rule.get("code"))) for rule in rules}
    drive = [row for row in files["fault_codes"] if "neutral" in row["description"].lower()]
    assert len(drive) > 1300
    assert all(row["spn"] in known or row["code"] in known for row in drive)
    assert all(520192 <= rule["spn"] <= 524287 for rule in rules if "spn" in rule)  # the makers' own range


# -- what the README tells -------------------------------------------------------------------------


def test_the_truth_adds_up(yard: Any, summary: dict[str, Any], files: dict[str, Rows]) -> None:
    """The README's figures are written by the script; here they are counted another way, from what was drawn."""
    s, machines = summary, files["machines"]
    assert (s["machines"], s["manual"]) == (len(machines), len(of(machines, control="manual")))
    assert s["on_the_yard"] == len(of(machines, disposed_on=""))
    cases = yard.cases
    assert sum(s[f"cases_{cause}"] for cause in yard.world.causes) == cases.height
    assert s["original_failed"] == s["original_failed_left"] + s["original_failed_right"]
    assert s["original_failed_untold"] < s["original_failed"] / 2
    assert s["original_failed"] > 40
    assert s["improved_failed"] <= 3
    bushings = cases.filter(cause="internal_bushing")
    # A life that failed is the end of a case of that cause; others are still under way, or ended otherwise.
    ended = s["original_failed"] + s["improved_failed"]
    assert 0.75 * bushings.height < ended + bushings.filter("open").height <= bushings.height
    assert s["failed_by_5000_law"] == round(100 * (1 - 2.718281828459045 ** -((5000 / 5700) ** 2.8)))


def test_the_shop_changes_sensors_in_vain_and_calibrates_in_vain(yard: Any, summary: dict[str, Any]) -> None:
    s, log = summary, yard.records.log
    lines = yard.named(yard.records.seen(log.lines.frame(sys.modules[type(yard).__module__].LINE)))
    sensors = [row for row in lines.iter_rows(named=True) if row["step"] == "replace_sensor"]
    causes = dict(yard.cases.select("case", "cause").iter_rows())
    seen = [causes[row["case"]] for row in sensors if row["written"] and row["case"] in causes]
    assert s["sensors_replaced"] == len(seen)
    assert s["sensors_in_vain"] == sum(cause != "position_sensor" for cause in seen)
    assert s["sensors_in_vain_on_bushings"] == seen.count("internal_bushing") > s["sensors_in_vain"] / 2
    assert s["sensors_in_vain"] > 0.9 * s["sensors_replaced"]
    assert 5 < s["sensors_in_vain_labour_hours"] / s["sensors_in_vain"] < 8
    assert "37" in s["twice_in_vain"]
    assert s["back_internal_bushing"] > 0.8 * s["calibrated_internal_bushing"]
    assert s["back_calibration"] < 0.35 * s["calibrated_calibration"]
    for causes_told in ("", "_all_causes"):
        early, others = (f"{where}{causes_told}" for where in ("early_site", "other_sites"))
        assert s[f"{early}_visits"] < s[f"{others}_visits"] - 1
        assert s[f"{early}_sensors"] < s[f"{others}_sensors"] / 2


def test_readme_lists_every_open_case_and_no_other(readme: str, summary: dict[str, Any]) -> None:
    table = readme.split("### Open at the end")[1].split("Worth watching")[0]
    listed = set()
    for unit, sides in re.findall(r"\| (\d+) \| ([a-z]+) \|", table):
        listed |= {(unit, one) for one in (("left", "right") if sides == "both" else (sides,))}
    closed_but_fresh = {("84", "right")}
    assert listed - closed_but_fresh == {(unit, side) for unit, side, _ in summary["open"]}


def test_readme_names_the_place_of_every_planted_mess(
    readme: str, mess: dict[str, list[dict[str, Any]]], script: ModuleType, yard: Any
) -> None:
    told = readme.split("## The mess")[1]
    for rows in mess.values():
        for row in rows:
            assert script.place(row) in told, row
    for unit, *_ in yard.data["meters"]:
        assert re.search(rf"(?<!\d){unit}(?!\d)", told), unit


def test_the_makers_changed_on_different_days(yard: Any, readme: str, files: dict[str, Rows]) -> None:
    """Each maker has a date of its own, or none; nobody's is that of another."""
    changes = yard.changes
    assert {row["component"] for row in changes} == {"internal_bushing"}
    by_make = {row["make"]: row for row in changes}
    assert set(by_make) == {row["make"] for row in files["machines"]}
    days = [row["built_from"] for row in changes if "built_from" in row]
    assert len(set(days)) == len(days) == 3
    assert by_make["Quernby"]["variant"] == "original"
    serial = by_make["Tolvane"]["serial_from"]
    numbers = [row["serial_number"] for row in of(files["machines"], make="Tolvane")]
    assert min(numbers) < serial < max(numbers)
    assert {len(number) for number in numbers} == {len(serial)}
    for make in by_make:
        assert make in readme
    assert serial in readme
    assert not [row for row in changes if str(row.get("built_from", "")).startswith("2017-12")]


# -- the mess is where it is said to be ------------------------------------------------------------


def test_replaced_meters_start_again_and_one_is_not_written_down(files: dict[str, Rows]) -> None:
    def falls(unit: str) -> list[str]:
        rows = [row for row in of(files["meter_readings"], machine_id=unit) if row["hours"]]
        pairs = pairwise(rows)
        return [b["read_at"][:10] for a, b in pairs if float(b["hours"]) < float(a["hours"]) - 500]

    written = {row["machine_id"]: row for row in files["meter_changes"]}
    assert set(written) == {"12", "97", "105"}
    for unit, row in written.items():
        (fall,) = falls(unit)
        assert row["changed_at"] < fall
    assert len(falls("73")) == 1


def test_typing_errors_are_far_from_what_the_meter_showed(
    files: dict[str, Rows], mess: dict[str, list[dict[str, Any]]]
) -> None:
    """Against the other readings of the month, or the unit's other orders of the month."""
    readings = [*mess["readings mistyped"], *mess["telematics sent"]]
    assert len(readings) == 6
    for row in readings:
        near = [
            float(other["hours"])
            for other in of(files["meter_readings"], machine_id=row["machine_id"])
            if other["hours"] and abs(day(other["read_at"]) - day(row["read_at"])).days <= 62
            and other["read_at"] != row["read_at"]
        ]  # fmt: skip
        assert near
        assert not min(near) - 80 < float(row["hours"]) < max(near) + 80, row
    for row in mess["hours mistyped"]:
        (order,) = of(files["work_orders"], work_order_id=row["work_order_id"])
        around = [
            float(other["hours"])
            for other in of(files["meter_readings"], machine_id=order["machine_id"])
            if other["hours"] and abs(day(other["read_at"]) - day(order["opened_at"])).days <= 62
        ]
        assert around
        assert not min(around) - 1000 < float(order["hours"]) < max(around) + 1000, order


def test_a_corrected_reading_comes_after_the_wrong_one(files: dict[str, Rows], yard: Any) -> None:
    rows = of(files["meter_readings"], machine_id="92", read_at="2023-12-06T12:00:00", source="manual")
    wrong, right = (float(row["hours"]) for row in rows)
    at = yard.machines.names.to_list().index("92")
    noon = (date(2023, 12, 6) - date(1970, 1, 1)).days + 0.5
    true = float(yard.machines.clock.hours(np.array([at]), np.array([noon]))[0])
    assert abs(right - true) < 0.1
    assert wrong > right + 30


def test_exact_duplicates(files: dict[str, Rows], yard: Any) -> None:
    expected = Counter({one["kind"]: len(one["twice"]) for one in yard.data["mess"] if "twice" in one})
    found: Counter[str] = Counter()
    for name, rows in files.items():
        found[name] = sum(count - 1 for count in Counter(tuple(row.values()) for row in rows).values())
    assert +found == expected
    assert set(expected) == {"meter_readings", "fault_codes", "rentals", "work_orders", "measurements"}


def test_no_other_row_repeats_a_key(files: dict[str, Rows]) -> None:
    keys = {
        "machines": ("machine_id",),
        "components": ("machine_id", "component", "side", "fitted_on"),
        "meter_readings": ("machine_id", "read_at", "source"),
        "fault_codes": ("machine_id", "seen_at", "spn", "fmi", "code"),
        "work_orders": ("work_order_id",),
        "work_lines": ("work_order_id", "line_no"),
        "measurements": ("machine_id", "measured_at", "quantity", "side"),
        "rentals": ("machine_id", "out_at"),
    }
    for name, key in keys.items():
        whole = {tuple(row.items()) for row in files[name]}
        counts = Counter(tuple(dict(row)[column] for column in key) for row in whole)
        again = {key for key, count in counts.items() if count > 1}
        corrected = {("92", "2023-12-06T12:00:00", "manual")}
        assert again == (corrected if name == "meter_readings" else set()), name


def test_orders_without_lines_and_lines_without_order(
    files: dict[str, Rows], mess: dict[str, list[dict[str, Any]]]
) -> None:
    with_lines = {line["work_order_id"] for line in files["work_lines"]}
    orders = {row["work_order_id"]: row for row in files["work_orders"]}
    bare = {row["work_order_id"] for row in mess["work orders"]}
    assert len(bare) == 2
    assert all(
        "neutral" in orders[order]["complaint"] or "drive" in orders[order]["complaint"] for order in bare
    )
    assert bare < set(orders) - with_lines
    assert len(set(orders) - with_lines) >= 5
    assert with_lines - set(orders) == {"W99017"}
    for row in mess["cancelled orders"]:
        assert orders[row["work_order_id"]]["status"] == "cancelled"
        assert row["work_order_id"] not in with_lines


def test_units_without_a_machine_and_codes_that_cannot_be(files: dict[str, Rows]) -> None:
    machines = {row["machine_id"]: row for row in files["machines"]}
    for name in ("meter_readings", "fault_codes", "work_orders", "measurements", "rentals", "components"):
        strangers = {row["machine_id"] for row in files[name]} - set(machines)
        assert strangers == ({"460"} if name == "meter_readings" else set()), name
    manual = {unit for unit, row in machines.items() if row["control"] == "manual"}
    drive = [row for row in files["fault_codes"] if "neutral" in row["description"].lower()]
    assert [(r["machine_id"], r["seen_at"]) for r in drive if r["machine_id"] in manual] == [
        ("14", "2024-08-22T10:41:00")
    ]


def test_rows_that_must_be_rejected(files: dict[str, Rows]) -> None:
    def no_number(text: str) -> bool:
        return not re.fullmatch(r"\d+(\.\d+)?", text)

    bad = {(r["machine_id"], r["hours"]) for r in files["meter_readings"] if no_number(r["hours"])}
    assert bad == {("39", "n/a"), ("55", "-12.5"), ("101", "45l2,3o")}
    assert [r["machine_id"] for r in files["meter_readings"] if r["read_at"].startswith("2062")] == ["90"]
    assert [r["machine_id"] for r in files["meter_readings"] if r["read_at"].startswith("2023-02-30")] == [
        "71"
    ]
    nameless = [
        r["machine_id"] for r in files["fault_codes"] if not (r["spn"] and r["fmi"]) and not r["code"]
    ]
    assert nameless == ["46"]


def test_sides_missing_and_a_voltage_in_millivolts(files: dict[str, Rows]) -> None:
    generic = of(files["fault_codes"], code="DN-7")
    assert len(generic) == 10
    assert all(row["side"] == row["spn"] == "" for row in generic)
    replaced = of(files["work_lines"], action="replace", side="")
    assert {line["component"] for line in replaced} > {"internal_bushing", "position_sensor"}
    (row,) = of(files["measurements"], unit="mV")
    assert 500 < float(row["value"]) < 5000
    assert all(0 <= float(row["value"]) <= 5 for row in of(files["measurements"], unit="V"))


def test_values_are_missing_here_and_there(files: dict[str, Rows]) -> None:
    for name, column in (
        ("machines", "pin"),
        ("fault_codes", "hours"),
        ("fault_codes", "side"),
        ("work_orders", "hours"),
        ("work_lines", "done_at"),
        ("work_lines", "labour_hours"),
        ("work_lines", "side"),
        ("work_lines", "finding"),
    ):
        empty = sum(row[column] == "" for row in files[name])
        assert 0 < empty < len(files[name]), (name, column)


# -- the world behind it ---------------------------------------------------------------------------


def test_machines_are_bought_used_sold_and_of_both_kinds(files: dict[str, Rows]) -> None:
    machines = files["machines"]
    assert 190 <= len(machines) <= 220
    used = [row for row in machines if float(row["hours_at_acquisition"]) > 500]
    assert len(used) > 40
    assert sum(row["disposed_on"] != "" for row in machines) > 30
    assert {len(row["build_date"]) for row in machines} == {4, 7, 10}
    assert {row["build_date"][:4] for row in machines} == {str(year) for year in range(2012, 2025)}
    assert sum(row["control"] == "electronic_joystick" for row in machines) > len(machines) * 0.85
    assert {row["site"] for row in machines} == {"Alder Cross", "Brindle Fork", "Tolbeck", "Wrenmouth"}


def test_pins_have_seventeen_characters_but_for_the_planted_ones(files: dict[str, Rows]) -> None:
    """ISO 10261: a product identification number has 17 characters (from memory)."""
    odd = [row["machine_id"] for row in files["machines"] if len(row["pin"]) not in (0, 17)]
    assert odd == ["32", "114"]
    assert len({row["pin"] for row in files["machines"]}) > 180


def test_nothing_is_told_of_a_machine_before_its_books_begin_or_after_it_is_sold(
    files: dict[str, Rows],
) -> None:
    ends = {
        row["machine_id"]: (max(row["acquired_on"], "2020-07-01"), row["disposed_on"] or "2026-06-30")
        for row in files["machines"]
    }
    for name, column in (
        ("meter_readings", "read_at"),
        ("fault_codes", "seen_at"),
        ("work_orders", "opened_at"),
        ("measurements", "measured_at"),
        ("rentals", "out_at"),
    ):
        for row in files[name]:
            if row["machine_id"] == "460" or row[column].startswith("2062"):
                continue
            first, last = ends[row["machine_id"]]
            assert first <= row[column][:10] <= last, row


def test_original_bushings_live_by_their_law(yard: Any) -> None:
    """Failures in the true lives against the Weibull law they were drawn from, at four ages.

    A failure counts when the pump is opened, weeks after its onset, and the sides whose story is set were chosen
    to last; hence the band.
    """
    original = yard.lives.filter(variant="original")
    ages = ((10 * original[age]).round().cast(pl.Int64) for age in ("entry", "exit"))
    curve = product_limit(RiskTable.from_spells(*ages, original["failed"]))
    for age in (4000, 5000, 6000, 7000):
        law = 2.718281828459045 ** -((age / 5700) ** 2.8)
        assert float(curve.at([float(age)]).survival[0]) == pytest.approx(law, abs=0.15), age


def test_the_months_open_cases_are_of_several_causes(summary: dict[str, Any]) -> None:
    causes = Counter(cause for *_, cause in summary["open"])
    assert 8 <= len({unit for unit, *_ in summary["open"]}) <= 18
    assert set(causes) == {
        "internal_bushing",
        "wiring",
        "calibration",
        "position_sensor",
        "servo_or_rotating_group",
    }


def test_unit_37_tells_its_story(files: dict[str, Rows], yard: Any) -> None:
    attempts = yard.attempts.filter(machine="37", side="left")
    assert attempts["step"].to_list() == ["calibrate_pump", "replace_sensor", "replace_sensor"]
    assert attempts["back"].to_list() == pytest.approx([44.0, 51.0, 30.0], abs=0.1)
    (machine,) = of(files["machines"], machine_id="37")
    assert machine["make"] == "Marram"
    assert machine["build_date"] < "2017-12"
    last = [row for row in of(files["meter_readings"], machine_id="37") if row["hours"]][-1]
    assert 4600 < float(last["hours"]) < 5000
    assert not of(files["components"], machine_id="37", component="internal_bushing", side="left")
    assert not of(files["components"], machine_id="37", component="internal_bushing", side="")
    orders = [
        row["work_order_id"] for row in of(files["work_orders"], machine_id="37") if "LH" in row["complaint"]
    ]
    lines = [line for order in orders for line in of(files["work_lines"], work_order_id=order)]
    sensors = [
        line for line in lines if (line["component"], line["action"]) == ("position_sensor", "replace")
    ]
    assert [line["finding"] for line in sensors] == ["no_fault_found", ""]


def test_unit_152_is_electrical_and_unit_133_has_an_older_pump(files: dict[str, Rows]) -> None:
    codes = [r for r in of(files["fault_codes"], machine_id="152") if r["seen_at"] > "2026-06"]
    assert Counter(row["fmi"] for row in codes).most_common(1)[0][0] == "4"
    volts = [
        r for r in of(files["measurements"], machine_id="152", side="right") if r["measured_at"] > "2026-06"
    ]
    assert [float(row["value"]) < 0.1 for row in volts] == [True]
    (pump,) = of(files["components"], machine_id="133", component="drive_pump")
    (machine,) = of(files["machines"], machine_id="133")
    assert machine["make"] == "Marram"
    assert date.fromisoformat(pump["built_on"]) < date(2018, 9, 1) < date.fromisoformat(machine["build_date"])


def test_pumps_whose_generation_the_build_date_would_get_wrong_are_listed(
    files: dict[str, Rows], yard: Any
) -> None:
    """Wherever the listed date and the pump fall on different sides of the maker's change, a row says so."""
    listed = {row["machine_id"] for row in of(files["components"], component="drive_pump")}
    edges = {"Dunlin": date(2016, 4, 1), "Marram": date(2018, 9, 1)}
    pumps = dict(zip(yard.machines.names, yard.machines.pump_built, strict=True))
    wrong = []
    for row in of(files["machines"], control="electronic_joystick"):
        if row["make"] in edges:
            edge = edges[row["make"]]
            pump = date(1970, 1, 1) + timedelta(days=int(pumps[row["machine_id"]]))
            wrong += [row["machine_id"]] if (day(row["build_date"]) < edge) != (pump < edge) else []
    assert len(wrong) >= 3
    assert "133" in wrong
    assert set(wrong) <= listed


def test_settings_and_list_of_parts_tell_the_generation_that_a_machine_left_the_factory_with(
    demo_store: Path, yard: Any
) -> None:
    true = dict(zip(yard.machines.names, yard.first_variant, strict=True))
    with open_fleet(demo_store) as fleet:
        fleet.history()
        told = fleet.store.execute(
            "SELECT DISTINCT machine_id, variant FROM part_fit WHERE component = 'internal_bushing' AND how = 'factory'"
        )
    assert len(told) > 150
    assert [(unit, variant) for unit, variant in told if variant != true[unit]] == []


def test_costs_fit_hours_and_parts(files: dict[str, Rows]) -> None:
    for line in files["work_lines"]:
        if line["labour_cost"] and line["labour_hours"]:
            assert float(line["labour_cost"]) == pytest.approx(95 * float(line["labour_hours"]), abs=0.01)
    bushings = of(files["work_lines"], component="internal_bushing", action="replace")
    assert {line["parts_cost"] for line in bushings} == {"4.60"}
    long_jobs = [
        float(line["labour_hours"] or 0) for line in bushings if float(line["labour_hours"] or 0) > 5
    ]
    assert 12 <= min(long_jobs) <= max(long_jobs) <= 15
