"""Rows that failed a check and rows that wait: kept, listed, written out to be corrected, and resolved."""

from __future__ import annotations

import codecs
import json
import re
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import polars as pl

from fleetlog.errors import UsageError
from fleetlog.intake.checks import Checked
from fleetlog.intake.merge import Merge, parent_of
from fleetlog.intake.names import REJECT_ID, REJECT_REASON
from fleetlog.intake.sqltext import Bound, all_of, commas, compose
from fleetlog.outfile import write_file
from fleetlog.store import Store
from fleetlog.store.connection import quoted
from fleetlog.store.dictionary import KINDS, kind_named
from fleetlog.tables import ending_of, table_bytes


def rejected_frame(store: Store, kind: str | None = None) -> pl.DataFrame:
    """The rows that are still rejected, in the order of loading.

    Returns:
        reject_id, kind, file, row_no (1 = first row below the header), column, value, reason.
    """
    return store.select(
        """
        SELECT r.reject_id, r.kind, f.path AS file, r.row_no, r.column_name AS "column", r.value, r.reason
        FROM rejected_row AS r LEFT JOIN source_file AS f ON f.file_id = r.file_id
        WHERE r.resolved_by IS NULL AND ($kind IS NULL OR r.kind = $kind)
        ORDER BY r.reject_id
        """,
        {"kind": _kind(kind)},
    )


def waiting_frame(store: Store, kind: str | None = None) -> pl.DataFrame:
    """The stored rows that wait for their machine or work order.

    Returns:
        kind, file, row_no, column, value, reason; ordered by kind, file and row.
    """
    chosen = [k for k in KINDS.values() if parent_of(k) is not None and kind in (None, k.name)]
    _kind(kind)
    frames = []
    for each in chosen:
        table, column = parent_of(each) or ("", "")
        frames.append(
            store.select(
                compose(
                    """
                    SELECT $kind AS kind, s.path AS file, r.row_no, $column AS "column", r.«column» AS value,
                           concat($what, ' ''', r.«column», ''' is not in the ', $list, ' yet') AS reason
                    FROM «table» AS r ANTI JOIN «parent» AS p ON p.«column» = r.«column»
                    LEFT JOIN source_file AS s ON s.file_id = r.file_id
                    ORDER BY r.file_id, r.row_no
                    """,
                    column=quoted(column),
                    table=quoted(each.name),
                    parent=quoted(table),
                ),
                {
                    "kind": each.name,
                    "column": column,
                    "what": "machine" if table == "machines" else "work order",
                    "list": "machine list" if table == "machines" else "work orders",
                },
            )
        )
    if not frames:
        schema = {"kind": pl.String, "file": pl.String, "row_no": pl.Int64, "column": pl.String}
        return pl.DataFrame(schema=schema | {"value": pl.String, "reason": pl.String})
    return _with_likeness(store, pl.concat(frames))


def _with_likeness(store: Store, waiting: pl.DataFrame) -> pl.DataFrame:
    """Says of machines that are not on the list which one on it they look like."""
    asked = waiting.filter(pl.col("column") == "machine_id")["value"].unique().to_list()
    alike = look_alikes(store, asked)
    found = pl.col("value").replace_strict(alike, default=None, return_dtype=pl.String)
    hint = pl.format("; looks like '{}': write it so, or put it on the list", found)
    machine = pl.col("column") == "machine_id"
    return waiting.with_columns(
        pl.concat_str("reason", pl.when(machine).then(hint).otherwise(None), ignore_nulls=True)
    )


def look_alikes(store: Store, machine_ids: Sequence[str]) -> dict[str, str]:
    """Of some machines those that another one on the list looks like: 0037, M37 and "37 " like 37.

    Case, marks, blanks and leading zeros are looked past, and letters before the number where only one has them.
    """
    if not machine_ids:
        return {}
    listed = [str(row[0]) for row in store.execute("SELECT machine_id FROM machines ORDER BY 1")]
    known: dict[str, list[tuple[str, str]]] = {}
    for machine in listed:
        letters, rest = _parts(machine)
        known.setdefault(rest, []).append((letters, machine))
    found = {}
    for machine in machine_ids:
        letters, rest = _parts(machine)
        same = [(own, other) for own, other in known.get(rest, ()) if other != machine]
        near = [other for own, other in same if own == letters or not own or not letters]
        if len(near) == 1:
            found[machine] = near[0]
    return found


