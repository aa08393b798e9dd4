"""Data flow one way: nothing imports what stands to its right."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[3] / "fleetlog"

# What each room may import of the project. Everything not named here stands above it.
_BASE = {"errors", "resources", "outfile", "tables", "temporary", "phrasing", "questions", "table_specs"}
_RECORDS = {*_BASE, "store", "faults", "settings", "history"}
_SESSION = {*_RECORDS, "intake", "wording", "engines", "session"}
MAY = {
    "errors": set(),
    "resources": set(),
    "stats": set(),
    "phrasing": set(),
    "table_specs": {"resources", "phrasing"},
    "questions": {"errors"},
    "outfile": {"errors"},
    "temporary": set(),
    "tables": {"errors", "outfile"},
    "store": {"errors", "resources", "outfile", "temporary"},
    "faults": {"errors"},
    "wording": {"errors", "resources"},
    "methods": {"errors", "resources", "faults"},
    "settings": {"errors", "faults"},
    "simulation": {"errors", "faults"},
    "intake": {"errors", "resources", "outfile", "store", "tables", "temporary", "wording"},
    "history": {"errors", "store", "faults", "settings"},
    "engines": {"errors", "store", "faults", "settings", "history"},
    "session": {*_RECORDS, "intake", "wording", "engines"},
    "belief": {*_RECORDS, "session", "stats"},
    "lives": {*_RECORDS, "session", "stats", "belief"},
    "causes": {*_RECORDS, "session", "stats", "belief"},
    "planning": {*_RECORDS, "session", "stats", "belief", "lives", "causes"},
    "charts": {*_BASE, "session", "stats", "lives", "causes", "planning"},
    # what the workshop fills in on a job card are the tables that intake loads
    "reporting": {*_SESSION, "methods", "belief", "lives", "causes", "planning", "charts"},
    "asking": {*_BASE, "session"},
    "api": {*_SESSION, "asking", "methods", "lives", "causes", "planning", "reporting"},
    "cli": {*_SESSION, "api", "methods", "lives", "causes", "planning", "charts", "reporting", "simulation"},
}
LIBRARIES = {
    "duckdb": {"store"},
    "scipy": {"stats"},
    "altair": {"charts", "session", "reporting"},
    "jinja2": {"reporting"},
    "typst": {"reporting"},
    "pyspark": {"engines"},
    "sqlglot": {"engines"},
}


def modules() -> list[Path]:
    return sorted(PACKAGE.rglob("*.py"))


def imports(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module and node.level == 0:
            found.add(node.module)
    return found


def room(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


@pytest.mark.parametrize("path", modules(), ids=lambda path: str(path.relative_to(PACKAGE)))
def test_imports_follow_the_flow(path: Path) -> None:
    mine = room(path)
    if mine in ("__init__", "__main__"):
        return
    for name in imports(path):
        parts = name.split(".")
        if parts[0] == "fleetlog" and len(parts) > 1 and parts[1] != mine:
            assert parts[1] in MAY[mine], f"{mine} must not import {name}"
        if parts[0] in LIBRARIES:
            assert mine in LIBRARIES[parts[0]], f"{mine} must not import {parts[0]}"


def test_nothing_stands_above_itself() -> None:
    """The rooms have an order: what one may import, and all that those may, never leads back to it."""

    def below(name: str) -> set[str]:
        return MAY[name].union(*(below(one) for one in MAY[name]))

    for name in MAY:
        assert name not in below(name)
    assert "causes" not in MAY["lives"]
    assert "lives" not in MAY["causes"]


def test_every_room_is_told_what_it_may_import() -> None:
    assert {room(path) for path in modules()} - {"__init__", "__main__"} == set(MAY)


def test_places_are_named_in_declarations_only() -> None:
    """A place named in a text is an import that this test cannot see: it belongs to the declarations."""
    for path in modules():
        if path.name != "questions.py":
            assert 'Place("' not in path.read_text(encoding="utf-8"), path
            assert not re.search(r"import_module\((?!_HOME)", path.read_text(encoding="utf-8")), path
