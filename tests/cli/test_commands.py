"""Every public command runs on the demo fleet, in every format, with the keys that scripts rely on."""

from __future__ import annotations

import csv
import io
import json
import math
import re
import shutil
from pathlib import Path

import duckdb
import fastexcel
import polars as pl
import pytest
from calls import Command, Done

from fleetlog.faults import load_families

DATA_COMMANDS = [
    ("survival", "--by", "variant"),
    ("survival", "--by", "variant", "--curve"),
    ("design-changes", "--component", "internal_bushing"),
    ("repeats",),
    ("repeats", "--units"),
    ("repeats", "--by", "site"),
    ("survival", "--by", "site", "--strata", "variant", "--test", "peto-peto", "--interval", "log"),
    ("incidence", "--by", "variant"),
    ("incidence", "--curve"),
    ("compare", "--by", "site", "--strata", "variant"),
    ("drivers", "--factors", "variant,site"),
    ("drivers", "--clock", "gap", "--factors", "site", "--tests"),
    ("trend",),
    ("trend", "--units"),
    ("suspects",),
    ("unit", "37"),
    ("status",),
    ("settings",),
    ("faults",),
    ("faults", "neutral-return"),
    ("explain",),
    ("rejects",),
    ("rejects", "--waiting"),
    ("query", "SELECT site, count(*) AS machines FROM machines GROUP BY site ORDER BY site"),
    ("query", "--history", "SELECT count(*) AS episodes FROM episode"),
]


_PRINTED: dict[tuple[object, ...], Done] = {}


def printed(fleetlog: Command, store: Path, *arguments: str) -> Done:
    """What a call prints. Several tests look at the same one, of a store that nobody changes: it runs once."""
    call = (store, *arguments)
    if call not in _PRINTED:
        _PRINTED[call] = fleetlog(*arguments, store=store)
    return _PRINTED[call]


@pytest.mark.parametrize("arguments", DATA_COMMANDS, ids=" ".join)
@pytest.mark.parametrize("form", ["table", "csv", "json", "markdown"])
def test_formats(fleetlog: Command, demo_store: Path, arguments: tuple[str, ...], form: str) -> None:
    done = printed(fleetlog, demo_store, *arguments, "--format", form)
    assert done.code == 0, done.err
    if form == "json":
        assert json.loads(done.out)
    elif form == "csv":
        table = list(csv.reader(io.StringIO(done.out)))
        assert len(table) > 1
        assert len({len(row) for row in table}) == 1
    else:
        assert len(done.out.splitlines()) > 2


@pytest.mark.parametrize("arguments", DATA_COMMANDS, ids=" ".join)
def test_out_writes_what_would_be_printed(
    fleetlog: Command, demo_store: Path, tmp_path: Path, arguments: tuple[str, ...]
) -> None:
    if arguments[0] == "rejects" and "--waiting" not in arguments:
        return  # its --out writes a file to correct, see test_rejects
    expected = printed(fleetlog, demo_store, *arguments, "--format", "json").out
    target = tmp_path / "answer.json"
    done = fleetlog(*arguments, "--format", "json", "--out", str(target), store=demo_store)
    assert done.out == ""
    assert target.read_text(encoding="utf-8") == expected


def answer(fleetlog: Command, store: Path, *arguments: str) -> dict[str, object]:
    done = printed(fleetlog, store, *arguments, "--format", "json")
    assert done.code == 0, done.err
    found = json.loads(done.out)
    assert {"as_of", "fault", "rows", "notes"} <= set(found)
    return found


def test_survival_keys(fleetlog: Command, demo_store: Path) -> None:
    found = answer(fleetlog, demo_store, "survival", "--by", "variant")
    assert {"chi2", "df", "p", "chi2_by_machine", "p_by_machine"} == set(found["log_rank"])
    for row in found["rows"]:
        assert {
            "group",
            "component",
            "cause",
            "spells",
            "failures",
            "hours",
            "survival",
            "lower",
            "upper",
        } <= set(row)
        assert {"median_hours", "b10_hours", "weibull"} <= set(row)
        assert len(row["hours"]) == len(row["survival"]) == len(row["lower"]) == len(row["upper"])
    original = next(row for row in found["rows"] if row["group"] == {"variant": "original"})
    assert {"shape", "scale_hours", "shape_ci", "scale_ci"} <= set(original["weibull"])


