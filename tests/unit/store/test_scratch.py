"""Long tables on the disk: found by name, gone afterwards, and a load through them says the same."""

from __future__ import annotations

from pathlib import Path

import pytest

from fleetlog.intake import load_paths
from fleetlog.store import DatabaseError, open_store
from fleetlog.store.scratch import scratch


@pytest.mark.parametrize("on_disk", [True, False])
def test_a_table_is_found_by_its_name_and_gone_afterwards(tmp_path: Path, on_disk: bool) -> None:
    with open_store(tmp_path / "fleet.duckdb" if on_disk else None, create=True) as store:
        before = store.execute("SELECT current_setting('search_path'), current_database()")
        with scratch(store) as place:
            assert store.execute("SELECT current_setting('search_path'), current_database()") == before
            for name in ("a", "b"):
                store.execute(f"CREATE TABLE {place()}{name} AS SELECT 7 AS x")
            with store.transaction():
                store.execute("INSERT INTO store_info SELECT 'x', x FROM a")
            store.execute("DROP TABLE a")
            assert store.execute("SELECT x FROM b") == [(7,)]
            assert "b" not in store.tables()
        assert store.execute("SELECT current_setting('search_path'), current_database()") == before
        with pytest.raises(DatabaseError):
            store.execute("SELECT x FROM b")
    assert [path.name for path in tmp_path.rglob("scratch*")] == []


def test_a_long_file_loads_as_a_short_one_does(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Good, bad, blank, repeated and corrected rows, decimal commas, and the same again."""
    first, second = tmp_path / "first.csv", tmp_path / "second.csv"
    first.write_text(
        "machine_id;read_at;hours\nA;2024-01-01;1,5\nA;2024-01-01;2,5\nB;2024-01-02;x\n;;\nC;2024-01-03;3\n",
        encoding="utf-8",
    )
    second.write_text("machine_id,read_at,hours\nC,2024-01-03,4\nD,2024-01-04,5\n", encoding="utf-8")
    told = []
    for limit in (1 << 30, 0):
        monkeypatch.setattr("fleetlog.intake.reading.LONG", limit)
        with open_store(tmp_path / f"{limit}.duckdb", create=True) as store:
            results = [load_paths(store, [path]).files for path in (first, second, first)]
            checked = load_paths(store, [second], check_only=True).files
            stored = [
                store.execute(f"FROM {name} ORDER BY ALL")
                for name in ("meter_readings", "rejected_row", "change_log")
            ]
            told.append((results, checked, stored))
    assert told[0] == told[1]
    assert [file.corrected for (file,) in told[0][0]] == [1, 1, 0]
    assert told[0][0][0][0].rejected == 1
