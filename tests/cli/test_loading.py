"""Unknown columns are mapped, the workshop's sheet loads back, and a load says what it found out."""

from __future__ import annotations

import json
import shutil
import zipfile
from pathlib import Path

import openpyxl
import pytest
from calls import Command


@pytest.fixture
def store(demo_store: Path, tmp_path: Path) -> Path:
    for name in ("fleetlog.duckdb", "fleetlog.toml"):
        shutil.copyfile(demo_store.with_name(name), tmp_path / name)
    return tmp_path / "fleetlog.duckdb"


def loaded(fleetlog: Command, store: Path, path: Path, *more: str) -> dict[str, object]:
    done = fleetlog("load", str(path), "--format", "json", *more, store=store)
    assert done.code == 0, done.err
    (row,) = json.loads(done.out)
    return row


def test_a_proposed_mapping_counts_once_it_is_accepted(
    fleetlog: Command, store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    log = store.with_name("shop log.csv")
    log.write_text(
        "Unit No;Hour Meter;Date;Who\n37;4810,5;30.06.2026;joe\n64;5600;29.06.2026;joe\n", encoding="utf-8"
    )
    first = fleetlog("load", str(log), store=store)
    assert first.code == 2
    assert "looks like meter_readings" in first.err
    assert "Hour Meter" in first.err
    assert "it would add 2 rows" in first.err
    in_force = store.with_name("profiles") / "shop log.toml"
    proposed = in_force.parent / "proposed" / "shop log.toml"
    assert proposed.is_file()
    assert fleetlog("load", str(log), store=store).code == 2
    # At a terminal a person is asked; who says no leaves it a proposal.
    monkeypatch.setattr("fleetlog.cli.proposing.asks", lambda: True)
    answers: list[bool] = [False, True]
    monkeypatch.setattr("typer.confirm", lambda *_, **__: answers.pop(0))
    assert fleetlog("load", str(log), store=store).code == 2
    assert not in_force.exists()
    # What was mended in it is proposed from then on.
    text = proposed.read_text(encoding="utf-8").replace('ignore = ["Who"]', "")
    proposed.write_text(text.replace("[columns]", '[columns]\n"Who" = "source"'), encoding="utf-8")
    row = loaded(fleetlog, store, log)
    assert (row["kind"], row["new"], row["rejected"]) == ("meter_readings", 2, 0)
    assert '"Who" = "source"' in in_force.read_text(encoding="utf-8")
    assert not proposed.exists()


def test_a_mapping_takes_no_file_that_has_its_columns_and_others(fleetlog: Command, tmp_path: Path) -> None:
    store = tmp_path / "fleetlog.duckdb"
    (tmp_path / "machines.csv").write_text("machine_id,build_date\nL1,2019-03\nL2,2019-04\n")
    hours = tmp_path / "log.csv"
    hours.write_text("Unit,Date,Hrs\nL1,2024-01-02,100\nL1,2024-02-02,150\nL2,2024-01-02,90\n")
    orders = tmp_path / "orders.csv"
    orders.write_text("WO,Unit,Date,Hrs,Complaint\n7,L1,2024-03-01,160,jerks\n")
    for path, more in ((tmp_path / "machines.csv", ()), (hours, ("--accept",))):
        assert fleetlog("load", str(path), *more, store=store).code == 0
    refused = fleetlog("load", str(orders), store=store)
    assert refused.code == 2
    assert "looks like work_orders" in refused.err
    done = fleetlog("query", "SELECT count(*) AS n FROM meter_readings", "--format", "json", store=store)
    assert json.loads(done.out) == [{"n": 3}]
    done = fleetlog("query", "SELECT max(build_date) AS d FROM machines", "--format", "json", store=store)
    assert json.loads(done.out) == [{"d": "2019-04"}]


def test_what_a_load_overwrites_is_told_and_can_be_taken_back(fleetlog: Command, tmp_path: Path) -> None:
    store = tmp_path / "fleetlog.duckdb"

    def machines(make: str, name: str) -> str:
        text = "".join(f"L{i},{make},2019-0{i}\n" for i in range(1, 9))
        (tmp_path / name).write_text(f"machine_id,make,build_date\n{text}")
        return str(tmp_path / name)

    def makes() -> list[dict[str, object]]:
        sql = "SELECT DISTINCT make FROM machines"
        return json.loads(fleetlog("query", sql, "--format", "json", store=store).out)  # type: ignore[no-any-return]

    assert fleetlog("load", machines("Borst", "a.csv"), store=store).code == 0
    asked = fleetlog("load", machines("Kern", "b.csv"), store=store)
    assert asked.code == 2
    assert "b.csv overwrites 8 known rows: 8 makes." in asked.err
    assert makes() == [{"make": "Borst"}]
    assert fleetlog("load", str(tmp_path / "b.csv"), "--accept", store=store).code == 0
    assert makes() == [{"make": "Kern"}]
    listed = json.loads(fleetlog("loads", "--format", "json", store=store).out)
    assert [(row["load_id"], row["files"], row["rows_corrected"]) for row in listed] == [
        (1, "a.csv", 0),
        (2, "b.csv", 8),
    ]
    undone = fleetlog("undo", "2", store=store)
    assert undone.code == 0
    assert "8 set back" in undone.err
    assert makes() == [{"make": "Borst"}]
    assert fleetlog("undo", "2", store=store).code == 2
    assert fleetlog("check", store=store).code == 0


def test_sheets_and_members_of_archives_are_proposed_too(fleetlog: Command, tmp_path: Path) -> None:
    store = tmp_path / "fleetlog.duckdb"
    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.title = "Hours"
    for row in (["Hill Yard"], [], ["Unit", "Read on", "Meter hrs"], ["L1", "2024-07-01", 1700]):
        sheet.append(row)
    book.create_sheet("Orders").append(["Order", "Unit", "Opened", "Complaint"])
    book["Orders"].append(["B1", "L1", "2024-06-01", "drifts"])
    book.create_sheet("Notes").append(["call about L1"])
    book.save(tmp_path / "hill.xlsx")
    with zipfile.ZipFile(tmp_path / "yard.zip", "w") as archive:
        archive.writestr("2024/07/hours.csv", "Hours\n\nUnit,Read on,Meter hrs\nL1,2024-08-01,1800\n")
        archive.writestr("2024/readme.txt", "nothing here\n")
    paths = [str(tmp_path / name) for name in ("hill.xlsx", "yard.zip")]
    done = fleetlog("load", *paths, "--accept", "--format", "json", store=store)
    assert done.code == 0, done.err
    rows = {Path(row["file"]).name: (row["kind"], row["waiting"]) for row in json.loads(done.out)}
    assert rows == {
        "hill.xlsx › Hours": ("meter_readings", 1),
        "hill.xlsx › Orders": ("work_orders", 1),
        "hours.csv": ("meter_readings", 1),
    }


def test_a_named_profile_is_used(fleetlog: Command, store: Path, tmp_path: Path) -> None:
    profile = tmp_path / "mine.toml"
    profile.write_text(
        'kind = "meter_readings"\n[columns]\nU = "machine_id"\nH = "hours"\nD = "read_at"\n', encoding="utf-8"
    )
    log = tmp_path / "log.csv"
    log.write_text("U,H,D\n37,4811,2026-06-30\n", encoding="utf-8")
    assert loaded(fleetlog, store, log, "--profile", str(profile))["new"] == 1


def test_dates_that_could_be_either_are_asked_for(fleetlog: Command, store: Path, tmp_path: Path) -> None:
    log = tmp_path / "readings.csv"
    log.write_text("machine_id,hours,read_at\n37,4811,05/06/2026\n", encoding="utf-8")
    asked = fleetlog("load", str(log), store=store)
    assert asked.code == 2
    assert "--date-order" in asked.err or "day" in asked.err
    assert loaded(fleetlog, store, log, "--date-order", "day")["new"] == 1


def test_readings_may_come_before_the_machines(fleetlog: Command, tmp_path: Path) -> None:
    """A yard's first file may be of any kind: its rows wait, and count once the machine is listed."""
    store = tmp_path / "new.duckdb"
    log = tmp_path / "readings.csv"
    log.write_text("machine_id,read_at,hours\nM1,2024-01-01,5\nM1,2024-02-01,90\n", encoding="utf-8")
    first = loaded(fleetlog, store, log)
    assert (first["new"], first["waiting"]) == (0, 2)
    listed = tmp_path / "machines.csv"
    listed.write_text("machine_id\nM1\n", encoding="utf-8")
    assert loaded(fleetlog, store, listed)["new"] == 1
    shown = fleetlog("unit", "M1", "--format", "json", store=store)
    assert shown.code == 0, shown.err


def test_the_worksheet_loads_back(fleetlog: Command, store: Path, tmp_path: Path) -> None:
    sheet = tmp_path / "week.xlsx"
    assert fleetlog("worksheet", str(sheet), "--kind", "measurements", store=store).code == 0
    book = openpyxl.load_workbook(sheet)
    page = book["measurements"]
    headings = {
        cell.value: cell.column for row in page.iter_rows() for cell in row if cell.value == "machine_id"
    }
    assert headings
    head_row = next(row for row in page.iter_rows() if any(cell.value == "machine_id" for cell in row))
    values = {
        "machine_id": "37",
        "measured_at": "2026-06-30T09:00",
        "quantity": "sensor_neutral_voltage",
        "side": "left",
        "value": 2.21,
        "unit": "V",
    }
    for cell in head_row:
        if cell.value in values:
            page.cell(row=cell.row + 1, column=cell.column, value=values[cell.value])
    book.save(sheet)
    done = fleetlog("load", str(sheet), "--format", "json", store=store)
    assert done.code == 0, done.err
    assert sum(row["new"] for row in json.loads(done.out)) == 1


def test_what_was_found_out_about_a_file_is_said(fleetlog: Command, store: Path, tmp_path: Path) -> None:
    listed = tmp_path / "machines.csv"
    listed.write_bytes("machine_id;site\n900;Tølbeck\n".encode("utf-16"))
    done = fleetlog("load", str(listed), store=store)
    assert "UTF-16" in done.err
    assert "semicolon" in done.err


def test_suggestions_count_once_accepted(fleetlog: Command, tmp_path: Path) -> None:
    """A bushing job told only in the correction ends the bushing's life when somebody accepts it."""
    store = tmp_path / "fleet.duckdb"
    (tmp_path / "machines.csv").write_text(
        "machine_id,build_date,control,machine_type,acquired_on,hours_at_acquisition\n"
        "9,2016-03-01,electronic_joystick,skid_steer_loader,2020-01-01,1000\n",
        encoding="utf-8",
    )
    (tmp_path / "meter_readings.csv").write_text(
        "machine_id,read_at,hours\n9,2020-02-01,1100\n9,2020-06-01,1900\n", encoding="utf-8"
    )
    (tmp_path / "work_orders.csv").write_text(
        "work_order_id,machine_id,opened_at,closed_at,complaint,correction\n"
        "W1,9,2020-03-01,2020-03-03,LH drive does not return to neutral,replaced LH bushing in pump found worn\n",
        encoding="utf-8",
    )
    assert fleetlog("load", str(tmp_path), store=store).code == 0
    listed = json.loads(fleetlog("suggestions", "--order", "W1", "--format", "json", store=store).out)
    (bushing,) = [
        row for row in listed if row["component"] == "internal_bushing" and row["action"] == "replace"
    ]
    assert (bushing["side"], bushing["finding"], bushing["state"]) == ("left", "worn", "open")

    def failures() -> int:
        found = json.loads(fleetlog("survival", "--format", "json", store=store).out)
        return int(found["rows"][0]["failures"])

    assert failures() == 0
    assert fleetlog("suggestions", "--accept", str(bushing["suggestion_id"]), store=store).code == 0
    assert failures() == 1
    assert fleetlog("suggestions", "--decline", str(bushing["suggestion_id"]), store=store).code == 0
    assert failures() == 0
    # All that are open, of an order or a machine, surer than so much; who says so is kept.
    assert fleetlog("suggestions", "--accept-all", "--decline-all", store=store).code == 2
    done = fleetlog("suggestions", "--accept-all", "--machine", "9", "--confidence", "0.99", store=store)
    assert "0 accepted, 0 declined" in done.err
    fleetlog("suggestions", "--accept", str(bushing["suggestion_id"]), "--by", "Ann", store=store)
    done = fleetlog("suggestions", "--decline-all", "--order", "W1", "--by", "Bo", store=store)
    assert "0 accepted" in done.err
    judged = json.loads(fleetlog("suggestions", "--state", "all", "--format", "json", store=store).out)
    assert ("accepted", "Ann") in {(row["state"], row["judged_by"]) for row in judged}
    assert {(row["state"], row["judged_by"]) for row in judged} <= {("accepted", "Ann"), ("declined", "Bo")}
    assert failures() == 1


def test_unknown_suggestion(fleetlog: Command, store: Path) -> None:
    done = fleetlog("suggestions", "--accept", "999999", store=store)
    assert done.code == 2
    assert "999999" in done.err


PAGE = """<?xml version="1.0" encoding="UTF-8"?>
<CumulativeOperatingHoursMessages xmlns="http://standards.iso.org/iso/15143/-3" version="1">
  <CumulativeOperatingHours datetime="2026-06-30T07:00:00Z"><Hour>4829.5</Hour></CumulativeOperatingHours>
</CumulativeOperatingHoursMessages>
"""


@pytest.mark.parametrize(
    "options",
    [("--machine", "37"), ("--machine-from", r"unit-(?P<machine>\d+)")],
    ids=["named", "from the file"],
)
def test_a_telematics_page_that_names_no_machine(
    fleetlog: Command, store: Path, tmp_path: Path, options: tuple[str, ...]
) -> None:
    """ISO 15143-3 time series are paged; a page may carry no equipment header (structure from memory)."""
    page = tmp_path / "unit-37.xml"
    page.write_text(PAGE, encoding="utf-8")
    alone = fleetlog("load", str(page), store=store)
    assert alone.code == 2
    assert "--machine" in alone.err
    done = fleetlog("load", str(page), *options, "--format", "json", store=store)
    assert done.code == 0, done.err
    assert sum(row["new"] for row in json.loads(done.out) if row["kind"] == "meter_readings") == 1
