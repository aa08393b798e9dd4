"""Whoever gives a figure twice gives the same figure: page, CSV, workbook, JSON and Python, for fleets of every kind.

A figure may differ only by one rounding, that of its kind; `figures.shown` rounds the digits of the CSV anew.
"""

from __future__ import annotations

import json
import shutil
import sys
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import polars as pl
import pytest
import worlds_harbour
import worlds_quarry
from figures import Page, differences, holds, same, shown, table_of, words

from fleetlog.belief.weighing import weighed_now
from fleetlog.causes.suspects import in_scope
from fleetlog.cli.main import run
from fleetlog.resources import folder
from fleetlog.session.fleet import open_fleet
from fleetlog.session.months import month_start
from fleetlog.session.scope import Scope
from fleetlog.simulation.records import RecordKeeping
from fleetlog.simulation.simulate import simulate

pytestmark = pytest.mark.slow
CLOCK = datetime(2026, 11, 2, 6, 0)
JUNE, OCTOBER = date(2026, 6, 1), date(2026, 10, 1)
#: Machines whose story is asked by itself, too.
STORIES = 3
Shared = Callable[[str, Callable[[Path], None]], Path]


def _load(place: Path, files: list[Path], settings: Path | None = None) -> None:
    if settings is not None:
        shutil.copy(settings, place / "fleetlog.toml")
    with open_fleet(place / "fleetlog.duckdb", create=True) as fleet:
        fleet.load(sorted(files))


def _demo(place: Path) -> None:
    data = folder("demo_data")
    _load(place, list(data.glob("*.csv")), data / "fleetlog.toml")


def _untidy(place: Path) -> None:
    records = RecordKeeping(mess=0.5, routine=True)
    made = simulate(place / "yard", machines=60, years=4.0, seed=12, record_keeping=records)
    _load(place, [path for path in made.files.iterdir() if path.is_file()], made.settings)


def _small_yard(place: Path) -> None:
    import hollow_lane  # only here: it brings the report and the pictures with it

    hollow_lane.make(place)


def _world(make: Callable[[str, Path], None], name: str) -> Callable[[Path], None]:
    def made(place: Path) -> None:
        make(name, place)
        _load(place, list((place / "files").glob("*.csv")))

    return made


FLEETS = {
    "demo": (_demo, JUNE),
    "hollow-lane": (_small_yard, OCTOBER),
    "untidy": (_untidy, JUNE),
    "pilotyard": (_world(worlds_harbour.make, "pilotyard"), JUNE),
    "northborough": (_world(worlds_quarry.make, "northborough"), JUNE),
}


@dataclass(frozen=True)
class Told:
    """What one fleet's month says in every place.

    Attributes:
        report: folder of the report.
        month: what Python answered, and the report was written from.
        as_of: its last day.
        json: what the commands print with `--format json`.
        stories: the same of `fleetlog unit`, by machine.
        standing: chance that each weighed case of the fleet stands now.
    """

    report: Path
    month: Any
    as_of: date
    json: dict[str, Any]
    stories: dict[str, Any]
    standing: float

    @cached_property
    def page(self) -> Page:
        return Page(self.report / "report.html")

    def csv(self, name: str) -> list[dict[str, Any]]:
        return table_of(self.report / "tables" / f"{name}.csv")

    @cached_property
    def unit_pages(self) -> dict[str, Path]:
        from fleetlog.reporting.files import safe_names

        machines = [str(unit.machine["machine_id"]) for unit in self.month.units]
        every = machines + [case.machine_id for case in self.month.suspects.cases]
        return {name: self.report / "units" / f"{safe}.html" for name, safe in safe_names(every).items()}

    @property
    def faults(self) -> list[dict[str, Any]]:
        """The cases in JSON, without sides that are only watched."""
        return [row for row in self.json["suspects"]["rows"] if row["standing"] is not None]


