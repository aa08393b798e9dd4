"""Calls made by chance: any of them is answered, or refused in one sentence; none is the program's own mistake.

`FLEETLOG_FUZZ=10000` makes that many calls of each sort; without it fewer are made.
"""

from __future__ import annotations

import os
import random
from collections import Counter
from enum import EnumMeta
from pathlib import Path
from typing import Any, get_args

import pytest
import typer.main
from calls import Command

from fleetlog.cli.main import app
from fleetlog.session.fleet import open_fleet
from fleetlog.simulation.simulate import RecordKeeping, simulate

CALLS = int(os.environ.get("FLEETLOG_FUZZ", "25"))
SEED = int(os.environ.get("FLEETLOG_SEED", "1"))

pytestmark = pytest.mark.slow


def words(text: str) -> list[str]:
    return text.split(" ")


ASKED = words(
    "survival incidence compare drivers repeats trend suspects holds unit figures status settings faults explain rejects "
    "suggestions export"
)
LEFT_OUT = {"engine", "lake", "master", "accept", "decline", "help", "schema", "draws"}
"""What needs a cluster, writes, or only tells of itself."""
WORDS = words(
    "neutral-return oil-overheating internal_bushing drive_pump engine variant site make machine_type build_year left "
    "original improved worn_bushing log-rank gehan plain log gap lives table csv json markdown all open waiting machines "
    "work_orders spell suspects survival units trend status open_case 2024-06 2024-06-30 2024-02-30 0001-01-01 9999-12-31 "
    "1 7 37 2016 0 -1 1.5 1e308 nan inf 99999999999999999999 a,b variant,site , ' \" % * [ ] {} /etc/passwd .. - -- é 😀 "
    "\x1b[31m \u202e $path «x» NULL"
)
SQL = words(
    "SELECT FROM WHERE GROUP BY ORDER LIMIT JOIN LEFT ON USING AS WITH UNION ALL DISTINCT HAVING QUALIFY machines work_orders "
    "fault_codes meter_readings episode spell machine_id hours opened_at site spn * , ( ) [ ] { } ' \" ; -- /* */ 1 -1 0.5 "
    "1e999 NULL count( sum( avg( list( unnest( range( struct_pack( date_trunc( x.y $1 ? :a INTERVAL DATE CASE WHEN THEN END "
    "OVER PARTITION PIVOT UNPIVOT DESCRIBE SUMMARIZE EXPLAIN SHOW VALUES = < || :: INT[] VARCHAR lambda COLUMNS(*) EXCLUDE "
    "IN EXISTS ANY SAMPLE 9999999999999999999 'infinity'::date '1 month'::interval 'a'::blob {'a':1} map{1:2} ä 😀 \udc80"
)
FIT = {
    "fault": words("neutral-return oil-overheating start-interlock"),
    "as_of": words("2023-01-01 2024-02-29 2025-06-30 1999-12-31 2100-01-01"),
    "by": words("variant site make machine_type build_year variant,site"),
    "strata": words("variant site make build_year"),
    "factors": words("variant site variant,site build_year,make"),
    "component": words("internal_bushing drive_pump position_sensor wiring engine"),
    "name": words("suspects survival units status machines spell attempt outcome source_file change_log"),
}
COLUMNS = words(
    "machine_id build_date make site read_at hours source spn fmi seen_at work_order_id opened_at note x"
)
SHAPES = (
    "SELECT {} FROM machines",
    "SELECT {} FROM machines JOIN work_orders USING (machine_id) WHERE {}",
    "SELECT site, count(*) FROM machines GROUP BY {}",
    "FROM spell SELECT {}",
    "SELECT {}, {} FROM range(5)",
    "WITH a AS (SELECT {}) FROM a",
    "{}",
)


