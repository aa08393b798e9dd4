"""Commands that write pages and pictures: demo, report, chart."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Annotated

import typer

from fleetlog.cli.completion import chart_names, columns_to_split_by, proposing, split_columns
from fleetlog.cli.options import (
    AsOfOption,
    BuildYearOption,
    ComponentOption,
    Engine,
    EngineOption,
    FaultOption,
    Format,
    LakeOption,
    MachineOption,
    MasterOption,
    SiteOption,
    a_month,
    fleet_of,
    scope,
)
from fleetlog.cli.output import emit, say
from fleetlog.errors import UsageError
from fleetlog.questions import charts, proposal
from fleetlog.session.scope import DEFAULT_FAULT


def demo(
    folder: Annotated[
        Path, typer.Argument(help="Folder to make; it must be new or empty.", metavar="DIR")
    ] = Path("fleetlog-demo"),
) -> None:
    """Make a store from the demo fleet, run its month's report and say where to look.

    Example: fleetlog demo
    """
    import shutil

    from fleetlog.cli.loading import show_load
    from fleetlog.cli.progress import stage_progress
    from fleetlog.reporting.month_report import STAGES, write_month
    from fleetlog.resources import folder as resource
    from fleetlog.session.fleet import open_fleet

    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise UsageError(f"{folder} is there already and not empty; name another folder, or remove it first.")
    folder.mkdir(parents=True, exist_ok=True)
    source = resource("demo_data")
    shutil.copy(source / "fleetlog.toml", folder / "fleetlog.toml")
    store = folder / "fleetlog.duckdb"
    with open_fleet(store, create=True) as fleet:
        result = fleet.load(sorted(source.glob("*.csv")))
        show_load(result, Format.TABLE, None)
    with open_fleet(store) as fleet, stage_progress(len(STAGES)) as tell:
        written = write_month(fleet, date(2026, 6, 1), DEFAULT_FAULT, folder / "report", tell)
    print(
        f"\nThe demo fleet is invented; {source / 'README.md'} tells its story.\n"
        f"Sheet:   {written.with_name('sheet.html')}\n"
        f"Report:  {written}\n"
        f"Store:   {store}\n"
        f"Ask it:  fleetlog --store {store} suspects\n"
        f"         fleetlog --store {store} unit 37"
    )


def report(
    context: typer.Context,
    month: Annotated[
        date | None,
        typer.Option(
            "--month",
            parser=a_month,
            help="The month; default: that of the last day on record.",
            metavar="YYYY-MM",
        ),
    ] = None,
    out: Annotated[
        Path, typer.Option("--out", help="Folder to write the pages and tables to.", metavar="DIR")
    ] = Path("report"),
    sheet: Annotated[
        bool,
        typer.Option(
            "--sheet",
            help="Write the sheet of two pages alone, quickly, with its PDF, summary.txt, plan.ics and the parts to "
            "order.",
        ),
    ] = False,
    mail: Annotated[
        bool, typer.Option("--mail", help="Print the month as plain text for a mail; write nothing.")
    ] = False,
    fault: FaultOption = DEFAULT_FAULT,
    engine: EngineOption = Engine.DUCKDB,
    lake: LakeOption = None,
    master: MasterOption = None,
) -> None:
    """The month as a sheet of two pages and a report with every case, table and method as its annex.

    Pages open without a network and are PDFs, too; all tables stand in one workbook.

    Example: fleetlog report --month 2026-06 --out june
    """
    if sheet and mail:
        raise UsageError("--sheet writes files and --mail prints a text; ask for one of the two.")
    from fleetlog.cli.progress import stage_progress
    from fleetlog.reporting.month_report import STAGES, write_month, write_month_sheet

    with fleet_of(context, engine, lake, master) as fleet:
        chosen = month or fleet.last_day()
        if mail:
            from fleetlog.reporting.mail import mail_of
            from fleetlog.reporting.sheet_findings import gather_sheet

            emit(mail_of(gather_sheet(fleet, chosen, fault)), None)
            return
        if sheet:
            written = write_month_sheet(fleet, chosen, fault, out)
        else:
            with stage_progress(len(STAGES)) as tell:
                written = write_month(fleet, chosen, fault, out, tell)
    print(written)


def chart(
    context: typer.Context,
    name: Annotated[
        str,
        typer.Argument(
            help="The picture; 'fleetlog chart list' lists them.",
            metavar="NAME",
            autocompletion=proposing(chart_names),
        ),
    ],
    out: Annotated[
        Path | None,
        typer.Option(
            "--out",
            help="The file; its ending says the format: .svg, .png, .pdf, .html, .json.",
            metavar="FILE",
        ),
    ] = None,
    component: ComponentOption = None,
    by: Annotated[
        str,
        typer.Option(
            "--by",
            help="Columns to split survival by, separated by commas.",
            metavar="COLUMNS",
            autocompletion=split_columns(columns_to_split_by),
        ),
    ] = "variant",
    months: Annotated[
        int | None,
        typer.Option(
            "--months",
            min=1,
            help="Months to look ahead (forecast) or back (calibration, forecast-check); "
            "default: as many as the command looks.",
        ),
    ] = None,
    dark: Annotated[bool, typer.Option("--dark", help="Light letters and lines on a dark ground.")] = False,
    fault: FaultOption = DEFAULT_FAULT,
    as_of: AsOfOption = None,
    site: SiteOption = None,
    build_year: BuildYearOption = None,
    machine: MachineOption = None,
    engine: EngineOption = Engine.DUCKDB,
    lake: LakeOption = None,
    master: MasterOption = None,
) -> None:
    """One picture, in the format that the file's ending names.

    Example: fleetlog chart survival --by variant --out survival.svg
    """
    known = charts()
    if name == "list":
        for key, (_, kind) in known.items():
            print(f"{key:<16} {kind.description}")
        return
    if name not in known:
        raise UsageError(f"There is no chart {name!r}; {proposal(name, known)}")
    from fleetlog.charts.output import save
    from fleetlog.cli.shown import answer_for

    target = out or Path(f"{name}.svg")
    with fleet_of(context, engine, lake, master) as fleet:
        chosen = scope(fault, as_of, site, build_year, machine)
        answer = answer_for(fleet, name, chosen, component, by, months)
        words = fleet.family(fault).words
    say(f"{save(answer.chart(name, words=words), target, dark=dark)} is written.")


COMMANDS = (demo, report, chart)
