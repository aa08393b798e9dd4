"""Commands about the data themselves: load, rejects, status, check, query, export."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from fleetlog.cli.options import (
    DEFAULT_COMPONENT,
    DEFAULT_FAULT,
    AsOfOption,
    ComponentOption,
    FaultOption,
    Format,
    FormatOption,
    OutOption,
    scope,
    store_path,
)
from fleetlog.cli.output import say, show, show_frame

if TYPE_CHECKING:
    from fleetlog.intake import LoadResult


def load(
    context: typer.Context,
    paths: Annotated[
        list[Path], typer.Argument(help="Files or folders to read; a folder is read in the order of names.")
    ],
    check_only: Annotated[
        bool, typer.Option("--check-only", help="Say what a load would do, and change nothing.")
    ] = False,
    kind: Annotated[
        str | None,
        typer.Option("--as", help="Read every file as this kind, e.g. meter_readings.", metavar="KIND"),
    ] = None,
    form: FormatOption = Format.TABLE,
    out: OutOption = None,
) -> None:
    """Read files or folders into the store.

    A file is loaded whole or not at all; loading it again changes nothing; a row that fails a check is kept
    aside and can be listed with 'fleetlog rejects'.

    Example: fleetlog load machines.csv readings/
    """
    from fleetlog.findings.fleet import intake_settings, open_fleet
    from fleetlog.intake import load_paths

    with open_fleet(store_path(context), create=True) as fleet:
        result = load_paths(
            fleet.store, paths, settings=intake_settings(fleet.settings), kind=kind, check_only=check_only
        )
    show_load(result, form, out)


# What most files are; anything else that was found out about a file is said.
_USUAL = {"separator comma"}


def show_load(result: LoadResult, form: Format, out: Path | None) -> None:
    """The table of a load and what to do next; leaves with exit code 2 if a file was refused."""
    import polars as pl

    rows = [
        {
            "file": Path(file.path).name,
            "kind": file.kind or "",
            "rows": file.rows,
            "new": file.new,
            "known": file.known,
            "corrected": file.corrected,
            "rejected": file.rejected,
            "waiting": file.waiting,
            "refused": file.refused or "",
            "notes": "; ".join(file.notes),
        }
        for file in result.files
        if file.kind or file.refused
    ]
    frame = pl.DataFrame(rows, infer_schema_length=None)
    if not rows:
        say("Nothing to load was found there.")
    elif form is Format.TABLE:
        show_frame(frame.drop("refused", "notes"), form, out)
    else:
        show_frame(frame, form, out)
    for file in result.files:
        worth_saying = [note for note in file.notes if note not in _USUAL]
        if worth_saying:
            say(f"{Path(file.path).name}: {'; '.join(worth_saying)}")
    refused = [file for file in result.files if file.refused]
    for file in refused:
        say(f"fleetlog: {file.refused}")
    if any(file.rejected for file in result.files):
        say("Rejected rows are kept: 'fleetlog rejects' lists them with the reason.")
    if refused:
        raise typer.Exit(2)


def rejects(
    context: typer.Context,
    kind: Annotated[
        str | None, typer.Option("--kind", help="Only rows of this kind of table.", metavar="KIND")
    ] = None,
    waiting: Annotated[
        bool, typer.Option("--waiting", help="List rows that wait for their machine or work order instead.")
    ] = False,
    form: FormatOption = Format.TABLE,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out",
            help="Write the rejected rows of one kind to this CSV file, to be corrected and loaded again.",
            metavar="FILE",
        ),
    ] = None,
) -> None:
    """Rejected and waiting rows, with the reason.

    Example: fleetlog rejects --kind meter_readings --out fix.csv
    """
    from fleetlog.intake import rejected_frame, waiting_frame, write_rejects
    from fleetlog.store import open_store

    if out is not None and not waiting:
        with open_store(store_path(context)) as store:
            written = write_rejects(store, out, kind)
        say(f"{written} rejected rows are in {out}; correct them there and load the file.")
        return
    with open_store(store_path(context)) as store:
        frame = waiting_frame(store, kind) if waiting else rejected_frame(store, kind)
        others = 0 if waiting else waiting_frame(store, kind).height
    show_frame(frame, form, out)
    if others:
        say(f"Waiting for their machine or work order: {others}; 'fleetlog rejects --waiting' lists them.")


def status(
    context: typer.Context,
    fault: FaultOption = DEFAULT_FAULT,
    as_of: AsOfOption = None,
    form: FormatOption = Format.TABLE,
    out: OutOption = None,
) -> None:
    """What the store holds, over which time, how complete and how clean.

    Example: fleetlog status --format json
    """
    from fleetlog.findings.fleet import open_fleet
    from fleetlog.findings.status import status as ask

    with open_fleet(store_path(context)) as fleet:
        found = ask(fleet, scope(fault, as_of))
    if form is not Format.TABLE:
        show(found, found.frame, form, out)
        return
    from fleetlog.cli.output import emit, render

    head = (
        f"{found.machines} machines, {found.first} to {found.last}; as of {found.as_of}.\n"
        f"{found.rejected} rejected rows, {found.waiting} waiting rows.\n\n"
    )
    import polars as pl

    rows = pl.DataFrame({"table": list(found.tables), "rows": list(found.tables.values())})
    emit(head + render(rows, form) + "\n" + render(found.quality, form), out)


def check(context: typer.Context) -> None:
    """Whether the store is whole: every block readable, every invariant kept.

    Ends with exit code 1 if something is found.

    Example: fleetlog check
    """
    from fleetlog.store import open_store
    from fleetlog.store.integrity import broken_invariants

    with open_store(store_path(context)) as store:
        found = broken_invariants(store)
    for name, rows, meaning in found:
        say(f"{name}: {rows} {meaning}")
    if found:
        raise typer.Exit(1)
    print(f"{store_path(context)} is whole.")


def query(
    context: typer.Context,
    sql: Annotated[str, typer.Argument(help="One SELECT statement.", metavar="SQL")],
    history: Annotated[
        bool, typer.Option("--history", help="Also build the history tables (episode, spell, outcome, …).")
    ] = False,
    form: FormatOption = Format.TABLE,
    out: OutOption = None,
) -> None:
    """A read-only question to the store in SQL; it can neither write nor reach files or the network.

    Example: fleetlog query "SELECT site, count(*) FROM machines GROUP BY site"
    """
    from fleetlog.findings.fleet import open_fleet
    from fleetlog.store.question import ask

    with open_fleet(store_path(context)) as fleet:
        if history:
            fleet.history()
        frame = ask(fleet.store, sql)
    show_frame(frame, form, out)


def export(
    context: typer.Context,
    name: Annotated[
        str,
        typer.Argument(
            help="A table of the store, or one of survival, repeats, units, suspects, status.", metavar="NAME"
        ),
    ],
    out: Annotated[
        Path,
        typer.Option(
            "--out",
            help="The file; its ending says the format: .csv, .xlsx, .parquet, .json.",
            metavar="FILE",
        ),
    ],
    component: ComponentOption = DEFAULT_COMPONENT,
    fault: FaultOption = DEFAULT_FAULT,
    as_of: AsOfOption = None,
) -> None:
    """A table or finding as CSV, Excel, Parquet or JSON.

    Example: fleetlog export suspects --out suspects.xlsx
    """
    from fleetlog.cli.exports import frame_of
    from fleetlog.findings.fleet import open_fleet
    from fleetlog.tables import write_table

    with open_fleet(store_path(context)) as fleet:
        frame = frame_of(fleet, name, scope(fault, as_of), component)
    write_table(frame, out)
    say(f"{frame.height} rows are in {out}.")


def backup(
    context: typer.Context,
    copy: Annotated[Path, typer.Argument(help="Where the copy goes.", metavar="FILE")],
) -> None:
    """A safe, verified copy of the store.

    Example: fleetlog backup monday.duckdb
    """
    from fleetlog.store.copies import backup as make

    rows = make(store_path(context), copy)
    say(f"{copy} is a whole copy of {store_path(context)}: {rows} rows.")


def restore(
    context: typer.Context,
    copy: Annotated[Path, typer.Argument(help="A copy made by 'fleetlog backup'.", metavar="FILE")],
) -> None:
    """Put a copy in the place of the store; what stood there is kept beside it.

    Example: fleetlog restore monday.duckdb
    """
    from fleetlog.store.copies import restore as put_back

    aside = put_back(store_path(context), copy)
    kept = f" The old store is kept as {aside}." if aside else ""
    say(f"{store_path(context)} is restored from {copy}.{kept}")


COMMANDS = (load, rejects, status, check, query, export, backup, restore)
