"""The command that writes invented fleets."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Annotated

import typer

from fleetlog.cli.options import a_day
from fleetlog.cli.output import say


def simulate(
    folder: Annotated[
        Path, typer.Argument(help="Folder for the files, and the truth beside them.", metavar="DIR")
    ],
    machines: Annotated[int, typer.Option("--machines", help="How many machines.", min=1)] = 200,
    years: Annotated[float, typer.Option("--years", help="Over how many years the books are kept.")] = 6.0,
    seed: Annotated[int, typer.Option("--seed", help="Seed; same seed, same files.")] = 1,
    reading_days: Annotated[
        float, typer.Option("--reading-days", help="Days between two meter readings.")
    ] = 30.0,
    mess: Annotated[
        float,
        typer.Option(
            "--mess", help="Share of records that are untidy, e.g. 0.02: typing errors, gaps, empty cells."
        ),
    ] = 0.0,
    routine: Annotated[
        bool, typer.Option("--routine", help="Write services and unrelated codes as well.")
    ] = False,
    first: Annotated[
        date | None,
        typer.Option(
            "--from", help="Write only what was recorded from this day on.", metavar="DATE", parser=a_day
        ),
    ] = None,
    last: Annotated[
        date | None,
        typer.Option(
            "--to", help="Write only what was recorded up to this day.", metavar="DATE", parser=a_day
        ),
    ] = None,
    form: Annotated[str, typer.Option("--format", help="Files to write: csv or parquet.")] = "csv",
) -> None:
    """Write the files of an invented fleet of any size, with the truth beside them.

    Called twice with the same fleet, once --to a day and once --from the next, it writes what a yard would
    load first and what came to it later.

    Example: fleetlog simulate made-up --machines 1000 --routine --mess 0.02
    """
    from fleetlog.errors import UsageError
    from fleetlog.simulation import FileForm, Window
    from fleetlog.simulation.simulate import RecordKeeping
    from fleetlog.simulation.simulate import simulate as make

    if form not in list(FileForm):
        raise UsageError(f"'{form}' is no form of file; write one of {', '.join(FileForm)}.")
    record_keeping = RecordKeeping(
        mess=mess, routine=routine, form=FileForm(form), window=Window(first, last)
    )
    made = make(
        folder,
        machines=machines,
        years=years,
        seed=seed,
        reading_days=reading_days,
        record_keeping=record_keeping,
    )
    say(f"{made.machines} machines, {made.cases} true cases (seed {made.seed}).")
    print(f"Files: {made.files}\nSettings, to go beside the store: {made.settings}\nTruth: {made.truth}")


COMMANDS = (simulate,)
