"""Careful reading of a delimited file that the engine cannot read as it stands.

Some files are broken in places: a quotation mark is missing, a line has a cell too many, a row holds binary
data, a line runs to a hundred megabytes, half of the file is in another encoding. Here such a file is split
into lines and cells with bounded memory and rewritten as a well-formed one, in which every line of it
still stands, the broken ones with the reason beside them. Only text is split here; values are checked in SQL,
by the same statements as for every other file.
"""

from __future__ import annotations

import codecs
import csv
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from fleetlog.intake.scan import CHUNK, LONGEST_LINE, Scan

MOST_LINES_IN_A_ROW = 200
"""A row may run over this many lines (a note in quotation marks); beyond it, the closing mark is missing."""

csv.field_size_limit(max(csv.field_size_limit(), 4 * LONGEST_LINE))  # the limit that counts is ours

_SHOWN = 500  # characters of a broken line that are kept

_NAMES = {
    "utf-8": "UTF-8",
    "utf-8-sig": "UTF-8",
    "utf-16": "UTF-16",
    "utf-16-le": "UTF-16",
    "utf-16-be": "UTF-16",
    "utf-32": "UTF-32",
}


@dataclass
class Rewritten:
    """What careful reading found: rows, lines not in UTF-8, and how many rows were malformed."""

    rows: int = 0
    windows_lines: int = 0
    malformed: int = 0

    def encoding(self, scan: Scan) -> str:
        """The encoding as a note says it."""
        if scan.encoding != "mixed":
            return f"encoding {_NAMES[scan.encoding]}"
        return f"encoding Windows-1252 ({self.windows_lines:,} lines are not UTF-8)"


@dataclass(frozen=True)
class _Line:
    text: str
    problem: str | None = None


def text_lines(path: Path, scan: Scan, found: Rewritten) -> Iterator[_Line]:
    """The lines of a file as text, those that are too long or hold NULs with their reason."""
    separator = b"\r" if scan.lines == 0 and scan.lone_returns else b"\n"
    for raw, length in _byte_lines(path, scan, separator):
        if length is not None:
            shown = _text(raw[:_SHOWN], found)
            yield _Line(
                shown,
                f"the line is {length:,} bytes long, the most is {LONGEST_LINE:,}; look for a missing "
                "quotation mark or line break",
            )
            continue
        # A carriage return within a line ends no line here; to the parser of cells it would.
        text = _text(raw, found).replace("\r", " ")
        if "\0" in text:
            yield _Line(
                text.replace("\0", "\u2400"), "the line holds NUL bytes (binary data); export the file again"
            )
        else:
            yield _Line(text)


def _byte_lines(path: Path, scan: Scan, separator: bytes) -> Iterator[tuple[bytes, int | None]]:
    """Lines without their ends; of a line that is too long, its beginning and its length in bytes."""
    held = b""
    dropped = 0  # bytes of a line too long that are already let go
    for piece in _utf8_pieces(path, scan):
        parts = piece.split(separator)
        for i, part in enumerate(parts):
            if i == 0:
                if dropped or len(held) + len(part) > LONGEST_LINE:
                    dropped += len(part) + (0 if dropped else len(held))
                    held = held[:LONGEST_LINE] or part[:LONGEST_LINE]
                else:
                    held += part
                continue
            yield _end(held, dropped)
            held, dropped = (part, 0) if len(part) <= LONGEST_LINE else (part[:LONGEST_LINE], len(part))
    if held or dropped:
        yield _end(held, dropped)


def _end(held: bytes, dropped: int) -> tuple[bytes, int | None]:
    if dropped:
        return held, dropped
    return (held[:-1] if held.endswith(b"\r") else held), None


def _utf8_pieces(path: Path, scan: Scan) -> Iterator[bytes]:
    with path.open("rb") as file:
        if scan.encoding in ("utf-8", "utf-8-sig", "mixed"):
            first = True
            while piece := file.read(CHUNK):
                yield piece.removeprefix(codecs.BOM_UTF8) if first else piece
                first = False
            return
        decoder = codecs.getincrementaldecoder(scan.encoding)("replace")
        while piece := file.read(CHUNK):
            yield decoder.decode(piece).encode("utf-8", "replace")
        yield decoder.decode(b"", True).encode("utf-8", "replace")


