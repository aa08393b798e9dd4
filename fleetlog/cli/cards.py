"""What goes to the workshop: job cards."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from fleetlog.cli.completion import of_the_store
from fleetlog.cli.options import (
    AsOfOption,
    Engine,
    EngineOption,
    FaultOption,
    LakeOption,
    MasterOption,
    fleet_of,
    scope,
)
from fleetlog.cli.output import say
from fleetlog.errors import UsageError
from fleetlog.session.scope import DEFAULT_FAULT


def jobcard(
    context: typer.Context,
    machines: Annotated[
        list[str] | None,
        typer.Argument(
            help="The fleet's own unit numbers.",
            metavar="UNIT",
            show_default=False,
            autocompletion=of_the_store("machine_id"),
        ),
    ] = None,
    every: Annotated[
        bool,
        typer.Option(
            "--all",
            help="A card for every machine on hold, with a case, or with a visit in the plan's next four weeks.",
        ),
    ] = False,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out",
            help="The file; .html is a page, .pdf paper, .xlsx a workbook to fill in that loads back. Without it: "
            "jobcard-UNIT.pdf, or jobcards.pdf.",
            metavar="FILE",
        ),
    ] = None,
    fault: FaultOption = DEFAULT_FAULT,
    as_of: AsOfOption = None,
    engine: EngineOption = Engine.DUCKDB,
    lake: LakeOption = None,
    master: MasterOption = None,
) -> None:
    """A job card a machine: hold and cautions, what happened, why, the steps in order, and fields to fill in.

    Example: fleetlog jobcard 37 --out 37.pdf
    """
    from fleetlog.reporting.files import safe_names
    from fleetlog.reporting.jobcard import job_cards
    from fleetlog.reporting.jobcard_files import check_ending, write_job_cards
    from fleetlog.reporting.month_report import clock_of

    named = list(dict.fromkeys(machines or []))
    if bool(named) == every:
        raise UsageError("Name the machines to print a card for, or ask for --all, one of the two.")
    name = f"jobcard-{safe_names(named)[named[0]]}" if len(named) == 1 else "jobcards"
    target = out or Path(f"{name}.pdf")
    check_ending(target)
    with fleet_of(context, engine, lake, master) as fleet:
        cards = job_cards(fleet, named, scope(fault, as_of))
        write_job_cards(fleet, cards, target, clock=clock_of(fleet))
    say(f"{target} is written: {len(cards)} job card{'s' if len(cards) != 1 else ''}.")


COMMANDS = (jobcard,)
