"""The demo fleet: made anew byte for byte, shaped as the dictionary says, and true to its README."""

from __future__ import annotations

import csv
import importlib.util
import re
import sys
import tomllib
from collections import Counter
from datetime import date
from itertools import pairwise
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from fleetlog.resources import folder

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
    made = script.Yard()
    made.run()
    return made


@pytest.fixture(scope="module")
def truth(script: ModuleType, yard: Any) -> dict[str, Any]:
    found: dict[str, Any] = script.truth(yard)
    return found


@pytest.fixture(scope="module")
def summary(truth: dict[str, Any]) -> dict[str, Any]:
    found: dict[str, Any] = truth["summary"]
    return found


@pytest.fixture(scope="module")
def planted(truth: dict[str, Any]) -> dict[str, Any]:
    found: dict[str, Any] = truth["planted"]
    return found


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


def of(rows: Rows, **wanted: str) -> Rows:
    return [row for row in rows if all(row[key] == value for key, value in wanted.items())]


# -- the files as such -----------------------------------------------------------------------------


def test_made_anew_the_files_are_the_same_bytes(
    demo: Path, script: ModuleType, yard: Any, tmp_path: Path
) -> None:
    script.write_csv(yard, tmp_path)
    for name in DICTIONARY:
        assert (tmp_path / f"{name}.csv").read_bytes() == (demo / f"{name}.csv").read_bytes(), name


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
    assert strange == [("meter_readings", "2062-03-01T12:00")]


def test_the_settings_of_the_fleet_know_all_its_drive_codes(demo: Path, files: dict[str, Rows]) -> None:
    settings = tomllib.loads((demo / "fleetlog.toml").read_text(encoding="utf-8"))
    rules = settings["faults"]["neutral-return"]["codes"]
    known = {str(rule.get("spn", rule.get("code"))) for rule in rules}
    drive = [row for row in files["fault_codes"] if "neutral" in row["description"].lower()]
    assert len(drive) > 2000
    assert all(row["spn"] in known or row["code"] in known for row in drive)
    assert all(520192 <= rule["spn"] <= 524287 for rule in rules if "spn" in rule)  # the makers' own range


# -- what the README tells -------------------------------------------------------------------------


def test_readme_figures_are_those_of_the_truth(readme: str, summary: dict[str, Any]) -> None:
    s, cases = summary, summary["cases"]
    early, others = s["early_site"], s["other_sites"]
    early_all, others_all = s["early_site_all_causes"], s["other_sites_all_causes"]
    for sentence in (
        f"speak of {s['machines']} machines, {s['on_the_yard']} of them still on the yard;"
        f" {s['manual']} have manual drive control",
        f"were {cases['internal_bushing']} worn bushings, {cases['calibration']} lost calibrations,"
        f" {cases['wiring']} wiring faults,"
        f" {cases['servo_or_rotating_group']} servo or rotating group faults,"
        f" {cases['unknown']} disturbances never explained, and just {cases['position_sensor']} sensors",
        f"Of {s['original_lives']} lives of original bushings, {s['original_failed']} ended as failures"
        f" found in the pump ({s['original_failed_by_side']['left']} left,"
        f" {s['original_failed_by_side']['right']} right);"
        f" of the improved ones {s['improved_failed']}.",
        f"so {s['failed_by_5000_law']} % are worn by 5,000 h",
        f"says {s['failed_by_5000_seen']} %",
        f"Of the {s['original_failed']} failures the books keep quiet about {s['original_failed_untold']}:",
        f"{s['sensors_replaced']} sensors were replaced in the books, {s['sensors_in_vain']} of them in vain,"
        f" {s['sensors_in_vain_on_bushings']} of these on worn bushings",
        f"The work on the {s['sensors_in_vain']} took {s['sensors_in_vain_labour_hours']} labour hours",
        f"Units {', '.join(s['twice_in_vain'][:-1])} and {s['twice_in_vain'][-1]} had a second one in vain",
        f"in {s['calibrated_worn'][1]} of {s['calibrated_worn'][0]} cases of a worn bushing",
        f"in {s['calibrated_lost'][1]} of {s['calibrated_lost'][0]} cases in which the calibration itself",
        f"Tolbeck {early['cases']} cases with {early['visits']} visits each and {early['sensors']} sensors;"
        f" the other sites {others['cases']} cases with {others['visits']} visits"
        f" and {others['sensors']} sensors",
        f"Tolbeck {early_all['cases']} cases, {early_all['visits']} visits, {early_all['sensors']} sensors;"
        f" the others {others_all['cases']} cases, {others_all['visits']} visits,"
        f" {others_all['sensors']} sensors",
    ):
        assert sentence in readme, sentence


