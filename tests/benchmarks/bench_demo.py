"""How long `fleetlog demo` takes from nothing to the report.

Usage: python tests/benchmarks/bench_demo.py [runs]
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path


def main(runs: int) -> None:
    times = []
    for _ in range(runs):
        with tempfile.TemporaryDirectory() as folder:
            begin = time.perf_counter()
            command = [sys.executable, "-m", "fleetlog", "demo", str(Path(folder) / "demo")]
            subprocess.run(command, check=True, capture_output=True)
            times.append(time.perf_counter() - begin)
    print(f"demo: {statistics.median(times):.1f} s (median of {runs}; limit 15 s on two cores)")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 3)
