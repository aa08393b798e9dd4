"""Reads TOML with exact complaints: every error names the file, the key, and what is allowed there.

A `Section` wraps one table of a file. A reader asks it for the keys it understands; `done()` then refuses
whatever is left over, with the nearest known name as a hint. Fault families and settings are both read this
way.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from difflib import get_close_matches
from pathlib import Path
from typing import Any

from fleetlog.errors import SettingsError


class _Required:
    """Marks a key without a default (None is a default in its own right)."""


REQUIRED: Any = _Required()


def read_toml(path: Path) -> dict[str, Any]:
    """The content of a TOML file.

    Raises:
        SettingsError: the file is missing, cannot be read, is not UTF-8 text, or is not TOML.
    """
    try:
        return tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except FileNotFoundError:
        raise SettingsError(f"{path}: there is no such file; check the path") from None
    except UnicodeDecodeError:
        raise SettingsError(f"{path}: this is not UTF-8 text; save the file as UTF-8") from None
    except tomllib.TOMLDecodeError as error:
        detail = " ".join(str(error).split())
        raise SettingsError(f"{path}: this is not valid TOML ({detail}); correct it there") from None
    except OSError as error:
        raise SettingsError(
            f"{path}: the file cannot be read ({error.strerror}); check its permissions"
        ) from None


def hint(word: str, known: Iterable[str]) -> str:
    """The second half of a sentence about an unknown word: the nearest known one, or all of them."""
    choices = sorted(known)
    near = get_close_matches(word.lower(), [choice.lower() for choice in choices], n=1, cutoff=0.6)
    for choice in choices:
        if near and choice.lower() == near[0]:
            return f"did you mean {choice}?"
    if not choices:
        return "nothing is allowed there"
    return "known are " + ", ".join(choices)


def shown(value: object) -> str:
    """A value as a TOML reader would recognise it, kept short."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        return "a list"
    text = f'"{value}"' if isinstance(value, str) else str(value)
    return text if len(text) <= 60 else text[:56] + '..."'


