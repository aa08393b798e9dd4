"""Faults that ended, or did not, without a repair on record: what that says of their cause."""

from __future__ import annotations

from datetime import datetime, time, timedelta
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from yard import Yard

from fleetlog.belief.evidence_words import unrecorded_words
from fleetlog.belief.unrecorded import TURNS
from fleetlog.belief.weighing import WeighedCases, weighed_now
from fleetlog.faults import load_families
from fleetlog.session.fleet import open_fleet
from fleetlog.session.scope import Scope
from fleetlog.simulation.options import Disorder, RecordKeeping
from fleetlog.simulation.simulate import another_law, simulate


def chance(judged: WeighedCases, cause: str) -> float:
    """Of this cause at the bottom of the only case."""
    return float(judged.of_case[0, judged.causes.index(cause)] / judged.of_case[0].sum())


def judged(yard: Yard, place: Path) -> WeighedCases:
    with yard.fleet(place) as fleet:
        history, family = fleet.begin(Scope())
        return weighed_now(fleet, history, family)


def test_what_ended_in_passing_was_what_a_short_step_ends(tmp_path: Path) -> None:
    """The same reports, then 30 or 900 quiet hours without a repair: the long silence speaks for a calibration."""
    short, long = (
        judged(Yard(3000, days=12 + quiet // 10).code(10, 7).code(12, 7), tmp_path / str(quiet))
        for quiet in (30, 900)
    )
    odds = [chance(one, "calibration") / chance(one, "internal_bushing") for one in (short, long)]
    assert odds[1] > 1.2 * odds[0]
    assert long.standing[0] < 0.3 < short.standing[0]


def test_what_comes_back_unmended_is_what_no_short_step_ends(tmp_path: Path) -> None:
    once = judged(Yard(3000, days=110).code(10, 7), tmp_path / "once")
    often = Yard(3000, days=110)
    for day in range(10, 110, 10):
        often.code(day, 7)
    back = judged(often, tmp_path / "often")
    assert chance(back, "calibration") < chance(once, "calibration")
    reasons = [reason.evidence for reason in back.reasons(0)]
    assert any(words.startswith("back 9 times and quiet for") for words in reasons), reasons


def test_an_unrecorded_step_is_measured_against_the_average(tmp_path: Path) -> None:
    found = judged(Yard(3000, days=60).code(10, 7).code(30, 7), tmp_path)
    assert found.unrecorded_ends.times.shape == (TURNS, len(found.causes))
    assert (found.unrecorded_ends.times > 0).all()
    of = dict(zip(found.causes, found.unrecorded_ends.times[0], strict=True))
    assert of["calibration"] > of["internal_bushing"]
    # what no step of the family reaches is ended by what nobody knows
    known = [of[cause] for cause in of if cause != "unknown"]
    assert of["unknown"] == pytest.approx(np.mean(known))


def test_words() -> None:
    assert unrecorded_words(0, 280.0) == "quiet for 280 h without a repair on record"
    assert unrecorded_words(1, 0.0) == "back once without a repair on record"
    assert unrecorded_words(3, 1280.0) == "back 3 times and quiet for 1,280 h without a repair on record"


@pytest.mark.slow
def test_it_stands_as_often_as_it_is_said_to(tmp_path: Path) -> None:
    """Invented fleets with untidy books: of the sides said to stand with a middling chance, as many do."""
    said, stood = [], []
    untidy = Disorder(0.8, mislabelled=0.08, unrecorded=0.25, mixed_modes=0.5, repeats=0.4)
    for seed in (71, 72, 73):
        law = another_law(load_families()["neutral-return"], seed)
        made = simulate(
            tmp_path / str(seed), machines=300, seed=seed, law=law, disorder=untidy,
            record_keeping=RecordKeeping(mess=0.08, routine=True),
        )  # fmt: skip
        with open_fleet(tmp_path / f"{seed}.duckdb", create=True) as fleet:
            fleet.load([made.files])
            history, family = fleet.begin(Scope())
            weighed = weighed_now(fleet, history, family)
        end = datetime.combine(history.as_of + timedelta(days=1), time())
        truth = made.true_cases().filter(pl.col("began_at") < end)
        standing = (
            truth.filter(
                pl.col("ended_at").is_null() | (pl.col("ended_at") >= end) | (pl.col("cured_by") == "")
            )
            .select("machine_id", "side")
            .unique()
            .with_columns(stands=True)
        )
        sides = (
            weighed.cases.with_columns(said=pl.Series(weighed.standing))
            .group_by("machine_id", "side", maintain_order=True)
            .last()
            .filter(pl.col("state") != "closed", pl.col("said").is_not_nan())
            .join(standing, on=["machine_id", "side"], how="left")
        )
        said.append(sides["said"].to_numpy())
        stood.append(sides["stands"].fill_null(False).to_numpy())
    chances, facts = np.concatenate(said), np.concatenate(stood)
    for low, high in ((0.0, 0.3), (0.3, 0.7), (0.7, 1.0)):
        inside = (chances >= low) & (chances < high)
        error = 3.0 * np.sqrt(0.25 / max(inside.sum(), 1))
        assert inside.sum() >= 10
        assert facts[inside].mean() == pytest.approx(chances[inside].mean(), abs=error)