@pytest.fixture(scope="module", params=FLEETS)
def told(request: pytest.FixtureRequest, shared: Shared, tmp_path_factory: pytest.TempPathFactory) -> Told:
    from fleetlog.reporting.gather import gather
    from fleetlog.reporting.write import write_report

    make, month = FLEETS[request.param]
    store = shared(request.param, make) / "fleetlog.duckdb"
    place = tmp_path_factory.mktemp("told")
    last = month_start(month, 1) - timedelta(days=1)
    with open_fleet(store) as fleet:
        findings = gather(fleet, month)
        history, family = fleet.begin(Scope(as_of=last))
        weighed = weighed_now(fleet, history, family)
        standing = float(np.nansum(weighed.standing[in_scope(weighed.cases, Scope(as_of=last))]))
    write_report(findings, place / "report", clock=CLOCK)

    def asked(*arguments: str) -> Any:
        answer = place / "answer.json"
        common = ("--as-of", last.isoformat(), "--format", "json", "--out", str(answer))
        before, sys.argv = sys.argv, ["fleetlog", "--store", str(store), *arguments, *common]
        try:
            with pytest.raises(SystemExit) as left:
                run()
        finally:
            sys.argv = before
        assert not left.value.code, arguments
        return json.loads(answer.read_text(encoding="utf-8"))

    months = str(len(findings.forecast.months))
    answers = {
        "suspects": asked("suspects"),
        "holds": asked("holds"),
        "forecast": asked("forecast", "--months", months),
        "plan": asked("plan"),
    }
    machines = [str(unit.machine["machine_id"]) for unit in findings.units][:STORIES]
    stories = {machine: asked("unit", machine) for machine in machines}
    return Told(place / "report", findings, last, answers, stories, standing)


# ------------------------------------------------------------------------------------------ page and CSV


def test_tables_of_the_pages_are_their_csv_rounded_once(told: Told) -> None:
    from fleetlog.reporting.month import wording_of
    from fleetlog.table_specs import KINDS, table_specs

    wording = wording_of(told.month, {})
    looked_at = 0
    for of, page, place in (
        ("month", told.page, ""),
        *(("unit", Page(path), f"units/{path.stem}/") for path in told.unit_pages.values() if path.exists()),
    ):
        specs = {spec.name: spec for spec in table_specs(of)}
        for name, table in page.tables.items():
            columns = {wording.column(one).title: one for one in specs[name].columns}
            rows = told.csv(f"{place}{name}")
            # What a view makes of the rows, such as a name for a repair, has no column there.
            told_of = [
                (i, columns[heading])
                for i, heading in enumerate(table.headings)
                if columns[heading].key in rows[0] and KINDS[columns[heading].kind].style == "r"
            ]
            expected = Counter(
                tuple(shown(row[column.key], column.kind, told.month.currency) for _, column in told_of)
                for row in rows
            )
            found = Counter(tuple(row[i] for i, _ in told_of) for row in table.rows)
            if specs[name].page_view == "enough_for_a_shape":
                found = Counter({key: 0 for key in found})  # shapes that rest on a prior are left out there
            assert not found - expected, (place, name, found - expected)
            looked_at += sum(found.values()) * len(told_of)
    assert looked_at > 300


def test_every_linked_figure_stands_in_its_table(told: Told) -> None:
    tables: dict[Path, pl.DataFrame] = {}
    pages = [told.report / "report.html", *(path for path in told.unit_pages.values() if path.exists())]
    for path in pages:
        for text, link in Page(path).figures:
            csv = (path.parent / link).resolve()
            if csv not in tables:
                tables[csv] = pl.read_csv(csv, infer_schema_length=None)
            # Ages in sentences are rounded to a figure that is remembered; the table beside has them in full.
            if not text.endswith(" h") and not text.endswith("(estimated)"):
                assert holds(tables[csv], text), (path.name, text, link)


def test_sentences_of_a_case_say_what_its_row_says(told: Told) -> None:
    currency = told.month.currency
    rows = [row for row in told.faults if row["state"] == "open"]
    pages = dict(zip(range(len(rows)), told.page.articles, strict=False))
    for i, text in pages.items():
        row = rows[i]
        assert text.startswith(f"{row['machine_id']} {row['side']}".strip())
        assert f", {shown(row['certainty'], 'percent', '')}." in text
        assert f"stands now: {shown(row['standing'], 'percent', '')}" in text
        _told_cost(row, text, currency)
    for machine, path in told.unit_pages.items():
        if not path.exists():
            continue
        mine = [row for row in told.json["suspects"]["rows"] if row["machine_id"] == machine]
        assert len(Page(path).articles) == len(mine)
        for row, text in zip(mine, Page(path).articles, strict=True):
            if row["standing"] is None:
                assert "no fault on record" in text
                continue
            assert f"({shown(row['certainty'], 'percent', '')})" in text
            assert f"stands now: {shown(row['standing'], 'percent', '')}" in text
            _told_cost(row, text, currency)


