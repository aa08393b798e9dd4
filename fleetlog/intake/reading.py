"""From a file to tables that are read and checked, whatever form the file has."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from functools import partial
from pathlib import Path, PurePath

from fleetlog.errors import InputFileError, first_line
from fleetlog.intake import csvfile
from fleetlog.intake.checks import Checked, check
from fleetlog.intake.contract import FileResult, IntakeSettings
from fleetlog.intake.events import Event, json_events, xml_events
from fleetlog.intake.header import LoadOptions, MadeHereError, NoTableError
from fleetlog.intake.packed import Form, InputFile, parts, unpacked_bytes, written_at
from fleetlog.intake.progress import ProgressTracker
from fleetlog.intake.scan import Scan, scan
from fleetlog.intake.source import Source
from fleetlog.intake.sqltext import compose
from fleetlog.intake.tabular import json_source, parquet_source
from fleetlog.intake.telematics import is_document, read_document
from fleetlog.intake.telematics import sources as telematics_sources
from fleetlog.intake.tellings import FileTime
from fleetlog.intake.workbook import sheets
from fleetlog.store import DatabaseError, Store
from fleetlog.store.connection import quoted
from fleetlog.temporary import temporary_folder

TABLE_ENDINGS = frozenset(
    (
        *(".csv", ".tsv", ".tab", ".txt"),
        *(".xlsx", ".xlsm", ".xlsb", ".xls", ".ods"),
        *(".parquet", ".json", ".jsonl", ".ndjson", ".xml", ".gz", ".zip"),
    )
)
"""Endings of files that a folder or an archive is searched for; a file named by itself is read anyway."""


LONG = 1 << 30
"""Bytes of a file beyond which its rows wait on the disk and not in memory: some 20 million readings."""


def is_note(where: str) -> bool:
    """Whether a file that holds no table is, by its ending, a text that need not be one."""
    return PurePath(where).suffix.lower() == ".txt"


@dataclass(frozen=True)
class Earlier:
    """Earlier loads of the same content: their ids, its rows, and whether any were rejected."""

    file_ids: tuple[int, ...]
    rows: int
    rejected: bool


@dataclass(frozen=True)
class Ready:
    """A table that can be merged. `checked` is None where its content is known and nothing is left to try."""

    source: Source
    checked: Checked | None
    earlier: Earlier | None


@dataclass(frozen=True)
class Page:
    """A page of a telematics feed: where it was, the address it knows itself by, and that of the next."""

    where: str
    this: str | None
    next: str | None


Group = Sequence[Ready | FileResult]
"""The tables of one file: they are stored together or not at all. A refused part comes as its result."""


class Reader:
    """Reads files into temporary tables of the store, outside any transaction."""

    def __init__(
        self,
        store: Store,
        settings: IntakeSettings,
        asked: LoadOptions,
        now: datetime,
        tracker: ProgressTracker,
        scratch: Callable[[], str],
    ) -> None:
        self._store = store
        self._scratch = scratch
        self._tracker = tracker
        self._settings = settings
        self._asked = asked
        self._now = now
        self._tables = 0
        self._written_at = now
        self.pages: list[Page] = []

    def groups(self, path: Path, where: str) -> Iterator[Group]:
        """The tables of a file, or of each file in an archive.

        Raises:
            InputFileError: when the file cannot be read at all, or an archive not to its end; of a file that
                is not packed also when it is an export of what is made here.
        """
        whole = unpacked_bytes(path)
        with temporary_folder() as folder:
            for part in parts(path, where, folder):
                self._tracker.part(part.path.stat().st_size / whole if whole and part.path.exists() else 1.0)
                if part.refused or part.note:
                    notes = (part.note,) if part.note else ()
                    yield [FileResult(part.where, refused=part.refused, notes=notes)]
                elif part.where != where and PurePath(part.where).suffix.lower() not in TABLE_ENDINGS:
                    yield [FileResult(part.where, notes=("passed over: no table",))]
                else:
                    try:
                        yield self._part(part, folder)
                    except InputFileError as error:
                        if isinstance(error, MadeHereError | NoTableError) and part.where == where:
                            raise
                        if isinstance(error, NoTableError) and is_note(part.where):
                            yield [FileResult(part.where, notes=("passed over: no table",))]
                            continue
                        yield [FileResult(part.where, refused=str(error))]

    def drop(self, ready: Ready) -> None:
        """Lets the temporary tables of a table go."""
        if ready.checked:
            self._drop_table(ready.checked.table)
            self._drop_table(ready.checked.problems)

    def _drop_table(self, name: str) -> None:
        self._store.execute(compose("DROP TABLE IF EXISTS «table»", table=quoted(name)))

    def _part(self, part: InputFile, folder: Path) -> Group:
        self._tracker.stage("looking")
        self._written_at = self._asked.told_at or part.written_at or written_at(part.path)
        size = max(part.path.stat().st_size, 1)
        looked = scan(part.path, part.where, lambda read: self._tracker.share(read / size))
        match part.form:
            case Form.WORKBOOK:
                return self._workbook(part, looked)
            case Form.PARQUET:
                source = parquet_source(self._store, part.path, looked, self._asked, part.where)
                return [self._readable(partial(self._check, source), part.where)]
            case Form.XML:
                return self._document(part, looked, xml_events(part.path, part.where), folder)
            case Form.JSON:
                if is_document(part.path):
                    events = json_events(part.path, looked, part.where)
                    return self._document(part, looked, events, folder)
                return [self._json(part, looked, folder)]
            case _:
                return [self._text(part, looked, folder)]

    def _readable(self, read: Callable[[], Ready], where: str) -> Ready:
        """Runs a reading; what the engine cannot read is told in one sentence."""
        try:
            return read()
        except DatabaseError as error:
            raise InputFileError(f"{where} cannot be read ({first_line(error)}); export it again.") from error

    def _text(self, part: InputFile, looked: Scan, folder: Path) -> Ready:
        if looked.plain:
            ready = self._plain_text(part, looked)
            if ready is not None:
                return ready
        source = csvfile.careful_source(part.path, looked, self._asked, part.where, folder / "rows.csv")
        return self._readable(partial(self._check, source), part.where)

    def _plain_text(self, part: InputFile, looked: Scan) -> Ready | None:
        """The engine's own reading, in parallel; None when it stumbled over a row."""
        for table in ("reject_errors", "reject_scans"):
            self._drop_table(table)
        source = csvfile.plain_source(part.path, looked, self._asked, part.where)
        try:
            ready = self._check(source)
        except DatabaseError:
            return None
        if ready.checked is None:
            return ready
        stumbled = self._store.execute("SELECT 1 FROM reject_errors LIMIT 1")
        rows = ready.checked.rows + ready.checked.blank
        if not stumbled and csvfile.all_there(part.path, looked, rows, part.where, self._asked):
            return ready
        self.drop(ready)
        return None

    def _json(self, part: InputFile, looked: Scan, folder: Path) -> Ready:
        lines = f"lines_{self._tables}"
        try:
            return self._readable(
                lambda: self._check(
                    json_source(self._store, part.path, looked, self._asked, part.where, folder, lines)
                ),
                part.where,
            )
        finally:
            self._drop_table(lines)

    def _document(self, part: InputFile, looked: Scan, events: Iterator[Event], folder: Path) -> Group:
        """A telematics document: its machines, readings and fault codes, together."""
        found = read_document(events, folder, part.where)
        machine = self._machine_of(part.where) if found.nobody else None
        equipment = f"equipment_{self._tables}"
        try:
            tables = telematics_sources(self._store, found, looked, part.where, equipment, machine)
            group = [self._readable(partial(self._check, table), table.path) for table in tables]
        finally:
            self._drop_table(equipment)
        self.pages.append(Page(group[0].source.path, found.this_page, found.next_page))
        return group

    def _machine_of(self, where: str) -> str:
        """The machine of a page that names none: as asked for, by the file's name, or by its folder's.

        Raises:
            InputFileError: when none of them says.
        """
        if self._asked.machine:
            return self._asked.machine
        place = PurePath(where.replace(" › ", "/"))
        if self._asked.machine_from:
            match = re.search(self._asked.machine_from, place.name)
            if match and match["machine"]:
                return str(match["machine"])
        known = self._store.execute(
            "SELECT min(machine_id) FROM machines WHERE $name IN (machine_id, pin, serial_number) "
            "HAVING count(*) = 1",
            {"name": place.parent.name},
        )
        if known:
            return str(known[0][0])
        raise InputFileError(
            f"{where} does not say which machine it is about; say it with --machine, with a pattern for the "
            "file's name by --machine-from, or put it into a folder named after the machine."
        )

    def _workbook(self, part: InputFile, looked: Scan) -> Group:
        cells = f"cells_{self._tables}"
        group: list[Ready | FileResult] = []
        for sheet in sheets(self._store, part.path, looked, self._asked, part.where, cells):
            if sheet.source is None:
                notes = (sheet.note,) if sheet.note else ()
                group.append(FileResult(sheet.where, refused=sheet.refused, notes=notes))
                continue
            try:
                group.append(self._readable(partial(self._check, sheet.source), sheet.where))
            except InputFileError as error:
                group.append(FileResult(sheet.where, refused=str(error)))
        self._drop_table(cells)
        if not any(isinstance(one, Ready) or one.refused for one in group):
            raise InputFileError(
                f"{part.where} has no sheet with the columns of any kind of table; "
                "put the column names in one row, or give a mapping profile."
            )
        return group

    def _check(self, source: Source) -> Ready:
        if source.profile is not None:
            # The same file read by another profile is another content.
            mark = f"{source.content_hash}+{source.profile.fingerprint()}"
            source = replace(source, content_hash=mark)
        time = FileTime.of(source.path, self._written_at)
        if self._asked.told_at:
            time = replace(time, told_at=self._asked.told_at)
        # A list of machines in a telematics document is the least that can be told of them.
        source = source if source.lists_only else replace(source, time=time)
        earlier = self._earlier(source) if self._asked.told_at is None else None
        if earlier is not None and not earlier.rejected:
            return Ready(source, None, earlier)
        self._tables += 1
        table = f"checked_{self._tables}"
        self._tracker.stage("reading")
        order = self._asked.date_order or (source.profile.date_order if source.profile else None)
        checked = check(
            self._store,
            source,
            self._settings,
            self._now,
            table,
            order,
            again=lambda: self._tracker.stage("reading"),
            place=self._scratch() if source.bytes > LONG else "",
        )
        return Ready(source, checked, earlier)

    def _earlier(self, source: Source) -> Earlier | None:
        loads = self._store.execute(
            "SELECT file_id, rows_read, rows_rejected FROM source_file "
            "WHERE content_hash = $hash AND kind = $kind ORDER BY file_id",
            {"hash": source.content_hash, "kind": source.kind.name},
        )
        if not loads:
            return None
        return Earlier(tuple(load[0] for load in loads), loads[0][1], bool(loads[-1][2]))
