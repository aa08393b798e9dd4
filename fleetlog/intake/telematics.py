"""Fleet telematics documents of the ISO 15143-3 kind: snapshots and time series, XML and JSON.

Read as documents that follow the standard were seen to be, since its own text was not at hand: elements are
found by their local names wherever they stand, other elements are read past, and every section brings its own
time. Machines, meter readings and fault codes come out, each as rows for the same checks as any table's.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from fleetlog.errors import InputFileError
from fleetlog.intake.contract import display_name
from fleetlog.intake.csvfile import literal
from fleetlog.intake.events import Event
from fleetlog.intake.scan import Scan
from fleetlog.intake.source import Source, SourceColumn
from fleetlog.intake.sqltext import commas, compose
from fleetlog.store import Store
from fleetlog.store.connection import quoted
from fleetlog.store.dictionary import KINDS
from fleetlog.store.statements import statement

OPERATING_HOURS = "cumulativeoperatinghours"
FAULT_CODE = "faultcode"
_FAULT_CODES = "faultcodes"  # a list of them in JSON; around them in XML
HEADER = "equipmentheader"

_HEADER_FIELDS = {
    "oemname": "make",
    "make": "make",
    "model": "model",
    "equipmentid": "equipment_id",
    "serialnumber": "serial_number",
    "pin": "pin",
}
_NOT_AVAILABLE = frozenset({"", "n/a", "na", "null", "not available", "-"})
_DURATION = re.compile(
    r"P(?:(\d+(?:[.,]\d+)?)D)?(?:T(?:(\d+(?:[.,]\d+)?)H)?(?:(\d+(?:[.,]\d+)?)M)?(?:(\d+(?:[.,]\d+)?)S)?)?"
)
_UNKNOWN_TIME = "0001-01-01"
_HAS_ZONE = re.compile(r"(?:[Zz]|[+-]\d\d(?::?\d\d)?)$")
_LEFT = re.compile(r"\b(?:left|lh)\b", re.IGNORECASE)
_RIGHT = re.compile(r"\b(?:right|rh)\b", re.IGNORECASE)

_TOLD_BY_KEY = re.compile(
    rb'"@?(?:EquipmentHeader|CumulativeOperatingHours|FaultCodes?|\w+Messages)"\s*:\s*[\[{]', re.IGNORECASE
)


def is_document(path: Path) -> bool:
    """Whether a JSON file is a telematics document rather than a table: it has the standard's sections."""
    with path.open("rb") as file:
        return _TOLD_BY_KEY.search(file.read(1 << 20).replace(b"\0", b"")) is not None


@dataclass
class TelematicsDocument:
    """What a document holds, row by row in files, and what is to be said about it.

    Attributes:
        machines: how many equipment headers there were.
        readings: how many operating-hour sections with a value.
        codes: how many fault codes.
        without_hours: sections whose value is not available.
        without_zone: times that name no zone.
        nobody: whether a section came before any equipment header.
        this_page: the address under which the document knows itself.
        next_page: the address of the page after it; None where it is the last.
        known: whether anything of the standard was in it.
    """

    folder: Path
    machines: int = 0
    readings: int = 0
    codes: int = 0
    without_hours: int = 0
    without_zone: int = 0
    nobody: bool = False
    this_page: str | None = None
    next_page: str | None = None
    known: bool = False

    def file(self, name: str) -> Path:
        """Where the rows of a kind are written."""
        return self.folder / f"{name}.csv"


def read_document(events: Iterator[Event], folder: Path, where: str) -> TelematicsDocument:
    """Walks through a document and writes its machines, readings and fault codes into files in `folder`.

    Raises:
        InputFileError: when it is no telematics document.
    """
    found = TelematicsDocument(folder)
    with (
        found.file("machines").open("w", encoding="utf-8", newline="") as machines,
        found.file("meter_readings").open("w", encoding="utf-8", newline="") as readings,
        found.file("fault_codes").open("w", encoding="utf-8", newline="") as codes,
    ):
        walk = _Walk(
            found,
            *(
                csv.writer(file, lineterminator="\n", quoting=csv.QUOTE_ALL)
                for file in (machines, readings, codes)
            ),
        )
        for event in events:
            walk.take(event)
    if not found.known:
        raise InputFileError(
            f"{where} is no fleet telematics document of the ISO 15143-3 kind (it has no equipment, "
            "operating hours or fault codes); load tables as CSV, spreadsheets or JSON lines."
        )
    return found