def test_readme_lists_every_open_case_and_no_other(readme: str, summary: dict[str, Any]) -> None:
    table = readme.split("### Open at the end")[1].split("Worth watching")[0]
    listed = set()
    for row in re.findall(r"\| ([\d, ]+) \| ([a-z, ]+) \|", table):
        units, sides = row[0].split(", "), row[1].split(", ")
        for unit, side in zip(units, sides, strict=True):
            listed |= {(unit, one) for one in (("left", "right") if side == "both" else (side,))}
    closed_but_fresh = {("84", "right")}
    assert listed - closed_but_fresh == {(unit, side) for unit, side, _ in summary["open"]}


def test_readme_names_the_place_of_every_planted_mess(readme: str, planted: dict[str, Any]) -> None:
    mess = readme.split("## The mess")[1]
    named = [
        *(x for row in planted["meter_changes"] for x in row[:2]),
        *(x for row in planted["meter_change_not_written_down"] for x in row[:2]),
        *(x for row in planted["typing_errors"] for x in row[:2]),
        *(row[0] for row in planted["typing_errors_in_orders"]),
        *planted["corrected_reading"][:2],
        *planted["pins_cut_short"],
        *(f"unit {row[0]} {row[1]}" for row in planted["undocumented_bushings"]),
        *planted["pump_told_twice"][:2],
        *planted["orders_without_lines"],
        *planted["cancelled_orders"],
        planted["lines_without_order"][0],
        planted["unit_not_listed"][0],
        f"unit {planted['code_on_manual_machine'][0]}",
        *(row[0] for row in planted["codes_without_side"]),
        *(f"{row[0]} line {row[1]}" for row in planted["replaced_without_side"]),
        *planted["millivolts"][:2],
        *(row[1] for row in planted["rejected_rows"]),
    ]
    for word in named:
        assert re.search(rf"(?<!\d){re.escape(word)}(?!\d)", mess), word


# -- the mess is where it is said to be ------------------------------------------------------------


def test_replaced_meters_start_again_and_one_is_not_written_down(files: dict[str, Rows]) -> None:
    def falls(unit: str) -> list[str]:
        rows = [row for row in of(files["meter_readings"], machine_id=unit) if row["read_at"][8:10] == "01"]
        pairs = pairwise(rows)
        return [b["read_at"][:10] for a, b in pairs if float(b["hours"]) < float(a["hours"]) - 500]

    written = {row["machine_id"]: row for row in files["meter_changes"]}
    assert set(written) == {"33", "104", "146"}
    for unit, row in written.items():
        (fall,) = falls(unit)
        assert row["changed_at"] < fall
    assert len(falls("71")) == 1


def test_typing_errors_are_far_from_what_the_meter_showed(
    files: dict[str, Rows], planted: dict[str, Any]
) -> None:
    assert len(planted["typing_errors"]) == 6
    for unit, day, _, wrong, right in planted["typing_errors"]:
        on_day = [row for row in of(files["meter_readings"], machine_id=unit) if row["read_at"][:10] == day]
        assert float(wrong) in {float(row["hours"]) for row in on_day}
        assert abs(wrong - right) > 200
    for order, unit, _, wrong, right in planted["typing_errors_in_orders"]:
        (row,) = of(files["work_orders"], work_order_id=order)
        assert (row["machine_id"], float(row["hours"])) == (unit, wrong)
        assert abs(wrong - right) > 1000


def test_a_corrected_reading_comes_after_the_wrong_one(
    files: dict[str, Rows], planted: dict[str, Any]
) -> None:
    unit, day, wrong, right = planted["corrected_reading"]
    rows = of(files["meter_readings"], machine_id=unit, read_at=f"{day}T12:00", source="manual")
    assert [float(row["hours"]) for row in rows] == [wrong, right]