def _text(raw: bytes, found: Rewritten) -> str:
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError:
        found.windows_lines += 1
        try:
            return raw.decode("cp1252")
        except UnicodeDecodeError:
            return raw.decode("latin-1")


def rewrite(path: Path, scan: Scan, skip: int, delimiter: str, width: int, target: Path) -> Rewritten:
    """Writes the rows below the header into `target`: row number, reason, cells; comma-separated UTF-8.

    Args:
        scan: its first look.
        skip: lines down to and with the header.
        delimiter: between cells.
        width: cells in the header.
        target: the file to write.
    """
    found = Rewritten()
    with target.open("w", encoding="utf-8", newline="") as file:
        write = csv.writer(file, lineterminator="\n", quoting=csv.QUOTE_ALL)
        rows = _rows(text_lines(path, scan, found), skip, delimiter, width)
        for row_no, (cells, problem) in enumerate(rows, start=1):
            found.rows = row_no
            found.malformed += problem is not None
            write.writerow([row_no, problem or "", *cells])
    return found


def _rows(
    lines: Iterator[_Line], skip: int, delimiter: str, width: int
) -> Iterator[tuple[list[str], str | None]]:
    """Rows as lists of exactly `width` cells, each with the reason when it is malformed."""
    for _ in range(skip):
        next(lines, None)
    ahead: deque[_Line] = deque()
    while True:
        line = ahead.popleft() if ahead else next(lines, None)
        if line is None:
            return
        if line.problem is None and not line.text.strip(" "):
            continue
        if line.problem is not None:
            yield _pad(line.text.split(delimiter), width), line.problem
        elif '"' not in line.text:
            yield _judge_width(line.text.split(delimiter), width)
        else:
            yield _read_quoted(line, lines, ahead, delimiter, width)


def _read_quoted(
    line: _Line, lines: Iterator[_Line], ahead: deque[_Line], delimiter: str, width: int
) -> tuple[list[str], str | None]:
    """A row with quotation marks, which may go on in the lines below.

    When it does not come out well, only its first line is given up; those below are read again as rows.
    """
    text = line.text
    taken: list[_Line] = []
    while True:
        cells = _parse(text, delimiter)
        if cells is not None and len(cells) == width:
            return cells, None
        if cells is not None or len(taken) >= MOST_LINES_IN_A_ROW or len(text) > LONGEST_LINE:
            break
        following = ahead.popleft() if ahead else next(lines, None)
        if following is None:
            break
        taken.append(following)
        if following.problem is not None:
            break
        text += "\n" + following.text
    ahead.extendleft(reversed(taken))
    cells = _parse(line.text, delimiter)
    if cells is not None:
        return _judge_width(cells, width)
    return (
        _pad(line.text.split(delimiter), width),
        "the line has a quotation mark without its partner; write quotation marks inside a cell twice",
    )


def _parse(text: str, delimiter: str) -> list[str] | None:
    """The cells of one row; None while a quotation mark stands open or is misplaced."""
    try:
        rows = list(csv.reader([text], delimiter=delimiter, strict=True))
    except csv.Error:
        return None
    return rows[0] if len(rows) == 1 else None


def _judge_width(cells: list[str], width: int) -> tuple[list[str], str | None]:
    if len(cells) == width:
        return cells, None
    return (
        _pad(cells, width),
        f"the line has {_cells_in_words(len(cells))} where the header has {_cells_in_words(width)}; "
        "put cells that hold the separator in quotation marks",
    )


def _cells_in_words(cells: int) -> str:
    return "1 cell" if cells == 1 else f"{cells:,} cells"


def _pad(cells: list[str], width: int) -> list[str]:
    """Exactly `width` cells: nothing is lost, what is over joins the last cell."""
    if len(cells) <= width:
        return cells + [""] * (width - len(cells))
    return [*cells[: width - 1], " | ".join(cells[width - 1 :])]