@dataclass
class Section:
    """One table of a TOML file, and which of its keys have been asked for.

    Attributes:
        data: the table.
        file: how messages name the file.
        path: dotted name of the table within the file, "" at the top.
    """

    data: Mapping[str, Any]
    file: str
    path: str = ""
    asked: set[str] = field(default_factory=set)

    def name(self, key: str) -> str:
        """Dotted name of a key, from the top of the file."""
        return f"{self.path}.{key}" if self.path else key

    def problem(self, key: str, what: str) -> SettingsError:
        """The error for one key: file, dotted key, what is wrong and what is allowed."""
        return SettingsError(f"{self.file}: {self.name(key)} {what}")

    def _take(self, key: str, default: Any) -> tuple[bool, Any]:
        self.asked.add(key)
        if key in self.data:
            return True, self.data[key]
        if default is REQUIRED:
            where = f"table [{self.path}]" if self.path else "file"
            raise SettingsError(f"{self.file}: the {where} lacks the key {key}; add it")
        return False, default

    def text(self, key: str, default: Any = REQUIRED, one_of: Sequence[str] = (), empty: bool = True) -> Any:
        """A string, optionally one of a fixed list."""
        given, value = self._take(key, default)
        if not given:
            return value
        if not isinstance(value, str):
            raise self.problem(key, f"must be a text in quotes, not {shown(value)}")
        if not empty and not value.strip():
            raise self.problem(key, "must not be empty")
        if one_of and value not in one_of:
            raise self.problem(key, f"cannot be {shown(value)}; {hint(value, one_of)}")
        return value

    def number(
        self,
        key: str,
        default: Any = REQUIRED,
        at_least: float | None = None,
        at_most: float | None = None,
        above: float | None = None,
        below: float | None = None,
    ) -> Any:
        """A finite number within bounds, as a float."""
        given, value = self._take(key, default)
        if not given:
            return value
        allowed = "a number" + _bounds(at_least, at_most, above, below)
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise self.problem(key, f"must be {allowed}, not {shown(value)}")
        fits = (
            abs(value) < float("inf")  # false for nan as well
            and (at_least is None or value >= at_least)
            and (at_most is None or value <= at_most)
            and (above is None or value > above)
            and (below is None or value < below)
        )
        if not fits:
            raise self.problem(key, f"must be {allowed}, not {shown(value)}")
        return float(value)

    def whole(
        self, key: str, default: Any = REQUIRED, at_least: int | None = None, at_most: int | None = None
    ) -> Any:
        """A whole number within bounds."""
        given, value = self._take(key, default)
        if not given:
            return value
        inside = (
            isinstance(value, int)
            and not isinstance(value, bool)
            and (at_least is None or value >= at_least)
            and (at_most is None or value <= at_most)
        )
        if not inside:
            allowed = "a whole number" + _bounds(at_least, at_most, None, None)
            raise self.problem(key, f"must be {allowed}, not {shown(value)}")
        return value

    def flag(self, key: str, default: Any = REQUIRED) -> Any:
        """True or false."""
        given, value = self._take(key, default)
        if given and not isinstance(value, bool):
            raise self.problem(key, f"must be true or false, not {shown(value)}")
        return value

    def day(self, key: str, default: Any = REQUIRED) -> Any:
        """A calendar date, written as a TOML date or as a text YYYY-MM-DD."""
        given, value = self._take(key, default)
        if not given:
            return value
        if isinstance(value, date) and not isinstance(value, datetime):
            return value
        if isinstance(value, str):
            try:
                return date.fromisoformat(value)
            except ValueError:
                pass
        raise self.problem(key, f"must be a date such as 2017-12-01, not {shown(value)}")

    def texts(self, key: str, default: Any = REQUIRED, one_of: Sequence[str] = ()) -> Any:
        """A list of strings, as a tuple, none of them twice."""
        given, value = self._take(key, default)
        if not given:
            return value
        if not isinstance(value, list) or not all(isinstance(item, str) for item in value):
            raise self.problem(key, f'must be a list of texts such as ["left", "right"], not {shown(value)}')
        for position, item in enumerate(value):
            if one_of and item not in one_of:
                raise self.problem(key, f"cannot contain {shown(item)}; {hint(item, one_of)}")
            if item in value[:position]:
                raise self.problem(key, f"contains {shown(item)} twice; leave one out")
        return tuple(value)

    def section(self, key: str, optional: bool = False) -> Section:
        """A table inside this one; an absent optional table reads as an empty one."""
        _, value = self._take(key, {} if optional else REQUIRED)
        if not isinstance(value, dict):
            raise self.problem(key, f"must be a table, not {shown(value)}")
        return Section(value, self.file, self.name(key))

    def sections(self, key: str) -> list[Section]:
        """A list of tables ([[key]]); an absent one reads as an empty list."""
        _, value = self._take(key, [])
        if not isinstance(value, list) or not all(isinstance(item, dict) for item in value):
            raise self.problem(key, f"must be a list of tables, written [[{self.name(key)}]]")
        return [
            Section(item, self.file, f"{self.name(key)}[{number}]")
            for number, item in enumerate(value, start=1)
        ]

    def named_sections(self) -> list[tuple[str, Section]]:
        """Every table inside this one with its name, in file order: for tables whose keys are names."""
        return [(key, self.section(key)) for key in self.data]

    def has(self, key: str) -> bool:
        """Whether the key stands in the file."""
        return key in self.data

    def done(self) -> None:
        """Refuses keys that nobody asked for.

        Raises:
            SettingsError: naming the first unknown key and the nearest known one.
        """
        for key in self.data:
            if key not in self.asked:
                raise self.problem(key, f"is not a known key; {hint(key, self.asked)}")


def _bounds(at_least: float | None, at_most: float | None, above: float | None, below: float | None) -> str:
    words = []
    if above is not None:
        words.append(f"above {above:g}")
    if at_least is not None:
        words.append(f"of at least {at_least:g}")
    if below is not None:
        words.append(f"below {below:g}")
    if at_most is not None:
        words.append(f"at most {at_most:g}")
    return " " + " and ".join(words) if words else ""
