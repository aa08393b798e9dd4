"""Export, then load: the same store, table by table, whatever the format."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import fleetlog
from fleetlog.questions import exports
from fleetlog.session.fleet import open_fleet
from fleetlog.settings import load_settings
from fleetlog.simulation.simulate import RecordKeeping, simulate
from fleetlog.store.dictionary import KINDS
from fleetlog.tables import write_table

FAMILIES = Path(fleetlog.__file__).parent / "faults" / "families"
ENDINGS = ("csv", "json", "ndjson", "xlsx", "parquet")


def zone(folder: Path, name: str = "America/Chicago") -> None:
    """A fleet far from Greenwich, whose clocks change twice a year."""
    (folder / "fleetlog.toml").write_text(f'[fleet]\ntime_zone = "{name}"\n', encoding="utf-8")


def exported(store: Path, folder: Path, ending: str) -> list[Path]:
    folder.mkdir()
    with fleetlog.open(store) as fleet:
        return [fleet.export(kind, folder / f"{kind}.{ending}") for kind in KINDS if fleet.table(kind).height]


def loaded(files: list[Path], folder: Path) -> Path:
    folder.mkdir()
    zone(folder)
    with fleetlog.open(folder / "again.duckdb", create=True) as fleet:
        for done in fleet.load(files).files:
            assert (done.refused, done.rejected, done.corrected, done.known) == (None, 0, 0, 0), done
    return folder / "again.duckdb"


@pytest.fixture(scope="module")
def untidy(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("untidy")
    made = simulate(
        folder / "made", machines=12, years=2, seed=5, record_keeping=RecordKeeping(mess=0.05, routine=True)
    )
    zone(folder)
    with fleetlog.open(folder / "s.duckdb", create=True) as fleet:
        fleet.load(made.files)
    return folder / "s.duckdb"


AWKWARD = {
    "machines": [
        "machine_id,pin,make,build_date,site,acquired_on,disposed_on,hours_at_disposal",
        "000123,00000000000000017,1e5,2016,Hof 'Süd',1969-12-31,,",
        "100001,,0x1F,1968-02,007,1968-02-29,,",
        '1E5,,=1+1,2016-02-29,"a ""b"", c; d | e",2016-03-01,2026-01-01,14285.571428571429',
        "'00,,'=1,,-,,,",
        "😀\u200d🔧,,NULL,,n/a,,,",
    ],
    "meter_readings": [
        "machine_id,read_at,hours,source",
        "000123,1969-12-31T23:59:59.5Z,0.5,before",
        # Clocks went back: this half hour came twice, the second time as winter time.
        "000123,2024-10-27T02:30:00+02:00,12.333333333333334,summer",
        "000123,2024-10-27T02:30:00+01:00,12.4,winter",
        "000123,2024-03-31T01:59:59.999999+01:00,11,",
        "100001,2024-05-05,99999.9,0",
        "1E5,2024-05-05T12:00:00+05:30,3,'-",
    ],
    "work_orders": [
        "work_order_id,machine_id,opened_at,closed_at,hours,complaint,correction",
        '007,000123,2024-10-27T02:30:00+02:00,2024-10-27T02:30:00+01:00,12.5,"says ""no""\nand\r\n=stops",\'',
        '1e3,1E5,1969-07-20,1970-01-01,,"\tcreeps\n",😀',
        "-1,'00,2024-02-29T00:00:00,,,  two  blanks  ,nan",
    ],
    "measurements": [
        "machine_id,measured_at,hours,quantity,side,value,unit",
        "000123,2024-10-27T02:30:00+01:00,12.5,sensor_neutral_voltage,left,-0.35,V",
        "000123,2024-10-27T02:30:01+01:00,,sensor_neutral_voltage,,-1e-7,V",
        "1E5,1969-01-01,,=x,right,-123456.5,°C",
    ],
}


@pytest.fixture(scope="module")
def awkward(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What is written here by hand, of a yard with a family of its own, whose clocks change at another hour."""
    folder = tmp_path_factory.mktemp("awkward")
    zone(folder, "Europe/Berlin")
    own = (FAMILIES / "oil-overheating.toml").read_text(encoding="utf-8")
    (folder / "families").mkdir()
    (folder / "families" / "own.toml").write_text(
        own.replace("oil-overheating", "own-fault"), encoding="utf-8"
    )
    with (folder / "fleetlog.toml").open("a", encoding="utf-8") as file:
        file.write('[faults]\nfolders = ["families"]\n')
    for kind, lines in AWKWARD.items():
        (folder / f"{kind}.csv").write_text("\n".join(lines) + "\n", encoding="utf-8", newline="")
    with fleetlog.open(folder / "s.duckdb", create=True) as fleet:
        done = fleet.load([folder / f"{kind}.csv" for kind in AWKWARD]).files
        assert [(file.new, file.refused) for file in done] == [
            (len(lines) - 1, None) for lines in AWKWARD.values()
        ], fleet.rejects()
    return folder / "s.duckdb"


