"""The month as one Excel workbook: a sheet a table, real tables, numbers as numbers, native charts."""

from __future__ import annotations

import io
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any

import polars as pl
import xlsxwriter

from fleetlog.charts.repeats import FEW_ATTEMPTS
from fleetlog.charts.survival import curve_rows
from fleetlog.charts.theme import INK, SERIES
from fleetlog.errors import UsageError
from fleetlog.lives.survival import SurvivalFinding
from fleetlog.phrasing import capital, group_name, plural_part, printable, repair_name, said
from fleetlog.reporting.gathered import ReportFindings

_STEPS = 400
_WIDEST = 46
_WRAPPED = 44
_LINE, _HIGHEST = 15, 400
_HEADINGS = {
    "machine_id": "unit",
    "age_hours": "age of the part, h",
    "labour_hours": "labour, h",
    "running_hours": "running hours",
    "median_hours_to_comeback": "half of those back by, h",
    "weibull_shape": "Weibull shape",
    "weibull_scale_hours": "Weibull scale, h",
    "hours_a_month": "runs a month, h",
    "custom_cost": "cost, sensor first",
    "expected_cost": "cost by the steps proposed",
    "top_cause": "likeliest cause",
    "certainty": "how sure",
}


@dataclass(frozen=True)
class Sheet:
    """One table of the workbook.

    Attributes:
        name: of the sheet, at most 31 letters.
        title: what it shows, above the table.
        frame: the table.
        headings: column -> heading; columns not named are headed by their own name in words.
        formats: column -> Excel number format; whole numbers, dates and text need none.
    """

    name: str
    title: str
    frame: pl.DataFrame
    headings: Mapping[str, str]
    formats: Mapping[str, str]


def write_workbook(
    findings: ReportFindings, frames: Mapping[str, pl.DataFrame], path: Path, *, clock: datetime
) -> Path:
    """Write the tables of the month's page as one workbook.

    Text is written as text, never as a formula or a link, and the same findings give the same bytes.

    Args:
        findings: the month.
        frames: the tables beside the page by name, as `month_frames` makes them.
        path: of the workbook.
        clock: the time of making, kept in the file's properties.

    Raises:
        UsageError: when the file cannot be written.
    """
    content = io.BytesIO()
    book = xlsxwriter.Workbook(
        content,
        {
            "in_memory": True,
            "strings_to_formulas": False,
            "strings_to_urls": False,
            "strings_to_numbers": False,
            "nan_inf_to_errors": False,
            "default_date_format": "yyyy-mm-dd",
        },
    )
    book.set_properties(
        {
            "title": printable(f"{findings.fleet}, {findings.month:%B %Y}"),
            "author": "fleetlog",
            "created": clock.replace(tzinfo=None),
        }
    )
    sheets = _sheets(findings, frames)
    placed = {sheet.name: _table(book, sheet, number) for number, sheet in enumerate(sheets)}
    _charts(book, findings, placed)
    book.close()
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content.getvalue())
    except OSError as problem:
        raise UsageError(f"{path} cannot be written: {problem.strerror}; name another folder") from problem
    return path