def test_exact_duplicates(files: dict[str, Rows], planted: dict[str, Any]) -> None:
    expected = Counter(name for name, *_ in planted["exact_duplicates"])
    found: Counter[str] = Counter()
    for name, rows in files.items():
        found[name] = sum(count - 1 for count in Counter(tuple(row.values()) for row in rows).values())
    assert +found == expected
    assert set(expected) == {"meter_readings", "fault_codes", "rentals", "work_orders", "measurements"}


def test_no_other_row_repeats_a_key(files: dict[str, Rows], planted: dict[str, Any]) -> None:
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
        unit, day, *_ = planted["corrected_reading"]
        assert again == ({(unit, f"{day}T12:00", "manual")} if name == "meter_readings" else set()), name


def test_orders_without_lines_and_lines_without_order(
    files: dict[str, Rows], planted: dict[str, Any]
) -> None:
    with_lines = {line["work_order_id"] for line in files["work_lines"]}
    orders = {row["work_order_id"]: row for row in files["work_orders"]}
    assert len(planted["orders_without_lines"]) >= 5
    for order in planted["orders_without_lines"]:
        assert order in orders
        assert order not in with_lines
    assert with_lines - set(orders) == {"W99017"}
    for order in planted["cancelled_orders"]:
        assert orders[order]["status"] == "cancelled"
        assert order not in with_lines


def test_units_without_a_machine_and_codes_that_cannot_be(
    files: dict[str, Rows], planted: dict[str, Any]
) -> None:
    machines = {row["machine_id"]: row for row in files["machines"]}
    for name in ("meter_readings", "fault_codes", "work_orders", "measurements", "rentals", "components"):
        strangers = {row["machine_id"] for row in files[name]} - set(machines)
        assert strangers == ({"460"} if name == "meter_readings" else set()), name
    manual = {unit for unit, row in machines.items() if row["control"] == "manual"}
    drive = [row for row in files["fault_codes"] if "neutral" in row["description"].lower()]
    assert [(r["machine_id"], r["seen_at"]) for r in drive if r["machine_id"] in manual] == [
        tuple(planted["code_on_manual_machine"])
    ]


def test_rows_that_must_be_rejected(files: dict[str, Rows]) -> None:
    def no_number(text: str) -> bool:
        return not re.fullmatch(r"\d+(\.\d+)?", text)

    bad = {(r["machine_id"], r["hours"]) for r in files["meter_readings"] if no_number(r["hours"])}
    assert bad == {("39", "n/a"), ("57", "-12.5"), ("101", "45l2,3o")}
    assert [r["machine_id"] for r in files["meter_readings"] if r["read_at"].startswith("2062")] == ["90"]
    assert [r["machine_id"] for r in files["meter_readings"] if r["read_at"].startswith("2023-02-30")] == [
        "72"
    ]
    nameless = [
        r["machine_id"] for r in files["fault_codes"] if not (r["spn"] and r["fmi"]) and not r["code"]
    ]
    assert nameless == ["46"]


def test_sides_missing_and_a_voltage_in_millivolts(files: dict[str, Rows], planted: dict[str, Any]) -> None:
    generic = of(files["fault_codes"], code="DN-7")
    assert len(generic) == 10
    assert all(row["side"] == row["spn"] == "" for row in generic)
    for order, line_no, component, side in planted["replaced_without_side"]:
        assert side in ("left", "right")
        (line,) = of(files["work_lines"], work_order_id=order, line_no=str(line_no))
        assert (line["component"], line["action"], line["side"]) == (component, "replace", "")
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
        ("work_lines", "labour_cost"),
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
    assert {row["build_date"][:4] for row in machines} == {str(year) for year in range(2012, 2026)}
    assert sum(row["control"] == "electronic_joystick" for row in machines) > len(machines) * 0.85


def test_pins_have_seventeen_characters_but_for_the_planted_ones(
    files: dict[str, Rows], planted: dict[str, Any]
) -> None:
    """ISO 10261: a product identification number has 17 characters (from memory)."""
    odd = [row["machine_id"] for row in files["machines"] if len(row["pin"]) not in (0, 17)]
    assert odd == planted["pins_cut_short"]
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


