"""Reading spreadsheets: every sheet, its header found, merged cells filled, dates as they are meant."""

from __future__ import annotations

import json
import os
import posixpath
import re
import subprocess
import sys
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any
from xml.parsers import expat

import polars as pl

from fleetlog.errors import InputFileError
from fleetlog.intake.contract import display_name
from fleetlog.intake.header import HEADER_WITHIN, LoadOptions, fitness, read_header
from fleetlog.intake.packed import DAMAGE, refuse_large_workbook, workbook_bytes
from fleetlog.intake.scan import Scan
from fleetlog.intake.source import Source
from fleetlog.store import Store
from fleetlog.store.connection import quoted
from fleetlog.temporary import temporary_folder

MEMORY, MEMORY_TIMES = 450 << 20, 12
"""Bytes that reading a workbook may take, and so many more for each of its own, unpacked. Defaults from memory."""

SECONDS, SPEED = 120, 1 << 20
"""Seconds that it may take, and the bytes for which it has one more. Defaults from memory."""

_NINE_DECIMALS = r"^-?\d+\.\d{9}$"
"""What the library may have rounded as it made texts of numbers."""

_NOISE = 1e-15
"""Of a number: so far the last digits of a formula's result may lie from what is meant."""

_MIDNIGHT = r"^(\d{4}-\d\d-\d\d) 00:00:00$"
_REF = re.compile(rb'<(?:\w+:)?mergeCell\b[^>]*?\bref="([A-Z]{1,3})(\d+):([A-Z]{1,3})(\d+)"')
_COLUMN = re.compile(rb'<(?:\w+:)?c\b[^>]*?\br="([A-Z]{1,3})\d')
_PIECE = 1 << 20


@dataclass(frozen=True)
class Sheet:
    """A sheet of a workbook: a table to load, or why it is none."""

    where: str
    source: Source | None = None
    refused: str | None = None
    note: str | None = None


@dataclass(frozen=True)
class _Merged:
    """A block of merged cells; rows and columns from 0."""

    top: int
    left: int
    bottom: int
    right: int


def sheets(
    store: Store, path: Path, looked: Scan, asked: LoadOptions, where: str, table: str
) -> Iterator[Sheet]:
    """The sheets of a workbook in their order; each table is registered as the temporary table `table`.

    Raises:
        InputFileError: when the workbook cannot be opened at all.
    """
    refuse_large_workbook(path, where)
    structure = _Structure(path)
    with temporary_folder() as folder:
        for told in _read_apart(path, where, folder):
            name = told["name"]
            part = display_name(where, name)
            if "error" in told:
                yield Sheet(part, refused=f"{part} cannot be read as a spreadsheet ({told['error']}).")
                continue
            if not told["visible"]:
                yield Sheet(part, note="passed over: a hidden sheet")
                continue
            frame = pl.read_ipc((folder / told["file"]).read_bytes())
            if "numbers" in told:
                frame = _unrounded(frame, pl.read_ipc((folder / told["numbers"]).read_bytes()))
            frame = _marked(frame, told["marks"], told["first"])
            if frame.is_empty():
                yield Sheet(part, note="passed over: an empty sheet")
                continue
            try:
                sheet = _sheet(store, frame, structure, name, looked, asked, part, table)
            except InputFileError as error:
                yield Sheet(part, refused=str(error))
                continue
            if told["far"] and sheet.source:
                note = f"cells far from the table passed over, up to {told['far'][0]}"
                sheet = replace(sheet, source=replace(sheet.source, notes=(*sheet.source.notes, note)))
            yield sheet


def _read_apart(path: Path, where: str, folder: Path) -> list[dict[str, Any]]:
    """Has the workbook read by a process of its own, with bounded memory and time.

    Raises:
        InputFileError: when that does not come to an end, or cannot open the workbook.
    """
    size = workbook_bytes(path)
    most, seconds = MEMORY + size * MEMORY_TIMES, SECONDS + size / SPEED
    command = [
        sys.executable,
        "-P",
        str(Path(__file__).with_name("sheetreader.py")),
        str(path),
        str(folder),
        str(most),
    ]
    try:
        done = subprocess.run(
            command,
            capture_output=True,
            timeout=seconds,
            check=False,
            stdin=subprocess.DEVNULL,
            env={**os.environ, "POLARS_MAX_THREADS": "1"},
        )
    except subprocess.TimeoutExpired:
        raise InputFileError(
            f"{where} took more than {seconds:,.0f} seconds to read and was left alone; save its sheets as CSV."
        ) from None
    try:
        answer = json.loads(done.stdout)
    except ValueError:
        answer = {"error": "it needs more memory than a workbook may, or more than there is"}
    if "error" in answer:
        raise InputFileError(
            f"{where} cannot be read as a spreadsheet ({answer['error']}); save it as .xlsx or CSV and load that."
        )
    sheets: list[dict[str, Any]] = answer["sheets"]
    return sheets


