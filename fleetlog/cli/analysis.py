"""Commands that analyse: survival, incidence, compare, drivers, repeats, trend, suspects, unit."""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum
from typing import TYPE_CHECKING, Annotated

import typer

from fleetlog.cli.options import (
    DEFAULT_COMPONENT,
    DEFAULT_FAULT,
    AsOfOption,
    BuildYearOption,
    ComponentOption,
    Engine,
    EngineOption,
    FaultOption,
    Format,
    FormatOption,
    LakeOption,
    MachineOption,
    MasterOption,
    OutOption,
    SiteOption,
    fleet_of,
    scope,
    store_path,
)
from fleetlog.cli.output import show

if TYPE_CHECKING:
    from fleetlog.lives.incidence import EndingTest


class Interval(StrEnum):
    """Kinds of pointwise interval of a survival curve."""

    LOG_LOG = "log-log"
    LOG = "log"
    PLAIN = "plain"


class Weighing(StrEnum):
    """Weights of a log-rank test."""

    LOG_RANK = "log-rank"
    GEHAN = "gehan"
    TARONE_WARE = "tarone-ware"
    PETO_PETO = "peto-peto"
    MODIFIED_PETO = "modified-peto"


class Clock(StrEnum):
    """What the hours of a regression count."""

    LIVES = "lives"
    TOTAL = "total"
    ORDERED = "ordered"
    GAP = "gap"


class Ties(StrEnum):
    """How failures at the same age are treated in a regression."""

    EFRON = "efron"
    BRESLOW = "breslow"


CauseOption = Annotated[
    str | None,
    typer.Option("--cause", help="Only this finding counts as failure, e.g. worn; default: any failure."),
]
ByOption = Annotated[
    str, typer.Option("--by", help="Columns to split by, e.g. variant,side.", metavar="COLUMNS")
]
StrataOption = Annotated[
    str,
    typer.Option(
        "--strata", help="Columns within whose values alone the groups are compared.", metavar="COLUMNS"
    ),
]
TestOption = Annotated[
    Weighing,
    typer.Option(
        "--test",
        help="Test between the groups: log-rank, or one that gives early failures more weight "
        "(gehan, tarone-ware, peto-peto, modified-peto).",
    ),
]
CurveOption = Annotated[
    bool, typer.Option("--curve", help="Print the curve's steps instead of one row a group.")
]


def columns_of(text: str) -> tuple[str, ...]:
    """Columns written with commas between them."""
    return tuple(word.strip() for word in text.split(",") if word.strip())


def survival(
    context: typer.Context,
    component: ComponentOption = DEFAULT_COMPONENT,
    cause: CauseOption = None,
    by: ByOption = "",
    interval: Annotated[
        Interval,
        typer.Option("--interval", help="Scale on which the interval is taken: log-log, log, plain."),
    ] = Interval.LOG_LOG,
    test: TestOption = Weighing.LOG_RANK,
    strata: StrataOption = "",
    curve: CurveOption = False,
    fault: FaultOption = DEFAULT_FAULT,
    as_of: AsOfOption = None,
    site: SiteOption = None,
    build_year: BuildYearOption = None,
    machine: MachineOption = None,
    engine: EngineOption = Engine.DUCKDB,
    lake: LakeOption = None,
    master: MasterOption = None,
    form: FormatOption = Format.TABLE,
    out: OutOption = None,
) -> None:
    """How long parts live, by running hours.

    Example: fleetlog survival --component internal_bushing --by variant
    """
    from dataclasses import replace

    from fleetlog.lives.survival import survival as ask

    with fleet_of(context, engine, lake, master) as fleet:
        found = ask(
            fleet,
            scope(fault, as_of, site, build_year, machine),
            component=component,
            cause=cause,
            by=columns_of(by),
            interval=interval.value,
            test=test.value,
            strata=columns_of(strata),
        )
    if form is not Format.TABLE or curve:
        show(found, found.frame if curve else found.summary, form, out)
        return
    # On the screen the sentences about a group stand beneath the table: they are too long for a column.
    told = [_about(group.label, group.note, bool(found.by)) for group in found.groups if group.note]
    summary = found.summary
    tested = _tested(found.test, found.log_rank, found.strata)
    show(
        replace(found, notes=(*tested, *told, *found.notes)),
        summary.drop("note") if "note" in summary.columns else summary,
        form,
        out,
    )


