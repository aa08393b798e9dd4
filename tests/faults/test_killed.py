"""Loads killed with SIGKILL at random points, and a disk that fills up.

The store opens, has all of a load or nothing of it, and a repeat completes it.
"""

from __future__ import annotations

import hashlib
import random
import signal
import time
from pathlib import Path
from typing import Any

import pytest
from forks import Forks, Process

from fleetlog.intake import load_paths
from fleetlog.store import Store, open_store
from fleetlog.store.dictionary import KINDS
from fleetlog.store.integrity import broken_invariants

from .conftest import NOW

KILLS = 15
READINGS = 20_000

# Says when it is about to begin, so that the kill falls into the load.
LOADER = """
import sys
from datetime import datetime
from pathlib import Path
from fleetlog.intake import load_paths
from fleetlog.store import open_store
print("ready", flush=True)
with open_store(Path(sys.argv[1]), create=True) as store:
    load_paths(store, [Path(sys.argv[2])], now=datetime(2026, 6, 1, 12))
print("done", flush=True)
"""


def write_fleet(folder: Path) -> None:
    """Files of four kinds: bad rows, keys that come twice, corrections from file to file, rows that wait."""
    folder.mkdir()
    machines = "".join(f"M{i:03},{2010 + i % 12},{'North' if i % 2 else 'South'}\n" for i in range(200))
    (folder / "1_machines.csv").write_text("machine_id,build_date,site\n" + machines + "M999,never,\n")
    (folder / "2_machines.csv").write_text("machine_id,site\nM001,West\nM002,West\nM001,East\n")
    for year in (2023, 2024):
        rows = (
            f"M{i % 210:03},{year}-{1 + i % 12:02}-{1 + i // 210 % 28:02}T{i // 5880:02}:00,"
            f"{'n/a' if i % 5000 == 17 else i // 210},telematics\n"
            for i in range(READINGS)
        )
        (folder / f"3_readings_{year}.csv").write_text("machine_id,read_at,hours,source\n" + "".join(rows))
    # Some of the readings once more, corrected.
    again = (f"M{i % 210:03},2024-{1 + i % 12:02}-01T00:00,{i // 210 + 0.5},telematics\n" for i in range(150))
    (folder / "4_readings_again.csv").write_text("machine_id,read_at,hours,source\n" + "".join(again))
    orders = "".join(f"W{i},M{i % 200:03},2024-05-{1 + i % 28:02},\n" for i in range(2_000))
    (folder / "5_orders.csv").write_text("work_order_id,machine_id,opened_at,closed_at\n" + orders)
    lines = "".join(f"W{i},1,inspect,{i % 7}\n" for i in range(2_100))
    (folder / "6_lines.csv").write_text("work_order_id,line_no,action,labour_hours\n" + lines)


def contents(store: Store) -> dict[str, list[dict[str, Any]]]:
    """Everything that loading stores, the number of a file replaced by its name."""
    found = {}
    for kind in KINDS:
        found[kind] = store.select(
            f"SELECT k.* EXCLUDE (file_id), f.path FROM {kind} AS k JOIN source_file AS f USING (file_id) "
            "ORDER BY ALL"
        ).to_dicts()
    found["rejected_row"] = store.select(
        "SELECT f.path, r.row_no, r.kind, column_name, value, reason, raw, resolved_by FROM rejected_row AS r "
        "JOIN source_file AS f USING (file_id) ORDER BY ALL"
    ).to_dicts()
    found["change_log"] = store.select(
        "SELECT c.kind, row_key, old_row, new_row, o.path AS old_path, old_row_no, n.path AS new_path, new_row_no "
        "FROM change_log AS c JOIN source_file AS o ON o.file_id = old_file_id "
        "JOIN source_file AS n ON n.file_id = new_file_id ORDER BY ALL"
    ).to_dicts()
    return found


def assert_whole(store: Store) -> None:
    """What is in the store is files as a whole: every file on record has all its rows, every row its file."""
    assert broken_invariants(store) == []
    for kind, description in KINDS.items():
        key = ", ".join(description.key)
        twice = f"SELECT {key} FROM {kind} GROUP BY ALL HAVING count(*) > 1 LIMIT 1"
        assert store.execute(twice) == []
        orphans = f"SELECT 1 FROM {kind} WHERE file_id NOT IN (SELECT file_id FROM source_file) LIMIT 1"
        assert store.execute(orphans) == []
    unbalanced = (
        "SELECT path FROM source_file "
        "WHERE rows_read <> rows_new + rows_known + rows_corrected + rows_rejected + rows_waiting"
    )
    assert store.execute(unbalanced) == []
    stored, recorded = store.execute(
        "SELECT (SELECT count(*) FROM meter_readings), "
        "(SELECT coalesce(sum(rows_new + rows_waiting), 0) FROM source_file WHERE kind = 'meter_readings')"
    )[0]
    assert stored == recorded


