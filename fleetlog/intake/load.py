"""Loading: files and folders in, one transaction a table, one result a table out."""

from __future__ import annotations

import glob
import os
import re
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

from fleetlog.errors import InputFileError, StoreError, UsageError, first_line
from fleetlog.intake.checks import Checked
from fleetlog.intake.contract import (
    FileResult,
    IntakeSettings,
    LoadResult,
    PlainSettings,
    ProgressCallback,
)
from fleetlog.intake.dateforms import ORDERS
from fleetlog.intake.header import LoadOptions, MadeHereError, NoTableError
from fleetlog.intake.merge import Merge, parent_of
from fleetlog.intake.profiles.profile import Profile
from fleetlog.intake.progress import ProgressTracker
from fleetlog.intake.reading import TABLE_ENDINGS, Earlier, Reader, Ready, is_note
from fleetlog.intake.rejects import (
    count_still_rejected,
    keep_rejected,
    look_alikes,
    resolve,
    resolve_read_otherwise,
    resolve_rows,
    worth_another_try,
)
from fleetlog.intake.source import Source
from fleetlog.intake.sqltext import compose
from fleetlog.store import DatabaseError, Store
from fleetlog.store.connection import quoted
from fleetlog.store.dictionary import KINDS, kind_named
from fleetlog.store.engine import memory_limit
from fleetlog.store.scratch import scratch

MOST_MEMORY = 3 << 30
"""Bytes that the engine may hold while it loads; what takes more waits on the disk."""


def load_paths(
    store: Store,
    paths: Sequence[Path | str],
    *,
    settings: IntakeSettings | None = None,
    kind: str | None = None,
    profiles: Sequence[Profile] = (),
    date_order: str | None = None,
    machine: str | None = None,
    machine_from: str | None = None,
    check_only: bool = False,
    newest: bool = False,
    load_id: int | None = None,
    now: datetime | None = None,
    progress: ProgressCallback | None = None,
) -> LoadResult:
    """Loads files and folders into a store.

    Each table is all or nothing: a load that is killed or fails leaves the store without any of it. A refused
    file does not stop the others. Files of a folder are read in the order of their names; what is no table
    there is passed over with a note.

    Args:
        store: a store open for writing.
        paths: files, folders or patterns.
        settings: the fleet's time zone and its own words; UTC and none where left out.
        kind: read every file as this kind, whatever its columns suggest.
        profiles: mapping profiles, each used on the files that fit it.
        date_order: "day" or "month": what comes first in dates such as 05/06/2024; None finds out per file,
            and refuses a file that does not show it.
        machine: the machine of telematics pages that name none.
        machine_from: a pattern with a group "machine" by which the names of such pages tell it.
        check_only: say what a load would do, and change nothing.
        newest: take the files for the newest telling, whatever their names and folders say of their time.
        load_id: the load that the files belong to, where it has begun already; None begins one.
        now: the moment after which dates lie in the future, UTC (tests give one).
        progress: called before each file, now and then while a long one is read, and at the end.

    Returns:
        One result a table, in the order of reading.

    Raises:
        UsageError: for a kind or a time zone that does not exist.
        StoreError: when the store cannot be written.
    """
    settings = settings or PlainSettings()
    _refuse_unknown(store, settings.time_zone, kind)
    if date_order not in (None, *ORDERS):
        raise UsageError(f"'{date_order}' is no date order; write one of {', '.join(ORDERS)}.")
    _refuse_pattern(machine_from)
    clock = datetime.now(UTC).replace(tzinfo=None)
    told_at = clock if newest else None
    asked = LoadOptions(kind, tuple(profiles), date_order, machine, machine_from, told_at)
    wanted = list(_expand(paths))
    tracker = ProgressTracker(progress, [_size(item.path) for item in wanted])
    now = now or clock
    if load_id is None:
        load_id = int(store.execute("SELECT coalesce(max(load_id), 0) + 1 FROM load_run")[0][0])
    with memory_limit(store, MOST_MEMORY), tracker.watch(store), scratch(store) as place:
        load = _Load(store, settings, asked, check_only, load_id, now, tracker, place)
        for i, item in enumerate(wanted):
            tracker.file(i, str(item.path), load.rows_done)
            load.file(item)
        result = load.finish()
    tracker.end(load.rows_done)
    return replace(result, load_id=load_id)


