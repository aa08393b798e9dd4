"""Rows that files tell more than once: of what they tell differently, the latest telling holds.

A file tells of a moment (`FileTime`). Where two files contradict each other, the one that tells of the later
moment holds, column by column, in whatever order they are loaded. So of every row that is not told alike, all
tellings are kept, and the row is what the latest of them say of each column; of rows told alike it is enough
to know the latest two files that did. Both also tell what is left of a row when a load is taken back.
"""

from __future__ import annotations

import calendar
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import PurePath

from fleetlog.intake.sqltext import Bound, any_of, commas, compose
from fleetlog.store import Store
from fleetlog.store.connection import quoted
from fleetlog.store.dictionary import STORED_AS, Kind

_DAY_IN_NAME = re.compile(r"(?<!\d)(20\d\d)[-_.]?(0[1-9]|1[0-2])(?:[-_.]?(0[1-9]|[12]\d|3[01]))?(?!\d)")

_GOES_ON = {("work_orders", "status"): "open"}
"""What is meant to change: a column whose value of that word is no telling that another contradicts."""


@dataclass(frozen=True)
class FileTime:
    """Of which moment a file tells.

    Attributes:
        told_at: UTC: the end of the day or month in its name, where it has one, but never after it was written.
        written_at: UTC: when it was written last, as its folder or archive says.
        name: without folders; between files written at once the later name is the later telling.
    """

    told_at: datetime
    written_at: datetime
    name: str

    @classmethod
    def of(cls, where: str, written_at: datetime) -> FileTime:
        """Of a file as messages call it."""
        for part in reversed(where.split(" › ")):
            if found := _DAY_IN_NAME.search(PurePath(part).name):
                year, month = int(found[1]), int(found[2])
                last = calendar.monthrange(year, month)[1]
                day = min(int(found[3] or last), last)
                told_at = datetime(year, month, day, 23, 59, 59)
                return cls(min(told_at, written_at), written_at, PurePath(where).name)
        return cls(written_at, written_at, PurePath(where).name)


NO_TIME = FileTime(datetime(1970, 1, 1), datetime(1970, 1, 1), "")
"""Of what any other telling overrules."""


@dataclass(frozen=True)
class Settled:
    """What became of rows that the store had.

    Attributes:
        known: rows that it had just so, or whose newer telling stays.
        corrected: rows of which something changed.
        older: of the known ones, those that a newer file tells otherwise.
        overwritten: rows of which a value that was there is another now, beyond what is meant to go on.
        changes: how many of them, by column.
    """

    known: int
    corrected: int
    older: int
    overwritten: int
    changes: tuple[tuple[str, int], ...] = field(default=())


def key_json(kind: Kind, alias: str, bound: Bound) -> str:
    """The key of a row as JSON."""
    return _json([(bound(name), f"{alias}.{quoted(name)}") for name in kind.key])


def mark_of(key: str) -> str:
    """A number for a key, the same in every version of the engine."""
    return f"md5_number_lower({key})"


def _json(pairs: Sequence[tuple[str, str]]) -> str:
    return f"CAST(json_object({commas(f'{name}, {value}' for name, value in pairs)}) AS VARCHAR)"


def order_files(
    store: Store, file_id: int | None = None, time: FileTime | None = None, mark: str = ""
) -> None:
    """Makes the temporary table `file_order` (file_id, place): later tellings have the higher place.

    Args:
        store: a store open for writing.
        file_id: a file that is being loaded and not on record yet.
        time: of which moment it tells.
        mark: its content's hash.
    """
    one_more = "UNION ALL SELECT $file_id, $told_at, $written_at, $name, $mark" if time else ""
    store.execute(
        compose(
            """
            CREATE OR REPLACE TEMPORARY TABLE file_order AS
            SELECT file_id, row_number() OVER (ORDER BY told_at, written_at, name, mark, file_id) AS place
            FROM (SELECT s.file_id, coalesce(t.told_at, s.loaded_at) AS told_at,
                         coalesce(t.written_at, s.loaded_at) AS written_at, coalesce(t.name, '') AS name,
                         s.content_hash AS mark
                  FROM source_file AS s LEFT JOIN file_telling AS t ON t.file_id = s.file_id «more»)
            """,
            more=one_more,
        ),
        {
            "file_id": file_id,
            "told_at": time.told_at,
            "written_at": time.written_at,
            "name": time.name,
            "mark": mark,
        }
        if time
        else None,
    )


