"""The dictionary by which notes are read: TOML, shipped with the program and added to by a fleet."""

from __future__ import annotations

import hashlib
import json
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from fleetlog.errors import SettingsError
from fleetlog.wording.spelling import Speller, changed_letters
from fleetlog.wording.tokens import tokens_of

SHIPPED = Path(__file__).with_name("dictionary.toml")

ARTICLES = frozenset({"a", "the", "this", "his", "its", "my", "their"})
"""Words that may stand inside a phrase without changing it."""

# The tables of the file and the keys of each; True = a table of named tables.
_NAMED = {
    "component": ("words", "weak"),
    "action": ("words", "implies", "only", "on"),
    "finding": ("words", "failed_on", "failed_tested", "step_on", "mended_by", "outranks"),
    "result": ("words",),
    "side": ("words",),
}
_PLAIN: Mapping[str, tuple[str, ...]] = {
    "inside": ("of", "components"),
    "no_side": ("components",),
    "beside_part": ("words", "adjectives", "passed"),
    "pronoun": ("words",),
    "refit": ("words",),
    "after": ("words",),
    "trouble": ("words",),
    "short_forms": ("words",),
    "seal": ("words", "parts", "of_case"),
    "companion": ("words", "of"),
    "consumable": ("words", "with"),
    "filler": ("words",),
    "manner": ("words",),
    "told_only": ("findings",),
    "elsewhere": ("pieces", "short", "of"),
    "trial": ("words",),
    "put_in": ("words",),
    "correction": ("words", "all"),
    "bound": ("range", "least", "most", "now"),
    "attempt": ("words",),
    "base_form": ("words",),
    "with": ("words",),
    "measure": ("units", "pressures", "quantities", "set_on"),
    "swap": ("words", "test", "stayed", "across"),
    "access": ("words", "verbs"),
    "minor": ("words",),
    "read_past": ("words",),
    "direction": ("words",),
    "negation": ("words",),
    "cannot": ("words",),
    "not_done": ("words", "of_before"),
    "earlier": ("words", "others", "helping"),
    "break": ("words",),
    "join": ("words",),
    "place": ("words", "vicinity"),
    "recurrence": ("words", "again", "hours"),
    "voltage": ("units", "near", "component", "not_beside", "most"),
    "numbers": ("units_of_volume",),
    "spelling": ("least_letters", "two_changes_from", "three_changes_from", "leave_alone"),
}
_IMPLIED = "implied"
"""The table whose keys are parts."""

_NOT = ("was not", "is not", "were not", "are not", "wasn't", "isn't", "isnt", "wasnt", "aren't", "weren't")
"""A phrase that begins with "not" is also read with these."""

_FIXED = {"side": ("left", "right", "both"), "result": ("passed", "failed")}


@dataclass(frozen=True)
class Meaning:
    """What a phrase means: a class ("component", "action", "negation", …) and a value where there is one."""

    kind: str
    value: str = ""
    weak: bool = False


@dataclass(frozen=True)
class Dictionary:
    """Phrases and what they mean.

    Attributes:
        phrases: the words of a phrase -> its meaning.
        longest: words of the longest phrase.
        speller: takes misspelt words for these.
        tables: the file's content, for the few rules that ask for single entries.
        version: changes whenever anything in it does.
    """

    phrases: Mapping[tuple[str, ...], Meaning]
    longest: int
    speller: Speller
    tables: Mapping[str, Any]
    version: str

    def implied_part(self, words: str) -> str | None:
        """The part that an action word names by itself."""
        return next((part for part, named in self.tables[_IMPLIED].items() if words in named), None)

    def words(self, table: str, key: str = "words") -> frozenset[str]:
        """The entries of a plain table."""
        return frozenset(self.tables[table].get(key, ()))

    def meaning(self, kind: str, text: str) -> str | None:
        """The value of a class that a text stands for as a whole, None where it is no such phrase.

        For mapping a column's words: `meaning("action", "R&R")` is "replace".
        """
        parts = [token.word for token in tokens_of(text) if token.word not in ARTICLES]
        for spelling in (parts, [self.speller.nearest(part) or part for part in parts]):
            found = self.phrases.get(tuple(spelling))
            if found is not None and found.kind == kind:
                return found.value
        return None