def test_survival_interval_and_test(fleetlog: Command, demo_store: Path) -> None:
    """Another interval moves the limits and leaves the curve; another test moves the test alone."""
    usual = answer(fleetlog, demo_store, "survival", "--by", "variant")
    other = answer(
        fleetlog, demo_store, "survival", "--by", "variant", "--interval", "plain", "--test", "gehan"
    )
    assert (other["interval"], other["test"]) == ("plain", "gehan")
    assert other["log_rank"] != usual["log_rank"]
    for mine, theirs in zip(usual["rows"], other["rows"], strict=True):
        assert mine["survival"] == theirs["survival"]
        assert mine["lower"] != theirs["lower"]
        keys = {"std_error", "cumulative_hazard", "cumulative_hazard_lower", "cumulative_hazard_upper"}
        assert keys | {"fits", "naive"} <= set(mine)


def test_notes_about_a_group_stand_beneath_the_table(fleetlog: Command, demo_store: Path) -> None:
    done = fleetlog("survival", "--by", "variant", store=demo_store)
    assert "Note: improved: too few failures for a Weibull fit of its own" in done.out
    assert "Note: Test that no group differs (log-rank): chi-square" in done.out


def test_incidence_keys(fleetlog: Command, demo_store: Path) -> None:
    found = answer(fleetlog, demo_store, "incidence", "--by", "variant")
    assert (found["by"], found["component"]) == (["variant"], "internal_bushing")
    for row in found["rows"]:
        assert {"group", "component", "spells", "from_hours", "note", "endings"} == set(row)
        for ending in row["endings"]:
            keys = {"ending", "count", "hours", "incidence", "std_error", "lower", "upper"}
            assert keys == set(ending)
            assert len(ending["hours"]) == len(ending["incidence"]) == len(ending["upper"])


def test_design_change_keys(fleetlog: Command, demo_store: Path) -> None:
    found = answer(fleetlog, demo_store, "design-changes", "--component", "internal_bushing")
    assert {"likelihood", "settings_lines", "level", "seed"} <= set(found)
    keys = {"component", "make", "lives", "failures", "change_from", "earliest", "latest", "life_ratio"}
    keys |= {
        "ratio_lower",
        "ratio_upper",
        "failures_before",
        "failures_after",
        "p",
        "p_holm",
        "stated",
        "note",
    }
    assert all(keys == set(row) for row in found["rows"])
    assert {"component", "make", "month", "drop", "within"} == set(found["likelihood"][0])


def test_a_change_of_design_is_told_as_a_sentence(fleetlog: Command, demo_store: Path) -> None:
    asked = ("design-changes", "--component", "internal_bushing", "--format", "table")
    shown = printed(fleetlog, demo_store, *asked).out
    assert re.search(r"Tolvane: The newer part was built in from 2017-\d\d on \(95% interval: ", shown)
    assert re.search(
        r"Dunlin: From when on the newer part was built in cannot be told from \d+ failures", shown
    )


def test_compare_keys(fleetlog: Command, demo_store: Path) -> None:
    found = answer(fleetlog, demo_store, "compare", "--by", "site", "--strata", "variant")
    assert {"chi2", "df", "p", "chi2_by_machine", "p_by_machine"} == set(found["log_rank"])
    assert {"spread", "lower", "upper"} == set(found["spread"])
    assert (found["by"], found["strata"], found["test"]) == ("site", ["variant"], "log-rank")
    keys = {"group", "spells", "observed", "expected", "ratio", "ratio_lower", "ratio_upper"}
    assert all(
        keys | {"shrunk", "lower", "upper", "chance_above", "p_holm"} == set(row) for row in found["rows"]
    )