def fold(store: Store, kind: Kind, keys: str) -> None:
    """Makes the temporary table `folded`: row_key and what the latest tellings say of every column.

    Args:
        store: with `file_order` made.
        kind: of the rows.
        keys: a SELECT of the row_key of the rows.
    """
    bound = Bound()
    columns = [column for column in kind.columns if column.name not in kind.key]
    store.execute(
        compose(
            """
            CREATE OR REPLACE TEMPORARY TABLE folded AS
            SELECT row_key«columns» FROM telling JOIN file_order AS o USING (file_id)
            WHERE kind = «kind» AND row_key IN («keys») GROUP BY row_key
            """,
            columns="".join(
                compose(
                    ", CAST(last(json_extract_string(told, «path») ORDER BY o.place) "
                    "FILTER (json_exists(told, «path»)) AS «type») AS «name»",
                    path=bound(f"$.{column.name}"),
                    type=STORED_AS[column.type],
                    name=quoted(column.name),
                )
                for column in columns
            ),
            kind=bound(kind.name),
            keys=keys,
        ),
        bound.values,
    )


class Tellings:
    """The rows of one file that the store has already, on their way into it.

    Works on the temporary table `again` that `merge.Merge` makes: a row a key, with file_row and final_row (the
    first and last row of the key in the file), store_row, origin and origin_row (where the stored row came from),
    first_differs and differs (whether the first, and the last, say something else than the store), same_columns,
    row_key and mark.
    """

    def __init__(
        self, store: Store, kind: Kind, file_id: int, told: Sequence[str], table: str, row_no: str
    ) -> None:
        self._store = store
        self._kind = kind
        self._file = {"file_id": file_id, "kind": kind.name}
        self._told = told
        self._table = table
        self._row_no = row_no
        self._others = [column.name for column in kind.columns if column.name not in kind.key]

    def settle(self) -> Settled:
        """Takes the tellings in; the temporary table `settled` then holds the rows not told alike, old and new."""
        self._run(
            "CREATE OR REPLACE TEMPORARY TABLE not_alike AS SELECT * FROM again "
            "WHERE differs OR NOT same_columns OR row_key IN (SELECT row_key FROM telling WHERE kind = $kind)"
        )
        self._told_alike()
        self._run(
            "CREATE OR REPLACE TEMPORARY TABLE settled AS SELECT *, false AS changed FROM not_alike LIMIT 0"
        )
        if self._count("SELECT count(*) FROM not_alike"):
            self._told_otherwise()
        return self._counted()

    def drop(self) -> None:
        """Lets the temporary tables go."""
        for name in ("not_alike", "settled", "folded", "file_order"):
            self._run(compose("DROP TABLE IF EXISTS «name»", name=name))

    def _run(self, template: str, **parts: str) -> None:
        sql = compose(template, **parts)
        self._store.execute(sql, {name: value for name, value in self._file.items() if f"${name}" in sql})

    def _count(self, sql: str) -> int:
        return int(self._store.execute(sql)[0][0])

    def _told_alike(self) -> None:
        """Notes the file among the latest two that told a row as it is stored."""
        place = "(SELECT place FROM file_order WHERE file_id = $file_id)"
        self._run(
            compose(
                "CREATE OR REPLACE TEMPORARY TABLE alike AS SELECT a.mark, «row_no» AS row_no FROM again AS a "
                "JOIN «table» AS f ON f.rowid = a.final_row "
                "WHERE a.store_row NOT IN (SELECT store_row FROM not_alike)",
                row_no=self._row_no,
                table=quoted(self._table),
            )
        )
        self._run(
            "UPDATE told_again SET before_file = told_again.file_id, before_row = told_again.row_no, "
            "file_id = $file_id, row_no = r.row_no FROM alike AS r, file_order AS o WHERE told_again.kind = $kind "
            "AND told_again.mark = r.mark AND o.file_id = told_again.file_id AND o.place < «place»",
            place=place,
        )
        self._run(
            "UPDATE told_again SET before_file = $file_id, before_row = r.row_no FROM alike AS r "
            "WHERE told_again.kind = $kind AND told_again.mark = r.mark AND told_again.file_id <> $file_id "
            "AND (before_file IS NULL OR (SELECT place FROM file_order AS o WHERE o.file_id = before_file) < «place»)",
            place=place,
        )
        self._run(
            "INSERT INTO told_again SELECT $kind, mark, $file_id, row_no, NULL, NULL FROM alike AS r "
            "WHERE NOT EXISTS (SELECT 1 FROM told_again AS t WHERE t.kind = $kind AND t.mark = r.mark)"
        )
        self._run("DROP TABLE alike")

    def _told_otherwise(self) -> None:
        """Keeps every telling of the rows, and makes of them what the latest say."""
        self._first_tellings()
        bound = Bound("told_")
        self._store.execute(
            compose(
                "INSERT INTO telling SELECT «kind», a.row_key, «file_id», «row_no», «told» FROM not_alike AS a "
                "JOIN «table» AS f ON f.rowid = a.final_row",
                kind=bound(self._kind.name),
                file_id=bound(self._file["file_id"]),
                row_no=self._row_no,
                told=_json([(bound(name), f"f.{quoted(name)}") for name in self._told])
                if self._told
                else "'{}'",
                table=quoted(self._table),
            ),
            bound.values,
        )
        fold(self._store, self._kind, "SELECT row_key FROM not_alike")
        target = quoted(self._kind.name)
        self._run(
            """
            CREATE OR REPLACE TEMPORARY TABLE settled AS
            SELECT a.*, «row_no» AS new_row«values», «changed» AS changed
            FROM not_alike AS a JOIN «target» AS t ON t.rowid = a.store_row
            JOIN folded AS n ON n.row_key = a.row_key JOIN «table» AS f ON f.rowid = a.final_row
            """,
            row_no=self._row_no,
            values="".join(
                f", t.{quoted(name)} AS {quoted(f'old {name}')}, n.{quoted(name)} AS {quoted(f'new {name}')}"
                for name in self._others
            ),
            changed=any_of(f"t.{quoted(n)} IS DISTINCT FROM n.{quoted(n)}" for n in self._others),
            target=target,
            table=quoted(self._table),
        )
        if self._others:
            self._run(
                "UPDATE «target» AS t SET «values», file_id = $file_id, row_no = s.new_row FROM settled AS s "
                "WHERE s.changed AND s.store_row = t.rowid",
                target=target,
                values=commas(f"{quoted(n)} = s.{quoted(f'new {n}')}" for n in self._others),
            )

    def _first_tellings(self) -> None:
        """What the files before said of rows that were told alike so far."""
        self._run(
            "CREATE OR REPLACE TEMPORARY TABLE first_told AS SELECT * FROM not_alike "
            "WHERE row_key NOT IN (SELECT row_key FROM telling WHERE kind = $kind)"
        )
        for origin, told in self._store.execute(
            "SELECT DISTINCT origin, t.told FROM first_told LEFT JOIN file_telling AS t ON t.file_id = origin"
        ):
            names = (
                self._others if told is None else [name for name in self._others if name in told.split(",")]
            )
            bound = Bound("first_")
            self._store.execute(
                compose(
                    "INSERT INTO telling SELECT «kind», a.row_key, a.origin, a.origin_row, «told» FROM first_told AS a "
                    "JOIN «target» AS t ON t.rowid = a.store_row WHERE a.origin = «origin»",
                    kind=bound(self._kind.name),
                    told=_json([(bound(name), f"t.{quoted(name)}") for name in names]) if names else "'{}'",
                    target=quoted(self._kind.name),
                    origin=bound(origin),
                ),
                bound.values,
            )
        for file, row in (("file_id", "row_no"), ("before_file", "before_row")):
            self._run(
                "INSERT INTO telling SELECT $kind, a.row_key, x.«file», x.«row», t.told FROM first_told AS a "
                "JOIN told_again AS x ON x.kind = $kind AND x.mark = a.mark AND x.«file» IS NOT NULL "
                "JOIN telling AS t ON t.kind = $kind AND t.row_key = a.row_key AND t.file_id = a.origin",
                file=file,
                row=row,
            )
        self._run("DELETE FROM told_again WHERE kind = $kind AND mark IN (SELECT mark FROM first_told)")
        self._run("DROP TABLE first_told")

    def _counted(self) -> Settled:
        changed, older = self._store.execute(
            "SELECT count(*) FILTER (changed), count(*) FILTER (differs AND NOT changed) FROM settled"
        )[0]
        everything = self._count("SELECT count(*) FROM again")
        # Counted by the first row of a key: what the file itself says of it after that is counted there.
        corrected = self._count(
            "SELECT count(*) FROM again WHERE first_differs "
            "AND store_row NOT IN (SELECT store_row FROM settled WHERE differs AND NOT changed)"
        )
        overwritten, by_column = self._overwritten() if changed else (0, ())
        return Settled(everything - corrected, corrected, int(older), overwritten, by_column)

    def _overwritten(self) -> tuple[int, tuple[tuple[str, int], ...]]:
        bound = Bound()

        def other(name: str) -> str:
            old, new = quoted(f"old {name}"), quoted(f"new {name}")
            word = _GOES_ON.get((self._kind.name, name))
            goes_on = f" AND {old} <> {bound(word)}" if word else ""
            return f"{old} IS NOT NULL AND {new} IS DISTINCT FROM {old}{goes_on}"

        sql = compose(
            "SELECT count(*) FILTER («any») AS every«each» FROM settled",
            any=any_of(other(name) for name in self._others),
            each="".join(f", count(*) FILTER ({other(name)})" for name in self._others),
        )
        every, *each = self._store.execute(sql, bound.values)[0]
        return int(every), tuple((n, int(c)) for n, c in zip(self._others, each, strict=True) if c)