def phrase_key(text: str) -> tuple[str, ...]:
    """A phrase as the dictionary compares it: its words, articles left out."""
    words = [token.word for token in tokens_of(text)]
    return tuple(word for word in words if word not in ARTICLES) or tuple(words)


def load_dictionary(own: Sequence[Path] = ()) -> Dictionary:
    """The dictionary in force: the shipped one, with a fleet's own files laid over it in order.

    Args:
        own: TOML files with the same tables; `words` add, `remove` takes away, single values replace.

    Raises:
        SettingsError: one sentence naming the file, the table and what is allowed.
    """
    return _load(tuple(own), tuple(path.stat().st_mtime_ns if path.exists() else 0 for path in own))


@cache
def _load(own: tuple[Path, ...], _changed: tuple[int, ...]) -> Dictionary:
    tables = _read(SHIPPED)
    for path in own:
        _overlay(tables, _read(path))
    content = json.dumps(tables, sort_keys=True, ensure_ascii=True)
    phrases = dict(_phrases(tables))
    for phrase, meaning in list(phrases.items()):
        if meaning.kind == "component" and len(phrase) > 1 and phrase[-1][-1].isalpha():
            phrases.setdefault((*phrase[:-1], f"{phrase[-1]}s"), meaning)
    for phrase, meaning in list(phrases.items()):
        if phrase[0] == "not" and meaning.kind in ("finding", "result"):
            for word in _NOT:
                phrases.setdefault((*word.split(), *phrase[1:]), meaning)
    spelling = tables["spelling"]
    spoken = {
        word
        for phrase, found in phrases.items()
        if found.kind in _NAMED and (len(phrase) == 1 or found.kind in ("component", "side"))
        for word in phrase
    }
    common = {word for phrase in phrases for word in phrase}
    return Dictionary(
        phrases,
        max(map(len, phrases)),
        Speller(
            {word: _named_by(phrases.get((word,))) for word in spoken},
            frozenset(spelling["leave_alone"]["words"]) | frozenset(spoken) | frozenset(common),
            int(spelling["least_letters"]),
            int(spelling["two_changes_from"]),
            int(spelling["three_changes_from"]),
        ),
        tables,
        hashlib.sha256(content.encode()).hexdigest()[:12],
    )


def _named_by(meaning: Meaning | None) -> str:
    return f"{meaning.kind} {meaning.value}" if meaning else ""


def _phrases(tables: Mapping[str, Any]) -> Iterator[tuple[tuple[str, ...], Meaning]]:
    """Every phrase; where one stands in two tables the later of this order wins."""
    for name in (
        "with",
        "trouble",
        "pronoun",
        "minor",
        "place",
        "join",
        "break",
        "after",
        "direction",
        "earlier",
        "not_done",
    ):
        for word in tables[name]["words"]:
            yield phrase_key(word), Meaning(name)
    for word in tables["recurrence"]["words"]:
        yield phrase_key(word), Meaning("recurrence")
    for kind in ("result", "finding", "action", "component", "side"):
        for value, table in tables[kind].items():
            for word in table.get("weak", ()):
                yield phrase_key(word), Meaning(kind, value, weak=True)
            for word in table.get("words", ()):
                yield phrase_key(word), Meaning(kind, value)
    for name in ("seal", "negation", "cannot", "access", "read_past"):
        for word in tables[name]["words"]:
            yield phrase_key(word), Meaning(name)


# Reading and checking the files.


def _read(path: Path) -> dict[str, Any]:
    try:
        tables = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except FileNotFoundError:
        raise SettingsError(f"{path}: there is no such dictionary; check the path.") from None
    except UnicodeDecodeError:
        raise SettingsError(f"{path}: this is not UTF-8 text; save the file as UTF-8.") from None
    except tomllib.TOMLDecodeError as error:
        detail = " ".join(str(error).split())
        raise SettingsError(f"{path}: this is not valid TOML ({detail}); correct it there.") from None
    except OSError as error:
        raise SettingsError(f"{path}: the file cannot be read ({error.strerror}).") from None
    for name, table in tables.items():
        _check_table(path, name, table)
    return tables


