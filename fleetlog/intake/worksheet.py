"""A workbook for the workshop to fill in: what may be chosen is a list, what must be a date is one.

Its sheets bear the dictionary's own headings, so that it loads back as it is.
"""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import polars as pl

from fleetlog.errors import UsageError
from fleetlog.intake.contract import IntakeSettings, PlainSettings
from fleetlog.intake.profiles.meanings import meaning_of
from fleetlog.outfile import write_file
from fleetlog.store import Store
from fleetlog.store.dictionary import KINDS, Column, Kind, Type, kind_named

USUAL = ("work_orders", "work_lines", "measurements", "release_checks")
"""The sheets of a workbook where none are named: what a workshop writes down."""

LAST_ROW = 2_000
"""Rows below the header that have lists, dates and limits; more may be filled in without them."""

FIRST_SHEET = "Read me first"
LISTS_SHEET = "lists"

# Words to choose from in columns that take any other text as well.
_SUGGESTED: Mapping[tuple[str, str], tuple[str, ...]] = {
    ("work_lines", "variant"): ("original", "improved", "potentiometer", "hall_effect"),
    ("components", "variant"): ("original", "improved", "potentiometer", "hall_effect"),
    ("measurements", "quantity"): ("sensor_neutral_voltage",),
    ("measurements", "unit"): ("V",),
    ("machines", "machine_type"): ("skid_steer_loader", "compact_track_loader"),
    ("meter_readings", "source"): ("manual", "work_order", "inspection", "telematics"),
}

_EARLIEST = date(1950, 1, 1)
_MADE = datetime(2000, 1, 1)
"""The time of making that the file bears, so that the same content gives the same file."""

_DAY = "yyyy-mm-dd"
_MOMENT = "yyyy-mm-dd hh:mm"
_FORMATS = {
    Type.DATE: _DAY,
    Type.END_TIME: _DAY,
    Type.TIME: _MOMENT,
    Type.TEXT: "@",
    Type.PARTIAL_DATE: "@",
    Type.HOURS: "0.0",
    Type.NUMBER: "General",
    Type.COUNT: "0",
}
_WIDE = {"complaint": 36, "cause": 30, "correction": 36, "note": 36, "description": 30}


@dataclass(frozen=True)
class _Given:
    """What the workbook is made from.

    Attributes:
        machine_ids: machines to choose from.
        sites: sites to choose from.
        rows: kind -> rows to begin with.
    """

    machine_ids: tuple[str, ...]
    sites: tuple[str, ...]
    rows: Mapping[str, pl.DataFrame]


def write_worksheet(
    source: Store | Mapping[str, pl.DataFrame],
    path: Path,
    *,
    kinds: Sequence[str] = USUAL,
    settings: IntakeSettings | None = None,
    open_orders: bool = False,
    first: Sequence[str] = (),
) -> None:
    """Writes an Excel workbook for the workshop to fill in and send back; it loads as it is.

    One sheet a kind of table: the dictionary's headings with notes on what goes in, lists to choose from for
    words and machines, dates as dates, numbers within limits. A first sheet says how to fill it in.

    Args:
        source: a store, whose machines can be chosen from (those not disposed of); or frames by kind:
            "machines" gives the machines to choose from, others the rows that their sheets begin with.
        path: the .xlsx file to write.
        kinds: the sheets, in order.
        settings: the fleet's own words and time zone.
        open_orders: begin the sheet of work orders with those that are open in the store.
        first: lines that stand before everything else on the first sheet: holds, cautions, the release check.

    Raises:
        UsageError: for a kind that does not exist, another ending, or where the file cannot be written.
    """
    wanted = [kind_named(kind) for kind in kinds]
    if not kinds or len(set(kinds)) != len(kinds):
        raise UsageError("Name at least one kind of table for the worksheet, and each only once.")
    if path.suffix.lower() != ".xlsx":
        raise UsageError(f"{path.name} must end in .xlsx, since the worksheet is an Excel workbook.")
    settings = settings or PlainSettings()
    if isinstance(source, Store):
        given = _from_store(source, settings, open_orders and "work_orders" in kinds)
    else:
        given = _from_frames(source)
    import xlsxwriter

    content = io.BytesIO()
    how = {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False}
    book = xlsxwriter.Workbook(content, how)
    book.set_properties({"title": "fleetlog worksheet", "created": _MADE})
    _Book(book, given, settings, wanted).write(first)
    book.close()
    write_file(path, content.getvalue(), "close it in other programs, or name another")


