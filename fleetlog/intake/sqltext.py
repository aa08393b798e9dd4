"""Putting SQL together from the dictionary: slots for identifiers, bound parameters for every value.

Loading is the one room whose SQL depends on which columns a file has, so it cannot stand in a file of sql/.
Only two things are ever put into a text: identifiers and expressions made here from the dictionary and
quoted, and the `$names` of bound values. Text that came from a file is always a bound value.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Any

_SLOT = re.compile(r"«(\w+)»")
_PLACEHOLDER = re.compile(r"\$(\w+)")


def compose(template: str, **parts: str) -> str:
    """Fills the «slots» of an SQL template.

    Raises:
        KeyError: for a slot without a part.
    """
    return _SLOT.sub(lambda slot: parts[slot[1]], template)


class Bound:
    """Values to bind, each under a name of its own; the same value gets the same name.

    Two sets of values that meet in one statement need different prefixes.
    """

    def __init__(self, prefix: str = "b") -> None:
        self._prefix = prefix
        self.values: dict[str, Any] = {}
        self._names: dict[tuple[type, str], str] = {}

    def __call__(self, value: Any) -> str:
        """Binds a value and returns its placeholder."""
        mark = (type(value), repr(value))
        if mark not in self._names:
            name = f"{self._prefix}{len(self.values)}"
            self._names[mark] = name
            self.values[name] = value
        return f"${self._names[mark]}"

    def used_in(self, sql: str) -> dict[str, Any]:
        """The values that a text binds; the engine refuses one that it does not ask for."""
        asked = set(_PLACEHOLDER.findall(sql))
        return {name: value for name, value in self.values.items() if name in asked}


def commas(items: Iterable[str]) -> str:
    """Items as a comma-separated list."""
    return ", ".join(items)


def any_of(conditions: Iterable[str]) -> str:
    """Conditions joined by OR; false when there is none."""
    return " OR ".join(f"({condition})" for condition in conditions) or "false"


def all_of(conditions: Iterable[str]) -> str:
    """Conditions joined by AND; true when there is none."""
    return " AND ".join(f"({condition})" for condition in conditions) or "true"