def _check_table(path: Path, name: str, table: Any) -> None:
    known = [*_NAMED, *_PLAIN, _IMPLIED]
    if name not in known:
        raise SettingsError(f"{path}: [{name}] is no table of a dictionary; {_suggest(name, known)}.")
    if not isinstance(table, dict):
        raise SettingsError(f"{path}: {name} must be a table, written [{name}].")
    if name == _IMPLIED:
        _check_keys(path, name, table, [*table])
    elif name in _NAMED:
        for value, inner in table.items():
            if not isinstance(inner, dict):
                raise SettingsError(f"{path}: {name}.{value} must be a table, written [{name}.{value}].")
            if name in _FIXED and value not in _FIXED[name]:
                raise SettingsError(
                    f"{path}: [{name}.{value}] is not known; {_suggest(value, _FIXED[name])}."
                )
            _check_keys(path, f"{name}.{value}", inner, _NAMED[name])
    else:
        _check_keys(path, name, table, _PLAIN[name])


def _check_keys(path: Path, where: str, table: Mapping[str, Any], allowed: Sequence[str]) -> None:
    for key, value in table.items():
        if key not in allowed and key != "remove":
            raise SettingsError(f"{path}: {where}.{key} is not known; {_suggest(key, [*allowed, 'remove'])}.")
        if key == "leave_alone":
            _check_keys(path, f"{where}.{key}", _table(path, f"{where}.{key}", value), ("words",))
        elif key in ("on", "step_on"):
            for component, action in _table(path, f"{where}.{key}", value).items():
                if not isinstance(action, str):
                    raise SettingsError(f"{path}: {where}.{key}.{component} must be a text in quotes.")
        elif key in ("implies", "component") or (key == "of" and where == "inside"):
            if not isinstance(value, str):
                raise SettingsError(f"{path}: {where}.{key} must be a text in quotes.")
        elif where != "bound" and key in ("most", "least_letters", "two_changes_from", "three_changes_from"):
            if isinstance(value, bool) or not isinstance(value, int | float) or value <= 0:
                raise SettingsError(f"{path}: {where}.{key} must be a number above 0.")
        elif not isinstance(value, list) or not all(isinstance(word, str) and word.strip() for word in value):
            raise SettingsError(
                f'{path}: {where}.{key} must be a list of texts such as ["pos sensor", "sensor"].'
            )


def _table(path: Path, where: str, value: Any) -> Mapping[str, Any]:
    if not isinstance(value, dict):
        raise SettingsError(f"{path}: {where} must be a table, written [{where}].")
    return value


def _suggest(word: str, known: Sequence[str]) -> str:
    near = min(known, key=lambda name: (changed_letters(word, name, 3), name))
    return f"did you mean {near}?" if changed_letters(word, near, 3) <= 3 else f"known are {', '.join(known)}"


def _overlay(tables: dict[str, Any], more: Mapping[str, Any]) -> None:
    for name, table in more.items():
        if name in _NAMED:
            for value, inner in table.items():
                _add(tables[name].setdefault(value, {}), inner)
        else:
            _add(tables[name], table)


def _add(table: dict[str, Any], more: Mapping[str, Any]) -> None:
    gone = {phrase_key(word) for word in more.get("remove", ())}
    for key, value in more.items():
        if key == "remove":
            continue
        if isinstance(value, dict):
            _add(table.setdefault(key, {}), value)
        elif isinstance(value, list):
            table[key] = [*table.get(key, ()), *(word for word in value if word not in table.get(key, ()))]
        else:
            table[key] = value
    if gone:
        for key in ("words", "weak"):
            table[key] = [word for word in table.get(key, ()) if phrase_key(word) not in gone]