class _Section:
    """An element being collected: its attributes and the texts of the elements in it, by name."""

    def __init__(self, event: Event) -> None:
        self.name = event.name
        self.values = dict(event.given)

    def get(self, *names: str) -> str:
        return next((value for name in names if (value := self.values.get(name, "").strip())), "")


class _Writer(Protocol):
    """What csv.writer returns."""

    def writerow(self, row: Iterable[object], /) -> object: ...


class _Walk:
    """Where in the document the reading is."""

    def __init__(
        self, found: TelematicsDocument, machines: _Writer, readings: _Writer, codes: _Writer
    ) -> None:
        self._found = found
        self._machines = machines
        self._readings = readings
        self._codes = codes
        self._open: list[str] = []
        self._section: _Section | None = None
        self._section_depth = 0
        self._equipment = 0  # number of the header in force; 0 = none

    def take(self, event: Event) -> None:
        """One step."""
        if event.ends:
            self._end(event)
        else:
            self._start(event)

    def _start(self, event: Event) -> None:
        self._open.append(event.name)
        if self._section is not None and self._section.name == _FAULT_CODES and event.name == FAULT_CODE:
            self._section = None  # it was only what stands around the codes
        if self._section is not None:
            # A section may be empty in the attributes and full in its children, or the other way round.
            for name, value in event.given.items():
                self._section.values.setdefault(name, value)
            return
        if event.name == "equipment":
            self._equipment = 0
        if event.name in (HEADER, OPERATING_HOURS, FAULT_CODE, _FAULT_CODES, "links", "link"):
            self._section = _Section(event)
            self._section_depth = len(self._open)
        if event.name in (HEADER, OPERATING_HOURS, FAULT_CODE, "equipment", "fleet") or event.name.endswith(
            "messages"
        ):
            self._found.known = True

    def _end(self, event: Event) -> None:
        depth = len(self._open)
        if self._open:
            self._open.pop()
        if self._section is not None:
            if depth > self._section_depth:
                self._section.values.setdefault(event.name, event.text)
                if event.text and not self._section.values[event.name]:
                    self._section.values[event.name] = event.text
                return
            section, self._section = self._section, None
            self._close(section, event.text)
        elif event.name == "equipment":
            self._equipment = 0

    def _close(self, section: _Section, text: str) -> None:
        if section.name == HEADER:
            self._header(section)
        elif section.name == OPERATING_HOURS:
            self._reading(section, text)
        elif section.name == FAULT_CODE or (section.name == _FAULT_CODES and section.get("codeidentifier")):
            self._code(section)
        elif section.name == _FAULT_CODES:
            return
        else:
            self._link(section)

    def _header(self, section: _Section) -> None:
        fields: dict[str, str] = {}
        for name, value in section.values.items():
            column = _HEADER_FIELDS.get(name)
            if column and value.strip() and value.strip().lower() not in _NOT_AVAILABLE:
                fields.setdefault(column, value.strip())
        self._found.machines += 1
        self._equipment = self._found.machines
        columns = ("equipment_id", "serial_number", "pin", "make", "model")
        self._machines.writerow([self._equipment, *(fields.get(column, "") for column in columns)])

    def _reading(self, section: _Section, text: str) -> None:
        hours = section.get("hour", "hours") or text
        if hours.lower() in _NOT_AVAILABLE:
            self._found.without_hours += 1
            return
        self._found.readings += 1
        self._readings.writerow(
            [self._found.readings, self._of(), self._time(section), _hours(hours), "telematics"]
        )

    def _code(self, section: _Section) -> None:
        self._found.codes += 1
        description = section.get("codedescription", "description")
        severity = section.get("codeseverity", "severity")
        if severity:
            description = f"{description} (severity {severity})".strip()
        self._codes.writerow(
            [
                self._found.codes,
                self._of(),
                self._time(section),
                section.get("codeidentifier", "identifier", "code"),
                description,
                _side(description),
                section.get("codesource", "source") or "telematics",
            ]
        )

    def _of(self) -> int:
        """The number of the header in force."""
        if not self._equipment:
            self._found.nobody = True
        return self._equipment

    def _time(self, section: _Section) -> str:
        time = section.get("datetime")
        if time.startswith(_UNKNOWN_TIME):
            return ""
        if time and not _HAS_ZONE.search(time[10:]):
            self._found.without_zone += 1
        return time

    def _link(self, section: _Section) -> None:
        relation = section.get("rel").lower()
        address = section.get("href", "uri")
        if relation == "self":
            self._found.this_page = address
        elif relation == "next":
            self._found.next_page = address


