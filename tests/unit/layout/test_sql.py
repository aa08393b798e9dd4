"""Every file of sql/ says what it is, and no query is put together from text."""

from __future__ import annotations

import ast
import json
import re
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

import duckdb
import polars as pl
import pytest

from fleetlog.history.build_spec import BuildSpec
from fleetlog.history.families import register_families
from fleetlog.history.steps import run_step, steps
from fleetlog.resources import folder
from fleetlog.session.fleet import Fleet, open_fleet
from fleetlog.store.statements import statement

SQL = folder("sql")
FILES = sorted(str(path.relative_to(SQL).with_suffix("")) for path in SQL.rglob("*.sql"))
PACKAGE = Path(__file__).parents[3] / "fleetlog"

# Where SQL is built from the data dictionary, whose names are a fixed list.
BUILDS_SQL = {"store", "intake"}


@pytest.mark.parametrize("name", FILES)
def test_header(name: str) -> None:
    """Purpose and grain are given; inputs and parameters are those that the statement reads, no more, no fewer."""
    query = statement(name)
    for field in ("purpose", "grain", "inputs", "output"):
        assert query.header[field], f"{name}: {field} says nothing"
    assert set(query.parameters) == names(query.header.get("parameters", "")), f"{name}: its parameters"
    if not name.startswith("schema/"):
        marked = set(re.findall(r"/\*with (\w+)\*/", query.body))
        assert set(query.inputs) == tables_read(query.body) | marked, f"{name}: its inputs"


def names(said: str) -> set[str]:
    """The names in a field of a header, its remarks in brackets left out."""
    return {word.strip() for word in re.sub(r"\([^)]*\)", "", said).split(",")} - {""}


def tables_read(sql: str) -> set[str]:
    """The tables that a SELECT reads, by DuckDB's own parser; its CTEs are none."""
    found = duckdb.execute("SELECT json_serialize_sql($sql)", {"sql": sql}).fetchone()
    assert found is not None
    parsed = json.loads(found[0])
    assert not parsed["error"], parsed
    return _read_by(parsed["statements"], frozenset())


def _read_by(node: Any, ctes: frozenset[str]) -> set[str]:
    if isinstance(node, list):
        return set().union(*(_read_by(item, ctes) for item in node))
    if not isinstance(node, dict):
        return set()
    if node.get("type") == "BASE_TABLE":
        return {node["table_name"]} - ctes
    tables: set[str] = set()
    for cte in node.get("cte_map", {}).get("map", ()):
        tables |= _read_by(cte["value"], ctes)  # it sees those before it, and the table that bears its name
        ctes |= {cte["key"]}
    return tables.union(*(_read_by(value, ctes) for key, value in node.items() if key != "cte_map"))


def test_shared_relations_are_read_by_several() -> None:
    """What stands in sql/shared/ is what would otherwise stand more than once."""
    for name in (name.removeprefix("shared/") for name in FILES if name.startswith("shared/")):
        assert sum(name in statement(other).inputs for other in FILES) > 1, name


@pytest.mark.parametrize("name", [name for name in FILES if name.startswith("checks/")])
def test_checks_say_out_of_what(name: str) -> None:
    assert statement(name).header["unit"]


@pytest.mark.parametrize(
    "path", sorted(PACKAGE.rglob("*.py")), ids=lambda path: str(path.relative_to(PACKAGE))
)
def test_no_sql_from_text(path: Path) -> None:
    if path.relative_to(PACKAGE).parts[0] in BUILDS_SQL:
        return
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.JoinedStr):
            text = "".join(str(part.value) for part in node.values if isinstance(part, ast.Constant))
            for word in re.findall(r"\b(SELECT|INSERT|UPDATE|DELETE|CREATE|DROP|WHERE)\b", text):
                pytest.fail(f"line {node.lineno} builds SQL ({word}) from text")


