"""The command line: reads arguments, calls one finding, prints. No arithmetic, no SQL."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import Annotated

import typer

from fleetlog.cli import asking, data, loading, pictures, reference, simulating
from fleetlog.errors import FleetlogError

UNEXPECTED = 70
"""Exit code when the program itself is at fault (EX_SOFTWARE of sysexits.h)."""

app = typer.Typer(
    name="fleetlog",
    help="Service history and failure analytics for yards that keep skid-steer and compact track loaders.",
    epilog="Begin with: fleetlog demo",
    no_args_is_help=True,
    add_completion=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)
for group in (loading, data, asking, pictures, simulating, reference):
    for command in group.COMMANDS:
        app.command(name=command.__name__.removesuffix("_").replace("_", "-"))(command)


def _version(asked: bool) -> None:
    if asked:
        from importlib.metadata import version

        print(f"fleetlog {version('fleetlog')}")
        raise typer.Exit


@app.callback()
def _chosen_store(
    context: typer.Context,
    store: Annotated[
        Path,
        typer.Option("--store", envvar="FLEETLOG_STORE", help="The store's file.", metavar="PATH"),
    ] = Path("fleetlog.duckdb"),
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version and leave.")
    ] = False,
) -> None:
    context.obj = store


def run() -> None:
    """The entry point: whatever goes wrong ends in one sentence and an exit code, never in a traceback."""
    try:
        app()
    except FleetlogError as error:
        _leave(str(error), error.exit_code)
    except KeyboardInterrupt:
        _leave("Stopped; the store is as it was.", 130)
    except BrokenPipeError:
        # The reader of our output has left, as `head` does; nothing is wrong.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(0)
    except Exception as error:
        if os.environ.get("FLEETLOG_DEBUG"):
            raise
        _leave(
            f"fleetlog itself failed ({type(error).__name__}: {_one_line(error)}); nothing was lost. "
            "Please report it; FLEETLOG_DEBUG=1 shows where.",
            UNEXPECTED,
        )


def _one_line(error: Exception) -> str:
    lines = str(error).splitlines()
    return lines[0] if lines else ""


def _leave(text: str, code: int) -> None:
    print(f"fleetlog: {text}", file=sys.stderr)
    sys.exit(code)
