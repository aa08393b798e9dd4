"""Risk tables: what they count, and every way in which they can be wrong."""

from __future__ import annotations

from typing import Any

import polars as pl
import pytest
from spells import rows_of

from fleetlog.stats import errors
from fleetlog.stats.risk_table import CausesTable, EventTable, RiskTable

# Six spells, unsorted, in tenths of hours (entry, exit, failed): (0, 30, 1) (0, 50, 0) (20, 50, 1) (10,
# 30, 1) (30, 70, 0) (0, 20, 0) At 20: entered before 20 are spells at 0, 0, 0 and 10 = 4 at risk, one
# leaves (20 enters but is not yet at risk). At 30: 4 - 1 + 1 = 4 at risk, two fail (the spell that enters
# at 30 is not yet at risk). At 50: 4 - 2 + 1 = 3 at risk, one fails, one is censored. At 70: 1 at risk.
ENTRY, EXIT, FAILED = [0, 0, 20, 10, 30, 0], [30, 50, 50, 30, 70, 20], [1, 0, 1, 1, 0, 0]


@pytest.fixture
def table() -> RiskTable:
    return RiskTable.from_spells(ENTRY, EXIT, FAILED)


def test_counts_by_hand(table: RiskTable) -> None:
    assert table.hours.tolist() == [0, 10, 20, 30, 50, 70]
    assert table.entering.tolist() == [3, 1, 1, 1, 0, 0]
    assert table.failed.tolist() == [0, 0, 0, 2, 1, 0]
    assert table.leaving.tolist() == [0, 0, 1, 2, 2, 1]
    assert table.at_risk.tolist() == [0, 3, 4, 4, 3, 1]
    assert table.at_risk_after.tolist() == [3, 4, 4, 3, 1, 0]
    assert table.at_risk.dtype == "int64"


def test_totals_by_hand(table: RiskTable) -> None:
    assert table.spells == 6
    assert table.failures == 3
    # 30 + 50 + 30 + 20 + 40 + 20 tenths
    assert table.total_hours == 19.0
    assert table.delayed_entry


def test_at_risk_between_ages_uses_entry_exit_convention(table: RiskTable) -> None:
    assert table.at_risk_at([0, 1, 1.05, 3.0, 3.01, 7.0, 7.1]).tolist() == [0, 3, 4, 4, 3, 1, 0]


def test_weights_stand_for_repeated_rows() -> None:
    weighted = RiskTable.from_spells([0, 0], [30, 50], [1, 0], [2, 3])
    repeated = RiskTable.from_spells(0, [30, 30, 50, 50, 50], [1, 1, 0, 0, 0])
    for name in ("hours", "entering", "failed", "leaving"):
        assert getattr(weighted, name).tolist() == getattr(repeated, name).tolist()


def test_parts_of_spells_are_refused() -> None:
    with pytest.raises(errors.BadCount, match="whole"):
        RiskTable.from_spells(0, [10, 20, 30], [1, 1, 1], [0.1, 0.2, 0.3])


def test_frame_round_trip_in_any_row_order(table: RiskTable) -> None:
    frame = rows_of(table).drop("at_risk").sample(fraction=1.0, shuffle=True, seed=3)
    assert rows_of(RiskTable.from_frame(frame)).equals(rows_of(table))


def test_frame_takes_the_wide_sums_of_a_database(table: RiskTable) -> None:
    wide = rows_of(table).with_columns(
        pl.col("failed").cast(pl.Int128), pl.col("leaving").cast(pl.Decimal(38, 0))
    )
    assert RiskTable.from_frame(wide).failed.dtype == "int64"
    assert RiskTable.from_frame(wide).leaving.dtype == "int64"