def _marked(frame: pl.DataFrame, marks: list[tuple[int, int, str]], first: int) -> pl.DataFrame:
    """Cells of formulas that failed, or whose value was not saved, say so; the library leaves them empty."""
    by_column: dict[int, dict[int, str]] = {}
    for row, column, text in marks:
        if row < frame.height and 0 <= column - first < frame.width:
            by_column.setdefault(column - first, {})[row] = text
    changed = []
    for column, texts in by_column.items():
        values = frame[:, column].to_list()
        for row, text in texts.items():
            values[row] = values[row] or text
        changed.append(pl.Series(frame.columns[column], values, dtype=pl.String))
    return frame.with_columns(changed)


def _unrounded(frame: pl.DataFrame, numbers: pl.DataFrame) -> pl.DataFrame:
    """Texts of a sheet, with all the digits of `numbers` where more were rounded off than a formula's noise."""

    def exact(name: str) -> pl.Series:
        text, number = frame[name], numbers[name]
        nine = text.set(~text.str.contains(_NINE_DECIMALS), None).cast(pl.Float64)
        lost = ((nine - number).abs() > number.abs() * _NOISE) & (number.abs() > 0.001)
        return number.cast(pl.String).zip_with(lost.fill_null(False), text)

    return frame.with_columns(exact(name) for name in frame.columns)


def _sheet(
    store: Store,
    frame: pl.DataFrame,
    structure: _Structure,
    name: str,
    looked: Scan,
    asked: LoadOptions,
    where: str,
    table: str,
) -> Sheet:
    frame = frame.rename({column: f"c{i}" for i, column in enumerate(frame.columns)})
    blocks = structure.merges(name, frame.width)
    header, headings, fit = _header(frame, blocks, asked)
    if not fit and len([heading for heading in headings if heading]) < 2:
        return Sheet(where, note="passed over: no table")
    # Columns without a heading and without a value are the sheet's margin.
    data = _fill(frame, blocks).slice(header + 1)
    kept = [i for i in range(frame.width) if headings[i] or data[f"c{i}"].null_count() < data.height]
    data = data.select([pl.col(f"c{old}").alias(f"c{new}") for new, old in enumerate(kept)])
    found = read_header([headings[i] for i in kept], where, asked)
    # A day is written as its first second. Where the heading names the zone, that second is meant.
    days = [column.cell for column in found.columns if not column.is_utc and column.cell in data.columns]
    data = data.with_columns(pl.col(days).str.replace(_MIDNIGHT, "$1"))
    full = data.with_row_index("row_no", offset=1).filter(~pl.all_horizontal(pl.exclude("row_no").is_null()))
    # Blank rows below the last filled one are no part of the table; those above it keep their numbers.
    store.register(table, full.with_columns(pl.lit(None, dtype=pl.String).alias("malformed")))
    notes = ["spreadsheet"]
    if header:
        notes.append(f"header in row {header + 1}")
    if any(block.bottom > block.top and block.top > header for block in blocks):
        notes.append("merged cells filled downwards")
    return Sheet(
        where,
        source=Source(
            path=where,
            kind=found.kind,
            columns=found.columns,
            profile=found.profile,
            relation=quoted(table),
            numbered=True,
            content_hash=f"{looked.content_hash}#{name}",
            bytes=looked.bytes,
            guarded=True,
            serial_from=structure.counts_from,
            notes=(*notes, *found.notes),
        ),
    )


def _header(frame: pl.DataFrame, blocks: list[_Merged], asked: LoadOptions) -> tuple[int, list[str], int]:
    """The row (from 0) whose cells are the headings, the headings, and how well they fit some kind.

    Where a sheet has two header rows, the upper one names groups: its text is taken where the lower cell is
    empty, and put in front of the lower one where that makes more headings known.
    """
    top = frame.head(HEADER_WITHIN)
    rows = [[_heading(cell) for cell in row] for row in top.rows()]
    best: tuple[int, int, list[str]] | None = None
    for number, row in enumerate(rows):
        above = _spread(rows, number - 1, blocks, len(row)) if number else [""] * len(row)
        alone = [
            cell or (upper if _reaches_down(number, i, blocks) else "")
            for i, (cell, upper) in enumerate(zip(row, above, strict=True))
        ]
        both = [f"{upper} {cell}".strip() for cell, upper in zip(alone, above, strict=True)]
        for headings in (row, alone, both):
            fit = fitness(headings, asked)
            if fit and (best is None or fit > best[0]):
                best = (fit, number, headings)
    if best is not None:
        return best[1], best[2], best[0]
    filled = [(len([cell for cell in row if cell]), -number) for number, row in enumerate(rows)]
    number = -max(filled)[1]
    return number, rows[number], 0


def _heading(cell: str | None) -> str:
    return " ".join(cell.split()) if cell else ""


