"""Whatever a user does wrong ends in one sentence and the right exit code."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from calls import Command


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("unit", "no such"), "no machine 'no such'"),
        (("survival", "--component", "hat"), "'hat' are not followed"),
        (("survival", "--component", "internal_bushin"), "did you mean 'internal_bushing'? Known: battery, "),
        (("survival", "--by", "colour"), "cannot be split by 'colour'"),
        (("survival", "--by", "varient"), "did you mean 'variant'? Known: build_year, variant, "),
        (("survival", "--cause", "nonsense"), "recorded as 'nonsense'; take one of broken, worn."),
        (("survival", "--cause", "worm"), "did you mean 'worn'? Known: broken, worn."),
        (("compare", "--cause", "nonsense"), "take one of broken, worn."),
        (("incidence", "--by", "nonsense"), "cannot be split by 'nonsense'"),
        (("drivers", "--factors", "sites"), "did you mean 'site'?"),
        (("repeats", "--component", "engine"), "knows no component 'engine'; take one of controller, "),
        (("repeats", "--component", "drive_pum"), "did you mean 'drive_pump'?"),
        (("repeats", "--by", "sit"), "did you mean 'site'?"),
        (("repeats", "--window", "1e309"), "not inf"),
        (("forecast", "--component", "engine"), "knows no component 'engine'"),
        (("replacement", "--component", "nonsense"), "knows no component 'nonsense'"),
        (("chart", "comebacks", "--component", "engine"), "knows no component 'engine'"),
        (("plan", "--policy", "by_custon"), "did you mean 'by_custom'?"),
        (("plan", "--must", "1170"), "no machine '1170' on the list as of 2026-06-30; nearest: "),
        (("forecast", "--check", "--component", "internal_bushing"), "--check does not take --component"),
        (("money", "--site", "Tolbek"), "nearest: Tolbeck"),
        (("figures", "--by", "nonsense"), "cannot be split by 'nonsense'"),
        (("suspects", "--fault", "neutral-retrun"), "did you mean 'neutral-return'?"),
        (("suggestions", "--machine", "no such"), "no machine 'no such' on record"),
        (("suggestions", "--order", "W1351"), "no work order 'W1351' on record. Nearest: "),
        (("suspects", "--fault", "none"), "no fault family 'none'"),
        (("suspects", "--as-of", "30.06.2026"), "30.06.2026"),
        (("report", "--month", "June"), "June"),
        (("chart", "pie"), "no chart 'pie'"),
        (("chart", "survival", "--out", "x.bmp"), ".bmp"),
        (("chart", "unit"), "--machine"),
        (("export", "machine", "--out", "x.doc"), ".doc"),
        (("plan", "--out", "x.pdf"), ".md, .txt, .ics so that the format is known."),
        (("trend", "--out", "x.ics"), ".md, .txt so that the format is known."),
        (("plan", "--shop-hours", "40,60", "--out", "x.ics"), ".md, .txt so that the format is known."),
        (("plan", "--format", "csv", "--out", "x.ics"), "--format csv and x.ics say different formats"),
        (("export", "machinez", "--out", "x.csv"), "did you mean"),
        (("explain", "survivel"), "survival"),
        (("faults", "none"), "no fault family 'none'"),
        (("query", "DROP TABLE machines"), "SELECT"),
        (("query", "SELECT nothing FROM nowhere"), "nowhere"),
        (("frobnicate",), "frobnicate"),
        (("survival", "--format", "yaml"), "yaml"),
        (("status", "--out", "/nowhere/at/all.txt"), "cannot be written"),
        (("rejects", "--kind", "hats"), "hats"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, tuple) else None,
)
def test_usage(
    fleetlog: Command,
    demo_store: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    arguments: tuple[str, ...],
    words: str,
) -> None:
    monkeypatch.chdir(tmp_path)
    done = fleetlog(*arguments, store=demo_store)
    assert done.code == 2
    assert words in " ".join(done.err.split())
    assert done.out == ""


def test_no_store(fleetlog: Command, tmp_path: Path) -> None:
    done = fleetlog("status", store=tmp_path / "none.duckdb")
    assert done.code == 3
    assert "no store" in done.err


def test_empty_store(fleetlog: Command, tmp_path: Path) -> None:
    (tmp_path / "machines.csv").write_text("machine_id\n", encoding="utf-8")
    store = tmp_path / "fleet.duckdb"
    assert fleetlog("load", str(tmp_path / "machines.csv"), store=store).code == 0
    for command in (("survival",), ("suspects",), ("repeats",), ("status",), ("report",)):
        done = fleetlog(*command, store=store)
        assert done.code == 2
        assert "fleetlog load" in done.err


def test_bad_settings(fleetlog: Command, tmp_path: Path) -> None:
    (tmp_path / "fleetlog.toml").write_text("[costs]\nlabour_rat = 90\n", encoding="utf-8")
    done = fleetlog("settings", store=tmp_path / "fleet.duckdb")
    assert done.code == 2
    assert "labour_rate" in done.err


def test_all_mistakes_of_the_settings_are_told_at_once(fleetlog: Command, tmp_path: Path) -> None:
    (tmp_path / "fleetlog.toml").write_text("[costs]\nlabour_rat = 90\nday_hours = 25\n", encoding="utf-8")
    done = fleetlog("settings", store=tmp_path / "fleet.duckdb")
    assert done.code == 2
    assert "did you mean labour_rate?" in done.err
    assert "costs.day_hours must be a number above 0 and at most 24, not 25" in done.err


def test_refused_file_ends_with_2(fleetlog: Command, tmp_path: Path) -> None:
    (tmp_path / "hats.csv").write_text("hat,colour\n1,red\n", encoding="utf-8")
    done = fleetlog("load", str(tmp_path / "hats.csv"), store=tmp_path / "fleet.duckdb")
    assert done.code == 2
    assert "hats.csv" in done.err


def test_our_own_mistake_is_one_sentence(
    fleetlog: Command, demo_store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object, **__: object) -> None:
        raise RuntimeError("first line\nsecond line")

    monkeypatch.setattr("fleetlog.session.status.status", broken)
    done = fleetlog("status", store=demo_store)
    assert done.code == 70
    assert done.err.count("\n") == 1
    assert "RuntimeError: first line" in done.err


def test_a_reader_that_leaves_early_is_no_mistake(demo_store: Path) -> None:
    program = [sys.executable, "-m", "fleetlog", "--store", str(demo_store)]
    with subprocess.Popen(
        [*program, "query", "SELECT * FROM meter_readings", "--format", "csv"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    ) as writer:
        assert writer.stdout is not None
        assert writer.stderr is not None
        writer.stdout.read(10)
        writer.stdout.close()
        assert writer.stderr.read() == b""


def test_help_is_quick_to_load() -> None:
    """--help must not import what only findings need."""
    script = (
        "import sys\nsys.argv = ['fleetlog', '--help']\nfrom fleetlog.cli.main import run\n"
        "try:\n    run()\nexcept SystemExit:\n    pass\n"
        "heavy = {'duckdb', 'polars', 'altair', 'scipy', 'numpy', 'pandas', 'pyarrow', 'pydantic'} & set(sys.modules)\n"
        "assert not heavy, heavy\n"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def test_a_day_at_the_end_of_the_calendar(fleetlog: Command, demo_store: Path) -> None:
    done = fleetlog("survival", "--as-of", "9999-12-31", store=demo_store)
    assert done.code == 2
    assert "no day that a record could reach" in done.err


def test_a_column_named_twice_counts_once(fleetlog: Command, demo_store: Path) -> None:
    once = fleetlog("incidence", "--by", "variant", "--format", "csv", store=demo_store)
    twice = fleetlog("incidence", "--by", "variant,variant", "--format", "csv", store=demo_store)
    assert once.code == 0
    assert twice == once
