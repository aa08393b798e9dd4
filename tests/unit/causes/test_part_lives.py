"""Lives by everything on record: stretches and weights worked by hand, and a small yard that loses a repair."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import polars as pl
import pytest
from yard import Yard

from fleetlog.belief.part_lives import PartLives, part_lives
from fleetlog.belief.weighing import WeighedCases, weighed_now
from fleetlog.faults import load_families
from fleetlog.session.fleet import Fleet
from fleetlog.session.scope import Scope
from fleetlog.store import Store

FAMILY = load_families()["neutral-return"]
PART = "internal_bushing"


def worked(
    life: dict[str, Any], cases: Sequence[tuple[int, int, float, float, bool]], case_sides: str = ""
) -> PartLives:
    """A life with its cases: (onset, last report in tenths of the part's age, chance, stands, answered)."""
    sides = case_sides or "L" * len(cases)
    kept = {"machine_id": "A", "component": PART, "side": "left", "fit": 0, "variant": "original"}
    kept |= {"ended": life["failed"]} | life
    shown = [
        kept
        | {
            "case_side": {"L": "left", "R": "right"}[sides[n]],
            "case_no": n + 1,
            "onset_tenths": onset,
            "last_tenths": last,
        }
        for n, (onset, last, *_) in enumerate(cases)
    ] or [kept | {"case_side": None, "case_no": None, "onset_tenths": None, "last_tenths": None}]
    schema = {"case_side": pl.String, "case_no": pl.Int64, "onset_tenths": pl.Int64, "last_tenths": pl.Int64}
    rows = pl.DataFrame(shown, schema_overrides=schema)
    k = next(n for n, cause in enumerate(FAMILY.causes) if cause.component == PART)
    of_case, stands = np.zeros((2, len(cases), len(FAMILY.causes)))
    for n, (_, _, chance, standing, _) in enumerate(cases):
        of_case[n, k], stands[n, k] = chance, standing
    weighed = SimpleNamespace(
        layout=SimpleNamespace(family=FAMILY, settling_tenths=0),
        cases=rows.filter(pl.col("case_no").is_not_null()).select(
            "machine_id",
            "case_no",
            side="case_side",
            answered=pl.Series([one[4] for one in cases], dtype=pl.Boolean),
        ),
        of_case=of_case,
        stands=stands,
    )
    store = SimpleNamespace(run=lambda *_, **__: rows)
    return part_lives(cast(Store, store), cast(WeighedCases, weighed))


def stretches(found: PartLives) -> list[tuple[str, int, int, int, float]]:
    rows = found.lives.select("variant", "entry", "hours", "failed", pl.col("weight").round(6))
    return sorted(rows.rows())


def test_a_life_without_a_case_is_as_the_books_say() -> None:
    found = worked({"entry": 1000, "hours": 9000, "failed": False}, [])
    assert stretches(found) == [("original", 1000, 9000, 0, 1.0)]
    assert found.now.is_empty()


def test_each_case_counts_as_surely_as_the_part_is_behind_it() -> None:
    """One case that was mended, one that stands: failed with the chance of each, at risk again after its last report."""
    found = worked(
        {"entry": 1000, "hours": 9000, "failed": False},
        [(3000, 3100, 0.8, 0.0, True), (6000, 6200, 0.5, 0.5, False)],
    )
    assert stretches(found) == [
        ("original", 1000, 3000, 0, 0.2),
        ("original", 1000, 3000, 1, 0.8),
        ("original", 3100, 6000, 0, 0.5),
        ("original", 3100, 6000, 1, 0.5),
        ("original", 6200, 9000, 0, 0.5),
    ]
    assert found.now["standing"].to_list() == [0.5]
    assert found.now["new_for_hours"].to_list() == [None]


def test_what_was_found_failed_counts_once() -> None:
    """The case has counted it as far as it was the part; the finding counts the rest."""
    found = worked({"entry": 0, "hours": 5000, "failed": True}, [(4000, 4200, 0.7, 0.0, True)])
    assert stretches(found) == [
        ("original", 0, 4000, 0, 0.3),
        ("original", 0, 4000, 1, 0.7),
        ("original", 4200, 5000, 1, 0.3),
    ]
    assert float((found.lives["failed"] * found.lives["weight"]).sum()) == pytest.approx(1.0)


def test_what_was_taken_out_unseen_was_not_at_risk_while_it_stood_broken() -> None:
    """A new pump after a case, and no word on the old part: it failed by the case's chance, once; else it ended sound."""
    found = worked(
        {"entry": 0, "hours": 5000, "failed": False, "ended": True}, [(4000, 4200, 0.7, 0.0, True)]
    )
    assert stretches(found) == [
        ("original", 0, 4000, 0, 0.3),
        ("original", 0, 4000, 1, 0.7),
        ("original", 4200, 5000, 0, 0.3),
    ]
    assert found.best["failed"].to_list() == [0, 0]
    assert found.worst.select("hours", "failed", "weight").rows() == [(4000, 1, 1.0)]


def test_bounds_leave_alone_what_is_as_good_as_known() -> None:
    life = {"entry": 0, "hours": 5000, "failed": False, "ended": True}
    for chance, failures in ((0.97, 1), (0.03, 0)):
        found = worked(life, [(4000, 4200, chance, 0.0, True)])
        assert found.best["failed"].sum() == found.worst["failed"].sum() == failures


def test_a_fault_that_fell_silent_unmended_ended_the_life() -> None:
    """No repair on record, and it most likely stands no more: a new part of the newer design, from its last report."""
    found = worked({"entry": 0, "hours": 9000, "failed": False}, [(4000, 4400, 0.9, 0.05, False)])
    assert stretches(found) == [
        ("improved", 0, 4600, 0, 0.95),
        ("original", 0, 4000, 0, 0.1),
        ("original", 0, 4000, 1, 0.9),
    ]
    assert found.now["new_for_hours"].to_list() == [460.0]
    # where a repair answers it, the books know the part that went in
    mended = worked({"entry": 0, "hours": 9000, "failed": False}, [(4000, 4400, 0.9, 0.05, True)])
    assert mended.now["new_for_hours"].to_list() == [None]
    assert ("original", 4400, 9000, 0, 0.95) in stretches(mended)


def test_cases_of_both_sides_that_overlap_are_lived_through_once() -> None:
    """A part that serves both sides: no hour counts twice, whichever case began first."""
    whole = {"entry": 0, "hours": 9000, "failed": False, "side": ""}
    found = worked(whole, [(2000, 5000, 0.0, 0.0, True), (3000, 4000, 0.0, 0.0, True)], "LR")
    assert stretches(found) == [("original", 0, 2000, 0, 1.0), ("original", 5000, 9000, 0, 1.0)]


def test_a_yard_that_lost_the_repair_has_a_new_part(tmp_path: Path) -> None:
    """The same story told twice: once with the bushing replaced on record, once without."""
    told = Yard(hours=4000, days=400).code(60, 7).code(75, 7)
    told.work(80, ("wiring", "inspect", "passed"), ("internal_bushing", "replace", "worn"))
    lost = Yard(hours=4000, days=400).code(60, 7).code(75, 7)
    failures = {}
    for name, yard in (("told", told), ("lost", lost)):
        with yard.fleet(tmp_path / name) as fleet:
            history, family = fleet.begin(Scope())
            weighed = weighed_now(fleet, history, family)
            known = part_lives(fleet.store, weighed)
            mine = known.lives.filter(pl.col("component") == PART, pl.col("machine_id") == "A")
            failures[name] = float((mine["failed"] * mine["weight"]).sum())
            k = weighed.causes.index(PART)
            now = known.now.filter(pl.col("component") == PART, pl.col("side") == "left")
            if name == "lost":
                assert failures[name] == pytest.approx(float(weighed.of_case[0, k]), abs=1e-3)
                assert now["standing"].to_list() == pytest.approx([float(weighed.stands[0, k])])
            else:
                assert now["standing"].fill_null(0.0).to_list() in ([], [0.0]) or now["standing"][0] < 0.1
            # a failure is one failure, whoever wrote it down
            assert 0.5 < failures[name] <= 1.0 + 1e-6
    assert failures["told"] > failures["lost"]


def test_a_part_of_the_whole_machine_lives_once_although_both_sides_have_cases(demo: Fleet) -> None:
    history, family = demo.begin(Scope(as_of=date(2026, 6, 30)))
    weighed = weighed_now(demo, history, family)
    spells = demo.store.run("cases/part_lives", fault=family.name, settling=weighed.layout.settling_tenths)
    both = spells.group_by("machine_id", "component", "side", "fit").agg(pl.col("case_side").n_unique())
    assert both.filter(component="drive_pump")["case_side"].max() == 2
    # No cause is behind a drive pump's failure here, so cases only cut its life into stretches.
    alone = spells.filter(component="drive_pump").group_by("machine_id").agg(pl.col("fit").n_unique())
    lives = (
        part_lives(demo.store, weighed)
        .lives.filter(component="drive_pump")
        .join(alone.filter(fit=1), on="machine_id", how="semi")
        .sort("machine_id", "entry", "hours")
        .with_columns(before=pl.col("hours").shift(1).over("machine_id"))
    )
    assert lives["weight"].unique().to_list() == [1.0]
    assert lives["before"].count() > 50
    assert lives.filter(pl.col("entry") < pl.col("before")).is_empty()