def _tested(test: str, result: Mapping[str, float] | None, strata: tuple[str, ...] = ()) -> list[str]:
    """The test between the groups as a sentence, none where there was nothing to test."""
    if result is None:
        return []
    p = _p(result["p"])
    within = f" within {', '.join(strata)}" if strata else ""
    chi2 = f"chi-square {result['chi2']:.4g}, {result['df']} df"
    return [f"Test that no group differs ({test}{within}): {chi2}, {p}."]


def _about(label: str, note: str, split: bool) -> str:
    """A note about one group as a sentence of its own."""
    told = f"{label}: {note}" if split else f"{note[:1].upper()}{note[1:]}"
    return f"{told}."


def incidence(
    context: typer.Context,
    component: ComponentOption = DEFAULT_COMPONENT,
    by: ByOption = "",
    curve: CurveOption = False,
    fault: FaultOption = DEFAULT_FAULT,
    as_of: AsOfOption = None,
    site: SiteOption = None,
    build_year: BuildYearOption = None,
    machine: MachineOption = None,
    engine: EngineOption = Engine.DUCKDB,
    lake: LakeOption = None,
    master: MasterOption = None,
    form: FormatOption = Format.TABLE,
    out: OutOption = None,
) -> None:
    """In what ways lives end: the share failed, replaced while sound or removed, by running hours.

    Example: fleetlog incidence --component internal_bushing --by variant
    """
    from dataclasses import replace

    from fleetlog.lives.incidence import incidence as ask

    with fleet_of(context, engine, lake, master) as fleet:
        chosen = scope(fault, as_of, site, build_year, machine)
        found = ask(fleet, chosen, component=component, by=columns_of(by))
    told = [
        _about(", ".join(group.group.values()), group.note, bool(found.by))
        for group in found.groups
        if group.note
    ]
    tested = [_compared(test) for test in found.tests]
    shown = replace(found, notes=(*tested, *told, *found.notes)) if form is Format.TABLE else found
    show(shown, found.frame if curve else found.summary, form, out)


def _compared(test: EndingTest) -> str:
    """Gray's test of one ending as a sentence."""
    found = f"chi-square {test.chi2:.4g}, {test.df} df, {_p(test.p)}"
    return f"Test that no group differs in {test.ending} (Gray): {found} ({_p(test.p_holm)} after Holm)."


def _p(value: float) -> str:
    return "p < 0.0001" if value < 0.0001 else f"p = {value:.2g}"


def compare(
    context: typer.Context,
    component: ComponentOption = DEFAULT_COMPONENT,
    cause: CauseOption = None,
    by: Annotated[
        str, typer.Option("--by", help="The column that makes the groups, e.g. site.", metavar="COLUMN")
    ] = "build_year",
    strata: StrataOption = "",
    test: TestOption = Weighing.LOG_RANK,
    fault: FaultOption = DEFAULT_FAULT,
    as_of: AsOfOption = None,
    site: SiteOption = None,
    build_year: BuildYearOption = None,
    machine: MachineOption = None,
    engine: EngineOption = Engine.DUCKDB,
    lake: LakeOption = None,
    master: MasterOption = None,
    form: FormatOption = Format.TABLE,
    out: OutOption = None,
) -> None:
    """Which groups fail more than their ages let expect, small groups judged with care.

    Example: fleetlog compare --by build_year --strata variant
    """
    from dataclasses import replace

    from fleetlog.lives.comparison import compare as ask

    with fleet_of(context, engine, lake, master) as fleet:
        found = ask(
            fleet,
            scope(fault, as_of, site, build_year, machine),
            component=component,
            cause=cause,
            by=by,
            strata=columns_of(strata),
            test=test.value,
        )
    tested = _tested(found.test, found.log_rank, found.strata)
    shown = replace(found, notes=(*tested, *found.notes)) if form is Format.TABLE else found
    show(shown, found.groups, form, out)