def _told_cost(row: dict[str, Any], text: str, currency: str) -> None:
    if row["expected_cost"] is not None:
        assert f"until cured: {shown(row['expected_cost'], 'money', currency)}" in text
        waiting = shown(row["waiting_per_day"], "money", currency)
        assert f"Each day of waiting costs {waiting}." in text
    if row["ask"]:
        assert words(row["ask"]) in text
        assert f"Knowing is expected to save {shown(row['ask_saving'], 'money', currency)}." in text


def test_a_side_without_a_fault_has_no_cause_anywhere(told: Told) -> None:
    watched = [row for row in told.json["suspects"]["rows"] if row["standing"] is None]
    for row in watched:
        assert [row["top_cause"], row["certainty"], row["causes"]] == [None, None, {}]
        assert "if one came" in row["note"]
    for row in told.csv("suspects"):
        if row["standing"] is None:
            assert not any(value for key, value in row.items() if key.startswith("p_"))
            assert not any(row[name] for name in ("top_cause", "certainty", "reasons"))
            assert "if one came" in row["note"]
    assert all("%" not in one.now for one in told.month.changes if one.case.standing is None)


# --------------------------------------------------------------------------------------------- workbook


def test_the_workbook_holds_the_rows_of_the_csv(told: Told) -> None:
    from fleetlog.table_specs import table_specs

    book = openpyxl.load_workbook(told.report / "tables.xlsx", read_only=True)
    sheets = 0
    for spec in table_specs("month"):
        if spec.sheet not in book.sheetnames or spec.sheet_view:
            continue
        rows = told.csv(spec.name)
        cells = list(book[spec.sheet].iter_rows(min_row=4, values_only=True))[: len(rows)]
        for row, written in zip(rows, cells, strict=True):
            for (key, value), cell in zip(row.items(), written, strict=True):
                assert same(_cell(cell), _flag(value)), (spec.name, key, value, cell)
        sheets += 1
    assert sheets > 10


def _flag(value: str | None) -> str | None:
    return {"true": "yes", "false": "no"}.get(value, value) if value is not None else None


def _cell(value: Any) -> Any:
    if isinstance(value, datetime) and value.time() == datetime.min.time():
        return value.date()
    return value


# ------------------------------------------------------------------------------- JSON, CSV and Python


def test_cases_are_the_same_in_json_csv_python_and_story(told: Told) -> None:
    rows = told.json["suspects"]["rows"]
    listed = told.csv("suspects")
    assert len(rows) == len(listed) == len(told.month.suspects.cases)
    for row, written, case in zip(rows, listed, told.month.suspects.cases, strict=True):
        written = {key: value for key, value in written.items() if key != "reasons"}
        assert not differences(row, written), row["machine_id"]
        assert all(
            same(row["causes"].get(key[2:]), value) for key, value in written.items() if key[:2] == "p_"
        )
        for key in ("standing", "expected_cost", "labour_hours", "waiting_per_day", "custom_cost"):
            assert same(row[key], getattr(case, key)), key
        assert row["certainty"] is None or same(row["certainty"], case.certainty)
    for machine, story in told.stories.items():
        assert story["cases"] == [row for row in rows if row["machine_id"] == machine]
    costs = [row for row in rows if row["state"] == "open"]
    assert [
        not differences(row, written) for row, written in zip(costs, told.csv("savings"), strict=True)
    ] == ([True] * len(costs))
    asks = told.json["suspects"]["asks"]
    assert not any(differences(row, written) for row, written in zip(asks, told.csv("asks"), strict=True))
    by_case = {(row["machine_id"], row["side"]): row for row in rows}
    assert len(by_case) == len(rows)  # a side is listed once: its fault stands, or it has none
    for row in asks:
        case_row = by_case[row["machine_id"], row["side"]]
        assert row["ask"] == case_row["ask"]
        assert same(row["saving"], case_row["ask_saving"])
        assert same(row["standing"], case_row["standing"])


