"""Mapping profiles as TOML files: written from a proposal, read with exact complaints."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from rapidfuzz import fuzz, process

from fleetlog.errors import SettingsError, UsageError
from fleetlog.intake.dateforms import ORDERS
from fleetlog.intake.names import squeeze
from fleetlog.intake.profiles.profile import Profile
from fleetlog.intake.profiles.proposal import Proposal
from fleetlog.store.dictionary import KINDS

_KEYS = ("kind", "date_order", "headings", "columns", "ignore", "words")
_HEAD = """\
# How files of one source are read: their headings and words, and what each stands for.
# Columns and words on the right are those of the dictionary; "" leaves a cell empty.
"""


def write_profile(proposal: Proposal | Profile, path: Path) -> None:
    """Writes a profile as a TOML file, to be corrected by hand where it is wrong.

    What a proposal could not find stands in it as a comment.

    Raises:
        UsageError: when the file is there already, or cannot be written.
    """
    text = profile_text(proposal)
    try:
        with path.open("x", encoding="utf-8", newline="") as file:
            file.write(text)
    except FileExistsError:
        raise UsageError(f"{path} is there already; name another file, or remove it first.") from None
    except OSError as error:
        raise UsageError(f"{path} cannot be written: {error.strerror or error}.") from error


def profile_text(proposal: Proposal | Profile) -> str:
    """A profile as TOML."""
    profile = proposal.profile() if isinstance(proposal, Proposal) else proposal
    lines = [_HEAD, f"kind = {_quoted(profile.kind)}"]
    if profile.date_order:
        lines.append(f"date_order = {_quoted(profile.date_order)}")
    if profile.headings:
        lines.append(
            "# The whole heading line of the files that are read so; take it out for any with these columns."
        )
        lines.append(f"headings = [{', '.join(_quoted(heading) for heading in profile.headings)}]")
    if profile.ignored:
        lines.append(f"ignore = [{', '.join(_quoted(heading) for heading in profile.ignored)}]")
    lines += ["", "[columns]"]
    reasons = {}
    if isinstance(proposal, Proposal):
        reasons = {
            match.heading: f"  # {match.score:.2f}: {' '.join(match.reason.split())}"
            for match in proposal.columns
        }
        lines += [
            f"# a heading is needed here: = {_quoted(name)}  # required, and nothing like it was found"
            for name in proposal.missing
        ]
    lines += [
        f"{_quoted(heading)} = {_quoted(column)}{reasons.get(heading, '')}"
        for heading, column in profile.columns.items()
    ]
    unknown: dict[str, list[str]] = {}
    if isinstance(proposal, Proposal):
        for match in proposal.words:
            if match.word is None:
                unknown.setdefault(match.column, []).append(match.text)
    for column in dict.fromkeys([*profile.words, *unknown]):
        lines += ["", f"[words.{column}]"]
        lines += [f"{_quoted(w)} = {_quoted(meant)}" for w, meant in profile.words.get(column, {}).items()]
        lines += [f'# {_quoted(text)} = ""  # nothing like it was found' for text in unknown.get(column, ())]
    return "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    """A TOML string; JSON's escapes are TOML's, apart from one control character."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def read_profile(path: Path) -> Profile:
    """Reads a profile.

    Raises:
        SettingsError: one sentence naming the file, the key, and the nearest name that is known.
    """
    content = _content(path)
    for key in content:
        if key not in _KEYS:
            raise SettingsError(f"{path}: {key} is not a known key; {_nearest(key, _KEYS)}.")
    kind = content.get("kind")
    if not isinstance(kind, str) or kind not in KINDS:
        shown = f"cannot be '{kind}'" if isinstance(kind, str) else "is missing"
        raise SettingsError(f"{path}: kind {shown}; {_nearest(str(kind or ''), list(KINDS))}.")
    order = content.get("date_order")
    if order not in (None, *ORDERS):
        raise SettingsError(f'{path}: date_order must be "{ORDERS[0]}" or "{ORDERS[1]}".')
    columns = _texts(content.get("columns", {}), path, "columns", "a heading and its column")
    names = [column.name for column in KINDS[kind].columns]
    for heading, column in columns.items():
        if column not in names:
            raise SettingsError(
                f"{path}: columns.{_quoted(heading)} cannot be '{column}', which {kind} do not have; "
                f"{_nearest(column, names)}."
            )
    _refuse_twice(columns, path, "columns")
    ignored = content.get("ignore", [])
    if not isinstance(ignored, list) or not all(isinstance(heading, str) for heading in ignored):
        raise SettingsError(f'{path}: ignore must be a list of headings such as ["Entered by"].')
    both = {squeeze(heading) for heading in ignored} & {squeeze(heading) for heading in columns}
    if both:
        heading = next(heading for heading in ignored if squeeze(heading) in both)
        raise SettingsError(f"{path}: '{heading}' stands both in columns and in ignore; keep one.")
    headings = content.get("headings", [])
    if not isinstance(headings, list) or not all(isinstance(heading, str) for heading in headings):
        raise SettingsError(f'{path}: headings must be a list of headings such as ["Unit", "Date"].')
    words = _words(content.get("words", {}), path, kind)
    return Profile(path.name, kind, columns, tuple(ignored), words, order, tuple(headings))