def drivers(
    context: typer.Context,
    component: ComponentOption = DEFAULT_COMPONENT,
    factors: Annotated[
        str,
        typer.Option("--factors", help="Columns to explain the hazard by.", metavar="COLUMNS"),
    ] = "variant,site",
    strata: Annotated[
        str,
        typer.Option(
            "--strata",
            help="Columns whose values get a baseline hazard of their own instead of a ratio.",
            metavar="COLUMNS",
        ),
    ] = "",
    clock: Annotated[
        Clock,
        typer.Option(
            "--clock",
            help="lives: age of the part; or for recurrences of the fault total: hours of the machine, "
            "ordered: the same with a baseline for the first, second, …, gap: hours since the last one.",
        ),
    ] = Clock.LIVES,
    ties: Annotated[
        Ties, typer.Option("--ties", help="Failures at the same age by efron or breslow.")
    ] = Ties.EFRON,
    tests: Annotated[
        bool,
        typer.Option("--tests", help="Print the tests of each factor instead of the hazard ratios."),
    ] = False,
    fault: FaultOption = DEFAULT_FAULT,
    as_of: AsOfOption = None,
    site: SiteOption = None,
    build_year: BuildYearOption = None,
    machine: MachineOption = None,
    engine: EngineOption = Engine.DUCKDB,
    lake: LakeOption = None,
    master: MasterOption = None,
    form: FormatOption = Format.TABLE,
    out: OutOption = None,
) -> None:
    """What multiplies the risk, all else alike: hazard ratios with machine-robust intervals.

    Example: fleetlog drivers --factors site,side --strata variant
    """
    from fleetlog.lives.drivers import drivers as ask

    with fleet_of(context, engine, lake, master) as fleet:
        found = ask(
            fleet,
            scope(fault, as_of, site, build_year, machine),
            component=component,
            factors=columns_of(factors),
            strata=columns_of(strata),
            clock=clock.value,
            ties=ties.value,
        )
    show(found, found.terms if tests else found.levels, form, out)


def trend(
    context: typer.Context,
    units: Annotated[
        bool, typer.Option("--units", help="Print the single machines instead of the fleet's tests.")
    ] = False,
    fault: FaultOption = DEFAULT_FAULT,
    as_of: AsOfOption = None,
    site: SiteOption = None,
    build_year: BuildYearOption = None,
    machine: MachineOption = None,
    engine: EngineOption = Engine.DUCKDB,
    lake: LakeOption = None,
    master: MasterOption = None,
    form: FormatOption = Format.TABLE,
    out: OutOption = None,
) -> None:
    """Whether the fault comes ever faster or more slowly as machines run, fleet and machine by machine.

    Example: fleetlog trend --units
    """
    from fleetlog.lives.trend import trend as ask

    with fleet_of(context, engine, lake, master) as fleet:
        found = ask(fleet, scope(fault, as_of, site, build_year, machine))
    show(found, found.units if units else found.summary, form, out)


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
    by: Annotated[
        str,
        typer.Option(
            "--by",
            help="Compare the machines' episodes by this column instead: site, build_year, make, model or "
            "machine_type.",
            metavar="COLUMN",
        ),
    ] = "",
    fault: FaultOption = DEFAULT_FAULT,
    as_of: AsOfOption = None,
    site: SiteOption = None,
    build_year: BuildYearOption = None,
    machine: MachineOption = None,
    engine: EngineOption = Engine.DUCKDB,
    lake: LakeOption = None,
    master: MasterOption = None,
    form: FormatOption = Format.TABLE,
    out: OutOption = None,
) -> None:
    """Which repairs hold, and which units come back more than their peers.

    Example: fleetlog repeats --site Brindle
    """
    from dataclasses import replace

    from fleetlog.lives.repeats import repeats as ask

    with fleet_of(context, engine, lake, master) as fleet:
        chosen = scope(fault, as_of, site, build_year, machine)
        found = ask(fleet, chosen, window_hours=window, component=component, by=by)
    tested = _tested("mean cumulative counts, robust by machine", found.group_test)
    shown = replace(found, notes=(*tested, *found.notes)) if form is Format.TABLE else found
    show(shown, found.units if units else found.groups if by else found.by_action, form, out)


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
    from fleetlog.causes.suspects import suspects as ask
    from fleetlog.session.fleet import open_fleet

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
    from fleetlog.causes.unit import unit as ask
    from fleetlog.cli.output import emit
    from fleetlog.cli.story import tell
    from fleetlog.session.fleet import open_fleet

    with open_fleet(store_path(context)) as fleet:
        found = ask(fleet, machine_id, scope(fault, as_of))
    if form is Format.TABLE:
        emit(tell(found), out)
    else:
        show(found, found.frame, form, out)


COMMANDS = (survival, incidence, compare, drivers, repeats, trend, suspects, unit)
