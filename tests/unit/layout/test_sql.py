"""Every file of sql/ says what it is, and no query is put together from text."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import polars as pl
import pytest

from fleetlog.resources import folder
from fleetlog.session.fleet import Fleet
from fleetlog.store.statements import statement

SQL = folder("sql")
FILES = sorted(str(path.relative_to(SQL).with_suffix("")) for path in SQL.rglob("*.sql"))
PACKAGE = Path(__file__).parents[3] / "fleetlog"

# Where SQL is built from the data dictionary, whose names are a fixed list.
BUILDS_SQL = {"store", "intake"}


@pytest.mark.parametrize("name", FILES)
def test_header(name: str) -> None:
    found = statement(name)
    for field in ("purpose", "grain", "inputs", "output"):
        assert found.header[field], f"{name}: {field} says nothing"
    named = {word for word in re.findall(r"[a-z_]+", found.header.get("parameters", ""))}
    assert set(found.parameters) <= named, f"{name}: a parameter is not in its header"


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
            text = "".join(part.value for part in node.values if isinstance(part, ast.Constant))
            for word in re.findall(r"\b(SELECT|INSERT|UPDATE|DELETE|CREATE|DROP|WHERE)\b", text):
                pytest.fail(f"line {node.lineno} builds SQL ({word}) from text")


def hand_over(fleet: Fleet) -> None:
    """The tables that a finding makes before it asks."""
    whole = {"fault": "neutral-return", "sites": None, "build_years": None, "machines": None}
    fleet.store.create("recurrence", statement("risk/recurrences"), temporary=True, **whole)
    fleet.store.register("cox_cell", pl.DataFrame({"component": ["internal_bushing"], "cell": [0]}))
    steps = {f"{name}_{k}": [0] for name in ("leave", "fail") for k in range(1, 9)}
    fleet.store.register("cox_step", pl.DataFrame({"cell": [0], "hours": [0], **steps}))


@pytest.mark.parametrize("name", [name for name in FILES if name.split("/")[0] in ("risk", "checks", "unit")])
def test_output_is_as_said(name: str, demo: Fleet) -> None:
    """The columns that come back are among those that the header names."""
    demo.history()
    hand_over(demo)
    found = statement(name)
    values: dict[str, object] = {
        "component": "internal_bushing",
        "cause": None,
        "sites": None,
        "build_years": None,
        "machines": None,
        "fault": "neutral-return",
        "window_tenths": 5000,
        "from_last": False,
        "machine_id": "37",
        "as_of_end": demo.history().as_of_end,
    }
    frame = demo.store.run(name, **{key: values[key] for key in found.parameters})
    said = set(re.findall(r"[a-z_0-9]+", found.header["output"]))
    assert set(frame.columns) <= said
