"""A proposal for reading a file with unknown columns, from names and contents, for a person to judge."""

from __future__ import annotations

import re
import unicodedata
from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from typing import Any

import polars as pl
from rapidfuzz import fuzz, process

from fleetlog.intake.contract import IntakeSettings, PlainSettings
from fleetlog.intake.names import squeeze
from fleetlog.intake.profiles.content import Content, content_of
from fleetlog.intake.profiles.meanings import Words, meaning_of, words_of
from fleetlog.intake.profiles.profile import Profile
from fleetlog.store.dictionary import KINDS, Column, Kind, kind_named
from fleetlog.wording import Dictionary

SAMPLE_ROWS = 5
"""Rows that are shown beside a proposal."""

# How much names and contents weigh, and from which score on a column is taken. Defaults from memory.
NAME_WEIGHT = 0.7
ACCEPTED = 0.5
NAMED = 0.95  # a known other name, where the column's own counts 1
ALIKE = 0.9  # two names with the same letters
LEAST_ALIKE = 0.78  # of the letters, below which two names are two
CONTAINED = 0.75  # all words of one name stand in the other
HARDLY_ANY = 0.2  # below this share the cells speak against the column
CONTENT_ALONE = 0.55
FOR_MISSING = 0.8
REPEATED = 3.0  # against a kind whose rows its only key would not tell apart
MOST_REPEATED = 0.9  # different keys among the rows, below which they do not
WORD_ALIKE = 85.0  # of 100 letters
SHORTEST_WORD_GUESSED = 4
SHORTEST_NAME_GUESSED = 4

_NO_LETTER = re.compile(r"[^a-z0-9]+")


@dataclass(frozen=True)
class ColumnMatch:
    """One heading and the column that it is taken for.

    Attributes:
        heading: as it stands in the file.
        column: the dictionary's column.
        score: from 0 to 1.
        reason: what speaks for it.
        sure: whether name and contents leave little doubt.
    """

    heading: str
    column: str
    score: float
    reason: str

    @property
    def sure(self) -> bool:
        """Whether there is little doubt."""
        return self.score >= 0.8


@dataclass(frozen=True)
class WordMatch:
    """One word of a column and the stored word that it is taken for.

    Attributes:
        column: the dictionary's column.
        text: as it stands in the file.
        word: the stored word; "" = leave the cell empty, None = nothing like it was found.
        score: from 0 to 1.
        count: how often it stands in the rows looked at.
    """

    column: str
    text: str
    word: str | None
    score: float
    count: int


