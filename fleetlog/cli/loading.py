"""Commands that bring data in: load, rejects, worksheet."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from fleetlog.cli.options import ForceOption, Format, FormatOption, OutOption, WaitOption, store_path
from fleetlog.cli.output import ending_for, say, show_frame

if TYPE_CHECKING:
    import polars as pl

    from fleetlog.intake import LoadResult
    from fleetlog.session.fleet import Fleet

ACCEPT = typer.Option(
    "--accept", help="Take the mappings that are proposed, and what the load changes, without being asked."
)


def load(
    context: typer.Context,
    paths: Annotated[
        list[Path], typer.Argument(help="Files or folders to read; a folder is read in the order of names.")
    ],
    profile: Annotated[
        list[Path] | None,
        typer.Option("--profile", help="A mapping profile to read by; may be repeated.", metavar="FILE"),
    ] = None,
    check_only: Annotated[
        bool, typer.Option("--check-only", help="Say what a load would do, and change nothing.")
    ] = False,
    kind: Annotated[
        str | None,
        typer.Option("--as", help="Read every file as this kind, e.g. meter_readings.", metavar="KIND"),
    ] = None,
    date_order: Annotated[
        str | None,
        typer.Option(
            "--date-order", help="What comes first in dates like 05/06/2024: day or month.", metavar="ORDER"
        ),
    ] = None,
    machine: Annotated[
        str | None,
        typer.Option("--machine", help="The machine of telematics documents that name none.", metavar="ID"),
    ] = None,
    machine_from: Annotated[
        str | None,
        typer.Option(
            "--machine-from",
            help="A pattern that finds it in file names, e.g. 'unit-(?P<machine>[0-9]+)'.",
            metavar="PATTERN",
        ),
    ] = None,
    newest: Annotated[
        bool,
        typer.Option(
            "--newest", help="Take these files for the newest telling, whatever their own dates say."
        ),
    ] = False,
    accept: Annotated[bool, ACCEPT] = False,
    wait: WaitOption = 0.0,
    form: FormatOption = Format.TABLE,
    out: OutOption = None,
) -> None:
    """Read files or folders into the store.

    A file is loaded whole or not at all; loading it again changes nothing; others see what was loaded when
    all of it is done. Where files contradict each other the newer holds, in whatever order they are loaded; a
    load that overwrites more than a handful of rows is asked about, and 'fleetlog undo' takes one back. A row
    that fails a check is kept aside and can be listed with 'fleetlog rejects'. For a file of unknown columns
    a mapping is proposed, with sample rows and what it would change; it counts once you accept it, here or
    with --accept, and is kept in the folder profiles/ beside the store from then on.

    Example: fleetlog load machines.csv readings/
    """
    from fleetlog.cli.progress import load_progress
    from fleetlog.cli.proposing import PROFILES, agreed_changes, settle_proposals
    from fleetlog.intake.profiles.files import read_profile, read_profiles
    from fleetlog.session.fleet import open_fleet

    folder = store_path(context).resolve().parent / PROFILES
    profiles = [read_profile(one) for one in profile or []]
    profiles += read_profiles(folder) if folder.is_dir() else []
    asked: dict[str, Any] = {
        "kind": kind,
        "date_order": date_order,
        "machine": machine,
        "machine_from": machine_from,
        "check_only": check_only,
        "newest": newest,
    }
    with open_fleet(store_path(context), create=True, wait=wait, notify=say) as fleet:
        with load_progress() as progress:
            result = fleet.load(paths, profiles=profiles, progress=progress, settle=False, **asked)
        result = settle_proposals(fleet, result, folder, profiles, asked, accept)
        stays = not check_only and agreed_changes(result, accept)
        if stays:
            fleet.settle()
        else:
            fleet.discard()
    show_load(result, form, out)
    if not check_only and not stays:
        say("Nothing was loaded; --accept takes it as it is.")
        raise typer.Exit(2)


_LOADED = ("file", "kind", "rows", "new", "known", "corrected", "rejected", "waiting", "refused", "notes")

# What most files are; anything else that was found out about a file is said.
_USUAL = {"separator comma"}


def show_load(result: LoadResult, form: Format, out: Path | None) -> None:
    """The table of a load and what to do next; leaves with exit code 2 if a file was refused or all rows failed."""
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
    frame = pl.DataFrame(rows, schema=None if rows else _LOADED, infer_schema_length=None)
    if not rows:
        say("Nothing to load was found there.")
    elif ending_for(form, out) in (".txt", ".md"):
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
    read = sum(file.rows for file in result.files)
    if read and read == sum(file.rejected for file in result.files):
        say("Every row failed, so nothing counts.")
        raise typer.Exit(2)
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
            help="Write the rejected rows of one kind to this file (.csv, .xlsx, .json, .ndjson, .parquet), to be "
            "corrected and loaded again.",
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


def worksheet(
    context: typer.Context,
    out: Annotated[Path, typer.Argument(help="The workbook to write, e.g. week.xlsx.", metavar="FILE")],
    kind: Annotated[
        list[str] | None,
        typer.Option(
            "--kind",
            help="A kind of table to give a sheet; may be repeated. Default: orders, lines, measurements.",
            metavar="KIND",
        ),
    ] = None,
    open_orders: Annotated[
        bool, typer.Option("--open-orders", help="Fill in the work orders that are still open.")
    ] = False,
    force: ForceOption = False,
) -> None:
    """An Excel workbook for the workshop to fill in; it loads back as it is.

    Example: fleetlog worksheet week.xlsx --open-orders
    """
    from fleetlog.causes.suspects import workshop_lines
    from fleetlog.intake.worksheet import USUAL, write_worksheet
    from fleetlog.outfile import refuse_to_overwrite
    from fleetlog.session.fleet import intake_settings, open_fleet

    refuse_to_overwrite(out, force)
    with open_fleet(store_path(context)) as fleet:
        write_worksheet(
            fleet.store,
            out,
            kinds=tuple(kind or USUAL),
            settings=intake_settings(fleet.settings),
            open_orders=open_orders,
            first=workshop_lines(fleet),
        )
    say(f"{out} is written; load it with 'fleetlog load {out}' when it has been filled in.")


def suggestions(
    context: typer.Context,
    accept: Annotated[
        list[int] | None, typer.Option("--accept", help="Mark this suggestion as right; may be repeated.")
    ] = None,
    decline: Annotated[
        list[int] | None, typer.Option("--decline", help="Mark this suggestion as wrong; may be repeated.")
    ] = None,
    accept_all: Annotated[
        bool,
        typer.Option(
            "--accept-all",
            help="Mark all open ones as right that --machine, --order and --confidence choose.",
        ),
    ] = False,
    decline_all: Annotated[
        bool, typer.Option("--decline-all", help="Mark all open ones as wrong that these choose.")
    ] = False,
    confidence: Annotated[
        float, typer.Option("--confidence", min=0.0, max=1.0, help="Only those at least so sure, 0 to 1.")
    ] = 0.0,
    by: Annotated[
        str | None,
        typer.Option("--by", help="Who judges; default: the user of this computer.", metavar="NAME"),
    ] = None,
    state: Annotated[
        str, typer.Option("--state", help="Which to list: open, accepted, declined or all.")
    ] = "open",
    machine: Annotated[str | None, typer.Option("--machine", help="Only those of this machine.")] = None,
    order: Annotated[str | None, typer.Option("--order", help="Only those of this work order.")] = None,
    wait: WaitOption = 0.0,
    form: FormatOption = Format.TABLE,
    out: OutOption = None,
) -> None:
    """What the free text of work orders tells, with the words it rests on, to accept or decline.

    A suggestion never overwrites what was typed, and counts in analyses once it is accepted (or where the
    settings count unjudged ones). Those that would change an answer come first: the column 'changes' says
    what they bring that no line says. Who judged and when is kept.

    Example: fleetlog suggestions --machine 37
    """
    from fleetlog.errors import UsageError
    from fleetlog.intake import suggestions as intake_suggestions
    from fleetlog.session.fleet import open_fleet

    if state not in ("open", "accepted", "declined", "all"):
        raise UsageError(f"There is no state {state!r}; take open, accepted, declined or all.")
    if accept_all and decline_all:
        raise UsageError("--accept-all and --decline-all contradict each other; leave one out.")

    def chosen(fleet: Fleet, which: str | None) -> pl.DataFrame:
        families = fleet.families.values()
        return intake_suggestions.suggestions_frame(
            fleet.store,
            which,
            work_order_id=order,
            machine_id=machine,
            confidence=confidence,
            parts=sorted({part.component for family in families for part in family.parts}),
            causes=sorted({cause.component for family in families for cause in family.causes}),
        )

    if accept or decline or accept_all or decline_all:
        with open_fleet(store_path(context), writable=True, wait=wait, notify=say) as fleet:
            right, wrong = list(accept or ()), list(decline or ())
            judged = chosen(fleet, "open")["suggestion_id"].to_list() if accept_all or decline_all else []
            rest = [one for one in judged if one not in {*right, *wrong}]
            who = by or _user()
            done = [
                intake_suggestions.judge(fleet.store, ids, accepted=accepted, by=who) if ids else 0
                for ids, accepted in (
                    (right + (rest if accept_all else []), True),
                    (wrong + (rest if decline_all else []), False),
                )
            ]
            fleet.keep_history()
        say(f"{done[0]:,} accepted, {done[1]:,} declined, by {who}.")
        return
    with open_fleet(store_path(context)) as fleet:
        frame = chosen(fleet, None if state == "all" else state)
    text = ending_for(form, out) in (".txt", ".md")
    passed = ("judged_by", "judged_at") if state == "open" else ()
    show_frame(frame.drop("spans", "dictionary_version", *passed) if text else frame, form, out)


def _user() -> str:
    import getpass

    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return "unknown"


def loads(context: typer.Context, form: FormatOption = Format.TABLE, out: OutOption = None) -> None:
    """The loads: when, which files, what they brought, and which were taken back.

    Example: fleetlog loads
    """
    from fleetlog.intake.undo import loads_frame
    from fleetlog.store import open_store

    with open_store(store_path(context)) as store:
        show_frame(loads_frame(store), form, out)


def undo(
    context: typer.Context,
    load_id: Annotated[
        int, typer.Argument(help="The load's number, as 'fleetlog loads' lists it.", metavar="LOAD")
    ],
    wait: WaitOption = 0.0,
) -> None:
    """Take a load back: its rows go, rows that it corrected have their former values again.

    All of it is taken back or nothing. What other files tell too stays. Its files can be loaded again.

    Example: fleetlog undo 12
    """
    from fleetlog.session.fleet import open_fleet

    with open_fleet(store_path(context), writable=True, wait=wait, notify=say) as fleet:
        done = fleet.undo(load_id)
    say(
        f"Load {done.load_id} is taken back: {done.removed:,} rows removed, "
        f"{done.restored:,} set back to what other files say, "
        f"{done.kept:,} kept, since other files tell them too."
    )


COMMANDS = (load, loads, undo, rejects, worksheet, suggestions)
