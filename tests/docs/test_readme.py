"""The README says what the program does: its tables, its two commands and its examples."""

from __future__ import annotations

import importlib.util
import json
import re
import shlex
from pathlib import Path

import pytest
from forks import COMMAND, Forks

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
def test_examples_run(line: str, demo_store: Path, june: Path, forks: Forks, tmp_path: Path) -> None:
    program, *arguments = shlex.split(line)
    assert program == "fleetlog"
    if arguments[0] != "report":
        done = forks.run(COMMAND, "--store", demo_store, *arguments, cwd=tmp_path)
        assert done.returncode == 0, done.stderr
        assert done.stdout.strip()
        return
    code, out, err = json.loads((june / "done.json").read_text())
    assert code == 0, err
    page = june / "june" / "report.html"
    assert out.strip() == str(page.relative_to(june))
    assert "June 2026" in page.read_text(encoding="utf-8")
    assert list((june / "june" / "tables").glob("*.csv"))


def test_python_example_runs(demo_store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (code,) = blocks("python")
    monkeypatch.chdir(tmp_path)
    exec(compile(code.replace('"fleetlog.duckdb"', repr(str(demo_store))), "README.md", "exec"), {})
    assert (tmp_path / "survival.html").stat().st_size > 10_000