@dataclass(frozen=True)
class Proposal:
    """How a file might be read.

    Attributes:
        kind: the kind of table it is taken for.
        columns: headings and the columns they are taken for, in the file's order.
        unmapped: headings without a column.
        missing: required columns without a heading; until they are named the file cannot be loaded.
        words: words of closed vocabularies that are not the store's own.
        header: the file's header.
        sample: its first rows.
        where: the table as messages show it.
    """

    kind: str
    columns: tuple[ColumnMatch, ...]
    unmapped: tuple[str, ...]
    missing: tuple[str, ...]
    words: tuple[WordMatch, ...]
    header: tuple[str, ...]
    sample: tuple[tuple[str, ...], ...] = field(repr=False, default=())
    where: str = ""

    def mended(self, profile: Profile) -> Proposal:
        """The same table read by a mapping that a person has mended."""
        named = zip(self.header, profile.columns_in(self.header), strict=True)
        return replace(
            self,
            kind=profile.kind,
            columns=tuple(
                ColumnMatch(heading, name, 1.0, "by the mended mapping") for heading, name in named if name
            ),
            unmapped=profile.ignored,
            missing=profile.lacks(self.header),
            words=tuple(
                WordMatch(column, text, meant, 1.0, 0)
                for column, words in profile.words.items()
                for text, meant in words.items()
            ),
        )

    def profile(self, name: str = "proposal") -> Profile:
        """The proposal as a profile."""
        words: dict[str, dict[str, str]] = {}
        for match in self.words:
            if match.word is not None:
                words.setdefault(match.column, {})[match.text] = match.word
        columns = {match.heading: match.column for match in self.columns}
        return Profile(
            name,
            self.kind,
            columns,
            self.unmapped,
            words,
            headings=tuple(h for h in self.header if h.strip()),
        )

    def columns_frame(self) -> pl.DataFrame:
        """One row a heading: heading, column (empty = not used), score, reason, and the sample's cells."""
        matches = {match.heading: match for match in self.columns}
        rows: list[dict[str, Any]] = []
        for i, heading in enumerate(self.header):
            match = matches.get(heading)
            row: dict[str, Any] = {
                "heading": heading,
                "column": match.column if match else "",
                "score": match.score if match else None,
                "reason": match.reason if match else "nothing like it",
            }
            for number, cells in enumerate(self.sample, start=1):
                row[f"row {number}"] = cells[i] if i < len(cells) else ""
            rows.append(row)
        return pl.DataFrame(rows, schema_overrides={"score": pl.Float64}, infer_schema_length=None)

    def words_frame(self) -> pl.DataFrame:
        """One row a word: column, text, word (null = not found, "" = left empty), score, count."""
        return pl.DataFrame(
            [(m.column, m.text, m.word, m.score, m.count) for m in self.words],
            schema={
                "column": pl.String,
                "text": pl.String,
                "word": pl.String,
                "score": pl.Float64,
                "count": pl.Int64,
            },
            orient="row",
        )


def propose(
    header: Sequence[str],
    sample_rows: Sequence[Sequence[str | None]],
    *,
    machine_ids: Collection[str] = (),
    settings: IntakeSettings | None = None,
    kind: str | None = None,
    wording: Dictionary | None = None,
    counts: Mapping[str, Mapping[str, int]] | None = None,
) -> Proposal:
    """Proposes how to read a file.

    Every heading is compared with every column of every kind of table: by name (own, other known names, alike
    letters) and by content (share of cells that are of the column's type, its words, or known machines). The
    kind that explains most headings is taken.

    Args:
        header: the file's headings.
        sample_rows: rows below it, as text; a few hundred are enough for columns, all of them for words.
        machine_ids: machines that the store knows.
        settings: the fleet's own words.
        kind: take it for this kind, whatever the columns suggest.
        wording: the dictionary of free text in force.
        counts: squeezed heading -> text -> how often it stands in the whole file, where that is known.

    Raises:
        UsageError: for a kind that does not exist.
    """
    settings = settings or PlainSettings()
    known = frozenset(machine_ids)
    cells = [_cells(sample_rows, i) for i in range(len(header))]
    kinds = [kind_named(kind)] if kind else list(KINDS.values())
    found = [(one, _matches(header, cells, one, settings, known, wording)) for one in kinds]
    best, matches = max(found, key=lambda pair: _worth(pair[0], pair[1], header, cells))
    taken = {match.heading: match for match in matches}
    return Proposal(
        kind=best.name,
        columns=tuple(taken[heading] for heading in dict.fromkeys(header) if heading in taken),
        unmapped=_unmapped(header, taken),
        missing=tuple(name for name in best.required if name not in {match.column for match in matches}),
        words=tuple(
            match
            for i, heading in enumerate(header)
            if heading in taken and heading not in header[:i]
            for match in _word_matches(
                best.column(taken[heading].column),
                (counts or {}).get(squeeze(heading)) or Counter(cells[i]),
                settings,
                wording,
            )
        ),
        header=tuple(header),
        sample=tuple(tuple(cell or "" for cell in row) for row in sample_rows[:SAMPLE_ROWS]),
    )


def _unmapped(header: Sequence[str], taken: Mapping[str, ColumnMatch]) -> tuple[str, ...]:
    """Headings without a column, each once, however it is written."""
    seen = {squeeze(heading) for heading in taken}
    found = []
    for heading in header:
        if squeeze(heading) and squeeze(heading) not in seen:
            seen.add(squeeze(heading))
            found.append(heading)
    return tuple(found)