def _spread(rows: list[list[str]], number: int, blocks: list[_Merged], width: int) -> list[str]:
    """A header row with the text of merged cells in every column they cover."""
    row = list(rows[number])
    for block in blocks:
        if block.top <= number <= block.bottom:
            for column in range(block.left, min(block.right, width - 1) + 1):
                row[column] = rows[block.top][block.left] if block.top < len(rows) else ""
    return row


def _reaches_down(number: int, column: int, blocks: list[_Merged]) -> bool:
    return any(b.top < number <= b.bottom and b.left <= column <= b.right for b in blocks)


def _fill(frame: pl.DataFrame, blocks: list[_Merged]) -> pl.DataFrame:
    """Merged cells that span rows hold for each of them: their value, in the first, is written below it."""
    by_column: dict[int, list[_Merged]] = {}
    for block in blocks:
        if block.bottom > block.top and block.left < frame.width:
            by_column.setdefault(block.left, []).append(block)
    columns = []
    for column, spans in by_column.items():
        values = frame[f"c{column}"].to_list()
        for span in spans:
            if span.top < len(values):
                for row in range(span.top + 1, min(span.bottom, len(values) - 1) + 1):
                    values[row] = values[span.top]
        columns.append(pl.Series(f"c{column}", values, dtype=pl.String))
    return frame.with_columns(columns)


class _Structure:
    """What the parts of an .xlsx file say beside its cells: merged cells, the day that dates count from."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._parts: dict[str, str] = {}
        self.counts_from = "1899-12-30"
        if zipfile.is_zipfile(path):
            try:
                with zipfile.ZipFile(path) as archive:
                    self._read_book(archive)
            except (KeyError, expat.ExpatError, *DAMAGE):
                self._parts = {}  # another kind of workbook: its cells are read, nothing else is known

    def _read_book(self, archive: zipfile.ZipFile) -> None:
        targets: dict[str, str] = {}
        sheets: dict[str, str] = {}

        def relationship(tag: str, given: dict[str, str]) -> None:
            if tag == "Relationship":
                targets[given.get("Id", "")] = given.get("Target", "")

        def book(tag: str, given: dict[str, str]) -> None:
            if tag == "sheet":
                ids = [value for key, value in given.items() if key.rpartition(":")[2] == "id"]
                sheets[given.get("name", "")] = ids[0] if ids else ""
            elif tag == "workbookPr" and given.get("date1904", "0") in ("1", "true"):
                self.counts_from = "1904-01-01"

        _parse(archive.read("xl/workbook.xml"), book)
        _parse(archive.read("xl/_rels/workbook.xml.rels"), relationship)
        for name, identity in sheets.items():
            target = targets.get(identity, "")
            self._parts[name] = (
                target.lstrip("/") if target.startswith("/") else posixpath.normpath(f"xl/{target}")
            )

    def merges(self, sheet: str, width: int) -> list[_Merged]:
        """The merged cells of a sheet, in the rows and columns of its frame.

        The frame begins with the first column that holds a cell, so that column has to be found too.
        """
        part = self._parts.get(sheet)
        if not part:
            return []
        try:
            with zipfile.ZipFile(self._path) as archive:
                found = [_block(match) for match in _matches(archive, part, _REF)]
                if not found:
                    return []
                first = min((_column(match[1]) for match in _matches(archive, part, _COLUMN)), default=0)
        except (KeyError, *DAMAGE):
            return []
        return [
            _Merged(block.top, block.left - first, block.bottom, block.right - first)
            for block in found
            if 0 <= block.left - first < width
        ]


def _parse(text: bytes, handle: object) -> None:
    """Hands every element to `handle`; a document that declares entities is not read."""
    parser = expat.ParserCreate(namespace_separator=None)

    def start(tag: str, given: dict[str, str]) -> None:
        handle(tag.rpartition(":")[2], given)  # type: ignore[operator]

    def refuse(*_: object) -> None:
        raise KeyError("entities")

    parser.StartElementHandler = start
    parser.EntityDeclHandler = refuse
    parser.Parse(text, True)


def _matches(archive: zipfile.ZipFile, part: str, pattern: re.Pattern[bytes]) -> Iterator[re.Match[bytes]]:
    """Matches in a part that is read in pieces; a piece ends with the last element that is whole in it."""
    rest = b""
    with archive.open(part) as file:
        while piece := file.read(_PIECE):
            text = rest + piece
            end = text.rfind(b"<")
            yield from pattern.finditer(text, 0, end)
            rest = text[end:] if end >= 0 else b""
    yield from pattern.finditer(rest)


def _column(letters: bytes) -> int:
    number = 0
    for letter in letters:
        number = number * 26 + letter - 64
    return number - 1


def _block(match: re.Match[bytes]) -> _Merged:
    return _Merged(int(match[2]) - 1, _column(match[1]), int(match[4]) - 1, _column(match[3]))
