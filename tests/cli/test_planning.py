"""The commands that look ahead."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

from calls import Command


def test_forecast_keys(fleetlog: Command, demo_store: Path) -> None:
    arguments = ("forecast", "--months", "3", "--draws", "20", "--format", "json")
    done = fleetlog(*arguments, store=demo_store)
    assert done.code == 0, done.err
    found = json.loads(done.out)
    keys = {"month", "component", "cause", "expected", "lower", "upper", "parts", "labour_hours"}
    assert all(keys <= set(row) for row in found["rows"])
    assert {row["month"] for row in found["rows"]} == {"2026-07", "2026-08", "2026-09"}
    assert fleetlog(*arguments, store=demo_store).out == done.out


def test_forecast_totals(fleetlog: Command, demo_store: Path) -> None:
    done = fleetlog("forecast", "--months", "2", "--draws", "20", "--totals", store=demo_store)
    assert done.code == 0, done.err
    assert "Worn bushing inside the pump" in done.out


def test_plan_keys(fleetlog: Command, demo_store: Path) -> None:
    done = fleetlog("plan", "--weeks", "8", "--draws", "20", "--format", "json", store=demo_store)
    assert done.code == 0, done.err
    found = json.loads(done.out)
    keys = {"machine_id", "side", "action", "week", "labour_hours", "saving", "chance_without"}
    assert found["rows"]
    assert all(keys <= set(row) for row in found["rows"])
    weeks: dict[str, float] = {}
    for row in found["rows"]:
        weeks[row["week"]] = weeks.get(row["week"], 0.0) + row["labour_hours"]
    assert max(weeks.values()) <= 120  # the demo shop's weekly hours


def test_plan_shows_the_cautions(fleetlog: Command, demo_store: Path) -> None:
    done = fleetlog("plan", "--weeks", "8", "--draws", "20", store=demo_store)
    assert "Before any work on the machine" in done.out
    assert "lock out" in done.out


def test_plan_compares_shop_hours(fleetlog: Command, demo_store: Path) -> None:
    arguments = ("plan", "--weeks", "8", "--draws", "20", "--shop-hours", "20,40", "--format", "json")
    less, more = json.loads(fleetlog(*arguments, store=demo_store).out)["rows"]
    assert less["saving"] <= more["saving"]


def test_a_plan_can_be_taken_up_again(fleetlog: Command, demo_store: Path, tmp_path: Path) -> None:
    first = tmp_path / "plan.csv"
    head = ("plan", "--weeks", "8", "--draws", "20", "--format", "csv")
    assert fleetlog(*head, "--out", str(first), store=demo_store).code == 0
    again = fleetlog(*head, "--previous", str(first), store=demo_store)
    assert again.out == first.read_text(encoding="utf-8")


def test_plan_mistakes(fleetlog: Command, demo_store: Path, tmp_path: Path) -> None:
    for arguments in (
        ("--shop-hours", "many"),
        ("--shop-hours", "-4"),
        ("--previous", str(tmp_path / "none.csv")),
    ):
        done = fleetlog("plan", *arguments, store=demo_store)
        assert done.code == 2
        assert done.err.count("\n") == 1


def test_replacement(fleetlog: Command, demo_store: Path) -> None:
    arguments = ("replacement", "--component", "internal_bushing", "--draws", "20", "--format", "json")
    rows = json.loads(fleetlog(*arguments, store=demo_store).out)["rows"]
    by_variant = {row["variant"]: row for row in rows}
    assert by_variant["original"]["replace_ahead"] is True
    assert by_variant["improved"]["replace_ahead"] is False
    assert "too few" in by_variant["improved"]["reason"]


def test_backtest(fleetlog: Command, demo_store: Path) -> None:
    done = fleetlog("backtest", "--months", "4", "--format", "json", store=demo_store)
    assert done.code == 0, done.err
    methods = {row["method"] for row in json.loads(done.out)["rows"]}
    assert {"model", "evidence score", "base rates"} <= methods


def test_simulated_files_load(fleetlog: Command, tmp_path: Path) -> None:
    done = fleetlog("simulate", str(tmp_path / "made"), "--machines", "30", "--years", "2")
    assert done.code == 0, done.err
    store = tmp_path / "fleet.duckdb"
    shutil.copy(tmp_path / "made" / "files" / "fleetlog.toml", tmp_path)
    loaded = fleetlog("load", str(tmp_path / "made" / "files"), "--format", "json", store=store)
    assert loaded.code == 0, loaded.err
    assert sum(row["rejected"] for row in json.loads(loaded.out)) == 0
    assert fleetlog("suspects", store=store).code == 0
    lives = fleetlog(
        "query", "--history", "SELECT DISTINCT variant FROM spell", "--format", "csv", store=store
    )
    assert {"original", "improved"} <= set(lives.out.split())


def test_one_more_month_of_an_untidy_fleet(fleetlog: Command, tmp_path: Path) -> None:
    store = tmp_path / "fleet.duckdb"
    call = ("--machines", "40", "--years", "2", "--reading-days", "7", "--mess", "0.05", "--routine")
    for name, part in (("old", ("--to", "2026-05-31")), ("new", ("--from", "2026-06-01"))):
        done = fleetlog("simulate", str(tmp_path / name), *call, *part, "--format", "parquet")
        assert done.code == 0, done.err
        shutil.copy(tmp_path / name / "files" / "fleetlog.toml", tmp_path)
        assert fleetlog("load", str(tmp_path / name / "files"), store=store).code == 0
    told = fleetlog("status", store=store)
    assert told.code == 0, told.err
    assert "2026-06-" in told.out.splitlines()[0]
    for wrong, word in (("--format", "xlsx"), ("--mess", "2"), ("--from", "June")):
        refused = fleetlog("simulate", str(tmp_path / "wrong"), wrong, word)
        assert refused.code == 2
        assert word in refused.err


def test_policies(fleetlog: Command, demo_store: Path) -> None:
    arguments = ("plan", "--policy", "wait,by_custom", "--draws", "20", "--format", "json")
    done = fleetlog(*arguments, store=demo_store)
    assert done.code == 0, done.err
    assert [row["policy"] for row in json.loads(done.out)["rows"]] == ["wait", "by_custom"]
    wrong = fleetlog("plan", "--policy", "hope", store=demo_store)
    assert wrong.code == 2
    assert "hope" in wrong.err
    assert "take one of wait, by_custom, on_suspicion, older_design_ahead" in wrong.err
    assert wrong.err.count("\n") == 1


def test_all_policies_with_the_custom_spelt_out(fleetlog: Command, demo_store: Path) -> None:
    done = fleetlog("plan", "--policy", "all", "--draws", "20", "--format", "json", store=demo_store)
    assert done.code == 0, done.err
    found = json.loads(done.out)
    rows = {row["policy"]: row for row in found["rows"]}
    assert list(rows) == ["wait", "by_custom", "on_suspicion", "older_design_ahead"]
    assert rows["by_custom"]["description"].endswith("replacing the sensor before the pump is opened")
    sensor, pump = (
        "Replace the position sensor",
        "Take the engine out, split the pump and put right what is found",
    )
    assert found["custom"].index(sensor) < found["custom"].index(pump)


def test_plan_tells_its_money(fleetlog: Command, demo_store: Path) -> None:
    done = fleetlog("plan", "--draws", "20", "--format", "json", store=demo_store)
    found = json.loads(done.out)
    assert found["cost_ahead"] > 0
    assert found["payback_months"] > 0
    assert abs(found["saving"] - sum(row["saving"] or 0.0 for row in found["rows"])) < 1e-6
    assert found["against"] == "wait, then the advised steps"


def test_figures(fleetlog: Command, demo_store: Path) -> None:
    done = fleetlog("figures", "--by", "site", "--format", "json", store=demo_store)
    assert done.code == 0, done.err
    assert json.loads(done.out)["rows"]


def test_forecast_check(fleetlog: Command, demo_store: Path) -> None:
    done = fleetlog(
        "forecast", "--check", "--as-of", "2022-03-31", "--draws", "20", "--format", "json", store=demo_store
    )
    assert done.code == 0, done.err
    assert len(json.loads(done.out)["rows"]) > 0


def test_cards_of_a_lake_are_those_of_the_store(fleetlog: Command, demo_store: Path, tmp_path: Path) -> None:
    lake = tmp_path / "lake"
    assert fleetlog("export", "tables", "--out", str(lake), store=demo_store).code == 0
    shutil.copy(demo_store.parent / "fleetlog.toml", lake)
    pages = []
    for name, where in (("store", ()), ("lake", ("--engine", "lake", "--lake", str(lake)))):
        page = tmp_path / f"{name}.html"
        done = fleetlog("jobcard", "37", "52", "--out", str(page), *where, store=demo_store)
        assert (done.code, done.err) == (0, f"{page} is written: 2 job cards.\n")
        pages.append(re.sub("Made .*? with", "", page.read_text(encoding="utf-8")))
    assert pages[0] == pages[1]
    assert pages[0].count('class="card"') == 2