def _parts(machine: str) -> tuple[str, str]:
    """Letters in front, and what follows without leading zeros."""
    plain = re.sub(r"[\W_]+", "", machine).lower()
    letters = re.match(r"[^\d]*", plain)
    front = letters[0] if letters else ""
    return front, plain[len(front) :].lstrip("0")


def _kind(kind: str | None) -> str | None:
    return kind_named(kind).name if kind is not None else None


def write_rejects(store: Store, path: Path, kind: str | None = None) -> int:
    """Writes the rejected rows of one kind as a file that can be corrected and loaded again.

    The columns are those of the rows as they stood, then reject_id and reject_reason. Cells that a
    spreadsheet would take for a formula get an apostrophe in front; loading takes it off again.

    Args:
        path: the file to write.
        kind: which kind; may be left out when only one kind has rejected rows.

    Returns:
        How many rows were written.

    Raises:
        UsageError: when several kinds have rejected rows and none was named, or none has any; for an unknown
            ending, or where the file cannot be written.
    """
    rows = store.execute(
        "SELECT reject_id, kind, reason, raw FROM rejected_row WHERE resolved_by IS NULL "
        "AND ($kind IS NULL OR kind = $kind) ORDER BY reject_id",
        {"kind": _kind(kind)},
    )
    kinds = sorted({row[1] for row in rows})
    if not rows:
        raise UsageError("There are no rejected rows to write" + (f" of kind {kind}." if kind else "."))
    if len(kinds) > 1:
        raise UsageError(f"Rejected rows are of several kinds ({', '.join(kinds)}); name one, a file each.")
    raws = [json.loads(row[3]) for row in rows]
    headings = _headings(kinds[0], raws)
    frame = pl.DataFrame(
        {
            **{
                heading: pl.Series([raw.get(heading) or None for raw in raws], dtype=pl.String)
                for heading in headings
            },
            REJECT_ID: [row[0] for row in rows],
            REJECT_REASON: [row[2] for row in rows],
        }
    )
    ending = ending_of(path)
    mark = codecs.BOM_UTF8 if ending == ".csv" else b""  # or a spreadsheet would not know the letters
    write_file(path, mark + table_bytes(frame, ending))
    return len(rows)


def _headings(kind: str, raws: Sequence[dict[str, str | None]]) -> list[str]:
    """The kind's columns in the dictionary's order as far as they occur or are required, then others."""
    seen = dict.fromkeys(name for raw in raws for name in raw)
    known = [c.name for c in KINDS[kind].columns if c.name in seen or c.required]
    return known + [name for name in seen if name not in known]


def keep_rejected(store: Store, checked: Checked, file_id: int) -> None:
    """Stores the rows that failed, but none that stands among the rejected rows already.

    A row that comes from a file of corrected rows and fails again replaces the one it stands for. An export
    that grows from month to month brings the same bad row each time; it is listed once.
    """
    if not checked.rejected:
        return
    kind = checked.source.kind.name
    corrected = checked.source.extra(REJECT_ID) is not None
    if corrected:
        store.execute(
            compose(
                """
                UPDATE rejected_row
                SET column_name = p.column_name, value = p.value, reason = p.problem, raw = p.raw
                FROM (SELECT * FROM «problems»
                      QUALIFY row_number() OVER (PARTITION BY reject_id ORDER BY file_row DESC) = 1) AS p
                WHERE rejected_row.reject_id = p.reject_id AND kind = $kind AND resolved_by IS NULL
                """,
                problems=quoted(checked.problems),
            ),
            {"kind": kind},
        )
    stands_for = (
        "EXISTS (SELECT 1 FROM rejected_row AS r WHERE r.reject_id = p.reject_id AND r.kind = $kind "
        "AND r.resolved_by IS NULL)"
    )
    store.execute(
        compose(
            """
            INSERT INTO rejected_row
            SELECT (SELECT coalesce(max(reject_id), 0) FROM rejected_row)
                       + row_number() OVER (ORDER BY p.file_row),
                   $file_id, p.row_no, $kind, p.column_name, p.value, p.problem, p.raw, NULL
            FROM «problems» AS p
            WHERE NOT («stands_for»)
              AND NOT EXISTS (SELECT 1 FROM rejected_row AS r
                              WHERE r.kind = $kind AND r.resolved_by IS NULL AND r.raw = p.raw)
            """,
            problems=quoted(checked.problems),
            stands_for=stands_for if corrected else "false",
        ),
        {"file_id": file_id, "kind": kind},
    )


