"""No step comes without its cautions, no machine on hold without its hold: every command, format and family."""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path
from typing import Any

import fastexcel
import pytest
from calls import Command

from fleetlog.cli.asking import show_answer
from fleetlog.cli.options import Format
from fleetlog.errors import UsageError
from fleetlog.faults import FaultFamily, load_families
from fleetlog.questions import QUESTIONS, exports
from fleetlog.session.fleet import Fleet
from fleetlog.session.safety import CAUTIONS_HEADING
from fleetlog.session.scope import Scope

FAMILIES = load_families()
OPTIONS: dict[str, dict[str, Any]] = {
    "forecast": {"months": 2, "draws": 20},
    "forecast-check": {"forecasts": 1, "draws": 20},
    "replacement": {"draws": 20},
    "plan": {"weeks": 8, "draws": 20},
    "shop-hours": {"shop_hours": (40.0, 80.0), "weeks": 8, "draws": 20},
    "policies": {"draws": 20},
    "money": {"weeks": 8, "draws": 20},
    "backtest": {"months": 1},
    "unit": {"machine_id": "37"},
    "drivers": {"factors": ("site",)},
}
ADVISING = {"suspects", "holds", "unit", "forecast", "replacement", "plan", "policies"}
"""Questions whose answers say what to do with machines. Of the others none may name a step."""
ADVISED = sorted({"suspects", "holds", "replacement", "plan"} & set(exports()))
"""Tables that name machines or parts to work on."""
FIRST_CAUTION = "they come before anything said here"
KEEP = "Keep from use and rental until a qualified person has checked it"


def named_steps(text: str, family: FaultFamily) -> list[str]:
    """Steps of the family that a text names; the first letter may be small, or the words cut by a line's end."""
    joined = " ".join(text.split())
    return [step.title for step in family.steps if step.title[1:] in joined]


def cautions_missing(text: str, family: FaultFamily) -> list[str]:
    joined = " ".join(text.replace('\\"', '"').split())
    return [caution for caution in family.cautions if caution not in joined]


#: The ending that asks for each form in a file.
ENDINGS = {Format.TABLE: ".txt", Format.CSV: ".csv", Format.JSON: ".json", Format.MARKDOWN: ".md"}


@pytest.mark.parametrize("name", QUESTIONS)
@pytest.mark.parametrize(
    "fault", FAMILIES
)  # one after the other: what a fleet worked out of one it keeps meanwhile
def test_no_step_comes_without_its_cautions(demo: Fleet, tmp_path: Path, name: str, fault: str) -> None:
    """Each answer as its command writes it: for the screen, as CSV, JSON and Markdown."""
    family, asked, refusal = FAMILIES[fault], QUESTIONS[name], ""
    try:
        answer = asked.ask.load()(demo, Scope(fault=fault), **OPTIONS.get(name, {}))
    except UsageError as refused:  # such as drivers of a fault that never came: one sentence, no step
        answer, refusal = None, str(refused)
    if answer is None:
        assert not named_steps(refusal, family)
        return
    for form in Format:
        out = tmp_path / f"answer{ENDINGS[form]}"
        show_answer(asked, answer, asked.frames[0], form, out)
        text = out.read_text(encoding="utf-8")
        if name not in ADVISING:
            assert answer.safety is None
            assert not named_steps(text, family), form
            continue
        assert answer.safety is not None
        rows = form is not Format.CSV or (len(text.splitlines()) > 1 and name != "forecast")
        advises = rows and bool(answer.safety.cautions)
        if named_steps(text, family) or advises:
            assert not cautions_missing(text, family), form
        if (
            answer.safety.holds
            and advises
            and not (form is Format.CSV and name in ("replacement", "policies"))
        ):
            assert KEEP in text, form
        if form in (Format.TABLE, Format.MARKDOWN):
            assert "records end" in text.casefold(), form


