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

from fleetlog.charts.theme import ALERT, INK, SERIES
from fleetlog.phrasing import capital, plural_part, printable, said
from fleetlog.reporting.files import write_bytes
from fleetlog.reporting.findings import ReportFindings
from fleetlog.reporting.month import wording_of
from fleetlog.reporting.tables import CellWording
from fleetlog.reporting.views import VIEWS
from fleetlog.table_specs import KINDS, TableColumn, TableSpec, table_specs

_WIDEST = 46
_WRAPPED = 44
_LINE, _HIGHEST = 15, 400
_HEAD = 2  # the row of the headings, below title and notes; counted from 0
_OPTIONS = {
    "in_memory": True,
    "strings_to_formulas": False,
    "strings_to_urls": False,
    "strings_to_numbers": False,
    "nan_inf_to_errors": False,
    "default_date_format": "yyyy-mm-dd",
}


def write_workbook(
    findings: ReportFindings, frames: Mapping[str, pl.DataFrame], path: Path, *, clock: datetime
) -> Path:
    """Write the tables of the month's page as one workbook.

    Text is written as text, never as a formula or a link, and the same findings give the same bytes.

    Args:
        findings: the month.
        frames: its tables by name, as `table_frames` gives them.
        path: of the workbook.
        clock: the time of making, kept in the file's properties.

    Raises:
        UsageError: when the file cannot be written.
    """
    content = io.BytesIO()
    book = xlsxwriter.Workbook(content, _OPTIONS)
    title = printable(f"{findings.fleet}, {findings.month:%B %Y}")
    book.set_properties({"title": title, "author": "fleetlog", "created": clock.replace(tzinfo=None)})
    wording = wording_of(findings, {})
    sheets: dict[str, _Sheet] = {}
    for spec in table_specs("month"):
        if spec.sheet and spec.name in frames:
            frame = VIEWS[spec.sheet_view](findings, frames[spec.name])
            if frame.height and frame.width:
                sheets[spec.name] = _sheet(book, spec, frame, wording, len(sheets) + 1)
    _charts(book, findings, sheets)
    book.close()
    return write_bytes(path, content.getvalue())


@dataclass(frozen=True)
class _Sheet:
    """A table in the workbook: its page, its rows, and from where to where they stand."""

    page: Any
    frame: pl.DataFrame
    first: int
    last: int

    def cells(self, column: str, first: int = 0, last: int | None = None) -> list[Any]:
        """The cells of a column, as xlsxwriter's charts want them."""
        place = self.frame.columns.index(column)
        end = self.last if last is None else self.first + last
        return [self.page.name, self.first + first, place, end, place]

    def add(self, chart: Any, title: str) -> None:
        """Puts a chart beneath the table, where it covers nothing."""
        chart.set_title({"name": title, "name_font": {"size": 12}})
        chart.set_size({"width": 760, "height": 360})
        self.page.insert_chart(self.last + 2, 0, chart, {"object_position": 1})


