"""Files as they come: what form they have by their first bytes, and archives opened within bounds.

Nothing is ever written under a name that an archive gives, and no member is unpacked beyond what it may hold.
"""

from __future__ import annotations

import gzip
import lzma
import stat
import struct
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from enum import Enum
from pathlib import Path, PurePosixPath
from typing import IO

from fleetlog.errors import InputFileError
from fleetlog.intake.contract import display_name

MOST_UNPACKED = 8 << 30
"""Bytes that an archive may hold in all."""

MOST_MEMBERS = 10_000

MOST_TIMES = 300
"""How many times its own size a member may unpack to, once it is beyond `FREE`; text stays well below."""

FREE = 64 << 20

MOST_WORKBOOK = 600 << 20
"""Bytes that the parts of a workbook may unpack to: it is held in memory."""

_PIECE = 1 << 20

# What Python's archive modules raise on damaged or odd archives; OSError when they seek before the start.
DAMAGE = (
    zipfile.BadZipFile,
    gzip.BadGzipFile,
    zlib.error,
    lzma.LZMAError,
    struct.error,
    EOFError,
    RuntimeError,
    NotImplementedError,
    ValueError,
    OSError,
)


class Form(Enum):
    """What a file is, by its first bytes."""

    TEXT = "text"
    JSON = "JSON"
    XML = "XML"
    PARQUET = "Parquet"
    WORKBOOK = "workbook"
    GZIP = "gzip"
    ZIP = "zip"


@dataclass(frozen=True)
class InputFile:
    """One file to read: as it lies in a folder, or unpacked from an archive.

    Attributes:
        path: where its bytes are.
        where: how messages call it.
        form: what it is.
        refused: why it is not read, where it came out of an archive that way.
        note: why it is passed over.
        written_at: UTC: when it was written last, where its archive says; None: as its folder says.
    """

    path: Path
    where: str
    form: Form
    refused: str | None = None
    note: str | None = None
    written_at: datetime | None = None


def unpacked_bytes(path: Path) -> int | None:
    """How many bytes the members of an archive say they unpack to; None where there is no telling."""
    try:
        with path.open("rb") as file:
            if file.read(4) != b"PK\x03\x04" or _is_workbook(path):
                return None
        with zipfile.ZipFile(path) as archive:
            return sum(member.file_size for member in archive.infolist()) or None
    except DAMAGE:
        return None


