"""Trouble codes as SAE J1939-73 packs them, and as people and portals write them.

Layout and worked example (bytes 64 00 01 03 = SPN 100, FMI 1, count 3): from memory, widely published.
"""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st
from trouble_codes import TroubleCode, decode, decode_message, decode_text

from fleetlog.intake.j1939 import MOST_SPN, with_trouble_codes
from fleetlog.intake.source import Source, SourceColumn
from fleetlog.store import Store
from fleetlog.store.dictionary import KINDS

from .conftest import Load


def packed(spn: int, fmi: int, count: int, conversion: int = 0) -> bytes:
    """The four bytes, built field by field."""
    third = (spn >> 16) << 5 | fmi
    return bytes([spn & 0xFF, spn >> 8 & 0xFF, third, conversion << 7 | count])


def test_the_published_example() -> None:
    assert decode(bytes.fromhex("64000103")) == TroubleCode(100, 1, 3)


@given(st.integers(1, MOST_SPN - 1), st.integers(0, 30), st.integers(0, 127))
def test_packing_and_unpacking(spn: int, fmi: int, count: int) -> None:
    assert decode(packed(spn, fmi, count)) == TroubleCode(spn, fmi, None if count == 127 else count)
    assert decode(packed(spn, fmi, count, conversion=1)) is None


def test_no_code_and_the_wrong_length() -> None:
    assert decode(bytes(4)) is None
    assert decode(b"\xff\xff\xff\xff") is None
    with pytest.raises(ValueError, match="4 bytes, not 3"):
        decode(b"abc")


def test_a_message_with_lamps_and_several_codes() -> None:
    message = bytes([0x04, 0xFF]) + packed(520210, 7, 3) + packed(100, 1, 127) + b"\xff\xff"
    assert list(decode_message(message)) == [TroubleCode(520210, 7, 3), TroubleCode(100, 1, None)]
    assert list(decode_message(bytes([0, 0xFF, 0, 0, 0, 0, 0xFF, 0xFF]))) == []


TEXTS = [
    ("SPN 520210 FMI 7", TroubleCode(520210, 7)),
    ("spn520210fmi7", TroubleCode(520210, 7)),
    ("SPN:520210, FMI:07", TroubleCode(520210, 7)),
    ("SPN = 520210 / FMI = 7", TroubleCode(520210, 7)),
    ("SPN-520210.FMI-7 OC 3", TroubleCode(520210, 7, 3)),
    ("FMI 7 SPN 520210", TroubleCode(520210, 7)),
    ("SPN 520210-7", TroubleCode(520210, 7)),
    ("SPN 520210/07 (count 12)", TroubleCode(520210, 7, 12)),
    ("Engine: SPN 100 FMI 1 oil pressure", TroubleCode(100, 1)),
    ("64 00 01 03", TroubleCode(100, 1, 3)),
    ("64-00-01-7F", TroubleCode(100, 1)),
    ("0x64000103", TroubleCode(100, 1, 3)),
    ("04 FF 64 00 01 03", TroubleCode(100, 1, 3)),
    ("04 ff 64 00 01 03 ff ff", TroubleCode(100, 1, 3)),
    ("SPN 100 FMI 1 OC 127", TroubleCode(100, 1)),
    # No code in these.
    ("64 00 01 83", None),  # conversion bit
    ("00 FF 00 00 00 00 FF FF", None),  # no code active
    ("04 FF 64 00 01 03 65 00 01 03", None),  # two codes are two rows
    ("64 00 01 03 65 00 01 03", None),
    ("04 FF 64 00 01", None),
    ("SPN 600000 FMI 3", None),
    ("SPN 100 FMI 32", None),
    ("SPN 100", TroubleCode(100, None)),
    ("SPN 100 oil pressure low", TroubleCode(100, None)),
    ("SPN 100, SPN 110", None),
    ("521234/7", TroubleCode(521234, 7)),
    ("FMI 7", None),
    ("E-55", None),
    ("64000103", None),
    ("520210-7", None),
    ("1234.5", None),
    ("", None),
]


@pytest.mark.parametrize(("text", "code"), TEXTS)
def test_texts(text: str, code: TroubleCode | None) -> None:
    assert decode_text(text) == code


@pytest.mark.parametrize("text", ["520210-7", " 520210 : 07 ", "520210.7"])
def test_bare_pairs_where_they_are_known_to_be_codes(text: str) -> None:
    assert decode_text(text) is None
    assert decode_text(text, bare_pairs=True) == TroubleCode(520210, 7)


@pytest.mark.parametrize("bare_pairs", [False, True])
def test_sql_and_python_agree(bare_pairs: bool, store: Store) -> None:
    texts = [text for text, _ in TEXTS] + [
        "520210-7",
        "12:3",
        "7/99",
        "999999-1",
        "SPN1FMI0",
        "OC 5 SPN 1 FMI 2",
    ]
    store.execute("CREATE TEMP TABLE texts AS SELECT unnest($t) AS c0", {"t": texts})
    plain = Source("t", KINDS["fault_codes"], (SourceColumn("c0", "code", "code"),), "texts", "", 0)
    source = with_trouble_codes(plain, bare_pairs)
    cells = ", ".join(source.cell(name) or "" for name in ("spn", "fmi", "occurrence_count"))
    rows = store.execute(f"SELECT {cells} FROM {source.relation}", dict(source.parameters))
    for text, row in zip(texts, rows, strict=True):
        code = decode_text(text, bare_pairs)
        expected = (code.spn, code.fmi, code.count) if code else (None, None, None)
        assert tuple(None if cell is None else int(cell) for cell in row) == expected, text


def test_codes_in_a_table(load: Load, store: Store) -> None:
    """The text is decoded only where the row does not give the numbers itself; it is kept either way."""
    result = load(
        "machine_id,seen_at,code,spn,fmi,occurrence_count\n"
        "A,2024-01-01,SPN 520210 FMI 7,,,\n"
        "A,2024-01-02,SPN 520210 FMI 7,1,2,3\n"
        "A,2024-01-03,64 00 01 03,,,9\n"
        "A,2024-01-04,E55,,,\n"
        "A,2024-01-05,,100,,\n"
    )
    assert (result.waiting, result.rejected) == (4, 1)
    assert store.execute("SELECT spn, fmi, occurrence_count, code FROM fault_codes ORDER BY row_no") == [
        (520210, 7, None, "SPN 520210 FMI 7"),
        (1, 2, 3, "SPN 520210 FMI 7"),
        (100, 1, 9, "64 00 01 03"),
        (None, None, None, "E55"),
    ]
    ((raw,),) = store.execute("SELECT raw FROM rejected_row")
    assert list(json.loads(raw)) == ["machine_id", "seen_at", "code", "spn", "fmi", "occurrence_count"]


def test_codes_in_a_table_without_columns_for_them(load: Load, store: Store) -> None:
    result = load("machine_id,seen_at,code\nA,2024-01-01,SPN 520210 FMI 7 count 4\nA,2024-01-02,E55\n")
    assert (result.waiting, result.notes) == (2, ("separator comma",))
    found = store.execute("SELECT spn, fmi, occurrence_count FROM fault_codes ORDER BY row_no")
    assert found == [(520210, 7, 4), (None, None, None)]
    again = load(
        "machine_id,seen_at,code,spn,fmi\nA,2024-01-01,SPN 520210 FMI 7 count 4,520210,7\n", name="b.csv"
    )
    assert again.known == 1
