"""The reference of the command line, from the commands themselves."""

from __future__ import annotations

from collections.abc import Iterator
from enum import Enum
from typing import Any

import typer.main

from fleetlog.cli.main import app
from generators.markdown import code, table, words
from generators.markdown import page as whole_page

INTRODUCTION = """\
Written by the program itself when this site is built. `fleetlog COMMAND --help` says the same on a screen.

Exit codes: 0 done; 2 usage or bad input; 3 store busy, damaged or of another
version; 70 an error of fleetlog itself. Data go to standard output, everything else to standard error.
"""


def page() -> str:
    """The page: options of the program, then every command with its usage, words, options and example."""
    group: Any = typer.main.get_command(app)
    shown = {name: command for name, command in group.commands.items() if not command.hidden}
    overview = table(
        ["command", "does"], ([f"[`{name}`](#{name})", _paragraphs(one)[0]] for name, one in shown.items())
    )
    general = "## For every command\n\nThey stand before the command's name.\n\n" + _options(group)
    return whole_page(
        "Commands", INTRODUCTION, overview, general, *(_section(name, one) for name, one in shown.items())
    )


def _section(name: str, command: Any) -> str:
    *paragraphs, example = _paragraphs(command)
    usage = " ".join(["fleetlog", name, *_arguments(command), "[OPTIONS]"])
    parts = [
        f"## {name}",
        *(words(paragraph) for paragraph in paragraphs),
        f"```text\n{usage}\n```",
        _options(command),
        f"```sh\n{example.removeprefix('Example: ')}\n```",
    ]
    return "\n\n".join(part for part in parts if part)


def _paragraphs(command: Any) -> list[str]:
    return [" ".join(part.split()) for part in (command.help or "").strip().split("\n\n")]


def _arguments(command: Any) -> Iterator[str]:
    for one in command.params:
        if one.param_type_name == "argument":
            name = one.metavar or one.name.upper()
            yield f"{name}…" if one.nargs == -1 else name if one.required else f"[{name}]"


def _options(command: Any) -> str:
    rows = [
        [_call(one), one.help or "", code(_default(one))]
        for one in command.params
        if one.param_type_name == "option" and not getattr(one, "hidden", False)
    ]
    return table(["option", "means", "default"], rows) if rows else ""


def _call(option: Any) -> str:
    value = "" if option.is_flag else f" {option.metavar or 'VALUE'}"
    return code(f"{option.opts[0]}{value}")


def _default(option: Any) -> str:
    value = option.default() if callable(option.default) else option.default
    if option.is_flag or value is None or value in ((), []):
        return ""
    return str(value.value if isinstance(value, Enum) else value)