def _from_store(store: Store, settings: IntakeSettings, open_orders: bool) -> _Given:
    machines = store.execute(
        "SELECT machine_id FROM machines WHERE disposed_on IS NULL ORDER BY length(machine_id), machine_id"
    )
    sites = store.execute("SELECT DISTINCT site FROM machines WHERE site IS NOT NULL ORDER BY site")
    rows = {}
    if open_orders:
        frame = store.select(
            "SELECT * EXCLUDE (file_id, row_no) FROM work_orders "
            "WHERE closed_at IS NULL AND coalesce(status, 'open') = 'open' ORDER BY opened_at, work_order_id"
        )
        zone = ZoneInfo(settings.time_zone)
        opened = [_local(moment, zone) for moment in frame["opened_at"].to_list()]
        rows["work_orders"] = frame.with_columns(pl.Series("opened_at", opened, dtype=pl.Datetime("us")))
    return _Given(tuple(row[0] for row in machines), tuple(row[0] for row in sites), rows)


def _local(moment: datetime, zone: ZoneInfo) -> datetime:
    return moment.replace(tzinfo=UTC).astimezone(zone).replace(tzinfo=None)


def _from_frames(frames: Mapping[str, pl.DataFrame]) -> _Given:
    for kind in frames:
        kind_named(kind)
    machines = frames.get("machines", pl.DataFrame(schema={"machine_id": pl.String}))
    ids = machines["machine_id"].cast(pl.String).drop_nulls().unique(maintain_order=True).to_list()
    sites = (
        machines["site"].cast(pl.String).drop_nulls().unique().sort().to_list() if "site" in machines else []
    )
    rows = {kind: frame for kind, frame in frames.items() if kind != "machines"}
    return _Given(tuple(ids), tuple(sites), rows)


