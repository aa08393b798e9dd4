"""Commands that analyse: survival, repeats, suspects, unit."""

from __future__ import annotations

from typing import Annotated

import typer

from fleetlog.cli.options import (
    DEFAULT_COMPONENT,
    DEFAULT_FAULT,
    AsOfOption,
    BuildYearOption,
    ComponentOption,
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


def survival(
    context: typer.Context,
    component: ComponentOption = DEFAULT_COMPONENT,
    cause: Annotated[
        str | None,
        typer.Option("--cause", help="Only this finding counts as failure, e.g. worn; default: any failure."),
    ] = None,
    by: Annotated[
        str,
        typer.Option("--by", help="Columns to split by, e.g. variant,side.", metavar="COLUMNS"),
    ] = "",
    curve: Annotated[
        bool, typer.Option("--curve", help="Print the curve's steps instead of one row a group.")
    ] = False,
    fault: FaultOption = DEFAULT_FAULT,
    as_of: AsOfOption = None,
    site: SiteOption = None,
    build_year: BuildYearOption = None,
    machine: MachineOption = None,
    form: FormatOption = Format.TABLE,
    out: OutOption = None,
) -> None:
    """How long parts live, by running hours.

    Example: fleetlog survival --component internal_bushing --by variant
    """
    from fleetlog.findings.fleet import open_fleet
    from fleetlog.findings.survival import survival as ask

    columns = tuple(word.strip() for word in by.split(",") if word.strip())
    with open_fleet(store_path(context)) as fleet:
        chosen = scope(fault, as_of, site, build_year, machine)
        found = ask(fleet, chosen, component=component, cause=cause, by=columns)
    show(found, found.frame if curve else found.summary, form, out)


def repeats(
    context: typer.Context,
    window: Annotated[
        float | None,
        typer.Option(
            "--window", help="Running hours in which a return counts; default: the family's.", min=1
        ),
    ] = None,
    units: Annotated[
        bool, typer.Option("--units", help="Print the units above their peers instead of the repairs.")
    ] = False,
    component: Annotated[
        str | None, typer.Option("--component", help="Only repairs of this component.")
    ] = None,
    fault: FaultOption = DEFAULT_FAULT,
    as_of: AsOfOption = None,
    site: SiteOption = None,
    build_year: BuildYearOption = None,
    machine: MachineOption = None,
    form: FormatOption = Format.TABLE,
    out: OutOption = None,
) -> None:
    """Which repairs hold, and which units come back more than their peers.

    Example: fleetlog repeats --site Brindle
    """
    from fleetlog.findings.fleet import open_fleet
    from fleetlog.findings.repeats import repeats as ask

    with open_fleet(store_path(context)) as fleet:
        chosen = scope(fault, as_of, site, build_year, machine)
        found = ask(fleet, chosen, window_hours=window, component=component)
    show(found, found.units if units else found.by_action, form, out)


def suspects(
    context: typer.Context,
    fault: FaultOption = DEFAULT_FAULT,
    as_of: AsOfOption = None,
    site: SiteOption = None,
    build_year: BuildYearOption = None,
    machine: MachineOption = None,
    form: FormatOption = Format.TABLE,
    out: OutOption = None,
) -> None:
    """Open and doubtful cases: which cause, how sure, why, what to do next.

    Example: fleetlog suspects --site Brindle --format json
    """
    from fleetlog.findings.fleet import open_fleet
    from fleetlog.findings.suspects import suspects as ask

    with open_fleet(store_path(context)) as fleet:
        found = ask(fleet, scope(fault, as_of, site, build_year, machine))
    columns = [name for name in found.frame.columns if not name.startswith("p_") and name != "reasons"]
    show(found, found.frame if form is Format.CSV else found.frame.select(columns), form, out)
    if form is Format.TABLE and out is None and any(case.cautions for case in found.cases):
        print("\nBefore work on a pump:")
        for caution in found.cautions:
            print(f"- {caution}")


def unit(
    context: typer.Context,
    machine_id: Annotated[str, typer.Argument(help="The fleet's own unit number.", metavar="MACHINE")],
    fault: FaultOption = DEFAULT_FAULT,
    as_of: AsOfOption = None,
    form: FormatOption = Format.TABLE,
    out: OutOption = None,
) -> None:
    """One machine's whole story.

    Example: fleetlog unit 37
    """
    from fleetlog.cli.output import emit
    from fleetlog.cli.story import tell
    from fleetlog.findings.fleet import open_fleet
    from fleetlog.findings.unit import unit as ask

    with open_fleet(store_path(context)) as fleet:
        found = ask(fleet, machine_id, scope(fault, as_of))
    if form is Format.TABLE:
        emit(tell(found), out)
    else:
        show(found, found.frame, form, out)


COMMANDS = (survival, repeats, suspects, unit)
