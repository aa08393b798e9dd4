"""Reads a workbook in a process of its own, so that one that takes too much memory or time ends that and not ours.

Run as a script: `sheetreader.py WORKBOOK FOLDER BYTES`. It writes the cells of every sheet as texts into FOLDER and
what it found, as JSON, to its output. It imports nothing of the project.
"""

from __future__ import annotations

import json
import lzma
import re
import shutil
import struct
import sys
import zipfile
import zlib
from collections.abc import Callable, Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

FAR_ROWS, FAR_COLUMNS = 5_000, 50
"""A gap from which on what lies beyond is no part of a sheet's table, where it is little."""

LITTLE = 0.01
"""The share of a sheet's cells that counts as little."""

FAR_ROW, FAR_COLUMN = 20_000, 200
"""A sheet that reaches no farther is read as it is."""

MOST_CELLS = 30_000_000
"""Cells that a sheet may span, the empty ones within it among them."""

# What a damaged archive raises, or a part that is no text; a list of its own, since nothing of the project is imported.
_DAMAGE = (
    zipfile.BadZipFile,
    zlib.error,
    lzma.LZMAError,
    struct.error,
    EOFError,
    KeyError,
    RuntimeError,
    ValueError,
    OSError,
)
_PIECE = 1 << 20
_CELL = re.compile(rb'<(?:\w+:)?c\b[^>]*?\br="([A-Z]{1,3})(\d{1,7})"[^>]*?(/?)>')
_CELL_END = re.compile(rb"</(?:\w+:)?c>")
_FAILED = re.compile(rb't="e"')
_TEXT = re.compile(rb't="str"')  # a formula that gives a text, which may be empty
_VALUE = re.compile(rb"<(?:\w+:)?v>([^<]+)</")
_FORMULA = re.compile(rb"<(?:\w+:)?f\b")
_NINE_DECIMALS = r"^-?\d+\.\d{9}$"
UNCOMPUTED = "#formula"


def main(workbook: Path, folder: Path, most: int) -> None:
    """Reads the workbook within so many bytes of memory; what goes wrong stands in the answer."""
    _limit(most)
    answer: dict[str, Any] = {"sheets": []}
    try:
        answer["sheets"] = list(_sheets(workbook, folder))
    except MemoryError:
        answer["error"] = "it needs more memory than a workbook may"
    except BaseException as error:  # the library's panics are no ordinary exceptions
        answer["error"] = " ".join(str(error).split())[:200] or type(error).__name__
    json.dump(answer, sys.stdout)


def _limit(most: int) -> None:
    try:
        import resource
    except ImportError:  # no such limits here
        return
    resource.setrlimit(resource.RLIMIT_DATA, (most, most))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def _sheets(workbook: Path, folder: Path) -> Iterator[dict[str, Any]]:
    import fastexcel
    import polars as pl

    parts = _parts(workbook)
    surveys = {name: _survey(workbook, part) for name, part in parts.items()}
    stray = {parts[name]: survey for name, survey in surveys.items() if survey["far"]}
    if stray:
        plain = folder / "near.xlsx"
        _leave_out(workbook, plain, stray)
        workbook = plain
    book = fastexcel.read_excel(str(workbook))
    for number, name in enumerate(book.sheet_names):
        survey = surveys.get(name, {})
        told: dict[str, Any] = {
            "name": name,
            "far": survey.get("far", []),
            "marks": survey.get("marks", []),
            "first": survey.get("first", 0),
        }
        if survey.get("spans", 0) > MOST_CELLS:
            told["error"] = f"its cells lie as far apart as {survey['last']}; delete those far from the table"
            yield told
            continue
        try:
            loaded = book.load_sheet(name, header_row=None, skip_rows=0, dtypes="string")
            told["visible"] = loaded.visible == "visible"
            if told["visible"]:
                frame = loaded.to_polars()
                del loaded
                told["file"] = f"{number}.ipc"
                frame.write_ipc(folder / told["file"])
                if (
                    frame.width
                    and frame.select(pl.any_horizontal(pl.all().str.contains(_NINE_DECIMALS).any())).item()
                ):
                    del frame
                    told["numbers"] = f"{number}.numbers.ipc"
                    numbers = book.load_sheet(name, header_row=None, skip_rows=0, dtypes="float")
                    numbers.to_polars().write_ipc(folder / told["numbers"])
        except MemoryError:
            raise
        except BaseException as error:
            told["error"] = " ".join(str(error).split())[:200] or type(error).__name__
        yield told


def _parts(workbook: Path) -> dict[str, str]:
    """The part that holds each sheet of an .xlsx file; empty for other workbooks."""
    if not zipfile.is_zipfile(workbook):
        return {}
    try:
        with zipfile.ZipFile(workbook) as archive:
            book = archive.read("xl/workbook.xml")
            related = archive.read("xl/_rels/workbook.xml.rels")
            present = set(archive.namelist())
    except _DAMAGE:
        return {}
    targets = {}
    for tag in re.findall(rb"<(?:\w+:)?Relationship\b[^>]*>", related):
        key, target = re.search(rb'\bId="([^"]*)"', tag), re.search(rb'\bTarget="([^"]*)"', tag)
        if key and target:
            text = target[1].decode()
            targets[key[1]] = text.lstrip("/") if text.startswith("/") else f"xl/{text}"
    found = {}
    for tag in re.findall(rb"<(?:\w+:)?sheet\b[^>]*>", book):
        name, key = re.search(rb'\bname="([^"]*)"', tag), re.search(rb'\br?:?id="([^"]*)"', tag)
        if name and key and targets.get(key[1]) in present:
            found[_unescaped(name[1].decode())] = targets[key[1]]
    return found