def test_drivers_keys(fleetlog: Command, demo_store: Path) -> None:
    found = answer(fleetlog, demo_store, "drivers", "--factors", "variant,site")
    assert found["clock"] == "lives"
    assert set(found["reference"]) == {"variant", "site"}
    keys = {"name", "term", "level", "hazard_ratio", "lower", "upper", "p", "coefficient", "std_error"}
    assert all(keys | {"robust_std_error"} == set(row) for row in found["rows"])
    assert [row["term"] for row in found["terms"]] == ["variant", "site"]
    assert {"term", "chi2", "df", "p", "ph_chi2", "ph_p"} == set(found["terms"][0])
    assert {"spells", "failures", "machines", "ties", "likelihood_ratio", "proportional"} <= set(
        found["model"]
    )
    assert len(found["levels"]) == len(found["rows"]) + 2


def test_trend_keys(fleetlog: Command, demo_store: Path) -> None:
    found = answer(fleetlog, demo_store, "trend")
    assert {"test", "statistic", "df", "p", "direction", "events"} == set(found["rows"][0])
    keys = {"shape", "shape_ci", "rate", "events", "machine_hours", "constant_rate", "by_machine"}
    assert keys == set(found["power_law"])
    assert {"machine_id", "episodes", "statistic", "p", "p_holm", "direction"} == set(found["units"][0])
    assert {"hours", "count", "lower", "upper", "at_risk", "fitted"} == set(found["curve"])


def test_repeats_by_group(fleetlog: Command, demo_store: Path) -> None:
    found = answer(fleetlog, demo_store, "repeats", "--by", "machine_type")
    assert found["by"] == "machine_type"
    assert {"chi2", "df", "p"} == set(found["group_test"])
    keys = {"group", "machines", "running_hours", "episodes", "per_1000_hours", "expected", "ratio", "curve"}
    assert all(keys == set(row) for row in found["groups"])
    assert {"hours", "difference", "std_error", "lower", "upper"} == set(found["difference"])


def test_repeats_keys(fleetlog: Command, demo_store: Path) -> None:
    found = answer(fleetlog, demo_store, "repeats")
    keys = {"action", "component", "attempts", "comebacks", "censored", "comeback_rate", "lower", "upper"}
    assert all(keys <= set(row) for row in found["by_action"])
    assert {"hours", "count", "lower", "upper"} <= set(found["mean_cumulative"])
    assert found["units"]


def test_suspects_keys(fleetlog: Command, demo_store: Path) -> None:
    found = answer(fleetlog, demo_store, "suspects")
    keys = {
        "machine_id",
        "side",
        "state",
        "since",
        "age_hours",
        "variant",
        "causes",
        "top_cause",
        "next_step",
    }
    for row in found["rows"]:
        assert keys | {"expected_cost", "reasons"} <= set(row)
        if row["standing"] is None:
            assert (row["causes"], row["top_cause"]) == ({}, None)  # a side without a fault has no cause
            continue
        assert math.fsum(row["causes"].values()) == pytest.approx(1.0, abs=1e-12)
        odds = row["causes"][row["top_cause"]] / (1 - row["causes"][row["top_cause"]])
        weights = math.fsum(reason["weight"] for reason in row["reasons"])
        assert weights == pytest.approx(math.log(odds), abs=1e-6)
    assert found["cautions"]


def test_status_keys(fleetlog: Command, demo_store: Path) -> None:
    found = answer(fleetlog, demo_store, "status")
    assert {"machines", "tables", "rejected", "waiting", "first", "last", "quality"} <= set(found)
    assert all({"check", "count", "of"} <= set(row) for row in found["quality"])


def test_filters_narrow_the_fleet(fleetlog: Command, demo_store: Path) -> None:
    whole = answer(fleetlog, demo_store, "survival")
    part = answer(fleetlog, demo_store, "survival", "--site", "Tolbeck")
    year = answer(fleetlog, demo_store, "survival", "--build-year", "2015", "--build-year", "2016")
    assert 0 < part["rows"][0]["spells"] < whole["rows"][0]["spells"]
    assert 0 < year["rows"][0]["spells"] < whole["rows"][0]["spells"]


def test_as_of_looks_at_the_past_only(fleetlog: Command, demo_store: Path) -> None:
    found = answer(fleetlog, demo_store, "suspects", "--as-of", "2024-12-31")
    assert found["as_of"] == "2024-12-31"
    assert all(row["since"] <= "2024-12-31" for row in found["rows"])


