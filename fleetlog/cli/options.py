"""The options that commands share, said once: same name, same meaning, same help everywhere."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import date
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, TypeVar

import typer

from fleetlog.cli.completion import component_names, family_names, of_the_store, proposing
from fleetlog.errors import UsageError
from fleetlog.questions import proposal

if TYPE_CHECKING:
    from fleetlog.session.fleet import Fleet
    from fleetlog.session.scope import Scope


class Format(StrEnum):
    """How data are printed."""

    TABLE = "table"
    CSV = "csv"
    JSON = "json"
    MARKDOWN = "markdown"


def a_day(text: str) -> date:
    """A day written as YYYY-MM-DD."""
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise typer.BadParameter(f"{text!r} is not a day; write it as 2026-06-30.") from error


def a_month(text: str) -> date:
    """The first day of a month written as YYYY-MM."""
    try:
        return date.fromisoformat(f"{text}-01")
    except ValueError as error:
        raise typer.BadParameter(f"{text!r} is not a month; write it as 2026-06.") from error


Chosen = TypeVar("Chosen")


def choosing(values: Iterable[str], make: Callable[[str], Chosen] = str) -> dict[str, Any]:  # type: ignore[assignment]
    """How an option is read that takes one of a few words: a mistyped one is told with the nearest.

    Args:
        values: the words.
        make: word -> value.
    """
    known = tuple(map(str, values))

    def parse(text: str) -> Chosen:
        if text not in known:
            raise typer.BadParameter(f"{text!r} is none of them; {proposal(text, known)}")
        return make(text)

    return {
        "parser": parse,
        "metavar": f"[{'|'.join(known)}]",
        "autocompletion": proposing(lambda: known),
    }


class Engine(StrEnum):
    """What makes the history and the risk tables, and where the rows lie."""

    DUCKDB = "duckdb"
    LAKE = "lake"
    SPARK = "spark"


FormatOption = Annotated[
    Format,
    typer.Option(
        "--format", help="How to print: table, csv, json or markdown.", **choosing([*Format], Format)
    ),
]


def out_option(*more: str) -> Any:
    """The option --out, with the endings that an answer has beside the usual ones."""
    endings = ", ".join((".csv, .json, .ndjson, .xlsx, .parquet, .md, .txt", *more))
    told = f"Write to this file instead of the screen; its ending says the format: {endings}."
    return Annotated[Path | None, typer.Option("--out", help=told, metavar="FILE")]


OutOption = Annotated[
    Path | None,
    typer.Option(
        "--out",
        help="Write to this file instead of the screen; its ending says the format: .csv, .json, .ndjson, .xlsx, "
        ".parquet, .md, .txt.",
        metavar="FILE",
    ),
]
WaitOption = Annotated[
    float,
    typer.Option(
        "--wait",
        min=0.0,
        help="Queue for so long behind another command that writes to the store; 0 leaves at once.",
        metavar="SECONDS",
    ),
]
ForceOption = Annotated[bool, typer.Option("--force", help="Replace a file that is there already.")]
AsOfOption = Annotated[
    date | None,
    typer.Option(
        "--as-of",
        parser=a_day,
        help="Use only what had happened by the end of this day; default: the last day on record.",
        metavar="DATE",
    ),
]
FaultOption = Annotated[
    str,
    typer.Option(
        "--fault",
        help="Fault family to look at; 'fleetlog faults' lists them.",
        metavar="FAMILY",
        autocompletion=proposing(family_names),
    ),
]
SiteOption = Annotated[
    list[str] | None,
    typer.Option(
        "--site", help="Only machines of this site; may be repeated.", autocompletion=of_the_store("site")
    ),
]
BuildYearOption = Annotated[
    list[int] | None,
    typer.Option(
        "--build-year",
        help="Only machines built in this year; may be repeated.",
        autocompletion=of_the_store("build_year"),
    ),
]
MachineOption = Annotated[
    list[str] | None,
    typer.Option(
        "--machine",
        help="Only this machine; may be repeated.",
        autocompletion=of_the_store("machine_id"),
    ),
]
EngineOption = Annotated[
    Engine,
    typer.Option(
        "--engine",
        help="Where the rows lie and who works: the store (duckdb), a --lake read in place by this machine (lake) "
        "or by a cluster (spark).",
        **choosing([*Engine], Engine),
    ),
]
LakeOption = Annotated[
    str | None,
    typer.Option(
        "--lake",
        help="For lake and spark: folder (for spark also URL) of the tables as Parquet files.",
        metavar="DIR",
    ),
]
MasterOption = Annotated[
    str | None,
    typer.Option(
        "--master",
        help="For spark: the cluster, e.g. spark://host:7077 or sc://host:15002; default: SPARK_REMOTE, else "
        "Spark's own settings, else this machine.",
        metavar="URL",
    ),
]
ComponentOption = Annotated[
    str | None,
    typer.Option(
        "--component",
        help="The part whose lives are followed; default: the one the fault family is about.",
        autocompletion=proposing(component_names),
    ),
]


def scope(
    fault: str,
    as_of: date | None,
    site: list[str] | None = None,
    build_year: list[int] | None = None,
    machine: list[str] | None = None,
) -> Scope:
    """The shared options as one scope."""
    from fleetlog.session.scope import Scope

    return Scope(
        fault=fault,
        as_of=as_of,
        sites=tuple(site or ()),
        build_years=tuple(build_year or ()),
        machines=tuple(machine or ()),
    )


def store_path(context: typer.Context) -> Path:
    """The store that --store or FLEETLOG_STORE names."""
    chosen = context.find_root().obj
    if not isinstance(chosen, Path):
        raise UsageError("No store is named; give one with --store.")
    return chosen


def fleet_of(context: typer.Context, engine: Engine, lake: str | None, master: str | None) -> Fleet:
    """The fleet to ask: of the store, or of a lake that this machine or a cluster reads.

    Raises:
        UsageError: when the options do not belong together.
    """
    if master and engine is not Engine.SPARK:
        raise UsageError("--master belongs to --engine spark; add it, or leave it out.")
    if engine is Engine.DUCKDB:
        if lake:
            raise UsageError("--lake belongs to --engine lake or spark; add one, or leave it out.")
        from fleetlog.session.fleet import open_fleet

        return open_fleet(store_path(context))
    if not lake:
        raise UsageError(
            f"--engine {engine} reads a lake; name its folder with --lake DIR ('fleetlog export tables "
            "--out DIR' writes one)."
        )
    from fleetlog.session.lake import open_cluster, open_lake

    if engine is Engine.LAKE:
        return open_lake(lake, store_path=store_path(context))
    return open_cluster(lake, master, store_path=store_path(context))
