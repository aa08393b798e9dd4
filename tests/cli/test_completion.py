"""What a shell proposes: commands, options and values, asked as its completion script asks."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest


def proposed(*words: str) -> list[str]:
    """What bash is told for the last of the words."""
    ask = {
        "_FLEETLOG_COMPLETE": "complete_bash",
        "COMP_WORDS": " ".join(("fleetlog", *words)),
        "COMP_CWORD": str(len(words)),
    }
    code = "import sys; sys.argv = ['fleetlog']; from fleetlog.cli.main import app; app(prog_name='fleetlog')"
    done = subprocess.run(
        [sys.executable, "-c", code], env={**os.environ, **ask}, capture_output=True, text=True, check=False
    )
    assert done.stderr == ""
    return done.stdout.split()


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (("sus",), ["suspects"]),
        (("chart", "mean"), ["mean-cumulative"]),
        (("export", "meter_r"), ["meter_readings"]),
        (("explain", "weib"), ["weibull"]),
        (("faults", "neu"), ["neutral-return"]),
        (("survival", "--component", "internal"), ["internal_bushing"]),
        (("survival", "--interval", "log-"), ["log-log"]),
        (("suspects", "--fault", "oil"), ["oil-overheating"]),
        (("survival", "--by", "variant,bui"), ["variant,build_year"]),
        (("plan", "--policy", "wai"), ["wait"]),
        (("suspects", "--format", "ma"), ["markdown"]),
    ],
    ids=" ".join,
)
def test_values_are_proposed(words: tuple[str, ...], expected: list[str]) -> None:
    assert proposed(*words) == expected


def test_machines_and_sites_are_proposed_from_the_store(
    demo_store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FLEETLOG_STORE", str(demo_store))
    assert proposed("unit", "18") == ["18", *(str(number) for number in range(180, 190))]
    assert proposed("jobcard", "37") == ["37"]
    assert proposed("suspects", "--site", "Tol") == ["Tolbeck"]
    assert proposed("suspects", "--build-year", "201") == [str(year) for year in range(2012, 2020)]
    monkeypatch.setenv("FLEETLOG_STORE", str(tmp_path / "none.duckdb"))
    assert proposed("unit", "3") == []
