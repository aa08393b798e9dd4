"""Every call that changes a file may fail: one sentence, a whole store, nothing half-written left.

A library that is loaded before all others lets the n-th call fail that touches the test's folder. `FLEETLOG_CALLS=1000`
tries every call up to that number; without it a few of each command.
"""

from __future__ import annotations

import errno
import os
import random
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from fleetlog.store import open_store
from fleetlog.store.integrity import broken_invariants

MOST = int(os.environ.get("FLEETLOG_CALLS", "2"))
COMPILER = shutil.which("cc")

pytestmark = [
    pytest.mark.skipif(sys.platform != "linux" or not COMPILER, reason="needs Linux and a C compiler"),
    pytest.mark.slow,
]


@pytest.fixture(scope="module")
def library(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("library") / "failing_calls.so"
    source = Path(__file__).with_name("failing_calls.c")
    subprocess.run([str(COMPILER), "-shared", "-fPIC", "-w", "-o", made, source, "-ldl"], check=True)
    return made


COMMANDS = {
    "load": lambda yard: ("load", yard.parent / "orders.csv"),
    "backup": lambda yard: ("backup", yard / "copy.duckdb"),
    "restore": lambda yard: ("restore", yard.parent / "start.duckdb"),
    "export": lambda yard: ("export", "meter_readings", "--out", yard / "readings.xlsx"),
    "lake": lambda yard: ("export", "tables", "--out", yard / "lake"),
    "worksheet": lambda yard: ("worksheet", yard / "week.xlsx"),
}


@pytest.mark.parametrize("what", COMMANDS)
def test_any_call_may_fail(what: str, library: Path, tmp_path: Path) -> None:
    (tmp_path / "machines.csv").write_text(
        "machine_id,build_date\n" + "".join(f"{i},2016\n" for i in range(20))
    )
    readings = "".join(f"{i % 20},2024-{1 + i // 20:02}-05,{100 + i}\n" for i in range(240))
    (tmp_path / "readings.csv").write_text("machine_id,read_at,hours\n" + readings)
    orders = "".join(f"W{i},{i % 20},2024-05-0{1 + i % 9},creeps in neutral\n" for i in range(40))
    (tmp_path / "orders.csv").write_text("work_order_id,machine_id,opened_at,complaint\n" + orders)
    yard = tmp_path / "yard"

    def call(*arguments: object, at: int, number: int = 0) -> subprocess.CompletedProcess[str]:
        told = {
            "LD_PRELOAD": str(library),
            "FAIL_AT": str(at),
            "FAIL_ERRNO": str(number),
            "FAIL_BELOW": str(yard),
            "FAIL_LOG": str(tmp_path / "calls"),
        }
        command = [sys.executable, "-m", "fleetlog", "--store", yard / "s.duckdb", *arguments]
        return subprocess.run(
            list(map(str, command)), env={**os.environ, **told}, capture_output=True, text=True, check=False
        )

    def begin() -> None:
        shutil.rmtree(yard, ignore_errors=True)
        yard.mkdir()
        shutil.copy(tmp_path / "start.duckdb", yard / "s.duckdb")

    yard.mkdir()
    made = call("load", tmp_path / "machines.csv", tmp_path / "readings.csv", at=0)
    assert made.returncode == 0, made.stderr
    shutil.copy(yard / "s.duckdb", tmp_path / "start.duckdb")
    begin()
    assert call(*COMMANDS[what](yard), at=0).returncode == 0
    calls = int((tmp_path / "calls").read_text())
    assert calls > 2
    chosen = sorted(random.Random(what).sample(range(1, calls + 1), min(MOST, calls)))
    for at in chosen:
        for number in (errno.ENOSPC, errno.EIO):
            begin()
            before = (yard / "s.duckdb").read_bytes()
            done = call(*COMMANDS[what](yard), at=at, number=number)
            assert done.returncode in (0, 2, 3), (at, done.stderr)
            if done.returncode:
                assert done.stderr.count("\n") == 1, (at, done.stderr)
            if "as it was" in done.stderr:
                assert (yard / "s.duckdb").read_bytes() == before, at
            assert not [
                path for path in yard.rglob("*") if "draft-" in path.name or path.name.endswith(".writing")
            ]
            with open_store(yard / "s.duckdb") as store:
                assert broken_invariants(store) == []