def test_cases_come_in_the_order_of_what_waiting_costs(told: Told) -> None:
    waiting = [row["waiting_per_day"] for row in told.faults if row["state"] == "open"]
    assert waiting == sorted(waiting, reverse=True)


def test_holds_are_the_same_everywhere(told: Told) -> None:
    holds_now = told.json["holds"]["holds"]
    assert holds_now == told.json["suspects"]["holds"] == told.json["plan"]["holds"]
    machines = [hold["machine_id"] for hold in holds_now]
    assert machines == [row["machine_id"].lstrip("'") for row in told.csv("holds")]
    assert machines == [hold.machine_id for hold in told.month.suspects.safety.holds]
    assert {row["machine_id"] for row in told.faults} <= set(machines)
    for machine, story in told.stories.items():
        assert [hold["machine_id"] for hold in story["holds"]] == [machine] * (machine in machines)


def test_the_forecast_is_the_same_in_json_and_csv_and_rests_on_the_cases(told: Told) -> None:
    answer = told.json["forecast"]
    for key, name in (("totals", "forecast"), ("by_month", "forecast_by_month")):
        rows = told.csv(name)
        assert len(rows) == len(answer[key])
        assert not any(differences(row, written) for row, written in zip(answer[key], rows, strict=True)), key
    units = told.csv("forecast_units")
    assert not any(differences(row, written) for row, written in zip(answer["units"], units, strict=True))
    *ways, whole = answer["totals"]
    for figure in ("standing", "expected", "parts", "labour_hours", "cost"):
        assert whole[figure] == pytest.approx(sum(row[figure] for row in ways), rel=1e-9), figure
        assert whole[figure] == pytest.approx(sum(row[figure] for row in answer["by_month"]), rel=1e-9), (
            figure
        )
    assert [row["standing"] for row in answer["by_month"]][1:] == [0.0] * (len(answer["by_month"]) - 1)
    assert whole["standing"] == pytest.approx(told.standing, abs=1e-6)


def test_the_plan_is_the_same_in_json_and_csv_and_takes_its_figures_from_the_cases(told: Told) -> None:
    answer = told.json["plan"]
    for key, name in (("rows", "plan"), ("weeks", "plan_weeks"), ("left_out", "plan_left_out")):
        rows = told.csv(name)
        assert len(rows) == len(answer[key]), key
        for row, written in zip(answer[key], rows, strict=True):
            assert not differences(row, written), (key, row)
    assert same(answer["saving"], told.month.plan.saving)
    assert sum(row["saving"] or 0.0 for row in answer["rows"]) == pytest.approx(answer["saving"], abs=0.01)
    cases = {(row["machine_id"], row["side"]): row for row in told.faults}
    planned = {
        (row["machine_id"], row["side"]): row for row in answer["rows"] if row["reason"] == "open case"
    }
    late = {(row["machine_id"], row["side"]): row for row in answer["left_out"]}
    for place, case in cases.items():
        if case["state"] != "open":
            continue
        assert place in planned or place in late, place
        row = planned.get(place)
        if row is not None:
            assert same(row["chance_without"], case["standing"])
            assert same(row["cost"], case["expected_cost"])
            assert same(row["labour_hours"], case["labour_hours"])
            assert same(row["waiting_per_day"], case["waiting_per_day"])
    used: dict[str, float] = {}
    for row in answer["rows"]:
        used[row["week"]] = used.get(row["week"], 0.0) + row["labour_hours"]
    for week in answer["weeks"]:
        assert week["labour_hours"] == pytest.approx(used.get(week["week"], 0.0), abs=1e-6), week


def test_what_came_adds_up(told: Told) -> None:
    met = told.month.verification
    if met is None:
        return
    *ways, whole = met.frame.to_dicts()
    for figure in ("came", "expected", "labour_hours", "parts_used"):
        assert whole[figure] == pytest.approx(sum(row[figure] or 0.0 for row in ways), abs=1e-6), figure
    last = [row for row in met.record.frame.to_dicts() if row["until"] == met.month]
    assert [row["came"] for row in last] == [row["came"] for row in (*ways, whole)]