@pytest.fixture(scope="module")
def tables(demo_store: Path) -> Iterator[Fleet]:
    """The demo fleet with every table that a statement can read, also those that pass while others are made."""
    with open_fleet(demo_store) as fleet:
        spec = BuildSpec(fleet.families, fleet.settings, fleet.last_day())
        register_families(fleet.store, fleet.families.values(), fleet.settings.design_changes)
        made = [table for step in steps() for table in run_step(fleet.store, step, spec.parameters)]
        fleet.store.register("chosen_machine", fleet.store.select("SELECT machine_id FROM machines LIMIT 5"))
        for table in ("site_record", "text_step", "filled_line"):
            fleet.store.register(f"{table}_now", fleet.store.select(f"FROM {table}"))
        assert "spell" in made
        fleet.store.register("new_fault", fleet.store.select(NO_CUT))
        fleet.store.register("same_fault", fleet.store.select(NO_CUT))
        fleet.store.register("look", fleet.store.select(NO_LOOK))
        fleet.store.register("calendar_month", fleet.store.select(NO_MONTH))
        fleet.store.register("asked_time", fleet.store.select(NO_TIME))
        fleet.store.register("cox_cell", pl.DataFrame({"component": ["internal_bushing"], "cell": [0]}))
        fleet.store.register("landmark", pl.DataFrame({"tenths": range(5000, 200_000, 5000)}))
        sums = {f"{name}_{k}": [0] for name in ("leave", "fail") for k in range(1, 9)}
        fleet.store.register("cox_step", pl.DataFrame({"cell": [0], "hours": [0], **sums}))
        for table, column in (("hold_word", "pattern"), ("hold_denial", "pattern"), ("release_item", "item")):
            fleet.store.register(table, pl.DataFrame({column: ["% creep%"]}))
        for table, name in MADE_BY_CALLERS.items():
            query = statement(name)
            values = {key: VALUES[key] for key in query.parameters}
            fleet.store.create(table, query, temporary=True, **values)
        yield fleet


NO_CUT = "SELECT machine_id, side, first_at, first_tenths FROM case_file LIMIT 0"
NO_LOOK = "SELECT machine_id, first_at AS at, first_tenths AS tenths FROM case_file LIMIT 0"
NO_TIME = "SELECT 0 AS stretch, NULL::TIMESTAMP AS from_at, NULL::TIMESTAMP AS until_at LIMIT 0"
NO_MONTH = "SELECT 1 AS month, NULL::TIMESTAMP AS begin_at, NULL::TIMESTAMP AS end_at LIMIT 0"

MADE_BY_CALLERS = {
    "dated_row": "refresh/dated_row",
    "resumed": "refresh/resumable",
    "contradicting_reading": "refresh/contradicting_reading",
    "recurrence": "risk/recurrences",
    "looked_at": "cases/everywhere",
    "weighed_case": "cases/bounds",
}

VALUES: dict[str, Any] = {
    "component": "internal_bushing",
    "action": "replace",
    "cause": None,
    "sites": None,
    "build_years": None,
    "machines": None,
    "fault": "neutral-return",
    "window_tenths": 5000,
    "least_tenths": 0,
    "burst_tenths": 150,
    "from_last": False,
    "machine_id": "37",
    "work_order_id": None,
    "state": None,
    "as_of_end": datetime(2026, 1, 1),
    "from_at": datetime(2025, 1, 1),
    "until_at": datetime(2026, 1, 1),
    "from_seconds": 0,
    "years": 5,
    "labour_rate": 100.0,
    "booked_ahead": False,
    "last_file": 0,
    "previous_end": datetime(2025, 12, 1),
    "silence_days": 180,
    "hours_a_day": 24.0,
    "rate_days": 180,
    "count_unjudged": True,
    "least_confidence": 0.5,
    "confidence": 0.0,
    "parts": ["internal_bushing"],
    "causes": [],
    "words_from": datetime(2026, 1, 1),
    "ahead": 5000,
    "settling": 1500,
    "back": 10000,
    "latest": 100,
}

# What is made of a file that only the loader has, and what makes a table.
UNCHECKED = ("schema/", "intake/", "shared/risk_table", "shared/score_sum")


@pytest.mark.parametrize("name", [name for name in FILES if not name.startswith(UNCHECKED)])
def test_output_is_as_said(name: str, tables: Fleet) -> None:
    """The columns that come back are those that the header names."""
    query = statement(name)
    frame = tables.store.run(name, **{key: VALUES[key] for key in query.parameters})
    said = names(query.header["output"])
    for like in [word for word in said if word.startswith("the columns of ")]:
        said |= set(tables.store.select(f"FROM {like.split()[-1]} LIMIT 0").columns)
    assert set(frame.columns) == {word for word in said if not word.startswith("the ")}
