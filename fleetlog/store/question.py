"""A question in SQL from outside: answered, but never able to change or reach anything."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from difflib import get_close_matches
from threading import Timer

import duckdb
import polars as pl

from fleetlog.errors import UsageError, first_line
from fleetlog.store.connection import DatabaseError, Store
from fleetlog.store.statements import numbered

WITHIN = 300.0
"""Seconds that a question may take where nothing else is said."""

MOST_ROWS = 10_000_000
"""Rows that an answer may have: more is no answer that anybody reads."""

MOST_SPILL = "20 GB"
"""How much of a question may lie on the disk while it is worked on."""

# What the frames' library has a kind of its own for, as a column, and within lists and structures.
_INNER = r"BOOLEAN|U?(?:TINY|SMALL|BIG)INT|U?INTEGER|FLOAT|DOUBLE|VARCHAR|UUID|JSON|DECIMAL\(\d+,\d+\)"
_AS_IT_IS = re.compile(rf"{_INNER}|DATE|TIME|TIMESTAMP|TIMESTAMP WITH TIME ZONE|BLOB|HUGEINT")
_NESTED = re.compile(r"STRUCT\(|MAP\(|.*\[\d*\]$")
# The first and the last second that a time outside may have: years 1 to 9999.
_DAYS = (-719_162, 2_932_896)

_NO_TABLE = re.compile(r"Table with name (.+?) does not exist")
_CANDIDATES = re.compile(r"Candidate bindings: (.+)")
_INTERRUPTED = re.compile(r"\binterrupt", re.IGNORECASE)


def ask(store: Store, sql: str, *, sealed: bool = True, within: float | None = None) -> pl.DataFrame:
    """The answer to one SELECT.

    Columns of one name are told apart by a number; kinds of value that frames do not have (intervals, unions,
    days beyond the year 9999) come as text.

    Args:
        store: what is asked.
        sql: the statement.
        sealed: from the question on, the connection can change nothing of what it may reach;
            False for a program of the asker's own.
        within: seconds after which to give up; None: never.

    Raises:
        UsageError: when it is not one SELECT, the store refuses it, or it takes too long or too much.
    """
    sql = sql.encode("utf-8", "replace").decode()  # what a terminal could not read is no letter
    try:
        if store.statement_kinds(sql) != ["SELECT"]:
            raise UsageError("Only one SELECT statement can be asked; questions do not change the store.")
        if sealed:
            store.execute(f"SET max_temp_directory_size = '{MOST_SPILL}'")
            store.forbid_outside_access()
        with _time_limit(store, within):
            return _answer(store, sql)
    except DatabaseError as error:
        raise _refused(store, error, within) from error
    except UnicodeDecodeError as error:  # the engine cut a letter of its own sentence in two
        raise UsageError("The store does not understand that; look at the texts in it.") from error


def _answer(store: Store, sql: str) -> pl.DataFrame:
    columns = store.describe(sql)
    names = _told_apart([name for name, _ in columns])
    kinds = [kind for _, kind in columns]
    texts = [not _AS_IT_IS.fullmatch(kind) and not _plain_nested(kind) for kind in kinds]
    frame = _fetch(store, sql, kinds, texts)
    beyond = [_beyond(series) for series in frame]
    if any(beyond):
        frame = _fetch(store, sql, kinds, [a or b for a, b in zip(texts, beyond, strict=True)])
    zoned = pl.selectors.datetime(time_zone="*").dt.convert_time_zone("UTC")
    return frame.with_columns(zoned).rename(dict(zip(frame.columns, names, strict=True)))


def _fetch(store: Store, sql: str, kinds: list[str], texts: list[bool]) -> pl.DataFrame:
    """The answer with its columns called c0, c1, …, some as text."""
    made = [
        f"CAST({f'to_json(c{i})' if _NESTED.match(kind) else f'c{i}'} AS VARCHAR) AS c{i}"
        if text
        else f"c{i}"
        for i, (kind, text) in enumerate(zip(kinds, texts, strict=True))
    ]
    names = ", ".join(f"c{i}" for i in range(len(kinds)))
    asked = f"SELECT {', '.join(made)} FROM (\n{_bare(sql)}\n) AS answer({names}) LIMIT {MOST_ROWS + 1}"  # noqa: S608
    frame = store.select(asked)
    if frame.height > MOST_ROWS:
        raise UsageError(f"The answer has more than {MOST_ROWS:,} rows; count or average, or add a LIMIT.")
    return frame


def _bare(sql: str) -> str:
    """The statement without the semicolon, and the remarks, that may follow it."""
    text = sql.encode()
    end = len(text)
    for offset, kind in reversed(duckdb.tokenize(sql)):
        if kind != duckdb.token_type.comment and text[offset:end].strip() != b";":
            break
        end = offset
    return text[:end].decode()


def _told_apart(names: list[str]) -> list[str]:
    """The names, a number after those that stood there before; files take capitals for small letters."""
    taken: set[str] = set()
    for i, name in enumerate(names):
        number, made = 1, name
        while made.casefold() in taken:
            number += 1
            made = f"{name}_{number}"
        taken.add(made.casefold())
        names[i] = made
    return names


def _plain_nested(kind: str) -> bool:
    """Whether a list or structure holds nothing but kinds that frames have within one."""
    if not _NESTED.match(kind) or kind.startswith("MAP") or '"' in kind:
        return False
    inner = re.sub(r"\[\d*\]", "", kind)
    while (flat := re.sub(rf"STRUCT\((?:\w+ (?:{_INNER})(?:, )?)+\)", "VARCHAR", inner)) != inner:
        inner = flat
    return re.fullmatch(_INNER, inner) is not None


def _beyond(series: pl.Series) -> bool:
    """Whether a time lies where a calendar of four-digit years has none."""
    if isinstance(series.dtype, pl.Date):
        a_day = 1
    elif isinstance(series.dtype, pl.Datetime):
        a_day = 86_400 * {"ms": 10**3, "us": 10**6, "ns": 10**9}[series.dtype.time_unit]
    else:
        return False
    low, high = series.to_physical().min(), series.to_physical().max()
    first, last = _DAYS[0] * a_day, (_DAYS[1] + 1) * a_day
    return isinstance(low, int) and isinstance(high, int) and not (first <= low and high < last)


@contextmanager
def _time_limit(store: Store, within: float | None) -> Iterator[None]:
    timer = Timer(within, store.interrupt) if within else None
    if timer:
        timer.daemon = True
        timer.start()
    try:
        yield
    finally:
        if timer:
            timer.cancel()


def _refused(store: Store, error: DatabaseError, within: float | None) -> UsageError:
    """What the store says of a question, with the names that were near."""
    text = str(error)
    if within and _INTERRUPTED.search(first_line(error)):
        return UsageError(
            f"The question took longer than {within:g} seconds; ask for less, or allow more with --within."
        )
    if "max_temp_directory_size" in text or "Out of Memory" in text:
        return UsageError(
            f"The question needs more room than it may have ({first_line(error)[:160]}); ask for less."
        )
    if lacking := _NO_TABLE.search(text):
        return UsageError(_no_table(store, lacking[1]))
    near = _CANDIDATES.search(text)
    hint = f"; nearest: {near[1]}" if near else ""
    said = re.sub(r"[^\x20-\x7e]+", " ", first_line(error))
    return UsageError(f"The store does not understand that: {said[:300]}{hint}.")


def _no_table(store: Store, name: str) -> str:
    """That there is no such table, with what was meant."""
    plain = name.strip('"').casefold()
    made = [step.name.rpartition("/")[2].partition("_")[2] for step in numbered("history")]
    if plain in made:
        return f"{name} is a table of the history; ask with --history to have them there."
    near = get_close_matches(plain, [*store.tables(), *made], n=3, cutoff=0.5)
    hint = f"nearest: {', '.join(near)}" if near else f"there are {', '.join(store.tables())}"
    return f"There is no table {name}; {hint}."
