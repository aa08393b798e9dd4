"""Taking a load back: rows that it brought go, rows that it corrected are again what the other files say."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

import polars as pl

from fleetlog.errors import UsageError
from fleetlog.intake.sqltext import Bound, any_of, commas, compose
from fleetlog.intake.tellings import fold, key_json, mark_of, order_files
from fleetlog.store import Store
from fleetlog.store.connection import quoted
from fleetlog.store.dictionary import KINDS, Kind


@dataclass(frozen=True)
class Undone:
    """What taking a load back did.

    Attributes:
        load_id: the load.
        files: tables that it had brought.
        removed: rows that are gone.
        restored: rows that have other values than before.
        kept: rows that it had brought first and that other files tell too.
    """

    load_id: int
    files: int
    removed: int
    restored: int
    kept: int


def loads_frame(store: Store) -> pl.DataFrame:
    """The loads in order.

    Returns:
        load_id, loaded_at (UTC), files (their names), rows_new, rows_corrected (as they were when it was loaded),
        undone_at (UTC, null = in force). Files loaded by a fleetlog that kept no loads are load 0.
    """
    return store.select(
        """
        SELECT load_id, loaded_at, files, rows_new, rows_corrected, undone_at FROM load_run
        UNION ALL
        SELECT 0, min(s.loaded_at), string_agg(DISTINCT regexp_extract(s.path, '[^/\\\\]*$'), ', '),
               CAST(sum(s.rows_new + s.rows_waiting) AS BIGINT), CAST(sum(s.rows_corrected) AS BIGINT), NULL
        FROM source_file AS s ANTI JOIN file_telling AS t ON t.file_id = s.file_id
        HAVING count(*) > 0
        ORDER BY 1
        """
    )


def undo_load(store: Store, load_id: int) -> Undone:
    """Takes a load back, all of it or, where that fails, nothing.

    Rows that only it told of go; of others the latest of the other tellings holds again. Its rejected rows go, and
    those that it had settled are open again. Its entries leave the change log. Its files can be loaded again.

    Raises:
        UsageError: when there is no such load, or it was taken back before.
    """
    with store.transaction():
        _refuse(store, load_id)
        store.execute(
            "CREATE OR REPLACE TEMPORARY TABLE undone_file AS "
            "SELECT file_id FROM file_telling WHERE load_id = $load_id",
            {"load_id": load_id},
        )
        files = int(store.execute("SELECT count(*) FROM undone_file")[0][0])
        order_files(store)
        store.execute(
            "CREATE OR REPLACE TEMPORARY TABLE heir (kind VARCHAR, row_key VARCHAR, file_id BIGINT, row_no BIGINT)"
        )
        done = [_Undo(store, kind).run() for kind in KINDS.values()]
        _hand_over(store)
        _change_log(store)
        for sql in (
            "DELETE FROM rejected_row WHERE file_id IN (FROM undone_file)",
            "UPDATE rejected_row SET resolved_by = NULL WHERE resolved_by IN (FROM undone_file)",
            "DELETE FROM source_file WHERE file_id IN (FROM undone_file)",
            "DELETE FROM file_telling WHERE file_id IN (FROM undone_file)",
        ):
            store.execute(sql)
        store.execute(
            "UPDATE load_run SET undone_at = $now WHERE load_id = $load_id",
            {"now": datetime.now(UTC).replace(tzinfo=None), "load_id": load_id},
        )
        for table in ("undone_file", "heir", "file_order"):
            store.execute(compose("DROP TABLE IF EXISTS «table»", table=table))
    removed, restored, kept = (sum(counts) for counts in zip(*done, strict=True))
    return Undone(load_id, files, removed, restored, kept)


def _refuse(store: Store, load_id: int) -> None:
    found = store.execute("SELECT undone_at FROM load_run WHERE load_id = $id", {"id": load_id})
    if not found:
        raise UsageError(f"There is no load {load_id} that can be taken back; 'fleetlog loads' lists them.")
    if found[0][0] is not None:
        raise UsageError(f"Load {load_id} was taken back already, {found[0][0]:%Y-%m-%d %H:%M} UTC.")


class _Undo:
    """The rows of one kind."""

    def __init__(self, store: Store, kind: Kind) -> None:
        self._store = store
        self._kind = kind
        self._target = quoted(kind.name)
        self._others = [column.name for column in kind.columns if column.name not in kind.key]

    def run(self) -> tuple[int, int, int]:
        """How many rows were removed, restored, kept under another file."""
        removed, restored = self._told_otherwise()
        gone, kept = self._told_alike()
        return removed + gone, restored, kept

    def _run(self, template: str, **parts: str) -> list[tuple[int, ...]]:
        sql = compose(template, target=self._target, **parts)
        return self._store.execute(sql, {"kind": self._kind.name} if "$kind" in sql else None)

    def _told_otherwise(self) -> tuple[int, int]:
        """Rows of which all tellings are kept: what the others say."""
        self._run(
            "CREATE OR REPLACE TEMPORARY TABLE told_by_it AS SELECT DISTINCT row_key FROM telling "
            "WHERE kind = $kind AND file_id IN (FROM undone_file)"
        )
        if not self._run("SELECT 1 FROM told_by_it LIMIT 1"):
            return 0, 0
        self._run(
            "CREATE OR REPLACE TEMPORARY TABLE first_teller AS SELECT row_key, min(file_id) AS file_id FROM telling "
            "WHERE kind = $kind AND row_key IN (FROM told_by_it) GROUP BY row_key"
        )
        self._run("DELETE FROM telling WHERE kind = $kind AND file_id IN (FROM undone_file)")
        # Who tells a row first has it in its book; that goes over to the first of the others.
        self._run(
            "INSERT INTO heir SELECT $kind, t.row_key, min(t.file_id), NULL FROM telling AS t "
            "JOIN first_teller AS f ON f.row_key = t.row_key AND f.file_id IN (FROM undone_file) "
            "WHERE t.kind = $kind GROUP BY t.row_key"
        )
        fold(self._store, self._kind, "SELECT row_key FROM told_by_it")
        bound = Bound()
        key = key_json(self._kind, "t", bound)
        self._store.execute(
            compose(
                """
                CREATE OR REPLACE TEMPORARY TABLE undoing AS
                SELECT t.rowid AS store_row, k.row_key, l.row_key IS NULL AS gone, l.file_id, l.row_no
                FROM «target» AS t JOIN told_by_it AS k ON k.row_key = «key»
                LEFT JOIN (SELECT row_key, last(file_id ORDER BY place) AS file_id,
                                  last(row_no ORDER BY place) AS row_no
                           FROM telling JOIN file_order USING (file_id) WHERE kind = «kind» GROUP BY row_key) AS l
                    ON l.row_key = k.row_key
                """,
                target=self._target,
                key=key,
                kind=bound(self._kind.name),
            ),
            bound.values,
        )
        restored = self._run(
            "SELECT count(*) FROM «target» AS t JOIN undoing AS u ON u.store_row = t.rowid "
            "JOIN folded AS n ON n.row_key = u.row_key WHERE «other»",
            other=any_of(f"t.{quoted(n)} IS DISTINCT FROM n.{quoted(n)}" for n in self._others),
        )[0][0]
        if self._others:
            self._run(
                "UPDATE «target» AS t SET «values», file_id = u.file_id, row_no = u.row_no "
                "FROM undoing AS u JOIN folded AS n ON n.row_key = u.row_key WHERE u.store_row = t.rowid",
                values=commas(f"{quoted(n)} = n.{quoted(n)}" for n in self._others),
            )
        removed = self._run("SELECT count(*) FROM undoing WHERE gone")[0][0]
        self._run("DELETE FROM «target» WHERE rowid IN (SELECT store_row FROM undoing WHERE gone)")
        return removed, restored

    def _told_alike(self) -> tuple[int, int]:
        """Rows that no file tells otherwise: they stay where another told them too."""
        self._run(
            "UPDATE told_again SET file_id = before_file, row_no = before_row, before_file = NULL, before_row = NULL "
            "WHERE kind = $kind AND file_id IN (FROM undone_file) AND before_file IS NOT NULL"
        )
        self._run("DELETE FROM told_again WHERE kind = $kind AND file_id IN (FROM undone_file)")
        self._run(
            "UPDATE told_again SET before_file = NULL, before_row = NULL "
            "WHERE kind = $kind AND before_file IN (FROM undone_file)"
        )
        if not self._run("SELECT 1 FROM «target» WHERE file_id IN (FROM undone_file) LIMIT 1"):
            return 0, 0
        bound = Bound()
        key = key_json(self._kind, "t", bound)
        self._store.execute(
            compose(
                """
                CREATE OR REPLACE TEMPORARY TABLE undoing AS
                SELECT k.*, a.file_id, a.row_no
                FROM (SELECT t.rowid AS store_row, «key» AS row_key, «mark» AS mark FROM «target» AS t
                      WHERE t.file_id IN (FROM undone_file)) AS k
                LEFT JOIN told_again AS a ON a.kind = «kind» AND a.mark = k.mark
                """,
                key=key,
                mark=mark_of(key),
                target=self._target,
                kind=bound(self._kind.name),
            ),
            bound.values,
        )
        self._run(
            "INSERT INTO heir SELECT $kind, row_key, file_id, row_no FROM undoing WHERE file_id IS NOT NULL"
        )
        # The last of the others is its file from now on; the one before stays noted.
        self._run(
            "UPDATE told_again SET file_id = before_file, row_no = before_row, before_file = NULL, before_row = NULL "
            "WHERE kind = $kind AND mark IN (SELECT mark FROM undoing)"
            " AND before_file IS NOT NULL"
        )
        self._run(
            "DELETE FROM told_again WHERE kind = $kind AND EXISTS (SELECT 1 FROM undoing AS u "
            "WHERE u.mark = told_again.mark AND u.file_id = told_again.file_id)"
        )
        self._run(
            "UPDATE «target» AS t SET file_id = u.file_id, row_no = u.row_no FROM undoing AS u "
            "WHERE u.store_row = t.rowid AND u.file_id IS NOT NULL"
        )
        self._run("DELETE FROM «target» WHERE rowid IN (SELECT store_row FROM undoing WHERE file_id IS NULL)")
        gone, kept = self._store.execute(
            "SELECT count(*) FILTER (file_id IS NULL), count(*) FILTER (file_id IS NOT NULL) FROM undoing"
        )[0]
        return int(gone), int(kept)


def _hand_over(store: Store) -> None:
    """Rows that stay under another file count as that file's new ones, no longer as known or corrected."""
    store.execute(
        """
        UPDATE source_file SET rows_new = rows_new + h.rows, rows_corrected = rows_corrected - h.corrected,
                               rows_known = rows_known - (h.rows - h.corrected)
        FROM (SELECT h.file_id, count(*) AS rows, count(l.row_key) AS corrected
              FROM heir AS h
              LEFT JOIN (SELECT DISTINCT kind, row_key, new_file_id FROM change_log) AS l
                  ON l.kind = h.kind AND l.row_key = h.row_key AND l.new_file_id = h.file_id
              GROUP BY h.file_id) AS h
        WHERE source_file.file_id = h.file_id
        """
    )


def _change_log(store: Store) -> None:
    """Takes the load's changes out; a later change of the same row then follows on what was before them."""
    removed = (
        "CREATE OR REPLACE TEMPORARY TABLE removed_change AS SELECT kind, row_key, "
        "first(old_row ORDER BY new_file_id, new_row_no) AS old_row, "
        "first(old_file_id ORDER BY new_file_id, new_row_no) AS old_file_id, "
        "first(old_row_no ORDER BY new_file_id, new_row_no) AS old_row_no "
        "FROM change_log WHERE new_file_id IN (FROM undone_file) GROUP BY kind, row_key"
    )
    store.execute(removed)
    store.execute("DELETE FROM change_log WHERE new_file_id IN (FROM undone_file)")
    store.execute(
        "UPDATE change_log SET old_row = r.old_row, old_file_id = r.old_file_id, old_row_no = r.old_row_no "
        "FROM removed_change AS r WHERE change_log.kind = r.kind AND change_log.row_key = r.row_key "
        "AND change_log.old_file_id IN (FROM undone_file)"
    )
    # What is left changed a row that the load had brought: now that is its first telling.
    store.execute("DELETE FROM change_log WHERE old_file_id IN (FROM undone_file)")
    store.execute("DROP TABLE removed_change")
