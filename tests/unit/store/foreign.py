"""Programs that know nothing of our lock and write to a store's own file."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from fleetlog.store.working_copy import log_of

_KILLED_AFTER_COMMIT = """
import duckdb, os, signal, sys
connection = duckdb.connect(sys.argv[1])
connection.execute(sys.argv[2])
os.kill(os.getpid(), signal.SIGKILL)
"""

_HOLDS = """
import duckdb, sys
connection = duckdb.connect(sys.argv[1])
print("open", flush=True)
sys.stdin.read()
"""


def leave_a_log(store: Path, sql: str) -> None:
    """Commits a change and dies before it is more than an entry in the log beside the file."""
    subprocess.run([sys.executable, "-c", _KILLED_AFTER_COMMIT, str(store), sql], check=False)
    assert log_of(store).stat().st_size > 0


@contextmanager
def held_for_writing(store: Path) -> Iterator[None]:
    """Another process has the store's own file open for writing."""
    with subprocess.Popen(
        [sys.executable, "-c", _HOLDS, str(store)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as other:
        assert other.stdout is not None
        assert other.stdin is not None
        assert other.stdout.readline() == "open\n"
        try:
            yield
        finally:
            other.stdin.close()
