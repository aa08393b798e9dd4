"""General code and pages know no fault family: no text of theirs names a part that a shipped family does."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from fleetlog.faults.loader import load_families
from fleetlog.phrasing import _UNCOUNTED
from fleetlog.resources import folder

PACKAGE = Path(__file__).parents[3] / "fleetlog"
#: Code that says what it finds of any family.
GENERAL = (
    *("session", "lives", "causes", "planning", "reporting", "charts", "cli", "history", "stats"),
    *("phrasing.py", "tables.py", "questions.py", "methods.py", "errors.py", "asking.py", "api.py"),
)
#: Settings of the shop and a statement's file, whose names are the trade's own.
NAMES = re.compile(r"engine_out_(jobs|hours|orders|limit)|pump_(mechanics|hours)")
TEMPLATES = ("pages", "print", "styles", "scripts", "tables.toml")


def parts() -> set[str]:
    """The components of the shipped families, whole and their last words: "drive pump", "pump", "wiring"."""
    spoken = {
        name.replace("_", " ")
        for family in load_families().values()
        for name in (
            *(part.component for part in family.parts),
            *(cause.component for cause in family.causes),
            *(step.component for step in family.steps),
        )
        if name and name != "other"
    }
    return spoken | {name.rpartition(" ")[2] for name in spoken} - {"group"}  # a word of every comparison


def texts(path: Path) -> Iterator[str]:
    """Texts of a module that could reach a reader: no docstrings, no comments; of other files everything."""
    content = path.read_text(encoding="utf-8")
    if path.suffix != ".py":
        yield content
        return
    tree = ast.parse(content)
    docs = {
        id(node.body[0].value)
        for node in ast.walk(tree)
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef)
        and node.body
        and isinstance(node.body[0], ast.Expr)
    }
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in docs:
            yield node.value


def files(root: Path, names: tuple[str, ...]) -> list[Path]:
    found = [
        path
        for name in names
        for path in ([root / name] if (root / name).is_file() else (root / name).rglob("*"))
    ]
    return [path for path in found if path.is_file() and "__pycache__" not in path.parts]


def test_the_words_looked_for_are_those_of_the_families() -> None:
    assert {"pump", "drive pump", "sensor", "bushing", "engine", "battery", "wiring", "cooling"} <= parts()


@pytest.mark.parametrize(
    "path",
    [*files(PACKAGE, GENERAL), *files(folder("reports"), TEMPLATES)],
    ids=lambda path: "/".join(path.parts[-2:]),
)
def test_no_text_names_a_part_of_a_family(path: Path) -> None:
    spoken = parts() - {"engine"} if "cli" in path.parts else parts()  # there it is what makes the tables
    words = re.compile(rf"(?<![a-z])({'|'.join(sorted(spoken, key=len, reverse=True))})s?(?![a-z])", re.I)
    for text in texts(path):
        if text in _UNCOUNTED and path.name == "phrasing.py":
            continue  # which nouns have no plural is grammar
        hit = words.search(NAMES.sub("", text).replace("_", " "))
        assert hit is None, (
            f"{path.name} names {hit[0]!r}: {text[max(0, hit.start() - 60) : hit.end() + 20]!r}"
        )


@pytest.mark.parametrize(
    "path", sorted(folder("sql").rglob("*.sql")), ids=lambda path: "/".join(path.parts[-2:])
)
def test_no_statement_names_a_part_of_a_family(path: Path) -> None:
    values = set(re.findall(r"'([^'\n]*)'", re.sub(r"--.*", "", path.read_text(encoding="utf-8"))))
    own = {"engine"} if path.stem.startswith("engine_out") else set()  # a setting of the shop, as above
    assert not {value.replace("_", " ") for value in values} & (parts() - own)


def test_a_text_that_names_a_part_is_seen(tmp_path: Path) -> None:
    module = tmp_path / "one.py"
    module.write_text('"""Of the pump."""\n\nTITLE = "Before anyone opens a pump"\n', encoding="utf-8")
    assert list(texts(module)) == ["Before anyone opens a pump"]