def _unescaped(text: str) -> str:
    from html import unescape

    return unescape(text)


def _survey(workbook: Path, part: str) -> dict[str, Any]:
    """Where the cells of a sheet lie: how many it spans, which lie far off, which are failed or unsaved formulas."""
    rows: dict[int, int] = {}
    columns: dict[int, int] = {}
    marks: list[tuple[int, int, str]] = []

    def see(letters: bytes, number: bytes, cell: bytes) -> None:
        if cell.endswith(b"/>"):
            return  # nothing but a format
        row, column = int(number), _column(letters)
        rows[row] = rows.get(row, 0) + 1
        columns[column] = columns.get(column, 0) + 1
        if _FAILED.search(cell, 0, 200):
            value = _VALUE.search(cell)
            marks.append((row, column, value[1].decode() if value else "#NAME?"))
        elif _FORMULA.search(cell) and not _VALUE.search(cell) and not _TEXT.search(cell, 0, 200):
            marks.append((row, column, UNCOMPUTED))

    try:
        _walk(workbook, part, see)
    except _DAMAGE:
        return {"far": [], "marks": []}
    if not rows:
        return {"far": [], "marks": []}
    last_row, last_column = _reach(rows, FAR_ROW, FAR_ROWS), _reach(columns, FAR_COLUMN, FAR_COLUMNS)
    first = min(columns)
    far_rows, far_columns = max(rows) > last_row, max(columns) > last_column
    far = []
    if far_rows or far_columns:
        far = [f"{_letters(max(columns))}{max(rows)}"]
    return {
        "far": far,
        "reach": (last_row, last_column),
        "spans": last_row * (last_column - first + 1),
        "last": f"{_letters(last_column)}{last_row}",
        "first": first,
        "marks": [
            (row - 1, column, text)
            for row, column, text in marks
            if row <= last_row and column <= last_column
        ],
    }


def _reach(places: dict[int, int], near: int, gap: int) -> int:
    """The last place of a table: before a wide gap beyond which there is little."""
    order = sorted(places)
    if order[-1] <= near:
        return order[-1]
    everything, seen = sum(places.values()), 0
    for place, following in pairwise(order):
        seen += places[place]
        if following - place > gap and everything - seen <= max(LITTLE * everything, 10):
            return place
    return order[-1]


def _walk(workbook: Path, part: str, see: Callable[[bytes, bytes, bytes], None]) -> None:
    """Shows every cell of a part: its column, its row, its text as it stands; the part is read in pieces."""
    with zipfile.ZipFile(workbook) as archive, archive.open(part) as file:
        rest = b""
        while True:
            piece = file.read(_PIECE)
            text = rest + piece
            position = 0
            for match in _CELL.finditer(text):
                end = match.end()
                if not match[3]:
                    closing = _CELL_END.search(text, end)
                    if closing is None:
                        position = match.start()
                        break
                    end = closing.end()
                see(match[1], match[2], text[match.start() : end])
                position = end
            else:
                position = max(position, text.rfind(b"<"))
            rest = text[position:]
            if not piece or len(rest) > 64 * _PIECE:
                return


def _leave_out(workbook: Path, target: Path, stray: dict[str, dict[str, Any]]) -> None:
    """Copies a workbook without the cells that lie far from its tables."""
    with zipfile.ZipFile(workbook) as archive, zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as out:
        for member in archive.infolist():
            with archive.open(member) as file, out.open(member.filename, "w") as copy:
                if member.filename in stray:
                    _copy_near(file, copy, *stray[member.filename]["reach"])
                else:
                    shutil.copyfileobj(file, copy, _PIECE)


def _copy_near(file: Any, copy: Any, last_row: int, last_column: int) -> None:
    rest = b""
    while True:
        piece = file.read(_PIECE)
        text = rest + piece
        done = position = 0
        for match in _CELL.finditer(text):
            end = match.end()
            if not match[3]:
                closing = _CELL_END.search(text, end)
                if closing is None:
                    break
                end = closing.end()
            if int(match[2]) > last_row or _column(match[1]) > last_column:
                copy.write(text[done : match.start()])
                done = end
            position = end
        keep = len(text) if not piece else max(position, text.rfind(b"<", 0, len(text)))
        open_cell = next((m.start() for m in _CELL.finditer(text, position) if not m[3]), None)
        if piece and open_cell is not None:
            keep = min(keep, open_cell)
        copy.write(text[done:keep])
        rest = text[keep:]
        if not piece:
            return


def _column(letters: bytes) -> int:
    number = 0
    for letter in letters:
        number = number * 26 + letter - 64
    return number - 1


def _letters(column: int) -> str:
    text = ""
    column += 1
    while column:
        column, letter = divmod(column - 1, 26)
        text = chr(65 + letter) + text
    return text


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]), int(sys.argv[3]))