class _Book:
    """The workbook being written."""

    def __init__(self, book: Any, given: _Given, settings: IntakeSettings, kinds: Sequence[Kind]) -> None:
        self._book = book
        self._given = given
        self._settings = settings
        self._kinds = kinds
        self._lists: dict[tuple[str, ...], str] = {}
        needed = {"bold": True, "border": 1, "text_wrap": True, "valign": "top"}
        self._must = book.add_format({**needed, "bg_color": "#D9D2C3"})
        self._may = book.add_format({**needed, "bold": False, "bg_color": "#F1EEE7"})

    def write(self, before: Sequence[str]) -> None:
        """All sheets: the first one with the lines `before`, one a kind, and the hidden one with the lists."""
        first = self._book.add_worksheet(FIRST_SHEET)
        sheets = [self._book.add_worksheet(kind.name) for kind in self._kinds]
        self._lists_sheet = self._book.add_worksheet(LISTS_SHEET)
        self._lists_sheet.hide()
        for sheet, kind in zip(sheets, self._kinds, strict=True):
            self._sheet(sheet, kind)
        self._instructions(first, before)
        first.activate()

    def _sheet(self, sheet: Any, kind: Kind) -> None:
        sheet.freeze_panes(1, 2 if kind.columns[0].required else 1)
        sheet.set_row(0, 32)
        for place, column in enumerate(kind.columns):
            shape = self._book.add_format({"num_format": _FORMATS[column.type]})
            sheet.set_column(place, place, _width(column), shape)
            sheet.write_string(0, place, column.name, self._must if column.required else self._may)
            sheet.write_comment(
                0, place, self._note(kind, column), {"author": "fleetlog", "x_scale": 2.2, "y_scale": 1.2}
            )
            rule = self._rule(kind, column)
            if rule:
                sheet.data_validation(1, place, LAST_ROW, place, rule)
        self._rows(sheet, kind)

    def _rows(self, sheet: Any, kind: Kind) -> None:
        frame = self._given.rows.get(kind.name)
        if frame is None:
            return
        for place, column in enumerate(kind.columns):
            if column.name not in frame.columns:
                continue
            shape = self._book.add_format({"num_format": _FORMATS[column.type]})
            for row, value in enumerate(frame[column.name].to_list(), start=1):
                if value is None:
                    continue
                if isinstance(value, date):  # datetime is one too
                    sheet.write_datetime(row, place, value, shape)
                elif isinstance(value, int | float) and column.type is not Type.TEXT:
                    sheet.write_number(row, place, value, shape)
                else:
                    sheet.write_string(row, place, str(value), shape)

    # What may stand in a column.

    def _rule(self, kind: Kind, column: Column) -> dict[str, Any] | None:
        """The limits of a column, as the workbook checks them while it is filled in."""
        words = self._words(column)
        if words:
            return {
                "validate": "list",
                "source": self._list(words),
                "error_title": column.name,
                "error_message": "Choose one of the list, or leave the cell empty.",
            }
        choices = self._choices(kind, column)
        if choices:
            return {"validate": "list", "source": self._list(choices), "show_error": False}
        if (
            column.name == "work_order_id"
            and kind.name == "work_lines"
            and KINDS["work_orders"] in self._kinds
        ):
            return {
                "validate": "list",
                "source": f"=work_orders!$A$2:$A${LAST_ROW + 1}",
                "show_error": False,
            }
        match column.type:
            case Type.DATE | Type.TIME | Type.END_TIME:
                rule: dict[str, Any] = {"validate": "date", "criteria": ">=", "value": _EARLIEST}
                message = "Enter a date, such as 2026-06-30."
            case Type.COUNT:
                rule = {"validate": "integer", **_between(column)}
                message = "Enter a whole number."
            case Type.HOURS | Type.NUMBER:
                rule = {"validate": "decimal", **_between(column)}
                message = "Enter a number."
            case _:
                return None
        return {**rule, "error_title": column.name, "error_message": message}

    def _words(self, column: Column) -> tuple[str, ...]:
        own = self._settings.words_for(column.name) if column.words else ()
        return tuple(dict.fromkeys((*column.words, *own)))

    def _choices(self, kind: Kind, column: Column) -> tuple[str, ...]:
        """Texts to choose from where others may be written as well."""
        if column.name == "machine_id" and kind.name != "machines":
            return self._given.machine_ids
        if column.name == "site":
            return self._given.sites
        own = self._settings.words_for(column.name) if kind.name == "measurements" else ()
        return tuple(dict.fromkeys((*_SUGGESTED.get((kind.name, column.name), ()), *own)))

    def _list(self, words: tuple[str, ...]) -> str:
        """A range that holds the words; the same words stand there once."""
        if words not in self._lists:
            place = len(self._lists)
            for row, word in enumerate(words):
                self._lists_sheet.write_string(row, place, word)
            from xlsxwriter.utility import xl_col_to_name

            letters = xl_col_to_name(place)
            self._lists[words] = f"={LISTS_SHEET}!${letters}$1:${letters}${len(words)}"
        return self._lists[words]

    # What it says.

    def _note(self, kind: Kind, column: Column) -> str:
        """What goes into a column: the note on its heading."""
        meaning = meaning_of(kind, column)
        lines = [_sentence(meaning.means)]
        if meaning.unit:
            lines.append(f"Unit: {meaning.unit}.")
        match column.type:
            case Type.TIME:
                lines.append(f"Date, or date and time ({self._settings.time_zone}).")
            case Type.END_TIME:
                lines.append("Date; without a time it means the end of that day.")
            case Type.DATE:
                lines.append("Date.")
        if self._words(column):
            lines.append("Choose from the list.")
        elif self._choices(kind, column):
            lines.append("Choose from the list, or write another.")
        lines.append("Must be filled in." if column.required else "Leave empty what is not known.")
        return " ".join(lines)

    def _instructions(self, sheet: Any, before: Sequence[str]) -> None:
        """The first sheet, in one column so that no reader takes it for a table."""
        title = self._book.add_format({"bold": True, "font_size": 16, "text_wrap": True})
        head = self._book.add_format({"bold": True, "top": 1, "text_wrap": True})
        plain = self._book.add_format({"text_wrap": True, "valign": "top"})
        sheet.set_column(0, 0, 100)
        sheet.hide_gridlines(2)
        names = [kind.name for kind in self._kinds]
        lines: list[tuple[str, Any]] = [
            *((text, plain if text.startswith("- ") else head) for text in before),
            ("Worksheet for the workshop", title),
            (
                f"Fill in the sheets {', '.join(names)} (the tabs below), one line of work a row, from the "
                "first row under the headings on.",
                plain,
            ),
            ("1. Point at a heading: a note says what goes into the column, and in which unit.", plain),
            (
                "2. Dark headings must be filled in; under the light ones leave empty what is not known. "
                "Empty means unknown, never zero.",
                plain,
            ),
            ("3. Where a cell offers a list, choose from it.", plain),
            ("4. Do not rename the headings or the sheets; columns you do not need may stay empty.", plain),
            (
                "5. Save it as an Excel workbook (.xlsx) and send it back to whoever sent it to you. "
                "It is loaded with: fleetlog load FILE",
                plain,
            ),
            (
                "What was loaded before may stay in it: rows already known change nothing, and a row that "
                "you correct here corrects the one loaded before. A row that cannot be read is kept aside "
                "with the reason, and comes back to you.",
                plain,
            ),
        ]
        for kind in self._kinds:
            lines.append((f"Sheet {kind.name}", head))
            lines += [
                (
                    f"{column.name}{' (required)' if column.required else ''}: {self._note(kind, column)}",
                    plain,
                )
                for column in kind.columns
            ]
        for row, (text, shape) in enumerate(lines):
            sheet.write_string(row, 0, text, shape)


def _between(column: Column) -> dict[str, Any]:
    if column.low is None or column.high is None:
        return {"criteria": "between", "minimum": -1e9, "maximum": 1e9}
    return {"criteria": "between", "minimum": column.low, "maximum": column.high}


def _width(column: Column) -> int:
    return _WIDE.get(column.name, max(len(column.name) + 2, 16 if column.type is Type.TIME else 12))


def _sentence(text: str) -> str:
    text = text[:1].upper() + text[1:]
    return text if text.endswith((".", "…")) else f"{text}."