@pytest.mark.parametrize(
    ("arguments", "error", "words"),
    [
        (([5, 10], [5, 20], [1, 0]), errors.BadAge, "no time at all"),
        (([30, 0], [20, 20], [1, 0]), errors.BadAge, "spell 0"),
        (([30, 50], [20, 40], [1, 0]), errors.BadAge, "spell 0"),
        ((0, [1, 0, 1], [300, 200, 100]), errors.BadArgument, "1 for a spell"),
        ((0, [30, 20], [1, 2]), errors.BadArgument, "1 for a spell"),
        ((0, [30.5, 20], [1, 0]), errors.BadAge, "whole number"),
        ((0, [30, float("nan")], [1, 0]), errors.BadAge, "row 1"),
        ((-5, [30, 20], [1, 0]), errors.BadAge, "from 0 on"),
        ((0, ["x", "y"], [1, 0]), errors.BadAge, "numbers"),
        ((0, [30, 20], [1]), errors.LengthMismatch, "shape"),
        ((0, [30, 20], [1, 0], [1, -1]), errors.BadCount, "row 1"),
        ((0, [30, 20], [1, 0], [1]), errors.LengthMismatch, "weights"),
    ],
)
def test_spells_that_are_wrong_have_named_errors(
    arguments: tuple[Any, ...], error: type[Exception], words: str
) -> None:
    with pytest.raises(error, match=words) as caught:
        RiskTable.from_spells(*arguments)
    assert isinstance(caught.value, errors.StatsError)
    assert isinstance(caught.value, ValueError)


@pytest.mark.parametrize(
    ("columns", "error", "words"),
    [
        (([0, 10, 10], [1, 0, 0], [0, 0, 0], [0, 1, 0]), errors.BadAge, "rise"),
        (([0, 10], [2, 0], [0, 1], [0, 1]), errors.BadCount, "2 enter but 1 leave"),
        (([0, 10], [1, 0], [0, 2], [0, 1]), errors.BadCount, "2 fail but only 1 leave"),
        (([0, 10], [0, 1], [0, 0], [1, 0]), errors.BadCount, "0 are at risk"),
        (([0, 10], [1, 0], [0, -1], [0, 1]), errors.BadCount, "failed is -1"),
        (([0, 10], [1, 0], [0], [0, 1]), errors.LengthMismatch, "failed"),
    ],
)
def test_tables_that_are_wrong_have_named_errors(
    columns: tuple[Any, ...], error: type[Exception], words: str
) -> None:
    with pytest.raises(error, match=words):
        RiskTable(*columns)


def test_frames_that_are_wrong_have_named_errors(table: RiskTable) -> None:
    frame = rows_of(table)
    with pytest.raises(errors.LengthMismatch, match="leaving"):
        RiskTable.from_frame(frame.drop("leaving"))
    with pytest.raises(errors.BadAge, match="two rows"):
        RiskTable.from_frame(pl.concat([frame, frame]))
    with pytest.raises(errors.BadCount, match="empty"):
        RiskTable.from_frame(frame.with_columns(failed=pl.lit(None, dtype=pl.Int64)))


def test_causes_are_columns() -> None:
    failed = [[0, 0], [0, 1], [1, 1], [0, 0]]
    causes = CausesTable([0, 10, 20, 30], [4, 0, 0, 0], failed, [0, 1, 2, 1], ("chafed", "worn"))  # type: ignore[arg-type]
    assert causes.failed.tolist() == [[0, 0], [0, 1], [1, 1], [0, 0]]
    assert causes.any_cause().failures == 3
    with pytest.raises(errors.LengthMismatch, match="one column a cause"):
        CausesTable(causes.hours, causes.entering, causes.failed, causes.leaving, ("worn",))


def test_events_do_not_end_observation() -> None:
    events = EventTable.from_units([0, 50], [100, 80], [30, 60, 60], [1, 2, 1])
    assert events.hours.tolist() == [0, 30, 50, 60, 80, 100]
    assert events.events.tolist() == [0, 1, 0, 3, 0, 0]
    assert events.at_risk.tolist() == [0, 1, 1, 2, 2, 1]
    with pytest.raises(errors.BadCount, match="no machine is under observation"):
        EventTable.from_units([0], [100], [150])
