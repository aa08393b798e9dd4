"""Running hours from meters that are typed by tired people and sometimes replaced."""

from __future__ import annotations

import itertools
from datetime import date
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st
from small_fleet import MACHINE, fleet_of, reading, rows

from fleetlog.history.chains import best_chains

Ints = npt.NDArray[np.int64]

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
        aside = rows(fleet, "refused_reading", "meter_hours, reason")
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
        assert rows(fleet, "refused_reading", "meter_hours") == []
    assert tenths == [10000, 11000, 12000, 13000, 13500, 14000, 15000]


def test_later_readings_do_not_reach_back_before_the_as_of_date(tmp_path: Path) -> None:
    """As of March the high reading is the last word; in May it has been proved wrong."""
    high = reading("2020-03-15T12:00", 1420, source="manual")
    with fleet_of(tmp_path, {"machines": [MACHINE], "meter_readings": [*MONTHLY, high]}) as fleet:
        in_march = rows(fleet, "refused_reading", "meter_hours", date(2020, 3, 20))
        in_may = rows(fleet, "refused_reading", "meter_hours", date(2020, 5, 31))
    assert (in_march, in_may) == ([], [(1420.0,)])


def test_what_rounding_explains_is_no_contradiction(tmp_path: Path) -> None:
    """Two sources on one day, a tenth apart; the more trusted one stands for the day."""
    other = reading("2020-02-29T15:00", 1199.9, source="manual")
    with fleet_of(tmp_path, {"machines": [MACHINE], "meter_readings": [*MONTHLY, other]}) as fleet:
        assert rows(fleet, "refused_reading", "meter_hours") == []


POINTS = st.lists(st.tuples(st.integers(0, 5), st.integers(0, 5), st.integers(1, 4)), min_size=1, max_size=8)


@given(st.lists(POINTS, min_size=1, max_size=2))
def test_best_chains_against_every_subset(blocks: list[list[tuple[int, int, int]]]) -> None:
    for points in blocks:
        points.sort(key=lambda p: (p[0] + p[1], p[0]))  # in order of time, as the readings come
    block = np.repeat(np.arange(len(blocks)), [len(points) for points in blocks])
    hours, spare, trust = (np.array(values) for values in zip(*itertools.chain(*blocks), strict=True))
    weight = trust + 1_000_000
    kept = best_chains(block, hours, spare, weight)
    for number in range(len(blocks)):
        own = np.flatnonzero(block == number)
        chain = own[kept[own]]
        assert (np.diff(hours[chain]) >= 0).all()
        assert (np.diff(spare[chain]) >= 0).all()
        assert int(weight[chain].sum()) == heaviest(hours[own], spare[own], weight[own])


def heaviest(hours: Ints, spare: Ints, weight: Ints) -> int:
    """The weight of the best consistent subset, by trying every one."""

    def consistent(subset: tuple[int, ...]) -> bool:
        ordered = sorted(subset, key=lambda i: (spare[i], hours[i]))
        return all(hours[a] <= hours[b] for a, b in itertools.pairwise(ordered))

    everything = range(len(hours))
    subsets = itertools.chain.from_iterable(
        itertools.combinations(everything, size) for size in range(1, len(hours) + 1)
    )
    return max(sum(int(weight[i]) for i in subset) for subset in subsets if consistent(subset))


@pytest.mark.parametrize("seed", range(5))
def test_best_chains_against_one_by_one(seed: int) -> None:
    """Long blocks, where not every subset can be tried: the same chain by a plain search of all earlier ones."""
    dice = np.random.default_rng(seed)
    lengths = dice.integers(1, 120, 40)
    block = np.repeat(np.arange(len(lengths)), lengths)
    day = np.concatenate([np.sort(dice.integers(0, 80, length)) for length in lengths])
    # Mostly steady use, as meters run, with readings that stand anywhere.
    hours = np.where(dice.random(len(block)) < 0.8, day // 2, dice.integers(0, 40, len(block)))
    spare = day - hours
    weight = dice.integers(1, 5, len(block)) + 1_000_000
    kept = best_chains(block, hours, spare, weight)
    for number in range(len(lengths)):
        own = np.flatnonzero(block == number)
        order = np.lexsort((own, hours[own], spare[own]))
        best: dict[int, tuple[int, int, list[int]]] = {}
        for position in own[order].tolist():
            before = [best[p] for p in best if hours[p] <= hours[position] and spare[p] <= spare[position]]
            weighed, _, chain = max(before, default=(0, -1, []))
            best[position] = (weighed + int(weight[position]), position, [*chain, position])
        assert np.flatnonzero(kept[own]).tolist() == sorted(np.searchsorted(own, max(best.values())[2]))
