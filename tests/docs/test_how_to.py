"""The commands that the how-tos show run on the demo fleet, and what the decisions point to is there."""

from __future__ import annotations

import re
import shlex
import shutil
from pathlib import Path

import pytest
from typer.testing import CliRunner

from fleetlog.cli.main import app

ROOT = Path(__file__).parents[2]
PAGES = ROOT / "docs" / "pages"
NEEDS_FILES = "fleetlog load"
"""Commands that show a yard's own files by name."""


def commands(page: Path) -> list[str]:
    found = re.findall(r"```sh\n(.*?)```", page.read_text(encoding="utf-8"), re.DOTALL)
    lines = [line for block in found for line in block.splitlines()]
    return [line for line in lines if line and not line.startswith(NEEDS_FILES)]


HOW_TO = sorted((PAGES / "how-to").glob("*.md"))
DECISIONS = sorted(path for path in (PAGES / "decisions").glob("*.md") if path.name != "index.md")


def test_there_are_pages_for_four_readers() -> None:
    assert {path.stem for path in HOW_TO} == {"manager", "planner", "analyst", "mechanic"}


@pytest.mark.slow
@pytest.mark.parametrize("page", HOW_TO, ids=lambda page: page.stem)
def test_commands_run(page: Path, demo_store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    shutil.copytree(demo_store.parent, tmp_path / "yard", ignore=shutil.ignore_patterns(".*"))
    monkeypatch.chdir(tmp_path / "yard")
    shown = commands(page)
    assert len(shown) >= 5
    for line in shown:
        program, *arguments = shlex.split(line)
        assert program == "fleetlog"
        done = CliRunner().invoke(app, arguments)
        assert done.exit_code == 0, f"{line}: {done.output} {done.exception!r}"
        if "--out" in arguments:
            assert Path(arguments[arguments.index("--out") + 1]).exists(), line
        else:
            assert done.output.strip(), line


@pytest.mark.parametrize("page", DECISIONS, ids=lambda page: page.stem)
def test_a_decision_says_what_why_and_at_what_cost(page: Path) -> None:
    text = page.read_text(encoding="utf-8")
    for part in ("**Decided.**", "**Why.**", "**What it costs.**"):
        assert text.count(part) == 1, part
    assert text.index("**Decided.**") < text.index("**Why.**") < text.index("**What it costs.**")


@pytest.mark.parametrize("page", [*DECISIONS, *HOW_TO], ids=lambda page: page.stem)
def test_places_in_the_code_exist(page: Path) -> None:
    for place in re.findall(
        r"`((?:fleetlog|sql|tests|reports|docs)/[\w./-]*)`", page.read_text(encoding="utf-8")
    ):
        assert (ROOT / place).exists(), place
