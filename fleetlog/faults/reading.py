"""Reads TOML by typed tables: every mistake of a file in a sentence that names file, key, and what is allowed.

The types are the dataclasses that a reader wants to have, with their bounds; pydantic holds a file to them, and
the JSON Schema that it makes of them says what a sentence proposes.
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Iterable, Iterator, Mapping
from datetime import date, datetime
from difflib import get_close_matches
from functools import cache
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import (
    AfterValidator,
    BeforeValidator,
    Field,
    PlainValidator,
    StringConstraints,
    TypeAdapter,
    ValidationError,
)
from pydantic_core import PydanticCustomError

from fleetlog.errors import SettingsError

#: Keys by which a reader puts into a table how it is named; no file is asked for them.
NAME, VARIANT = "<name>", "<variant>"


def distinct(value: Any) -> Any:
    """Refuses a list that holds something twice."""
    for position, item in enumerate(value if isinstance(value, list) else ()):
        if item in value[:position]:
            raise refuse(f"contains {shown(item)} twice; leave one out")
    return value


def _not_a_moment(value: Any) -> Any:
    if isinstance(value, datetime) or not isinstance(value, date | str):
        raise refuse(f"must be a date such as 2017-12-01, not {shown(value)}")
    return value


def must(be: str, fits: Callable[[str], object]) -> AfterValidator:
    """A validator of texts that says what they must be."""

    def check(text: str) -> str:
        if not fits(text):
            raise refuse(f"must be {be}, not {shown(text)}")
        return text

    return AfterValidator(check)


def known_key(names: Iterable[str]) -> PlainValidator:
    """A validator of a table's keys, of which only some are known."""
    known = tuple(names)
    words: Any = Literal

    def check(key: str) -> str:
        if key not in known:
            raise refuse(f"is not a known key; {hint(key, known)}")
        return key

    return PlainValidator(check, json_schema_input_type=words[known])


def can_fit(pattern: str) -> bool:
    """Whether a LIKE pattern fits some lower-case text, and not every one."""
    return pattern == pattern.lower() and bool(pattern.strip("%_ "))


A_PATTERN = 'a lower-case pattern such as "%return to neutral%"'
Number = Annotated[float, Field(strict=True, allow_inf_nan=False)]
Positive = Annotated[float, Field(strict=True, allow_inf_nan=False, gt=0)]
NotNegative = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0)]
Chance = Annotated[float, Field(strict=True, ge=0, le=1)]
Share = Annotated[float, Field(strict=True, gt=0, lt=1)]
Whole = Annotated[int, Field(strict=True)]
Flag = Annotated[bool, Field(strict=True)]
Text = Annotated[str, StringConstraints(pattern=r"\S")]
Words = Annotated[tuple[str, ...], BeforeValidator(distinct)]
Pattern = Annotated[str, must(A_PATTERN, can_fit)]
Patterns = Annotated[tuple[Pattern, ...], BeforeValidator(distinct)]
Day = Annotated[date, BeforeValidator(_not_a_moment)]


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


def refuse(what: str, key: str | int = "") -> PydanticCustomError:
    """What a validator raises: what is wrong with a value, or with a key of the table that it is."""
    return PydanticCustomError("refused", "{what}", {"what": what, "key": key})


def lacking(key: str) -> PydanticCustomError:
    """What a validator raises where a table needs a key."""
    return PydanticCustomError("lacking", "{key}", {"key": key})


def named(tables: Any) -> Any:
    """Puts the name of every table into it."""
    if not isinstance(tables, dict):
        return tables
    return {
        name: {**table, NAME: name} if isinstance(table, dict) else table for name, table in tables.items()
    }


@cache
def adapter(kind: Any) -> TypeAdapter[Any]:
    """The reader of a type, made once a run."""
    return TypeAdapter(kind)


def parsed(kind: Any, data: Mapping[str, Any], file: str, schema: Callable[[], dict[str, Any]]) -> Any:
    """The content of a file as that type.

    Args:
        kind: a dataclass.
        data: the content.
        file: how messages name the file.
        schema: gives the JSON Schema of the file.

    Raises:
        SettingsError: a line for each mistake: file, dotted key, what is wrong and what is allowed there.
    """
    for key in _keys_below(data):
        if key.startswith("<"):
            raise SettingsError(f"{file}: {shown(key)} is not a known key; no key begins with <")
    try:
        return adapter(kind).validate_python(data)
    except ValidationError as error:
        whole = schema()
        sentences = [f"{file}: {_sentence(dict(one), whole)}" for one in error.errors(include_url=False)]
    raise SettingsError("\n".join(dict.fromkeys(sentences)))