def _sheets(findings: ReportFindings, frames: Mapping[str, pl.DataFrame]) -> list[Sheet]:
    """The tables in the order of the page; those without rows are left out."""
    money = f'#,##0 "{findings.currency}"'
    costs = {
        name: money
        for name in ("labour_cost", "parts_cost", "cost", "expected_cost", "custom_cost", "saving")
    }
    shares = {name: "0%" for name in ("certainty", "comeback_rate", "lower", "upper", "chance")}
    hours = {
        name: "#,##0"
        for name in (
            "age_hours",
            "from_hours",
            "median_hours",
            "median_lower",
            "median_upper",
            "b10_hours",
            "weibull_scale_hours",
            "running_hours",
            "median_hours_to_comeback",
            "hours",
            "hours_a_month",
        )
    }
    plain = {"labour_hours": "#,##0.0", "weibull_shape": "0.00", "expected": "0.0", "ratio": "0.0"}
    suspects = _renamed_shares(frames["suspects"])
    chances = {name: "0%" for name in suspects.columns if name.startswith("chance: ")}
    repairs = frames["repairs"].with_columns(
        pl.Series(
            "repair",
            [
                capital(repair_name(row["action"], row["component"] or "", findings.words))
                for row in frames["repairs"].to_dicts()
            ],
            dtype=pl.String,
        )
    )
    interval = {"lower": "at least (95%)", "upper": "at most (95%)"}
    sheets = [
        Sheet("Cases", "Cases, open and watched", suspects, {}, costs | shares | hours | chances),
        Sheet("Changes", "What changed since last month", frames["changes"], {}, {}),
        Sheet("Savings", "Cost of each open case until it is cured", frames["savings"], {}, costs),
        Sheet(
            "Life by kind",
            "How long each kind of part lasts",
            frames["survival_by_variant"],
            {
                "spells": "parts watched",
                "b10_hours": "a tenth failed by, h",
                "median_hours": "half failed by, h",
            },
            hours | plain,
        ),
        Sheet(
            "Life by build year",
            "How long parts last, by build year",
            frames["survival_by_build_year"],
            {
                "spells": "parts watched",
                "b10_hours": "a tenth failed by, h",
                "median_hours": "half failed by, h",
            },
            hours | plain,
        ),
        Sheet(
            "Repairs",
            f"How often the fault came back within {findings.repeats.window_hours:,.0f} running hours",
            repairs.select("repair", pl.all().exclude("repair")),
            interval,
            costs | shares | hours | plain,
        ),
        Sheet(
            "Units above peers",
            "Units with more faults than their peers",
            frames["repeat_units"],
            interval,
            hours | plain | {"lower": "0.0", "upper": "0.0"},
        ),
        Sheet(
            "Faults by hours",
            "Faults per machine by running hours",
            frames["mean_cumulative"],
            {"count": "faults per machine", **interval},
            hours | {"count": "0.00", "lower": "0.00", "upper": "0.00"},
        ),
        Sheet("Spent", "Spent on this fault this month", frames["spent"], {}, costs | plain),
        Sheet("Figures", "Figures behind the money", frames["assumptions"], {}, {"value": "#,##0.0"}),
        Sheet("Records", "What is wrong with the records", frames["quality"], {}, {}),
        Sheet(
            "Fleet",
            "Machines by build year",
            frames["fleet"],
            {"running_hours": "running hours, mean"},
            hours,
        ),
        Sheet(
            "Curve by kind",
            "Share still working by age, in steps, for the chart",
            _steps(findings.survival_by_variant, findings.words),
            {},
            {"age": "#,##0.0"} | {"still working": "0%"},
        ),
    ]
    if "forecast_by_month" in frames:
        ranges = {"lower_80": "at least (80%)", "upper_80": "at most (80%)"} | interval
        sheets[7:7] = [
            Sheet(
                "Ahead by month",
                "What to expect, by month",
                frames["forecast_by_month"],
                ranges,
                costs | plain,
            ),
            Sheet("Ahead by cause", "What to expect, by cause", frames["forecast"], ranges, costs | plain),
            *_met_sheets(frames, ranges, plain),
        ]
    if "plan" in frames:
        sheets[3:3] = [
            Sheet(
                "Plan",
                "Jobs by week",
                frames["plan"],
                {"monday": "from Monday", "chance_without": "chance to fail if nothing is done"},
                costs | shares | hours | plain | {"chance_without": "0%"},
            )
        ]
    return [sheet for sheet in sheets if sheet.frame.height and sheet.frame.width]


def _met_sheets(
    frames: Mapping[str, pl.DataFrame], ranges: Mapping[str, str], plain: Mapping[str, str]
) -> list[Sheet]:
    """The last forecast beside what came, and how past ones did."""
    tables = {
        "forecast_met": ("Forecast and came", "Last month's forecast against what came, by cause"),
        "forecast_record": ("Forecast record", "How past forecasts did, by part"),
        "forecast_record_by_month": ("Forecast record by month", "Past forecasts month by month"),
    }
    headings = {
        **ranges,
        "came": "found failed",
        "held": "in the range",
        "chance_80": "chance of the range by the forecast",
    }
    record = {**headings, "held": "months in the range"}
    shares = dict.fromkeys(("held_share", "held_95_share", "chance_80"), "0%")
    return [
        Sheet(
            name,
            title,
            frames[table],
            record if table == "forecast_record" else headings,
            {
                **plain,
                **shares,
                **(dict.fromkeys(("lower", "upper"), "0%") if table == "forecast_record" else {}),
            },
        )
        for table, (name, title) in tables.items()
        if table in frames
    ]


def _renamed_shares(suspects: pl.DataFrame) -> pl.DataFrame:
    """The cases with the columns of each cause's probability named in words."""
    return suspects.rename(
        {name: f"chance: {said(name[2:])}" for name in suspects.columns if name.startswith("p_")}
    )