def read_profiles(folder: Path) -> list[Profile]:
    """The profiles of a folder (its .toml files) in the order of their names; none where it is not there.

    Raises:
        SettingsError: for the first profile that does not read as it should.
    """
    return [read_profile(path) for path in sorted(folder.glob("*.toml"))] if folder.is_dir() else []


def _content(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except FileNotFoundError:
        raise SettingsError(f"{path}: there is no such profile; check the path.") from None
    except UnicodeDecodeError:
        raise SettingsError(f"{path}: this is not UTF-8 text; save the file as UTF-8.") from None
    except tomllib.TOMLDecodeError as error:
        detail = " ".join(str(error).split())
        raise SettingsError(f"{path}: this is not valid TOML ({detail}); correct it there.") from None
    except OSError as error:
        raise SettingsError(f"{path}: the file cannot be read ({error.strerror}).") from None


def _texts(value: Any, path: Path, where: str, what: str) -> dict[str, str]:
    if not isinstance(value, dict):
        raise SettingsError(f"{path}: {where} must be a table, written [{where}].")
    for key, text in value.items():
        if not isinstance(text, str):
            raise SettingsError(f"{path}: {where}.{_quoted(key)} must be {what}, both texts in quotes.")
    return value


def _refuse_twice(table: dict[str, str], path: Path, where: str) -> None:
    seen: dict[str, str] = {}
    for name in table:
        if squeeze(name) in seen:
            raise SettingsError(
                f"{path}: {where} has both '{seen[squeeze(name)]}' and '{name}', which are compared alike; "
                "keep one."
            )
        seen[squeeze(name)] = name


def _words(value: Any, path: Path, kind: str) -> dict[str, dict[str, str]]:
    if not isinstance(value, dict):
        raise SettingsError(f"{path}: words must be tables, written [words.action].")
    names = [column.name for column in KINDS[kind].columns]
    found = {}
    for name, table in value.items():
        if name not in names:
            raise SettingsError(f"{path}: words.{name} is no column of {kind}; {_nearest(name, names)}.")
        words = _texts(table, path, f"words.{name}", "a word and what it stands for")
        _refuse_twice(words, path, f"words.{name}")
        column = KINDS[kind].column(name)
        for word, meant in words.items():
            if column.required and not meant:
                raise SettingsError(
                    f"{path}: words.{name}.{_quoted(word)} cannot be empty, since {name} is required."
                )
        found[name] = words
    return found


def _nearest(word: str, known: Sequence[str] | Iterable[str]) -> str:
    choices = list(known)
    near = process.extractOne(word.lower(), choices, scorer=fuzz.ratio, score_cutoff=60)
    return f"did you mean {near[0]}?" if near else f"known are {', '.join(choices)}"
