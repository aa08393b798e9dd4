"""The README says what the program does: its tables, its two commands and its examples."""

from __future__ import annotations

import importlib.util
import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")

_spec = importlib.util.spec_from_file_location("command_table", Path(__file__).with_name("command_table.py"))
assert _spec is not None
assert _spec.loader is not None
command_table = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(command_table)


def blocks(language: str) -> list[str]:
    return re.findall(rf"```{language}\n(.*?)```", README, re.DOTALL)


def test_tables_are_current() -> None:
    assert command_table.filled(README) == README, "run python tests/docs/command_table.py"


@pytest.mark.parametrize("name", command_table.commands())
def test_every_command_and_option_has_help(name: str) -> None:
    command = command_table.commands()[name]
    assert command.help
    assert f"Example: fleetlog {name}" in command.help
    for option in command_table.options(command):
        assert option.help, f"{name} {option.opts[0]} has no help"
        assert f"`{option.opts[0]}`" in README


def test_ci_runs_the_readme_test_command() -> None:
    _, test_command = (line.strip() for line in blocks("sh")[0].splitlines() + blocks("sh")[1].splitlines())
    assert test_command in (ROOT / ".ci" / "run").read_text(encoding="utf-8")


def test_first_paragraph_is_the_job() -> None:
    head = README.split("\n\n")
    assert head[0] == "# fleetlog"
    assert len(head[1].split()) > 60
    assert "```" not in head[1]


@pytest.mark.parametrize(
    "line", [line for line in blocks("sh")[2].splitlines() if line and not line.startswith("fleetlog load")]
)
def test_examples_run(line: str, demo_store: Path, tmp_path: Path) -> None:
    program, *arguments = shlex.split(line)
    assert program == "fleetlog"
    command = [sys.executable, "-m", "fleetlog", "--store", str(demo_store), *arguments]
    done = subprocess.run(command, capture_output=True, text=True, cwd=tmp_path, check=False)
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip()
    if arguments[0] == "report":
        page = tmp_path / "june" / "report.html"
        assert done.stdout.strip() == str(page.relative_to(tmp_path))
        assert "June 2026" in page.read_text(encoding="utf-8")
        assert list((tmp_path / "june" / "tables").glob("*.csv"))


def test_python_example_runs(demo_store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (code,) = blocks("python")
    monkeypatch.chdir(tmp_path)
    exec(compile(code.replace('"fleetlog.duckdb"', repr(str(demo_store))), "README.md", "exec"), {})
    assert (tmp_path / "survival.html").stat().st_size > 10_000
