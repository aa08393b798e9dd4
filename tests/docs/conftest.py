"""The README's report, run once: its files, and the findings that it was written from."""

from __future__ import annotations

import json
import pickle
import re
import shlex
from pathlib import Path
from typing import Any

import pytest
from forks import Forks

ROOT = Path(__file__).parents[2]

# The command as it is, but that what it gathers is also put aside, for whoever writes it again at another time.
_REPORT = """
import pickle, sys
import fleetlog.reporting.gather as reporting
from fleetlog.cli.main import run

gather, place = reporting.gather, sys.argv.pop(1)

def kept(*arguments, **how):
    findings = gather(*arguments, **how)
    with open(place, "wb") as file:
        pickle.dump(findings, file)
    return findings

reporting.gather = kept
run()
"""


@pytest.fixture(scope="session")
def june(shared: Any, forks: Forks, demo_store: Path) -> Path:
    """The folder in which the README's `fleetlog report` ran: `done.json`, `findings.pickle` and the report."""

    def run(place: Path) -> None:
        readme = (ROOT / "README.md").read_text(encoding="utf-8")
        (line,) = re.findall(r"(?m)^fleetlog (report .*)$", readme)
        done = forks.run(
            _REPORT, place / "findings.pickle", "--store", demo_store, *shlex.split(line), cwd=place
        )
        (place / "done.json").write_text(json.dumps([done.returncode, done.stdout, done.stderr]))

    return Path(shared("june", run))


@pytest.fixture(scope="session")
def june_findings(june: Path) -> Any:
    """What the demo fleet's June comes to."""
    return pickle.loads((june / "findings.pickle").read_bytes())
