"""Questions asked side by side get the answers that they get one after the other."""

from __future__ import annotations

import shutil
import threading
from datetime import date
from functools import partial
from pathlib import Path

import pytest

from fleetlog.causes.suspects import suspects
from fleetlog.errors import UsageError
from fleetlog.session.concurrent import concurrent_questions
from fleetlog.session.fleet import Fleet, open_fleet
from fleetlog.session.past import fleet_of_the_past
from fleetlog.session.scope import Scope

EVE = Scope(as_of=date(2026, 5, 31))


@pytest.mark.slow
def test_a_store_that_is_read_is_asked_in_another_thread(demo: Fleet) -> None:
    with concurrent_questions(demo) as beside:
        asked = beside(lambda own: (own is demo, threading.current_thread() is threading.main_thread()))
        then = beside(lambda own: suspects(own, EVE))
        now = suspects(demo, Scope())
    assert asked() == (False, False)
    assert then().frame.equals(suspects(demo, EVE).frame)
    assert now.frame.equals(suspects(demo, Scope()).frame)


@pytest.mark.slow
def test_a_store_that_is_written_to_is_asked_at_once(demo_store: Path, tmp_path: Path) -> None:
    store = tmp_path / "copy.duckdb"
    shutil.copy(demo_store, store)
    with open_fleet(store, writable=True) as fleet, concurrent_questions(fleet) as beside:
        assert beside(lambda own: own is fleet)()
        then = beside(lambda own: suspects(own, EVE))
        now = suspects(fleet, Scope())
        assert then().frame.equals(suspects(fleet, EVE).frame)
        assert now.frame.equals(suspects(fleet, Scope()).frame)


def test_an_error_comes_to_who_waits(demo: Fleet) -> None:
    with concurrent_questions(demo) as beside:
        asked = beside(lambda own: suspects(own, Scope(fault="of-no-family")))
    with pytest.raises(UsageError, match="of-no-family"):
        asked()


def test_both_see_the_store_as_it_was_opened(demo_store: Path, tmp_path: Path) -> None:
    """A load that comes between two questions changes the answer to neither."""
    store = tmp_path / "copy.duckdb"
    shutil.copy(demo_store, store)
    later = tmp_path / "meter_readings.csv"
    later.write_text("machine_id,read_at,hours\n11,2026-08-01,9000\n", encoding="utf-8")
    with open_fleet(store) as fleet:
        before = fleet.last_day()
        with open_fleet(store, writable=True) as writer:
            writer.load([later])
        with concurrent_questions(fleet) as beside:
            asked = beside(lambda own: own.last_day())
            past = beside(lambda own: _asked_again(own))
        assert asked() == past() == fleet.last_day() == before
    with open_fleet(store) as fleet:
        assert fleet.last_day() > before


def _asked_again(fleet: Fleet) -> date:
    with fleet_of_the_past(fleet) as past:
        return past.last_day()


@pytest.mark.slow
def test_histories_of_different_days_do_not_meet(demo: Fleet) -> None:
    """Each connection keeps the history that it passes through to itself, and takes it along when it ends."""
    days = [date(2026, month, 28) for month in (2, 3, 4)]
    with concurrent_questions(demo, 3) as beside:
        asked = [beside(partial(suspects, scope=Scope(as_of=day))) for day in days]
        found = [one().frame for one in asked]
    attached = demo.store.execute("SELECT database_name FROM duckdb_databases()")
    assert [name for (name,) in attached if name.startswith("memory_")] in ([], [demo.store.memory_catalog])
    for day, frame in zip(days, found, strict=True):
        assert frame.equals(suspects(demo, Scope(as_of=day)).frame)