def _refuse_unknown(store: Store, zone: str, kind: str | None) -> None:
    if kind is not None:
        kind_named(kind)
    if not store.execute("SELECT 1 FROM pg_timezone_names() WHERE name = $zone LIMIT 1", {"zone": zone}):
        raise UsageError(f"'{zone}' is no time zone; write one such as 'UTC' or 'America/Denver'.")


def _refuse_pattern(pattern: str | None) -> None:
    if pattern is None:
        return
    try:
        has_group = "machine" in re.compile(pattern).groupindex
    except re.error as error:
        raise UsageError(
            f"'{pattern}' is no pattern ({error}); write one such as '(?P<machine>.+)_faults'."
        ) from error
    if not has_group:
        raise UsageError(
            f"'{pattern}' has no group 'machine'; write a pattern such as '(?P<machine>.+)_faults'."
        )


@dataclass(frozen=True)
class _Wanted:
    path: Path
    named: bool  # by the user, not found in a folder
    refused: str | None = None
    note: str | None = None


def _expand(paths: Sequence[Path | str]) -> Iterator[_Wanted]:
    for given in paths:
        path = Path(given)
        if path.is_dir():
            yield from _inside(path)
        elif path.exists():
            yield _Wanted(path, True)
        elif glob.has_magic(str(given)) and (matches := sorted(glob.glob(str(given)))):
            for match in map(Path, matches):
                yield from _inside(match) if match.is_dir() else (_Wanted(match, True),)
        else:
            yield _Wanted(path, True, refused=f"{path} does not exist; check the name.")


def _inside(folder: Path) -> Iterator[_Wanted]:
    """What lies in a folder and in the folders within it, hidden ones aside; links to folders are not followed."""
    # Telematics documents come last: they find their machines by the lists that a yard keeps.
    for path in sorted(_files(folder), key=lambda path: (path.suffix.lower() in (".xml", ".json"), path)):
        if path.suffix.lower() not in TABLE_ENDINGS:
            yield _Wanted(path, False, note="passed over: no table")
        else:
            yield _Wanted(path, False)


def _files(folder: Path) -> Iterator[Path]:
    for place, folders, names in os.walk(folder):
        folders[:] = [name for name in folders if not name.startswith(".")]  # where the walk goes on
        yield from (Path(place) / name for name in names if not name.startswith("."))


def _size(path: Path) -> int:
    try:
        return path.stat().st_size if path.is_file() else 0
    except OSError:
        return 0