def digest(path: Path) -> str:
    """What a file holds, "" where there is none."""
    return hashlib.sha256(path.read_bytes()).hexdigest() if path.exists() else ""


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("fleet") / "files"
    write_fleet(folder)
    return folder


@pytest.fixture(scope="module")
def undisturbed(fleet: Path) -> dict[str, list[dict[str, Any]]]:
    with open_store(None) as store:
        load_paths(store, [fleet], now=NOW)
        assert_whole(store)
        found = contents(store)
    assert len(found["meter_readings"]) > READINGS
    assert found["rejected_row"]
    assert found["change_log"]
    return found


def start(forks: Forks, store: Path, fleet: Path) -> Process:
    process = forks.start(LOADER, store, fleet)
    assert process.stdout.readline() == "ready\n"
    return process


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(4))
def test_killed_and_run_again(
    seed: int, forks: Forks, fleet: Path, undisturbed: dict[str, list[dict[str, Any]]], tmp_path: Path
) -> None:
    first = start(forks, tmp_path / "timed.duckdb", fleet)
    began = time.perf_counter()
    first.communicate()
    takes = time.perf_counter() - began
    chance = random.Random(seed)
    cut_short = 0
    path = tmp_path / "fleet.duckdb"
    for kill in range(KILLS):
        before = digest(path)
        process = start(forks, path, fleet)
        time.sleep(chance.uniform(0, takes))
        process.send_signal(signal.SIGKILL)
        out, _ = process.communicate()
        cut_short += "done" not in out
        if digest(path) != before:  # the kill came too late: all of the load is there
            with open_store(path) as store:
                assert_whole(store)
                assert contents(store) == undisturbed
        # Every fifth time the load is repeated in peace; otherwise the next one meets what this one left.
        if kill % 5 == 4:
            with open_store(path, create=True) as store:
                load_paths(store, [fleet], now=NOW)
            with open_store(path) as store:
                assert_whole(store)
                assert contents(store) == undisturbed
            assert list(tmp_path.glob(".fleet.duckdb.writer/draft-*")) == []
            # In turns, the next loads begin with nothing, or with a part that was loaded in peace.
            path.unlink()
            if kill % 2:
                with open_store(path, create=True) as store:
                    load_paths(store, sorted(fleet.iterdir())[:3], now=NOW)
    assert cut_short >= 3, "too few kills met a load at work; the machine's speed changed while this ran"


FULL = """
import resource, signal, sys
from datetime import datetime
from pathlib import Path
from fleetlog.errors import StoreError
from fleetlog.intake import load_paths
from fleetlog.store import open_store
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
size = int(sys.argv[3])
resource.setrlimit(resource.RLIMIT_FSIZE, (size, size))
try:
    with open_store(Path(sys.argv[1]), create=True) as store:
        load_paths(store, [Path(sys.argv[2])], now=datetime(2026, 6, 1, 12))
except StoreError as error:
    print(error)
    sys.exit(error.exit_code)
"""


@pytest.mark.slow
@pytest.mark.parametrize("loaded", [0, 1, 3])
@pytest.mark.parametrize("room", [100_000, 900_000, 1_300_000, 1_800_000, 2_600_000])
def test_a_disk_that_fills_up(
    room: int,
    loaded: int,
    forks: Forks,
    fleet: Path,
    undisturbed: dict[str, list[dict[str, Any]]],
    tmp_path: Path,
) -> None:
    """No file may grow beyond some size, as on a full disk: one sentence, and a repeat with room completes it.

    The room is used up while the store is made or copied, while files are loaded, or at the very end.
    """
    path = tmp_path / "fleet.duckdb"
    if loaded:
        with open_store(path, create=True) as store:
            load_paths(store, sorted(fleet.iterdir())[:loaded], now=NOW)
    before = digest(path)
    run = forks.run(FULL, path, fleet, room)
    assert run.returncode == 3, (run.stdout, run.stderr)
    assert run.stdout.count("\n") == 1
    assert "is as it was" in run.stdout or "nothing of it was loaded, the store is as it was" in run.stdout
    assert digest(path) == before
    with open_store(path, create=True) as store:
        load_paths(store, [fleet], now=NOW)
    with open_store(path) as store:
        assert_whole(store)
        assert contents(store) == undisturbed
