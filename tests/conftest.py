"""Fixtures for the whole suite.

What costs much is made once a run and read by all workers: `shared` keeps it, DEVELOPERS.md says how.
"""

from __future__ import annotations

import os
import shutil
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from filelock import FileLock
from forks import Forks

from fleetlog.api import FleetPart
from fleetlog.resources import folder
from fleetlog.session.fleet import Fleet, open_fleet
from fleetlog.session.scope import Scope

if TYPE_CHECKING:
    from hollow_lane import HollowLane


def pytest_configure() -> None:
    """Lets compiled modules be kept where that is switched off, as it is in many containers.

    Else each of the programs that tests start would compile all of its modules, and so would every worker.
    """
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
    os.environ.pop("COLUMNS", None)  # set where a terminal looks on: tables would be as narrow as that
    sys.dont_write_bytecode = False


Shared = Callable[[str, Callable[[Path], None]], Path]
"""`shared(name, make)`: the folder of that name, into which `make` wrote once in this run."""


@pytest.fixture(scope="session")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shared]:
    """Folders that the first worker to ask makes, and all of them read.

    Nobody may write there: at the end every file must be what `make` left.
    """
    base = tmp_path_factory.getbasetemp()
    place = (base.parent if "PYTEST_XDIST_WORKER" in os.environ else base) / "shared"
    place.mkdir(exist_ok=True)
    handed_out: dict[Path, dict[Path, tuple[int, int]]] = {}

    def made_once(name: str, make: Callable[[Path], None]) -> Path:
        made = place / name
        done = place / f"{name}.done"
        with FileLock(place / f"{name}.lock"):
            if not done.exists():
                shutil.rmtree(made, ignore_errors=True)  # of an attempt that failed
                made.mkdir()
                make(made)
                done.touch()
        handed_out.setdefault(made, _state(made))
        return made

    yield made_once
    changed = [made.name for made, before in handed_out.items() if _state(made) != before]
    assert not changed, f"a test wrote to what all share: {', '.join(changed)}"


def _state(made: Path) -> dict[Path, tuple[int, int]]:
    """Size and time of every file, but for what an opened store keeps beside itself."""
    found = {path: path.stat() for path in made.rglob("*") if path.is_file() and path.parent.name[:1] != "."}
    return {path: (state.st_size, state.st_mtime_ns) for path, state in found.items()}


@pytest.fixture(scope="session")
def demo_store(shared: Shared) -> Path:
    """A store with the demo fleet, its settings beside it. Read it, do not write it."""
    return shared("demo", _load_demo) / "fleetlog.duckdb"


def _load_demo(place: Path) -> None:
    shutil.copy(folder("demo_data") / "fleetlog.toml", place / "fleetlog.toml")
    with open_fleet(place / "fleetlog.duckdb", create=True) as fleet:
        fleet.load(sorted(folder("demo_data").glob("*.csv")))


@pytest.fixture(scope="module")
def demo(demo_store: Path) -> Iterator[Fleet]:
    """The demo fleet, open for questions: once a file of tests, since what a fleet has worked out it keeps."""
    with open_fleet(demo_store) as fleet:
        yield fleet


@pytest.fixture
def demo_part(demo: Fleet) -> FleetPart:
    """The demo fleet as Python asks it."""
    return FleetPart(demo, Scope())


@pytest.fixture(scope="session")
def forks() -> Iterator[Forks]:
    """`forks.start(code, *arguments)`: a process of its own that need not import the program first."""
    forks = Forks()
    yield forks
    forks.close()


@pytest.fixture(scope="session")
def hollow_lane(shared: Shared) -> HollowLane:
    """What an invented small yard answers, asked once a run; its machines have names that would run, if let."""
    import hollow_lane as yard  # only here: it brings the report and the pictures with it

    return yard.read(shared("hollow-lane", yard.make))
