"""Reading delimited text: the header in Python, the rows in the engine."""

from __future__ import annotations

import csv
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

from fleetlog.errors import InputFileError
from fleetlog.intake import lines
from fleetlog.intake.header import HEADER_WITHIN, LoadOptions, begins_table, known_columns, read_header
from fleetlog.intake.scan import Scan
from fleetlog.intake.source import Blanks, Source
from fleetlog.intake.sqltext import commas, compose
from fleetlog.store.dictionary import KINDS

DELIMITERS = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar"}

MOST_HEADER_LINES = 10

# The engine's own limit is set above ours, so that ours decides.
_READ = (
    "read_csv($path, auto_detect = false, header = $header, skip = $skip, delim = $delimiter, quote = '\"', "
    "escape = '\"', columns = {«columns»}, compression = 'none', strict_mode = true, "
    "store_rejects = «stumbles», max_line_size = 8000000«more»)"
)


@dataclass(frozen=True)
class Head:
    """The header of a delimited file: its headings, what separates them, its first and last line.

    `titles` says whether other text stands above it.
    """

    headings: tuple[str, ...]
    delimiter: str
    first_line: int
    last_line: int
    titles: bool = False


def read_head(path: Path, scan: Scan, where: str, asked: LoadOptions) -> Head:
    """Finds the header: the first line that is not blank, or one below a title that a table can begin with.

    Raises:
        InputFileError: when there is no header.
    """
    if not scan.bytes:
        raise InputFileError(f"{where} is empty (0 bytes); nothing was loaded from it, export it again.")
    best: Head | None = None
    most = (False, 0)
    for head in islice(_heads(path, scan, where), HEADER_WITHIN):
        fit = begins_table(head.headings, asked)
        if best is None or fit > most:
            best, most = head, fit
        if most[0]:
            break
    if best is None:
        raise InputFileError(f"{where} holds nothing but blank lines; nothing was loaded from it.")
    return best


def _heads(path: Path, scan: Scan, where: str) -> Iterator[Head]:
    """The lines that are not blank, from the top, each as if it were the header."""
    separator: str | None = None
    text = ""
    begins = first = 0
    for taken, line in enumerate(lines.text_lines(path, scan, lines.Rewritten()), start=1):
        if line.problem is not None:
            if first:
                return
            raise InputFileError(
                f"{where}: its header cannot be read ({line.problem.split(';')[0]}); "
                "put the column names in the first line."
            )
        if not text and not line.text.strip():
            continue
        if not first and separator is None and line.text.lower().startswith("sep=") and len(line.text) == 5:
            separator = line.text[4]
            continue
        begins = begins if text else taken
        text = f"{text}\n{line.text}" if text else line.text
        if text.count('"') % 2 and taken - begins < MOST_HEADER_LINES - 1:
            continue  # a heading in quotation marks goes on in the next line
        first = first or begins
        delimiter = separator or _delimiter(text)
        yield Head(tuple(_headings(text, delimiter)), delimiter, begins, taken, begins > first)
        text = ""
    if text:
        delimiter = separator or _delimiter(text)
        yield Head(tuple(_headings(text, delimiter)), delimiter, begins, taken)


def _delimiter(text: str) -> str:
    def score(delimiter: str) -> tuple[int, int]:
        headings = _headings(text, delimiter)
        return max(len(known_columns(headings, kind)) for kind in KINDS.values()), len(headings)

    return max(DELIMITERS, key=score)


def _headings(text: str, delimiter: str) -> list[str]:
    try:
        headings = next(csv.reader([text], delimiter=delimiter))
    except csv.Error:  # quotation marks that make no sense with this separator
        headings = text.split(delimiter)
    return [" ".join(heading.split()) for heading in headings]


def plain_source(path: Path, scan: Scan, asked: LoadOptions, where: str) -> Source:
    """A file as the engine reads it by itself, in parallel; its order numbers its rows.

    Raises:
        InputFileError: for a header that cannot be read or fits no kind.
    """
    head = read_head(path, scan, where, asked)
    found = read_header(head.headings, where, asked)
    notes = [*_notes(head), *found.notes]
    return Source(
        path=where,
        kind=found.kind,
        columns=found.columns,
        profile=found.profile,
        relation=_relation([column.cell for column in found.columns], stumbles=True),
        parameters={
            "path": literal(path),
            "header": True,
            "skip": head.first_line - 1,
            "delimiter": head.delimiter,
        },
        numbered=False,
        content_hash=scan.content_hash,
        bytes=scan.bytes,
        guarded=True,
        doubtful_points=head.delimiter == ";",
        blanks=_blanks(scan),
        notes=tuple(notes),
    )


def _notes(head: Head) -> list[str]:
    notes = [f"separator {DELIMITERS.get(head.delimiter, repr(head.delimiter))}"]
    return [*notes, f"header in line {head.first_line}"] if head.titles else notes


def _blanks(scan: Scan) -> Blanks:
    if scan.odd_blanks:
        return Blanks.ANY
    return Blanks.SPACES if scan.spaces else Blanks.NONE


def careful_source(path: Path, scan: Scan, asked: LoadOptions, where: str, target: Path) -> Source:
    """The same file, rewritten line by line into `target`, with a reason beside every broken line."""
    head = read_head(path, scan, where, asked)
    found = read_header(head.headings, where, asked)
    rewritten = lines.rewrite(path, scan, head.last_line, head.delimiter, len(found.columns), target)
    notes = _notes(head)
    if scan.encoding != "utf-8":
        notes.append(rewritten.encoding(scan))
    notes += found.notes
    return Source(
        path=where,
        kind=found.kind,
        columns=found.columns,
        profile=found.profile,
        relation=_relation(
            ["row_no", "malformed", *(column.cell for column in found.columns)], stumbles=False
        ),
        parameters={"path": literal(target), "header": False, "skip": 0, "delimiter": ","},
        numbered=True,
        rows=rewritten.rows,
        content_hash=scan.content_hash,
        bytes=scan.bytes,
        guarded=True,
        doubtful_points=head.delimiter == ";",
        notes=tuple(notes),
    )


def _relation(cells: Sequence[str], stumbles: bool) -> str:
    """The reading of a file; where it `stumbles`, a row that it cannot read is set aside and not an error.

    One that does not was written here, with the same end under every line, whatever ends stand in its cells.
    """
    # Names made here (c0, c1, …), never those of the file.
    return compose(
        _READ,
        columns=commas(f"{cell}: 'VARCHAR'" for cell in cells),
        stumbles=str(stumbles).lower(),
        more="" if stumbles else ", new_line = '\\n'",
    )


def literal(path: Path) -> str:
    """A path for the engine's readers, in which no character stands for others."""
    return "".join(f"[{c}]" if c in "*?[" else c for c in str(path))


def all_there(path: Path, scan: Scan, rows: int, where: str, asked: LoadOptions) -> bool:
    """Whether as many rows were read as there are lines below the header, blank lines aside.

    A safeguard: where there are no quotation marks every line is a row, and none may be lost.
    """
    if scan.quotes:
        return True
    below = scan.lines + (not scan.ends_in_line_feed) - read_head(path, scan, where, asked).last_line
    if rows == below:
        return True
    with path.open("rb") as file:
        blank = sum(not line.strip(b" \r\n") for line in file)
    return bool(rows + blank >= below)
