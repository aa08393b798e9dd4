"""How long `fleetlog --help` takes, against an empty typer app in the same interpreter.

Usage: python tests/benchmarks/bench_startup.py [runs]
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

EMPTY = "import typer\napp = typer.Typer()\n@app.command()\ndef nothing() -> None:\n    pass\napp()\n"


def seconds(command: list[str]) -> float:
    begin = time.perf_counter()
    subprocess.run(command, check=True, capture_output=True)
    return time.perf_counter() - begin


def main(runs: int) -> None:
    with tempfile.TemporaryDirectory() as folder:
        empty = Path(folder) / "empty.py"
        empty.write_text(EMPTY, encoding="utf-8")
        peers = {
            "empty typer app": [sys.executable, str(empty), "--help"],
            "fleetlog --help": [sys.executable, "-m", "fleetlog", "--help"],
        }
        # Taken in turns, so that whatever else the machine does hits both alike.
        times: dict[str, list[float]] = {name: [] for name in peers}
        for _ in range(runs):
            for name, command in peers.items():
                times[name].append(seconds(command))
    medians = {name: statistics.median(values) for name, values in times.items()}
    for name, median in medians.items():
        print(f"{name:<20} {median * 1000:7.0f} ms (median of {runs})")
    print(f"ratio                {medians['fleetlog --help'] / medians['empty typer app']:7.2f}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 15)