def test_unit_tells_the_story(fleetlog: Command, demo_store: Path) -> None:
    done = fleetlog("unit", "37", store=demo_store)
    for word in (
        "Machine 37",
        "Open case, left side",
        "worn bushing inside the pump",
        "Next step",
        "lock out",
        "Replace the position sensor",
    ):
        assert word in done.out


def test_a_machine_that_cannot_have_the_fault_is_a_data_error(fleetlog: Command, demo_store: Path) -> None:
    impossible = json.loads(
        fleetlog(
            "query",
            "--history",
            "SELECT DISTINCT machine_id FROM fault_report WHERE NOT possible",
            "--format",
            "json",
            store=demo_store,
        ).out
    )
    machine = impossible[0]["machine_id"]
    done = fleetlog("suspects", "--machine", machine, store=demo_store)
    assert done.code == 2
    assert "cannot have the fault" in done.err
    assert "correct the machine list or that row" in " ".join(done.err.split())
    assert "cannot have the fault" in fleetlog("unit", machine, store=demo_store).out


@pytest.mark.parametrize("ending", ["csv", "xlsx", "parquet", "json"])
@pytest.mark.parametrize(
    "name",
    [
        "survival",
        "incidence",
        "comparison",
        "drivers",
        "repeats",
        "units",
        "trend",
        "suspects",
        "status",
        "machines",
        "spell",
    ],
)
def test_export(fleetlog: Command, demo_store: Path, tmp_path: Path, name: str, ending: str) -> None:
    target = tmp_path / f"{name}.{ending}"
    done = fleetlog("export", name, "--out", str(target), store=demo_store)
    assert done.code == 0, done.err
    if ending == "xlsx":
        rows = fastexcel.read_excel(target).load_sheet(0).height
    elif ending == "csv":
        rows = pl.read_csv(target, infer_schema=False).height
    elif ending == "parquet":
        rows = pl.read_parquet(target).height
    else:
        rows = len(json.loads(target.read_text(encoding="utf-8")))
    assert f"{rows} rows" in done.err
    assert rows > 0


STEPS = load_families()["neutral-return"].steps

CHARTS = [
    "survival",
    "probability",
    "hazard",
    "comebacks",
    "mean-cumulative",
    "suspects",
    "reasons",
    "unit",
    "fleet-age",
    "incidence",
    "comparison",
    "drivers",
    "design-changes",
    "trend",
    "forecast",
    "replacement",
    "plan",
    "shop-hours",
    "calibration",
    "policies",
    "payback",
    "figures",
]


def test_chart_list_is_complete(fleetlog: Command, demo_store: Path) -> None:
    listed = [line.split()[0] for line in fleetlog("chart", "list", store=demo_store).out.splitlines()]
    assert set(CHARTS) <= set(listed)


@pytest.mark.parametrize("name", CHARTS)
def test_chart(fleetlog: Command, demo_store: Path, tmp_path: Path, name: str) -> None:
    machine = ("--machine", "37") if name in ("reasons", "unit") else ()
    if name in ("comparison", "drivers"):
        machine = ("--by", "site")
    if name == "calibration":  # the usual two years take long
        machine = ("--months", "4")
    target = tmp_path / f"{name}.svg"
    done = fleetlog("chart", name, *machine, "--out", str(target), store=demo_store)
    assert done.code == 0, done.err
    drawn = target.read_text(encoding="utf-8")
    assert drawn.startswith("<svg")
    if name not in (
        "plan",
        "reasons",
        "unit",
    ):  # the plan's points to its cautions, reasons and a machine's story show what was done and seen
        assert not [step.title for step in STEPS if step.title[1:] in drawn]


@pytest.mark.parametrize(
    ("ending", "begins"), [("png", b"\x89PNG"), ("pdf", b"%PDF"), ("html", b"<!"), ("json", b"{")]
)
def test_chart_formats(
    fleetlog: Command, demo_store: Path, tmp_path: Path, ending: str, begins: bytes
) -> None:
    target = tmp_path / f"survival.{ending}"
    assert fleetlog("chart", "survival", "--out", str(target), store=demo_store).code == 0
    assert target.read_bytes().startswith(begins)


