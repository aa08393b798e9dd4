"""Lives counted by stratum: by hand, against one risk table a group, and where ages lie far apart."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from fleetlog.stats import life_counts
from fleetlog.stats.life_counts import Strata, count_lives
from fleetlog.stats.risk_table import RiskTable


def counted(lives: pl.DataFrame, *by: str) -> pl.DataFrame:
    return count_lives(lives, Strata.of(lives, by))


def test_counts_by_hand() -> None:
    lives = pl.DataFrame(
        {
            "site": ["South", None, "North", "South"],
            "entry": [0, 5, 0, 20],
            "hours": [20, 20, 10, 30],
            "failed": [True, True, False, False],
        }
    )
    rows = counted(lives, "site").rows()
    assert rows == [
        ("North", 0, 1, 0, 0),
        ("North", 10, 0, 0, 1),
        ("South", 0, 1, 0, 0),
        ("South", 20, 1, 1, 1),
        ("South", 30, 0, 0, 1),
        (None, 5, 1, 0, 0),
        (None, 20, 0, 1, 1),
    ]


def some_lives(ticks_apart: int) -> pl.DataFrame:
    rng = np.random.default_rng(7)
    entry = rng.integers(0, 40, 500) * ticks_apart
    return pl.DataFrame(
        {
            "build_year": pl.Series(rng.choice([2012, 2013, 2019, -1], 500)).replace(-1, None),
            "site": pl.Series(rng.choice(["South", "North", ""], 500)).replace("", None),
            "entry": entry,
            "hours": entry + rng.integers(1, 40, 500) * ticks_apart,
            "failed": rng.random(500) < 0.4,
        }
    )


@pytest.mark.parametrize("ticks_apart", [1, 10**9])
@pytest.mark.parametrize("by", [(), ("build_year",), ("site", "build_year")])
def test_each_stratum_is_the_table_of_its_lives(by: tuple[str, ...], ticks_apart: int) -> None:
    lives = some_lives(ticks_apart)
    found = counted(lives, *by)
    assert found.equals(found.sort(*by, "hours", nulls_last=True))
    groups = dict(lives.group_by(by)) if by else {(): lives}
    parts = found.partition_by(by, as_dict=True) if by else {(): found}
    assert parts.keys() == groups.keys()
    for key, own in groups.items():
        one = RiskTable.from_spells(own["entry"], own["hours"], own["failed"].to_numpy())
        assert parts[key]["hours"].to_list() == one.hours.tolist()
        for name in ("entering", "failed", "leaving"):
            assert parts[key][name].to_list() == getattr(one, name).tolist()


def test_order_of_lives_does_not_show() -> None:
    lives = some_lives(3)
    shuffled = lives.sample(fraction=1.0, shuffle=True, seed=1)
    assert counted(lives, "site", "build_year").equals(counted(shuffled, "site", "build_year"))


def test_in_words_what_is_not_on_record_joins_what_is_recorded_as_unknown() -> None:
    lives = pl.DataFrame(
        {
            "site": ["unknown", None, "North"],
            "entry": [0, 0, 0],
            "hours": [10, 10, 10],
            "failed": [True, False, True],
        }
    )
    found = count_lives(lives, Strata.of(lives, ["site"]).in_words("unknown"))
    assert found.rows() == [
        ("North", 0, 1, 0, 0),
        ("North", 10, 0, 1, 1),
        ("unknown", 0, 2, 0, 0),
        ("unknown", 10, 0, 1, 2),
    ]


def test_without_lives_there_are_no_rows() -> None:
    lives = some_lives(1).clear()
    for by in ((), ("build_year",), ("site", "build_year")):
        found = counted(lives, *by)
        assert found.columns == [*by, "hours", "entering", "failed", "leaving"]
        assert found.height == 0


def test_an_end_counts_whether_flags_are_booleans_or_numbers() -> None:
    lives = some_lives(1)
    as_numbers = lives.with_columns(pl.col("failed").cast(pl.Int16), pl.col("entry", "hours").cast(pl.Int32))
    assert counted(as_numbers, "build_year").equals(counted(lives, "build_year"))
    far = some_lives(10**9).with_columns(pl.col("failed").cast(pl.Int16))
    assert counted(far, "build_year").equals(counted(some_lives(10**9), "build_year"))


def test_lives_counted_piece_by_piece_are_those_counted_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Pieces of which the last is not full, across the chunks of a frame."""
    lives = some_lives(1)
    at_once = counted(lives, "site", "build_year")
    in_chunks = pl.concat([lives[start : start + 37] for start in range(0, lives.height, 37)], rechunk=False)
    assert in_chunks.n_chunks() > 10
    monkeypatch.setattr(life_counts, "PIECE", 10)
    assert counted(in_chunks, "site", "build_year").equals(at_once)


def test_no_lives_are_no_rows() -> None:
    assert counted(some_lives(1).clear(), "site").is_empty()
    assert counted(some_lives(1).clear()).is_empty()


@pytest.mark.parametrize(
    ("kind", "values"),
    [
        (pl.Int8, [127, -128, None, 127]),
        (pl.UInt8, [255, 0, 3]),
        (pl.Int32, [2**31 - 1, -(2**31), 0]),
        (pl.Int32, [2**31 - 1, None]),
        (pl.UInt32, [2**32 - 1, 0, None]),
        (pl.Int64, [10**12, -(10**12), None, 10**12 + 1]),
        (pl.Int64, [3_000_000_001, 3_000_000_000]),
        (pl.Int64, [None, None]),
    ],
)
def test_strata_of_numbers_of_any_width(kind: type[pl.DataType], values: list[int | None]) -> None:
    column = pl.Series("number", values, dtype=kind)
    strata = Strata.of(column.to_frame(), ["number"])
    assert strata.levels["number"][strata.of_life.tolist()].to_list() == values
    known = sorted({value for value in values if value is not None})
    assert strata.levels["number"].drop_nulls().to_list() == known
