"""A first look at a file's bytes: its hash, its encoding, and whether it needs careful reading."""

from __future__ import annotations

import codecs
import hashlib
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from fleetlog.errors import InputFileError

CHUNK = 1 << 20
LONGEST_LINE = 1 << 20
"""Longest line, in bytes, that is read as a row: beyond it a quotation mark is missing, or it is no table."""

_TELL_EVERY = 32 * CHUNK

_BYTE_ORDER_MARKS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)


@dataclass(frozen=True)
class Scan:
    """What a file's bytes say.

    Attributes:
        content_hash: SHA-256 of the whole file.
        bytes: size.
        encoding: "utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "utf-32", or "mixed" when not
            all of it is UTF-8: then each line is read as UTF-8 where it is, else as Windows-1252.
        lines: line feeds.
        lone_returns: carriage returns that no line feed follows.
        nuls: whether there are NUL bytes (in a one-byte encoding).
        quotes: whether there are quotation marks.
        spaces: whether there are spaces.
        odd_blanks: whether there may be blanks other than spaces: tabs, spaces that do not break.
        long_line: whether a line may be longer than `LONGEST_LINE`.
        ends_in_line_feed: whether the last byte ends a line.
    """

    content_hash: str
    bytes: int
    encoding: str
    lines: int
    lone_returns: int
    nuls: bool
    quotes: bool
    spaces: bool
    odd_blanks: bool
    long_line: bool
    ends_in_line_feed: bool

    @property
    def plain(self) -> bool:
        """Whether the engine can read the file as it stands."""
        return (
            self.encoding in ("utf-8", "utf-8-sig")
            and not self.nuls
            and not self.long_line
            and not self.lone_returns
        )


def scan(path: Path, where: str, progress: Callable[[int], None] | None = None) -> Scan:
    """Reads a file once, in pieces.

    Args:
        where: how messages call it.
        progress: hears now and then how many bytes have been read.

    Raises:
        InputFileError: when it cannot be read.
    """
    digest = hashlib.sha256()
    decoder = codecs.getincrementaldecoder("utf-8")("strict")
    size = lines = returns = pairs = 0
    encoding = ""
    nuls = quotes = spaces = tabs = long_line = not_utf8 = False
    ascii_only = True
    last = b""
    try:
        with path.open("rb") as file, ThreadPoolExecutor(1) as beside:
            hashed: Future[None] | None = None
            while piece := file.read(CHUNK):
                if not size:
                    encoding = _encoding(piece)
                # The hash beside the counting; one piece at most is on its way.
                if hashed is not None:
                    hashed.result()
                hashed = beside.submit(digest.update, piece)
                size += len(piece)
                if progress and not size % _TELL_EVERY:
                    progress(size)
                feeds = piece.count(b"\n")
                lines += feeds
                long_line = long_line or (not feeds and len(piece) == CHUNK)
                pairs += last == b"\r" and piece[:1] == b"\n"
                if b"\r" in piece:
                    returns += piece.count(b"\r")
                    pairs += piece.count(b"\r\n")
                nuls = nuls or b"\0" in piece
                quotes = quotes or b'"' in piece
                spaces = spaces or b" " in piece
                tabs = tabs or b"\t" in piece
                last = piece[-1:]
                if piece.isascii() and not decoder.getstate()[0]:
                    continue
                ascii_only = False
                if not not_utf8:
                    try:
                        decoder.decode(piece)
                    except UnicodeDecodeError:
                        not_utf8 = True
    except OSError as error:
        raise InputFileError(
            f"{where} cannot be read ({error.strerror}); check the file and its rights."
        ) from error
    if encoding == "utf-8" and (not_utf8 or decoder.getstate()[0]):
        encoding = "mixed"
    return Scan(
        digest.hexdigest(),
        size,
        encoding or "utf-8",
        lines,
        returns - pairs,
        nuls,
        quotes,
        spaces,
        tabs or quotes or not ascii_only,
        long_line,
        last == b"\n",
    )


def _encoding(head: bytes) -> str:
    for mark, name in _BYTE_ORDER_MARKS:
        if head.startswith(mark):
            return name
    # Without a mark, UTF-16 shows itself by NULs in every second byte of a text that is mostly ASCII.
    start = head[:400]
    if len(start) >= 4 and b"\0" in start:
        odd, even = start[1::2].count(0), start[0::2].count(0)
        half = len(start) // 2
        if odd > 0.8 * half and even < 0.2 * half:
            return "utf-16-le"
        if even > 0.8 * half and odd < 0.2 * half:
            return "utf-16-be"
    return "utf-8"
