"""Readers of Parquet and JSON: the engine reads them, here they only get the shape that the checks expect."""

from __future__ import annotations

import csv
import json
from pathlib import Path

from fleetlog.errors import InputFileError, first_line
from fleetlog.intake import lines
from fleetlog.intake.csvfile import literal
from fleetlog.intake.header import LoadOptions, read_header
from fleetlog.intake.scan import LONGEST_LINE, Scan
from fleetlog.intake.source import Source, SourceColumn
from fleetlog.intake.sqltext import Bound, commas, compose
from fleetlog.store import DatabaseError, Store
from fleetlog.store.connection import quoted

MOST_KEYS = 1_000
"""Different keys that the objects of a JSON file may have between them."""


def parquet_source(store: Store, path: Path, looked: Scan, asked: LoadOptions, where: str) -> Source:
    """A Parquet file: its columns by place, their values as text.

    Raises:
        InputFileError: when it is damaged or its columns fit no kind.
    """
    try:
        described = store.execute("DESCRIBE SELECT * FROM read_parquet($path)", {"path": literal(path)})
    except DatabaseError as error:
        raise InputFileError(
            f"{where} is no readable Parquet file ({first_line(error)}); export it again."
        ) from error
    headings = [str(row[0]) for row in described]
    found = read_header(headings, where, asked)
    names = [column.cell for column in found.columns]
    relation = compose(
        "(SELECT «cells» FROM read_parquet($path) AS p(«names»))",
        cells=commas(f"CAST({name} AS VARCHAR) AS {name}" for name in names),
        names=commas(names),
    )
    return Source(
        path=where,
        kind=found.kind,
        columns=found.columns,
        profile=found.profile,
        relation=relation,
        parameters={"path": literal(path)},
        numbered=False,
        content_hash=looked.content_hash,
        bytes=looked.bytes,
        notes=("Parquet", *found.notes),
    )


def json_source(
    store: Store, path: Path, looked: Scan, asked: LoadOptions, where: str, folder: Path, table: str
) -> Source:
    """A file of JSON objects, one a line or all in one list.

    Args:
        looked: its first look.
        asked: what the user says about it.
        where: the file as messages show it.
        folder: where a rewritten copy may lie until it is read.
        table: the temporary table to keep its lines in; the caller drops it.

    Raises:
        InputFileError: when it holds no objects or their keys fit no kind.
    """
    if _is_list(path):
        _lines_of_list(store, path, where, table)
    else:
        _lines_of_text(store, path, looked, folder, table)
    is_object = "coalesce(CASE WHEN json_valid(line) THEN json_type(line) = 'OBJECT' END, false)"
    keys = [
        row[0]
        for row in store.execute(
            compose(
                "SELECT key FROM (SELECT rowid AS row, unnest(json_keys(line)) AS key FROM «table» "
                "WHERE problem IS NULL AND «is_object») GROUP BY key ORDER BY min(row), key",
                table=quoted(table),
                is_object=is_object,
            )
        )
    ]
    if not keys:
        raise InputFileError(f"{where} holds no JSON objects with fields; write one object a line.")
    if len(keys) > MOST_KEYS:
        raise InputFileError(
            f"{where} has {len(keys):,} different keys, the most is {MOST_KEYS:,}; is it a table?"
        )
    found = read_header(_in_order(store, table, keys, is_object), where, asked)
    bound = Bound("json_")
    cells = [
        compose(
            "CASE WHEN «is_object» THEN json_extract_string(line, «key») END AS «cell»",
            is_object=is_object,
            key=bound("/" + column.header.replace("~", "~0").replace("/", "~1")),
            cell=column.cell,
        )
        for column in found.columns
    ]
    # The text of a line that is no object is kept with the row, in a column of its own.
    whole = SourceColumn(f"c{len(found.columns)}", "line", None)
    cells.append(
        compose("CASE WHEN NOT «is_object» THEN line END AS «cell»", is_object=is_object, cell=whole.cell)
    )
    relation = compose(
        "(SELECT rowid + 1 AS row_no, CASE WHEN problem IS NOT NULL THEN problem "
        "WHEN nullif(trim(line), '') IS NOT NULL AND NOT «is_object» THEN «wrong» END AS malformed, "
        "«cells» FROM «table»)",
        is_object=is_object,
        wrong=bound('the line is no JSON object; write one such as {"machine_id": "A1"}'),
        cells=commas(cells),
        table=quoted(table),
    )
    return Source(
        path=where,
        kind=found.kind,
        columns=(*found.columns, whole),
        profile=found.profile,
        relation=relation,
        parameters=bound.values,
        numbered=True,
        content_hash=looked.content_hash,
        bytes=looked.bytes,
        notes=("JSON", *found.notes),
    )


