"""The part of a past day's history that a look back builds is that of the whole one, row by row."""

from __future__ import annotations

from datetime import date

import pytest

from fleetlog.session.fleet import Fleet
from fleetlog.session.past import NEEDED, PastFleet, fleet_of_the_past, needed_steps
from fleetlog.store.statements import numbered


@pytest.mark.parametrize("day", [date(2024, 5, 31), date(2025, 11, 30)])
def test_its_tables_are_those_of_the_whole_history(demo: Fleet, day: date) -> None:
    with fleet_of_the_past(demo) as past:
        assert isinstance(past, PastFleet)
        assert past.history(day).as_of_end == demo.history(day).as_of_end
        for table in NEEDED:
            ordered = f"FROM {table} ORDER BY ALL"
            assert past.store.select(ordered).equals(demo.store.select(ordered))
            assert past.store.select(ordered).height > 100
    assert demo.history(day).as_of == day


def test_it_takes_fewer_steps() -> None:
    taken = [step.table for step in needed_steps()]
    assert set(NEEDED) <= set(taken)
    assert len(taken) < len(numbered("history")) - 5
    assert not {"episode", "case_file", "outcome"} & set(taken)


def test_a_store_in_memory_is_asked_itself(demo: Fleet) -> None:
    from fleetlog.session.fleet import open_fleet

    with open_fleet(None, settings=demo.settings) as fleet, fleet_of_the_past(fleet) as past:
        assert past is fleet