class _Load:
    """One load: holds what has been read until it is merged, and the results."""

    def __init__(
        self,
        store: Store,
        settings: IntakeSettings,
        asked: LoadOptions,
        check_only: bool,
        load_id: int,
        now: datetime,
        tracker: ProgressTracker,
        scratch: Callable[[], str],
    ) -> None:
        self.store = store
        self._tracker = tracker
        self.check_only = check_only
        self._load_id = load_id
        self.rows_done = 0
        self._results: list[FileResult | Ready] = []
        self._file_ids: dict[int, int] = {}  # place in the results -> file_id
        self._reader = Reader(store, settings, asked, now, tracker, scratch)

    def file(self, item: _Wanted) -> None:
        """Reads one file; merges it too, unless this load only checks."""
        where = str(item.path)
        if item.note:
            self._results.append(FileResult(where, notes=(item.note,)))
            return
        if item.refused:
            self._results.append(FileResult(where, refused=item.refused))
            return
        try:
            for group in self._reader.groups(item.path, where):
                self._group(group, where)
        except InputFileError as error:
            if isinstance(error, MadeHereError) and not item.named:
                self._results.append(FileResult(where, notes=(f"passed over: {error}",)))
            elif isinstance(error, NoTableError) and not item.named and is_note(where):
                self._results.append(FileResult(where, notes=("passed over: no table",)))
            else:
                self._results.append(FileResult(where, refused=str(error)))

    def _group(self, group: Sequence[Ready | FileResult], where: str) -> None:
        """Merges the tables that stand or fall together: those of one file."""
        self.rows_done += sum(one.checked.rows for one in group if isinstance(one, Ready) and one.checked)
        if self.check_only:
            self._results += group
            return
        merged: list[tuple[int | None, FileResult]] = []
        with self._write(where):
            for one in group:
                merged.append(self._merge(one) if isinstance(one, Ready) else (None, one))
        for file_id, result in merged:
            if file_id is not None:
                self._file_ids[len(self._results)] = file_id
            self._results.append(result)
        for one in group:
            if isinstance(one, Ready):
                self._reader.drop(one)

    @contextmanager
    def _write(self, where: str) -> Iterator[None]:
        """The transaction of one file; a failure to write is told in one sentence."""
        try:
            with self.store.transaction():
                yield
        except DatabaseError as error:
            raise StoreError(
                f"{where} could not be stored ({first_line(error)}); nothing of it was loaded, the store is as it was."
            ) from error

    def finish(self) -> LoadResult:
        """The results; rows that waited for a file of the same load have found it by now."""
        if self.check_only:
            return LoadResult(self._rehearse())
        return LoadResult(tuple(self._settle()))

    def _rehearse(self) -> tuple[FileResult, ...]:
        """Merges everything in one transaction, takes the results, and rolls it back."""

        class _Done(Exception):
            pass

        held = [(i, ready) for i, ready in enumerate(self._results) if isinstance(ready, Ready)]
        results: tuple[FileResult, ...] = ()
        try:
            with self.store.transaction():
                for i, ready in held:
                    self._file_ids[i], self._results[i] = self._merge(ready)
                results = tuple(self._settle())
                raise _Done
        except _Done:
            return results
        finally:
            for _, ready in held:
                self._reader.drop(ready)

    def _settle(self) -> Iterator[FileResult]:
        lacking = self._pages_lacking()
        for i, result in enumerate(self._results):
            assert isinstance(result, FileResult)
            if result.path in lacking:
                result = replace(result, notes=(*result.notes, lacking[result.path]))
            if result.kind == "machines" and result.new:
                notes = (*result.notes, *self._looks_like(result.kind, self._file_ids[i]))
                result = replace(result, notes=notes)
            if not result.waiting or result.kind is None:
                yield result
                continue
            still = min(result.waiting, self._still_waiting(result.kind, self._file_ids[i]))
            notes = (
                (*result.notes, *self._looks_like(result.kind, self._file_ids[i])) if still else result.notes
            )
            yield replace(result, waiting=still, new=result.new + result.waiting - still, notes=notes)

    def _looks_like(self, kind: str, file_id: int) -> list[str]:
        """Which machines on the list those look like that a file brings, or that its rows wait for."""
        of_list = kind == "machines"
        if not of_list and (parent_of(KINDS[kind]) or ("", ""))[1] != "machine_id":
            return []
        asked = self.store.execute(
            compose(
                "SELECT DISTINCT r.machine_id FROM «kind» AS r «waiting» WHERE r.file_id = $file_id "
                "ORDER BY 1 LIMIT 1000",
                kind=quoted(kind),
                waiting="" if of_list else "ANTI JOIN machines AS m USING (machine_id)",
            ),
            {"file_id": file_id},
        )
        alike = look_alikes(self.store, [row[0] for row in asked])
        if not alike:
            return []
        shown = ", ".join(f"'{machine}' looks like '{other}'" for machine, other in list(alike.items())[:5])
        more = f" and {len(alike) - 5} more" if len(alike) > 5 else ""
        which = (
            "machines that may stand on the list twice" if of_list else "machines that are not on the list"
        )
        return [f"{which}: {shown}{more}"]

    def _pages_lacking(self) -> dict[str, str]:
        """Pages whose next one is not among the files of this load, and what to say of it."""
        here = {page.this for page in self._reader.pages}
        return {
            page.where: f"the next page '{page.next}' is not among the files loaded"
            for page in self._reader.pages
            if page.next and page.next not in here
        }

    def _still_waiting(self, kind: str, file_id: int) -> int:
        table, column = parent_of(KINDS[kind]) or ("", "")
        return int(
            self.store.execute(
                compose(
                    "SELECT count(*) FROM «kind» AS r ANTI JOIN «parent» AS p ON p.«column» = r.«column» "
                    "WHERE r.file_id = $file_id",
                    kind=quoted(kind),
                    parent=quoted(table),
                    column=quoted(column),
                ),
                {"file_id": file_id},
            )[0][0]
        )

    # Merging: inside the transaction.

    def _merge(self, ready: Ready) -> tuple[int, FileResult]:
        file_id = next_file(self.store)
        result = FileResult(ready.source.path, ready.source.kind.name, notes=ready.source.notes)
        if ready.earlier is not None:
            result = replace(result, notes=("loaded before", *result.notes))
        if ready.checked is None:
            rows = ready.earlier.rows if ready.earlier else 0
            result = replace(result, rows=rows, known=rows)
        elif ready.earlier is not None:
            result = self._merge_again(ready.checked, ready.earlier, file_id, result)
        else:
            merged = Merge(self.store, ready.checked, file_id, self._tracker.stage).run()
            keep_rejected(self.store, ready.checked, file_id)
            resolve(self.store, ready.checked, file_id)
            if ready.source.profile is not None:
                resolve_read_otherwise(self.store, ready.checked, file_id)
            result = replace(
                result,
                rows=ready.checked.rows,
                rejected=ready.checked.rejected,
                **asdict(merged),
                notes=ready.checked.notes,
            )
        if result.older:
            note = f"rows that a newer file tells otherwise, which stays: {result.older:,}"
            result = replace(result, notes=(*result.notes, note))
        self._record(file_id, ready.source, result)
        return file_id, result

    def _merge_again(
        self, checked: Checked, earlier: Earlier, file_id: int, result: FileResult
    ) -> FileResult:
        """A file loaded before, some of whose rows were rejected: with other settings they may pass now."""
        part = worth_another_try(self.store, checked, earlier.file_ids, f"{checked.table}_part")
        merged = Merge(self.store, part, file_id, self._tracker.stage).run()
        resolve_rows(self.store, part, earlier.file_ids, file_id)
        self.store.execute(compose("DROP TABLE «part»", part=quoted(part.table)))
        rejected = count_still_rejected(self.store, checked, earlier.file_ids)
        return replace(
            result,
            rows=checked.rows,
            new=merged.new,
            known=checked.rows - rejected - merged.new - merged.corrected - merged.waiting,
            corrected=merged.corrected,
            rejected=rejected,
            waiting=merged.waiting,
            older=merged.older,
            overwritten=merged.overwritten,
            changes=merged.changes,
        )

    def _record(self, file_id: int, source: Source, result: FileResult) -> None:
        self.store.execute(
            """
            INSERT INTO source_file VALUES ($file_id, $path, $kind, $hash, $bytes, $now, $rows, $new, $known,
                                            $corrected, $rejected, $waiting)
            """,
            {
                "file_id": file_id,
                "path": source.path,
                "kind": source.kind.name,
                "hash": source.content_hash,
                "bytes": source.bytes,
                "now": datetime.now(UTC).replace(tzinfo=None),
                "rows": result.rows,
                "new": result.new,
                "known": result.known,
                "corrected": result.corrected,
                "rejected": result.rejected,
                "waiting": result.waiting,
            },
        )
        told = [c.name for c in source.kind.columns if source.cell(c.name) and c.name not in source.kind.key]
        self.store.execute(
            "INSERT INTO file_telling VALUES ($file_id, $load_id, $told_at, $written_at, $name, $told)",
            {"file_id": file_id, "load_id": self._load_id, "told": ",".join(told), **asdict(source.time)},
        )
        load = {"load_id": self._load_id}
        self.store.execute("DELETE FROM load_run WHERE load_id = $load_id", load)
        self.store.execute(
            """
            INSERT INTO load_run
            SELECT $load_id, min(s.loaded_at), max(s.file_id),
                   string_agg(DISTINCT t.name, ', ' ORDER BY t.name), sum(s.rows_new + s.rows_waiting),
                   sum(s.rows_corrected), NULL
            FROM source_file AS s JOIN file_telling AS t ON t.file_id = s.file_id WHERE t.load_id = $load_id
            """,
            load,
        )


def next_file(store: Store) -> int:
    """The number of the next file; that of a file whose load was taken back is not given out again."""
    return int(
        store.execute(
            "SELECT greatest((SELECT coalesce(max(file_id), 0) FROM source_file), "
            "(SELECT coalesce(max(last_file), 0) FROM load_run)) + 1"
        )[0][0]
    )


__all__ = ["load_paths"]