def _cells(rows: Sequence[Sequence[str | None]], i: int) -> list[str]:
    cells = [row[i] for row in rows if i < len(row)]
    return [cell.strip() for cell in cells if cell and cell.strip()]


def _worth(
    kind: Kind, matches: Sequence[ColumnMatch], header: Sequence[str], cells: Sequence[Sequence[str]]
) -> float:
    found = {match.column for match in matches}
    missing = sum(name not in found for name in kind.required)
    if kind.one_of and not any(all(name in found for name in group) for group in kind.one_of):
        missing += 1
    return (
        sum(match.score for match in matches)
        - FOR_MISSING * missing
        - REPEATED * _repeats(kind, matches, header, cells)
    )


def _repeats(
    kind: Kind, matches: Sequence[ColumnMatch], header: Sequence[str], cells: Sequence[Sequence[str]]
) -> bool:
    """Whether what would tell a kind's rows apart stands again and again: a log of hours is no list of machines."""
    if len(kind.key) > 1:
        return False
    found = [match.heading for match in matches if match.column == kind.key[0]]
    texts = cells[list(header).index(found[0])] if found else ()
    return bool(texts) and len(set(texts)) <= MOST_REPEATED * len(texts)


def _matches(
    header: Sequence[str],
    cells: Sequence[Sequence[str]],
    kind: Kind,
    settings: IntakeSettings,
    machine_ids: frozenset[str],
    wording: Dictionary | None,
) -> list[ColumnMatch]:
    """Headings and columns paired, the best pair first; each heading and each column once."""
    names = [squeeze(heading) for heading in header]
    pairs = []
    for j, column in enumerate(kind.columns):
        words = words_of(column, settings.words_for(column.name), wording)
        for i, heading in enumerate(header):
            if not squeeze(heading) or names[i] in names[:i]:
                continue
            score, reason = _score(heading, cells[i], kind, column, words, machine_ids)
            if score >= ACCEPTED:
                pairs.append(
                    (-round(score, 4), i, j, ColumnMatch(heading, column.name, round(score, 2), reason))
                )
    matches: list[ColumnMatch] = []
    for _, _, _, match in sorted(pairs, key=lambda pair: pair[:3]):
        if all(match.heading != other.heading and match.column != other.column for other in matches):
            matches.append(match)
    return matches


def _score(
    heading: str,
    cells: Sequence[str],
    kind: Kind,
    column: Column,
    words: Words | None,
    machine_ids: frozenset[str],
) -> tuple[float, str]:
    named, how = name_score(heading, kind, column)
    if named == 0.0 and not _speaks_for_itself(column, words, machine_ids):
        return 0.0, ""
    content = content_of(cells, column, words, machine_ids)
    share = content.share
    if named == 0.0:
        alone = share is not None and share >= 0.9 and _telling(cells, column, words)
        return (CONTENT_ALONE * (share or 0.0), content.evidence) if alone else (0.0, "")
    score = NAME_WEIGHT * named + (1 - NAME_WEIGHT) * (0.6 if share is None else share)
    if share is not None and share < HARDLY_ANY:
        score *= 0.5
    return score, _reason(how, content)


def _speaks_for_itself(column: Column, words: Words | None, machine_ids: frozenset[str]) -> bool:
    return (words is not None and words.closed) or (column.name == "machine_id" and bool(machine_ids))


def _telling(cells: Sequence[str], column: Column, words: Words | None) -> bool:
    """Whether the cells say more than chance: several different ones, and not merely small numbers."""
    different = set(cells)
    if column.name == "machine_id":
        return len(different) >= 3 and any(len(cell) >= 4 or not cell.isdigit() for cell in different)
    return words is not None and len({words.meant(cell) for cell in different} - {None, ""}) >= 2


def _reason(how: str, content: Content) -> str:
    return f"{how}; {content.evidence}" if content.share is not None else how


