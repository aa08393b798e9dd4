"""A question in SQL can neither change the store nor reach outside."""

from __future__ import annotations

from pathlib import Path

import pytest

from fleetlog.errors import UsageError
from fleetlog.store import Store, open_store
from fleetlog.store.question import ask


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
