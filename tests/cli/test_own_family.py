"""A yard with a fault family of its own, without followed parts or with another part, has report, plan and charts."""

from __future__ import annotations

import re
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from calls import Command

from fleetlog.session.fleet import open_fleet

PARTS = '\n[parts.cooling]\nfailure_findings = ["blocked"]\nsource = "the yard"\n'
TEXTS = '\n[texts]\ncautions_title = "Before the cap comes off"\ncustom = "flush first"\n'
FAMILY = """
name = "engine-cooling"
title = "Engine runs hot"
summary = "The engine gets hotter than it should."
source = "the yard"
cautions = ["Let it cool before the cap is opened."]

[[recognise.rules]]
field = "complaint"
words = "%runs hot%"

[causes.radiator_blocked]
title = "Radiator blocked"
component = "cooling"
prior = 60
source = "the yard"

[causes.thermostat]
title = "Thermostat stuck"
prior = 30
source = "the yard"

[causes.unknown]
title = "Not established"
prior = 10
source = "the yard"

[hazards.radiator_blocked]
shape = 2.0
scale_hours = 4000
source = "the yard"

[hazards.thermostat]
scale_hours = 9000
source = "the yard"

[hazards.unknown]
scale_hours = 20000
source = "the yard"

[steps.clean_radiator]
title = "Clean the radiator"
component = "cooling"
action = "clean"
order = 1
kind = "cure"
labour_hours = 1.0
parts_cost = 0
cures = { radiator_blocked = 0.9 }
source = "the yard"
cautions = true

[steps.renew_radiator]
title = "Renew the radiator"
component = "cooling"
action = "replace"
order = 2
kind = "cure"
labour_hours = 3.0
parts_cost = 200
cures = { radiator_blocked = 0.98, thermostat = 0.9 }
confirms = { blocked = "radiator_blocked" }
source = "the yard"
cautions = true

[comeback]
mean_hours = 40
background_mean_hours = 3000
quiet_chance = 0.02
mislabelled = 0.02
source = "the yard"

[windows]
episode_hours = 100
episode_days = 30
calibration_return_hours = 100
confirmation_hours = 500
comeback_hours = 500
answer_days = 21
source = "the yard"
"""
FIRST, LAST = date(2023, 1, 1), date(2025, 12, 31)
MACHINES = [f"CB-{number}" for number in range(1, 13)]
#: Charts that need more groups, confirmed cases or months than this yard has, and say so in one sentence.
MAY_REFUSE = {"calibration", "drivers", "policies", "forecast-check", "reasons"}


def tables() -> dict[str, pl.DataFrame]:
    """Three years of twelve machines: monthly readings, and each year a hot engine with its work."""
    days = [FIRST + timedelta(days=30 * month) for month in range(36)]
    machines = pl.DataFrame(
        [(name, "Cob", "skid_steer_loader", FIRST, "North", FIRST, 0.0) for name in MACHINES],
        schema=[
            "machine_id",
            "make",
            "machine_type",
            "build_date",
            "site",
            "acquired_on",
            "hours_at_acquisition",
        ],
        orient="row",
    )
    readings = pl.DataFrame(
        [(name, day, 90.0 * month, "shop") for name in MACHINES for month, day in enumerate(days)],
        schema=["machine_id", "read_at", "hours", "source"],
        orient="row",
    )
    orders, lines = [], []
    for place, name in enumerate(MACHINES):
        for year in range(3):
            month = 12 * year + place
            number, day, hours = f"W{place:02}{year}", days[min(month, 35)], 90.0 * min(month, 35)
            solved = (place, year) not in ((11, 2), (10, 2))
            closed = day if solved else None
            orders.append(
                (number, name, day, closed, hours, "North", "engine runs hot", "closed" if solved else "open")
            )
            if solved:
                action = "replace" if year else "clean"
                lines.append((number, 1, day, "cooling", action, "blocked" if year else None, 2.0, 30.0))
    return {
        "machines": machines,
        "meter_readings": readings,
        "work_orders": pl.DataFrame(
            orders,
            schema=[
                *("work_order_id", "machine_id", "opened_at", "closed_at"),
                *("hours", "site", "complaint", "status"),
            ],
            orient="row",
        ),
        "work_lines": pl.DataFrame(
            lines,
            schema=[
                *("work_order_id", "line_no", "done_at", "component"),
                *("action", "finding", "labour_hours", "parts_cost"),
            ],
            orient="row",
        ),
    }


