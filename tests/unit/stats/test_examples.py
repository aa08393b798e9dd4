"""Every public function of the statistics, and every class that does something, shows by an example that comes out as
it says what it gives; says which errors it raises; and names where its method is from."""

from __future__ import annotations

import ast
import doctest
import functools
import importlib
import inspect
import re
import textwrap
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest

import fleetlog.stats

MODULES = sorted(path.stem for path in Path(fleetlog.stats.__file__).parent.glob("[!_]*.py"))

#: Modules that hold no method of statistics, only what methods are written with: arrays, checks, counting, special
#: functions of a library, and plain Bayes' rule for one sign.
NO_METHOD = {"arrays", "errors", "histories", "laws", "life_counts"}

#: A year, or the number of a standard: what a source cannot be named without.
SOURCE = re.compile(r"\b1[5-9]\d\d\b|\b20\d\d\b|\bIEC \d|\bMIL-HDBK-\d")

#: Digits behind the point beyond which machines may differ.
MOST_DIGITS = 6

#: Raised by these for their callers.
CHECKS = {"checked_level": "BadArgument", "one_of": "BadArgument", "normal_quantile": "BadArgument"}


@functools.cache
def imported(name: str) -> ModuleType:
    return importlib.import_module(f"fleetlog.stats.{name}")


def public(module: ModuleType) -> Iterator[tuple[str, Any]]:
    """Functions and classes that a module makes and does not call its own."""
    for name, thing in vars(module).items():
        made_here = getattr(thing, "__module__", None) == module.__name__
        if made_here and not name.startswith("_") and (inspect.isfunction(thing) or inspect.isclass(thing)):
            yield name, thing


def methods(kind: type) -> dict[str, Any]:
    """What a class does: its public methods and computed attributes, of a protocol none."""
    if getattr(kind, "_is_protocol", False):
        return {}
    found = {}
    for name, member in vars(kind).items():
        if isinstance(member, functools.cached_property):
            member = member.func
        if isinstance(member, (staticmethod, classmethod)):
            member = member.__func__
        if isinstance(member, property):
            member = member.fget
        if inspect.isfunction(member) and not name.startswith("_"):
            found[name] = member
    return found


def examples(thing: Any) -> list[doctest.Example]:
    return doctest.DocTestParser().get_examples(vars(thing).get("__doc__") or thing.__doc__ or "")


def shown(thing: Any) -> list[doctest.Example]:
    """The examples of a function; those of a class and all it does."""
    own = examples(thing)
    if inspect.isclass(thing):
        own += [example for method in methods(thing).values() for example in examples(method)]
    return own


def works(thing: Any) -> bool:
    return inspect.isfunction(thing) or bool(methods(thing))


def described() -> list[tuple[str, str]]:
    return [(module, name) for module in MODULES for name, thing in public(imported(module)) if works(thing)]


def test_there_is_something_to_hold() -> None:
    found = described()
    assert len(found) > 150
    assert {("product_limit", "product_limit"), ("risk_table", "RiskTable")} <= set(found)


@pytest.mark.parametrize("name", MODULES)
def test_examples_come_out(name: str) -> None:
    failed = doctest.testmod(imported(name), extraglobs={"np": np}, report=False).failed
    assert failed == 0


@pytest.mark.parametrize(("module", "name"), described())
def test_it_is_shown(module: str, name: str) -> None:
    thing = getattr(imported(module), name)
    said = [example for example in shown(thing) if example.want]
    assert said, f"{module}.{name} has no example that says what comes out"
    for example in said:
        assert "is not None" not in example.source, f"{module}.{name}: that says nothing"
        digits = [len(number) for number in re.findall(r"\d\.(\d+)", example.want)]
        assert max(digits, default=0) <= MOST_DIGITS, (
            f"{module}.{name}: round {example.want!r}, machines differ there"
        )


@pytest.mark.parametrize(("module", "name"), described())
def test_every_method_with_arguments_is_used_in_an_example(module: str, name: str) -> None:
    thing = getattr(imported(module), name)
    if not inspect.isclass(thing):
        return
    everywhere = "".join(example.source for _, other in public(imported(module)) for example in shown(other))
    for called, method in methods(thing).items():
        if len(inspect.signature(method).parameters) > 1:
            assert examples(method) or f".{called}(" in everywhere, f"{module}.{name}.{called} is never shown"


@pytest.mark.parametrize("name", MODULES)
def test_where_a_method_is_from(name: str) -> None:
    module = imported(name)
    if name in NO_METHOD:
        assert not SOURCE.search(module.__doc__ or ""), f"{name} names a source, so it holds a method"
        return
    if SOURCE.search(module.__doc__ or ""):
        return
    for called, thing in public(module):
        if works(thing):
            assert SOURCE.search(thing.__doc__ or ""), f"{name}.{called} and its module name no source"


@pytest.mark.parametrize(("module", "name"), described())
def test_errors_raised_are_said(module: str, name: str) -> None:
    thing = getattr(imported(module), name)
    told = thing.__doc__ or ""
    for called, method in (methods(thing) if inspect.isclass(thing) else {name: thing}).items():
        said = told + (method.__doc__ or "")
        for error in raised(method):
            assert error in said or "StatsError" in said, f"{module}.{name}: {called} raises {error}, unsaid"


def raised(function: Any) -> set[str]:
    """The named errors that a function raises itself, or by a check that it calls."""
    found = set()
    for node in ast.walk(ast.parse(textwrap.dedent(inspect.getsource(function)))):
        if isinstance(node, ast.Raise) and isinstance(node.exc, ast.Call):
            if isinstance(node.exc.func, ast.Name) and not node.exc.func.id.startswith("_"):
                found.add(node.exc.func.id)
        elif isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in CHECKS:
            found.add(CHECKS[node.func.id])
    return found
