"""A look into files with unknown columns, for a proposal: header, first rows, the words of each column."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from fleetlog.errors import InputFileError
from fleetlog.intake import csvfile
from fleetlog.intake.contract import IntakeSettings
from fleetlog.intake.header import LoadOptions, read_header
from fleetlog.intake.names import squeeze
from fleetlog.intake.packed import Form, InputFile, parts
from fleetlog.intake.profiles.content import is_date, number_in
from fleetlog.intake.profiles.profile import Profile
from fleetlog.intake.profiles.proposal import Proposal, names_known, propose
from fleetlog.intake.scan import scan
from fleetlog.intake.source import Source
from fleetlog.intake.sqltext import commas, compose
from fleetlog.intake.tabular import json_source, parquet_source
from fleetlog.intake.workbook import sheets
from fleetlog.store import DatabaseError, Store
from fleetlog.temporary import temporary_folder
from fleetlog.wording import Dictionary

ROWS = 500
"""Rows that a proposal looks at."""

MOST_WORDS = 200
"""A column with more different texts than this holds no vocabulary."""

MOST_BYTES = 4 << 20
"""Of a longer text, the lines within so many bytes are looked at."""

_TABLE = "looked_at"


class _Any(Profile):
    """Takes every header as it stands: a stand-in while nothing is known of a file's columns."""

    def columns_in(self, header: Sequence[str]) -> tuple[str | None, ...]:
        """A name of its own for each heading that is a text."""
        return tuple(
            f"heading {i}" if any(c.isalpha() for c in heading) else None for i, heading in enumerate(header)
        )

    def fits(self, header: Sequence[str]) -> bool:
        """Always."""
        return True

    def takes(self, header: Sequence[str]) -> bool:
        """Always."""
        return True

    @property
    def anything(self) -> bool:
        """Yes."""
        return True

    def weight(self, header: Sequence[str]) -> int:
        """Cells that some kind of table calls its columns by; then how many cells are texts at all."""
        texts = sum(name is not None for name in self.columns_in(header))
        if any(is_date(cell) or number_in(cell) is not None for cell in header):
            return min(texts, 1)  # a row of data, which may hold a word that is some column's name
        return 1000 * names_known(header) + texts if texts > 1 else 0

    def recognises(self, header: Sequence[str]) -> int:
        """One, so that it is taken."""
        return 1


_ANYTHING = LoadOptions(profiles=(_Any("", "machines"),))


@dataclass(frozen=True)
class Look:
    """What a table of a file looks like.

    Attributes:
        where: the file, and its part where it has several.
        header: its headings.
        rows: its first rows.
        words: squeezed heading -> text -> how often it stands in the whole table (of a very long one, in its
            beginning), for columns with few texts.
    """

    where: str
    header: tuple[str, ...]
    rows: tuple[tuple[str | None, ...], ...]
    words: Mapping[str, Mapping[str, int]]


def propose_for(
    store: Store,
    path: Path,
    *,
    profiles: Sequence[Profile] = (),
    settings: IntakeSettings | None = None,
    kind: str | None = None,
    wording: Dictionary | None = None,
) -> list[tuple[str, Proposal]]:
    """Proposals for the tables of a file that cannot be loaded as they are, each with the table's name.

    Tables whose columns the dictionary or one of the profiles knows are left out, and so is what is no table.

    Args:
        store: an open store: it tells which machines are known, and reads the file.
        profiles: profiles in force.
        settings: the fleet's own words.
        kind: take every table for this kind.
        wording: the dictionary of free text in force.
    """
    machine_ids = {row[0] for row in store.execute("SELECT machine_id FROM machines")}
    found = []
    for look in looks(store, path):
        if _understood(look, LoadOptions(kind, tuple(profiles))):
            continue
        proposal = propose(
            look.header,
            look.rows,
            machine_ids=machine_ids,
            settings=settings,
            kind=kind,
            wording=wording,
            counts=look.words,
        )
        if proposal.columns:
            found.append((look.where, proposal))
    return found


def _understood(look: Look, asked: LoadOptions) -> bool:
    try:
        read_header(look.header, look.where, asked)
    except InputFileError:
        return False
    return True


def looks(store: Store, path: Path) -> Iterator[Look]:
    """The tables of a file as far as they can be read; what cannot is left to the load to complain of."""
    with temporary_folder() as folder:
        try:
            for part in parts(path, str(path), folder):
                if not (part.refused or part.note):
                    yield from _looks(store, part, folder)
        except InputFileError:
            return


def _looks(store: Store, part: InputFile, folder: Path) -> Iterator[Look]:
    try:
        if part.form in (Form.TEXT, Form.JSON) and part.path.stat().st_size > MOST_BYTES:
            part = replace(part, path=_beginning(part.path, folder / "beginning"))
        looked = scan(part.path, part.where)
        match part.form:
            case Form.WORKBOOK:
                for sheet in sheets(store, part.path, looked, _ANYTHING, part.where, _TABLE):
                    if sheet.source is not None:
                        yield from _look(store, sheet.source)
            case Form.PARQUET:
                yield from _look(store, parquet_source(store, part.path, looked, _ANYTHING, part.where))
            case Form.JSON:
                source = json_source(store, part.path, looked, _ANYTHING, part.where, folder, _TABLE)
                yield from _look(store, source)
            case Form.TEXT:
                target = folder / "rows.csv"
                yield from _look(
                    store, csvfile.careful_source(part.path, looked, _ANYTHING, part.where, target)
                )
    except (InputFileError, DatabaseError):
        return
    finally:
        store.execute(compose("DROP TABLE IF EXISTS «table»", table=_TABLE))


def _beginning(path: Path, target: Path) -> Path:
    """The whole lines within the first `MOST_BYTES`, as a file of their own."""
    with path.open("rb") as file:
        piece = file.read(MOST_BYTES)
    end = piece.rfind(b"\n") + 1
    target.write_bytes(piece[:end] if end else piece)
    return target


def _look(store: Store, source: Source) -> Iterator[Look]:
    columns = [column for column in source.columns if column.name is not None]
    if not columns:
        return
    cells = [column.cell for column in columns]
    rows = store.execute(
        compose("SELECT «cells» FROM «relation» LIMIT $rows", cells=commas(cells), relation=source.relation),
        {**source.parameters, "rows": ROWS},
    )
    words = {}
    for column in columns:
        counted = store.execute(
            compose(
                "SELECT trim(«cell») AS text, count(*) FROM «relation» WHERE trim(«cell») <> '' "
                "GROUP BY text ORDER BY text LIMIT $most",
                cell=column.cell,
                relation=source.relation,
            ),
            {**source.parameters, "most": MOST_WORDS + 1},
        )
        if len(counted) <= MOST_WORDS:
            words[squeeze(column.header)] = {text: int(count) for text, count in counted}
    yield Look(source.path, tuple(column.header for column in columns), tuple(rows), words)