@pytest.fixture(scope="module", params=["without parts", "with a part of its own"])
def yard(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory, asked_once: Any
) -> tuple[Path, bool]:
    """The store of such a yard, and whether its family follows a part."""
    place = tmp_path_factory.mktemp("yard")
    followed = request.param != "without parts"
    (place / "families").mkdir()
    (place / "families" / "own.toml").write_text(
        FAMILY + (PARTS + TEXTS if followed else ""), encoding="utf-8"
    )
    (place / "fleetlog.toml").write_text('[faults]\nfolders = ["families"]\n', encoding="utf-8")
    for name, frame in tables().items():
        frame.write_csv(place / f"{name}.csv")
    store = place / "fleetlog.duckdb"
    with open_fleet(store, create=True) as fleet:
        fleet.load(sorted(place.glob("*.csv")))
    asked_once.share(store)
    return store, followed


def test_the_report_speaks_of_this_fault_only(
    yard: tuple[Path, bool], fleetlog: Command, tmp_path: Path
) -> None:
    store, followed = yard
    made = fleetlog(
        "report", "--fault", "engine-cooling", "--month", "2025-11", "--out", tmp_path, store=store
    )
    assert made.code == 0, made.err
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    body = re.sub(r"<[^>]+>", " ", page[page.index("<main") : page.index('<section id="methods"')])
    assert "2 open cases need work" in re.sub(r"\s+", " ", body)
    assert "Radiator blocked" in body
    assert ("Before the cap comes off" if followed else "Before anyone begins") in body
    assert "Let it cool before the cap is opened." in body
    assert ("Flush first" if followed else "Customary order") in body
    assert ("No part is followed for this fault" in body) != followed
    assert not re.search(r"\b(pump|sensor|bushing|None|nan)s?\b", body)
    assert (tmp_path / "tables" / "survival_by_variant.csv").exists() == followed
    for name in ("report.pdf", "tables.xlsx", "units/CB-12.html"):
        assert (tmp_path / name).stat().st_size > 1000


def test_the_plan_is_made(yard: tuple[Path, bool], fleetlog: Command) -> None:
    store, followed = yard
    made = fleetlog("plan", "--fault", "engine-cooling", store=store)
    assert made.code == 0, made.err
    assert ("no part is followed" in made.out) != followed


#: What asks for the lives of a part: refused in a sentence where the family follows none.
OF_LIVES = ("survival", "incidence", "compare")


@pytest.mark.parametrize(
    "asked",
    [
        "suspects",
        "holds",
        "unit CB-12",
        "forecast --months 2 --draws 20",
        "replacement --draws 20",
        "plan --policy all --draws 20",
        "repeats",
        "trend",
        "figures",
        "status",
        *OF_LIVES,
        "compare --by site",
        "forecast --component cooling --draws 20",
    ],
)
def test_every_question_is_answered_or_refused_in_a_sentence(
    yard: tuple[Path, bool], fleetlog: Command, asked: str
) -> None:
    store, followed = yard
    made = fleetlog(*asked.split(), "--fault", "engine-cooling", store=store)
    assert "itself failed" not in made.err, made.err
    if not followed and (asked.split()[0] in OF_LIVES or "policy" in asked):
        assert made.code == 2
        assert re.search(r"follows no part's lives", made.err)
        return
    assert made.code == 0, made.err
    assert made.out.strip()
    assert not re.search(r"\b(pump|sensor|None|nan)s?\b", made.out.partition("\nParts\n")[0])


def test_the_workshop_gets_its_sheet(yard: tuple[Path, bool], fleetlog: Command, tmp_path: Path) -> None:
    store, _ = yard
    sheet = tmp_path / "week.xlsx"
    made = fleetlog("worksheet", str(sheet), "--open-orders", store=store)
    assert made.code == 0, made.err
    assert sheet.stat().st_size > 1000


@pytest.mark.slow
def test_every_chart_is_drawn_or_refused_in_a_sentence(
    yard: tuple[Path, bool], fleetlog: Command, tmp_path: Path
) -> None:
    store, _ = yard
    names = [line.split()[0] for line in fleetlog("chart", "list").out.splitlines()]
    assert len(names) > 15
    for name in names:
        file = tmp_path / f"{name}.svg"
        one = ("--machine", "CB-12") if name in ("unit", "reasons") else ()
        options = ("--fault", "engine-cooling", "--component", "cooling", "--months", "2", *one)
        made = fleetlog("chart", name, *options, "--out", file, store=store)
        assert "itself failed" not in made.err, (name, made.err)
        assert file.exists() or name in MAY_REFUSE, (name, made.err)
