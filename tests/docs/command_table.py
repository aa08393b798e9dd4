"""Writes the README's tables of commands and of columns from the program itself.

Run it after a change of a command, an option or the dictionary: python tests/docs/command_table.py
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import typer.main

from fleetlog.cli.main import app
from fleetlog.store.dictionary import KINDS, Column, Kind

README = Path(__file__).parents[2] / "README.md"


def commands() -> dict[str, Any]:
    """Every public command by name (objects of typer's own command class)."""
    group: Any = typer.main.get_command(app)
    return {name: command for name, command in group.commands.items() if not command.hidden}


def options(command: Any) -> Iterator[Any]:
    """A command's own options."""
    return (one for one in command.params if one.param_type_name == "option")


def arguments(command: Any) -> Iterator[str]:
    """A command's arguments as they are written in its usage line."""
    for one in command.params:
        if one.param_type_name == "argument":
            name = one.metavar or one.name.upper()
            yield f"{name}…" if one.nargs == -1 else name if one.required else f"[{name}]"


def command_table() -> str:
    """One row a command: how it is called, what it does, its options."""
    rows = ["| command | does | options |", "|---|---|---|"]
    for name, command in commands().items():
        call = " ".join([name, *arguments(command)])
        does = (command.help or "").strip().splitlines()[0]
        flags = " ".join(f"`{option.opts[0]}`" for option in options(command))
        rows.append(f"| `{call}` | {does} | {flags} |")
    return "\n".join(rows)


def dictionary_table() -> str:
    """One row a kind: its columns, and what tells its rows apart."""
    rows = ["| kind | columns | key |", "|---|---|---|"]
    rows += [f"| `{kind.name}` | {_columns(kind)} | {' + '.join(kind.key)} |" for kind in KINDS.values()]
    return "\n".join(rows)


def _columns(kind: Kind) -> str:
    return " · ".join(_column(column) for column in kind.columns)


def _column(column: Column) -> str:
    words = f" ({', '.join(column.words)})" if column.words else ""
    return f"`{column.name}`{'*' if column.required else ''}{words}"


def filled(text: str) -> str:
    """The README with both tables as they should be."""
    for mark, table in (("commands", command_table()), ("dictionary", dictionary_table())):
        pattern = re.compile(rf"(<!-- {mark}: [^\n]* -->\n).*?(<!-- end of {mark} -->)", re.DOTALL)
        text = pattern.sub(lambda found, table=table: f"{found[1]}{table}\n{found[2]}", text)
    return text


if __name__ == "__main__":
    README.write_text(filled(README.read_text(encoding="utf-8")), encoding="utf-8")
