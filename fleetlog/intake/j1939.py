"""SAE J1939-73 trouble codes: packed bytes, and the many ways in which they are written out.

A trouble code is a suspect parameter number (SPN, 19 bits), a failure mode identifier (FMI, 5 bits), an
occurrence count (7 bits, 127 = not available) and a conversion bit. The layout is from memory and widely
published; the standard itself and its list of parameter numbers are not public and are not in here. No code is
where the conversion bit is set (an older layout that cannot be told apart) or the bytes say that there is none
(SPN 0 and FMI 0, or all ones).
"""

from __future__ import annotations

from dataclasses import replace

from fleetlog.intake.source import Source, SourceColumn
from fleetlog.intake.sqltext import Bound, commas, compose

MOST_SPN = 0x7FFFF

NO_COUNT = 127


# Written out. The patterns are read by Python's engine and by RE2 alike.
_SEP = r"[ \t:=#._-]*"
_SPN_FMI = rf"(?i)\bSPN{_SEP}(\d{{1,6}})[^0-9A-Za-z]*FMI{_SEP}(\d{{1,2}})(?:\D|$)"
_FMI_SPN = rf"(?i)\bFMI{_SEP}(\d{{1,2}})[^0-9A-Za-z]*SPN{_SEP}(\d{{1,6}})(?:\D|$)"
_SPN_PAIR = rf"(?i)\bSPN{_SEP}(\d{{1,6}}) ?[-/.:,] ?(\d{{1,2}})(?:\D|$)"
_BARE_PAIR = r"^\s*(\d{1,6}) ?[-/.:] ?(\d{1,2})\s*$"
_SLASHED_PAIR = r"^\s*(\d{1,6}) ?/ ?(\d{1,2})\s*$"
_SPN_ALONE = rf"(?i)^\s*SPN{_SEP}(\d{{1,6}})(?: *$|[ ,;:]+[^0-9 ,;:-].*$)"
_COUNT = rf"(?i)(?:\bOC|\bCNT|\bCOUNT|\bOCCURRENCES?|\bOCCURRENCE COUNT){_SEP}(\d{{1,3}})(?:\D|$)"
_BYTES = r"(?i)^\s*(?:0x)?[0-9A-F]{2}(?:[ :-][0-9A-F]{2}){3,}\s*$|^\s*0x[0-9A-F]{8}\s*$"


def with_trouble_codes(source: Source, bare_pairs: bool = False) -> Source:
    """A table of fault codes with SPN, FMI and count read out of the code's text where they are not given.

    The code's text stays as it is; the values read out of it stand in columns of their own. A cell with
    several codes is left to its row as text, since a row is one code.
    """
    if source.kind.name != "fault_codes" or not (source.cell("code") or source.cell("spn")):
        return source
    bound = Bound("code_")
    given = {
        name: source.cell(name) or "CAST(NULL AS VARCHAR)" for name in ("spn", "fmi", "occurrence_count")
    }
    spn, fmi, count = "code_spn", "code_fmi", "code_count"
    # A column for the SPN may hold both numbers, as "1234/7".
    pair = f"CASE WHEN try_cast({given['spn']} AS DOUBLE) IS NULL THEN nullif(trim({given['spn']}), '') END"
    code = f"coalesce({source.cell('code')}, {pair})" if source.cell("code") else pair
    none_given = (
        f"(nullif(trim({given['spn']}), '') IS NULL OR ({pair}) IS NOT NULL) "
        f"AND nullif(trim({given['fmi']}), '') IS NULL"
    )
    no_count = f"nullif(trim({given['occurrence_count']}), '') IS NULL"
    both_found = f"{none_given} AND {spn} IS NOT NULL AND {fmi} IS NOT NULL"
    width = len(source.columns)
    counts = f"{no_count} AND {spn} IS NOT NULL"
    same_code = f"coalesce(try_cast({given['spn']} AS INTEGER) = {spn}, false)"
    derived = {
        "spn": f"CASE WHEN {both_found} THEN CAST({spn} AS VARCHAR) "
        f"WHEN {none_given} AND code_alone IS NOT NULL THEN CAST(code_alone AS VARCHAR) ELSE {given['spn']} END",
        "fmi": f"CASE WHEN {both_found} THEN CAST({fmi} AS VARCHAR) ELSE {given['fmi']} END",
        "occurrence_count": f"CASE WHEN {counts} AND (({both_found}) OR {same_code}) "
        f"THEN CAST({count} AS VARCHAR) ELSE {given['occurrence_count']} END",
    }
    cells = [f"c{width + i}" for i in range(3)]
    # Step by step, each from the names of the one before: written into each other, the expressions take the
    # engine longer to plan than most files to read.
    relation = compose(
        "(SELECT *, «derived» FROM (SELECT *, «parts» FROM (SELECT *, «word» AS code_word "
        "FROM (SELECT *, «digits» AS code_digits FROM (SELECT *, «text» AS code_text FROM «relation»)))))",
        derived=commas(f"{sql} AS {cell}" for sql, cell in zip(derived.values(), cells, strict=True)),
        parts=commas(
            [
                *(f"{_sql(part, bound, bare_pairs)} AS code_{part}" for part in ("spn", "fmi", "count")),
                f"{_alone(bound)} AS code_alone",
            ]
        ),
        word=_WORD,
        digits=compose(
            "CASE WHEN regexp_matches(code_text, «bytes») THEN «d» END", bytes=bound(_BYTES), d=_DIGITS
        ),
        text=f"CASE WHEN ({none_given}) OR {no_count} THEN coalesce({code}, '') ELSE '' END",
        relation=source.relation,
    )
    kept = tuple(replace(c, name=None) if c.name in derived else c for c in source.columns)
    added = tuple(
        SourceColumn(cell, name, name, given=False) for cell, name in zip(cells, derived, strict=True)
    )
    return replace(
        source, columns=kept + added, relation=relation, parameters={**source.parameters, **bound.values}
    )


