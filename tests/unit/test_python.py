"""The Python interface: restricted, typed, refused in one sentence, shown in a notebook."""

from __future__ import annotations

import doctest
import inspect
import json
import re
import subprocess
import sys
import textwrap
from collections.abc import Iterator
from pathlib import Path

import polars as pl
import pytest

import fleetlog
from fleetlog.api import FleetPart

SCRIPT = """
from datetime import date

import polars as pl

import fleetlog

with fleetlog.open("fleetlog.duckdb") as fleet:
    june: fleetlog.FleetPart = fleet.where(sites=["North"], as_of=date(2026, 6, 30), build_years=[2016, 2017])
    curves: fleetlog.SurvivalFinding = june.survival(by="variant", interval="log", test="gehan")
    table: pl.DataFrame = curves.frame
    lives: pl.DataFrame = june.lives("internal_bushing")
    causes: dict[str, float] = dict(june.suspects().cases[0].causes)
    plan: fleetlog.PlanFinding = june.plan(weeks=12, shop_hours=60.0)
    story: fleetlog.UnitFinding = fleet.unit("37")
    story.save("unit.html")
    try:
        june.drivers(factors=("variant", "site"), clock="gap")
    except fleetlog.UsageError as error:
        print(error)
"""
WRONG = """
import fleetlog

fleet = fleetlog.open("fleetlog.duckdb")
fleet.survival(interval="cubic")
fleet.forecast(months="12")
fleet.unit(37)
"""


@pytest.mark.slow  # the type checker reads all of the program anew
def test_a_script_is_checked_strictly(tmp_path: Path) -> None:
    """A user's script passes the type checker's strict mode, and one with wrong types does not."""
    (tmp_path / "good.py").write_text(SCRIPT)
    (tmp_path / "wrong.py").write_text(WRONG)
    command = [sys.executable, "-m", "mypy", "--strict", "--no-incremental", "good.py", "wrong.py"]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
    lines = [line for line in done.stdout.splitlines() if ": error:" in line]
    assert [line.split(":")[:2] for line in lines] == [
        ["wrong.py", "5"],
        ["wrong.py", "6"],
        ["wrong.py", "7"],
    ], done.stdout


def test_public_names_are_there_and_typed() -> None:
    for name in fleetlog.__all__:
        assert getattr(fleetlog, name) is not None
    assert (Path(fleetlog.__file__).parent / "py.typed").is_file()
    with pytest.raises(AttributeError):
        _ = fleetlog.nonsense


def test_a_part_answers_like_the_command(demo_part: FleetPart) -> None:
    whole, part = demo_part, demo_part.where(sites="Tolbeck", as_of="2025-12-31")
    assert part.survival(by="variant").as_of.isoformat() == "2025-12-31"
    assert part.survival().groups[0].spells < whole.survival().groups[0].spells
    assert part.where(sites=()).survival().groups[0].spells > part.survival().groups[0].spells
    assert json.dumps(part.suspects().to_dict())


def test_lives_are_ready_for_another_library(demo_part: FleetPart) -> None:
    """Observed lives, handed to lifelines, give the product-limit curve that `survival` tells."""
    from lifelines import KaplanMeierFitter

    lives = demo_part.lives("internal_bushing").filter(pl.col("variant") == "original")
    assert lives.select(pl.col("entry_hours") < pl.col("exit_hours")).to_series().all()
    fitter = KaplanMeierFitter().fit(
        lives["exit_hours"].to_numpy(), lives["failed"].to_numpy(), entry=lives["entry_hours"].to_numpy()
    )
    group = next(
        one
        for one in demo_part.survival(component="internal_bushing", by="variant", endings="recorded").groups
        if one.group == {"variant": "original"}
    )
    late = group.curve.filter(pl.col("hours") > group.from_hours)
    start = float(fitter.survival_function_at_times(group.from_hours).iloc[0]) if group.from_hours else 1.0
    for hours, survival in late.select("hours", "survival").iter_rows():
        assert float(fitter.survival_function_at_times(hours).iloc[0]) / start == pytest.approx(
            survival, rel=1e-9
        )


@pytest.mark.parametrize(
    ("call", "sentence"),
    [
        (lambda part: part.survival(bye="site"), "survival has no option 'bye'; did you mean 'by'"),
        (lambda part: part.survival(interval="cubic"), "interval cannot be 'cubic'"),
        (lambda part: part.forecast(months="12"), "months cannot be '12'; it takes a whole number"),
        (lambda part: part.compare(by=["site"]), r"by cannot be \['site'\]; it takes a text"),
        (lambda part: part.unit("3700"), "There is no machine '3700'"),
        (lambda part: part.unit(), "unit cannot be asked like that"),
        (lambda part: part.where(sites="Tolbek"), "There is no site 'Tolbek'.*nearest: Tolbeck"),
        (lambda part: part.where(build_years=1899), "There is no build year '1899'"),
        (lambda part: part.where(build_years=[True]), "build_years cannot hold True"),
        (lambda part: part.where(as_of="30.6.2026"), "as_of cannot be '30.6.2026'"),
        (lambda part: part.where(fault="neutral"), "There is no fault family 'neutral'"),
        (lambda part: part.table("machinez"), "did you mean 'machine"),
        (lambda part: part.sql("DELETE FROM machines"), "Only one SELECT"),
        (lambda part: part.suspects().save("x.doc"), r"must end in one of .*\.txt, \.svg, .*format is known"),
        (lambda part: part.plan().save("x.doc"), r"must end in one of .*\.txt, \.ics, \.svg, "),
        (lambda part: part.explain("survivle"), "survival"),
    ],
)
def test_what_cannot_be_asked_is_one_sentence(demo_part: FleetPart, call: object, sentence: str) -> None:
    with pytest.raises(fleetlog.UsageError, match=sentence):
        call(demo_part)  # type: ignore[operator]