def _sheet(book: Any, spec: TableSpec, frame: pl.DataFrame, wording: CellWording, number: int) -> _Sheet:
    """One sheet: title, notes, a real table with filters, its head frozen, columns as wide as they need."""
    page = book.add_worksheet(spec.sheet)
    page.write_string(
        0, 0, printable(wording.fill(spec.title)), book.add_format({"bold": True, "font_size": 14})
    )
    page.freeze_panes(_HEAD + 1, 1)
    page.hide_gridlines(2)
    page.set_landscape()
    page.set_paper(9)
    page.fit_to_pages(1, 0)
    page.repeat_rows(_HEAD)
    columns = [_column(spec, name, wording) for name in frame.columns]
    # What a page marks with a dash is an empty cell here.
    notes = "; ".join(f"{one.title}: {one.note.replace('–', 'empty')}" for one in columns if one.note)
    if notes:
        page.write_string(_HEAD - 1, 0, printable(capital(notes)), book.add_format({"font_color": "#586271"}))
    rows = [[_value(value) for value in row] for row in frame.rows()]
    formats = [
        book.add_format(_format(column, kind, [row[place] for row in rows], wording.currency))
        for place, (column, kind) in enumerate(zip(columns, frame.dtypes, strict=True))
    ]
    heads = _unlike([capital(printable(column.title))[:200] for column in columns])
    first, last = _HEAD + 1, _HEAD + len(rows)
    page.add_table(
        _HEAD,
        0,
        last,
        frame.width - 1,
        {
            "name": f"Table{number}",
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
    return _Sheet(page, frame, first, last)


def _column(spec: TableSpec, name: str, wording: CellWording) -> TableColumn:
    """The column as declared, else headed by its own name."""
    declared = spec.column(name)
    return TableColumn(name, said(name)) if declared is None else wording.column(declared)


def _format(column: TableColumn, kind: pl.DataType, values: list[Any], currency: str) -> dict[str, Any]:
    """How a column is written: as its kind is, else decimals to two places, long texts over several lines."""
    form = {"valign": "top"}
    declared = KINDS[column.kind].sheet.format(currency=currency)
    if declared or kind.is_float():
        return {**form, "num_format": declared or "#,##0.0#"}
    if any(isinstance(value, str) and len(value) > _WRAPPED for value in values):
        return {**form, "text_wrap": True}
    return form


def _unlike(heads: list[str]) -> list[str]:
    """The headings, no two alike: Excel's tables take none twice, in whatever case."""
    unlike: dict[str, str] = {}
    for head in heads:
        unique, number = head, 2
        while unique.casefold() in unlike:
            unique, number = f"{head} {number}", number + 1
        unlike[unique.casefold()] = unique
    return list(unlike.values())


def _value(value: Any) -> Any:
    if isinstance(value, str):
        return printable(value)[:32_000]
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


def _charts(book: Any, findings: ReportFindings, sheets: Mapping[str, _Sheet]) -> None:
    """Native charts, each beneath the table that it shows."""
    if "survival_by_variant_curve" in sheets and "survival_by_variant" in sheets:
        _curve_chart(book, findings, sheets["survival_by_variant_curve"], sheets["survival_by_variant"])
    if "repairs" in sheets:
        _repairs_chart(book, findings, sheets["repairs"])
    if "forecast_by_month" in sheets:
        _forecast_chart(book, sheets["forecast_by_month"])
    if "fleet" in sheets:
        chart = _bars(book, sheets["fleet"], "column", "machines", "build_year", "machines")
        chart.set_legend({"none": True})
        sheets["fleet"].add(chart, "Machines by build year")


def _bars(book: Any, sheet: _Sheet, kind: str, name: str, across: str, up: str, **more: Any) -> Any:
    """A chart of one column of numbers."""
    chart = book.add_chart({"type": kind})
    cells = {"categories": sheet.cells(across), "values": sheet.cells(up)}
    chart.add_series({"name": name, **cells, "fill": {"color": SERIES[0]}, **more})
    return chart


def _curve_chart(book: Any, findings: ReportFindings, curve: _Sheet, home: _Sheet) -> None:
    chart = book.add_chart({"type": "scatter", "subtype": "straight"})
    groups = curve.frame["group"].to_list()
    for place, name in enumerate(dict.fromkeys(groups)):
        first, last = groups.index(name), len(groups) - 1 - groups[::-1].index(name)
        chart.add_series(
            {
                "name": printable(capital(name)),
                "categories": curve.cells("age", first, last),
                "values": curve.cells("still_working", first, last),
                "line": {"color": SERIES[place % len(SERIES)], "width": 2},
                "marker": {"type": "none"},
            }
        )
    finding = findings.survival_by_variant
    part = plural_part(finding.component) if finding is not None else "parts"
    chart.set_x_axis({"name": "age, running hours", "num_format": "#,##0", "min": 0})
    chart.set_y_axis({"num_format": "0%", "min": 0, "max": 1, "major_gridlines": {"visible": True}})
    home.add(chart, f"{capital(part)} still working by age")


def _repairs_chart(book: Any, findings: ReportFindings, home: _Sheet) -> None:
    rows = home.frame.to_dicts()
    if all(row["attempts"] < findings.repeats.minimum_at_risk for row in rows):
        return
    bars = {
        "type": "custom",
        "plus_values": [_gap(row, "upper", "comeback_rate") for row in rows],
        "minus_values": [_gap(row, "comeback_rate", "lower") for row in rows],
    }
    chart = _bars(book, home, "bar", "came back", "repair", "comeback_rate", y_error_bars=bars)
    chart.set_x_axis({"num_format": "0%", "min": 0, "max": 1})
    chart.set_y_axis({"reverse": True})
    chart.set_legend({"none": True})
    home.add(chart, f"Came back within {findings.repeats.window_hours:,.0f} running hours")


def _gap(row: Mapping[str, Any], above: str, below: str) -> float:
    return float(row[above] - row[below]) if row[above] is not None and row[below] is not None else 0.0


def _forecast_chart(book: Any, home: _Sheet) -> None:
    chart = _bars(book, home, "column", "to come", "month", "expected")
    stands = {"categories": home.cells("month"), "values": home.cells("standing")}
    chart.add_series({"name": "stand now", **stands, "fill": {"color": ALERT}})
    # Excel combines two kinds of chart, not three: the upper limit is drawn, the table has both.
    mark = {"type": "long_dash", "size": 12, "border": {"color": INK}, "fill": {"color": INK}}
    limit = _bars(
        book,
        home,
        "line",
        "to come at most, in 8 of 10 cases",
        "month",
        "upper_80",
        line={"none": True},
        marker=mark,
    )
    chart.combine(limit)
    chart.set_y_axis({"min": 0})
    home.add(chart, "Faults that stand now, and failures to expect")
