"""Every kind of table loads, with its values as they should stand in the store."""

from __future__ import annotations

from datetime import date, datetime

import pytest

from fleetlog.errors import UsageError
from fleetlog.store import Store
from fleetlog.store.dictionary import KINDS

from .conftest import Load

FILES = {
    "machines": (
        "machine_id,pin,build_date,control,acquired_on,hours_at_acquisition\nY-014,MRM00M2XJ4N002014,2016-05,"
        "electronic_joystick,2017-03-01,120.5\n",
        [("Y-014", "MRM00M2XJ4N002014", "2016-05", "electronic_joystick", date(2017, 3, 1), 120.5)],
    ),
    "components": (
        "machine_id,component,side,variant,fitted_on\nY-014,internal_bushing,left,improved,2019-01-02\n",
        [("Y-014", "internal_bushing", "left", "improved", date(2019, 1, 2))],
    ),
    "meter_readings": (
        "machine_id,read_at,hours,source\nY-014,2020-01-01T10:30,12.5,telematics\n",
        [("Y-014", datetime(2020, 1, 1, 10, 30), 12.5, "telematics")],
    ),
    "meter_changes": (
        "machine_id,changed_at,old_meter_hours,new_meter_hours\nY-014,2021-04-05,1999.9,0\n",
        [("Y-014", datetime(2021, 4, 5), 1999.9, 0.0)],
    ),
    "fault_codes": (
        "machine_id,seen_at,spn,fmi,occurrence_count,code,status,side\n"
        "Y-014,2020-01-03T00:00:00Z,520210,7,3,,active,left\nY-014,2020-01-04,,,,E55,stored,\n",
        [
            ("Y-014", datetime(2020, 1, 3), 520210, 7, 3, None, "active", "left"),
            ("Y-014", datetime(2020, 1, 4), None, None, None, "E55", "stored", None),
        ],
    ),
    "work_orders": (
        "work_order_id,machine_id,opened_at,closed_at,hours,complaint,cause,correction,status\n"
        'W1,Y-014,2020-02-01T08:00,2020-02-03,1500,"will not drive, code on","bushing\nworn",replaced,closed\n',
        [
            (
                "W1",
                "Y-014",
                datetime(2020, 2, 1, 8),
                datetime(2020, 2, 3, 23, 59, 59),
                1500.0,
                "will not drive, code on",
                "bushing\nworn",
                "replaced",
                "closed",
            )
        ],
    ),
    "work_lines": (
        "work_order_id,line_no,done_at,component,side,action,result,finding,quantity,labour_hours,parts_cost\n"
        "W1,10,2020-02-02,internal_bushing,left,replace,passed,worn,1,13.5,4.8\n",
        [
            (
                "W1",
                10,
                datetime(2020, 2, 2, 23, 59, 59),
                "internal_bushing",
                "left",
                "replace",
                "passed",
                "worn",
                1.0,
                13.5,
                4.8,
            )
        ],
    ),
    "measurements": (
        "machine_id,measured_at,hours,quantity,side,value,unit\n"
        "Y-014,2020-02-02T09:00,1499,sensor_neutral_voltage,left,2.07,V\n",
        [("Y-014", datetime(2020, 2, 2, 9), 1499.0, "sensor_neutral_voltage", "left", 2.07, "V")],
    ),
    "rentals": (
        "machine_id,out_at,in_at,day_rate\nY-014,2020-05-01T07:00,2020-05-04,240\nY-014,2020-06-01,,\n",
        [
            ("Y-014", datetime(2020, 5, 1, 7), datetime(2020, 5, 4, 23, 59, 59), 240.0),
            ("Y-014", datetime(2020, 6, 1), None, None),
        ],
    ),
    "release_checks": (
        "machine_id,checked_at,item,result,checked_by,note\nY-014,2020-05-01T07:00,brake_holds,passed,R. M.,\n",
        [("Y-014", datetime(2020, 5, 1, 7), "brake_holds", "passed", "R. M.", None)],
    ),
}


def test_every_kind_is_here() -> None:
    assert set(FILES) == set(KINDS)


