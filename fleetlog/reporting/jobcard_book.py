"""Job cards as a workbook to fill in: sheets of the tables that a yard loads, so that it loads back as it is.

A row of a step that was not done stays blank, so loading passes it over: what is known beforehand (order, machine,
part, side, action) is a formula that shows once the day of the work, or the value measured, is entered.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from fleetlog.intake.profiles.meanings import meaning_of
from fleetlog.phrasing import capital, number, said
from fleetlog.reporting.jobcard import CardStep, JobCard
from fleetlog.session.fleet import Fleet
from fleetlog.store.dictionary import KINDS, Column, Kind, Type

SHEETS = ("work_orders", "work_lines", "measurements", "release_checks")
SPARE = 3
"""Lines of each card for work that was not foreseen."""
_MADE = datetime(2000, 1, 1)
_FORMATS = {Type.DATE: "yyyy-mm-dd", Type.END_TIME: "yyyy-mm-dd", Type.TIME: "yyyy-mm-dd hh:mm"}
_WIDE = {"complaint": 30, "cause": 30, "correction": 36, "note": 36, "item": 22}


@dataclass
class _Row:
    """A row of a sheet.

    Attributes:
        formulas: column -> formula without "="; «column» stands for the row's own cell of it.
        prompts: column -> what to say when its cell is chosen.
    """

    formulas: dict[str, str]
    prompts: dict[str, str] = field(default_factory=dict)


def job_card_book(fleet: Fleet, cards: Sequence[JobCard]) -> bytes:
    """The workbook of the cards: a sheet to read first, then one a table."""
    import xlsxwriter

    content = io.BytesIO()
    book = xlsxwriter.Workbook(
        content, {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False}
    )
    book.set_properties({"title": "fleetlog job cards", "created": _MADE})
    rows = _rows(cards)
    first = book.add_worksheet("Read me first")
    for name in SHEETS:
        _sheet(book, KINDS[name], rows[name], fleet.settings.fleet.time_zone)
    _read_first(book, first, cards)
    first.activate()
    book.close()
    return content.getvalue()


# ---------------------------------------------------------------------------------------------- rows


def _rows(cards: Sequence[JobCard]) -> Mapping[str, list[_Row]]:
    """The rows of every sheet; row n of a list stands in row n + 2 of the sheet."""
    rows: dict[str, list[_Row]] = {name: [] for name in SHEETS}
    for card in cards:
        order = len(rows["work_orders"]) + 2
        number_cell, begun_cell = f"work_orders!$A${order}", f"work_orders!$C${order}"
        machine = _text(card.machine_id)
        lines = [*card.work, *[None] * SPARE]
        from_row = len(rows["work_lines"]) + 2
        days = f"work_lines!$C${from_row}:$C${from_row + len(lines) - 1}"
        rows["work_orders"].append(
            _Row(
                {
                    "work_order_id": f'IF(«opened_at»="","",{_text(_order_name(card))})',
                    "machine_id": f'IF(«opened_at»="","",{machine})',
                    "opened_at": f'IF(COUNT({days})=0,"",MIN({days}))',
                },
                {
                    "hours": f"Machine {card.machine_id}: hour meter",
                    "work_order_id": "Or the shop's own number",
                },
            )
        )
        rows["work_lines"] += [
            _line(card, place, step, number_cell) for place, step in enumerate(lines, start=1)
        ]
        rows["measurements"] += [
            _Row(
                {
                    "machine_id": f'IF(«value»="","",{machine})',
                    "measured_at": f'IF(«value»="","",{begun_cell})',
                    "hours": f'IF(OR(«value»="",work_orders!$E${order}=""),"",work_orders!$E${order})',
                    "quantity": f'IF(«value»="","",{_text(card.quantity)})',
                    "side": f'IF(«value»="","",{_text(side)})',
                    "unit": f'IF(«value»="","",{_text(card.unit)})',
                },
                {"value": f"Machine {card.machine_id} {side}: {said(card.quantity)}, {card.unit}"},
            )
            for side in (card.sides or ("",))
            if card.quantity
        ]
        rows["release_checks"] += [
            _Row(
                {
                    "machine_id": f'IF(«checked_at»="","",{machine})',
                    "item": f'IF(«checked_at»="","",{_text(item)})',
                },
                {"checked_at": f"Machine {card.machine_id}: {check}"},
            )
            for item, check in card.safety.release.items()
        ]
    return rows


def _line(card: JobCard, place: int, step: CardStep | None, number_cell: str) -> _Row:
    formulas = {
        "work_order_id": f'IF(«done_at»="","",{number_cell})',
        "line_no": f'IF(«done_at»="","",{place})',
    }
    if step is None:
        return _Row(formulas, {"done_at": f"Machine {card.machine_id}: work that the card does not foresee"})
    known = {"component": step.component, "side": step.side, "action": step.action}
    formulas |= {name: f'IF(«done_at»="","",{_text(value)})' for name, value in known.items() if value}
    return _Row(formulas, {"done_at": f"Machine {card.machine_id}: {_told(step)}"})


def _order_name(card: JobCard) -> str:
    return f"JC-{card.machine_id}-{card.as_of.isoformat()}"


def _told(step: CardStep) -> str:
    side = f" ({step.side})" if step.side else ""
    return f"{step.title}{side}{', ' + step.when if step.when else ''}"


def _text(value: str) -> str:
    """A text as a formula says it."""
    return '"' + value.replace('"', '""') + '"'


# ---------------------------------------------------------------------------------------------- sheets


def _sheet(book: Any, kind: Kind, rows: Sequence[_Row], zone: str) -> None:
    sheet = book.add_worksheet(kind.name)
    sheet.freeze_panes(1, 2)
    sheet.set_row(0, 30)
    head = {"border": 1, "text_wrap": True, "valign": "top"}
    letters = {column.name: chr(ord("A") + place) for place, column in enumerate(kind.columns)}
    for place, column in enumerate(kind.columns):
        width = _WIDE.get(column.name, max(len(column.name) + 2, 12))
        shape: dict[str, Any] = {"num_format": _FORMATS[column.type]} if column.type in _FORMATS else {}
        blank = book.add_format({**shape, "bg_color": "#FFF6D8", "border": 1, "border_color": "#C9BFA5"})
        given = book.add_format({**shape, "border": 1, "border_color": "#C9BFA5"})
        sheet.set_column(place, place, width)
        sheet.write_string(
            0, place, column.name, book.add_format({**head, "bold": column.required, "bg_color": "#E6E0D2"})
        )
        sheet.write_comment(0, place, _note(kind, column, zone), {"author": "fleetlog", "x_scale": 2})
        for at, row in enumerate(rows, start=1):
            formula = row.formulas.get(column.name)
            if formula is None:
                sheet.write_blank(at, place, None, blank)
            else:
                for name, letter in letters.items():
                    formula = formula.replace(f"«{name}»", f"${letter}{at + 1}")
                sheet.write_formula(at, place, f"={formula}", given, "")
            rule = _rule(column, row.prompts.get(column.name, ""))
            if rule:
                sheet.data_validation(at, place, at, place, rule)


def _rule(column: Column, prompt: str) -> dict[str, Any] | None:
    rule: dict[str, Any] = {"validate": "any"}
    if column.words:
        rule = {"validate": "list", "source": list(column.words), "show_error": False}
    if prompt:
        rule |= {"input_title": column.name[:32], "input_message": prompt[:255]}
    return rule if column.words or prompt else None


def _note(kind: Kind, column: Column, zone: str) -> str:
    meaning = meaning_of(kind, column)
    when = f" Time of day in {zone}." if column.type is Type.TIME else ""
    return f"{capital(meaning.means)}.{f' Unit: {meaning.unit}.' if meaning.unit else ''}{when}"


def _read_first(book: Any, sheet: Any, cards: Sequence[JobCard]) -> None:
    """In one column, so that no reader takes it for a table."""
    big = book.add_format({"bold": True, "font_size": 16, "text_wrap": True})
    head = book.add_format({"bold": True, "top": 1, "text_wrap": True})
    plain = book.add_format({"text_wrap": True, "valign": "top"})
    sheet.set_column(0, 0, 100)
    sheet.hide_gridlines(2)
    for row, (text, level) in enumerate(_told_first(cards)):
        sheet.write_string(row, 0, text, (plain, head, big)[level])


def _told_first(cards: Sequence[JobCard]) -> Iterator[tuple[str, int]]:
    """The lines of the first sheet with their rank: 0 plain, 1 a heading, 2 the title."""
    yield "Job cards to fill in", 2
    for card in cards:
        for line in card.safety.first_lines():
            yield line, 0 if line.startswith("- ") else 1
    yield f"{cards[0].cautions_title}", 1
    yield from ((f"- {text}", 0) for text in cards[0].safety.cautions)
    yield "How to fill in", 1
    yield (
        "Sheet work_lines: for a step that was done, enter the day in done_at; order, part, side and action then show "
        "by themselves. Enter result, finding and labour_hours. A row without a day stays blank and is passed over.",
        0,
    )
    yield (
        "Sheet work_orders: hour meter in hours, closed_at, complaint and correction; the number may be your own.",
        0,
    )
    yield (
        "Sheet measurements: enter the value. Sheet release_checks: enter checked_at, result and checked_by.",
        0,
    )
    yield "Save it as .xlsx and load it: fleetlog load FILE", 0
    at = 2
    for card in cards:
        yield f"Machine {card.machine_id}: {card.about}; {card.where}", 1
        for step in card.work:
            effort = f", {number(step.hours)} h" if step.hours else ""
            yield f"- {_told(step)}{effort}: work_lines, row {at}", 0
            at += 1
        yield f"- other work: work_lines, rows {at} to {at + SPARE - 1}", 0
        at += SPARE
