"""What a shell proposes: commands, options and values, asked as its completion script asks."""

from __future__ import annotations

import os
import subprocess
import sys

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
    ],
    ids=" ".join,
)
def test_values_are_proposed(words: tuple[str, ...], expected: list[str]) -> None:
    assert proposed(*words) == expected
