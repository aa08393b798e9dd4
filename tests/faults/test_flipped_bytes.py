"""Single bits of a store's file turned over: `check` finds it, or it lay where nothing is stored.

`FLEETLOG_FLIPS=1000` turns that many; without it fewer, so that the suite stays quick.
"""

from __future__ import annotations

import os
import random
from pathlib import Path
from typing import Any

import pytest
from forks import COMMAND, Forks

from fleetlog.errors import StoreError
from fleetlog.store import open_store
from fleetlog.store.connection import quoted
from fleetlog.store.integrity import broken_invariants

FLIPS = int(os.environ.get("FLEETLOG_FLIPS", "60"))


def contents(store: Path) -> list[Any]:
    """Rows and hash of all values of every table."""
    with open_store(store) as opened:
        tables = opened.execute(
            "SELECT schema_name, table_name FROM duckdb_tables() WHERE database_name = current_database() ORDER BY ALL"
        )
        return [
            (schema, name, opened.execute(f"SELECT count(*), sum(hash(t)) FROM {schema}.{quoted(name)} AS t"))
            for schema, name in tables
        ]


def flipped(store: Path, to: Path, chance: random.Random, within: range | None = None) -> int:
    """The file with one bit turned over; where."""
    content = bytearray(store.read_bytes())
    place = chance.choice(within) if within else chance.randrange(len(content))
    content[place] ^= 1 << chance.randrange(8)
    to.write_bytes(content)
    return place


def test_a_flipped_byte_is_found_or_changes_nothing(demo_store: Path, tmp_path: Path) -> None:
    chance, good, work = random.Random(FLIPS), contents(demo_store), tmp_path / "flipped.duckdb"
    found = 0
    for _ in range(FLIPS):
        place = flipped(demo_store, work, chance)
        try:
            with open_store(work) as store:
                assert broken_invariants(store) == [], place
        except StoreError:
            found += 1
        else:
            assert contents(work) == good, place
    assert found > FLIPS / 2


def test_the_history_is_looked_at_too(demo_store: Path, tmp_path: Path) -> None:
    work = tmp_path / "flipped.duckdb"
    work.write_bytes(demo_store.read_bytes())
    with open_store(demo_store) as store:
        (block,) = store.execute(
            "SELECT max(block_id) FROM pragma_storage_info('history.running_hours') WHERE persistent"
        )[0]
    first = 3 * 4096 + block * 262_144
    flipped(demo_store, work, random.Random(1), range(first + 64, first + 256))
    with pytest.raises(StoreError, match="damaged"), open_store(work) as store:
        broken_invariants(store)


@pytest.mark.parametrize(
    "arguments", [("status",), ("repeats",), ("query", "SELECT count(*) AS n FROM spell"), ("check",)]
)
def test_a_damaged_store_never_answers_otherwise(
    arguments: tuple[str, ...], forks: Forks, demo_store: Path, tmp_path: Path
) -> None:
    more = ("--history",) if arguments[0] == "query" else ()
    (tmp_path / "fleetlog.toml").write_bytes((demo_store.parent / "fleetlog.toml").read_bytes())
    work = tmp_path / "flipped.duckdb"
    work.write_bytes(demo_store.read_bytes())
    right = forks.run(COMMAND, "--store", work, *arguments, *more)
    assert right.returncode == 0
    chance, failed = random.Random(arguments[0]), 0
    for _ in range(8):
        place = flipped(demo_store, work, chance)
        done = forks.run(COMMAND, "--store", work, *arguments, *more)
        if done.returncode == 0:
            assert done.stdout == right.stdout, place
        else:
            failed += 1
            assert (done.returncode, done.stderr.count("\n")) == (3, 1), done.stderr
    assert failed or arguments[0] != "check"