def test_a_closed_fleet_says_so(demo_store: Path) -> None:
    fleet = fleetlog.open(demo_store)
    part = fleet.where(sites="Tolbeck")
    fleet.close()
    fleet.close()
    for one in (fleet, part):
        with pytest.raises(fleetlog.UsageError, match="closed"):
            one.suspects()
    assert "closed" in repr(fleet)


def test_sql_and_tables(demo_part: FleetPart) -> None:
    count = demo_part.sql("SELECT count(*) AS n FROM machines")["n"][0]
    assert count == demo_part.table("machines").height
    assert demo_part.sql("SELECT count(*) AS n FROM episode")["n"][0] == demo_part.table("episode").height
    assert demo_part.settings.fleet.currency


def test_answers_are_shown_briefly_and_saved_whole(demo_part: FleetPart, tmp_path: Path) -> None:
    answer = demo_part.survival(by="variant")
    assert len(repr(answer)) < 160
    page = answer._repr_html_()
    assert "<table" in page
    assert "log-rank" in page
    saved = answer.save(tmp_path / "x.html").read_text(encoding="utf-8")
    assert "http://" not in saved.split("<script")[0]
    assert answer.save(tmp_path / "hazard.svg", chart="hazard").stat().st_size > 1000
    assert pl.read_csv(answer.save(tmp_path / "x.csv")).height == answer.frame.height
    assert "Before any work on the machine" in demo_part.suspects()._repr_html_()


def test_job_cards_are_those_of_the_part_and_of_the_command(demo_part: FleetPart, tmp_path: Path) -> None:
    every = demo_part.job_cards()
    assert len(every) > 5
    here = demo_part.where(sites="Tolbeck").job_cards()
    assert here == tuple(card for card in every if card.where.startswith("Tolbeck"))
    assert 0 < len(here) < len(every)
    years = demo_part.where(build_years=[2016, 2017]).job_cards()
    assert years == tuple(card for card in every if re.search("built 201[67]", card.about))
    assert demo_part.where(machines=here[0].machine_id).job_cards() == here[:1]
    assert demo_part.where(sites="Tolbeck").job_cards("37") == demo_part.job_cards("37")
    page = demo_part.save_job_cards(tmp_path / "37.html", "37").read_text(encoding="utf-8")
    assert f"<title>Job card, {demo_part.job_cards('37')[0].machine_id}" in page
    with pytest.raises(fleetlog.UsageError, match=r"must end in \.html"):
        demo_part.save_job_cards(tmp_path / "37.doc")


@pytest.fixture(scope="module")
def whole(demo_store: Path) -> Iterator[fleetlog.OpenFleet]:
    with fleetlog.open(demo_store) as fleet:
        yield fleet


@pytest.mark.parametrize(
    "name",
    [
        # those two look back month by month
        pytest.param(name, marks=[pytest.mark.slow] if name in ("backtest", "forecast_check") else [])
        for name in dir(fleetlog.OpenFleet)
        if not name.startswith("_")
    ],
)
def test_examples_of_the_docstrings_are_true(whole: fleetlog.OpenFleet, tmp_path: Path, name: str) -> None:
    """Every question and way of the interface has an example (but for closing and paths), and it gives what it says."""
    told = inspect.getattr_static(fleetlog.OpenFleet, name).__doc__ or ""
    examples = doctest.DocTestParser().get_examples(textwrap.dedent(told))
    if name in ("parts", "settings", "close", "discard", "report"):
        return  # report: tests/docs runs the README's
    assert examples, f"{name} has no example"
    known = {"fleetlog": fleetlog, "june": whole.where(as_of="2026-06-30"), "folder": tmp_path}
    test = doctest.DocTest(examples, known, name, None, None, None)
    said: list[str] = []
    failed = doctest.DocTestRunner(optionflags=doctest.NORMALIZE_WHITESPACE).run(test, out=said.append)
    assert not failed.failed, "".join(said)


def test_docstrings_say_units_and_errors() -> None:
    """Every public method has a docstring, and one that can refuse says so."""
    for name, member in vars(FleetPart).items():
        if not name.startswith("_"):
            assert (member.__doc__ or "").strip(), name
            if name not in ("settings", "parts", "status", "suspects", "trend"):
                assert "Raises" in member.__doc__, name