@pytest.fixture(scope="module")
def yard(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small yard with faults and untidy records."""
    folder = tmp_path_factory.mktemp("yard")
    made = simulate(
        folder / "made", machines=10, years=2, seed=5, record_keeping=RecordKeeping(mess=0.05, routine=True)
    )
    with open_fleet(folder / "s.duckdb", create=True) as fleet:
        fleet.load([made.files])
    return folder / "s.duckdb"


def anything(chance: random.Random) -> str:
    if chance.random() < 0.8:
        return chance.choice(WORDS)
    return "".join(
        chr(chance.choice((chance.randrange(1, 128), chance.randrange(128, 0xD800)))) for _ in range(5)
    )


def value(option: Any, chance: random.Random) -> str:
    """Mostly one that the option may have."""
    kind = option.type_descriptor.annotation
    listed = [
        str(one) for one in (kind if isinstance(kind, EnumMeta) else get_args(kind)) if isinstance(one, str)
    ]
    fit = FIT.get(option.name) or listed
    if fit and chance.random() < 0.8:
        return chance.choice(fit)
    if {int, float} & {kind, *get_args(kind)} and chance.random() < 0.7:
        return str(chance.choice((0, 1, 2, 7, 90, 2016, 2018)))
    return anything(chance)


def question(chance: random.Random, folder: Path) -> list[str]:
    name = chance.choice(ASKED)
    command: Any = typer.main.get_command(app).commands[name]  # type: ignore[attr-defined]
    call = [name]
    for option in command.params:
        if option.param_type_name == "argument":
            if option.required or chance.random() < 0.5:
                call.append(value(option, chance))
        elif option.name == "out":
            if option.required or chance.random() < 0.1:
                ending = chance.choice(
                    (".csv", ".json", ".ndjson", ".xlsx", ".parquet", ".md", ".txt", ".x", "")
                )
                call += ["--out", str(folder / f"out{ending}")]
        elif option.name not in LEFT_OUT and chance.random() < 0.25:
            call += [option.opts[0]] if option.is_flag else [option.opts[0], value(option, chance)]
    return call


def query(chance: random.Random, folder: Path) -> list[str]:
    shape = chance.choice(SHAPES)
    pieces = [" ".join(chance.choices(SQL, k=chance.randint(1, 6))) for _ in range(shape.count("{}"))]
    more = ["--history"] if chance.random() < 0.1 else []
    if chance.random() < 0.1:
        more += ["--out", str(folder / f"out{chance.choice(('.csv', '.json', '.xlsx', '.parquet', '.md'))}")]
    form = chance.choice(("table", "csv", "json", "markdown"))
    return ["query", "--within", "2", "--format", form, *more, "--", shape.format(*pieces)]


def load(chance: random.Random, folder: Path) -> list[str]:
    chosen = chance.sample(COLUMNS, chance.randint(1, 6))
    cut = chance.choice(",,,;\t|")
    rows = [chosen, *([anything(chance) for _ in chosen] for _ in range(chance.randint(0, 4)))]
    path = folder / f"file{chance.choice(('.csv', '.csv', '.json', '.xlsx', '.xml', '.zip', '.parquet', ''))}"
    path.write_text("\n".join(cut.join(row) for row in rows), encoding="utf-8", errors="replace")
    call = ["load", str(path)]
    command: Any = typer.main.get_command(app).commands["load"]  # type: ignore[attr-defined]
    for option in command.params:
        if (
            option.param_type_name == "option"
            and option.name not in ("out", "wait", *LEFT_OUT)
            and chance.random() < 0.15
        ):
            call += [option.opts[0]] if option.is_flag else [option.opts[0], value(option, chance)]
    return call


@pytest.mark.parametrize("sort", [question, query, load], ids=lambda sort: sort.__name__)
def test_no_call_is_our_own_mistake(sort: Any, fleetlog: Command, yard: Path, tmp_path: Path) -> None:
    chance, ends = random.Random(SEED), Counter[int]()
    for _ in range(CALLS):
        call = sort(chance, tmp_path)
        done = fleetlog(*call, store=tmp_path / "s.duckdb" if sort is load else yard)
        assert done.code in (0, 2), (call, done)
        if done.code == 2 and sort is query:
            assert done.err.count("\n") == 1, (call, done)
        ends[done.code] += 1
    assert len(ends) == 2 or CALLS < 200, ends  # few calls can all be refused
