"""Commands about the store: check, query, export, backup, restore."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from fleetlog.cli.completion import export_names, proposing
from fleetlog.cli.options import (
    AsOfOption,
    ComponentOption,
    Engine,
    EngineOption,
    FaultOption,
    ForceOption,
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
from fleetlog.cli.output import say, show_frame
from fleetlog.questions import exports
from fleetlog.session.scope import DEFAULT_FAULT

ALL_TABLES = "tables"
"""The name by which `export` writes all tables that a yard loads at once."""


def check(context: typer.Context) -> None:
    """Whether the store is whole: every block readable, every invariant kept, every row accounted for.

    Ends with exit code 3 and one sentence if anything is amiss.

    Example: fleetlog check
    """
    from fleetlog.store import open_store
    from fleetlog.store.integrity import broken_invariants, damaged

    with open_store(store_path(context)) as store:
        if broken := broken_invariants(store):
            found = "; ".join(f"{name} finds {rows}: {meaning.rstrip('.')}" for name, rows, meaning in broken)
            raise damaged(store, found)
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
        state = fleet.refresh_history(rebuild=rebuild)
    print(f"The history is materialised as of {state.as_of}; {state.rebuilt} machines were built.")


def query(
    context: typer.Context,
    sql: Annotated[
        str, typer.Argument(help="One SELECT statement; - reads it from standard input.", metavar="SQL")
    ],
    history: Annotated[
        bool, typer.Option("--history", help="Also build the history tables (episode, spell, outcome, …).")
    ] = False,
    within: Annotated[
        float,
        typer.Option("--within", min=0.1, help="Give up after so many seconds.", metavar="SECONDS"),
    ] = 300.0,
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
        frame = ask(fleet.store, sys.stdin.read() if sql == "-" else sql, within=within)
    show_frame(frame, form, out)


def export(
    context: typer.Context,
    name: Annotated[
        str,
        typer.Argument(
            help="A table of the store or its history, or an answer: " + ", ".join(exports()) + "; "
            "'tables' writes all that a yard loads as Parquet files into a folder, for a lake.",
            metavar="NAME",
            autocompletion=proposing(export_names),
        ),
    ],
    out: Annotated[
        Path,
        typer.Option(
            "--out",
            help="The file; its ending says the format: .csv, .json, .ndjson, .xlsx, .parquet, .md, .txt. For "
            "'tables' a folder.",
            metavar="FILE",
        ),
    ],
    component: ComponentOption = None,
    fault: FaultOption = DEFAULT_FAULT,
    as_of: AsOfOption = None,
    engine: EngineOption = Engine.DUCKDB,
    lake: LakeOption = None,
    master: MasterOption = None,
) -> None:
    """A table or finding as CSV, Excel, Parquet, JSON, Markdown or text.

    A table that a yard loads loads back as it is. Times carry their zone; running hours are in hours.

    Example: fleetlog export suspects --out suspects.xlsx
    """
    from fleetlog.api import FleetPart
    from fleetlog.tables import ending_of, neat, write_table

    if name == ALL_TABLES:
        from fleetlog.store import open_store
        from fleetlog.store.lake import write_lake

        with open_store(store_path(context), reach=[out.resolve()]) as store:
            written = write_lake(store, out)
        say(f"{sum(written.values())} rows of {len(written)} tables are in {out}.")
        return
    ending_of(out)
    with fleet_of(context, engine, lake, master) as fleet:
        frame = FleetPart(fleet, scope(fault, as_of)).table(name, component)
    write_table(neat(frame) if name in exports() else frame, out)
    say(f"{frame.height} rows are in {out}.")


def backup(
    context: typer.Context,
    copy: Annotated[Path, typer.Argument(help="Where the copy goes.", metavar="FILE")],
    force: ForceOption = False,
) -> None:
    """A safe, verified copy of the store.

    Example: fleetlog backup monday.duckdb
    """
    from fleetlog.outfile import refuse_to_overwrite
    from fleetlog.store.copies import backup as make

    refuse_to_overwrite(copy, force)
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


COMMANDS = (check, history, query, export, backup, restore)
