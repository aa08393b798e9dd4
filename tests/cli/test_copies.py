"""backup and restore from the command line."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

from calls import Command


def test_backup_and_restore(fleetlog: Command, demo_store: Path, tmp_path: Path) -> None:
    store, copy = tmp_path / "fleet.duckdb", tmp_path / "copy.duckdb"
    shutil.copyfile(demo_store, store)
    assert "whole copy" in fleetlog("backup", str(copy), store=store).err
    store.write_bytes(b"ruined")
    done = fleetlog("restore", str(copy), store=store)
    assert done.code == 0
    assert "kept as" in done.err
    rows = fleetlog("query", "SELECT count(*) AS n FROM machines", "--format", "json", store=store)
    assert json.loads(rows.out) == [{"n": 205}]


def test_restore_from_nothing(fleetlog: Command, demo_store: Path, tmp_path: Path) -> None:
    done = fleetlog("restore", str(tmp_path / "none.duckdb"), store=tmp_path / "fleet.duckdb")
    assert done.code == 2
    assert "no file" in done.err
