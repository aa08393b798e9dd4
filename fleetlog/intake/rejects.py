"""Rows that failed a check and rows that wait: kept, listed, written out to be corrected, and resolved."""

from __future__ import annotations

import csv
import json
from collections.abc import Sequence
from pathlib import Path

import polars as pl

from fleetlog.errors import InputFileError, UsageError
from fleetlog.intake.header import REJECT_ID, REJECT_REASON
from fleetlog.intake.merge import parent_of
from fleetlog.intake.source import Source
from fleetlog.intake.sqltext import compose
from fleetlog.store import Store
from fleetlog.store.connection import quoted
from fleetlog.store.dictionary import KINDS

_COLUMNS = ("reject_id", "kind", "file", "row_no", "column", "value", "reason")


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
    return pl.concat(frames)


def _kind(kind: str | None) -> str | None:
    if kind is not None and kind not in KINDS:
        raise UsageError(f"'{kind}' is no kind of table; write one of {', '.join(KINDS)}.")
    return kind


def write_rejects(store: Store, path: Path, kind: str | None = None) -> int:
    """Writes the rejected rows of one kind as a CSV file that can be corrected and loaded again.

    The columns are those of the rows as they stood, then reject_id and reject_reason. Cells that a
    spreadsheet would take for a formula get an apostrophe in front; loading takes it off again.

    Args:
        store: an open store.
        path: the file to write.
        kind: which kind; may be left out when only one kind has rejected rows.

    Returns:
        How many rows were written.

    Raises:
        UsageError: when several kinds have rejected rows and none was named, or none has any.
        InputFileError: when the file cannot be written.
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
    try:
        with path.open("w", encoding="utf-8-sig", newline="") as file:
            write = csv.writer(file)
            write.writerow([neutral(heading) for heading in headings] + [REJECT_ID, REJECT_REASON])
            for (reject_id, _, reason, _), raw in zip(rows, raws, strict=True):
                cells = [neutral(raw.get(heading) or "") for heading in headings]
                write.writerow([*cells, reject_id, neutral(reason)])
    except OSError as error:
        raise InputFileError(f"{path} cannot be written ({error.strerror}); choose another place.") from error
    return len(rows)


def _headings(kind: str, raws: Sequence[dict[str, str | None]]) -> list[str]:
    """The kind's columns in the dictionary's order as far as they occur or are required, then others."""
    seen = dict.fromkeys(name for raw in raws for name in raw)
    known = [c.name for c in KINDS[kind].columns if c.name in seen or c.required]
    return known + [name for name in seen if name not in known]


_FORMULA = ("=", "+", "-", "@", "\t", "\r")


def neutral(text: str) -> str:
    """Text that no spreadsheet takes for a formula: an apostrophe in front where it might.

    A plain negative or signed number stays as it is.
    """
    if text.startswith(_FORMULA) and not _is_number(text):
        return "'" + text
    return text


def _is_number(text: str) -> bool:
    try:
        float(text.replace(",", "."))
    except ValueError:
        return False
    return True


def keep_rejected(store: Store, source: Source, file_id: int, table: str) -> None:
    """Stores the rows that failed, but none that stands among the rejected rows already.

    A row that comes from a file of corrected rows and fails again replaces the one it stands for. An export
    that grows from month to month brings the same bad row each time; it is listed once.
    """
    row_no = "c.row_no" if source.numbered else "c.rowid + 1"
    stands_for = "false"
    if source.extra(REJECT_ID):
        stands_for = (
            "EXISTS (SELECT 1 FROM rejected_row AS r WHERE r.reject_id = c.reject_id AND r.kind = $kind "
            "AND r.resolved_by IS NULL)"
        )
        store.execute(
            compose(
                """
                UPDATE rejected_row SET column_name = c.problem_column, value = c.problem_value,
                       reason = c.problem, raw = c.raw
                FROM (SELECT reject_id, last(problem_column ORDER BY rowid) AS problem_column,
                             last(problem_value ORDER BY rowid) AS problem_value,
                             last(problem ORDER BY rowid) AS problem, last(raw ORDER BY rowid) AS raw
                      FROM «table» WHERE problem <> '' AND reject_id IS NOT NULL GROUP BY reject_id) AS c
                WHERE rejected_row.reject_id = c.reject_id AND kind = $kind AND resolved_by IS NULL
                """,
                table=quoted(table),
            ),
            {"kind": source.kind.name},
        )
    store.execute(
        compose(
            """
            INSERT INTO rejected_row
            SELECT (SELECT coalesce(max(reject_id), 0) FROM rejected_row)
                       + row_number() OVER (ORDER BY «row_no»),
                   $file_id, «row_no», $kind, c.problem_column, c.problem_value, c.problem, c.raw, NULL
            FROM «table» AS c
            WHERE c.problem <> '' AND NOT («stands_for»)
              AND NOT EXISTS (SELECT 1 FROM rejected_row AS r
                              WHERE r.kind = $kind AND r.resolved_by IS NULL AND r.raw = c.raw)
            """,
            table=quoted(table),
            row_no=row_no,
            stands_for=stands_for,
        ),
        {"file_id": file_id, "kind": source.kind.name},
    )


def resolve(store: Store, source: Source, file_id: int, table: str) -> int:
    """Marks the rejected rows that good rows of a file of corrected rows stand for; how many there were."""
    if source.extra(REJECT_ID) is None:
        return 0
    return len(
        store.execute(
            compose(
                """
                UPDATE rejected_row SET resolved_by = $file_id
                WHERE kind = $kind AND resolved_by IS NULL
                  AND reject_id IN (SELECT reject_id FROM «table» WHERE problem IS NULL)
                RETURNING reject_id
                """,
                table=quoted(table),
            ),
            {"file_id": file_id, "kind": source.kind.name},
        )
    )


def resolve_rows(store: Store, source: Source, file_id: int, earlier: Sequence[int], table: str) -> None:
    """Marks the rejected rows of earlier loads of the same content whose row is good now."""
    store.execute(
        compose(
            """
            UPDATE rejected_row SET resolved_by = $file_id
            WHERE kind = $kind AND resolved_by IS NULL AND file_id IN (SELECT unnest($earlier))
              AND row_no IN (SELECT row_no FROM «table» WHERE problem IS NULL)
            """,
            table=quoted(table),
        ),
        {"file_id": file_id, "kind": source.kind.name, "earlier": list(earlier)},
    )
