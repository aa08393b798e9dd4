"""A look back asks a fleet of its own, so that the history at hand stays as it is."""

from __future__ import annotations

from datetime import date

from fleetlog.session.fleet import Fleet, open_fleet
from fleetlog.session.past import fleet_of_the_past


def test_its_history_is_apart(demo: Fleet) -> None:
    day = date(2025, 11, 30)
    before = demo.history()
    with fleet_of_the_past(demo) as past:
        assert past.history(day).as_of == day
        assert past.store.select("FROM spell").height > 100
    assert demo.history() is before


def test_a_store_in_memory_is_asked_itself(demo: Fleet) -> None:
    with open_fleet(None, settings=demo.settings) as fleet, fleet_of_the_past(fleet) as past:
        assert past is fleet
