"""A cluster gives the tables that a store gives, row by row, and so the same findings.

All of it is one test, because a cluster takes long to start and the suite's processes would start one each.
"""

from __future__ import annotations

import shutil
import sys
import time
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from fleetlog.causes.suspects import suspects
from fleetlog.errors import InputFileError
from fleetlog.lives.comparison import compare
from fleetlog.lives.design_change import design_changes
from fleetlog.lives.drivers import drivers
from fleetlog.lives.incidence import incidence
from fleetlog.lives.repeats import repeats
from fleetlog.lives.survival import survival
from fleetlog.lives.trend import trend
from fleetlog.planning.plan import plan
from fleetlog.session.fleet import Fleet, open_fleet
from fleetlog.session.scope import Scope
from fleetlog.store.statements import named, statement

sys.path.insert(0, str(Path(__file__).parent))
from conftest import MASTER

SCOPES: tuple[dict[str, Any], ...] = (
    {"sites": None, "build_years": None, "machines": None},
    {
        "sites": ["Ashgrove", 'O\'Hara \\ "yard"', "Brindle"],
        "build_years": [2016, 2019, 2022],
        "machines": None,
    },
)


def part_of(fleet: Fleet) -> Scope:
    """A site and two build years that the fleet has."""
    fleet.history()
    listed = fleet.store.run("fleet/listed_machines")
    sites = sorted(site for site in listed["site"].drop_nulls().unique() if site.startswith("Brindle"))
    years = listed["build_year"].drop_nulls().unique().sort().to_list()
    return Scope(sites=tuple(sites), build_years=(years[1], years[2]))


QUESTIONS: dict[str, Callable[[Fleet], Any]] = {
    "survival": lambda fleet: survival(fleet, by=("variant", "side"), strata=("site",), endings="recorded"),
    "one cause": lambda fleet: survival(fleet, cause="worn"),
    "part of the fleet": lambda fleet: survival(fleet, part_of(fleet), endings="recorded"),
    "incidence": lambda fleet: incidence(fleet, by=("variant",)),
    "compare": lambda fleet: compare(fleet, by="build_year", strata=("variant",), endings="recorded"),
    "drivers": lambda fleet: drivers(fleet, factors=("variant",), endings="recorded"),
    "drivers of recurrences": lambda fleet: drivers(fleet, factors=("site",), clock="gap"),
    "design changes": design_changes,
    "repeats": repeats,
    "repeats by site": lambda fleet: repeats(fleet, by="site"),
    "trend": trend,
    "suspects": suspects,
    "plan": plan,
}


@pytest.fixture
def messy(tmp_path: Path) -> Path:
    """An invented fleet with untidy books: typing errors, outliers, gaps, meters changed, rows twice and late."""
    from fleetlog.simulation.simulate import RecordKeeping, simulate

    made = simulate(
        tmp_path / "made",
        machines=50,
        years=3.0,
        seed=11,
        record_keeping=RecordKeeping(mess=0.06, routine=True),
    )
    store = tmp_path / "messy" / "fleetlog.duckdb"
    store.parent.mkdir()
    # Suggestions count here, so that the steps that read them have rows.
    (store.parent / "fleetlog.toml").write_text(
        "[wording]\ncount_unjudged = true\nleast_confidence = 0.3\n\n"
        + made.settings.read_text(encoding="utf-8"),
        encoding="utf-8",
    )
    notes = tmp_path / "notes"
    notes.mkdir()
    with open_fleet(store, create=True) as fleet:
        fleet.load([made.files])
        listed = [
            row[0] for row in fleet.store.execute("FROM machines SELECT machine_id ORDER BY ALL LIMIT 3")
        ]
        (notes / "work_orders.csv").write_text(NOTES.format(*listed), encoding="utf-8")
        (notes / "work_lines.csv").write_text(LINES, encoding="utf-8")
        fleet.load([notes])
    return store


NOTES = """work_order_id,machine_id,opened_at,closed_at,complaint,cause,correction
N-1,{0},2026-03-02T07:00,2026-03-03,Joystick does not return to neutral,bushing in right pump worn,replaced right pump
N-2,{1},2026-03-04T07:00,,LEFT side won't return to neutral 100% of the time,,replaced left position sensor
N-3,{2},2026-03-05T07:00,2026-03-06,won't go back to neutral,looked at it \\ nothing found,
"""
LINES = """work_order_id,line_no,component,action,note
N-1,1,drive_pump,replace,right pump replaced as bushing was worn
N-3,1,wiring,inspect,left wiring corroded
"""


def rows(frame: pl.DataFrame) -> pl.DataFrame:
    """The same rows in an order of their own."""
    return frame.sort(frame.columns, nulls_last=True)


