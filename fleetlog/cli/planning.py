"""Commands that look ahead: forecast."""

from __future__ import annotations

from typing import Annotated

import typer

from fleetlog.cli.options import (
    DEFAULT_FAULT,
    AsOfOption,
    BuildYearOption,
    FaultOption,
    Format,
    FormatOption,
    MachineOption,
    OutOption,
    SiteOption,
    scope,
    store_path,
)
from fleetlog.cli.output import show


def forecast(
    context: typer.Context,
    months: Annotated[int, typer.Option("--months", help="How many months ahead.", min=1, max=60)] = 12,
    component: Annotated[
        str | None, typer.Option("--component", help="Only this component; default: all.")
    ] = None,
    totals: Annotated[
        bool, typer.Option("--totals", help="Print the whole stretch instead of single months.")
    ] = False,
    draws: Annotated[int, typer.Option("--draws", help="Draws of the bootstrap over machines.", min=1)] = 200,
    seed: Annotated[int, typer.Option("--seed", help="Seed; same seed, same numbers.")] = 20260101,
    fault: FaultOption = DEFAULT_FAULT,
    as_of: AsOfOption = None,
    site: SiteOption = None,
    build_year: BuildYearOption = None,
    machine: MachineOption = None,
    form: FormatOption = Format.TABLE,
    out: OutOption = None,
) -> None:
    """Failures, parts and shop hours expected over the coming months, with ranges.

    Example: fleetlog forecast --months 6 --component internal_bushing
    """
    from fleetlog.findings.fleet import open_fleet
    from fleetlog.findings.forecast import forecast as ask

    with open_fleet(store_path(context)) as fleet:
        chosen = scope(fault, as_of, site, build_year, machine)
        found = ask(fleet, chosen, months=months, component=component, draws=draws, seed=seed)
    show(found, found.totals if totals else found.frame, form, out)


COMMANDS = (forecast,)
