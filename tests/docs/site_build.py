"""Builds the documentation site as a reader would, in a process of its own."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]


def build(place: Path) -> None:
    """Builds the site strictly into `place`; a warning fails."""
    command = [sys.executable, "-m", "mkdocs", "build", "--strict", "-f", str(ROOT / "docs" / "mkdocs.yml")]
    known = {**os.environ, "PYTHONPATH": os.pathsep.join([str(ROOT), os.environ.get("PYTHONPATH", "")])}
    done = subprocess.run(
        [*command, "-d", str(place)], capture_output=True, text=True, cwd=ROOT, env=known, check=False
    )
    assert done.returncode == 0, done.stderr