def assert_same(ours: pl.DataFrame, theirs: pl.DataFrame, *, ordered: bool = False) -> None:
    assert ours.schema == theirs.schema
    one, other = (ours, theirs) if ordered else (rows(ours), rows(theirs))
    assert one.equals(other), (
        one.join(other, on=one.columns, how="anti", nulls_equal=True).head(3),
        other.join(one, on=one.columns, how="anti", nulls_equal=True).head(3),
    )


def hand_over(fleet: Fleet, name: str, by: tuple[str, ...], values: dict[str, Any]) -> None:
    """The tables that a regression hands over, with numbers that need more than a double's digits."""
    of_lives = name == "risk/score_sums"
    counts = fleet.store.run("risk/survival" if of_lives else "risk/recurrence_counts", by, **values)
    cells = counts.select(by).unique().sort(by) if by else pl.DataFrame({"all": [0]})
    cells = cells.with_row_index("cell").with_columns(
        pl.col("cell").cast(pl.Int64),
        pl.lit("internal_bushing" if of_lives else "neutral-return").alias("component"),
    )
    ages = counts.join(cells, on=by) if by else counts.join(cells, how="cross")
    ages = ages.select("cell", "hours").unique().sort("cell", "hours")
    steps = {
        f"{step}_{k}": ((pl.int_range(pl.len()) * 7919 + k) % 1009 - 500) * 2**44 + k
        for step in ("leave", "fail")
        for k in range(1, 9)
    }
    fleet.store.register("cox_cell", cells.select(*by, "component", "cell"))
    fleet.store.register("cox_step", ages.with_columns(**steps))


def check_risk_tables(ours: Fleet, theirs: Fleet, subtests: pytest.Subtests, fleet: str) -> None:
    for one in (ours, theirs):
        whole = {"fault": "neutral-return", **SCOPES[0]}
        one.store.create("recurrence", statement("risk/recurrences"), temporary=True, **whole)
    for found in named("risk"):
        ordered = "ORDER BY" in found.text.rsplit("FROM", 1)[-1]
        for scope, by in ((SCOPES[0], ()), (SCOPES[1], found.strata)):
            with subtests.test(fleet=fleet, table=found.name, by=by, scope=scope):
                values = {
                    "component": "internal_bushing",
                    "cause": "worn" if scope["sites"] else None,
                    "fault": "neutral-return",
                    "window_tenths": 5000,
                    "from_last": True,
                    **scope,
                }
                if found.name.endswith("score_sums"):
                    for one in (ours, theirs):
                        hand_over(one, found.name, by, values)
                assert_same(
                    ours.store.run(found.name, by, **values),
                    theirs.store.run(found.name, by, **values),
                    ordered=ordered,
                )


def check_history(ours: Fleet, theirs: Fleet, subtests: pytest.Subtests, fleet: str) -> None:
    here, there = ours.history(), theirs.history()
    assert (here.as_of, here.as_of_end) == (there.as_of, there.as_of_end)
    assert set(here.tables) <= set(there.tables)
    for table in here.tables:
        with subtests.test(fleet=fleet, table=table):
            assert_same(ours.store.select(f"FROM {table}"), theirs.store.select(f"FROM {table}"))


def members(cluster: Any) -> int:
    """How many processes the cluster has, the driver and its executors, once all have had time to report."""
    status = cluster.session.sparkContext._jsc.sc().getExecutorMemoryStatus
    until = time.monotonic() + 60
    while status().size() < 3 and time.monotonic() < until:
        time.sleep(0.2)
    return int(status().size())


@pytest.mark.slow
def test_a_cluster_gives_the_same(
    demo_store: Path,
    messy: Path,
    spark_settings: Path,
    lake_of: Callable[[Path], Path],
    subtests: pytest.Subtests,
    monkeypatch: pytest.MonkeyPatch,
    capfd: pytest.CaptureFixture[str],
) -> None:
    from fleetlog.engines.session import connect
    from fleetlog.session.lake import open_cluster

    cluster = connect(MASTER)
    try:
        with subtests.test("the cluster is one"):
            assert members(cluster) == 3
        lake = lake_of(demo_store)
        with open_fleet(demo_store) as ours, open_cluster(str(lake), MASTER, store_path=demo_store) as theirs:
            check_history(ours, theirs, subtests, "demo")
            check_risk_tables(ours, theirs, subtests, "demo")
            check_meanings(theirs, subtests)
            for name, ask in QUESTIONS.items():
                with subtests.test(question=name):
                    assert ask(theirs).to_dict() == ask(ours).to_dict()
        with open_fleet(messy) as ours, open_cluster(str(lake_of(messy)), MASTER, store_path=messy) as theirs:
            check_history(ours, theirs, subtests, "messy")
            check_risk_tables(ours, theirs, subtests, "messy")
            with subtests.test("the mess is there"):
                ours.history()
                for table in (
                    "meter_changes",
                    "refused_reading",
                    "text_step",
                    "filled_line",
                    "case_file",
                    "spell",
                ):
                    assert ours.store.select(f"FROM {table}").height, table
                assert theirs.store.select("FROM set_aside_reading").height
        check_commands(demo_store, lake, subtests, monkeypatch, capfd)
        with subtests.test("tables of a catalog"):
            check_catalog(cluster.session, lake)
        with subtests.test("a lake of the yard's own"):
            check_bare_lake(demo_store, lake)
        check_mistakes(lake, subtests)
    finally:
        cluster.close()