def resolve(store: Store, checked: Checked, file_id: int) -> None:
    """Marks the rejected rows that good rows of a file of corrected rows stand for."""
    if checked.source.extra(REJECT_ID) is None:
        return
    store.execute(
        compose(
            """
            UPDATE rejected_row SET resolved_by = $file_id
            WHERE kind = $kind AND resolved_by IS NULL
              AND reject_id IN (SELECT reject_id FROM «table» WHERE NOT bad)
            """,
            table=quoted(checked.table),
        ),
        {"file_id": file_id, "kind": checked.source.kind.name},
    )


def resolve_read_otherwise(store: Store, checked: Checked, file_id: int) -> None:
    """Marks rejected rows of the same file, read by another mapping profile or none, that are good now."""
    store.execute(
        compose(
            """
            UPDATE rejected_row SET resolved_by = $file_id
            WHERE kind = $kind AND resolved_by IS NULL AND file_id <> $file_id
              AND file_id IN (SELECT f.file_id FROM source_file AS f
                              WHERE split_part(f.content_hash, '+', 1) = split_part($hash, '+', 1))
              AND row_no IN (SELECT «row_no» FROM «table» AS f WHERE NOT f.bad)
            """,
            table=quoted(checked.table),
            row_no=checked.row_no("f"),
        ),
        {"file_id": file_id, "kind": checked.source.kind.name, "hash": checked.source.content_hash},
    )


def worth_another_try(store: Store, checked: Checked, earlier: Sequence[int], table: str) -> Checked:
    """The part of a file loaded before that did not get into the store then, as the temporary table `table`.

    Those are the rows that were rejected, and any whose key the store does not know. They may be good now,
    since a word may have been added to the settings. The others are left alone: what other files have
    corrected since is not to be undone.
    """
    merge = Merge(store, checked, 0)
    bound = Bound()
    key_is_known = all_of([merge.same_key("f", "t"), *(merge.span(bound) if checked.good else ())])
    store.execute(
        compose(
            """
            CREATE OR REPLACE TEMPORARY TABLE «part» AS
            SELECT «columns», bad, «row_no» AS row_no FROM «table» AS f
            WHERE NOT bad AND («row_no» IN (SELECT row_no FROM rejected_row WHERE resolved_by IS NULL
                                            AND kind = $kind AND file_id IN (SELECT unnest($earlier)))
                               OR NOT EXISTS (SELECT 1 FROM «target» AS t WHERE «key_is_known»))
            ORDER BY f.rowid
            """,
            part=quoted(table),
            columns=commas(f"f.{quoted(c.name)}" for c in checked.source.columns if c.name is not None),
            row_no=checked.row_no("f"),
            table=quoted(checked.table),
            target=quoted(checked.source.kind.name),
            key_is_known=key_is_known,
        ),
        {"kind": checked.source.kind.name, "earlier": list(earlier), **bound.values},
    )
    good = store.execute(compose("SELECT count(*) FROM «part»", part=quoted(table)))[0][0]
    return replace(checked, table=table, numbered=True, good=good, rejected=0, blank=0)


def count_still_rejected(store: Store, checked: Checked, earlier: Sequence[int]) -> int:
    """Bad rows of a file loaded before that nobody has corrected since."""
    if not checked.rejected:
        return 0
    return int(
        store.execute(
            compose(
                """
                SELECT count(*) FROM «problems» AS p
                WHERE EXISTS (SELECT 1 FROM rejected_row AS r
                              WHERE r.kind = $kind AND r.resolved_by IS NULL AND r.raw = p.raw)
                   OR EXISTS (SELECT 1 FROM rejected_row AS r
                              WHERE r.kind = $kind AND r.resolved_by IS NULL AND r.row_no = p.row_no
                                AND r.file_id IN (SELECT unnest($earlier)))
                """,
                problems=quoted(checked.problems),
            ),
            {"kind": checked.source.kind.name, "earlier": list(earlier)},
        )[0][0]
    )


def resolve_rows(store: Store, part: Checked, earlier: Sequence[int], file_id: int) -> None:
    """Marks the rejected rows of earlier loads of the same content whose row is good now."""
    store.execute(
        compose(
            """
            UPDATE rejected_row SET resolved_by = $file_id
            WHERE kind = $kind AND resolved_by IS NULL AND file_id IN (SELECT unnest($earlier))
              AND row_no IN (SELECT row_no FROM «table» WHERE NOT bad)
            """,
            table=quoted(part.table),
        ),
        {"file_id": file_id, "kind": part.source.kind.name, "earlier": list(earlier)},
    )
