"""Invented fleets: the same files for the same seed, loadable without a hitch, and lawful."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from fleetlog.errors import UsageError
from fleetlog.faults import load_families
from fleetlog.intake import load_paths
from fleetlog.session.fleet import intake_settings, open_fleet
from fleetlog.settings import load_settings
from fleetlog.simulation.simulate import Disorder, another_law, simulate


def contents(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in sorted(folder.iterdir())}


def test_the_same_seed_gives_the_same_files(tmp_path: Path) -> None:
    one = simulate(tmp_path / "one", machines=40, years=4, seed=7)
    two = simulate(tmp_path / "two", machines=40, years=4, seed=7)
    other = simulate(tmp_path / "other", machines=40, years=4, seed=8)
    assert contents(one.files) == contents(two.files)
    assert contents(one.truth) == contents(two.truth)
    assert contents(one.files) != contents(other.files)


def test_a_yard_can_load_them_whole_and_the_truth_is_not_among_them(tmp_path: Path) -> None:
    made = simulate(tmp_path, machines=120, years=6, seed=3)
    assert not list(made.files.rglob("*truth*"))
    assert made.truth.parent == made.files.parent
    with open_fleet(tmp_path / "store.duckdb", settings=load_settings(made.settings), create=True) as fleet:
        result = load_paths(fleet.store, [made.files], settings=intake_settings(fleet.settings))
        assert not [file for file in result.files if file.refused or file.rejected or file.waiting]
        fleet.history()
        cases = fleet.store.execute("SELECT COUNT(*) FROM case_file WHERE fault = 'neutral-return'")[0][0]
    # Two true cases within the confirmation window are one case of the history.
    assert 0.8 * made.cases <= cases <= 1.05 * made.cases


def test_nothing_happens_outside_the_books(tmp_path: Path) -> None:
    made = simulate(tmp_path, machines=60, years=3, seed=5, until=date(2025, 12, 31))
    for kind, column in (
        ("fault_codes", "seen_at"),
        ("work_lines", "done_at"),
        ("meter_readings", "read_at"),
    ):
        moments = pl.read_csv(made.files / f"{kind}.csv")[column]
        assert moments.min() >= "2022-12-31"  # type: ignore[operator]
        assert moments.max() < "2026-01-01"  # type: ignore[operator]


def test_causes_come_about_as_often_as_the_law_says(tmp_path: Path) -> None:
    """Constant hazards alone: over one side's hours each cause is as common as its rate."""
    family = load_families()["neutral-return"]
    flat = replace(
        family,
        hazards=tuple(
            replace(
                hazard,
                shape=1.0,
                scale_hours={"wiring": 3000.0, "calibration": 6000.0}.get(hazard.cause, 1e9),
            )
            for hazard in family.hazards
        ),
    )
    made = simulate(tmp_path, machines=600, years=8, seed=2, law=flat)
    seen = made.true_cases()["cause"].value_counts()
    counts = dict(seen.rows())
    assert set(counts) == {"wiring", "calibration"}
    # A shared cause brings the other side along: cases = rate * (1 + chance to be shared).
    table = flat.evidence_table("sides")
    assert table is not None
    shared = {cause: table.probability("both", cause) for cause in counts}
    expected = 2.0 * (1 + shared["wiring"] / (2 - shared["wiring"]))
    expected /= 1 + shared["calibration"] / (2 - shared["calibration"])
    ratio = counts["wiring"] / counts["calibration"]
    spread = 4 * np.sqrt(1 / counts["wiring"] + 1 / counts["calibration"])
    assert abs(np.log(ratio / expected)) < spread


