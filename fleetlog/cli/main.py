"""The command line: reads arguments, calls one finding, prints. No arithmetic, no SQL."""

from __future__ import annotations

import gc
import os
import signal
import socket
import sys
import threading
from functools import cache
from pathlib import Path
from types import FrameType
from typing import Annotated, NoReturn

import typer

from fleetlog.cli import asking, cards, data, loading, pictures, reference, simulating
from fleetlog.cli.terminal import fit_code_pages, shown
from fleetlog.errors import FleetlogError, StoreError, UsageError

UNEXPECTED = 70
"""Exit code when the program itself is at fault (EX_SOFTWARE of sysexits.h)."""

INTERRUPTED = 130
"""Exit code after a Ctrl-C, as shells count it."""

_RARELY = (50_000, 20, 20)
"""How seldom to look for objects that only each other holds: a command makes many that stay, few of those, and ends."""

WIDEST_HELP = 120
"""Letters of a line of help in a wide window: longer ones are hard to read."""

app = typer.Typer(
    name="fleetlog",
    help="Service history and failure analytics for yards that keep skid-steer and compact track loaders.",
    epilog="Begin with: fleetlog demo",
    no_args_is_help=True,
    add_completion=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": WIDEST_HELP},
)
for group in (loading, data, asking, cards, pictures, simulating, reference):
    for command in group.COMMANDS:
        # Named here, else the list of commands would cut the sentence short.
        sentence = (command.__doc__ or "").strip().splitlines()[0]
        app.command(name=command.__name__.removesuffix("_").replace("_", "-"), short_help=sentence)(command)


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
    fit_code_pages()
    gc.set_threshold(*_RARELY)
    interrupted = _note_interruptions()
    try:
        try:
            app()
        finally:
            sys.stdout.flush()
    except BrokenPipeError:
        # The reader of our output has left, as `head` does; nothing is wrong.
        _forget_output()
        sys.exit(0)
    except FleetlogError as error:
        if interrupted:
            _stopped()
        _leave(str(error), error.exit_code)
    except KeyboardInterrupt:
        _stopped()
    except SystemExit as left:
        if interrupted or left.code == INTERRUPTED:
            _stopped()
        raise
    except OSError as error:
        if interrupted:
            _stopped()
        _leave(
            f"The work could not be done ({error.strerror or error}{_place(error)}).", UsageError.exit_code
        )
    except Exception as error:
        if interrupted:
            _stopped()
        if os.environ.get("FLEETLOG_DEBUG"):
            raise
        if _by_the_engine(error):
            _leave(
                f"The store could not be read to its end ({_one_line(error)[:200]}); see whether it is damaged "
                "with 'fleetlog check', and restore it from a copy if it is.",
                StoreError.exit_code,
            )
        _leave(
            f"fleetlog itself failed ({type(error).__name__}: {_one_line(error)}); nothing was lost. "
            "Please report it; FLEETLOG_DEBUG=1 shows where.",
            UNEXPECTED,
        )


def _note_interruptions() -> list[bool]:
    """A list that is filled by the first Ctrl-C: libraries may turn what it raises into errors of their own."""
    heard: list[bool] = []

    def hear(number: int, frame: FrameType | None) -> None:
        heard.append(True)
        raise KeyboardInterrupt

    if threading.current_thread() is threading.main_thread():
        signal.signal(signal.SIGINT, hear)
        _wake_the_engine()
    return heard


@cache
def _wake_the_engine() -> None:
    """Lets a Ctrl-C end a statement at work: while the engine runs one, Python's own handler has to wait."""
    listening, told = socket.socketpair()
    told.setblocking(False)
    signal.set_wakeup_fd(told.fileno(), warn_on_full_buffer=False)

    def listen() -> None:
        while heard := listening.recv(64):
            connections = sys.modules.get("fleetlog.store.connection")
            if signal.SIGINT in heard and connections is not None:
                connections.interrupt_statements()
        told.close()

    threading.Thread(target=listen, daemon=True).start()


def _stopped() -> NoReturn:
    """What to say after a Ctrl-C: the store is as it was, unless it has been written by then."""
    writing = sys.modules.get("fleetlog.store.working_copy")
    if writing is not None and writing.published:
        _leave("Stopped; the store holds what was stored before that.", INTERRUPTED)
    _leave("Stopped; the store is as it was.", INTERRUPTED)


def _by_the_engine(error: BaseException | None) -> bool:
    """Whether the store's engine raised it, or what led to it."""
    while error is not None:
        if type(error).__module__.partition(".")[0] in ("duckdb", "_duckdb") or "duckdb" in str(error):
            return True
        error = error.__cause__ or error.__context__
    return False


def _place(error: OSError) -> str:
    return f": {error.filename}" if error.filename else ""


def _forget_output() -> None:
    """Nobody hears what is left to print; what Python still holds back must not fail at its end."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _one_line(error: Exception) -> str:
    lines = str(error).splitlines()
    return lines[0] if lines else ""


def _leave(text: str, code: int) -> NoReturn:
    print(shown(f"fleetlog: {text}"), file=sys.stderr)
    try:
        sys.stdout.flush()
    except (OSError, ValueError):
        _forget_output()
    sys.exit(code)
