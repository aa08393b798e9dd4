"""Commands about the store: status, check, query, export, backup, restore."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from fleetlog.cli.options import (
    DEFAULT_COMPONENT,
    DEFAULT_FAULT,
    AsOfOption,
    ComponentOption,
    Engine,
    EngineOption,
    FaultOption,
    Format,
    FormatOption,
    LakeOption,
    MasterOption,
    OutOption,
    WaitOption,
    fleet_of,
    scope,
    store_path,
)
from fleetlog.cli.output import say, show, show_frame

if TYPE_CHECKING:
    pass


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
    from fleetlog.session.fleet import open_fleet
    from fleetlog.session.status import status as ask

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


def history(
    context: typer.Context,
    rebuild: Annotated[
        bool, typer.Option("--rebuild", help="Build all machines again, not only those that changed.")
    ] = False,
    wait: WaitOption = 0.0,
) -> None:
    """Bring the history that the store keeps up to date; every load does so by itself.

    Needed after a change of settings or fault families, so that questions do not build it each time anew.

    Example: fleetlog history --rebuild
    """
    from fleetlog.session.fleet import open_fleet

    with open_fleet(store_path(context), writable=True, wait=wait, notify=say) as fleet:
        found = fleet.refresh_history(rebuild=rebuild)
    print(f"The history is kept as of {found.as_of}; {found.rebuilt} machines were built.")


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
    from fleetlog.session.fleet import open_fleet
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
            help="A table of the store or its history, or one of survival, repeats, units, suspects, status; "
            "'tables' writes all that a yard loads as Parquet files into a folder, for a lake.",
            metavar="NAME",
        ),
    ],
    out: Annotated[
        Path,
        typer.Option(
            "--out",
            help="The file; its ending says the format: .csv, .xlsx, .parquet, .json. For 'tables' a folder.",
            metavar="FILE",
        ),
    ],
    component: ComponentOption = DEFAULT_COMPONENT,
    fault: FaultOption = DEFAULT_FAULT,
    as_of: AsOfOption = None,
    engine: EngineOption = Engine.DUCKDB,
    lake: LakeOption = None,
    master: MasterOption = None,
) -> None:
    """A table or finding as CSV, Excel, Parquet or JSON.

    Example: fleetlog export suspects --out suspects.xlsx
    """
    from fleetlog.cli.exports import ALL_TABLES, frame_of
    from fleetlog.tables import write_table

    if name == ALL_TABLES:
        from fleetlog.store import open_store
        from fleetlog.store.lake import write_lake

        with open_store(store_path(context)) as store:
            written = write_lake(store, out)
        say(f"{sum(written.values())} rows of {len(written)} tables are in {out}.")
        return
    with fleet_of(context, engine, lake, master) as fleet:
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
    wait: WaitOption = 0.0,
) -> None:
    """Put a copy in the place of the store; what stood there is kept beside it.

    Example: fleetlog restore monday.duckdb
    """
    from fleetlog.store.copies import restore as put_back

    aside = put_back(store_path(context), copy, wait=wait, notify=say)
    kept = f" The old store is kept as {aside}." if aside else ""
    say(f"{store_path(context)} is restored from {copy}.{kept}")


COMMANDS = (status, check, history, query, export, backup, restore)