@pytest.mark.parametrize("ending", ENDINGS)
@pytest.mark.parametrize("which", ["demo", "untidy", "awkward"])
def test_tables_load_back_as_they_were(
    which: str, ending: str, demo_store: Path, untidy: Path, awkward: Path, tmp_path: Path
) -> None:
    store = {"demo": demo_store, "untidy": untidy, "awkward": awkward}[which]
    first = exported(store, tmp_path / "first", ending)
    second = exported(loaded(first, tmp_path / "store"), tmp_path / "second", ending)
    assert [path.name for path in first] == [path.name for path in second]
    for one, other in zip(first, second, strict=True):
        if ending == "xlsx":  # the workbook holds the moment it was made
            assert pl.read_excel(one).equals(pl.read_excel(other)), one.name
        else:
            assert one.read_bytes() == other.read_bytes(), one.name


def test_a_lake_loads_back(demo_store: Path, tmp_path: Path) -> None:
    from fleetlog.store import open_store
    from fleetlog.store.lake import write_lake

    with open_store(demo_store, reach=[tmp_path / "lake"]) as store:
        write_lake(store, tmp_path / "lake")
    again = loaded([tmp_path / "lake"], tmp_path / "store")
    with fleetlog.open(demo_store) as one, fleetlog.open(again) as other:
        for kind in KINDS:
            assert one.table(kind).equals(other.table(kind)), kind


def test_what_is_made_here_is_not_taken_for_a_yards_table(demo_store: Path, tmp_path: Path) -> None:
    with fleetlog.open(demo_store) as fleet, open_fleet(None, settings=load_settings(None)) as empty:
        inner, _ = fleet.parts()
        names = {*inner.store.tables(), *inner.history().tables} - {*KINDS, "store_info"}
        assert {"suggestion", "spell", "work_step", "outcome"} <= names
        for name in sorted(names):
            path = fleet.export(name, tmp_path / f"{name}.csv")
            refused = empty.load([path], check_only=True).files[0].refused
            assert f"an export of {name}" in str(refused), name


text = st.text(
    st.one_of(
        st.sampled_from("='+-@\",;\n\t|＝ä€"), st.characters(codec="utf-8", exclude_characters="\x00\r")
    ),
    max_size=30,
)


@pytest.mark.slow
@settings(max_examples=15, deadline=None)
@given(
    notes=st.lists(text, min_size=1, max_size=5),
    second=st.datetimes(
        min_value=__import__("datetime").datetime(1990, 1, 1),
    ),
    # what lies within a formula's noise of nine decimals is read as these from a spreadsheet
    hours=st.one_of(
        st.floats(0, 99_999).map(lambda hours: round(hours, 9)),
        st.integers(1, 99_999).map(lambda hours: hours / 7),
    ),
    ending=st.sampled_from(ENDINGS),
)
def test_any_text_time_and_number_comes_back(
    tmp_path_factory: pytest.TempPathFactory, notes: list[str], second: datetime, hours: float, ending: str
) -> None:
    folder = tmp_path_factory.mktemp("texts")
    zone(folder)
    rows = {
        "work_order_id": [f"W{i}" for i in range(len(notes))],
        "machine_id": ["1"] * len(notes),
        "opened_at": [second] * len(notes),
        "closed_at": [None] * len(notes),
        "hours": [hours] * len(notes),
        "complaint": notes,
    }
    pl.DataFrame(rows).write_parquet(folder / "work_orders.parquet")
    (folder / "machines.csv").write_text("machine_id,build_date\n1,2016\n", encoding="utf-8")
    with fleetlog.open(folder / "s.duckdb", create=True) as fleet:
        fleet.load([folder / "machines.csv", folder / "work_orders.parquet"])
    again = loaded(exported(folder / "s.duckdb", folder / "out", ending), folder / "again")
    with fleetlog.open(folder / "s.duckdb") as one, fleetlog.open(again) as other:
        assert one.table("work_orders").to_dicts() == other.table("work_orders").to_dicts()


@pytest.mark.parametrize("ending", ["csv", "json", "ndjson", "xlsx", "parquet", "md", "txt"])
def test_headings_stand_there_without_rows(ending: str, tmp_path: Path) -> None:
    path = tmp_path / f"none.{ending}"
    write_table(pl.DataFrame(schema={"machine_id": pl.String, "hours": pl.Float64}), path)
    if ending in ("csv", "md", "txt"):
        assert "machine_id" in path.read_text(encoding="utf-8")
    elif ending == "xlsx":
        assert pl.read_excel(path).columns == ["machine_id", "hours"]
    elif ending == "parquet":
        assert pl.read_parquet(path).columns == ["machine_id", "hours"]
    else:
        assert path.read_text(encoding="utf-8").strip() in ("", "[]")


def test_running_hours_leave_in_hours(demo_store: Path) -> None:
    with fleetlog.open(demo_store) as fleet:
        inside = fleet.sql("SELECT hours, entry FROM spell ORDER BY ALL")
        outside = fleet.table("spell").select("hours", "entry_hours").sort("hours", "entry_hours")
        assert outside["hours"].to_list() == [hours / 10 for hours in inside["hours"]]
        assert not [c for c in fleet.table("attempt").columns if "tenths" in c]
    assert "survival" in exports()