def _sql(part: str, bound: Bound, bare_pairs: bool) -> str:
    """SPN, FMI or count in `code_text`, as an expression.

    "SPN 1234 FMI 7", "spn1234/fmi7", "SPN 1234-7", "1234/7", "64 00 01 03" and the like; with `bare_pairs` also
    "1234-7", which may be a maker's own code.
    """
    text = "code_text"
    if part == "count":
        written = _within(_extract(text, _COUNT, 1, bound), NO_COUNT - 1)
    else:
        places = [(_SPN_FMI, 1, 2), (_FMI_SPN, 2, 1), (_SPN_PAIR, 1, 2)]
        places.append((_BARE_PAIR if bare_pairs else _SLASHED_PAIR, 1, 2))
        whens = " ".join(
            compose(
                "WHEN regexp_matches(«t», «pattern») THEN «value»",
                t=text,
                pattern=bound(pattern),
                value=_extract(text, pattern, spn if part == "spn" else fmi, bound),
            )
            for pattern, spn, fmi in places
        )
        written = _within(f"CASE {whens} END", MOST_SPN if part == "spn" else 31)
    return f"CASE WHEN code_digits IS NOT NULL THEN {_packed_sql(part)} ELSE {written} END"


def _alone(bound: Bound) -> str:
    """The SPN in a text that names no FMI, as "SPN 1234 sensor supply"."""
    return compose(
        "CASE WHEN NOT regexp_matches(code_text, '(?i)FMI|SPN.*SPN') THEN «spn» END",
        spn=_within(_extract("code_text", _SPN_ALONE, 1, bound), MOST_SPN),
    )


def _extract(text: str, pattern: str, group: int, bound: Bound) -> str:
    return f"try_cast(nullif(regexp_extract({text}, {bound(pattern)}, {group}), '') AS INTEGER)"


def _within(number: str, most: int) -> str:
    return f"CASE WHEN {number} <= {most} THEN {number} END"


_DIGITS = "regexp_replace(regexp_replace(upper(code_text), '^\\s*0X', ''), '[^0-9A-F]', '', 'g')"
"""What a packed code or message is written with."""

# Without the lamps in front and the filling behind, eight digits are left.
_WORD = (
    "CASE WHEN length(code_digits) = 8 THEN code_digits "
    "WHEN length(code_digits) = 12 THEN right(code_digits, 8) "
    "WHEN length(code_digits) = 16 AND right(code_digits, 4) IN ('FFFF', '0000') "
    "THEN substring(code_digits, 5, 8) END"
)
"""The four bytes of a code: alone, or in a message of six or eight with one code in it."""


def _packed_sql(part: str) -> str:
    """The part of a packed code, from the four bytes in `code_word`."""

    def byte(number: int) -> str:
        return f"try_cast('0x' || substring(code_word, {2 * number - 1}, 2) AS INTEGER)"

    value = {
        "spn": f"{byte(1)} + 256 * {byte(2)} + 65536 * ({byte(3)} >> 5)",
        "fmi": f"{byte(3)} & 31",
        "count": f"CASE WHEN {byte(4)} & 127 < {NO_COUNT} THEN {byte(4)} & 127 END",
    }[part]
    is_code = f"{byte(4)} < 128 AND substring(code_word, 1, 6) NOT IN ('000000', 'FFFFFF')"
    return f"CASE WHEN {is_code} THEN {value} END"
