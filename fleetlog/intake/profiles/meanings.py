"""What columns hold and what others call them and their words: names.toml and languages.toml, read once."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from fleetlog.intake.names import squeeze
from fleetlog.store.dictionary import Column, Kind
from fleetlog.wording import Dictionary, load_dictionary

_FILES = tuple(Path(__file__).with_name(name) for name in ("names.toml", "languages.toml"))

READ_AS_WORDING = ("component", "action", "side", "finding", "result")
"""Columns whose words the dictionary of free text knows as well."""


@dataclass(frozen=True)
class ColumnMeaning:
    """What a column holds.

    Attributes:
        means: in half a sentence.
        unit: of its numbers, "" where they have none.
        also: other headings for it.
    """

    means: str
    unit: str
    also: tuple[str, ...]


@cache
def _names() -> dict[str, Any]:
    names, more = (tomllib.loads(file.read_text(encoding="utf-8")) for file in _FILES)
    for place, also in _also(more):
        table = names
        for key in place:
            table = table.setdefault(key, {})
        # What differs in one kind has its own list; where it has none, the shared one stays in force.
        shared = (
            names["column"][place[2]].get("also", []) if place[0] == "kind" and "also" not in table else []
        )
        table["also"] = list(dict.fromkeys([*table.get("also", shared), *also]))
    return names


def _also(
    table: Mapping[str, Any], place: tuple[str, ...] = ()
) -> Iterator[tuple[tuple[str, ...], list[str]]]:
    """Every list of other names, with the keys that lead to it."""
    for key, value in table.items():
        if key == "also":
            yield place, value
        else:
            yield from _also(value, (*place, key))


@cache
def _meaning(kind: str, column: str) -> ColumnMeaning:
    shared = _names()["column"].get(column, {})
    own = _names()["kind"].get(kind, {}).get(column, {})
    both = {**shared, **own}
    return ColumnMeaning(both["means"], both.get("unit", ""), tuple(both.get("also", ())))


def meaning_of(kind: Kind, column: Column) -> ColumnMeaning:
    """What a column of a kind of table holds."""
    return _meaning(kind.name, column.name)


@dataclass(frozen=True)
class Words:
    """The words that a column may hold, and other ways to write them.

    Attributes:
        column: the column's name.
        stored: the words of the store and the fleet's own.
        other: another way to write one (squeezed) -> stored word.
        closed: whether other words fail.
        may_be_empty: whether "n/a" and the like may stand for an empty cell.
    """

    column: str
    stored: tuple[str, ...]
    other: Mapping[str, str]
    closed: bool
    may_be_empty: bool
    _wording: Dictionary

    def meant(self, text: str) -> str | None:
        """The stored word for a text, "" for a cell that says nothing, None where no word is known for it."""
        name = squeeze(text)
        own = {squeeze(word): word for word in self.stored}
        if name in own:
            return own[name]
        if name in self.other:
            return self.other[name]
        if self.may_be_empty and name in _says_nothing():
            return ""
        if self.column in READ_AS_WORDING:
            found = self._wording.meaning(self.column, text)
            if found in self.stored:
                return found
        return None


@cache
def _says_nothing() -> frozenset[str]:
    """Squeezed cells that say nothing; a dash alone squeezes to nothing."""
    return frozenset(squeeze(word) for word in _names()["empty"]["words"])


def words_of(column: Column, own: Iterable[str] = (), wording: Dictionary | None = None) -> Words | None:
    """The words of a column; None for free text.

    Args:
        column: the dictionary's column.
        own: words that the fleet adds.
        wording: the dictionary of free text in force; the shipped one where left out.
    """
    known = _names()["words"].get(column.name, {})
    stored = (*column.words, *own)
    if not column.words:
        stored = (*stored, *known)
    if not stored:
        return None
    other = {
        squeeze(word): meant for meant, table in known.items() if meant in stored for word in table["also"]
    }
    return Words(
        column.name, stored, other, bool(column.words), not column.required, wording or load_dictionary()
    )
