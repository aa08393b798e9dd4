"""The public names of the package, for the page on Python: what stands in `fleetlog.__all__`, by its sort."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any, get_args

import fleetlog
from generators.markdown import code, table

ASKED = ("open", "OpenFleet", "FleetPart")
"""Names that have places of their own on the page."""


def filled(markdown: str) -> str:
    """The page with its marks `<!-- results -->`, `<!-- errors -->` and `<!-- aliases -->` filled."""
    parts: dict[str, Callable[[], str]] = {"results": _results, "errors": _errors, "aliases": _aliases}
    return re.sub(r"<!-- (\w+) -->", lambda mark: parts[mark[1]]() if mark[1] in parts else mark[0], markdown)


def public() -> dict[str, Any]:
    """Every public name but those that the page describes itself."""
    return {
        name: getattr(fleetlog, name)
        for name in sorted(fleetlog.__all__)
        if name not in ASKED and not name.startswith("_")
    }


def _classes(errors: bool) -> list[type]:
    return [
        one
        for one in public().values()
        if isinstance(one, type) and issubclass(one, fleetlog.FleetlogError) is errors
    ]


def _results() -> str:
    return "\n\n".join(_reference(one) for one in _classes(errors=False))


def _errors() -> str:
    return "\n\n".join(_reference(one) for one in _classes(errors=True))


def _reference(one: type) -> str:
    path = f"{one.__module__}.{one.__qualname__}"
    return f"::: {path}\n    options:\n      heading: {one.__name__}\n      toc_label: {one.__name__}"


def _aliases() -> str:
    rows = [
        [code(name), ", ".join(code(_word(value)) for value in get_args(one))]
        for name, one in public().items()
        if not isinstance(one, type)
    ]
    return table(["name", "one of"], rows)


def _word(value: Any) -> str:
    return value.__name__ if isinstance(value, type) else str(value)
