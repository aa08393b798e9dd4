"""SAE J1939-73 trouble codes read one by one: the second road beside the SQL that reads a whole table."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

from fleetlog.intake.j1939 import (
    _BARE_PAIR,
    _BYTES,
    _COUNT,
    _FMI_SPN,
    _SLASHED_PAIR,
    _SPN_ALONE,
    _SPN_FMI,
    _SPN_PAIR,
    MOST_SPN,
    NO_COUNT,
)


@dataclass(frozen=True)
class TroubleCode:
    """One decoded trouble code; `fmi` and `count` are None where they are not available."""

    spn: int
    fmi: int | None
    count: int | None = None


def decode(word: bytes) -> TroubleCode | None:
    """The trouble code in four bytes.

    Returns:
        None where the conversion bit is set (an older layout that cannot be told apart) or the bytes say that
        there is no code (SPN 0 and FMI 0, or all ones).

    Raises:
        ValueError: when there are not four bytes.
    """
    if len(word) != 4:
        raise ValueError(f"a trouble code has 4 bytes, not {len(word)}")
    number = int.from_bytes(word, "little")
    if number >> 31 or number & 0xFFFFFF in (0, 0xFFFFFF):
        return None
    spn = (number & 0xFFFF) | ((number >> 5) & 0x70000)
    count = (number >> 24) & 0x7F
    return TroubleCode(spn, (number >> 16) & 0x1F, None if count == NO_COUNT else count)


def decode_message(message: bytes) -> Iterator[TroubleCode]:
    """The trouble codes of a DM1 or DM2 message: two bytes of lamps, then four bytes a code, then filling."""
    codes = message[2:]
    for start in range(0, len(codes) - 3, 4):
        found = decode(codes[start : start + 4])
        if found is not None:
            yield found


def decode_text(text: str, bare_pairs: bool = False) -> TroubleCode | None:
    """The trouble code that a text writes out, None where there is none or more than one.

    Args:
        text: "SPN 1234 FMI 7", "spn1234/fmi7", "SPN 1234-7", "64 00 01 03" and the like.
        bare_pairs: take "1234-7" for SPN and FMI too; a maker's own code may look the same.
    """
    if re.search(_BYTES, text):
        return _packed(text)
    for pattern, spn_group in ((_SPN_FMI, 1), (_FMI_SPN, 2), (_SPN_PAIR, 1)):
        match = re.search(pattern, text)
        if match:
            return _plausible(match[spn_group], match[3 - spn_group], text)
    match = re.search(_BARE_PAIR if bare_pairs else _SLASHED_PAIR, text)
    if match:
        return _plausible(match[1], match[2], text)
    match = None if re.search("(?i)FMI|SPN.*SPN", text) else re.search(_SPN_ALONE, text)
    return TroubleCode(int(match[1]), None) if match and int(match[1]) <= MOST_SPN else None


def _plausible(spn: str, fmi: str, text: str) -> TroubleCode | None:
    if int(spn) > MOST_SPN or int(fmi) > 31:
        return None
    match = re.search(_COUNT, text)
    count = int(match[1]) if match and int(match[1]) < NO_COUNT else None
    return TroubleCode(int(spn), int(fmi), count)


def _packed(text: str) -> TroubleCode | None:
    """Four bytes are a code; six or eight a message with one code, lamps before it and filling behind."""
    raw = bytes.fromhex(re.sub(r"(?i)^\s*0x|[^0-9A-F]", "", text))
    if len(raw) == 8 and raw[6:] in (b"\xff\xff", b"\0\0"):
        raw = raw[:6]
    if len(raw) == 6:
        raw = raw[2:]
    return decode(raw) if len(raw) == 4 else None