def test_what_advises_says_when_the_records_end(demo: Fleet) -> None:
    late = Scope(as_of=date(2027, 3, 1))
    for name in ADVISING:
        answer = QUESTIONS[name].ask.load()(demo, late, **OPTIONS.get(name, {}))
        assert answer.safety.first_lines()[-1].startswith("RECORDS END 2026-06-30"), name


@pytest.mark.parametrize(
    ("name", "ending"),
    [
        *(
            # two years of past judgements take a minute
            pytest.param(name, "json", marks=[pytest.mark.slow] if name == "backtest" else [])
            for name in exports()
        ),
        *((name, end) for name in ADVISED for end in ("csv", "xlsx")),
    ],
)
def test_exports_carry_them_in_every_row(
    fleetlog: Command, demo_store: Path, tmp_path: Path, name: str, ending: str
) -> None:
    out = tmp_path / f"answer.{ending}"
    done = fleetlog("export", name, "--out", str(out), store=demo_store)
    assert done.code == 0, done.err
    if ending == "xlsx":
        text = json.dumps(fastexcel.read_excel(out).load_sheet(0).to_polars().to_dicts(), default=str)
    else:
        text = out.read_text(encoding="utf-8")
    family = FAMILIES["neutral-return"]
    if named_steps(text, family) or name in ADVISED:
        assert not cautions_missing(text, family)
    if name in {"suspects", "holds", "plan"}:
        assert KEEP in text


def test_a_picture_of_jobs_points_to_them(fleetlog: Command, demo_store: Path, tmp_path: Path) -> None:
    """The plan's is the only picture that says what to do; tests/cli/test_commands.py looks at all others."""
    out = tmp_path / "answer.svg"
    assert fleetlog("chart", "plan", "--out", str(out), store=demo_store).code == 0
    text = out.read_text(encoding="utf-8")
    assert CAUTIONS_HEADING in text
    assert "on HOLD come first" in text


def test_a_family_is_shown_with_its_cautions(fleetlog: Command, demo_store: Path) -> None:
    for fault, family in FAMILIES.items():
        for form in ("table", "json", "markdown", "csv"):
            text = fleetlog("faults", fault, "--format", form, store=demo_store).out
            if named_steps(text, family):
                assert not cautions_missing(text, family), (fault, form)


def test_the_worksheet_begins_with_them(fleetlog: Command, demo_store: Path, tmp_path: Path) -> None:
    out = tmp_path / "week.xlsx"
    assert fleetlog("worksheet", str(out), store=demo_store).code == 0
    lines = fastexcel.read_excel(out).load_sheet(0, header_row=None).to_polars().to_series(0).to_list()
    assert lines[0].startswith(f"HOLD: {KEEP}")
    text = "\n".join(str(line) for line in lines)
    for family in FAMILIES.values():
        assert not cautions_missing(text, family)
    assert "Before the machine goes back to use" in text


def test_a_worksheet_of_an_empty_store_has_the_cautions(fleetlog: Command, tmp_path: Path) -> None:
    store, listed, out = tmp_path / "new.duckdb", tmp_path / "machines.csv", tmp_path / "week.xlsx"
    listed.write_text("machine_id\nM1\n", encoding="utf-8")
    assert fleetlog("load", str(listed), store=store).code == 0
    done = fleetlog("worksheet", str(out), store=store)
    assert done.code == 0, done.err
    lines = fastexcel.read_excel(out).load_sheet(0, header_row=None).to_polars().to_series(0).to_list()
    assert lines[0] == f"{CAUTIONS_HEADING}:"


def test_a_month_without_records_is_refused(fleetlog: Command, demo_store: Path, tmp_path: Path) -> None:
    for month, words in (("2027-01", "the records end 2026-06-30"), ("2010-01", "The records begin")):
        done = fleetlog("report", "--month", month, "--out", str(tmp_path / "report"), store=demo_store)
        assert done.code == 2
        assert words in " ".join(done.err.split())
        assert not (tmp_path / "report").exists()
