"""A question in SQL can neither change the store nor reach outside."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fleetlog.errors import UsageError
from fleetlog.store import Store, open_store
from fleetlog.store.question import ask
from fleetlog.tables import ENDINGS, table_bytes


@pytest.fixture
def store(tmp_path: Path) -> Store:
    path = tmp_path / "fleet.duckdb"
    open_store(path, create=True).close()
    return open_store(path)


def test_answer(store: Store) -> None:
    assert ask(store, "SELECT 1 AS one, count(*) AS machines FROM machines").to_dicts() == [
        {"one": 1, "machines": 0}
    ]


@pytest.mark.parametrize(
    "sql",
    [
        "DELETE FROM machines",
        "INSERT INTO store_info VALUES ('a', 'b')",
        "DROP TABLE machines",
        "CREATE TABLE t AS SELECT 1",
        "SELECT 1; DELETE FROM machines",
        "ATTACH '/tmp/other.duckdb'",
        "COPY machines TO '/tmp/stolen.csv'",
        "INSTALL httpfs",
        "LOAD httpfs",
        "SET enable_external_access = true",
        "PRAGMA enable_external_access = true",
        "EXPORT DATABASE '/tmp/stolen'",
        "SELECT * FROM read_csv('/etc/passwd')",
        "SELECT * FROM read_text('/etc/passwd')",
        "SELECT * FROM '/etc/passwd'",
        "SELECT * FROM glob('/etc/*')",
        "SELECT * FROM read_parquet('https://example.org/x.parquet')",
        "SELECT getenv('HOME')",
        "SELEC 1",
        "",
    ],
)
def test_refused(store: Store, sql: str) -> None:
    with pytest.raises(UsageError) as error:
        ask(store, sql)
    assert "\n" not in str(error.value)
    assert store.execute("SELECT count(*) FROM store_info") == [(2,)]


VALUES = {
    "interval": ("INTERVAL 36 HOUR", "36:00:00"),
    "decimal": ("CAST(1.50 AS DECIMAL(10, 2))", Decimal("1.50")),
    "huge": ("170141183460469231731687303715884105727::HUGEINT", None),
    "bits": ("'101'::BIT", "101"),
    "time with a zone": ("'10:00:00+02'::TIMETZ", "10:00:00+02"),
    "list of intervals": ("[INTERVAL 1 DAY]", '["1 day"]'),
    "structure": ("{'a': 1, 'b': [1.5::DOUBLE]}", {"a": 1, "b": [1.5]}),
    "structure with a time": (
        "{'a': INTERVAL 1 DAY, 'b': DATE '2026-01-01'}",
        '{"a":"1 day","b":"2026-01-01"}',
    ),
    "map": ("MAP {'a': 1}", '{"a":1}'),
    "union": ("union_value(a := 1)", "1"),
    "no end": ("'infinity'::DATE", "infinity"),
    "far": ("'290000-01-01'::TIMESTAMP", "290000-01-01 00:00:00"),
    "enum": ("'x'::ENUM('x', 'y')", "x"),
    "nothing": ("NULL", None),
    "bytes": ("'a'::BLOB", b"a"),
    "number without end": ("123::BIGNUM", "123"),
}


@pytest.mark.parametrize("what", VALUES)
def test_any_kind_of_value_is_answered_in_every_format(store: Store, what: str) -> None:
    sql, value = VALUES[what]
    frame = ask(store, f"SELECT {sql} AS a, 1 AS a, 2 AS A ; -- and; a remark", sealed=False)
    assert frame.columns == ["a", "a_2", "A_3"]
    if value is not None:
        assert frame["a"][0] == value
    for ending in ENDINGS:
        assert table_bytes(frame, ending)


@pytest.mark.parametrize(
    "sql",
    [
        "SELECT '-- ;' AS a",
        "FROM machines",
        "DESCRIBE machines",
        "WITH a AS (SELECT 1 AS b) FROM a ORDER BY b -- the end",
        "VALUES (1, 2), (3, 4)",
        "SELECT m.*, n.* FROM machines AS m JOIN machines AS n USING (machine_id)",
        "SELECT * FROM machines AS m, machines AS n LEFT JOIN work_orders AS w ON w.machine_id = n.machine_id",
        'SELECT 1 AS "a b", 2 AS """"',
        "SELECT 1;;",
    ],
)
def test_any_select_is_answered(store: Store, sql: str) -> None:
    assert ask(store, sql, sealed=False).width


def test_an_order_stays(store: Store) -> None:
    numbers = ask(store, "SELECT range AS n FROM range(300000) ORDER BY hash(range)", sealed=False)["n"]
    again = ask(store, "SELECT range AS n FROM range(300000) ORDER BY hash(range)", sealed=False)["n"]
    assert numbers.equals(again)
    assert not numbers.is_sorted()


@pytest.mark.parametrize(
    ("sql", "said"),
    [
        ("FROM machine_s", "nearest: machines"),
        ("FROM episode", "--history"),
        ("FROM xyzzy", "there are change_log, components"),
        ("SELECT machineid FROM machines", 'nearest: "machine_id"'),
        ("SELECT count(*) FROM range(100000000000) AS a, range(1000) AS b", "longer than 0.5 seconds"),
        ("FROM range(20000000)", "more than 10,000,000 rows"),
    ],
)
def test_what_goes_wrong_is_said_in_one_sentence(store: Store, sql: str, said: str) -> None:
    within = 0.5 if "longer" in said else None
    with pytest.raises(UsageError) as error:
        ask(store, sql, sealed=False, within=within)
    assert said in str(error.value)
    assert "\n" not in str(error.value)


WORDS = (
    "SELECT FROM WHERE GROUP BY ORDER LIMIT JOIN ON USING AS WITH UNION ALL DISTINCT machines work_orders machine_id hours "
    "opened_at * , ( ) [ ] { } ' \" ; -- /* */ 1 -1 1e999 NULL count sum unnest range list struct_pack x.y $1 ? :a "
    "INTERVAL DATE CASE WHEN THEN END OVER PARTITION PIVOT DESCRIBE SUMMARIZE EXPLAIN VALUES = < || :: INT[] lambda "
    "COLUMNS(*) EXCLUDE 9999999999999999999 'infinity'::date ä \x00 \udc80"
)


@settings(max_examples=400, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.one_of(st.sampled_from(WORDS.split(" ")), st.text(max_size=5)), max_size=15).map(" ".join))
def test_no_text_makes_it_fall_over(store: Store, sql: str) -> None:
    try:
        frame = ask(store, sql, sealed=False, within=5)
    except UsageError as error:
        said = str(error)
    else:
        said = ""
        table_bytes(frame, ".json")
    assert "\n" not in said