def _steps(finding: SurvivalFinding, words: Mapping[str, str]) -> pl.DataFrame:
    """Curves as corner points: a column of ages and a column a group, so that Excel draws steps."""
    parts = []
    for group in finding.groups:
        name = group_name(group.group, words)
        corners: list[dict[str, Any]] = []
        before = 1.0
        for row in curve_rows(group, name, _STEPS):
            corners.append({"group": name, "age": row["hours"], "still working": before})
            corners.append({"group": name, "age": row["hours"], "still working": row["survival"]})
            before = row["survival"]
        parts.append(
            pl.DataFrame(corners, schema={"group": pl.String, "age": pl.Float64, "still working": pl.Float64})
        )
    return pl.concat(parts) if parts else pl.DataFrame()


@dataclass(frozen=True)
class _Placed:
    """Where a table stands on its sheet."""

    sheet: Any
    frame: pl.DataFrame
    name: str
    first: int
    last: int

    def column(self, name: str, first: int | None = None, last: int | None = None) -> list[Any]:
        """The cells of a column, as xlsxwriter's charts want them."""
        place = self.frame.columns.index(name)
        return [
            self.name,
            self.first if first is None else self.first + first,
            place,
            self.last if last is None else self.first + last,
            place,
        ]


def _table(book: Any, sheet: Sheet, number: int) -> _Placed:
    """One sheet: a title, a real table with filters, its head frozen, columns as wide as they need."""
    page = book.add_worksheet(sheet.name)
    bold = book.add_format({"bold": True, "font_size": 14})
    page.write_string(0, 0, printable(sheet.title), bold)
    page.freeze_panes(3, 1)
    page.hide_gridlines(2)
    page.set_landscape()
    page.set_paper(9)
    page.fit_to_pages(1, 0)
    page.repeat_rows(2)
    frame = sheet.frame
    heads = _headings(sheet)
    rows = [[_value(value) for value in row] for row in frame.rows()]
    formats = [
        book.add_format(_format(sheet.formats.get(name), kind, [row[place] for row in rows]))
        for place, (name, kind) in enumerate(frame.schema.items())
    ]
    first, last = 3, 2 + len(rows)
    page.add_table(
        2,
        0,
        last,
        frame.width - 1,
        {
            "name": f"Table{number + 1}",
            "style": "Table Style Light 1",
            "columns": [{"header": head, "format": form} for head, form in zip(heads, formats, strict=True)],
        },
    )
    dates = book.add_format({"num_format": "yyyy-mm-dd", "valign": "top"})
    times = book.add_format({"num_format": "yyyy-mm-dd hh:mm", "valign": "top"})
    for down, row in enumerate(rows, start=first):
        lines = max([1, *(-(-len(value) // _WRAPPED) for value in row if isinstance(value, str))])
        if lines > 1:
            page.set_row(down, min(_LINE * lines, _HIGHEST))
        for across, value in enumerate(row):
            _write(page, down, across, value, formats[across], dates, times)
    for across, head in enumerate(heads):
        longest = max([len(head) + 3, *(len(_shown(row[across])) + 1 for row in rows[:200])])
        page.set_column(across, across, min(longest, _WIDEST))
    return _Placed(page, frame, sheet.name, first, last)


def _format(given: str | None, kind: pl.DataType, values: list[Any]) -> dict[str, Any]:
    """How a column is written: as given, else decimals to two places, long texts over several lines."""
    if given is not None:
        return {"num_format": given, "valign": "top"}
    if kind.is_float():
        return {"num_format": "#,##0.0#", "valign": "top"}
    if any(isinstance(value, str) and len(value) > _WRAPPED for value in values):
        return {"text_wrap": True, "valign": "top"}
    return {"valign": "top"}


def _headings(sheet: Sheet) -> list[str]:
    """Headings in words, no two alike: Excel's tables take none twice, in whatever case."""
    heads: list[str] = []
    for name in sheet.frame.columns:
        head = capital(printable(sheet.headings.get(name) or said(name, _HEADINGS)))[:200]
        taken = {other.casefold() for other in heads}
        number = 2
        unique = head
        while unique.casefold() in taken:
            unique, number = f"{head} {number}", number + 1
        heads.append(unique)
    return heads


def _value(value: Any) -> Any:
    if isinstance(value, str):
        return printable(value)[:32_000]
    if isinstance(value, list):
        return ", ".join(str(part) for part in value)
    if isinstance(value, float) and (value != value or value in (float("inf"), float("-inf"))):
        return None
    return value


def _shown(value: Any) -> str:
    return "" if value is None else f"{value:,.1f}" if isinstance(value, float) else str(value)


def _write(page: Any, down: int, across: int, value: Any, form: Any, dates: Any, times: Any) -> None:
    if value is None or value == "":
        page.write_blank(down, across, None, form)
    elif isinstance(value, bool):
        page.write_string(down, across, "yes" if value else "no", form)
    elif isinstance(value, int | float):
        page.write_number(down, across, value, form)
    elif isinstance(value, datetime):
        page.write_datetime(down, across, value.replace(tzinfo=None), times)
    elif isinstance(value, date):
        page.write_datetime(down, across, value, dates)
    else:
        page.write_string(down, across, str(value), form)


def _charts(book: Any, findings: ReportFindings, placed: Mapping[str, _Placed]) -> None:
    """Native charts, each beside the table that it shows."""
    if "Curve by kind" in placed and "Life by kind" in placed:
        _curve_chart(book, findings, placed["Curve by kind"], placed["Life by kind"])
    if "Repairs" in placed:
        _repairs_chart(book, findings, placed["Repairs"])
    if "Ahead by month" in placed:
        _ahead_chart(book, placed["Ahead by month"])
    if "Fleet" in placed:
        _fleet_chart(book, placed["Fleet"])


def _curve_chart(book: Any, findings: ReportFindings, curve: _Placed, home: _Placed) -> None:
    chart = book.add_chart({"type": "scatter", "subtype": "straight"})
    groups = curve.frame["group"].to_list()
    for place, name in enumerate(dict.fromkeys(groups)):
        first, last = groups.index(name), len(groups) - 1 - groups[::-1].index(name)
        chart.add_series(
            {
                "name": printable(capital(name)),
                "categories": curve.column("age", first, last),
                "values": curve.column("still working", first, last),
                "line": {"color": SERIES[place % len(SERIES)], "width": 2},
                "marker": {"type": "none"},
            }
        )
    part = plural_part(findings.survival_by_variant.component)
    chart.set_title({"name": f"{capital(part)} still working by age", "name_font": {"size": 12}})
    chart.set_x_axis({"name": "age, running hours", "num_format": "#,##0", "min": 0})
    chart.set_y_axis({"num_format": "0%", "min": 0, "max": 1, "major_gridlines": {"visible": True}})
    _place(home, chart)


def _repairs_chart(book: Any, findings: ReportFindings, home: _Placed) -> None:
    rows = [row for row in home.frame.to_dicts() if row["attempts"] >= FEW_ATTEMPTS]
    if not rows:
        return
    chart = book.add_chart({"type": "bar"})
    chart.add_series(
        {
            "name": "came back",
            "categories": home.column("repair"),
            "values": home.column("comeback_rate"),
            "fill": {"color": SERIES[0]},
            "y_error_bars": {
                "type": "custom",
                "plus_values": [_gap(row, "upper", "comeback_rate") for row in home.frame.to_dicts()],
                "minus_values": [_gap(row, "comeback_rate", "lower") for row in home.frame.to_dicts()],
            },
        }
    )
    within = f"{findings.repeats.window_hours:,.0f}"
    chart.set_title({"name": f"Came back within {within} running hours", "name_font": {"size": 12}})
    chart.set_x_axis({"num_format": "0%", "min": 0, "max": 1})
    chart.set_y_axis({"reverse": True})
    chart.set_legend({"none": True})
    _place(home, chart)


def _gap(row: Mapping[str, Any], above: str, below: str) -> float:
    return float(row[above] - row[below]) if row[above] is not None and row[below] is not None else 0.0


def _ahead_chart(book: Any, home: _Placed) -> None:
    chart = book.add_chart({"type": "column"})
    chart.add_series(
        {
            "name": "expected",
            "categories": home.column("month"),
            "values": home.column("expected"),
            "fill": {"color": SERIES[0]},
        }
    )
    # Excel combines two kinds of chart, not three: the upper limit is drawn, the table has both.
    line = book.add_chart({"type": "line"})
    line.add_series(
        {
            "name": "at most, in 8 of 10 cases",
            "categories": home.column("month"),
            "values": home.column("upper_80"),
            "line": {"none": True},
            "marker": {"type": "long_dash", "size": 12, "border": {"color": INK}, "fill": {"color": INK}},
        }
    )
    chart.combine(line)
    chart.set_title({"name": "Failures to expect", "name_font": {"size": 12}})
    chart.set_y_axis({"min": 0})
    _place(home, chart)


def _fleet_chart(book: Any, home: _Placed) -> None:
    chart = book.add_chart({"type": "column"})
    chart.add_series(
        {
            "name": "machines",
            "categories": home.column("build_year"),
            "values": home.column("machines"),
            "fill": {"color": SERIES[0]},
        }
    )
    chart.set_title({"name": "Machines by build year", "name_font": {"size": 12}})
    chart.set_legend({"none": True})
    _place(home, chart)


def _place(home: _Placed, chart: Any) -> None:
    """Beneath the table, where it covers nothing."""
    chart.set_size({"width": 760, "height": 360})
    home.sheet.insert_chart(home.last + 2, 0, chart, {"object_position": 1})
