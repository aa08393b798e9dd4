"""The tables of the report: each declared once, soundly, and the same in page, workbook and CSV."""

from __future__ import annotations

import re
import tomllib
from typing import Any

import polars as pl
import pytest
from hollow_lane import HollowLane

from fleetlog import resources
from fleetlog.reporting.month import wording_of
from fleetlog.reporting.tables import (
    KINDS,
    CellWording,
    TableColumn,
    TableSpec,
    page_table,
    table_frames,
    table_specs,
)
from fleetlog.reporting.views import VIEWS


def shown(spec: TableSpec, finding: Any) -> set[str]:
    """Every column that page, workbook or CSV have rows of."""
    rows = spec.frame(finding)
    assert rows is not None, spec.name
    views = (VIEWS[spec.page_view](finding, rows), VIEWS[spec.sheet_view](finding, rows))
    return {name for frame in (rows, *views) for name in frame.columns}


@pytest.mark.parametrize("of", ["month", "unit"])
def test_every_declared_column_is_one_of_the_rows(of: str, hollow_lane: HollowLane) -> None:
    finding = hollow_lane.month if of == "month" else hollow_lane.month.units[0]
    for spec in table_specs(of):
        columns = shown(spec, finding)
        for column in spec.columns:
            assert column.kind in KINDS, (spec.name, column.key)
            if column.key.endswith("*"):
                assert any(name.startswith(column.key[:-1]) for name in columns), (spec.name, column.key)
            else:
                assert column.key in columns, (spec.name, column.key)
        assert len({column.key for column in spec.columns}) == len(spec.columns), spec.name
        assert len(spec.sheet) <= 31


def test_names_of_tables_and_sheets_are_unlike() -> None:
    specs = table_specs("month")
    assert len({spec.name for spec in specs}) == len(specs)
    sheets = [spec.sheet for spec in specs if spec.sheet]
    assert len({sheet.casefold() for sheet in sheets}) == len(sheets)
    assert {spec.title for spec in specs if spec.sheet} > {"Jobs by week"}


def test_every_shared_column_is_used() -> None:
    declared = tomllib.loads((resources.folder("reports") / "tables.toml").read_text(encoding="utf-8"))
    used = {
        entry
        for of in ("month", "unit")
        for table in declared[of]
        for entry in (*table.get("columns", ()), *table.get("sheet_only", ()))
        if isinstance(entry, str)
    }
    assert used == set(declared["columns"])


def test_every_figure_in_braces_is_filled(hollow_lane: HollowLane) -> None:
    month = hollow_lane.month
    wording = wording_of(month, {})
    for spec in table_specs("month"):
        texts = [spec.title, *(text for one in spec.columns for text in (one.heading, one.note))]
        assert not re.search(r"[{}]", "".join(wording.fill(text) for text in texts)), spec.name


def test_a_table_of_what_was_not_asked_is_not_there(hollow_lane: HollowLane) -> None:
    from dataclasses import replace

    month = replace(hollow_lane.month, forecast=None, verification=None, plan=None, money=None)
    names = set(table_frames("month", month))
    assert not names & {
        "forecast",
        "forecast_met",
        "forecast_record",
        "plan",
        "plan_weeks",
        "money",
        "in_vain",
    }
    assert "suspects" in names


CELLS = (
    ("count", 1234, "1,234", "1234"),
    ("number", 1234.56, "1,234.6", "1234.56"),
    ("ratio", 1.234, "1.2", "1.234"),
    ("hours", 1234.56, "1,235", "1234.56"),
    ("percent", 0.914, "91%", "0.914"),
    ("money", 12.5, "USD\u00a013", "12.5"),
    ("word", "drive_pump", "The pump", "drive_pump"),
    ("value", "drive_pump", "Drive pump", "drive_pump"),
    ("sentence", "look at it.", "Look at it", "look at it."),
    ("yesno", False, "no", "no"),
    ("text", "", "–", ""),
    ("hours", None, "–", ""),
)


@pytest.mark.parametrize(("kind", "value", "text", "sort"), CELLS)
def test_a_value_is_written_as_its_kind_is(kind: str, value: Any, text: str, sort: str) -> None:
    spec = TableSpec("t", "frame", "T", (TableColumn("a", "A", kind), TableColumn("b", "B", "number")))
    frame = pl.DataFrame({"a": [value], "b": [1.0]})
    table = page_table(spec, None, frame, "tables", CellWording({"drive_pump": "the pump"}, "USD"))
    if kind == "text":
        assert [column.key for column in table.columns] == ["b"]  # a column of nothing only takes room
    else:
        assert (table.rows[0][0].text, table.rows[0][0].sort) == (text, sort)


def test_a_heading_for_any_ending_takes_it() -> None:
    spec = TableSpec("t", "frame", columns=(TableColumn("p_*", "Chance: *", "percent"),))
    column = spec.column("p_no_fault")
    assert column is not None
    assert (column.key, column.title) == ("p_no_fault", "Chance: no fault")
    assert spec.column("q_no_fault") is None