def test_half_the_steps_go_unrecorded(tmp_path: Path) -> None:
    whole = simulate(tmp_path / "whole", machines=1000, years=6, seed=4)
    half = simulate(tmp_path / "half", machines=1000, years=6, seed=4, disorder=Disorder(unrecorded=0.5))
    steps = pl.read_csv(whole.files / "work_lines.csv").height
    kept = pl.read_csv(half.files / "work_lines.csv").height / steps
    assert abs(kept - 0.5) < 4 * np.sqrt(0.25 / steps)
    assert half.cases == whole.cases  # the world is the same, only the books are not


def test_a_share_of_the_episodes_shows_a_mode_of_its_own(tmp_path: Path) -> None:
    """All codes of an episode share one mode; those of a case do unless modes are mixed."""
    kinds = {}
    for name, mixed in (("same", 0.0), ("mixed", 0.5)):
        made = simulate(tmp_path / name, machines=300, seed=4, disorder=Disorder(mixed_modes=mixed))
        codes = pl.read_csv(made.files / "fault_codes.csv", try_parse_dates=True).with_columns(
            pl.col("seen_at").cast(pl.Datetime("us"))
        )
        begun = made.true_cases().with_columns(pl.col("began_at").cast(pl.Datetime("us")))
        of_case = codes.sort("seen_at").join_asof(
            begun.sort("began_at"), left_on="seen_at", right_on="began_at", by=["machine_id", "side"]
        )
        kinds[name] = of_case.group_by("machine_id", "side", "began_at").agg(pl.col("fmi").n_unique())["fmi"]
    assert (kinds["same"] == 1).mean() == 1.0
    assert (kinds["mixed"] > 1).mean() > 0.2


def test_what_is_tried_again_can_help(tmp_path: Path) -> None:
    """With repeats as good as first tries, a case takes fewer visits."""
    visits = {}
    for repeats in (0.0, 1.0):
        made = simulate(tmp_path / f"{repeats}", machines=400, seed=4, disorder=Disorder(repeats=repeats))
        visits[repeats] = pl.read_csv(made.files / "work_orders.csv").height / made.cases
    assert visits[1.0] < visits[0.0] - 0.02


def test_another_law_is_near_and_different() -> None:
    family = load_families()["neutral-return"]
    other = another_law(family, 1)
    assert other == another_law(family, 1)
    assert other != another_law(family, 2)
    for mine, theirs in zip(family.hazards, other.hazards, strict=True):
        assert 0.3 < theirs.scale_hours / mine.scale_hours < 3.4
        assert (mine.shape == 1.0) == (theirs.shape == 1.0)


@pytest.mark.parametrize("fault", ["oil-overheating", "start-interlock"])
def test_other_families_make_fleets_too(fault: str, tmp_path: Path) -> None:
    made = simulate(tmp_path, machines=80, years=4, seed=1, law=load_families()[fault])
    assert made.cases > 20
    with open_fleet(tmp_path / "store.duckdb", settings=load_settings(made.settings), create=True) as fleet:
        load_paths(fleet.store, [made.files], settings=intake_settings(fleet.settings))
        fleet.history()
        query = "SELECT COUNT(*) FROM case_file WHERE fault = $fault"
        assert fleet.store.execute(query, {"fault": fault})[0][0] > 20


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        ({"machines": 0}, "at least one machine"),
        ({"years": 0.0}, "years"),
        ({"disorder": Disorder(unrecorded=1.5)}, "unrecorded"),
        ({"disorder": Disorder(comeback_shape=0.0)}, "comeback_shape"),
        ({"disorder": Disorder(repeats=2.0)}, "repeats"),
    ],
)
def test_numbers_that_make_no_fleet_are_refused(
    arguments: dict[str, object], told: str, tmp_path: Path
) -> None:
    with pytest.raises(UsageError, match=told):
        simulate(tmp_path, **arguments)  # type: ignore[arg-type]


def test_it_never_writes_over_files(tmp_path: Path) -> None:
    simulate(tmp_path, machines=5, years=1, seed=1)
    with pytest.raises(UsageError, match="already holds files"):
        simulate(tmp_path, machines=5, years=1, seed=1)