def _keys_below(node: Any) -> Iterator[str]:
    """Every key of a document; those that begin with < are the reader's own."""
    for key, value in node.items() if isinstance(node, Mapping) else ():
        yield key
        yield from _keys_below(value)
    for value in node if isinstance(node, list) else ():
        yield from _keys_below(value)


def json_schema(kind: Any) -> dict[str, Any]:
    """The JSON Schema of a type, without the keys that the reader puts in itself."""
    schema = adapter(kind).json_schema()
    for node in (schema, *schema.get("$defs", {}).values()):
        if "properties" in node:
            node["properties"] = {key: one for key, one in node["properties"].items() if key[:1] != "<"}
            node["required"] = [key for key in node.get("required", ()) if key[:1] != "<"]
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema}


def _sentence(error: dict[str, Any], schema: dict[str, Any]) -> str:
    """One mistake in words: the key, what is wrong with it, and what may stand there."""
    where, value, context = list(error["loc"]), error["input"], error.get("ctx", {})
    match error["type"]:
        case "missing" | "lacking" as kind:
            key = context["key"] if kind == "lacking" else where.pop()
            return f"the {f'table [{_path(where)}]' if where else 'file'} lacks the key {key}; add it"
        case "refused":
            return f"{_path([*where, context['key']])} {context['what']}"
        case "unexpected_keyword_argument":
            names = _node(schema, where[:-1]).get("properties", ())
            return f"{_path(where)} is not a known key; {hint(str(where[-1]), names)}"
    node = _node(schema, where)
    if "enum" in node and isinstance(value, str):
        return f"{_path(where)} cannot be {shown(value)}; {hint(value, node['enum'])}"
    if "pattern" in node and isinstance(value, str):
        return f"{_path(where)} must not be empty"
    return f"{_path(where)} must be {_allowed(node, schema, _path(where))}, not {shown(value)}"


def _path(where: Iterable[Any]) -> str:
    """The dotted name of a key, lists counted from 1; an empty name stands for the table itself."""
    named = (one for one in where if one not in ("", "[key]"))
    parts = (f"[{one + 1}]" if isinstance(one, int) else f".{one}" for one in named)
    return "".join(parts).removeprefix(".")


def _node(schema: dict[str, Any], where: Iterable[Any]) -> dict[str, Any]:
    """What the schema says of a place; an empty table where it says nothing."""
    node = schema
    for name in (name for one in where for name in str(one).split(".")):
        below = node.get("properties", {}).get(name, node.get("items", node.get("additionalProperties")))
        node = _resolved(below, schema) if isinstance(below, dict) else {}
    return node


def _resolved(node: dict[str, Any], schema: dict[str, Any]) -> dict[str, Any]:
    if "$ref" in node:
        return _resolved(schema["$defs"][node["$ref"].rpartition("/")[2]], schema)
    return _resolved(node["anyOf"][0], schema) if "anyOf" in node else node


def _allowed(node: dict[str, Any], schema: dict[str, Any], path: str) -> str:
    match node:
        case {"enum": words}:
            return " or ".join(f'"{word}"' for word in words)
        case {"type": "number"}:
            return "a number" + _bounds(node)
        case {"type": "integer"}:
            return "a whole number" + _bounds(node)
        case {"type": "boolean"}:
            return "true or false"
        case {"type": "string", "format": "date"}:
            return "a date such as 2017-12-01"
        case {"type": "string"}:
            return "a text in quotes"
        case {"type": "array", "items": items} if _resolved(items, schema).get("type") == "object":
            return f"a list of tables, written [[{path}]]"
        case {"type": "array"}:
            return 'a list of texts such as ["left", "right"]'
    return "a table"


def _bounds(node: dict[str, Any]) -> str:
    """In words, what a number must keep to."""
    words = {
        "exclusiveMinimum": "above",
        "minimum": "of at least",
        "exclusiveMaximum": "below",
        "maximum": "at most",
    }
    limits = [f" {word} {node[key]:g}" for key, word in words.items() if key in node]
    return " and".join(limits)
