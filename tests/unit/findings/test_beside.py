"""Questions asked side by side get the answers that they get one after the other."""

from __future__ import annotations

import shutil
import threading
from datetime import date
from pathlib import Path

import pytest

from fleetlog.errors import UsageError
from fleetlog.findings.base import Scope
from fleetlog.findings.beside import work_beside
from fleetlog.findings.fleet import Fleet, open_fleet
from fleetlog.findings.suspects import suspects

EVE = Scope(as_of=date(2026, 5, 31))


def test_a_store_that_is_read_is_asked_in_another_thread(demo: Fleet) -> None:
    with work_beside(demo) as beside:
        asked = beside(lambda own: (own is demo, threading.current_thread() is threading.main_thread()))
        then = beside(lambda own: suspects(own, EVE))
        now = suspects(demo, Scope())
    assert asked() == (False, False)
    assert then().frame.equals(suspects(demo, EVE).frame)
    assert now.frame.equals(suspects(demo, Scope()).frame)


def test_a_store_that_is_written_to_is_asked_at_once(demo_store: Path, tmp_path: Path) -> None:
    store = tmp_path / "copy.duckdb"
    shutil.copy(demo_store, store)
    with open_fleet(store, writable=True) as fleet, work_beside(fleet) as beside:
        assert beside(lambda own: own is fleet)()
        then = beside(lambda own: suspects(own, EVE))
        now = suspects(fleet, Scope())
        assert then().frame.equals(suspects(fleet, EVE).frame)
        assert now.frame.equals(suspects(fleet, Scope()).frame)


def test_an_error_comes_to_who_waits(demo: Fleet) -> None:
    with work_beside(demo) as beside:
        asked = beside(lambda own: suspects(own, Scope(fault="of-no-family")))
    with pytest.raises(UsageError, match="of-no-family"):
        asked()
