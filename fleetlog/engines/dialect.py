"""Says a file of sql/ in Spark's words, with its parameters bound.

A statement is read into a tree, changed there, and written out for Spark; values enter as nodes of the tree
and never as text. What reads alike in both engines but means something else is put right here, each with the
reason beside it. The order of NULLs (last in DuckDB, first in Spark), the names of types (a TIMESTAMP has no
zone) and the spelling of functions are sqlglot's own work.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime
from functools import cache
from typing import Any, ClassVar

import sqlglot
from sqlglot import exp
from sqlglot.dialects.duckdb import DuckDB
from sqlglot.tokenizer_core import TokenType

# A character that no word, code or pattern holds: nothing escapes in DuckDB's LIKE, in Spark's a backslash.
_NO_ESCAPE = "\x01"

_NUMBERING = (exp.RowNumber, exp.DenseRank, exp.Rank)
_ORDER_BLIND = (exp.Min, exp.Max, exp.Count)


class Stored(DuckDB):
    """DuckDB's words as the files of sql/ use them: a dollar begins a parameter, never a quoted text."""

    class Tokenizer(DuckDB.Tokenizer):
        """Without this a quote between two parameters is taken for part of a text in dollars."""

        HEREDOC_STRINGS: ClassVar = []
        SINGLE_TOKENS: ClassVar = {**DuckDB.Tokenizer.SINGLE_TOKENS, "$": TokenType.PARAMETER}


def to_spark(sql: str, parameters: Mapping[str, Any] | None = None) -> str:
    """One SELECT as Spark reads it.

    Args:
        sql: text in DuckDB's words, with `$name` where a value goes.
        parameters: name -> value: text, number, bool, date, datetime (UTC, without a zone), a list of
            those, or None.

    Raises:
        ValueError: for a parameter without a value, or a value of another type.
    """
    tree = _read(sql).copy()
    _bind(tree, parameters or {})
    return _same_meaning(tree).sql(dialect="spark", identify=True, comments=False)


def tables_read(sql: str) -> frozenset[str]:
    """The tables that a SELECT reads, its own CTEs left out."""
    tree = _read(sql)
    own = {cte.alias for cte in tree.find_all(exp.CTE)}
    # A CTE may carry the name of the table that it reads; then the table is read all the same.
    named = {table.name for table in tree.find_all(exp.Table)}
    hidden = {name for name in own if not _reads_itself(tree, name)}
    return frozenset(named - hidden)


def _reads_itself(tree: exp.Expr, name: str) -> bool:
    return any(
        cte.alias == name and any(table.name == name for table in cte.this.find_all(exp.Table))
        for cte in tree.find_all(exp.CTE)
    )


@cache
def _read(sql: str) -> exp.Expr:
    return sqlglot.parse_one(sql, read=Stored)


def _bind(tree: exp.Expr, parameters: Mapping[str, Any]) -> None:
    """Puts the values in the places of `$name`."""
    for mark in list(tree.find_all(exp.Placeholder)):
        name = mark.name
        if name not in parameters:
            raise ValueError(f"no value is given for ${name}")
        mark.replace(_value(parameters[name]))
    # Whether a list that is not given contains something is not known; Spark wants a typed list to say so.
    for asked in list(tree.find_all(exp.ArrayContains)):
        if isinstance(asked.this, exp.Null):
            asked.replace(exp.cast(exp.null(), "BOOLEAN"))


def _value(value: Any) -> exp.Expr:
    """A value as a node of the tree."""
    if value is None:
        return exp.null()
    if isinstance(value, bool):
        return exp.Boolean(this=value)
    if isinstance(value, int):
        return exp.paren(exp.Literal.number(value))
    if isinstance(value, float):
        # Spark takes a number with a point for a DECIMAL.
        return exp.cast(exp.Literal.string(repr(value)), "DOUBLE")
    if isinstance(value, str):
        return exp.Literal.string(value)
    if isinstance(value, datetime):
        return exp.cast(exp.Literal.string(value.isoformat(sep=" ")), "TIMESTAMPNTZ")
    if isinstance(value, date):
        return exp.cast(exp.Literal.string(value.isoformat()), "DATE")
    if isinstance(value, (list, tuple)):
        return exp.Array(expressions=[_value(item) for item in value])
    raise ValueError(f"a {type(value).__name__} cannot be bound")


