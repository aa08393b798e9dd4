"""Every public name of the statistics serves a question: what only their own tests reach is dead weight."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

from fleetlog.resources import folder

ROOT = Path(__file__).parents[3]
STATS = ROOT / "fleetlog" / "stats"

Definition = tuple[str, str]
"""A module of the statistics and a name at its top level."""


def parsed(paths: Iterator[Path]) -> dict[str, ast.Module]:
    return {path.stem: ast.parse(path.read_text(encoding="utf-8")) for path in sorted(paths)}


def imported(tree: ast.AST) -> dict[str, Definition]:
    """The names that code takes from the statistics, and where they stand there."""
    prefix = "fleetlog.stats."
    return {
        alias.asname or alias.name: (node.module.removeprefix(prefix), alias.name)
        for node in ast.walk(tree)
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith(prefix)
        for alias in node.names
    }


def defined(tree: ast.Module) -> dict[str, ast.stmt]:
    """What a module defines at its top level."""
    found: dict[str, ast.stmt] = {}
    for node in tree.body:
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            found[node.name] = node
        elif isinstance(node, ast.Assign | ast.AnnAssign):
            targets = node.targets if isinstance(node, ast.Assign) else [node.target]
            found |= {target.id: node for target in targets if isinstance(target, ast.Name)}
    return found


def reached(modules: dict[str, ast.Module], users: list[ast.Module]) -> set[Definition]:
    """What the users take from the statistics, and all that this rests on."""
    tops = {name: defined(tree) for name, tree in modules.items()}
    taken = {name: imported(tree) for name, tree in modules.items()}
    waiting = [place for user in users for place in imported(user).values()]
    found: set[Definition] = set()
    while waiting:
        module, name = place = waiting.pop()
        if place in found or name not in tops.get(module, {}):
            continue
        found.add(place)
        for node in ast.walk(tops[module][name]):
            if isinstance(node, ast.Name):
                waiting.append(taken[module].get(node.id, (module, node.id)))
    return found


def unreached(modules: dict[str, ast.Module], users: list[ast.Module]) -> set[str]:
    """Public names of the modules, and public methods of their classes, that nobody outside comes to."""
    known = reached(modules, users)
    attributes: set[str] = set()
    for tree in [*users, *(defined(modules[module])[name] for module, name in known)]:
        for node in ast.walk(tree):
            if isinstance(node, ast.Attribute):
                of = f"{node.value.id}." if isinstance(node.value, ast.Name) else ""
                attributes |= {node.attr, f"{of}{node.attr}"}
    missed = set()
    for module, tree in modules.items():
        for name, node in defined(tree).items():
            if name.startswith("_"):
                continue
            if (module, name) not in known:
                missed.add(f"{module}.{name}")
            missed |= {
                f"{module}.{name}.{method.name}"
                for method in getattr(node, "body", ())
                if isinstance(node, ast.ClassDef)
                and isinstance(method, ast.FunctionDef)
                and not method.name.startswith("_")
                and _called(name, method) not in attributes
            }
    return missed


def _called(name: str, method: ast.FunctionDef) -> str:
    """How code names a method: one that needs no object, by its class."""
    static = any(isinstance(one, ast.Name) and one.id == "staticmethod" for one in method.decorator_list)
    return f"{name}.{method.name}" if static else method.name


def test_the_statistics_serve_questions() -> None:
    users = [path for path in (ROOT / "fleetlog").rglob("*.py") if STATS not in path.parents]
    trees = [
        ast.parse(path.read_text(encoding="utf-8")) for path in (*users, *folder("demo_data").glob("*.py"))
    ]
    assert unreached(parsed(STATS.glob("*.py")), trees) == set()


def test_a_name_without_a_user_is_seen() -> None:
    modules = {
        "one": ast.parse("def used(): return helper()\ndef helper(): pass\ndef idle(): pass"),
        "two": ast.parse("class Fit:\n    def read(self): pass\n    def spare(self): pass"),
    }
    user = ast.parse("from fleetlog.stats.one import used\nfrom fleetlog.stats.two import Fit\nFit().read()")
    assert unreached(modules, [user]) == {"one.idle", "two.Fit.spare"}