def form_of(path: Path, where: str) -> Form:
    """What a file is, by its first bytes and not by its name.

    Raises:
        InputFileError: when it cannot be read.
    """
    try:
        with path.open("rb") as file:
            head = file.read(4096)
    except OSError as error:
        raise InputFileError(
            f"{where} cannot be read ({error.strerror}); check the file and its rights."
        ) from error
    if head.startswith(b"\x1f\x8b"):
        return Form.GZIP
    if head.startswith(b"PK\x03\x04"):
        return Form.WORKBOOK if _is_workbook(path) else Form.ZIP
    if head.startswith(b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"):
        return Form.WORKBOOK
    if head.startswith(b"PAR1"):
        return Form.PARQUET
    begins = head.replace(b"\0", b"").lstrip(b"\xef\xbb\xbf\xff\xfe \t\r\n")[:1]
    if begins == b"<":
        return Form.XML
    if begins in (b"{", b"["):
        return Form.JSON
    return Form.TEXT


def _is_workbook(path: Path) -> bool:
    try:
        with zipfile.ZipFile(path) as archive:
            names = set(archive.namelist())
            if "mimetype" in names:
                return b"opendocument.spreadsheet" in archive.read("mimetype")[:200]
            return any(name.startswith("xl/workbook.") for name in names)
    except DAMAGE:
        return False


def parts(path: Path, where: str, folder: Path) -> Iterator[InputFile]:
    """The files to read in a file: itself, or what an archive holds, unpacked one by one into `folder`.

    Raises:
        InputFileError: for an archive that is damaged, too large or plays tricks with paths.
    """
    form = form_of(path, where)
    if form is Form.GZIP:
        inner = folder / "unpacked"
        with gzip.open(path) as packed:
            _unpack(packed, inner, path.stat().st_size, where)
        yield replace(_inside(inner, where), written_at=written_at(path))
        inner.unlink()
    elif form is Form.ZIP:
        yield from _members(path, where, folder)
    else:
        yield InputFile(path, where, form)


def _inside(path: Path, where: str) -> InputFile:
    form = form_of(path, where)
    if form in (Form.GZIP, Form.ZIP):
        return InputFile(
            path, where, form, refused=f"{where} is an archive inside an archive; unpack it and load that."
        )
    return InputFile(path, where, form)


def _unpack(packed: IO[bytes] | gzip.GzipFile, target: Path, packed_size: int, where: str) -> int:
    """Copies a member out, never more than it may hold; how many bytes it was."""
    most = max(FREE, min(MOST_UNPACKED, packed_size * MOST_TIMES))
    size = 0
    try:
        with target.open("wb") as out:
            while piece := packed.read(_PIECE):
                size += len(piece)
                if size > most:
                    raise InputFileError(
                        f"{where} unpacks to more than {most:,} bytes from {packed_size:,}; no table does "
                        "that, so it was left alone."
                    )
                out.write(piece)
    except DAMAGE as error:
        raise InputFileError(f"{where} cannot be unpacked ({_message(error)}); send it again.") from error
    return size


def _message(error: Exception) -> str:
    text = str(error).rstrip(".")
    return _printable(text.splitlines()[0]) if text else type(error).__name__


def _printable(name: str) -> str:
    return "".join(c if c.isprintable() else "\ufffd" for c in name)


def _members(path: Path, where: str, folder: Path) -> Iterator[InputFile]:
    try:
        with zipfile.ZipFile(path) as archive:
            members = sorted(
                # a name can be empty, which is_dir() does not expect
                (member for member in archive.infolist() if not member.filename.endswith("/")),
                key=lambda member: member.filename,
            )
            _refuse_tricks(members, where)
            held = 0
            for member in members:
                name = display_name(where, _printable(member.filename))
                if _of_no_interest(member.filename):
                    continue
                inner = folder / "member"
                try:
                    with archive.open(member) as packed:
                        held += _unpack(packed, inner, member.compress_size, name)
                    part = replace(_inside(inner, name), written_at=_written(member))
                except InputFileError as error:
                    part = InputFile(inner, name, Form.TEXT, refused=str(error))
                except DAMAGE as error:
                    text = f"{name} cannot be unpacked ({_message(error)}); send it again."
                    part = InputFile(inner, name, Form.TEXT, refused=text)
                if held > MOST_UNPACKED:
                    raise InputFileError(
                        f"{where} unpacks to more than {MOST_UNPACKED:,} bytes; load its files one by one."
                    )
                yield part
                inner.unlink(missing_ok=True)
    except DAMAGE as error:
        raise InputFileError(f"{where} is a damaged archive ({_message(error)}); send it again.") from error


def written_at(path: Path) -> datetime:
    """When a file was written last, UTC, as its folder says."""
    return datetime.fromtimestamp(path.stat().st_mtime, UTC).replace(tzinfo=None)


def _written(member: zipfile.ZipInfo) -> datetime | None:
    """When a member was written last; archives say it in the packer's own zone, which is taken for UTC."""
    try:
        return datetime(*member.date_time)
    except ValueError:
        return None


def _of_no_interest(name: str) -> bool:
    """Whether a member is what an operating system puts into archives by itself."""
    inner = PurePosixPath(name)
    return (
        inner.parts[0] == "__MACOSX"
        or inner.name.startswith(".")
        or inner.name in ("Thumbs.db", "desktop.ini")
    )


def _refuse_tricks(members: list[zipfile.ZipInfo], where: str) -> None:
    """An archive whose names lead out of it was not packed by a yard.

    Raises:
        InputFileError: for such an archive, or one with too many members or secret ones.
    """
    if len(members) > MOST_MEMBERS:
        raise InputFileError(f"{where} holds {len(members):,} files, the most is {MOST_MEMBERS:,}; split it.")
    for member in members:
        name = member.filename
        leads_out = (
            name.startswith(("/", "\\"))
            or "\\" in name
            or ":" in name.split("/")[0]
            or ".." in name.split("/")
            or not name.strip("/")
        )
        if leads_out or stat.S_ISLNK(member.external_attr >> 16):
            raise InputFileError(
                f"{where} holds the path '{_printable(name[:80])}', which leads out of the archive; nothing "
                "of it was read, ask the sender for a plain one."
            )
        if member.flag_bits & 1:
            raise InputFileError(f"{where} is locked with a password; unpack it and load what is inside.")


def workbook_bytes(path: Path) -> int:
    """How many bytes the parts of a workbook unpack to; those of another file are its own."""
    try:
        with zipfile.ZipFile(path) as archive:
            return sum(member.file_size for member in archive.infolist())
    except DAMAGE:
        return path.stat().st_size


def refuse_large_workbook(path: Path, where: str) -> None:
    """A workbook that unpacks to more than memory should hold.

    Raises:
        InputFileError: for such a workbook.
    """
    try:
        with zipfile.ZipFile(path) as archive:
            size = sum(member.file_size for member in archive.infolist())
    except DAMAGE:
        return  # no .xlsx; the spreadsheet library says what is wrong with it
    if size > MOST_WORKBOOK or (size > FREE and size > MOST_TIMES * path.stat().st_size):
        raise InputFileError(
            f"{where} unpacks to {size:,} bytes, the most for a workbook is {MOST_WORKBOOK:,}; "
            "save its sheets as CSV and load those."
        )