def _same_meaning(tree: exp.Expr) -> exp.Expr:
    """Changes what Spark would take otherwise than DuckDB."""
    _count_forwards(tree)
    return tree.transform(_put_right)


def _put_right(node: exp.Expr) -> exp.Expr:
    """One node; called from the root down."""
    parent = node.parent
    # A number with a point: Spark divides decimals to a rounded decimal, DuckDB to a double.
    if isinstance(node, exp.Literal) and not node.is_string and "." in node.this:
        return node if isinstance(parent, exp.Cast) else exp.cast(node.copy(), "DOUBLE")
    # Running numbers are INT in Spark, BIGINT in DuckDB: large fleets have more readings than INT counts.
    if (
        isinstance(node, exp.Window)
        and isinstance(node.this, _NUMBERING)
        and not isinstance(parent, exp.Cast)
    ):
        return exp.cast(node.copy(), "BIGINT")
    if isinstance(node, exp.Like) and not isinstance(parent, exp.Escape):
        return exp.Escape(this=node.copy(), expression=exp.Literal.string(_NO_ESCAPE))
    # EPOCH keeps the parts of a second; UNIX_TIMESTAMP cuts them off. The session's zone is UTC.
    if isinstance(node, exp.TimeToUnix):
        micros = exp.Anonymous(this="UNIX_MICROS", expressions=[exp.cast(node.this.copy(), "TIMESTAMPTZ")])
        return exp.paren(exp.Div(this=micros, expression=exp.cast(exp.Literal.number("1000000"), "DOUBLE")))
    if isinstance(node, exp.Cast):
        return _cast(node)
    return node


def _cast(node: exp.Cast) -> exp.Expr:
    kind, inner = node.to, node.this
    # A fraction becomes a whole number by rounding in DuckDB (to even, as RINT does), by cutting in Spark.
    if kind.is_type("BIGINT", "INT") and isinstance(inner, (exp.Mul, exp.Div)):
        return exp.cast(exp.Anonymous(this="RINT", expressions=[inner.copy()]), kind)
    # DuckDB sums whole numbers in 128 bits, Spark in 64.
    if kind.is_type("DOUBLE") and isinstance(inner, exp.Sum) and not isinstance(inner.this, exp.Cast):
        return exp.cast(exp.Sum(this=exp.cast(inner.this.copy(), "DECIMAL(38, 0)")), kind)
    return node


def _count_forwards(tree: exp.Expr) -> None:
    """Turns frames that run to the end of their partition about.

    Spark works such a frame out anew for every row; one that grows from the beginning it only adds to. The
    smallest, largest or number of the rows that follow are those of the rows before in the opposite order.
    """
    for window in tree.find_all(exp.Window):
        if isinstance(window.this, _ORDER_BLIND):
            _turn(window)
    for select in tree.find_all(exp.Select):
        for named in select.args.get("windows") or []:
            users = [one.this for one in select.find_all(exp.Window) if one.alias == named.name]
            if all(isinstance(user, _ORDER_BLIND) for user in users):
                _turn(named)


def _turn(window: exp.Expr) -> None:
    frame, order = window.args.get("spec"), window.args.get("order")
    if frame is None or order is None:
        return
    begin, begin_side = frame.args.get("start"), frame.args.get("start_side")
    ends = (frame.args.get("end"), frame.args.get("end_side"))
    if ends != ("UNBOUNDED", "FOLLOWING") or begin == "UNBOUNDED":
        return
    opposite = {"FOLLOWING": "PRECEDING", "PRECEDING": "FOLLOWING"}
    frame.set("start", "UNBOUNDED")
    frame.set("start_side", "PRECEDING")
    frame.set("end", begin)
    frame.set("end_side", opposite.get(str(begin_side)))
    for key in order.expressions:
        key.set("desc", not key.args.get("desc"))
        key.set("nulls_first", not key.args.get("nulls_first"))
