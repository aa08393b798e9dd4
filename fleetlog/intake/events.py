"""XML and JSON documents as one stream of events: read in pieces, nothing expanded, nothing fetched."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from xml.parsers import expat

from fleetlog.errors import InputFileError
from fleetlog.intake.lines import Rewritten, text_lines
from fleetlog.intake.scan import Scan

DEEPEST = 100
"""Elements within elements; a document that goes deeper is no telematics document."""

LONGEST_TEXT = 1 << 20

_PIECE = 1 << 18


@dataclass(frozen=True)
class Event:
    """The beginning or the end of an element.

    Attributes:
        name: its local name in lower case; of a JSON member its key.
        ends: whether it is the end.
        given: attributes at the beginning, local names in lower case.
        text: the text of the element at its end.
    """

    name: str
    ends: bool = False
    given: dict[str, str] = field(default_factory=dict)
    text: str = ""


def _local(name: str) -> str:
    return name.rpartition("}")[2].rpartition(":")[2].lstrip("@").lower()


class _Xml:
    """Collects the events of a piece of XML."""

    def __init__(self, where: str) -> None:
        self.where = where
        self.events: list[Event] = []
        self._texts: list[list[str]] = []
        self.parser = expat.ParserCreate()
        self.parser.buffer_text = True
        self.parser.StartElementHandler = self._start
        self.parser.EndElementHandler = self._end
        self.parser.CharacterDataHandler = self._text
        self.parser.StartDoctypeDeclHandler = self._refuse
        self.parser.EntityDeclHandler = self._refuse
        self.parser.ExternalEntityRefHandler = self._refuse

    def _refuse(self, *_: object) -> int:
        raise InputFileError(
            f"{self.where} declares entities or a document type, which no telematics document needs; "
            "it was not read, ask the sender for a plain one."
        )

    def _start(self, name: str, given: dict[str, str]) -> None:
        if len(self._texts) >= DEEPEST:
            raise InputFileError(f"{self.where} nests elements more than {DEEPEST} deep; it was not read.")
        self._texts.append([])
        self.events.append(Event(_local(name), given={_local(key): value for key, value in given.items()}))

    def _end(self, name: str) -> None:
        self.events.append(Event(_local(name), ends=True, text="".join(self._texts.pop()).strip()))

    def _text(self, text: str) -> None:
        if self._texts and sum(map(len, self._texts[-1])) < LONGEST_TEXT:
            self._texts[-1].append(text)


def xml_events(path: Path, where: str) -> Iterator[Event]:
    """The events of an XML document.

    Raises:
        InputFileError: when it is not well-formed, or declares entities or a document type.
    """
    collected = _Xml(where)
    try:
        with path.open("rb") as file:
            while piece := file.read(_PIECE):
                collected.parser.Parse(piece, False)
                yield from collected.events
                collected.events.clear()
            collected.parser.Parse(b"", True)
    except expat.ExpatError as error:
        raise InputFileError(
            f"{where} is not well-formed XML (line {error.lineno}: {expat.errors.messages[error.code]}); "
            "send it again."
        ) from error
    except (LookupError, ValueError) as error:  # an encoding that does not exist, or does not fit the text
        raise InputFileError(f"{where} is not well-formed XML ({error}); send it again.") from error
    yield from collected.events


_TOKEN = re.compile(
    r'\s*(?:(?P<sign>[{}\[\]:,])|(?P<string>"(?:[^"\\]|\\.)*")|(?P<plain>-?[0-9][0-9.eE+-]*|true|false|null)(?=[\s,\]}]))',
    re.DOTALL,
)


def json_events(path: Path, looked: Scan, where: str) -> Iterator[Event]:
    """The events of a JSON document: members of objects are elements, a list repeats the element it is in.

    Raises:
        InputFileError: when it is no JSON.
    """
    # What each open bracket is: the key it stands under, whether it is a list.
    open_brackets: list[tuple[str, bool]] = []
    key: str | None = None
    waits_for_key = False

    def name() -> str:
        """Of the value at hand: its key, or that of the list it is in."""
        if key is not None:
            return key
        return open_brackets[-1][0] if open_brackets else ""

    for kind, text in _tokens(path, looked, where):
        if kind == "sign":
            if text in "{[":
                if len(open_brackets) >= DEEPEST:
                    raise InputFileError(f"{where} nests values more than {DEEPEST} deep; it was not read.")
                if text == "{":
                    yield Event(name())
                open_brackets.append((name(), text == "["))
                key, waits_for_key = None, text == "{"
            elif text in "}]":
                if not open_brackets or open_brackets[-1][1] != (text == "]"):
                    raise _no_json(where)
                closed, is_list = open_brackets.pop()
                if not is_list:
                    yield Event(closed, ends=True)
                key, waits_for_key = None, False
            elif text == ",":
                key, waits_for_key = None, bool(open_brackets) and not open_brackets[-1][1]
        elif waits_for_key:
            if kind != "string":
                raise _no_json(where)
            key, waits_for_key = _local(text), False
        else:
            yield Event(name())
            yield Event(name(), ends=True, text="" if text == "null" and kind == "plain" else text.strip())
    if open_brackets:
        raise _no_json(where)


def _tokens(path: Path, looked: Scan, where: str) -> Iterator[tuple[str, str]]:
    """The tokens of a JSON text, strings without their quotation marks."""
    held = ""
    for piece in _pieces(path, looked, where):
        held += piece
        at = 0
        while match := _TOKEN.match(held, at):
            at = match.end()
            kind = match.lastgroup or ""
            text = match[kind]
            if kind == "string":
                try:
                    text = json.loads(text, strict=False)
                except ValueError as error:
                    raise _no_json(where) from error
            yield kind, text
        held = held[at:]
        if len(held) > 2 * LONGEST_TEXT:
            raise _no_json(where)
    if held.strip():
        raise _no_json(where)


def _pieces(path: Path, looked: Scan, where: str) -> Iterator[str]:
    if looked.encoding in ("utf-8", "utf-8-sig"):
        try:
            with path.open(encoding="utf-8-sig") as file:
                while piece := file.read(_PIECE):
                    yield piece
        except UnicodeDecodeError as error:  # it begins as UTF-8 does and goes on otherwise
            raise _no_json(where) from error
    else:
        for line in text_lines(path, looked, Rewritten()):
            if line.problem:
                raise _no_json(where)
            yield line.text + "\n"
    yield "\n"


def _no_json(where: str) -> InputFileError:
    return InputFileError(f"{where} is no well-formed JSON document; send it again.")
