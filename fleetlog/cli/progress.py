"""How far a load or a report has come: bars on a terminal, nothing in a pipe."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

if TYPE_CHECKING:
    from rich.console import Console

    from fleetlog.intake import Progress, ProgressCallback

LONGEST_NAME = 32
"""Characters of a file's name that are shown; the middle of a longer one is left out."""

LONG_FILE = 1_000_000
"""Bytes of a file, on average, from which each of its stages is drawn."""


def wants_bars(stream: TextIO) -> bool:
    """Whether someone looks on: the stream is a terminal that can move its cursor."""
    try:
        terminal = stream.isatty()
    except ValueError:  # closed
        return False
    return terminal and os.environ.get("TERM", "") not in ("", "dumb")


@contextmanager
def load_progress(stream: TextIO | None = None) -> Iterator[ProgressCallback | None]:
    """A callback for `load_paths` that draws bars while the block runs; None where nobody looks on.

    The bars show what is being done with which file, files, bytes, rows and the time left, move while a long
    file is read, and are gone when the block ends.

    Args:
        stream: where to draw; standard error where left out.
    """
    stream = stream or sys.stderr
    if not wants_bars(stream):
        yield None
        return
    from rich.console import Console

    with bars(Console(file=stream)) as callback:
        yield callback


@contextmanager
def stage_progress(stages: int, stream: TextIO | None = None) -> Iterator[Callable[[str], None]]:
    """What is told of each stage as it begins; a terminal shows it with the time gone, a pipe nothing.

    Args:
        stages: how many there will be.
        stream: where to draw; standard error where left out.
    """
    stream = stream or sys.stderr
    if not wants_bars(stream):
        yield lambda stage: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, SpinnerColumn, TextColumn, TimeElapsedColumn

    columns = (SpinnerColumn(), BarColumn(bar_width=16), TextColumn("{task.description}", markup=False))
    with Progress(*columns, TimeElapsedColumn(), console=Console(file=stream), transient=True) as drawn:
        task = drawn.add_task("", total=stages)
        begun = 0

        def tell(stage: str) -> None:
            nonlocal begun
            drawn.update(task, completed=begun, description=f"{begun + 1}/{stages} {stage}")
            begun += 1

        yield tell


@contextmanager
def bars(console: Console) -> Iterator[ProgressCallback]:
    """A callback that draws on a console while the block runs."""
    from rich.progress import (
        BarColumn,
        DownloadColumn,
        SpinnerColumn,
        TextColumn,
        TimeElapsedColumn,
        TimeRemainingColumn,
    )
    from rich.progress import Progress as Bars

    with Bars(
        SpinnerColumn(),
        TextColumn("{task.description}", markup=False),
        BarColumn(bar_width=24),
        TextColumn("{task.fields[files]}", markup=False),
        DownloadColumn(),
        TextColumn("{task.fields[rows]}", markup=False),
        TimeElapsedColumn(),
        TimeRemainingColumn(compact=True),
        console=console,
        transient=True,
    ) as drawn:
        task = drawn.add_task("", total=None, files="", rows="")
        stage = ""

        def show(progress: Progress) -> None:
            nonlocal stage
            # Each stage of a long file is drawn, however short; with many small ones that would cost more.
            turned = progress.stage != stage and progress.bytes >= LONG_FILE * progress.files
            stage = progress.stage
            drawn.update(
                task,
                refresh=turned,
                description=" ".join(part for part in (progress.stage, short_name(progress.path)) if part),
                total=max(progress.bytes, 1),
                completed=progress.bytes_done,
                files=f"{progress.files_done}/{progress.files} files",
                rows=f"{progress.rows_done:,} rows",
            )

        yield show


def short_name(path: str) -> str:
    """A file's name as one line of at most `LONGEST_NAME` characters, with nothing that moves a cursor."""
    name = "".join(c if c.isprintable() else "?" for c in Path(path).name)
    if len(name) <= LONGEST_NAME:
        return name
    half = (LONGEST_NAME - 1) // 2
    return f"{name[:half]}…{name[-half:]}"
