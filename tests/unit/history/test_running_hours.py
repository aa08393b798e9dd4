"""Running hours from meters that are typed by tired people and sometimes replaced."""

from __future__ import annotations

import itertools
from datetime import date
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from small_fleet import MACHINE, fleet_of, reading, rows

from fleetlog.history.chains import best_chain

MONTHLY = [
    reading("2020-01-31T12:00", 1100),
    reading("2020-02-29T12:00", 1200),
    reading("2020-03-31T12:00", 1300),
    reading("2020-04-30T12:00", 1400),
    reading("2020-05-31T12:00", 1500),
]


@pytest.mark.parametrize(
    ("wrong", "reason"),
    [
        (reading("2020-03-10T12:00", 2130, source="manual"), "above a later reading"),  # digits swapped
        (reading("2020-03-10T12:00", 12310, source="manual"), "above a later reading"),  # a decimal lost
        (reading("2020-03-10T12:00", 431, source="manual"), "below an earlier reading"),  # last year's value
        (reading("2020-03-01T12:00", 1290, source="manual"), "gained more than the calendar allows"),
        (
            reading("2020-03-30T12:00", 1205, source="manual"),
            "gained more than the calendar allows afterwards",
        ),
    ],
)
def test_wrong_reading_is_set_aside(tmp_path: Path, wrong: dict[str, object], reason: str) -> None:
    with fleet_of(tmp_path, {"machines": [MACHINE], "meter_readings": [*MONTHLY, wrong]}) as fleet:
        aside = rows(fleet, "reading_verdict WHERE NOT kept", "meter_hours, reason")
    assert aside == [(wrong["hours"], reason)]


def test_hours_between_readings_are_interpolated(tmp_path: Path) -> None:
    orders = [{"work_order_id": "W1", "machine_id": "A", "opened_at": "2020-02-15T00:00"}]
    tables = {"machines": [MACHINE], "meter_readings": MONTHLY, "work_orders": orders}
    with fleet_of(tmp_path, tables) as fleet:
        ((tenths, estimated),) = rows(fleet, "clock WHERE moment = '2020-02-15'", "tenths, estimated")
    # 14.5 of the 29 days between 1,100 h and 1,200 h.
    assert (tenths, estimated) == (11500, "")


def test_hours_after_the_last_reading_go_on_at_the_recent_rate(tmp_path: Path) -> None:
    orders = [{"work_order_id": "W1", "machine_id": "A", "opened_at": "2020-06-10T12:00"}]
    tables = {"machines": [MACHINE], "meter_readings": MONTHLY, "work_orders": orders}
    with fleet_of(tmp_path, tables) as fleet:
        ((tenths, estimated),) = rows(fleet, "clock WHERE moment = '2020-06-10 12:00'", "tenths, estimated")
    # The last 90 days reach back to the reading of 29 February: 300 h in 92 days, carried on for 10 days.
    assert (tenths, estimated) == (15000 + round(3000 * 10 / 92), "after")


def test_replaced_meter(tmp_path: Path) -> None:
    changed = {
        "machine_id": "A",
        "changed_at": "2020-04-15T12:00",
        "old_meter_hours": 1350,
        "new_meter_hours": 2,
    }
    readings = [*MONTHLY[:3], reading("2020-04-30T12:00", 52), reading("2020-05-31T12:00", 152)]
    tables = {"machines": [MACHINE], "meter_readings": readings, "meter_changes": [changed]}
    with fleet_of(tmp_path, tables) as fleet:
        tenths = [row[0] for row in rows(fleet, "running_hours", "tenths")]
        assert rows(fleet, "reading_verdict WHERE NOT kept", "meter_hours") == []
    assert tenths == [10000, 11000, 12000, 13000, 13500, 14000, 15000]


def test_later_readings_do_not_reach_back_before_the_as_of_date(tmp_path: Path) -> None:
    """As of March the high reading is the last word; in May it has been proved wrong."""
    high = reading("2020-03-15T12:00", 1420, source="manual")
    with fleet_of(tmp_path, {"machines": [MACHINE], "meter_readings": [*MONTHLY, high]}) as fleet:
        in_march = rows(fleet, "reading_verdict WHERE NOT kept", "meter_hours", date(2020, 3, 20))
        in_may = rows(fleet, "reading_verdict WHERE NOT kept", "meter_hours", date(2020, 5, 31))
    assert (in_march, in_may) == ([], [(1420.0,)])


def test_what_rounding_explains_is_no_contradiction(tmp_path: Path) -> None:
    """Two sources on one day, a tenth apart; the more trusted one stands for the day."""
    other = reading("2020-02-29T15:00", 1199.9, source="manual")
    with fleet_of(tmp_path, {"machines": [MACHINE], "meter_readings": [*MONTHLY, other]}) as fleet:
        assert rows(fleet, "reading_verdict WHERE NOT kept", "meter_hours") == []


@given(st.lists(st.tuples(st.integers(0, 5), st.integers(0, 5), st.integers(1, 4)), min_size=1, max_size=8))
def test_best_chain_against_every_subset(points: list[tuple[int, int, int]]) -> None:
    points.sort(key=lambda p: (p[0] + p[1], p[0]))  # in order of time, as the readings come
    hours, spare, trust = (np.array(values) for values in zip(*points, strict=True))
    weight = trust + 1_000_000
    chain = best_chain(hours, spare, weight)
    assert (np.diff(hours[chain]) >= 0).all()
    assert (np.diff(spare[chain]) >= 0).all()

    def consistent(subset: tuple[int, ...]) -> bool:
        ordered = sorted(subset, key=lambda i: (spare[i], hours[i]))
        return all(hours[a] <= hours[b] for a, b in itertools.pairwise(ordered))

    everything = range(len(points))
    subsets = itertools.chain.from_iterable(
        itertools.combinations(everything, size) for size in range(1, len(points) + 1)
    )
    best = max(sum(int(weight[i]) for i in subset) for subset in subsets if consistent(subset))
    assert int(weight[chain].sum()) == best