def test_original_bushings_live_by_their_law(script: ModuleType, truth: dict[str, Any]) -> None:
    """Onsets in the true spells against the Weibull law they were drawn from, at four ages.

    A failure counts at its onset, so the product-limit estimates the law itself, but for the scripted sides,
    which were chosen to last; hence the wide band.
    """
    shape, scale = script.ORIGINAL_LIFE
    spells = [
        (s["entry_age"], s["onset_age"] or s["exit_age"], s["onset_age"] is not None)
        for s in truth["spells"]
        if s["variant"] == "original"
    ]
    for age in (4000, 5000, 6000, 7000):
        law = 2.718281828459045 ** -((age / scale) ** shape)
        assert script.product_limit(spells, age) == pytest.approx(law, abs=0.12), age


def test_product_limit_by_hand(script: ModuleType) -> None:
    """Entry 0, 0, 3; exits 2 (failed), 5 (failed), 4 (censored): 1/2 survive 2, none survive 5."""
    spells = [(0.0, 2.0, True), (0.0, 5.0, True), (3.0, 4.0, False)]
    assert script.product_limit(spells, 1) == 1
    assert script.product_limit(spells, 2) == 0.5
    assert script.product_limit(spells, 5) == 0


def test_the_months_open_cases_are_of_several_causes(summary: dict[str, Any]) -> None:
    causes = Counter(cause for *_, cause in summary["open"])
    assert 8 <= len({unit for unit, *_ in summary["open"]}) <= 15
    assert set(causes) == {
        "internal_bushing",
        "wiring",
        "calibration",
        "position_sensor",
        "servo_or_rotating_group",
    }


def test_unit_37_tells_its_story(files: dict[str, Rows], truth: dict[str, Any]) -> None:
    attempts = [a for a in truth["attempts"] if (a["machine_id"], a["side"]) == ("37", "left")]
    assert [a["action"] for a in attempts] == ["calibrate", "sensor", "sensor"]
    assert all(20 <= a["comeback_hours"] <= 150 for a in attempts)
    assert attempts[0]["comeback_hours"] <= 60
    (machine,) = of(files["machines"], machine_id="37")
    assert machine["build_date"] < "2017-12"
    last = of(files["meter_readings"], machine_id="37")[-1]
    assert 4600 < float(last["hours"]) < 5000
    assert not [r for r in of(files["components"], machine_id="37") if r["component"] == "internal_bushing"]
    sensors = [a["work_order_id"] for a in attempts if a["action"] == "sensor"]
    for order in sensors:
        lines = of(files["work_lines"], work_order_id=order, component="position_sensor", action="replace")
        assert [line["finding"] in ("no_fault_found", "") for line in lines] == [True]


def test_unit_152_is_electrical_and_unit_133_has_an_older_pump(files: dict[str, Rows]) -> None:
    codes = [r for r in of(files["fault_codes"], machine_id="152") if r["seen_at"] > "2026-06"]
    assert Counter(row["fmi"] for row in codes).most_common(1)[0][0] == "4"
    volts = [
        r for r in of(files["measurements"], machine_id="152", side="right") if r["measured_at"] > "2026-06"
    ]
    assert [float(row["value"]) < 0.1 for row in volts] == [True]
    (pump,) = of(files["components"], machine_id="133", component="drive_pump")
    (machine,) = of(files["machines"], machine_id="133")
    assert (
        date.fromisoformat(pump["built_on"]) < date(2017, 12, 1) < date.fromisoformat(machine["build_date"])
    )


def test_pumps_whose_generation_the_build_date_would_get_wrong_are_listed(
    files: dict[str, Rows], yard: Any
) -> None:
    """Wherever machine and pump fall on different sides of December 2017, a row says so."""
    listed = {row["machine_id"] for row in of(files["components"], component="drive_pump")}
    edge = date(2017, 12, 1)
    wrong = [
        m.name for m in yard.machines if m.control != "manual" and (m.build < edge) != (m.pump_built < edge)
    ]
    assert len(wrong) >= 3
    assert set(wrong) <= listed


def test_costs_fit_hours_and_parts(files: dict[str, Rows]) -> None:
    for line in files["work_lines"]:
        if line["labour_cost"]:
            assert float(line["labour_cost"]) == pytest.approx(95 * float(line["labour_hours"]), abs=0.01)
    bushings = of(files["work_lines"], component="internal_bushing", action="replace")
    assert {line["parts_cost"] for line in bushings} <= {"4.60", ""}
    long_jobs = [float(line["labour_hours"]) for line in bushings if float(line["labour_hours"]) > 5]
    assert 12 <= min(long_jobs) <= max(long_jobs) <= 15
