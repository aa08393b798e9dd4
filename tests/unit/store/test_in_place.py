"""A lake read in place: the same answers as of a store, whoever wrote its files, and one sentence where it lacks something."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import polars as pl
import pytest

import fleetlog
from fleetlog.errors import FleetlogError, InputFileError, UsageError
from fleetlog.session.fleet import open_fleet
from fleetlog.session.lake import open_lake
from fleetlog.store import open_store
from fleetlog.store.lake import write_lake

LOADED = (
    "machines",
    "meter_readings",
    "fault_codes",
    "work_orders",
    "work_lines",
    "components",
    "measurements",
)


@pytest.fixture(scope="module")
def lake(demo_store: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo fleet's tables as Parquet files, with the fleet's settings beside them."""
    folder = tmp_path_factory.mktemp("lake")
    with open_store(demo_store, reach=[folder]) as store:
        write_lake(store, folder)
    shutil.copy(demo_store.parent / "fleetlog.toml", folder)
    return folder


@pytest.fixture
def own(lake: Path, tmp_path: Path) -> Path:
    """A copy that a test may break."""
    return Path(shutil.copytree(lake, tmp_path / "lake"))


def rewritten(own: Path, table: str, change: Callable[[pl.DataFrame], pl.DataFrame]) -> None:
    file = own / f"{table}.parquet"
    change(pl.read_parquet(file)).write_parquet(file)


def refusal(own: Path, kind: type[FleetlogError] = InputFileError) -> str:
    with pytest.raises(kind) as refused:
        open_lake(own)
    assert "\n" not in str(refused.value)
    return str(refused.value)


def test_the_answers_are_those_of_the_store(demo_store: Path, lake: Path) -> None:
    with open_fleet(demo_store) as ours, open_lake(lake) as theirs:
        here, there = ours.history(), theirs.history()
        assert (here.as_of_end, set(here.tables)) == (there.as_of_end, set(there.tables))
        for table in here.tables:
            one, other = (fleet.store.select(f"FROM {table}") for fleet in (ours, theirs))
            assert one.sort(one.columns, nulls_last=True).equals(
                other.sort(other.columns, nulls_last=True)
            ), table
    with fleetlog.open(demo_store) as mine, fleetlog.open_lake(lake) as yours:
        assert mine.suspects().to_dict() == yours.suspects().to_dict()
        assert mine.settings.fleet == yours.settings.fleet
        assert mine.job_cards(["37", "52"]) == yours.job_cards(["37", "52"])


def test_files_of_a_yards_own_are_read_as_the_same_rows(demo_store: Path, lake: Path, tmp_path: Path) -> None:
    """Without our own columns, cut into folders by a column, times in the fleet's clock without a zone."""
    own = tmp_path / "yard"
    zone = open_fleet(demo_store).settings.fleet.time_zone
    for name in LOADED:
        bare = pl.read_parquet(lake / f"{name}.parquet").drop("file_id", "row_no")
        times = [column for column, type_ in bare.schema.items() if isinstance(type_, pl.Datetime)]
        bare = bare.with_columns(pl.col(times).dt.convert_time_zone(zone).dt.replace_time_zone(None))
        half = bare.height // 2
        for part, rows in (("east", bare.head(half)), ("west", bare.tail(bare.height - half))):
            folder = own / name / f"yard={part}"
            folder.mkdir(parents=True)
            rows.write_parquet(folder / "part-0.parquet")
        (own / name / "_unfinished").mkdir()
        bare.head(1).write_parquet(own / name / "_unfinished" / "part-1.parquet")
    (own / "meter_changes.parquet").write_bytes((lake / "meter_changes.parquet").read_bytes())
    shutil.copy(lake / "fleetlog.toml", own)
    # An hour that the clock shows twice cannot be told apart without a zone.
    with open_fleet(demo_store) as ours, open_lake(own) as theirs:
        for name in LOADED:
            columns = [
                c for c in ours.store.select(f"FROM {name} LIMIT 0").columns if c not in ("file_id", "row_no")
            ]
            asked = f"SELECT {', '.join(columns)} FROM {name} ORDER BY ALL"
            one, other = ours.store.select(asked), theirs.store.select(asked)
            assert one.height == other.height
            alike = sum(a == b for a, b in zip(one.iter_rows(), other.iter_rows(), strict=True))
            assert alike >= 0.99 * one.height, name
        assert theirs.store.select("SELECT count(*) AS n FROM rentals")["n"].item() == 0


def test_an_hour_without_a_zone_is_one_of_the_fleets_clock(own: Path) -> None:
    rewritten(
        own,
        "work_orders",
        lambda orders: orders.with_columns(opened_at=pl.lit("2026-01-05 08:00:00").str.to_datetime()),
    )
    (own / "fleetlog.toml").write_text('[fleet]\ntime_zone = "America/Chicago"\n', encoding="utf-8")
    with open_lake(own) as fleet:
        seen = fleet.store.execute("SELECT DISTINCT CAST(opened_at AS VARCHAR) FROM work_orders")
    assert seen == [("2026-01-05 14:00:00",)]


def test_it_reaches_nothing_beside_the_lake(own: Path, tmp_path: Path) -> None:
    (tmp_path / "secret.csv").write_text("a\n1\n", encoding="utf-8")
    with open_lake(own) as fleet, pytest.raises(Exception, match=r"(?i)permission|disabled"):
        fleet.store.execute(f"FROM read_csv('{tmp_path / 'secret.csv'}')")


def test_nothing_is_loaded_into_a_lake(lake: Path, tmp_path: Path) -> None:
    with fleetlog.open_lake(lake) as fleet, pytest.raises(UsageError, match="only read"):
        fleet.load(tmp_path)


@pytest.mark.parametrize(
    ("broken", "said"),
    [
        (lambda own: (own / "fault_codes.parquet").unlink(), "holds no fault_codes.parquet"),
        (lambda own: rewritten(own, "meter_readings", lambda t: t.drop("hours")), "lacks the column hours"),
        (
            lambda own: rewritten(own, "work_orders", lambda t: pl.concat([t, t.head(1)])),
            "more than once of work_order_id = ",
        ),
        (
            lambda own: rewritten(
                own, "fault_codes", lambda t: t.with_columns(machine_id=pl.lit(None, pl.String))
            ),
            "machine_id or seen_at is empty",
        ),
        (lambda own: (own / "machines.parquet").write_text("machine_id\n1\n"), "does not read as Parquet"),
        (
            lambda own: rewritten(own, "work_orders", lambda t: t.with_columns(opened_at=pl.lit("soon"))),
            "'soon' in work_orders.opened_at",
        ),
        (
            lambda own: rewritten(own, "meter_readings", lambda t: t.with_columns(hours=pl.lit("many"))),
            "'many' in meter_readings.hours",
        ),
        (
            lambda own: ((own / "machines.parquet").unlink(), (own / "machines").mkdir()),
            "holds no Parquet file",
        ),
        (
            lambda own: (
                (own / "machines.parquet").unlink(),
                (own / "machines" / "_delta_log").mkdir(parents=True),
            ),
            "is a Delta table",
        ),
    ],
)
def test_what_a_lake_can_lack(broken: Callable[[Path], object], said: str, own: Path) -> None:
    broken(own)
    assert said in refusal(own)


def test_no_folder_and_no_url(tmp_path: Path) -> None:
    assert "There is no folder" in refusal(tmp_path / "nowhere", UsageError)
    with pytest.raises(UsageError, match="cluster"):
        open_lake("s3://yard/lake")
