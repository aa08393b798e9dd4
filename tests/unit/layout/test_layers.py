"""Data flow one way: nothing imports what stands to its right."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[3] / "fleetlog"

# room -> the rooms and modules of the project it may import
MAY = {
    "errors": set(),
    "resources": set(),
    "tables": {"errors"},
    "methods": {"errors", "resources", "faults"},
    "wording": {"errors", "resources"},
    "store": {"errors", "resources"},
    "faults": {"errors"},
    "settings": {"errors", "faults"},
    "intake": {"errors", "resources", "store", "tables", "wording"},
    "history": {"errors", "store", "faults", "settings"},
    "engines": {"errors", "store", "faults", "settings", "history"},
    "stats": set(),
    "phrasing": set(),
    "session": {"errors", "store", "engines", "intake", "wording", "faults", "settings", "history"},
    "lives": {"errors", "session", "store", "faults", "stats"},
    "causes": {"errors", "session", "store", "faults", "settings", "history", "stats"},
    "planning": {"errors", "session", "lives", "causes", "store", "faults", "settings", "history", "stats"},
    "charts": {"errors", "phrasing", "session", "lives", "causes", "planning", "stats"},
    "reporting": {
        "errors",
        "resources",
        "faults",
        "phrasing",
        "session",
        "lives",
        "causes",
        "planning",
        "charts",
        "methods",
        "tables",
    },
    "simulation": {"errors", "faults"},
    "api": {"errors", "session", "lives", "causes", "planning", "intake"},
}
LIBRARIES = {
    "duckdb": {"store"},
    "scipy": {"stats"},
    "altair": {"charts", "findings", "reporting"},
    "jinja2": {"reporting"},
    "typst": {"reporting"},
    "pyspark": {"engines"},
    "sqlglot": {"engines"},
}


def modules() -> list[Path]:
    return sorted(path for path in PACKAGE.rglob("*.py") if "cli" not in path.relative_to(PACKAGE).parts)


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


def test_findings_import_charts_only_when_a_picture_is_asked_for() -> None:
    """The result types offer .chart(); the import stands inside the method, so that findings need no altair."""
    for path in (PACKAGE / "findings").glob("*.py"):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        top = {node.module for node in tree.body if isinstance(node, ast.ImportFrom)}
        assert not any(module and module.startswith("fleetlog.charts") for module in top), path.name