def test_history_is_kept_by_loads_and_rebuilt_on_demand(
    fleetlog: Command, demo_store: Path, tmp_path: Path
) -> None:
    own = tmp_path / "fleetlog.duckdb"
    fleetlog("backup", str(own), store=demo_store)
    (tmp_path / "fleetlog.toml").write_bytes((demo_store.parent / "fleetlog.toml").read_bytes())
    listed = fleetlog("query", "SELECT count(*) AS n FROM machines", "--format", "json", store=own)
    machines = json.loads(listed.out)[0]["n"]
    assert fleetlog("history", store=own).out.endswith("; 0 machines were built.\n")
    assert fleetlog("history", "--rebuild", store=own).out.endswith(f"; {machines} machines were built.\n")
    with (tmp_path / "fleetlog.toml").open("a") as settings:
        settings.write("\n[meters]\nsilence_days = 100\n")
    assert fleetlog("history", store=own).out.endswith(f"; {machines} machines were built.\n")


def test_check_finds_a_whole_store(fleetlog: Command, demo_store: Path) -> None:
    done = fleetlog("check", store=demo_store)
    assert (done.code, done.err) == (0, "")
    assert "is whole" in done.out


def test_check_finds_rows_that_are_gone_or_doubled(
    fleetlog: Command, demo_store: Path, tmp_path: Path
) -> None:
    for number, change in enumerate(
        ("DELETE FROM fault_codes WHERE row_no = 7", "INSERT INTO machines FROM machines LIMIT 1")
    ):
        changed = Path(shutil.copy(demo_store, tmp_path / f"{number}.duckdb"))
        with duckdb.connect(str(changed)) as foreign:
            foreign.execute(change)
        done = fleetlog("check", store=changed)
        assert (done.code, done.out, done.err.count("\n")) == (3, "", 1)
        assert "loads_agree finds 1: tables whose rows" in done.err
        assert ("keys_unique" in done.err) == (number == 1)
        assert fleetlog("backup", str(tmp_path / "copy.duckdb"), store=changed).code == 3


def test_demo_needs_a_folder_of_its_own(fleetlog: Command, tmp_path: Path) -> None:
    """What it makes elsewhere, tests/packaging sees."""
    (tmp_path / "mine.txt").touch()
    done = fleetlog("demo", str(tmp_path))
    assert done.code == 2
    assert "not empty" in done.err
    assert [path.name for path in tmp_path.iterdir()] == ["mine.txt"]


def test_load_reject_correct_load(fleetlog: Command, tmp_path: Path) -> None:
    store = tmp_path / "fleet.duckdb"
    (tmp_path / "machines.csv").write_text("machine_id,build_date\n1,2016\n2,2018-13\n", encoding="utf-8")
    first = fleetlog("load", str(tmp_path / "machines.csv"), "--format", "json", store=store)
    assert first.code == 0
    assert json.loads(first.out)[0] | {"new": 1, "rejected": 1, "rows": 2} == json.loads(first.out)[0]
    fix = tmp_path / "fix.csv"
    assert fleetlog("rejects", "--out", str(fix), store=store).code == 0
    fix.write_text(fix.read_text(encoding="utf-8-sig").replace("2018-13", "2018-12"), encoding="utf-8")
    assert fleetlog("load", str(fix), store=store).code == 0
    left = fleetlog("rejects", "--format", "json", store=store)
    assert json.loads(left.out) == []


def test_load_check_only_changes_nothing(fleetlog: Command, tmp_path: Path) -> None:
    store = tmp_path / "fleet.duckdb"
    (tmp_path / "machines.csv").write_text("machine_id\n1\n", encoding="utf-8")
    (tmp_path / "more.csv").write_text("machine_id\n2\n", encoding="utf-8")
    fleetlog("load", "--check-only", str(tmp_path / "machines.csv"), store=store)
    assert not store.exists()
    fleetlog("load", str(tmp_path / "machines.csv"), store=store)
    fleetlog("load", "--check-only", str(tmp_path / "more.csv"), store=store)
    done = fleetlog("query", "SELECT machine_id FROM machines", "--format", "json", store=store)
    assert json.loads(done.out) == [{"machine_id": "1"}]