MEANINGS = (
    "SELECT CAST($x * 10 AS BIGINT) AS a, CAST($x * 30 AS BIGINT) AS b, 7 / 2 AS c, FLOOR(-7 / 2.0) AS d",
    "SELECT ROUND($x * 10) AS a, ROUND(-$x * 10) AS b, CAST(ROUND(0.05 * $x) AS BIGINT) AS c",
    r"SELECT 'a\b' LIKE 'a\b' AS a, 'a%b' LIKE 'a\%b' AS b, 'ab' LIKE 'a_' AS c, $text LIKE '%\ %' AS d",
    "SELECT $text AS a, LENGTH($text) AS b, LOWER($text) AS c, SUBSTR($text, 2, 3) AS d, $text || '-x' AS e",
    "SELECT EPOCH($late) AS a, EPOCH($early) AS b, CAST(FLOOR(EPOCH($early)) AS BIGINT) AS c",
    "SELECT $late + INTERVAL 1 DAY AS a, $late - 40 * INTERVAL 1 DAY AS b, $late - $early <= INTERVAL 7 DAY AS c",
    "SELECT LEAST($late, NULL, $early) AS a, GREATEST(1, NULL) AS b, $late >= CAST($late AS DATE) AS c",
    "SELECT CAST(LAST_DAY(CAST('2024-02' || '-01' AS DATE)) AS VARCHAR) AS a, CAST($late AS DATE) AS b",
    "SELECT CAST(SUM(CAST(v AS DECIMAL(18, 4))) AS DOUBLE) AS a FROM (SELECT $x AS v UNION ALL SELECT 0.1)",
    "SELECT CAST(CAST($odd AS DECIMAL(18, 4)) AS DOUBLE) AS a, CAST(CAST(-$odd AS DECIMAL(18, 4)) AS DOUBLE) AS b",
    "SELECT v FROM (SELECT 2 AS v UNION ALL SELECT NULL UNION ALL SELECT 1) ORDER BY v DESC",
    "SELECT v FROM (SELECT 'b' AS v UNION ALL SELECT NULL UNION ALL SELECT 'B' UNION ALL SELECT 'é') ORDER BY v",
    "SELECT BOOL_OR(v) AS a FROM (SELECT CAST(NULL AS BOOLEAN) AS v UNION ALL SELECT FALSE)",
    "SELECT MOD(-7, 3) AS a, NULL IS NOT DISTINCT FROM NULL AS b, NULLIF('', '') AS c",
)


def check_meanings(lake: Fleet, subtests: pytest.Subtests) -> None:
    """What the steps are written with means the same in both engines."""
    from fleetlog.store import Store

    values = {
        "x": 0.25,
        "odd": 0.00005,
        "text": 'O\'Hara \\ "yard" ÄÖ',
        "late": datetime(2026, 3, 8, 7, 30, 0, 250_000),
        "early": datetime(1969, 12, 31, 23, 59, 59, 750_000),
    }
    for sql in MEANINGS:
        with subtests.test(sql=sql):
            bound = {name: value for name, value in values.items() if f"${name}" in sql}
            assert_same(Store.select(lake.store, sql, bound), lake.store.select(sql, bound), ordered=True)