def name_score(heading: str, kind: Kind, column: Column) -> tuple[float, str]:
    """How much a heading is like a column's name, from 0 to 1, and in which way."""
    name = squeeze(heading)
    if name == squeeze(column.name):
        return 1.0, "its own name"
    plain = _plain(heading)
    others = _other_names(kind.name, column.name)
    if plain in others:
        return NAMED, "a known name for it"
    if len(squeeze(plain)) < SHORTEST_NAME_GUESSED or plain in _every_name():
        return 0.0, ""  # too short to guess, or what some other column is called
    best, like = 0.0, ""
    for other in others:
        if len(squeeze(other)) < SHORTEST_NAME_GUESSED:
            continue
        letters = fuzz.token_sort_ratio(plain, other) / 100
        alike = ALIKE * letters if letters >= LEAST_ALIKE else 0.0
        inside, outside = set(other.split()), set(plain.split())
        if inside < outside and sum(map(len, inside)) >= 4:
            alike = max(alike, CONTAINED * (1.0 if len(inside) > 1 else 0.85))
        if alike > best:
            best, like = alike, other
    return (best, f"like '{like}'") if best >= 0.6 else (0.0, "")


def _plain(text: str) -> str:
    """A name with plain letters and its words apart: "Zählerstand (h)" -> "zahlerstand h"."""
    plain = text.lower().replace("#", " no ").replace("$", " cost ").replace("ß", "ss").replace("°", "o ")
    plain = re.sub(r"['’]", " ", re.sub(r"ae|oe|ue", lambda pair: pair[0][0], plain))
    return _NO_LETTER.sub(
        " ", unicodedata.normalize("NFKD", plain).encode("ascii", "ignore").decode()
    ).strip()


@cache
def _other_names(kind: str, column: str) -> tuple[str, ...]:
    """A column's own and other names with their words apart, the own first."""
    of = KINDS[kind]
    names = (column, *meaning_of(of, of.column(column)).also)
    return tuple(dict.fromkeys(_plain(name) for name in names))


@cache
def _every_name() -> frozenset[str]:
    return frozenset(name for kind in KINDS for name in _names_of(kind))


@cache
def _names_of(kind: str) -> frozenset[str]:
    return frozenset(name for column in KINDS[kind].columns for name in _other_names(kind, column.name))


def names_known(header: Sequence[str]) -> int:
    """How many of a line's cells are names, or known other names, of the columns of one kind of table."""
    plain = {_plain(heading) for heading in header}
    return max(len(plain & _names_of(kind)) for kind in KINDS)


# Words.


def _word_matches(
    column: Column, counts: Mapping[str, int], settings: IntakeSettings, wording: Dictionary | None
) -> list[WordMatch]:
    """Every text of a column with a vocabulary that the store would not take as it stands, frequent first."""
    words = words_of(column, settings.words_for(column.name), wording)
    if words is None:
        return []
    seen = {squeeze(word) for word in words.stored}
    found = []
    for text, count in sorted(counts.items(), key=lambda pair: (-pair[1], pair[0])):
        if squeeze(text) in seen:
            continue
        seen.add(squeeze(text))
        word, score = _nearest_word(text, words)
        if word is not None or words.closed:
            found.append(WordMatch(column.name, text, word, round(score, 2), count))
    return found


def _nearest_word(text: str, words: Words) -> tuple[str | None, float]:
    meant = words.meant(text)
    if meant is not None:
        return meant, 0.95
    plain = _plain(text)
    if len(plain) < SHORTEST_WORD_GUESSED:
        return None, 0.0
    choices = {_plain(word): word for word in words.stored} | {
        _plain(name): stored for name, stored in words.other.items() if len(name) >= SHORTEST_WORD_GUESSED
    }
    near = process.extractOne(plain, list(choices), scorer=fuzz.ratio, score_cutoff=WORD_ALIKE)
    if near is None:
        return None, 0.0
    return choices[near[0]], 0.9 * near[1] / 100