@pytest.mark.parametrize("kind", FILES)
def test_kind_loads(kind: str, load: Load, store: Store) -> None:
    text, rows = FILES[kind]
    result = load(text)
    assert result.refused is None
    assert result.kind == kind
    assert (result.rows, result.rejected) == (len(rows), 0)
    columns = ", ".join(text.splitlines()[0].split(","))
    assert store.execute(f"SELECT {columns} FROM {kind} ORDER BY row_no") == rows
    origin = store.execute(f"SELECT file_id, row_no FROM {kind} ORDER BY row_no")
    assert origin == [(1, i + 1) for i in range(len(rows))]


@pytest.mark.parametrize("kind", FILES)
def test_a_kind_loaded_again_is_known(kind: str, load: Load, store: Store) -> None:
    text, rows = FILES[kind]
    load(text)
    assert load(text).known == len(rows)
    # The same rows in another file: known row by row, though the file is new.
    other = load(text.rstrip("\n"), name="other.csv")
    assert (other.known, other.notes[0]) == (len(rows), "separator comma")
    assert store.execute(f"SELECT count(*) FROM {kind}") == [(len(rows),)]
    assert store.execute("SELECT count(*) FROM change_log") == [(0,)]


@pytest.mark.parametrize(
    "header",
    [
        "Machine ID,Read At,Hours,Source",
        "MACHINE-ID,read-at,HOURS,source",
        "machineid,readat,hours,source",
        '"machine_id","read_at"," hours ","source"',
        "\ufeffmachine_id,read_at,hours,source",
        "source,hours,machine_id,read_at",
    ],
)
def test_columns_are_matched_without_case_spaces_and_dashes(header: str, load: Load, store: Store) -> None:
    cells = {"machineid": "A1", "readat": "2020-01-01", "hours": "5", "source": "manual"}
    names = [
        name.strip('"\ufeff ').lower().replace("-", "").replace("_", "").replace(" ", "")
        for name in header.split(",")
    ]
    result = load(header + "\n" + ",".join(cells[name] for name in names) + "\n")
    assert (result.kind, result.waiting) == ("meter_readings", 1)
    found = store.execute("SELECT machine_id, read_at, hours, source FROM meter_readings")
    assert found == [("A1", datetime(2020, 1, 1), 5.0, "manual")]


def test_columns_of_no_kind_are_named_in_a_note(load: Load) -> None:
    result = load("machine_id,colour,site,\nA1,yellow,Yard 2,\n")
    assert result.new == 1
    assert "columns not used: colour, column 4 (no name)" in result.notes


def test_a_header_that_fits_nothing_names_the_nearest_kind(load: Load) -> None:
    result = load("machine_id,read_at,hrs\nA1,2020-01-01,5\n")
    assert result.kind is None
    assert result.refused is not None
    assert "looks like meter_readings but lacks the column hours" in result.refused
    assert "--as machines" in result.refused
    forced = load("machine_id,read_at,hrs\nA1,2020-01-01,5\n", kind="machines")
    assert (forced.kind, forced.new) == ("machines", 1)
    assert "columns not used: read_at, hrs" in forced.notes


def test_a_header_without_any_known_column(load: Load) -> None:
    result = load("a,b\n1,2\n")
    assert result.refused is not None
    assert "has no column of any kind of table (its header begins 'a', 'b')" in result.refused


def test_a_header_short_of_required_columns(load: Load) -> None:
    result = load("work_order_id,opened_at\nW1,2020-01-01\n")
    assert result.refused is not None
    assert "nearest is work_orders, which lacks the column machine_id" in result.refused


def test_a_header_that_fits_two_kinds_equally(load: Load) -> None:
    header = "machine_id,changed_at,old_meter_hours,new_meter_hours,out_at,in_at,day_rate"
    result = load(header + "\nA1,2020-01-01,1,2,2020-01-01,,\n")
    assert result.refused is not None
    assert "could hold meter_changes or rentals; say which with --as." in result.refused


def test_a_kind_that_does_not_exist(load: Load) -> None:
    with pytest.raises(UsageError, match="'readings' is no kind of table; write one of machines"):
        load("machine_id\nA1\n", kind="readings")


def test_a_kind_forced_on_a_file_that_lacks_its_columns(load: Load) -> None:
    result = load("machine_id,hours\nA1,4\n", kind="meter_readings")
    assert result.refused is not None
    assert "was to be read as meter_readings but lacks the column read_at" in result.refused