def _hours(text: str) -> str:
    """Hours as a number: a duration (PT13H28M30S) is converted, anything else left to the checks."""
    match = _DURATION.fullmatch(text.upper())
    if match is None or not any(match.groups()):
        return text
    days, hours, minutes, seconds = (float((part or "0").replace(",", ".")) for part in match.groups())
    return f"{days * 24 + hours + minutes / 60 + seconds / 3600:.6f}".rstrip("0").rstrip(".")


def _side(text: str) -> str:
    """The side that a description names, empty where it names none or both."""
    left, right = _LEFT.search(text), _RIGHT.search(text)
    if bool(left) == bool(right):
        return ""
    return "left" if left else "right"


def sources(
    store: Store, found: TelematicsDocument, looked: Scan, where: str, equipment: str, machine: str | None
) -> list[Source]:
    """The tables of a document: machines, readings, fault codes, those that have rows.

    Machines are matched with those of the store by PIN, then by serial number, then by equipment id; one that
    matches none becomes a new machine under its equipment id, or its serial number, or its PIN.

    Args:
        found: what was read.
        looked: the first look at the file.
        where: the file as messages show it.
        equipment: the temporary table to make of the headers; the caller drops it.
        machine: the machine of sections that name none.
    """
    store.create(
        equipment, statement("intake/equipment"), temporary=True, path=literal(found.file("machines"))
    )
    notes = []
    if found.without_hours:
        notes.append(f"machines without operating hours: {found.without_hours:,}")
    if found.without_zone:
        notes.append(f"times without a zone, read in the fleet's: {found.without_zone:,}")
    odd = store.execute(
        compose("SELECT count(*) FROM «equipment» WHERE length(pin) <> 17", equipment=quoted(equipment))
    )[0][0]
    if odd:
        notes.append(f"PINs that do not have 17 characters: {odd:,}")
    tables = [
        ("machines", found.machines, ("machine_id", "pin", "serial_number", "make", "model")),
        ("meter_readings", found.readings, ("machine_id", "read_at", "hours", "source")),
        ("fault_codes", found.codes, ("machine_id", "seen_at", "code", "description", "side", "source")),
    ]
    filled = [table for table in tables if table[1]] or tables[:1]
    return [
        Source(
            path=display_name(where, name),
            kind=KINDS[name],
            columns=tuple(SourceColumn(f"c{i}", column, column) for i, column in enumerate(columns)),
            relation=_machines(equipment, columns) if name == "machines" else _sections(equipment, columns),
            parameters={} if name == "machines" else {"path": literal(found.file(name)), "machine": machine},
            numbered=True,
            rows=rows,
            content_hash=looked.content_hash,
            bytes=looked.bytes,
            bare_pairs=True,
            lists_only=name == "machines",
            notes=("fleet telematics", *notes),
        )
        for name, rows, columns in filled
    ]


def _machines(equipment: str, columns: tuple[str, ...]) -> str:
    """Headers as rows."""
    return compose(
        "(SELECT n AS row_no, coalesce(problem, doubt) AS malformed, «cells» FROM «equipment» ORDER BY n)",
        cells=commas(f"{column} AS c{i}" for i, column in enumerate(columns)),
        equipment=quoted(equipment),
    )


def _sections(equipment: str, columns: tuple[str, ...]) -> str:
    """Readings or fault codes as rows, each with the machine of the header above it."""
    names = ["row_no", "n", *(f"s{i}" for i in range(1, len(columns)))]
    return compose(
        """
        (SELECT r.row_no, e.problem AS malformed, coalesce(e.machine_id, $machine) AS c0, «cells»
         FROM read_csv($path, auto_detect = false, header = false, delim = ',', quote = '"', escape = '"',
                       new_line = '\\n', columns = {«columns»}, compression = 'none', max_line_size = 8000000) AS r
         LEFT JOIN «equipment» AS e ON e.n = CAST(r.n AS BIGINT)
         ORDER BY CAST(r.row_no AS BIGINT))
        """,
        cells=commas(f"r.s{i} AS c{i}" for i in range(1, len(columns))),
        columns=commas(f"{name}: 'VARCHAR'" for name in names),
        equipment=quoted(equipment),
    )
