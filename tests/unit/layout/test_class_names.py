"""One name, one thing: no two public classes of the package are called the same."""

from __future__ import annotations

import ast
from collections import Counter
from pathlib import Path

PACKAGE = Path(__file__).parents[3] / "fleetlog"


def test_no_two_public_classes_have_one_name() -> None:
    names = Counter(
        node.name
        for path in PACKAGE.rglob("*.py")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.ClassDef) and not node.name.startswith("_")
    )
    assert len(names) > 200
    assert [name for name, count in names.items() if count > 1] == []
