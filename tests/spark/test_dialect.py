"""What is written for Spark: values are bound as values, and what would read otherwise there is put right."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any

import pytest

from fleetlog.store.statements import named


def spark(sql: str, **values: Any) -> str:
    from fleetlog.engines.dialect import to_spark

    return to_spark(sql, values)


@pytest.mark.parametrize("room", ["history", "risk"])
def test_every_file_is_understood_and_reads_what_its_header_names(room: str) -> None:
    from fleetlog.engines.dialect import tables_read

    for found in named(room):
        values = dict.fromkeys(found.parameters)
        for by in ((), found.strata):
            assert spark(found.split_by(by), **values)
        assert tables_read(found.body) == set(found.inputs), found.name


@pytest.mark.parametrize(
    ("value", "written"),
    [
        ("O'Hara", r"'O\'Hara'"),
        ("a\\b", r"'a\\b'"),
        ("$other -- '); DROP TABLE machine", r"'$other -- \'); DROP TABLE machine'"),
        (7, "(7)"),
        (-7, "(-7)"),
        (0.1, "CAST('0.1' AS DOUBLE)"),
        (True, "TRUE"),
        (None, "NULL"),
        (date(2026, 6, 30), "CAST('2026-06-30' AS DATE)"),
        (datetime(2026, 7, 1, 5, 0, 0, 250), "CAST('2026-07-01 05:00:00.000250' AS TIMESTAMP_NTZ)"),
        (["a", "b'"], r"ARRAY('a', 'b\'')"),
    ],
)
def test_values(value: object, written: str) -> None:
    assert spark("SELECT $x AS x", x=value) == f"SELECT {written} AS `x`"


def test_a_value_must_be_given_and_be_one() -> None:
    with pytest.raises(ValueError, match="no value is given for"):
        spark("SELECT $x AS x")
    with pytest.raises(ValueError, match="cannot be bound"):
        spark("SELECT $x AS x", x=object())


def test_a_list_that_is_not_given_keeps_all() -> None:
    said = spark("SELECT 1 AS x FROM t WHERE ($some IS NULL OR ARRAY_CONTAINS($some, site))", some=None)
    assert said.endswith("WHERE (NULL IS NULL OR CAST(NULL AS BOOLEAN))")


@pytest.mark.parametrize(
    ("written", "said"),
    [
        ("SELECT a FROM t ORDER BY a, b DESC", "ORDER BY `a` NULLS LAST, `b` DESC"),
        ("SELECT CAST(a AS TIMESTAMP) AS a FROM t", "CAST(`a` AS TIMESTAMP_NTZ)"),
        ("SELECT a / 10.0 AS a FROM t", "`a` / CAST(10.0 AS DOUBLE)"),
        ("SELECT CAST(a * 10 AS BIGINT) AS a FROM t", "CAST(RINT(`a` * 10) AS BIGINT)"),
        ("SELECT CAST(a AS BIGINT) AS a FROM t", "CAST(`a` AS BIGINT)"),
        ("SELECT a LIKE b AS a FROM t", "`a` LIKE `b` ESCAPE '\\001'"),
        (
            "SELECT ROW_NUMBER() OVER (ORDER BY a) AS n FROM t",
            "CAST(ROW_NUMBER() OVER (ORDER BY `a` NULLS LAST) AS BIGINT)",
        ),
        ("SELECT EPOCH(a) AS s FROM t", "UNIX_MICROS(CAST(`a` AS TIMESTAMP)) / CAST(1000000 AS DOUBLE)"),
        ("SELECT CAST(SUM(a) AS DOUBLE) AS s FROM t", "CAST(SUM(CAST(`a` AS DECIMAL(38, 0))) AS DOUBLE)"),
        (
            "SELECT CAST(SUM(CAST(a AS DECIMAL(18, 4))) AS DOUBLE) AS s FROM t",
            "CAST(SUM(CAST(`a` AS DECIMAL(18, 4))) AS DOUBLE)",
        ),
        (
            "SELECT MIN(a) OVER (PARTITION BY m ORDER BY b ROWS BETWEEN 1 FOLLOWING AND UNBOUNDED FOLLOWING) AS a FROM t",
            "(PARTITION BY `m` ORDER BY `b` DESC NULLS FIRST ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING)",
        ),
        (
            "SELECT SUM(a) OVER later AS s, MIN(a) OVER later AS a FROM t "
            "WINDOW later AS (ORDER BY b ROWS BETWEEN CURRENT ROW AND UNBOUNDED FOLLOWING)",
            "(ORDER BY `b` NULLS LAST ROWS BETWEEN CURRENT ROW AND UNBOUNDED FOLLOWING)",
        ),
        (
            "SELECT MIN(a) OVER later AS a, MAX(a) OVER later AS c FROM t "
            "WINDOW later AS (ORDER BY b ROWS BETWEEN CURRENT ROW AND UNBOUNDED FOLLOWING)",
            "(ORDER BY `b` DESC NULLS FIRST ROWS BETWEEN UNBOUNDED PRECEDING AND CURRENT ROW)",
        ),
        # The quote between two parameters, which would begin a text in dollars.
        ("SELECT $x AS x FROM t WHERE a <> '' AND b < $x", "WHERE `a` <> '' AND `b` < (3)"),
    ],
)
def test_what_reads_otherwise(written: str, said: str) -> None:
    assert said in spark(written, x=3)


def test_tables_read() -> None:
    from fleetlog.engines.dialect import tables_read

    assert tables_read("WITH a AS (SELECT * FROM b) SELECT * FROM a INNER JOIN c ON c.x = a.x") == {"b", "c"}
    assert tables_read("WITH b AS (SELECT * FROM b) SELECT * FROM b") == {"b"}