def _is_list(path: Path) -> bool:
    with path.open("rb") as file:
        return file.read(4096).lstrip(b"\xef\xbb\xbf \t\r\n").startswith(b"[")


def _lines_of_list(store: Store, path: Path, where: str, table: str) -> None:
    try:
        store.execute(
            compose(
                """
                CREATE OR REPLACE TEMPORARY TABLE «table» AS
                SELECT CAST(json AS VARCHAR) AS line, CAST(NULL AS VARCHAR) AS problem
                FROM read_json_objects($path, format = 'array', maximum_object_size = 8000000,
                                       compression = 'none')
                """,
                table=quoted(table),
            ),
            {"path": literal(path)},
        )
    except DatabaseError as error:
        raise InputFileError(
            f"{where} is no readable JSON ({first_line(error)}); export it again."
        ) from error


def _lines_of_text(store: Store, path: Path, looked: Scan, folder: Path, table: str) -> None:
    """The lines of a file as a table; a file that the engine cannot read as it stands is rewritten first."""
    if looked.plain:
        try:
            store.execute(
                compose(
                    """
                    CREATE OR REPLACE TEMPORARY TABLE «table» AS
                    SELECT line, CAST(NULL AS VARCHAR) AS problem
                    FROM read_csv($path, auto_detect = false, header = false, delim = chr(31), quote = '',
                                  escape = '', columns = {line: 'VARCHAR'}, compression = 'none',
                                  max_line_size = 8000000)
                    """,
                    table=quoted(table),
                ),
                {"path": literal(path)},
            )
            return
        except DatabaseError:
            pass  # read it with care instead
    target = folder / "lines.csv"
    with target.open("w", encoding="utf-8", newline="") as file:
        write = csv.writer(file, lineterminator="\n", quoting=csv.QUOTE_ALL)
        for line in lines.text_lines(path, looked, lines.Rewritten()):
            write.writerow([line.text, line.problem or ""])
    store.execute(
        compose(
            "CREATE OR REPLACE TEMPORARY TABLE «table» AS SELECT line, problem FROM read_csv($path, "
            "auto_detect = false, header = false, delim = ',', quote = '\"', escape = '\"', "
            "new_line = '\\n', columns = {line: 'VARCHAR', problem: 'VARCHAR'}, compression = 'none', "
            "max_line_size = 8000000)",
            table=quoted(table),
        ),
        {"path": literal(target)},
    )
    target.unlink()


def _in_order(store: Store, table: str, keys: list[str], is_object: str) -> list[str]:
    """The keys in the order of the first object, then the others."""
    first = store.execute(
        compose(
            "SELECT line FROM «table» WHERE problem IS NULL AND «is_object» ORDER BY rowid LIMIT 1",
            table=quoted(table),
            is_object=is_object,
        )
    )[0][0]
    try:
        ordered = [key for key in json.loads(first) if key in keys]
    except (ValueError, RecursionError):  # valid to the engine, not to this parser: any order will do
        ordered = []
    return ordered + [key for key in keys if key not in ordered]


__all__ = ["LONGEST_LINE", "json_source", "parquet_source"]