def check_mistakes(lake: Path, subtests: pytest.Subtests) -> None:
    """What a lake can lack."""
    from fleetlog.engines.spark import open_lake_store

    def told(change: Callable[[Path], object]) -> str:
        own = lake.with_name("broken")
        shutil.copytree(lake, own)
        try:
            change(own)
            with pytest.raises(InputFileError) as wrong:
                open_lake_store(str(own), MASTER)
        finally:
            shutil.rmtree(own)
        assert "\n" not in str(wrong.value)
        return str(wrong.value)

    def edit(table: str, change: Callable[[pl.DataFrame], pl.DataFrame]) -> Callable[[Path], None]:
        def do(own: Path) -> None:
            change(pl.read_parquet(own / f"{table}.parquet")).write_parquet(own / f"{table}.parquet")

        return do

    with subtests.test(mistake="no table"):
        assert "holds no fault_codes.parquet" in told(lambda own: (own / "fault_codes.parquet").unlink())
    with subtests.test(mistake="no column"):
        said = told(edit("meter_readings", lambda frame: frame.drop("hours")))
        assert "meter_readings" in said
        assert "lacks the column hours" in said
    with subtests.test(mistake="a key twice"):
        said = told(edit("work_orders", lambda frame: pl.concat([frame, frame.head(1)])))
        assert "work_orders" in said
        assert "more than once of work_order_id = " in said
    with subtests.test(mistake="no key"):
        gone = pl.lit(None, pl.String).alias("machine_id")
        assert "machine_id or" in told(edit("fault_codes", lambda frame: frame.with_columns(gone)))
    with subtests.test(mistake="no Parquet"):
        said = told(lambda own: (own / "machines.parquet").write_text("machine_id,make\n1,x\n"))
        assert "machines.parquet" in said
    with subtests.test(mistake="not a time"):
        text = pl.lit("soon").alias("opened_at")
        assert "soon" in told(edit("work_orders", lambda frame: frame.with_columns(text)))


def check_commands(
    store: Path,
    lake: Path,
    subtests: pytest.Subtests,
    monkeypatch: pytest.MonkeyPatch,
    capfd: pytest.CaptureFixture[str],
) -> None:
    """The command line prints the same, and nothing of Spark's own talk."""
    from fleetlog.cli.main import run

    def printed(*arguments: str) -> str:
        monkeypatch.setattr(sys, "argv", ["fleetlog", "--store", str(store), *arguments])
        capfd.readouterr()
        with pytest.raises(SystemExit) as left:
            run()
        done = capfd.readouterr()
        assert not left.value.code, done.err
        assert not done.err
        return done.out

    command = ("survival", "--by", "variant", "--endings", "recorded")
    with subtests.test(command=command):
        asked = printed(*command, "--engine", "spark", "--lake", str(lake), "--master", MASTER)
        assert asked == printed(*command)


def check_catalog(session: Any, lake: Path) -> None:
    """A lake that is a database of the cluster's catalog holds the rows of its files."""
    from fleetlog.engines.lake import read_lake
    from fleetlog.store.lake import TABLES

    session.sql(f"CREATE DATABASE yard LOCATION '{lake.with_name('warehouse')}'")
    files = {name: session.read.parquet(str(lake / f"{name}.parquet")) for name in TABLES}
    for name, frame in files.items():
        frame.write.saveAsTable(f"yard.{name}")
    shapes = {name: pl.DataFrame(frame.limit(0).toArrow()).schema for name, frame in files.items()}
    found = read_lake(session, "yard", shapes, "UTC")
    assert {name: frame.count() for name, frame in found.items()} == {
        name: frame.count() for name, frame in files.items()
    }


def check_bare_lake(store: Path, lake: Path) -> None:
    """Files without our own columns, cut into folders, their times in a zone: they are read as the same rows.

    So the history of them is the same too; it need not be made once more.
    """
    from fleetlog.session.lake import open_cluster

    own = lake.with_name("yard")
    for file in lake.glob("*.parquet"):
        frame = pl.read_parquet(file)
        if file.stem in ("rentals", "release_checks", "suggestion"):
            continue
        bare = frame.drop("file_id", "row_no").with_columns(
            pl.col(pl.Datetime).dt.replace_time_zone("UTC").dt.convert_time_zone("America/Chicago")
        )
        bare = bare.drop(column for column in bare.columns if bare[column].null_count() == bare.height)
        folder = own / file.stem
        folder.mkdir(parents=True)
        for number, part in enumerate(bare.iter_slices(max(1, bare.height // 3 + 1))):
            part.write_parquet(folder / f"part-{number}.parquet")
    with open_fleet(store) as ours, open_cluster(str(own), MASTER, store_path=store) as theirs:
        for table in ("machines", "meter_readings", "fault_codes", "work_orders", "work_lines", "components"):
            columns = [c for c in ours.store.select(f"FROM {table} LIMIT 0").columns if c != "file_id"]
            asked = f"SELECT {', '.join(c for c in columns if c != 'row_no')} FROM {table}"
            assert_same(ours.store.select(asked), theirs.store.select(asked))
        assert theirs.store.select("SELECT COUNT(*) AS n FROM rentals")["n"].item() == 0
