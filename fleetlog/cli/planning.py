"""Commands that look ahead, and back at how good past looks were."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

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
    a_day,
    scope,
    store_path,
)
from fleetlog.cli.output import say, show

if TYPE_CHECKING:
    import polars as pl

DrawsOption = Annotated[int, typer.Option("--draws", help="Draws of the bootstrap over machines.", min=1)]
SeedOption = Annotated[int, typer.Option("--seed", help="Seed; same seed, same numbers.")]


def forecast(
    context: typer.Context,
    months: Annotated[int, typer.Option("--months", help="How many months ahead.", min=1, max=60)] = 12,
    component: Annotated[
        str | None, typer.Option("--component", help="Only this component; default: all.")
    ] = None,
    totals: Annotated[
        bool, typer.Option("--totals", help="Print the whole stretch instead of single months.")
    ] = False,
    check: Annotated[
        bool, typer.Option("--check", help="Print how past forecasts did against what came instead.")
    ] = False,
    draws: DrawsOption = 200,
    seed: SeedOption = 20260101,
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
    from fleetlog.planning.forecast import forecast as ask
    from fleetlog.planning.forecast_check import check_forecasts
    from fleetlog.session.fleet import open_fleet

    with open_fleet(store_path(context)) as fleet:
        chosen = scope(fault, as_of, site, build_year, machine)
        if check:
            past = check_forecasts(fleet, chosen, draws=draws, seed=seed)
            show(past, past.frame, form, out)
            return
        found = ask(fleet, chosen, months=months, component=component, draws=draws, seed=seed)
    show(found, found.totals if totals else found.frame, form, out)


def replacement(
    context: typer.Context,
    component: Annotated[
        str | None, typer.Option("--component", help="Only this component; default: all that are followed.")
    ] = None,
    draws: DrawsOption = 200,
    seed: SeedOption = 20260101,
    fault: FaultOption = DEFAULT_FAULT,
    as_of: AsOfOption = None,
    site: SiteOption = None,
    build_year: BuildYearOption = None,
    machine: MachineOption = None,
    form: FormatOption = Format.TABLE,
    out: OutOption = None,
) -> None:
    """From what age a part is better replaced ahead, what that saves, or why waiting is better.

    Example: fleetlog replacement --component internal_bushing
    """
    from fleetlog.planning.replacement import replacement as ask
    from fleetlog.session.fleet import open_fleet

    with open_fleet(store_path(context)) as fleet:
        chosen = scope(fault, as_of, site, build_year, machine)
        found = ask(fleet, chosen, component=component, draws=draws, seed=seed)
    short = ["component", "variant", "parts", "failures", "replace_ahead", "best_age_hours", "lower", "upper"]
    table = found.frame.select(*short, "past_best_age", "saving_per_part", "saving_now", "reason")
    show(found, table if form is Format.TABLE else found.frame, form, out)


def plan(
    context: typer.Context,
    weeks: Annotated[int, typer.Option("--weeks", help="How many ISO weeks ahead.", min=1, max=104)] = 26,
    shop_hours: Annotated[
        str | None,
        typer.Option(
            "--shop-hours",
            help="Weekly labour hours instead of the setting; several, e.g. 40,60,80, are compared.",
            metavar="HOURS",
        ),
    ] = None,
    policy: Annotated[
        str | None,
        typer.Option(
            "--policy",
            help="Compare policies over the coming year instead: all, or names with commas.",
            metavar="NAMES",
        ),
    ] = None,
    previous: Annotated[
        Path | None,
        typer.Option(
            "--previous", help="The last plan as CSV: a job moves only for a good reason.", metavar="FILE"
        ),
    ] = None,
    must: Annotated[
        list[str] | None, typer.Option("--must", help="A machine that must have a visit; may be repeated.")
    ] = None,
    draws: DrawsOption = 200,
    seed: SeedOption = 20260101,
    fault: FaultOption = DEFAULT_FAULT,
    as_of: AsOfOption = None,
    site: SiteOption = None,
    build_year: BuildYearOption = None,
    machine: MachineOption = None,
    form: FormatOption = Format.TABLE,
    out: OutOption = None,
) -> None:
    """Which preventive repairs to do in which week, within the shop's hours.

    Example: fleetlog plan --weeks 12 --shop-hours 60
    """
    from fleetlog.planning.plan import plan as ask
    from fleetlog.planning.plan_hours import compare_shop_hours
    from fleetlog.planning.policies import POLICIES, compare_policies
    from fleetlog.session.fleet import open_fleet

    hours = _hours(shop_hours)
    chosen = scope(fault, as_of, site, build_year, machine)
    with open_fleet(store_path(context)) as fleet:
        if policy is not None:
            names = POLICIES if policy == "all" else tuple(word.strip() for word in policy.split(","))
            what_if = compare_policies(fleet, chosen, policies=names, draws=draws, seed=seed)
            show(what_if, what_if.frame, form, out)
            return
        if len(hours) > 1:
            compared = compare_shop_hours(fleet, hours, chosen, weeks=weeks, draws=draws, seed=seed)
            show(compared, compared.frame, form, out)
            return
        found = ask(
            fleet,
            chosen,
            weeks=weeks,
            shop_hours=hours[0] if hours else None,
            previous=_earlier_plan(previous),
            must=tuple(must or ()),
            draws=draws,
            seed=seed,
        )
        cautions = fleet.family(fault).cautions
    show(found, found.frame, form, out)
    if form is Format.TABLE and out is None and not found.frame.is_empty():
        print("\nBefore work on a pump:")
        for caution in cautions:
            print(f"- {caution}")


def _hours(text: str | None) -> tuple[float, ...]:
    """Weekly hours written as one number or several with commas."""
    from fleetlog.errors import UsageError

    try:
        hours = tuple(float(part) for part in text.split(",")) if text else ()
    except ValueError as error:
        raise UsageError(f"--shop-hours cannot be {text!r}; write hours such as 60 or 40,60,80.") from error
    if any(not hour >= 0 for hour in hours):
        raise UsageError(f"--shop-hours cannot be {text!r}; hours are not negative.")
    return hours


def _earlier_plan(path: Path | None) -> pl.DataFrame | None:
    """The rows of a plan written with --format csv --out FILE."""
    if path is None:
        return None
    import polars as pl

    from fleetlog.errors import UsageError

    needed = ["machine_id", "side", "week"]
    try:
        rows = pl.read_csv(path, infer_schema=False)
        return rows.select(pl.col(name).fill_null("") for name in needed)
    except (OSError, pl.exceptions.PolarsError) as error:
        raise UsageError(
            f"{path} is no plan to start from: it must be a CSV file with the columns {', '.join(needed)}."
        ) from error


def backtest(
    context: typer.Context,
    months: Annotated[
        int, typer.Option("--months", help="How many month-ends to look back from.", min=1, max=120)
    ] = 24,
    calibration: Annotated[
        bool, typer.Option("--calibration", help="Print how often it was right by how sure it was.")
    ] = False,
    fault: FaultOption = DEFAULT_FAULT,
    as_of: AsOfOption = None,
    site: SiteOption = None,
    build_year: BuildYearOption = None,
    machine: MachineOption = None,
    form: FormatOption = Format.TABLE,
    out: OutOption = None,
) -> None:
    """How good past suspicions were, month by month, beside simpler ways of judging.

    Example: fleetlog backtest --months 12
    """
    from fleetlog.causes.backtest import backtest as ask
    from fleetlog.session.fleet import open_fleet

    with open_fleet(store_path(context)) as fleet:
        found = ask(fleet, scope(fault, as_of, site, build_year, machine), months=months)
    show(found, found.calibration if calibration else found.frame, form, out)


def figures(
    context: typer.Context,
    by: Annotated[
        str,
        typer.Option("--by", help="Columns to split by, e.g. site,build_year.", metavar="COLUMNS"),
    ] = "",
    days: Annotated[int, typer.Option("--days", help="Length of the stretch that counts.", min=1)] = 365,
    seed: SeedOption = 20260101,
    fault: FaultOption = DEFAULT_FAULT,
    as_of: AsOfOption = None,
    site: SiteOption = None,
    build_year: BuildYearOption = None,
    machine: MachineOption = None,
    form: FormatOption = Format.TABLE,
    out: OutOption = None,
) -> None:
    """Operating time between failures, time to restoration, availability, maintenance cost, with intervals.

    Example: fleetlog figures --by site
    """
    from fleetlog.lives.fleet_figures import fleet_figures as ask
    from fleetlog.session.fleet import open_fleet

    columns = tuple(word.strip() for word in by.split(",") if word.strip())
    with open_fleet(store_path(context)) as fleet:
        chosen = scope(fault, as_of, site, build_year, machine)
        found = ask(fleet, chosen, by=columns, days=days, seed=seed)
    show(found, found.frame, form, out)


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
    from fleetlog.simulation.simulate import Keeping
    from fleetlog.simulation.simulate import simulate as make

    if form not in list(FileForm):
        raise UsageError(f"'{form}' is no form of file; write one of {', '.join(FileForm)}.")
    keeping = Keeping(mess=mess, routine=routine, form=FileForm(form), window=Window(first, last))
    made = make(folder, machines=machines, years=years, seed=seed, reading_days=reading_days, keeping=keeping)
    say(f"{made.machines} machines, {made.cases} true cases (seed {made.seed}).")
    print(f"Files: {made.files}\nTruth: {made.truth}")


COMMANDS = (forecast, replacement, plan, figures, backtest, simulate)
